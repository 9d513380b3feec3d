"""Filter the contacts: a level counts once it has stayed for the time that the protocol definition states for it.

Integers only; nothing here allocates.
"""

from array import array

from .. import tables as t

PEDALS = t.IN_EXTEND | t.IN_RETRACT
SELECTORS = t.IN_CUTOFF | t.IN_LATCH
CONTACTS = 10

# How long the acknowledge button is held: a touch in passing is shorter, a stuck contact or a bag on it longer.
ACK_MS = 200
ACK_MOST_MS = 3000
ACK_STUCK_MS = 30000

_CLOSE = t.CONTACT_CLOSE_MS
_OPEN = t.CONTACT_OPEN_MS
_NEVER = -1


class Inputs:
    """The contacts of the press.

    word: the levels that count, as bits of the input word; steady: False while a contact is being waited for;
    selector_moved: a selector moved while a pedal went down, True until both pedals are up.
    """

    def __init__(self):
        self.word = 0
        self.raw = 0
        self.steady = False
        self.selector_moved = False
        self.ack_ms = _NEVER
        self.ack_on_ms = 0
        self._started = False
        self._runs = array("i", [0] * CONTACTS)

    def follow(self, raw):
        """Take the levels of one millisecond; needed only while they change or are not `steady`."""
        word = self.word
        if not self._started:
            # What stands at power-up counts at once, but for the pedals: those must be seen to go down.
            self._started = True
            word = raw & ~PEDALS
        if raw & ~word & PEDALS and (raw ^ word) & SELECTORS:
            self.selector_moved = True
        self.raw = raw
        runs = self._runs
        steady = True
        differ = raw ^ word
        bit = 1
        i = 0
        while i < CONTACTS:
            if differ & bit == 0:
                runs[i] = 0
            else:
                run = runs[i] + 1
                if run >= (_OPEN[i] if word & bit else _CLOSE[i]):
                    word ^= bit
                    run = 0
                else:
                    steady = False
                runs[i] = run
            bit <<= 1
            i += 1
        self.word = word
        self.steady = steady
        if (raw | word) & PEDALS == 0:
            self.selector_moved = False

    def touched(self):
        """Return True while a pedal is pressed, or may be: its contact bounces."""
        return (self.raw | self.word) & PEDALS != 0

    def ack_anew(self):
        """Wait for a new push of the acknowledge button: one that is closed now must open first."""
        self.ack_ms = _NEVER if self.word & t.IN_ACK else 0

    def acknowledged(self):
        """Return True in the millisecond in which a push of 0.2 to 3 s, with the pedals up, has been released.

        To be asked once a millisecond while a fault is latched.
        """
        held_ms = self.ack_ms
        if self.word & t.IN_ACK == 0:
            self.ack_ms = 0
            return ACK_MS <= held_ms <= ACK_MOST_MS and not self.touched()
        if held_ms >= 0:
            self.ack_ms = _NEVER if self.touched() or held_ms > ACK_MOST_MS else held_ms + 1
        return False

    def ack_is_stuck(self):
        """Return True when the acknowledge button has been closed for so long that its contact must be stuck.

        To be asked once a millisecond while the button is closed.
        """
        if self.ack_on_ms < ACK_STUCK_MS:
            self.ack_on_ms += 1
            return False
        return True
