"""The panel's unit of force: figures right to the last digit, and room for them on the display."""

import random
from fractions import Fraction

import pytest
from bench import Bench, settings_puts

from steadyram_fw import tables as T
from steadyram_fw.panel import unit
from steadyram_fw.panel.draw import WIDTH, force

# Newtons in one unit: NIST SP 811 (2008), appendix B.
LBF = Fraction("4.4482216152605")
KGF = Fraction("9.80665")
NEWTONS = {
    "kN": Fraction(1000),
    "tonf": 2000 * LBF,
    "lbf": LBF,
    "kgf": KGF,
    "tf": 1000 * KGF,
    "N": Fraction(1),
    "klbf": 1000 * LBF,
}
# Of the definition's panel_unit, in its order.
NAMES = ("kN", "tonf", "lbf", "kgf", "tf", "N")
# The definition's largest force.
MOST_N = 5_000_000


def shown_in(number):
    settings = [row[3] for row in T.SETTINGS]
    settings[T.S_PANEL_UNIT] = number
    return unit.of(settings)


def forces():
    draw = random.Random(2121)
    return [0, 1, 44, 99994, 99995, MOST_N, *(round(10 ** draw.uniform(0, 6.698)) for _ in range(2000))]


@pytest.mark.parametrize("number", range(len(NAMES)))
def test_figures_are_the_force_in_the_unit_named(number):
    for force_n in forces():
        text, name = unit.figure(force_n, shown_in(number))
        exact = force_n / NEWTONS[name]
        last = Fraction(1, 10 ** len(text.partition(".")[2]))
        # Half of the last figure, and what the quotients are off.
        assert abs(Fraction(text) - exact) <= last / 2 + exact * Fraction(1, 10**6), (force_n, text, name)
        assert len(unit.told(force_n, shown_in(number))) <= 10
    assert unit.figure(0, shown_in(number))[1] == NAMES[number]
    assert unit.figure(-4450, shown_in(number))[0].startswith("-")


@pytest.mark.parametrize(
    ("number", "force_n", "told"),
    [
        (0, 12384, "12.38 kN"),
        (0, 1_234_000, "1234 kN"),
        (1, 8896, "1.000 tonf"),
        (1, 177_929, "20.00 tonf"),
        (2, 4448, "1000 lbf"),
        (2, 500_000, "112.4 klbf"),
        (3, 9807, "1000 kgf"),
        (3, 1_200_000, "122.4 tf"),
        (4, 98_067, "10.00 tf"),
        (5, 99_999, "99999 N"),
        (5, 100_000, "100.0 kN"),
    ],
)
def test_forces_as_they_are_told(number, force_n, told):
    assert unit.told(force_n, shown_in(number)) == told


class Frame:
    """Records where is drawn."""

    def __init__(self):
        self.rects = []
        self.label_x = None

    def fill_rect(self, x, y, across, down, colour):
        self.rects.append((x, x + across))

    def text(self, text, x, y, colour):
        self.label_x = x
        assert x + 8 * len(text) <= WIDTH


@pytest.mark.parametrize("number", range(len(NAMES)))
def test_large_figures_stay_on_the_glass_and_clear_of_their_unit(number):
    for force_n in [None, *forces()]:
        frame = Frame()
        force(frame, force_n, shown_in(number), 0, 1)
        assert min(left for left, _ in frame.rects) >= 0, force_n
        assert max(right for _, right in frame.rects) < frame.label_x, force_n


def test_setting_changes_every_line_at_once(tmp_path):
    bench = Bench(str(tmp_path))
    bench.enable()
    bench.push("settings", settings_puts(panel_unit=2))
    bench.settle()
    bench.app.core.armed_ms, bench.app.core.armed_n = 42000, 44482
    assert bench.app.panel.text()[3] == "to 10000 lbf"
    bench.push("settings", settings_puts(panel_unit=0))
    bench.settle()
    bench.app.core.armed_ms = 42000
    assert bench.app.panel.text()[3] == "to 44.48 kN"
