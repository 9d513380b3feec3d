"""Units: NIST SP 811 appendix B (status C: a reprint; long ton-force C: unit libraries), R exactly.

The gallon's exact value is from memory (sure). Bare tons must be refused.
"""

import pytest

from steadyram.errors import UnitError
from steadyram.units import parse, to_unit


@pytest.mark.parametrize(
    ("text", "si", "exact", "printed"),
    [
        ("1 lbf", "newton", 4.4482216152605, 4.448222),
        ("1 kip", "newton", 4448.2216152605, 4.448222e3),
        ("1 tonf", "newton", 8896.443230521, 8.896443e3),
        ("1 long_tonf", "newton", 9964.01641818352, None),
        ("1 tonne_force", "newton", 9806.65, 9.80665e3),
        ("1 kgf", "newton", 9.80665, 9.80665),
        ("1 psi", "pascal", 4.4482216152605 / 0.00064516, 6.894757e3),
        ("1 bar", "pascal", 1e5, 1e5),
        ("1 MPa", "pascal", 1e6, None),
        ("1 kgf/cm^2", "pascal", 98066.5, 9.80665e4),
        ("1 gallon", "meter**3", 0.003785411784, 3.785412e-3),
    ],
)
def test_exact_factors(text, si, exact, printed):
    assert parse(text, si) == pytest.approx(exact, rel=1e-12)
    if printed is not None:
        assert parse(text, si) == pytest.approx(printed, rel=5e-7)


def test_ratios():
    assert parse("1 long_tonf", "newton") / parse("1 tonf", "newton") == pytest.approx(1.12, rel=1e-14)
    assert parse("1 tonne_force", "newton") / parse("1 tonf", "newton") == pytest.approx(1.10231131, rel=1e-8)
    assert to_unit(1e5, "pascal", "psi") == pytest.approx(14.5037737730209, rel=1e-12)


def test_gauge_and_absolute_pressure_are_named():
    for text in ("100 psig", "100 psi gauge", "100 psi(g)"):
        assert parse(text, "pascal") == parse("100 psi", "pascal")
    for text in ("100 psia", "5 bar absolute", "5 bara", "0.5 MPa abs", "5 bar(a)"):
        with pytest.raises(UnitError, match="absolute pressure; give gauge pressure"):
            parse(text, "pascal")


@pytest.mark.parametrize("text", ["1 9**9**9 N", "1 (((9**9)**9)**9)**9 N", "1 N^99999999", "1 2**(9**9) N"])
def test_a_tower_of_powers_is_refused_at_once(text):
    with pytest.raises(UnitError, match="cannot be read"):
        parse(text, "newton")


@pytest.mark.parametrize("text", ["1 ton", "1.5 tons", "2 tonne", "3 t", "1 tonnes"])
def test_a_bare_ton_is_refused_with_the_three_choices(text):
    with pytest.raises(UnitError) as refusal:
        parse(text, "newton", what="force")
    for choice in ("tonf", "long_tonf", "tonne_force"):
        assert choice in str(refusal.value)
