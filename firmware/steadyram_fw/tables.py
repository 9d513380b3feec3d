"""Made by protocol/generate.py from protocol/definition.toml: change those, not this file."""

try:
    from micropython import const
except ImportError:

    def const(value):
        return value


from .rows import Rows, Verbs, Words

PROTO = const(1)
OLDEST = const(1)
LINE_MAX = const(240)
REPLY_MAX = const(480)
TAGS_KEPT = const(8)
TAG_MAX = const(8)
JOB_SLOTS = const(16)
NAME_MAX = const(24)

# inputs: masks of the bit word
IN_EXTEND = const(1)
IN_RETRACT = const(2)
IN_CUTOFF = const(4)
IN_LATCH = const(8)
IN_ESTOP_OK = const(16)
IN_TOP = const(32)
IN_ENABLE = const(64)
IN_ACK = const(128)
IN_CUTOUT_OK = const(512)
IN_PUSH = const(256)

# outputs: masks of the bit word
OUT_EXTEND = const(1)
OUT_RETRACT = const(2)
OUT_SLOW = const(4)
OUT_LAMP = const(8)
OUT_BUZZER = const(16)

# contacts, by bit: milliseconds after which closed and open count
CONTACT_CLOSE_MS = b"\x03\x03\x03\x14\x64\x03\x14\x14\x14\x64"
CONTACT_OPEN_MS = b"\x05\x05\x14\x14\x01\x03\x14\x14\x14\x05"

# states
STATE_STARTING = const(0)
STATE_READY = const(1)
STATE_ADVANCE = const(2)
STATE_SETTLE = const(3)
STATE_NUDGE = const(4)
STATE_DWELL = const(5)
STATE_DONE = const(6)
STATE_RETURN = const(7)
STATE_FAULT = const(8)
STATE_REFUSED = const(9)
STATE_STORING = const(10)
STATE_NAMES = Words("""\
starting
ready
advance
settle
nudge
dwell
done
return
fault
refused
storing""")

# stop reasons
STOP_NONE = const(0)
STOP_SETPOINT = const(1)
STOP_PEDAL = const(2)
STOP_BOTH_PEDALS = const(3)
STOP_ESTOP = const(4)
STOP_FAULT = const(5)
STOP_NO_CUTOFF = const(6)
STOP_PROBE = const(7)
STOP_SHORT = const(8)
STOP_STALLED = const(9)
STOP_OVER = const(10)
STOP_DEPTH = const(11)
STOP_WINDOW = const(12)
STOP_CEILING = const(13)
STOP_SELECTOR = const(14)
STOP_OVERDUE = const(15)
STOP_NAMES = Words("""\
none
setpoint
pedal
both-pedals
estop
fault
no-cutoff
probe
short
stalled
over
depth
window
ceiling
selector
overdue""")

# faults
FAULT_SENSOR_LOW = const(1)
FAULT_SENSOR_HIGH = const(2)
FAULT_SENSOR_FROZEN = const(3)
FAULT_SLOPE_IMPOSSIBLE = const(4)
FAULT_OVER_FORCE = const(5)
FAULT_RISE_AFTER_CLOSE = const(6)
FAULT_NO_RISE = const(7)
FAULT_LEAK_FAST = const(8)
FAULT_NO_FALL = const(9)
FAULT_PEDAL_AT_START = const(10)
FAULT_ESTOP_OPEN = const(11)
FAULT_CYCLE_TOO_LONG = const(12)
FAULT_RETURN_TOO_LONG = const(13)
FAULT_SETTINGS_BAD = const(14)
FAULT_CALIBRATION_BAD = const(15)
FAULT_ZERO_OUT = const(16)
FAULT_STEP_OVERRUN = const(17)
FAULT_STORE_FAILED = const(18)
FAULT_MEMORY = const(19)
FAULT_OVER_CAPACITY = const(20)
FAULT_SENSOR_NOISY = const(21)
FAULT_POSITION_SIGNAL = const(22)
FAULT_POSITION_JUMP = const(23)
FAULT_POSITION_STILL = const(24)
FAULT_POSITION_REFERENCE = const(25)
FAULT_ACK_STUCK = const(26)
FAULT_JOBS_BAD = const(27)
FAULT_MEASURED_BAD = const(28)
FAULT_SETTINGS_OLDER = const(29)
FAULT_MEASURED_OLDER = const(30)
FAULT_JOBS_OLDER = const(31)
FAULT_CALIBRATION_OLDER = const(32)
FAULT_MANIFEST_BAD = const(33)
FAULT_READING_STILL = const(34)
FAULT_OIL_LIMIT = const(35)
FAULT_READING_SLOW = const(36)
FAULT_CUTOUT_OPEN = const(37)
FAULT_COMMISSIONING_DOUBTFUL = const(38)
FAULT_POSITION_OIL = const(39)
FAULT_NAMES = Words("""\

sensor-low
sensor-high
sensor-frozen
slope-impossible
over-force
rise-after-close
no-rise
leak-fast
no-fall
pedal-at-start
estop-open
cycle-too-long
return-too-long
settings-bad
calibration-bad
zero-out
step-overrun
store-failed
memory
over-capacity
sensor-noisy
position-signal
position-jump
position-still
position-reference
ack-stuck
jobs-bad
measured-bad
settings-older
measured-older
jobs-older
calibration-older
manifest-bad
reading-still
oil-limit
reading-slow
cutout-open
commissioning-doubtful
position-oil""")

# refusals of extend
REFUSAL_NONE = const(0)
REFUSAL_CUTOFF_REQUIRED = const(1)
REFUSAL_RECORD_PENDING = const(2)
REFUSAL_NO_CALIBRATION = const(3)
REFUSAL_NO_JOB = const(4)
REFUSAL_SETPOINT_RANGE = const(5)
REFUSAL_ZERO_OUT = const(6)
REFUSAL_SENSOR_DOUBTFUL = const(7)
REFUSAL_NO_POSITION = const(8)
REFUSAL_NO_REFERENCE = const(9)
REFUSAL_NO_CEILING = const(10)
REFUSAL_SELECTOR_MOVED = const(11)
REFUSAL_NOT_CHARACTERISED = const(12)
REFUSAL_NOT_CONFIGURED = const(13)
REFUSAL_ZERO_FIRST = const(14)
REFUSAL_CHECKLIST = const(15)
REFUSAL_NAMES = Words("""\
none
cutoff-required
record-pending
no-calibration
no-job
setpoint-range
zero-out
sensor-doubtful
no-position
no-reference
no-ceiling
selector-moved
not-characterised
not-configured
zero-first
checklist""")
STATE_PANEL = Words("""\
starting
ready
pressing
reading
closing
holding
let go
going up
fault
refused
writing""")
STOP_PANEL = Words("""\
none
setpoint
let go too early
both pedals pressed
emergency stop
a fault
cutoff was off
a test stroke
force not reached
stalled
over
depth
outside window
a handling job
selector
overdue""")
REFUSAL_PANEL = Words("""\
none
turn cutoff on
wait: writing
calibrate first
choose a job
bad set force
zero has moved
check sensor
calibrate depth
send ram to top
no ceiling set
selector moved
run characterise
not configured
zero first
ack: all checked""")
FAULT_TEXTS = Words("""\

transducer signal below its valid range: open wire, lost supply or short to ground
transducer signal above its valid range: short to supply or over-pressure
transducer signal did not change by one count for longer than its noise allows
force changed faster than this press can move it: wiring fault or interference
force above the over-force limit
force kept rising after the extend valve was told to close: valve stuck or relay welded
no movement or force although extend is energised: valve not opening or pump off
force fell faster than the leak-down limit while holding
pressure did not fall although retract is energised
a pedal was held at power-up: release it; if it is released, its contact is stuck
emergency-stop contact open
extend energised for longer than the cycle limit
retract energised for longer than the return limit
press settings missing or corrupt: push them again
calibration corrupt or of another press: calibrate again
zero has moved further than the limit since calibration: check transducer and trapped pressure
the control step missed its period
a record could not be written: flash full or damaged
out of memory
settings ask for more than the press's capacity
transducer signal too noisy to be judged: screen, earth or supply
ram position signal outside its range: open wire, lost supply or short
ram position changed faster than the ram can move: lost counts or interference
the ram is driven but its position does not change: sensor loose or stuck
position at the top switch differs from its reference: counts were lost or the sensor moved
acknowledge button closed for 30 s: release it; if it is released, its contact is stuck
stored jobs missing or corrupt: push them again, or confirm at the panel to go on with none
measured values missing or corrupt: push them again, or confirm at the panel and run characterise
press settings are an older copy than those in force before: push them again, or confirm at the panel
measured values are an older copy than those in force before: push them again, or confirm at the panel
jobs are an older copy than those in force before: push them again, or confirm at the panel
calibration is an older copy than the one in force before: push it again, or confirm at the panel
the manifest of stored sets is missing: check settings, jobs and calibration, then confirm at the panel
pressure reading does not follow the stroke: port blocked, gauge valve shut, pump off or valve not opening
more oil let in than the ram's stroke takes: relief valve open, leak, or pressure port blocked
reading still rises after the valve has closed: snubber clogging, or air in the pressure line
the independent pressure cutout has opened: find out why before you reset it
force rises twice as steeply as on the block: run characterise again before the next part
ram's travel and the oil let in disagree: sensor reversed, wrongly scaled or loose""")
REFUSAL_TEXTS = Words("""\
extend is not refused
this job requires the cutoff and the cutoff selector is off
the last record is not in flash yet
the cutoff needs a calibration and there is none
the cutoff needs a job and none is chosen
the setpoint is zero or above what press, tooling or transducer allow
zero has moved too far since calibration
the transducer's signal is just outside its measuring range
the job stops on depth and no position sensor is calibrated
the job needs the ram's position: return it to the top switch first
the handling job needs a ceiling on force in the settings, one that this press can keep
a selector moved while the pedal went down: release the pedal and look at the selectors
the learned cutoff needs the dead-stop test of this press: run 'steadyram characterise'
the press has factory defaults: push its settings before the ram may be fed
no top switch: take the zero before each batch, ram clear of the work and pressure off (menu, zero)
handling: go through the checklist, then push acknowledge, pedals up""")

# kinds of sets
KINDS = ("settings", "measured", "jobs", "calibration")

# settings, then measured values: places in the array, then name, min, max, default
S_BORE_UM = const(0)
S_RANGE_KPA = const(1)
S_SENSOR_KIND = const(2)
S_COUNTS_ZERO = const(3)
S_COUNTS_FULL = const(4)
S_COUNTS_STEP = const(5)
S_CAPACITY_N = const(6)
S_OVERFORCE_N = const(7)
S_RETURN_KIND = const(8)
S_DRIVE_KIND = const(9)
S_HOLDS_LOAD = const(10)
S_SLOW_FITTED = const(11)
S_BURST_FEED = const(12)
S_TOP_SWITCH = const(13)
S_CYCLE_MAX_MS = const(14)
S_RETURN_MAX_MS = const(15)
S_STRATEGY = const(16)
S_BAND_PPT = const(17)
S_ZERO_DRIFT_PPT = const(18)
S_LEAK_LIMIT_PPT_S = const(19)
S_CHANGES_S = const(20)
S_POSITION_KIND = const(21)
S_POSITION_DRIFT_UM = const(22)
S_HANDLING_N = const(23)
S_HANGING_N = const(24)
S_STROKE_MS = const(25)
S_CUTOUT_FITTED = const(26)
S_SENSOR_MEASURES = const(27)
S_CELL_N = const(28)
S_CELL_UV_V = const(29)
S_AMPLIFIER_UV_V = const(30)
S_PANEL_UNIT = const(31)
S_WARN_PPT = const(32)
S_CHAR_VALID = const(33)
S_OPEN_LAG_US = const(34)
S_CLOSE_LAG_US = const(35)
S_SENSOR_LAG_US = const(36)
S_JITTER_US = const(37)
S_SLOW_OPEN_LAG_US = const(38)
S_SLOW_CLOSE_LAG_US = const(39)
S_RATE_LOW_N_S = const(40)
S_RATE_HIGH_N_S = const(41)
S_RATE_SLOW_N_S = const(42)
S_CHANGEOVER_N = const(43)
S_NOISE_N = const(44)
S_LEAK_PPM_S = const(45)
S_COAST_US = const(46)
S_POSITION_NOISE_UM = const(47)
S_SPEED_UM_S = const(48)
S_SPEED_SLOW_UM_S = const(49)
S_PULSE_DEAD_US = const(50)
S_PULSE_LEAST_US = const(51)
S_SLOW_PULSE_DEAD_US = const(52)
S_SLOW_PULSE_LEAST_US = const(53)
S_BREAKAWAY_N = const(54)
S_FRICTION_SCATTER_N = const(55)
S_ZERO_WANDER_N = const(56)
S_RATE_LOW_U_PPT = const(57)
S_RATE_HIGH_U_PPT = const(58)
S_RATE_SLOW_U_PPT = const(59)
S_LAG_U_US = const(60)
S_MEASURED_DAY = const(61)
S_LINE_DROP_N = const(62)
S_LEN = const(63)
SETTINGS = Rows("""\
bore_um 5000 600000 100000
range_kpa 100 160000 34474
sensor_kind 0 1 0
counts_zero 0 65535 6554
counts_full 0 65535 58982
counts_step 1 1024 16
capacity_n 100 5000000 178000
overforce_n 100 5000000 190000
return_kind 0 1 0
drive_kind 0 2 0
holds_load 0 1 1
slow_fitted 0 1 0
burst_feed 0 1 0
top_switch 0 1 1
cycle_max_ms 500 600000 60000
return_max_ms 200 120000 15000
strategy 0 2 1
band_ppt 2 200 12
zero_drift_ppt 1 100 20
leak_limit_ppt_s 1 1000 100
changes_s 30 3600 600
position_kind 0 2 0
position_drift_um 10 20000 500
handling_n 0 200000 0
hanging_n 0 200000 0
stroke_ms 0 600000 0
cutout_fitted 0 1 0
sensor_measures 0 1 0
cell_n 100 5000000 200000
cell_uv_v 10 20000 2000
amplifier_uv_v 10 20000 2000
panel_unit 0 5 0
warn_ppt 0 500 60
char_valid 0 1 0
open_lag_us 0 500000 0
close_lag_us 0 500000 0
sensor_lag_us 0 100000 0
jitter_us 0 50000 0
slow_open_lag_us 0 500000 0
slow_close_lag_us 0 500000 0
rate_low_n_s 0 50000000 0
rate_high_n_s 0 50000000 0
rate_slow_n_s 0 50000000 0
changeover_n 0 5000000 0
noise_n 0 100000 0
leak_ppm_s 0 1000000 0
coast_us 0 2000000 0
position_noise_um 0 5000 0
speed_um_s 0 1000000 0
speed_slow_um_s 0 1000000 0
pulse_dead_us -1000000 500000 -1000000
pulse_least_us -1 1000000 -1
slow_pulse_dead_us -1000000 500000 -1000000
slow_pulse_least_us -1 1000000 -1
breakaway_n -1 5000000 -1
friction_scatter_n -1 5000000 -1
zero_wander_n -1 5000000 -1
rate_low_u_ppt -1 10000 -1
rate_high_u_ppt -1 10000 -1
rate_slow_u_ppt -1 10000 -1
lag_u_us -1 500000 -1
measured_day 0 1000000 0
line_drop_n -1 5000000 -1""")
# places of fields that need not be put
SETTINGS_OPTIONAL = (
    21,
    22,
    23,
    24,
    25,
    26,
    27,
    28,
    29,
    30,
    31,
    32,
    47,
    48,
    49,
    50,
    51,
    52,
    53,
    54,
    55,
    56,
    57,
    58,
    59,
    60,
    61,
    62,
)
# values of fields that are enumerations
SENSOR_KIND_RATIOMETRIC = const(0)
SENSOR_KIND_LOOP = const(1)
RETURN_KIND_POWERED = const(0)
RETURN_KIND_SPRING = const(1)
DRIVE_KIND_VALVE = const(0)
DRIVE_KIND_CONTACTOR = const(1)
DRIVE_KIND_NONE = const(2)
STRATEGY_THRESHOLD = const(0)
STRATEGY_LEARNED = const(1)
STRATEGY_LEAD = const(2)
POSITION_KIND_NONE = const(0)
POSITION_KIND_POTENTIOMETER = const(1)
POSITION_KIND_ENCODER = const(2)
SENSOR_MEASURES_PRESSURE = const(0)
SENSOR_MEASURES_FORCE = const(1)
PANEL_UNIT_KN = const(0)
PANEL_UNIT_TONF = const(1)
PANEL_UNIT_LBF = const(2)
PANEL_UNIT_KGF = const(3)
PANEL_UNIT_TONNE_FORCE = const(4)
PANEL_UNIT_N = const(5)
# places from here on are measured values, a set of their own
S_MEASURED = const(33)

# job fields: places in the array, then name, min, max, default
J_SETPOINT_N = const(0)
J_TOOL_LIMIT_N = const(1)
J_DWELL_MS = const(2)
J_LATCH_RETURN = const(3)
J_CUTOFF_REQUIRED = const(4)
J_BATCH = const(5)
J_UNPROVEN = const(6)
J_STOP_ON = const(7)
J_DEPTH_UM = const(8)
J_SLOW_FROM_UM = const(9)
J_WINDOW_LOW_N = const(10)
J_WINDOW_HIGH_N = const(11)
J_WINDOW_LOW_UM = const(12)
J_WINDOW_HIGH_UM = const(13)
J_HANDLING = const(14)
J_LEN = const(15)
JOB = Rows("""\
setpoint_n 1 5000000 1000
tool_limit_n 0 5000000 0
dwell_ms 0 60000 0
latch_return 0 2 2
cutoff_required 0 1 1
batch 0 100000 0
unproven 0 1 0
stop_on 0 2 0
depth_um 0 1000000 0
slow_from_um 0 1000000 0
window_low_n 0 5000000 0
window_high_n 0 5000000 0
window_low_um 0 1000000 0
window_high_um 0 1000000 0
handling 0 1 0""")
# places of fields that need not be put
JOB_OPTIONAL = (7, 8, 9, 10, 11, 12, 13, 14)
# values of fields that are enumerations
LATCH_RETURN_MOMENTARY = const(0)
LATCH_RETURN_LATCHED = const(1)
LATCH_RETURN_PANEL = const(2)
STOP_ON_FORCE = const(0)
STOP_ON_DEPTH = const(1)
STOP_ON_FIRST = const(2)

# calibration fields: places in the array, then name, min, max, default
C_ZERO_COUNTS = const(0)
C_C0_N = const(1)
C_C1_N = const(2)
C_C2_N = const(3)
C_C3_N = const(4)
C_MAX_COUNTS = const(5)
C_FRICTION_N = const(6)
C_SERIAL = const(7)
C_POSITION_UM_64K = const(8)
C_POSITION_STEP_NM = const(9)
C_MADE_UNIX = const(10)
C_DUE_UNIX = const(11)
C_LEN = const(12)
CALIBRATION = Rows("""\
zero_counts 0 65535 0
c0_n -1000000 1000000 0
c1_n -4194303 4194303 0
c2_n -4194303 4194303 0
c3_n -4194303 4194303 0
max_counts 0 65535 0
friction_n 0 1000000 0
serial 1 1000000000 1
position_um_64k -4194303 4194303 0
position_step_nm -200000 200000 0
made_unix 0 4294967295 0
due_unix 0 4294967295 0""")
# places of fields that need not be put
CALIBRATION_OPTIONAL = (8, 9)
# the first fields go to the control core, the wide ones after them stay outside
CAL_CORE_LEN = const(10)

# fields of a cycle record
R_SEQ = const(0)
R_BOOT = const(1)
R_AT_MS = const(2)
R_AT_UNIX = const(3)
R_JOB = const(4)
R_JOB_CRC = const(5)
R_CAL_SERIAL = const(6)
R_SETTINGS_GEN = const(7)
R_COUNT = const(8)
R_SETPOINT_N = const(9)
R_PEAK_N = const(10)
R_SETTLED_N = const(11)
R_END_N = const(12)
R_STOP = const(13)
R_FAULT = const(14)
R_FLAGS = const(15)
R_DURATION_MS = const(16)
R_CONTACT_MS = const(17)
R_KNEE_N = const(18)
R_PULSES = const(19)
R_ZERO_COUNTS = const(20)
R_TRACE_MS = const(21)
R_TRACE_LEN = const(22)
R_TRACE_UNIT_N = const(23)
R_DEPTH_UM = const(24)
R_CONTACT_UM = const(25)
R_TARGET_UM = const(26)
R_OIL_CONTACT_US = const(27)
R_OIL_HALF_US = const(28)
R_OIL_END_US = const(29)
R_LEN = const(30)
# from here on a field that a record has not got is -1, before it 0
R_UNKNOWN = const(27)
RECORD = Words("""\
seq
boot
at_ms
at_unix
job
job_crc
cal_serial
settings_gen
count
setpoint_n
peak_n
settled_n
end_n
stop
fault
flags
duration_ms
contact_ms
knee_n
pulses
zero_counts
trace_ms
trace_len
trace_unit_n
depth_um
contact_um
target_um
oil_contact_us
oil_half_us
oil_end_us""")
RECORD_WIDE = (
    0,
    2,
    3,
)
FLAG_CUTOFF = const(1)
FLAG_FIRST = const(2)
FLAG_LEARNED = const(4)
FLAG_PROBE = const(8)
FLAG_SLOW = const(16)
FLAG_DWELT = const(32)
FLAG_SMALL = const(64)
FLAG_GAP = const(128)
FLAG_RESET = const(256)
FLAG_AGAIN = const(512)
FLAG_HANDLING = const(1024)
FLAG_TRAVEL = const(2048)
FLAG_THRESHOLD = const(4096)

# verbs: name, flags (1: a change, 2: only while enabled, 4: refused while live), arguments;
# an argument without a default must be given
VERBS = Verbs("""\
hello 0
now 0
show 0 kind::settings,measured,jobs,calibration,learned:
stage 3 kind::settings,measured,jobs,calibration:
put 3 *
check 0
commit 7 digest::: replaces:-1:4294967295:-1
drop 1
use 7 job:0:16:
recount 7
forget 7 job:1:16:
zero 7
probe 7 feed:0:1: cut_counts:0:65534: pulse_ms:0:5000: pulses:0:200: pause_ms:0:10000: ceiling_n:0:5000000:0
disarm 1
teach 7 setpoint_n:1:5000000:0 job:-1:16:-1 replaces:-1:4294967295:-1
log 0 from:0:4294967295: max:1:10000:10000 fields:0:1000:0
trace 0 seq:0:4294967295:
travel 0 seq:0:4294967295:
last 0 kind::fine,pulses:
events 0 on:0:1: live_ms:0:60000:0
clock 1 unix:0:4294967295:
changes 0 from:0:4294967295: max:1:10000:10000
io 0
board 0
maintenance 7""")

# who made a change
BY_LINK = const(0)
BY_PANEL = const(1)
BY_ITSELF = const(2)
BY_NAMES = Words("""\
link
panel
itself""")

# errors
E_TOO_LONG = const(1)
E_NOT_ASCII = const(2)
E_BAD_FORM = const(3)
E_BAD_CRC = const(4)
E_NEEDS_CRC = const(5)
E_UNKNOWN_VERB = const(6)
E_UNKNOWN_KEY = const(7)
E_MISSING_KEY = const(8)
E_BAD_VALUE = const(9)
E_OUT_OF_RANGE = const(10)
E_TAG_REUSED = const(11)
E_NOT_ENABLED = const(12)
E_BUSY = const(13)
E_NOTHING_STAGED = const(14)
E_DIGEST_DIFFERS = const(15)
E_OVER_CAPACITY = const(16)
E_OVER_TOOLING = const(17)
E_OVER_RANGE = const(18)
E_NO_SUCH_RECORD = const(19)
E_NO_SUCH_JOB = const(20)
E_STORE_FAILED = const(21)
E_NOT_AT_REST = const(22)
E_INCONSISTENT = const(23)
E_FAULT_LATCHED = const(24)
E_NOT_HERE = const(25)
E_SEALED = const(26)
E_JOB_CHOSEN = const(27)
E_REPLACED_MEANWHILE = const(28)
ERROR_TEXTS = Words("""\

the line is longer than the device accepts; shorten it
the line has a byte that is not printable ASCII
the line is not: tag verb key=value ...
the checksum does not match the line; send it again
a line that changes something needs a checksum
this firmware does not know that verb
this verb or set has no such key
a key that this verb or set needs is missing
a value is not of the right form
a value is outside its bounds
that tag was used for another change; use a new one
changes are not enabled: hold the enable button at the panel
a stroke is live; try again when the ram is at rest and the pedals are released
no set is staged; begin with stage
the digest does not match the staged set; nothing was changed
a setpoint is above the press's capacity or over-force limit
a setpoint is above the rated force of its tooling
a setpoint is above what the calibrated transducer can read
there is no record with that number
there is no job with that number
the flash did not take it; nothing was changed
this needs the ram at the top and the pedals released
the set contradicts itself
a fault is latched: acknowledge it at the panel first
this board does not offer that
calibration is sealed: hold the enable button until the panel says to let go
the chosen job requires the cutoff: choose no job before a valve test
another set is in force, or another job active, than the one seen; nothing was changed: look at it again""")
