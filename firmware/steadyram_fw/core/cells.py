"""Where the step keeps the numbers that it needs in every millisecond: one array of 32-bit cells.

Sense, Guard and Trace share it. Functions that work on such an array are compiled to machine code without
look-ups for a board (steadyram.install.package); an attribute costs a hundred instructions, a cell two. The first
32 cells cost least on a Cortex-M0+: what is touched in every step stands there.
"""

# what sense.take() makes of the readings
AT = 0
SUM4 = 1
SUM16 = 2  # also the mean of the last 16, times sixteen
SUM64 = 3
COUNTS = 4
SAME = 5  # samples in a row without a change
SPREAD16 = 6
FORCE_N = 7
RISE16 = 8  # newtons in 16 ms
LAST = 9
SLOPE = 10
ROUGH16 = 11
BOOT_MS = 12
ZERO16 = 13
C0 = 14
C1 = 15
C2 = 16
C3 = 17
NOISY16 = 18

# what faults.pressure() and faults.readings() follow
KIND = 19
ON_MS = 20
OFF_MS = 21
END16 = 22
PEAK16 = 23
STAY = 24
TOP_UPS = 25
BAD_MS = 26
OVER_MS = 27
OVER_KNOWN = 28
LOW = 29
HIGH = 30
OVERFORCE_N = 31
CALM_MS = 32
REF16 = 33
LEAK16 = 34
LEAK_AT = 35
FLAT = 36
DWELT = 37
BEST16 = 38
LOST = 39
WIDTH_MS = 40
BEGUN16 = 41
RETURN16 = 42
REST_MS = 43
REST16 = 44
PROBING = 45
# what they hold it against
JUMP_C = 46
RISE_N = 47
FROZEN_MS = 48
QUIET_MS = 49
OPEN_MS = 50
MARGIN16 = 51
HELD16 = 52
SMALL16 = 53
STAY_MS = 54
LEAK_PPT = 55
STEP_C = 56
TOP_SWITCH = 57
HOLDS_LOAD = 58
CHARACTERISED = 59

# trace.note()
FINE_ON = 60
FINE_HEAD = 61
TRACE_ON = 62
TO_COPY = 63
COPIED = 64
WAIT = 65
SPACING = 66
POINTS = 67
TRACE_SHIFT = 68  # newtons a unit of the trace, as a power of two; -1 = the trace is in counts

CUTOUT = 69  # 1 = an independent pressure cutout is fitted
CUTOUT_MS = 70  # its monitor contact has been open for so long
CUTOUT_KNOWN = 71  # it was acknowledged open: the return may let the pressure off

STEEP_N = 72  # rise in 16 ms that the dead-stop test leaves no room for
STEEP_MS = 73  # it has been above that for so long

SUPPLY = 74  # the converter's supply on its own scale, 16384 = full: a reading's code is counts times this

DROP16 = 75  # what the line between pump and transducer may drop while oil flows

SPIKE_C = 76  # what a coil's edge may couple into one sample

FLAT_FROM16 = 77  # no ram in free travel reads so much: pulses above it stand on the part

RING = 78  # 64 samples
FORCES = 142  # 32 forces
CELLS = 174
