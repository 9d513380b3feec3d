"""Pin map of the ESP32 boards (38-pin development board of the first generation): data only.

GPIO 0, 2 and 12 decide how the chip starts and stay free; GPIO 5 decides only how a memory-card host would be
answered, so an input may hang there (from memory of the chip's public description). 34 to 39 are inputs without a
pull-up of their own, so the knob, the data-ready lines and line A need external ones. The converter is always the
external one: the internal one reads nothing below about 0.1 V and bends near the top.
"""

TITLE = "ESP32 development board, 38 pins"

# (name, GPIO, pin of the header); the header is numbered 1 to 19 down the left and 20 to 38 up the right.
INPUTS = (
    (("extend",), 32, 7),
    (("retract",), 33, 8),
    (("cutoff",), 25, 9),
    (("latch",), 26, 10),
    (("estop_ok",), 27, 11),
    (("top",), 14, 12),
    (("push", "enable", "ack"), 13, 15),
)
# No pin is left: a cutout's monitor contact goes in series with the emergency stop's.
CUTOUT = None
KNOB = (("knob_a", 36, 3), ("knob_b", 39, 4))

OUTPUTS = (
    ("extend", 16, 27),
    ("retract", 17, 28),
    ("slow", 18, 30),
    ("lamp", 19, 31),
    ("buzzer", 23, 37),
)
ALIVE = None

ADC_SIGNAL = None
ADC_SUPPLY = None
ADC_BITS = 16
OVERSAMPLE = 1

ADC_BUS = 0
ADC_SDA = ("adc_sda", 21, 33)
ADC_SCL = ("adc_scl", 22, 36)
ADC_READY = ("adc_ready", 35, 6)

# Position of the ram, if fitted, one or the other: a second converter of the same kind on the same bus, with the
# wiper on its input 0 and the potentiometer's supply on its input 1; or an encoder. So the pin of line A is also
# the second converter's data-ready pin.
PLACE_WIPER = None
PLACE_POWER = ()
PLACE_OVERSAMPLE = 1
PLACE_A = ("place_a", 34, 5)
PLACE_B = ("place_b", 5, 29)
PLACE_READY = ("place_ready", 34, 5)
PLACE_ADDRESS = 0x49

SCREEN_BUS = 1
SCREEN_SDA = ("screen_sda", 4, 26)
SCREEN_SCL = ("screen_scl", 15, 23)

POWER = (("gnd", 14), ("3v3", 1), ("5v", 19))
