"""Forces for the panel, in the unit that the setting `panel_unit` names: whole numbers in, text out.

A unit is a row: its name, the quotient that turns newtons into what its last figure counts, how many of its figures
are decimals, and the name of its thousandfold, used from 100,000 on. The quotients are within 1e-6 of the factors in
NIST SP 811 (2008), appendix B: 1 lbf = 4.4482216152605 N, 1 kgf = 9.80665 N; tonf is 2000 lbf, tf 1000 kgf.
"""

from .. import tables as T

KN = ("kN", 1, 10, 2, "")
_UNITS = (
    KN,
    ("tonf", 309, 2749, 3, ""),
    ("lbf", 618, 2749, 0, "klbf"),
    ("kgf", 331, 3246, 0, "tf"),
    ("tf", 331, 3246, 3, ""),
    ("N", 1, 1, 0, "kN"),
)


def of(settings):
    """Return the unit that the settings ask for."""
    return _UNITS[settings[T.S_PANEL_UNIT]]


def figure(force_n, unit):
    """Return a force's figures, four with a decimal point and five without, and the name of their unit."""
    name, times, per, decimals, thousand = unit
    counts = abs(force_n) * times
    whole = (counts + per // 2) // per
    if decimals == 0 and whole >= 100000:
        name = thousand
        decimals = 1
        per *= 100
        whole = (counts + per // 2) // per
    while decimals and whole >= 10000:
        decimals -= 1
        per *= 10
        whole = (counts + per // 2) // per
    text = "-" if force_n < 0 else ""
    if not decimals:
        return text + str(whole), name
    scale = 10**decimals
    return "%s%d.%0*d" % (text, whole // scale, decimals, whole % scale), name


def told(force_n, unit):
    """Return a force with its unit, at most ten characters."""
    return "%s %s" % figure(force_n, unit)
