"""Gauge study: the crossed example of the AIAG Measurement Systems Analysis manual.

Data and results from memory (10 parts, 3 appraisers, 3 trials); that the published four-digit results
come out of the data is itself good evidence that both are remembered rightly.
"""

import numpy as np
import pytest

from steadyram.metrology.gauge_rr import study

A = [
    (0.29, 0.41, 0.64), (-0.56, -0.68, -0.58), (1.34, 1.17, 1.27), (0.47, 0.50, 0.64),
    (-0.80, -0.92, -0.84), (0.02, -0.11, -0.21), (0.59, 0.75, 0.66), (-0.31, -0.20, -0.17),
    (2.26, 1.99, 2.01), (-1.36, -1.25, -1.31),
]  # fmt: skip
B = [
    (0.08, 0.25, 0.07), (-0.47, -1.22, -0.68), (1.19, 0.94, 1.34), (0.01, 1.03, 0.20),
    (-0.56, -1.20, -1.28), (-0.20, 0.22, 0.06), (0.47, 0.55, 0.83), (-0.63, 0.08, -0.34),
    (1.80, 2.12, 2.19), (-1.68, -1.62, -1.50),
]  # fmt: skip
C = [
    (0.04, -0.11, -0.15), (-1.38, -1.13, -0.96), (0.88, 1.09, 0.67), (0.14, 0.20, 0.11),
    (-1.46, -1.07, -1.45), (-0.29, -0.67, -0.49), (0.02, 0.01, 0.21), (-0.46, -0.56, -0.49),
    (1.77, 1.45, 1.87), (-1.49, -1.77, -2.16),
]  # fmt: skip


def test_crossed_study():
    found = study(np.stack([np.asarray(x) for x in (A, B, C)], axis=1))
    assert found.pooled
    assert found.repeatability == pytest.approx(0.199933, abs=5e-7)
    assert found.reproducibility == pytest.approx(0.226838, abs=5e-7)
    assert found.grr == pytest.approx(0.302373, abs=2e-6)
    assert found.part == pytest.approx(1.042327, abs=2e-6)
    assert found.total == pytest.approx(1.0853, abs=5e-5)
    assert found.percent_study == pytest.approx(27.86, abs=0.01)
    assert found.categories == 4
