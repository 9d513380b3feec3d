"""What a record tells of the oil: start to contact, contact to half the setpoint, contact to the end.

How long a stroke took says as much of the press (pauses, slow feed) as of the part; the oil let in says where the ram
was. Told for learned strokes of a power pump only: a first part's is counted too low, between the strokes of a hand
pump nothing flows.
"""

from .. import tables as t
from .job_model import LEVELS
from .modes import MODE_PLAN
from .position import CONTACT16, MARK, U16

_HALF = LEVELS >> 1


def tell(r, cut, counted, from_top):
    """Put the three into record `r`, each -1 where it is not known. counted: the cutoff counted this stroke's oil."""
    c = cut.cells
    contact16 = c[CONTACT16]
    known = counted and cut.mode == MODE_PLAN and contact16 >= 0
    r[t.R_OIL_CONTACT_US] = _us(contact16) if known and from_top else -1
    r[t.R_OIL_HALF_US] = _us(half16(cut) - contact16) if known else -1
    r[t.R_OIL_END_US] = _us(max(cut.u16, c[U16]) - contact16) if known else -1


def half16(cut):
    """Position at half the setpoint, u16: as it was passed, else between two readings at rest, evenly; -1 unknown."""
    c = cut.cells
    if c[MARK + _HALF] >= 0:
        return c[MARK + _HALF]
    half = cut.setpoint >> 1
    low_n = 0
    low16 = c[CONTACT16]
    rests = cut.rests
    for i in range(cut.rested):
        force = rests[2 * i]
        u16 = rests[2 * i + 1]
        if force >= half:
            share = ((half - low_n) << 7) // max(1, force - low_n)
            return low16 + (((u16 - low16) * share) >> 7)
        low_n = force
        low16 = u16
    return -1


def _us(oil16):
    """Microseconds of the low stage; what lies before its beginning is not known."""
    return (oil16 * 125) >> 1 if oil16 >= 0 else -1
