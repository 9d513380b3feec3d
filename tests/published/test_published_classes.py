"""Machine classes.

ISO 7500-1 limits: status C (secondary table labelled :2018; multipliers from an adoption of :1999).
ASTM E4 one per cent: C (scope text); difference of two runs: from memory (sure). Vectors: D.
"""

import pytest

from steadyram.metrology.classes import (
    ISO_CLASSES,
    e4_passes,
    lower_limit,
    machine_class,
    parameter_class,
)
from steadyram.metrology.levels import indication_error


@pytest.mark.parametrize(
    ("grade", "q", "b", "v", "f0", "a", "multiple"),
    [
        (0.5, 0.5, 0.5, 0.75, 0.05, 0.25, 400),
        (1.0, 1.0, 1.0, 1.5, 0.1, 0.5, 200),
        (2.0, 2.0, 2.0, 3.0, 0.2, 1.0, 100),
        (3.0, 3.0, 3.0, 4.5, 0.3, 1.5, 67),
    ],
)
def test_limits_and_edges(grade, q, b, v, f0, a, multiple):
    for name, edge in zip(("q", "b", "v", "f0", "a"), (q, b, v, f0, a), strict=True):
        assert parameter_class(name, edge) == grade
        assert parameter_class(name, -edge) == grade
        assert parameter_class(name, edge * (1 + 1e-7)) != grade
    assert lower_limit(2.5, grade) == 2.5 * multiple
    assert multiple == pytest.approx(100.0 / ISO_CLASSES[grade][4], rel=0.006)  # 1/400 = 0.25 % and so on


def test_constructed_vector():
    errors = [indication_error(i, 100.0) for i in (100.4, 100.9, 100.1)]
    assert errors == pytest.approx([0.4, 0.9, 0.1])
    assert sum(errors) / 3 == pytest.approx(0.466667, abs=1e-6)
    spread = max(errors) - min(errors)
    assert spread == pytest.approx(0.8)
    assert machine_class(q=sum(errors) / 3, b=spread) == 1.0


def test_edges_and_the_worst_parameter():
    assert machine_class(q=1.0) == 1.0
    assert machine_class(q=1.0000001) == 2.0
    assert machine_class(q=3.0000001) is None
    assert machine_class(q=0.1, b=0.1, v=2.9, f0=0.01, a=0.1) == 2.0
    assert machine_class(q=0.1, v=7.0) is None


def test_e4_one_per_cent():
    assert e4_passes([[1.0, 0.0], [-0.4, 0.6]])
    assert not e4_passes([[1.0000001, 0.5]])
    assert not e4_passes([[-0.6, 0.6]])  # runs more than 1.0 % apart
