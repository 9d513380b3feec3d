"""NIST StRD linear regression (status C: read in several independent copies; R: recomputed exactly).

ASTM E74 chain on the same data: formula from memory (sure), number recomputed (D, R).
"""

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from steadyram.cli.fit import fit
from steadyram.metrology.classes import lower_limit_factor
from steadyram.metrology.exact_fit import fit_polynomial
from steadyram.metrology.points_file import read_points

DATA = Path(__file__).parent / "data"

PONTIUS = [
    (0.673565789473684e-03, 0.107938612033077e-03),
    (0.732059160401003e-06, 0.157817399981659e-09),
    (-0.316081871345029e-14, 0.486652849992036e-16),
]
NORRIS = [(-0.262323073774029, 0.232818234301152), (1.00211681802045, 0.429796848199937e-03)]


def run(name: str, model: str, tmp_path: Path) -> dict:
    # The published files have the header x,y; the contract's header is reference,reading. Both are read.
    text = (DATA / f"{name}.csv").read_text().replace("\nx,y\n", "\nreference,reading\n")
    path = tmp_path / "points.csv"
    path.write_text(text)
    result = CliRunner().invoke(fit, [str(path), "--model", model, "--json"])
    assert result.exit_code == 0, result.output
    again = CliRunner().invoke(fit, [str(DATA / f"{name}.csv"), "--model", model, "--json"])
    assert again.stdout == result.stdout
    return json.loads(result.stdout)


@pytest.mark.parametrize(
    ("name", "model", "certified", "s", "r2", "rss", "f", "regression"),
    [
        ("pontius", "quadratic", PONTIUS, 0.205177424076185e-03, 0.999999900178537, 0.155761768796992e-05,
         185330865.995752, 15.6040343244198),
        ("norris", "line", NORRIS, 0.884796396144373, 0.999993745883712, 26.6173985294224,
         5436385.54079785, 4255954.13232369),
    ],
)  # fmt: skip
def test_certified_values(name, model, certified, s, r2, rss, f, regression, tmp_path):
    found = run(name, model, tmp_path)
    for got, (value, _) in zip(found["coefficients"], certified, strict=True):
        assert got == pytest.approx(value, rel=2e-14)
    for got, (_, error) in zip(found["standard_errors"], certified, strict=True):
        assert got == pytest.approx(error, rel=1e-13)
    assert found["residual_sd"] == pytest.approx(s, rel=1e-13)
    assert found["r_squared"] == pytest.approx(r2, abs=1e-15)
    assert found["residual_ss"] == pytest.approx(rss, rel=1e-13)
    assert found["f_statistic"] == pytest.approx(f, rel=1e-13)
    assert found["regression_ss"] == pytest.approx(regression, rel=1e-13)


def test_a_line_through_pontius_reports_the_lack_of_fit(tmp_path):
    # Recomputed (R, D): the straight line's residual SD is 10.6 times larger.
    found = run("pontius", "line", tmp_path)
    assert found["coefficients"] == pytest.approx([0.00614968421052632, 7.22102581453634e-07], rel=1e-12)
    assert found["residual_sd"] == pytest.approx(0.00217127259605675, rel=1e-12)
    assert found["next_power_p_value"] < 1e-30
    assert "10.6" in found["advice"][0]


def test_spot_values_of_the_certified_curve():
    # R, D: the certified curve at three loads.
    points = read_points(DATA / "pontius.csv")
    curve = fit_polynomial(points.reference, points.reading, 2)
    for load, deflection in (
        (150000, 0.110411321428571),
        (1500000, 1.09165046428571),
        (3000000, 2.16840367857143),
    ):
        assert curve.value(load) == pytest.approx(deflection, rel=1e-12)


def test_e74_chain_on_pontius():
    # D, R: shows the arithmetic only. LLF 2.4 s, from memory (sure).
    with (DATA / "pontius.csv").open() as source:
        rows = [r for r in csv.reader(source) if r and not r[0].startswith("#")][1:]
    loads, deflections = [float(r[0]) for r in rows], [float(r[1]) for r in rows]
    curve = fit_polynomial(loads, deflections, 2)
    found = lower_limit_factor(loads, deflections, curve.residuals, 2, resolution=0.0)
    assert found.s == pytest.approx(0.205177424076185e-03, rel=1e-8)
    assert found.llf == pytest.approx(676.548996714, rel=1e-9)
    assert found.class_a_from == pytest.approx(270619.598686, rel=1e-9)
    assert found.class_aa_from == pytest.approx(1353097.99343, rel=1e-9)
    assert lower_limit_factor(loads, deflections, curve.residuals, 2, resolution=1000.0).llf == 1000.0
