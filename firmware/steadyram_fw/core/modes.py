"""Names of how a stroke is run, fed and carried on."""

MODE_THRESHOLD = 0
MODE_DEAD_LEAD = 1
MODE_FIRST = 2
MODE_LEAD = 3
MODE_PLAN = 4
MODE_PROBE = 5

FEED_FULL = 0
FEED_SLOW = 1

# a job's stop_on
ON_DEPTH = 1

NEXT_DONE = 0
NEXT_PULSE = 1
NEXT_FEED = 2
NEXT_SHORT = 3

FIRST_PULSES = 400
LEARNED_PULSES = 200
# with a valve that is thought to be late
LATE_PULSES = 40
