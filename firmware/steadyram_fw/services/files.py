"""The few file operations that the services need, the same on littlefs and in a folder of a PC."""

import os


def make_folder(path):
    """Make a folder unless it is there. If it cannot be made the device still starts: writing will tell."""
    try:
        os.mkdir(path)
    except OSError:
        pass


def names(path):
    """Names in a folder, sorted; none when there is no such folder."""
    try:
        return sorted(os.listdir(path))
    except OSError:
        return []


def size(path):
    """Size of a file in bytes, or -1 when there is none."""
    try:
        return os.stat(path)[6]
    except OSError:
        return -1


def remove(path):
    """Remove a file; True when it was there."""
    try:
        os.remove(path)
        return True
    except OSError:
        return False


def read(path, limit):
    """Up to `limit` bytes of a file, or None when it cannot be read.

    MicroPython sets memory aside for as many bytes as are asked for: so it is asked for no more than are there.
    """
    least = size(path)
    if least < 0:
        return None
    try:
        with open(path, "rb") as file:
            return file.read(min(limit, least))
    except OSError:
        return None
