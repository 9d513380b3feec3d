from __future__ import annotations

from pathlib import Path

import pytest

from steadyram.errors import BadInput
from steadyram.jobs.difference import any_change, difference
from steadyram.jobs.file import build_jobs, read_jobs
from steadyram.jobs.limits import PressLimits, check_limits
from steadyram.link.records import DeviceJob


def job(**changed: object) -> dict[str, object]:
    return {"name": "nut", "force": "1.0 tonf"} | changed


def test_a_whole_job_in_protocol_units() -> None:
    file = build_jobs(
        {
            "units": "tonf",
            "job": [
                job(
                    material="2 mm sheet",
                    hardware="M5 clinch nut",
                    note="caf\u00e9 order",
                    dwell="250 ms",
                    batch=40,
                    tooling_rated_force="2.5 tonf",
                    cutoff_required=False,
                    unproven=True,
                )
                | {"return": "latched"}
            ],
        },
        "jobs.toml",
    )
    (sent,) = file.to_device()
    # 1 short ton-force = 2000 lbf = 8896.44 N (NIST SP 811), 2.5 of them 22241.1 N, rounded down as a limit.
    assert (sent.slot, sent.name) == (1, "nut")
    assert sent.fields == {
        "setpoint_n": 8896,
        "tool_limit_n": 22241,
        "dwell_ms": 250,
        "latch_return": 1,
        "cutoff_required": 0,
        "batch": 40,
        "unproven": 1,
        # Without a word on travel the job stops on force alone.
        "stop_on": 0,
        "depth_um": 0,
        "slow_from_um": 0,
        "window_low_n": 0,
        "window_high_n": 0,
        "window_low_um": 0,
        "window_high_um": 0,
        "handling": 0,
    }


def test_slots_are_kept_or_filled_in_order() -> None:
    rows = [job(name="a"), job(name="b", slot=1), job(name="c"), job(name="d", slot=3)]
    placed = [(slot, each.name) for slot, each in build_jobs({"job": rows}, "f").slotted()]
    assert placed == [(1, "b"), (2, "a"), (3, "d"), (4, "c")]


@pytest.mark.parametrize(
    ("tables", "says"),
    [
        (
            {"job": [job(colour="red")]},
            r"job 1 \('nut'\) has the unknown key 'colour'; the keys are name, slot",
        ),
        ({"job": [job()], "jobs": []}, "the file has the unknown key 'jobs'; the keys are units, job"),
        ({}, "the file lacks 'job'"),
        ({"job": []}, "job"),
        ({"job": [{"name": "nut"}]}, "lacks 'force'"),
        ({"job": [job(force="1.0 ton")]}, "bare ton is ambiguous"),
        ({"job": [job(force="1.0")]}, "no unit"),
        ({"job": [job(force=1.0)]}, "with its unit"),
        ({"job": [job(force="12 bar")]}, "wrong kind"),
        ({"job": [job(force="-1 kN")]}, "force is -1000 N, outside 1"),
        ({"job": [job(force="0 kN")]}, "outside 1"),
        ({"job": [job(force="1e300 kN")]}, "more than"),
        ({"job": [job(dwell="2 min")]}, "dwell is 120000 ms, outside 0 to 60000"),
        ({"job": [job(force="3 tonf", tooling_rated_force="2 tonf")]}, "above the tooling's rated force"),
        ({"job": [job(name='6" pipe')]}, "double quote"),
        ({"job": [job(name="caf\u00e9")]}, "plain letters"),
        ({"job": [job(name="x" * 25)]}, "name should have at most 24"),
        ({"job": [job(name=" x")]}, "space"),
        ({"job": [job(), job(name="NUT")]}, "two jobs have the name 'NUT'"),
        ({"job": [job(slot=2), job(name="b", slot=2)]}, "two jobs have slot 2"),
        ({"job": [job(slot=17)]}, "slot"),
        ({"job": [job(batch=2.5)]}, "batch"),
        ({"job": [job(cutoff_required="yes")]}, "cutoff_required"),
        ({"job": [job(**{"return": "sometimes"})]}, "return"),
        ({"job": [job(name=f"j{n}") for n in range(17)]}, "at most 16"),
        ({"units": "stone", "job": [job()]}, "choose one of tonf"),
        ({"job": ["nut"]}, "job 1"),
    ],
)
def test_each_mistake_is_one_sentence(tables: dict[str, object], says: str) -> None:
    with pytest.raises(BadInput, match=says) as caught:
        build_jobs(tables, "jobs.toml")
    text = str(caught.value)
    assert text.startswith("jobs.toml: ")
    assert "\n" not in text
    assert text.endswith(".")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be read"):
        read_jobs(tmp_path / "none.toml")
    with pytest.raises(BadInput, match="cannot be read"):
        read_jobs(tmp_path)
    bad = tmp_path / "bad.toml"
    bad.write_bytes(b"\xff\xfe[[job")
    with pytest.raises(BadInput, match="not TOML"):
        read_jobs(bad)
    bad.write_text("a = " + "[" * 5000)
    with pytest.raises(BadInput, match="not TOML"):
        read_jobs(bad)


def test_the_press_sets_the_limit() -> None:
    jobs = build_jobs({"job": [job(force="20 tonf")]}, "f").to_device()
    check_limits(jobs, PressLimits.of_settings({"capacity_n": 178_000, "overforce_n": 190_000}), "tonf")
    with pytest.raises(
        BadInput, match=r"'nut' asks for 20 tonf, and the device's settings allow 19\.11 tonf"
    ):
        check_limits(jobs, PressLimits.of_settings({"capacity_n": 178_000, "overforce_n": 170_000}), "tonf")


def test_the_difference_is_by_slot_and_field() -> None:
    old = build_jobs({"job": [job(), job(name="gone"), job(name="same")]}, "f").to_device()
    rows = [job(force="1.5 tonf"), job(name="same", slot=3), job(name="fresh", slot=9)]
    new = build_jobs({"job": rows}, "f").to_device()
    changes = difference(old, new, "tonf")
    assert [(c.slot, c.sort) for c in changes] == [(1, "changed"), (2, "gone"), (3, "same"), (9, "new")]
    assert changes[0].fields == (("force", "1 tonf", "1.5 tonf"),)
    assert any_change(changes)
    assert not any_change(difference(new, new))


def test_a_job_that_stops_on_depth_goes_to_the_device_whole() -> None:
    job = build_jobs(
        {
            "job": [
                {
                    "name": "dimple to depth",
                    "stop": "depth",
                    "depth": "5.30 mm",
                    "slow_from": "4 mm",
                    "force": "80 kN",
                    "force_window": ["20 kN", "40 kN"],
                }
            ]
        },
        "jobs.toml",
    ).to_device()[0]
    assert job.fields["stop_on"] == 1
    assert (job.fields["depth_um"], job.fields["slow_from_um"]) == (5300, 4000)
    assert (job.fields["window_low_n"], job.fields["window_high_n"]) == (20000, 40000)
    assert (job.fields["window_low_um"], job.fields["handling"]) == (0, 0)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"stop": "depth"}, "depth is missing"),
        ({"depth": "5 mm"}, "need stop"),
        ({"stop": "depth", "depth": "5 mm", "slow_from": "6 mm"}, "slow_from is not above depth"),
        ({"stop": "depth", "depth": "5 mm", "depth_window": ["1 mm", "2 mm"]}, "use force_window"),
        ({"force_window": ["1 kN", "2 kN"]}, "use depth_window"),
        ({"depth_window": ["3 mm", "2 mm"]}, "does not rise"),
        ({"handling": True, "cutoff_required": False}, "needs the cutoff"),
        ({"handling": True, "stop": "depth", "depth": "5 mm"}, "low ceiling"),
        ({"stop": "depth", "depth": "5 kN"}, "5 kN"),
        ({"stop": "depth", "depth": "3 m"}, "outside 0 to 1000 mm"),
    ],
)
def test_travel_that_makes_no_sense_is_refused(more: dict[str, object], said: str) -> None:
    with pytest.raises(BadInput, match=said):
        build_jobs({"job": [{"name": "part", "force": "10 kN"} | more]}, "jobs.toml")


def test_a_change_of_depth_is_a_change() -> None:
    def jobs(depth: str) -> list[DeviceJob]:
        row = {"name": "part", "force": "10 kN", "stop": "depth", "depth": depth}
        return build_jobs({"job": [row]}, "jobs.toml").to_device()

    (change,) = difference(jobs("5.3 mm"), jobs("5.4 mm"))
    assert change.fields == (("depth", "5.300 mm", "5.400 mm"),)
    (new,) = difference([], jobs("5.3 mm"))
    assert ("stops on", "", "depth") in new.fields
    assert not any(key == "handling" for key, _, _ in new.fields)
