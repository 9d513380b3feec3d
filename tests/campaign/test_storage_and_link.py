"""A small seeded part of each campaign on storage and link."""

from __future__ import annotations

import binascii
import random
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from tests.campaign import damaged_lines, fuzz_targets, power_cut, soak

from steadyram.link.frames import FrameError, crc16, decode_request, seal
from steadyram.virtual.runtime import find_micropython
from steadyram_fw.services import lines as fw_lines
from steadyram_fw.services.refuse import Refuse

needs_micropython = pytest.mark.skipif(find_micropython() is None, reason="no MicroPython on this machine")


# ---------------------------------------------------------------- power cuts
@needs_micropython
def test_power_cuts_in_a_short_scenario() -> None:
    found = power_cut.campaign(rounds=2, seed=2, step=5)
    assert found["cases"] >= 300
    assert (found["failed"], found["outcome_between"]) == (0, 0), found["failures"]
    assert found["outcome_old"] > 0
    assert found["outcome_new"] > 0
    assert found["told"] > 0


# ---------------------------------------------------------------- damaged lines
def no_light_damage_passes(firmware: dict[str, Any], host: dict[str, Any]) -> None:
    assert firmware["crash_count"] == 0, firmware["crashes"]
    assert host["crash_count"] == 0, host["crashes"]
    for kind in damaged_lines.LIGHT:
        assert firmware["offered"][kind] > 0
        assert firmware["changes_answered_ok"].get(kind, 0) == 0
        assert host["taken"].get(kind, 0) == 0


def test_damaged_lines_to_each_side() -> None:
    firmware = damaged_lines.offer_firmware(7, 200_000, fast=False)
    host = damaged_lines.offer_host(7, 200_000)
    assert sum(firmware["offered"].values()) == sum(host["offered"].values()) == 200_000
    no_light_damage_passes(firmware, host)
    assert firmware["sets_in_force_unchanged"]
    # 27 % of the lines keep their form: one of them is expected to have a checksum that fits
    assert sum(firmware["checksum_fitted"].values()) <= 10


def test_hamming_distance_of_the_checksum() -> None:
    """No one, two or three wrong bits in up to 32751 bits of text and 16 of checksum can cancel out.

    The polynomial x^16 + x^12 + x^5 + 1 has an even number of terms, so x + 1 divides it and every undetected error
    has an even number of bits: not one, not three. Two bits cancel only if x^i = x^j, and x has the order 32767.
    Koopman, Chakravarty: "Cyclic redundancy code polynomial selection for embedded networks" (DSN 2004) has the same
    figure for this polynomial (from memory).
    """
    assert bin(0x11021).count("1") % 2 == 0
    seen = set()
    value = 1
    for _ in range(32767):
        seen.add(value)
        value <<= 1
        if value & 0x10000:
            value ^= 0x11021
    assert len(seen) == 32767
    assert value == 1


def test_each_digit_of_a_checksum_carries_its_bits_as_they_are() -> None:
    """So a bit that flips on the wire is one of the checksum's, and the distance holds for the line as it is sent."""
    for nibble in range(16):
        for bit in range(8):
            digit = (0x40 | nibble) ^ 1 << bit
            line = b"a1 now #@@@" + bytes([digit])
            told = digit & 15
            assert (digit & 0xF0 == 0x40) == (bit < 4)
            if bit < 4:
                assert bin(told ^ nibble).count("1") == 1
            else:
                with pytest.raises(Refuse):
                    fw_lines.check(line)
                with pytest.raises(FrameError):
                    decode_request(line)


def test_every_damage_of_up_to_three_bits_of_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """All of them, on both sides; hexadecimal digits let 22 of a line such as this pass."""
    monkeypatch.setattr(fw_lines, "crc16", lambda data, crc=0xFFFF: binascii.crc_hqx(data, crc))
    sent = seal(b"a1 use job=4")
    whole = int.from_bytes(sent, "big")
    bits = 8 * len(sent)
    let_in = []
    for count in (1, 2, 3):
        # three flips: every pair with every eighth third, all thirds in turn
        for n, places in enumerate(combinations(range(bits), count)):
            if count == 3 and (n + sum(places)) % 8:
                continue
            flipped = whole
            for place in places:
                flipped ^= 1 << place
            line = flipped.to_bytes(len(sent), "big")
            try:
                _, sealed = fw_lines.check(line)
            except Refuse:
                continue
            if sealed:
                let_in.append(line)
    assert let_in == []


def test_no_three_flips_pass_on_long_lines_either() -> None:
    """All triples at once, by syndromes: on the longest line no three of them cancel."""
    body = b"k" * 233
    base = crc16(body)
    syndromes = []
    for place in range(8 * len(body)):
        changed = bytearray(body)
        changed[place >> 3] ^= 1 << (place & 7)
        syndromes.append(crc16(bytes(changed)) ^ base)
    syndromes += [1 << bit for bit in range(16)]
    values = np.array(syndromes)
    assert len(set(syndromes)) == len(syndromes)
    present = np.zeros(65536, bool)
    present[values] = True
    assert not present[0]
    for value in values:
        pairs = values ^ value
        assert not present[pairs[values != value]].any()


# ---------------------------------------------------------------- parsers
@pytest.mark.parametrize("name", list(fuzz_targets.TARGETS))
def test_parsers_refuse_what_they_do_not_take(name: str) -> None:
    """Seeds, pieces of them and noise; the fuzzer goes further (fuzz_parsers.py)."""
    source = random.Random(name)
    seeds = fuzz_targets.TARGETS[name][1]
    inputs = [b"", b"\x00", b"\xff" * 50, b"[" * 3000, b"a = " + b"9" * 5000, b"1" * 5000, *seeds]
    for _ in range(25 if name == "client" else 60):
        data = bytearray(source.choice(seeds))
        for _ in range(source.randint(1, 8)):
            at = source.randrange(len(data) + 1)
            data[at : at + source.randint(0, 4)] = source.randbytes(source.randint(0, 4))
        inputs.append(bytes(data))
    taken = [fuzz_targets.run(name, data) for data in inputs]
    assert not all(taken) or name in ("firmware-link", "client", "frames", "firmware-flash-sets")


# ---------------------------------------------------------------- soak
@needs_micropython
def test_an_hour_of_virtual_running() -> None:
    found = soak.figures(soak.run_device("part", 4))
    assert found["records"] > 40
    assert found["record_numbers_lost_or_wrong"] == 0
    assert found["extend_on_with_a_fault"] == 0


def test_figures_of_a_soak_see_growth() -> None:
    """Three days of samples that scatter, and the same with a leak of one block a sample."""

    def lines(leak: int) -> list[str]:
        return [
            f"sample minute={m} mem_alloc={200_000 + 32 * (m // 30 % 3) + leak * (m // 30)} ticks=1 last={m} first=1 "
            "lost=0 wrong=0 faults=0 changes=0 answer_ms=1"
            for m in range(0, 4320 + 1, 30)
        ] + ["end cycles=1"]

    steady, leaking = soak.figures(lines(0)), soak.figures(lines(32))
    assert (steady["growth_of_highest"], steady["days_with_records"]) == (0, 4)
    assert abs(steady["growth_of_mean"]) < 8
    assert leaking["growth_of_highest"] > 2000
    assert leaking["growth_of_mean"] > 2000
