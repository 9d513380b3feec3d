"""CRC check values of ASCII 123456789.

Status C (the RevEng catalogue of parametrised CRC algorithms, its name from memory, via several test suites)
and R; MODBUS and ARC from memory (sure), R.
The product uses CRC-16/IBM-3740 on lines and CRC-32/ISO-HDLC in its store; a plain bit-by-bit CRC,
proved on every row of the catalogue, is the oracle for both on other messages.
"""

import binascii
import random
import zlib

import pytest

from steadyram.link.frames import crc16 as host_crc16
from steadyram_fw.services.crc import crc16 as device_crc16
from steadyram_fw.services.crc import crc32 as device_crc32

CHECK = b"123456789"
CATALOGUE = {
    "CRC-16/IBM-3740": (16, 0x1021, 0xFFFF, False, 0x0000, 0x29B1, 0xFFFF),
    "CRC-16/KERMIT": (16, 0x1021, 0x0000, True, 0x0000, 0x2189, 0x0000),
    "CRC-16/XMODEM": (16, 0x1021, 0x0000, False, 0x0000, 0x31C3, 0x0000),
    "CRC-16/IBM-SDLC": (16, 0x1021, 0xFFFF, True, 0xFFFF, 0x906E, 0x0000),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, 0x0000, 0x4B37, 0xFFFF),
    "CRC-16/ARC": (16, 0x8005, 0x0000, True, 0x0000, 0xBB3D, 0x0000),
    "CRC-8/SMBUS": (8, 0x07, 0x00, False, 0x00, 0xF4, 0x00),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926, 0x00000000),
}


def plain_crc(data: bytes, width: int, poly: int, init: int, reflect: bool, final: int) -> int:
    """Bit by bit, as the catalogue defines it."""
    register, top, mask = init, 1 << (width - 1), (1 << width) - 1
    for byte in data:
        for bit in range(8):
            one = (byte >> bit if reflect else byte >> (7 - bit)) & 1
            high = bool(register & top) ^ bool(one)
            register = (register << 1) & mask
            if high:
                register ^= poly
    if reflect:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ final


@pytest.mark.parametrize("name", CATALOGUE)
def test_the_oracle_on_the_catalogue(name):
    *parameters, check, empty = CATALOGUE[name]
    assert plain_crc(CHECK, *parameters) == check
    assert plain_crc(b"", *parameters) == empty


def test_both_sides_use_ibm_3740():
    assert device_crc16(CHECK) == host_crc16(CHECK) == 0x29B1 == binascii.crc_hqx(CHECK, 0xFFFF)
    assert device_crc16(b"") == host_crc16(b"") == 0xFFFF
    assert binascii.crc_hqx(CHECK, 0) == 0x31C3  # XMODEM, not KERMIT: the trap


def test_store_uses_iso_hdlc():
    assert device_crc32(CHECK) & 0xFFFFFFFF == 0xCBF43926 == zlib.crc32(CHECK)


def test_on_other_messages():
    rng = random.Random(20)
    ibm = CATALOGUE["CRC-16/IBM-3740"][:5]
    hdlc = CATALOGUE["CRC-32/ISO-HDLC"][:5]
    for length in range(60):
        message = rng.randbytes(length)
        crc = plain_crc(message, *ibm)
        assert device_crc16(message) == host_crc16(message) == crc
        assert host_crc16(message + crc.to_bytes(2, "big")) == 0
        assert device_crc32(message) & 0xFFFFFFFF == plain_crc(message, *hdlc)
