# mypy: ignore-errors
"""Run by MicroPython, not imported by the host: a file as a board's flash, as MicroPython's block devices are."""


class Flash:
    def __init__(self, path, blocks):
        self.blocks = blocks
        self.file = open(path, "r+b")  # noqa: SIM115

    def readblocks(self, block, buffer, offset=0):
        self.file.seek(block * 4096 + offset)
        self.file.readinto(buffer)

    def writeblocks(self, block, buffer, offset=None):
        self.file.seek(block * 4096 + (offset or 0))
        self.file.write(buffer)
        self.file.flush()

    def ioctl(self, op, argument):
        if op == 4:
            return self.blocks
        if op == 5:
            return 4096
        return 0
