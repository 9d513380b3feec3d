"""Pin map of the Pico-class boards (RP2040 or RP2350): data only.

The firmware sets its pins by it and the wiring diagrams in hardware_notes/ are drawn from it.
"""

TITLE = "Pico-class board (RP2040 or RP2350)"

# What a row is: (name, GPIO, pin of the header).
# Inputs: dry contacts to ground, pulled up: low = closed = active. An open wire is then a released pedal,
# cutoff off, emergency stop pushed. One contact may stand for several bits of the input word.
INPUTS = (
    (("extend",), 2, 4),
    (("retract",), 3, 5),
    (("cutoff",), 4, 6),
    (("latch",), 5, 7),
    (("estop_ok",), 6, 9),
    (("top",), 7, 10),
    (("push", "enable", "ack"), 8, 11),
)
CUTOUT = (("cutout_ok",), 22, 29)  # monitor contact of an independent pressure cutout, if fitted
KNOB = (("knob_a", 10, 14), ("knob_b", 11, 15))

# Outputs: high = energised; each drives a transistor whose input is pulled down, so that a pin that floats
# (reset, boot, a pulled plug) is off.
OUTPUTS = (
    ("extend", 16, 21),
    ("retract", 17, 22),
    ("slow", 18, 24),
    ("lamp", 19, 25),
    ("buzzer", 20, 26),
)
ALIVE = ("alive", 21, 27)  # changes level with every control step; for a pulse-watching relay, if fitted

# Internal converter: the transducer's signal and its supply, through two equal dividers.
ADC_SIGNAL = ("adc_signal", 26, 31)
ADC_SUPPLY = ("adc_supply", 27, 32)
ADC_BITS = 12
OVERSAMPLE = 4  # pairs of readings a control step

# External 16-bit converter on its own bus.
ADC_BUS = 1
ADC_SDA = ("adc_sda", 14, 19)
ADC_SCL = ("adc_scl", 15, 20)
ADC_READY = ("adc_ready", 9, 12)

# Position of the ram, if fitted, one or the other: a potentiometer's wiper on the chip's own converter, the
# potentiometer between the converter's reference and its ground; or an encoder, whose lines need neighbouring GPIOs.
PLACE_WIPER = ("place_wiper", 28, 34)
PLACE_POWER = (("wiper_top", 35), ("wiper_gnd", 33))
PLACE_OVERSAMPLE = 2  # readings a control step; the core takes means of sixteen steps besides
PLACE_A = ("place_a", 12, 16)
PLACE_B = ("place_b", 13, 17)
PLACE_READY = None

# Display on the other bus.
SCREEN_BUS = 0
SCREEN_SDA = ("screen_sda", 0, 1)
SCREEN_SCL = ("screen_scl", 1, 2)

POWER = (("gnd", 38), ("3v3", 36), ("5v", 39))
