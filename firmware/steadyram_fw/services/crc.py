"""Checksums: CRC-16/IBM-3740 for lines and jobs, CRC-32 for files and digests.

CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, nothing reflected, no final xor; its published check value
over "123456789" is 0x29B1. CRC-32 is the one of ISO-HDLC (zlib), check value 0xCBF43926.
"""

import binascii
from array import array


def _table():
    out = array("H", [0] * 256)
    for i in range(256):
        c = i << 8
        for _ in range(8):
            c = (c << 1) ^ 0x1021 if c & 0x8000 else c << 1
        out[i] = c & 0xFFFF
    return out


_TABLE = _table()


def crc16(data, crc=0xFFFF):
    """CRC-16/IBM-3740 of bytes; give the last result as `crc` to go on."""
    table = _TABLE
    for byte in data:
        crc = ((crc << 8) & 0xFFFF) ^ table[(crc >> 8) ^ byte]
    return crc


def crc32(data, crc=0):
    """CRC-32 of bytes; give the last result as `crc` to go on."""
    return binascii.crc32(data, crc) & 0xFFFFFFFF


def digest(lines):
    """CRC-32 over an iterable of byte strings as eight upper-case hex digits."""
    crc = 0
    for line in lines:
        crc = crc32(line, crc)
    return "%08X" % crc
