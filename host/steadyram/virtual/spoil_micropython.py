# mypy: ignore-errors
"""Run by MicroPython, not imported by the host: flip a bit in the middle of files of a flash image.

argv: flash image, its blocks, name (files `name`.*), bits to flip.
"""

import os
import sys

BLOCK = 4096


class Flash:
    def __init__(self, path, blocks):
        self.blocks = blocks
        self.file = open(path, "r+b")  # noqa: SIM115

    def readblocks(self, block, buffer, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.readinto(buffer)

    def writeblocks(self, block, buffer, offset=None):
        self.file.seek(block * BLOCK + (offset or 0))
        self.file.write(buffer)

    def ioctl(self, op, argument):
        if op == 3:
            self.file.flush()
        elif op == 4:
            return self.blocks
        elif op == 5:
            return BLOCK
        return 0


image, blocks, name, flip = sys.argv[1:5]
flash = Flash(image, int(blocks))
os.mount(os.VfsLfs2(flash), "/flash")
for entry in list(os.ilistdir("/flash")):
    if entry[0].startswith(name + "."):
        path = "/flash/" + entry[0]
        with open(path, "rb") as file:
            data = bytearray(file.read())
        data[len(data) // 2] ^= int(flip)
        with open(path, "wb") as file:
            file.write(data)
os.umount("/flash")
flash.file.close()
