from __future__ import annotations

import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from tests.host.cycles.test_cycles_pull import connect, ready_bench
from tests.host.device.test_device_sets import job
from tests.host.metrology.test_calibration_cli import journal_of
from tests.host.page.conftest import browser
from tests.host.page.test_page_accessible import AXE, found

from steadyram.cli import main
from steadyram.config import Preferences
from steadyram.cycles.batches import choose_batch
from steadyram.cycles.pull import pull
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput
from steadyram.link.definition import definition
from steadyram.link.records import Change
from steadyram.report.changes import ChangeHistory
from steadyram.report.gather import ReportData, gather
from steadyram.report.page import findings, render
from steadyram.report.plot import Plot, nice_ticks, tick_text
from steadyram.report.proof import prove
from steadyram.report.proof_page import render_proof
from steadyram_fw import tables as T

__all__ = ["browser"]

HOSTILE = "<img src=x onerror=a()>"
PEAKS = [9000, 9040, 8980, 9020, 9010, 8990, 9600]


@pytest.fixture
def store_path(tmp_path: Path) -> Path:
    bench = ready_bench(tmp_path / "flash")
    device = connect(bench, 2)
    device.set_clock(1_900_000_000)
    device.push_jobs([job(1, "small nut", batch=7), job(2, HOSTILE, unproven=1)])
    for peak in PEAKS:
        bench.stroke(peak)
    device.use_job(2)
    bench.stroke(12000, stop=T.STOP_NO_CUTOFF, flags=0)
    bench.stroke(4000, stop=T.STOP_FAULT, fault=4)
    bench.stroke(9000, flags=T.FLAG_CUTOFF | T.FLAG_GAP)
    bench.stroke(9000, stop=T.STOP_PROBE, flags=T.FLAG_CUTOFF | T.FLAG_PROBE, setpoint_n=0)
    path = tmp_path / "c.db"
    with CycleStore(path) as store:
        pull(connect(bench, 3), store)
    return path


def data_of(path: Path) -> ReportData:
    with CycleStore(path, create=False) as store:
        return gather(store, "b3nch001")


class Page(HTMLParser):
    """Tags, attributes and text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data


def test_statistics_by_hand(store_path: Path) -> None:
    data = data_of(store_path)
    first, second = data.runs
    mean = sum(PEAKS) / 7
    assert first.mean == pytest.approx(mean)
    assert first.sd == pytest.approx(math.sqrt(sum((p - mean) ** 2 for p in PEAKS) / 6))
    assert first.overshoot == pytest.approx((40 + 20 + 10 + 600) / 7)
    # The band is 12 thousandths of 9000 N: 108 N, so only 9600 N is outside it.
    assert (first.in_band, first.band) == (6, 108.0)
    assert first.chart is not None
    moving = (40 + 60 + 40 + 10 + 20 + 610) / 6
    # NIST/SEMATECH e-Handbook 6.3.2.2: limits at mean ± 2.66 mean moving range (published, read there).
    assert first.chart.upper == pytest.approx(mean + 2.66 * moving, rel=1e-3)
    assert (len(second.records), len(second.landed), second.no_cutoff) == (3, 1, 1)
    assert [record.seq for record in data.probes] == [11]
    assert [record.fault for record in data.faults] == ["slope-impossible"]
    assert [gap.where for gap in data.gaps] == ["before record 10"]
    assert any(change.fields["what"] == "active" for change in data.changes.all)
    assert first.traces[0].force_N()[-1] == 9000.0


def test_strokes_without_a_set_force_and_first_parts_are_told_apart(tmp_path: Path) -> None:
    """A press as it is once commissioned: measured values, strokes of no job, a first part that landed low."""
    bench = ready_bench(tmp_path / "flash")
    device = connect(bench, 2)
    seen = {"char_valid": 1, "rate_low_n_s": 900_000, "rate_high_n_s": 900_000, "jitter_us": 2000}
    device.push_measured({field.name: field.default for field in definition().measured} | seen)
    bench.stroke(5000, stop=T.STOP_NO_CUTOFF, flags=0, setpoint_n=0)
    device.push_jobs([job(1, "small nut", batch=7)])
    for number, peak in enumerate(PEAKS):
        bench.stroke(peak, flags=T.FLAG_CUTOFF | (T.FLAG_FIRST if number == 0 else 0))
    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(bench, 3), store)
    data = data_of(tmp_path / "c.db")
    html = render(data, Preferences(), made_unix=1_900_000_500)
    free = next(run for run in data.runs if run.setpoint_N == 0)
    assert free.band is None
    # The other diamond is 9600 N, beyond the run chart's limits.
    assert (html.count('class="dot apart"'), html.count('class="dot odd"')) == (1, 2)
    assert "Rings landed and are not in the figures: first parts" in html


def test_what_stands_against_the_numbers_comes_first(store_path: Path) -> None:
    found = findings(data_of(store_path), Preferences())
    text = "\n".join(finding.text for finding in found)
    for says in (
        "1 stroke ended in a fault (slope-impossible)",
        "1 cycle run without cutoff (record 8)",
        "1 gap",
        "1 peak more than 0.108 kN above the setpoint (record 7)",
        "unproven",
    ):
        assert says in text
    grave = [finding.grave for finding in found]
    assert grave == sorted(grave, reverse=True)


def test_the_page_is_one_file_that_asks_for_nothing(store_path: Path) -> None:
    html = render(data_of(store_path), Preferences(force_unit="lbf"), made_unix=1_900_000_500)
    page = Page(html)
    assert not {"script", "link", "img", "iframe", "object", "base", "form"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on") or name in ("src", "href")]
    assert "url(" not in html
    assert "@import" not in html
    assert page.tags.count("svg") >= 4
    assert "2030-03-17" in page.text
    assert "lbf" in page.text
    assert "not a safety-rated control" in page.text
    assert "firmware" in page.text


def test_hostile_text_stays_text(store_path: Path) -> None:
    html = render(
        data_of(store_path),
        Preferences(),
        title='"><script>x</script>',
        made_unix=0,
        notes=["</style><b onclick=1>"],
        facts={"<i>": "\u202eabc\x00</td>"},
    )
    page = Page(html)
    assert HOSTILE in page.text
    assert '"><script>x</script>' in page.text
    assert "script" not in page.tags
    assert "img" not in page.tags
    assert "\u202e" not in html
    assert "\x00" not in html


def test_a_clean_batch_says_so(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash")
    connect(bench, 2).set_clock(1_900_000_000)
    for peak in (9000, 9010, 9005):
        bench.stroke(peak)
    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(bench, 3), store)
        data = gather(store, "b3nch001")
    assert findings(data, Preferences()) == []
    assert "Nothing stands against them" in Page(render(data, Preferences(), made_unix=1)).text


def test_missing_records_and_lost_sets_are_named(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash")
    bench.stroke(9000)
    device = connect(bench, 2)
    device.push_settings({**device.settings().values, "cycle_max_ms": 50_000})
    device.push_jobs([job(1, "renamed", setpoint_n=9500)])
    bench.stroke(9500, setpoint_n=9500)
    bench.stroke(9500, setpoint_n=9500)
    path = tmp_path / "c.db"
    with CycleStore(path) as store:
        pull(connect(bench, 3), store)
        with store.engine.begin() as db:
            db.exec_driver_sql("DELETE FROM cycle WHERE seq = 2")
        data = gather(store, "b3nch001")
    assert [(gap.where, gap.text.split(":")[0]) for gap in data.gaps] == [("records 2 to 2", "1 missing")]
    assert data.runs[0].name == "job 1, whose name was not pulled"
    assert data.settings[0][1] is None
    text = Page(render(data, Preferences(), made_unix=1)).text
    assert "replaced before a pull" in text
    with pytest.raises(BadInput, match="no such records"), CycleStore(path) as store:
        gather(store, "b3nch001", first=50)


def test_a_push_is_one_row_of_the_changes_with_its_keys_inside(store_path: Path) -> None:
    data = data_of(store_path)
    runs = data.changes.runs
    assert [change for run in runs for change in run.changes] == list(data.changes.all)
    assert [run.what for run in runs].count("jobs") == 2
    calibration = next(run for run in runs if run.what == "calibration")
    assert len(calibration.changes) > 5
    assert {each.fields["what"].split(".")[0] for each in calibration.changes} == {"calibration"}
    assert calibration.left == calibration.first.fields["to"]
    html = render(data, Preferences(), made_unix=1)
    first, last = calibration.first.seq, calibration.changes[-1].seq
    assert f"{first} to {last}</td>" in html
    # Each key is still there, and what a job was named is still text.
    assert "jobs.2.name: =2+3 to &lt;img" in html


def test_knob_turned_twice_is_one_row_from_the_first_value_to_the_last() -> None:
    def turned(
        seq: int, before: str, after: str, what: str = "jobs.1.setpoint_n", by: str = "panel"
    ) -> Change:
        return Change(seq, {"by": by, "what": what, "from": before, "to": after})

    told = (
        turned(1, "9000", "9100"),
        turned(2, "9100", "9300"),
        turned(3, "9300", "9000", by="link"),
        turned(4, "0", "2", what="active"),
    )
    (knob, link, active) = ChangeHistory(told, (), 0, ()).runs
    assert (knob.what, knob.first.fields["from"], knob.left) == ("jobs.1.setpoint_n", "9000", "9300")
    assert (len(link.changes), active.what) == (1, "active")


def test_on_paper_and_on_a_phone_no_column_is_lost(store_path: Path, tmp_path: Path, browser: Any) -> None:
    target = tmp_path / "r.html"
    target.write_text(render(data_of(store_path), Preferences(), made_unix=1), encoding="utf-8")
    page = browser.new_page()
    page.goto(target.as_uri())
    sizes = "[...document.querySelectorAll('.wide')].map((each) => [each.clientWidth, each.scrollWidth])"
    # A4 upright with margins of 12 mm is 703 px wide at 96 to the inch.
    page.set_viewport_size({"width": 703, "height": 1000})
    page.emulate_media(media="print")
    assert all(whole <= wide for wide, whole in page.evaluate(sizes))
    page.emulate_media(media="screen")
    assert page.is_visible("svg >> nth=0")
    assert not page.is_visible(".unfold")
    page.set_viewport_size({"width": 400, "height": 850})
    assert page.evaluate("document.documentElement.scrollWidth") <= 400
    assert any(whole > wide for wide, whole in page.evaluate(sizes)), "the wide tables scroll in themselves"
    # One job at a time: its charts come when they are asked for.
    assert not page.is_visible("svg >> nth=0")
    page.get_by_label("Charts and strokes of small nut").check()
    assert page.is_visible("svg >> nth=0")
    assert found(page, AXE.read_text(encoding="utf-8")) == []
    for document in other_documents(store_path, tmp_path):
        page.goto(document.as_uri())
        for width in (1280, 320):
            page.set_viewport_size({"width": width, "height": 850})
            assert page.evaluate("document.documentElement.scrollWidth") <= width, document
        assert page.evaluate("innerWidth") == 320
        assert found(page, AXE.read_text(encoding="utf-8")) == [], document


def other_documents(store_path: Path, folder: Path) -> list[Path]:
    """Write the proof of a batch and the record of a calibration; return their pages."""
    proof, calibration = folder / "p.html", folder / "c.html"
    with CycleStore(store_path) as store:
        proven = prove(store, choose_batch(store, "b3nch001", None, None))
    proof.write_text(render_proof(proven, Preferences(), title="A batch", made_unix=1), encoding="utf-8")
    main(["calibration", "certificate", str(journal_of(folder / "c.jsonl"))])
    return [proof, calibration]


def test_the_command_writes_it_whole(
    store_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    target = tmp_path / "r.html"
    main(["cycles", "report", "--store", str(store_path), "--out", str(target), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert document["strokes"] == 11
    assert document["jobs"][0]["landed"] == 7
    assert target.read_text(encoding="utf-8").startswith("<!doctype html>")
    with pytest.raises(SystemExit) as stop:
        main(["cycles", "report", "--store", str(store_path), "--out", str(tmp_path / "no" / "r.html")])
    assert stop.value.code == 2
    assert "cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [(0, 10, [0, 2, 4, 6, 8, 10]), (0.98, 1.02, [0.98, 0.99, 1.0, 1.01, 1.02]), (5, 5, [5])],
)
def test_ticks_are_round(low: float, high: float, ticks: list[float]) -> None:
    assert nice_ticks(low, high) == pytest.approx(ticks)


def test_tick_texts_and_places() -> None:
    assert tick_text(0.30000000000000004, 0.1) == "0.3"
    assert tick_text(-0.0, 1) == "0"
    assert tick_text(2000, 1000) == "2000"
    plot = Plot("t", "x", "y", 0, 10, 0, 4)
    assert plot.x(5) == pytest.approx((plot.x(0) + plot.x(10)) / 2)
    assert plot.y(4) < plot.y(0)
    plot.dot(1, 99, "dot odd", "<b>")
    svg = str(plot.svg())
    assert "&lt;b&gt;" in svg
    assert re.search(r"<path class=\"dot odd\" d=\"M[\d.]+ 8\.0", svg)
    flat = Plot("t", "x", "y", 1, 1, 3, 3)
    assert math.isfinite(flat.x(1))
    assert math.isfinite(flat.y(3))
