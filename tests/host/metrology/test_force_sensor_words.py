"""A press whose sensor is a load cell or strain gauges: no page, document or message speaks of a pressure."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from tests.host.metrology.calibration_samples import record
from tests.host.metrology.test_certificate import analysed, complete

from steadyram.cli import main
from steadyram.cli.commission import _same_press
from steadyram.commission.installed import Installed
from steadyram.errors import BadInput
from steadyram.link.definition import definition
from steadyram.metrology.certificate import contents
from steadyram.metrology.certificate_file import html
from steadyram.metrology.header_file import TEMPLATE, read_header
from steadyram.metrology.nameplate import nameplate_ratio
from steadyram.page import view
from steadyram.page.words import FORCE_NOT_KNOWN, NOT_CALIBRATED_LOADED, PRESSURE_NOT_KNOWN

PRESSES = Path(__file__).parents[3] / "hardware_notes" / "presses"
PRESSURE = re.compile(r"pressure|\bbar\b|\bpsi\b|\bMPa\b|\bPa\b|piston|transducer", re.IGNORECASE)


def header_file(folder: Path, **changes: str) -> Path:
    """The printed template with a force sensor in it; `changes`: text in it and what stands in its place."""
    text = TEMPLATE.replace('bore = "4 in"', "# bore").replace('range = "5000 psi"\n# A load', "# A load")
    text = text.replace('# full_output = "200 kN"', 'full_output = "200 kN"')
    text = text.replace('what = "pressure transducer"', 'what = "load cell"')
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    path = folder / "header.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_header_names_force_alone(tmp_path):
    head = read_header(header_file(tmp_path), 6600.0)
    assert head.measures == "force"
    assert head.full_N == pytest.approx(200e3)
    # 80 % of the converter's 65536 steps are the sensor's span.
    assert head.nominal_N_per_count == pytest.approx(200e3 / (0.8 * 65536))


def test_two_ranges_and_a_gauge_as_its_reference_are_refused(tmp_path):
    path = header_file(tmp_path, **{'full_output = "200 kN"': 'full_output = "200 kN"\nrange = "5000 psi"'})
    with pytest.raises(BadInput, match="exclude each other"):
        read_header(path, 6600.0)
    path = header_file(tmp_path, **{'kind = "load-cell" ': 'kind = "gauge" '})
    with pytest.raises(BadInput, match="take a load cell"):
        read_header(path, 6600.0)


def certificate_text(tmp_path: Path, measures: str) -> str:
    tmp_path.mkdir(exist_ok=True)
    head = complete(
        measures=measures,
        transducer={"what": "compression cell", "serial": "T1"},
        nameplate_explained="trial",
    )
    found = analysed(tmp_path, head)
    page = html(contents(found, issued=datetime(2026, 1, 5, tzinfo=UTC)), found)
    return re.sub(r"<style.*?</style>|<[^>]+>", " ", page, flags=re.S)


def test_certificate_speaks_of_force(tmp_path):
    text = certificate_text(tmp_path, "force")
    assert "force at full output" in text
    assert [text[max(0, m.start() - 50) : m.end() + 30] for m in PRESSURE.finditer(text)] == []
    # The same points on a pressure transducer are described by it: the search finds what it looks for.
    assert PRESSURE.search(certificate_text(tmp_path / "other", "pressure"))


def test_size_speaks_of_the_force_sensor(capsys):
    for name in ("air-jack-load-cell", "frame-gauges"):
        capsys.readouterr()
        main(["size", "--press", str(PRESSES / f"{name}.toml")])
        said = capsys.readouterr().out
        assert "force sensor: placed" in said
        assert "transducer" not in said
        assert "usual range" not in said


@pytest.mark.parametrize(("measures", "by_force", "fits"), [("force", True, True), ("pressure", True, False)])
def test_header_and_device_agree_on_what_is_measured(measures, by_force, fits):
    head = record().header.model_copy(update={"measures": measures})
    press = Installed(
        area_m2=0.02,
        full_N=head.full_N,
        measures_force=by_force,
        span_counts=52428,
        counts_step=1,
        capacity_N=1e5,
        holds_load=True,
        slow_fitted=False,
        burst=False,
    )
    assert nameplate_ratio(record()) > 0.0
    if fits:
        # The bore of the settings means nothing there: only the force at full output is compared.
        _same_press(head, press)
    else:
        with pytest.raises(BadInput, match="sensor_measures"):
            _same_press(head, press)


@pytest.mark.parametrize(
    ("kind", "calibration", "words"),
    [
        ("force", {"c1_n": 1}, FORCE_NOT_KNOWN),
        ("force", {}, NOT_CALIBRATED_LOADED),
        ("pressure", {"c1_n": 1}, PRESSURE_NOT_KNOWN),
    ],
)
def test_page_says_force_where_force_is_measured(kind, calibration, words):
    in_force = SimpleNamespace(
        settings=SimpleNamespace(
            values={"sensor_measures": definition().value("sensor_measures", kind), "strategy": 1}
        ),
        calibration=SimpleNamespace(values=calibration),
    )
    assert view._unknown_words(SimpleNamespace(pressure_Pa=None), in_force) == words
