"""How things stand, as one JSON document for the page. Forces in newtons, times in seconds."""

from __future__ import annotations

from typing import Any

from steadyram.bending.device_stroke import is_bend_job, knows_its_ram
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob, Reading
from steadyram.page.in_force import InForce
from steadyram.page.questions import Guide
from steadyram.page.shown import fault_text, refusal_text
from steadyram.page.words import (
    ACKNOWLEDGE,
    AT_THE_TOP,
    CUTOFF_OFF_MOVING,
    CUTOFF_OFF_READY,
    FAULT_REMEDIES,
    FORCE_NOT_KNOWN,
    HANDLING_CHECKLIST,
    LATCHED_MOVING,
    LINK_LOST,
    NOT_CALIBRATED_LOADED,
    PRESSURE_NOT_KNOWN,
    REFUSAL_REMEDIES,
    STATES,
    STOPS,
    VALVE_TEST_ARMED,
    VALVE_TEST_DETAIL,
    VALVE_TEST_REMEDY,
    WILL_REFUSE,
)

_DAY_S = 86_400
_SOON_DAYS = 30


def view_json(
    *,
    link: str,
    trouble: str,
    since_unix: float,
    reading: Reading | None,
    in_force: InForce | None,
    guide: Guide | None,
    now_unix: float,
) -> dict[str, Any]:
    """The document; `press` is None while nothing was read yet."""
    return {
        "link": link,
        # Why a port went away says nothing to the person at the press; what halts the page does.
        "trouble": trouble if link == "halted" else "",
        "link_words": "" if link == "connected" else _link_words(link),
        "since_unix": since_unix,
        "press": None if reading is None else _press(reading, in_force, guide),
        "jobs": [] if in_force is None else _jobs(in_force),
        "jobs_gen": None if in_force is None else in_force.jobs.gen,
        "calibration": None if in_force is None else _calibration(in_force, now_unix),
        "capacity_N": None if in_force is None else float(in_force.settings.values["capacity_n"]),
        "guide": None if guide is None else guide.to_json(),
        "bending": None if in_force is None else _bending(in_force),
    }


def _link_words(link: str) -> str:
    if link == "connecting":
        return "Looking for the press."
    return LINK_LOST if link == "lost" else "The page has stopped reading this press."


def _press(reading: Reading, in_force: InForce | None, guide: Guide | None) -> dict[str, Any]:
    headline, look = STATES.get(reading.state, (reading.state, "warn"))
    detail, remedy = "", ""
    latched = _latched(reading, in_force)
    if reading.fault is not None:
        detail = _sentence(fault_text(reading.fault))
        remedy = f"{FAULT_REMEDIES.get(reading.fault, '')} {ACKNOWLEDGE}".strip()
    elif reading.refusal is not None and (reading.state == "refused" or reading.refusal == "zero-out"):
        # Any other refusal is over once the pedal is released, whatever the device still remembers of it.
        detail = _sentence(refusal_text(reading.refusal))
        remedy = REFUSAL_REMEDIES.get(reading.refusal, "")
        if reading.state != "refused":
            look = "warn"
    elif reading.state == "refused" and reading.top and reading.refusal is None:
        headline, look = AT_THE_TOP, "calm"
    elif reading.state == "done":
        stop, look = STOPS.get(reading.stop, (reading.stop, "warn"))
        headline = f"{stop[:1].upper()}{stop[1:]}. Let go of the pedal"
    elif reading.armed_s and guide is None:
        headline, look = VALVE_TEST_ARMED, "alarm"
        detail, remedy = VALVE_TEST_DETAIL, VALVE_TEST_REMEDY
    elif reading.state == "return" and latched:
        headline, look = LATCHED_MOVING, "moving"
    elif guide is not None:
        # A commissioning stroke needs neither job nor calibration and ends by itself.
        headline = guide.headline if reading.state == "ready" else headline
    elif not reading.cutoff and reading.state in ("advance", "settle", "nudge", "dwell"):
        headline, look = CUTOFF_OFF_MOVING, "warn"
    elif reading.state == "ready":
        refusal = _would_refuse(reading, in_force)
        if refusal is not None:
            headline, look = WILL_REFUSE[refusal], "warn"
            detail, remedy = _sentence(refusal_text(refusal)), REFUSAL_REMEDIES[refusal]
        elif not reading.cutoff:
            headline, look = CUTOFF_OFF_READY, "warn"
    return {
        "state": reading.state,
        "headline": headline,
        "look": look,
        "detail": detail,
        "remedy": remedy,
        "fault": reading.fault,
        "refusal": reading.refusal,
        "force_N": reading.force_N,
        "peak_N": reading.peak_N,
        "job": reading.job,
        "setpoint_N": reading.setpoint_N,
        "count": reading.count,
        "batch": reading.batch,
        "cutoff": reading.cutoff,
        "latched": latched,
        "threshold": _threshold(in_force),
        "armed_left_s": reading.armed_s,
        "armed_N": reading.armed_N,
        "unknown_words": "" if reading.force_N is not None else _unknown_words(reading, in_force),
        "estop_ok": reading.estop_ok,
        "top": reading.top,
        "travel_m": reading.travel_m if reading.referenced else None,
        "handling": _handling(reading, in_force),
        "changes_left_s": reading.changes_left_s,
        "next_seq": reading.next_seq,
    }


def _latched(reading: Reading, in_force: InForce | None) -> bool:
    """Return True when a touch of the retract pedal sends the ram all the way up: as the control core decides it."""
    job = _job(reading, in_force)
    if job is None:
        return reading.latch
    if job.fields.get("handling", 0):
        return False
    choice = definition().word("latch_return", job.fields["latch_return"])
    return choice == "latched" or (choice == "panel" and reading.latch)


def _threshold(in_force: InForce | None) -> bool:
    """Return True where the settings ask for a plain threshold."""
    return in_force is not None and in_force.settings.values["strategy"] == definition().value(
        "strategy", "threshold"
    )


def _unknown_words(reading: Reading, in_force: InForce | None) -> str:
    """Say why there is no force, and what that means at the press."""
    if in_force is not None and in_force.settings.values["sensor_measures"] == definition().value(
        "sensor_measures", "force"
    ):
        # Such a press has no pressure to tell; whether it is calibrated says its record.
        return FORCE_NOT_KNOWN if in_force.calibration.values else NOT_CALIBRATED_LOADED
    return NOT_CALIBRATED_LOADED if reading.pressure_Pa is not None else PRESSURE_NOT_KNOWN


def _job(reading: Reading, in_force: InForce | None) -> DeviceJob | None:
    jobs = () if in_force is None else in_force.jobs.jobs
    return next((each for each in jobs if each.slot == reading.job), None)


def _would_refuse(reading: Reading, in_force: InForce | None) -> str | None:
    """The refusal that the next touch of the pedal would meet, for what can be told before it; None for none.

    A press that looks ready while the next part would be refused, or pressed without a cutoff, misleads.
    """
    if in_force is None:
        return None
    job = _job(reading, in_force)
    if not reading.cutoff:
        return "cutoff-required" if job is not None and job.fields["cutoff_required"] else None
    if not in_force.calibration.values:
        return "no-calibration"
    if reading.job == 0:
        return "no-job"
    return (
        "not-characterised"
        if not _threshold(in_force) and not in_force.measured.values["char_valid"]
        else None
    )


def _handling(reading: Reading, in_force: InForce | None) -> dict[str, Any] | None:
    """What to look after and the ceiling while a handling job is chosen, else None."""
    if in_force is None:
        return None
    job = _job(reading, in_force)
    if job is None or not job.fields.get("handling", 0):
        return None
    return {
        "checklist": list(HANDLING_CHECKLIST),
        "ceiling_N": float(in_force.settings.values.get("handling_n", 0)),
    }


def _bending(in_force: InForce) -> dict[str, Any]:
    """Whether this press can stop at a depth, and the job slots that a bend list may use, the last one first."""
    jobs = {job.slot: job for job in in_force.jobs.jobs}
    return {
        "can": knows_its_ram(
            {**in_force.settings.values, **in_force.measured.values}, in_force.calibration.values
        ),
        "slots": [
            slot
            for slot in range(definition().job_slots, 0, -1)
            if slot not in jobs or is_bend_job(jobs[slot])
        ],
    }


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def _jobs(in_force: InForce) -> list[dict[str, Any]]:
    return [
        {
            "slot": job.slot,
            "name": job.name,
            "setpoint_N": float(job.fields["setpoint_n"]),
            "tool_limit_N": float(job.fields["tool_limit_n"]),
            "batch": job.fields["batch"],
            "unproven": bool(job.fields["unproven"]),
            "latch_return": definition().word("latch_return", job.fields["latch_return"]),
            "cutoff_required": bool(job.fields["cutoff_required"]),
            "stop_on": definition().word("stop_on", job.fields.get("stop_on", 0)),
            "depth_m": job.fields.get("depth_um", 0) / 1e6,
            "handling": bool(job.fields.get("handling", 0)),
        }
        for job in in_force.jobs.jobs
    ]


def _calibration(in_force: InForce, now_unix: float) -> dict[str, Any]:
    values = in_force.calibration.values
    if not values:
        return {"there": False, "words": "Not calibrated: the cutoff will refuse to work.", "look": "alarm"}
    serial, due = values["serial"], values["due_unix"]
    if not due:
        words, look = ": no date is set for the next one", "calm"
    elif due < now_unix:
        words, look = f" was due {_days((now_unix - due) / _DAY_S)} ago: calibrate again", "alarm"
    else:
        left = (due - now_unix) / _DAY_S
        words, look = f" is due in {_days(left)}", "warn" if left < _SOON_DAYS else "calm"
    return {
        "there": True,
        "serial": serial,
        "made_unix": values["made_unix"],
        "due_unix": due,
        "words": f"Calibration {serial}{words}",
        "look": look,
    }


def _days(days: float) -> str:
    if days < 1.0:
        return "less than a day"
    return f"{days:.0f} day{'' if round(days) == 1 else 's'}"
