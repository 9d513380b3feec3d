# ruff: noqa: F821
"""An incremental encoder on a Pico-class board: one PIO state machine counts every edge of both lines.

24 instructions, at most 20 cycles from one look at the lines to the next: 6 million edges a second at 125 MHz. A
line that bounces counts to and fro and ends where it was. The count lives in the input shift register, which a
step up or down changes in one instruction, and goes into the FIFO with every look; so the FIFO is always full, of
the four looks after it was last emptied. tick() empties it and reads it again: the second four are from now. They are
there at once: four looks take a third of a microsecond at most, a call longer. Where the FIFO is not full the state
machine stands still, and the last count stays: the interrupt must not wait.
"""

from array import array

import rp2


@rp2.asm_pio(out_shiftdir=rp2.PIO.SHIFT_RIGHT)
def edges():
    # x: the lines at the last look, bit 0 = A, bit 1 = B; isr: the count
    wrap_target()
    label("look")
    mov(y, isr)
    push(noblock)
    mov(isr, y)
    mov(osr, pins)
    out(y, 2)
    jmp(x_not_y, "moved")
    wrap()
    # up where A before and B now differ, down where they are equal
    label("moved")
    mov(osr, x)
    out(x, 1)
    mov(osr, y)
    out(null, 1)
    jmp(not_x, "was_low")
    out(x, 1)
    jmp(not_x, "up")
    label("down")
    mov(x, isr)
    jmp(x_dec, "one_less")
    label("one_less")
    mov(isr, x)
    jmp("keep")
    label("was_low")
    out(x, 1)
    jmp(not_x, "down")
    label("up")
    # one more is one less of the complement
    mov(x, invert(isr))
    jmp(x_dec, "one_more")
    label("one_more")
    mov(isr, invert(x))
    label("keep")
    mov(x, y)
    jmp("look")


class Quadrature:
    """The count of all edges modulo 65536. `a`: pin of line A; line B is on the next GPIO."""

    def __init__(self, a, machine_number=0):
        counter = rp2.StateMachine(machine_number, edges, in_base=a)
        counter.active(1)
        self._four = array("H", [0, 0, 0, 0])
        self._full = counter.rx_fifo
        self._get = counter.get
        self.then = None

    def tick(self, counts, word):
        four = self._four
        full = self._full
        if full() == 4:
            get = self._get
            get(four)
            if full() == 4:
                get(four)
        return self.then(counts, word, four[3])
