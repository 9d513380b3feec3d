"""Tables of the definition, each kept as one text with a line an entry, which is taken apart when it is asked.

A tuple of strings takes two objects of the heap for each of them, and one more for each row of numbers: together
they were a tenth of what the firmware holds at rest.
"""


class Words:
    """A text an entry; read like a tuple."""

    def __init__(self, text):
        self._text = text

    def __len__(self):
        return self._text.count("\n") + 1

    def __getitem__(self, i):
        text = self._text
        at = 0
        while i:
            at = text.find("\n", at) + 1
            if not at:
                raise IndexError
            i -= 1
        end = text.find("\n", at)
        return text[at:] if end < 0 else text[at:end]

    def __iter__(self):
        for i in range(len(self)):
            yield self[i]


class Rows(Words):
    """Name, least, most and default an entry; read like a tuple of tuples."""

    def __getitem__(self, i):
        name, low, high, default = Words.__getitem__(self, i).split(" ")
        return name, int(low), int(high), int(default)

    def place(self, name):
        """Number of the entry with that name, -1 when there is none."""
        text = self._text
        if " " in name:
            return -1
        if text.startswith(name + " "):
            return 0
        at = text.find("\n" + name + " ")
        return -1 if at < 0 else text.count("\n", 0, at) + 1


class Verbs(Words):
    """Name, flags, and an argument a word; read like a tuple of (name, change, enable, busy, arguments).

    Flags are the bits 1, 2 and 4. An argument is `name:least:most:default`, or `name::choices:default` for a word; "*"
    in the place of all arguments says that the keys belong to the staged set.
    """

    def __getitem__(self, i):
        return self._row(Words.__getitem__(self, i))

    def of(self, name):
        """Return the row of a verb, None where there is none."""
        text = self._text
        if " " in name:
            return None
        at = 0
        if not text.startswith(name + " "):
            at = text.find("\n" + name + " ") + 1
            if not at:
                return None
        end = text.find("\n", at)
        return self._row(text[at:] if end < 0 else text[at:end])

    def _row(self, text):
        name, bits, *args = text.split(" ")
        flags = int(bits)
        row = None if args == ["*"] else [_argument(text) for text in args]
        return name, flags & 1 > 0, flags & 2 > 0, flags & 4 > 0, row


def _argument(text):
    """Return (name, least, most, default), or (name, None, choices or None, default) of a word."""
    name, low, high, default = text.split(":")
    first = int(default) if default else None
    if low:
        return name, int(low), int(high), first
    return name, None, high.split(",") if high else None, first
