# ruff: noqa: F821
"""The valves' outputs in the hands of a PIO state machine that turns them off unless it is fed.

Every control step with a valve energised gives it the valves' bits and how long they hold. Where no step comes (the
timer is dead, interrupts are off, the processor hangs, an exception of any kind), the outputs go off HOLD_MS later,
without the processor. The choices, and why not the others:
  a second timer        MicroPython's timers share one alarm and one interrupt of the chip: it would die with the first
  the second core       shares heap and flash with the first, and would be one more program that can hang
  a PWM output          comes on again after its period; none of its modes gives one pulse
  the watchdog          resets the chip; short enough for a valve it would bite in every flash write
The state machine needs 13 of the 32 places of its PIO block. It is no safety function: a pin that is stuck, or a
transistor, a relay or a valve behind it, stays as it is.
"""

import rp2

HOLD_MS = 10
_HZ = 250000
_LOOK = 6  # instructions a look into the queue
WORD = (HOLD_MS * _HZ // 1000 // _LOOK) << 3  # what a word is besides the bits of the valves
OFF = 1 << 3
NUMBER = 7  # the last machine of the second block; what the ram's encoder takes is in the first
FIFO = 0x5030001C  # where it is fed


@rp2.asm_pio(
    out_init=(rp2.PIO.OUT_LOW, rp2.PIO.OUT_LOW, rp2.PIO.OUT_LOW),
    set_init=(rp2.PIO.OUT_LOW, rp2.PIO.OUT_LOW, rp2.PIO.OUT_LOW),
    out_shiftdir=rp2.PIO.SHIFT_RIGHT,
)
def keeper():
    # x: 0, which is what an empty queue gives; y: looks that are left
    set(x, 0)
    set(pins, 0)
    pull(block)
    label("take")
    out(pins, 3)
    mov(y, osr)
    label("look")
    mov(isr, y)
    pull(noblock)
    mov(y, osr)
    jmp(not_y, "nothing")
    jmp("take")
    label("nothing")
    mov(y, isr)
    jmp(y_dec, "look")


class Keeper:
    """The state machine on the valves' pins, which are neighbours and in the order of the output word's bits."""

    HOLD_MS = HOLD_MS
    WORD = WORD
    OFF = OFF
    FIFO = FIFO

    def __init__(self, first):
        self.pio = rp2.StateMachine(NUMBER, keeper, freq=_HZ, out_base=first, set_base=first)
        self.pio.active(1)

    def let_go(self, machine, pins):
        """Stop, and take the pins back, off."""
        self.pio.active(0)
        for _, gpio, _ in pins.OUTPUTS:
            machine.Pin(gpio, machine.Pin.OUT, value=0)
