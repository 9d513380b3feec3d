"""Say once what a Pico-class board (RP2040) has and must keep: the tests, the benchmarks and `doctor --board` read it.

Measured on the emulated board (tests/board) on MicroPython 1.28.0; hardware_notes/memory_and_time.md has the rest.
"""

HEAP_BYTES = 245_888
# What must stay free at rest and after a part: a busy day's work, its fragments and a ram position sensor take some
# 40,000 of it (hardware_notes/memory_and_time.md).
FREE_AT_REST_BYTES = 60_000
# The day of tests/benchmarks/heap_day.py has to pass on a 64-bit heap of so many bytes. Near its edge whether the day's
# own buffer of 1 KB finds room is chance (it failed at 227.5 KiB and passed at 226.5): the bound lies above that.
DAY_64_BIT_BYTES = 233 * 1024
# A real board with less than this free is to be looked at.
FREE_LEAST_BYTES = 40_000
