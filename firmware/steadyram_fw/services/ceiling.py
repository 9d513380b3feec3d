"""The ceiling of handling jobs before it is committed. Loaded only where one is set."""

from array import array

from .. import tables as T
from ..core.handling import least_n
from ..core.press import Press
from .refuse import Refuse


def check_ceiling(settings, measured, cal):
    """Refuse a ceiling that this press does not keep, with the least; nothing is said before that was measured."""
    if cal is None or measured[T.S_CHAR_VALID - T.S_MEASURED] != 1:
        return
    together = array("i", list(settings) + list(measured))
    press = Press()
    press.configure(together)
    least = least_n(press, together, cal)
    if settings[T.S_HANDLING_N] < least:
        raise Refuse(T.E_INCONSISTENT, "handling_n below %d N, the least that this press keeps" % least)
