"""Calibration, step by step, from the page: the same procedure, record and curve as from the command line."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from pydantic import ValidationError

from steadyram.commission.calibrate import calibrate
from steadyram.commission.installed import installed
from steadyram.commission.journal_of import Partial, record_of, set_aside_unfinished, write_journal
from steadyram.commission.person import PersonHands
from steadyram.cycles.store import CycleStore
from steadyram.device import Device
from steadyram.errors import BadInput
from steadyram.metrology.analyse import analyse
from steadyram.metrology.header import Header, Instrument, Reference
from steadyram.metrology.nameplate import discrepancy_told
from steadyram.page.orders import Calibrate
from steadyram.page.questions import Guide
from steadyram.page.words import CAUTION


def calibrate_at_page(
    device: Device,
    guide: Guide,
    order: Calibrate,
    store: CycleStore,
    records: Path,
    wall: Callable[[], float],
) -> str:
    """Run it to the upload; returns the sentence to show.

    Raises CheckFailed, BadInput, DeviceRefusal, LinkError; the calibration in force then stays in force.
    """
    press = installed(device)
    before = device.calibration()
    number = int(before.values.get("serial", 0)) + 1
    made = datetime.fromtimestamp(int(wall()), UTC)
    gauge = order.kind == "gauge"
    if gauge and press.measures_force:
        raise BadInput("A force sensor is not calibrated against a gauge on the line; take a load cell.")
    nothing = Instrument(what="as installed", serial="none")
    try:
        header = Header(
            number=number,
            press=nothing,
            transducer=nothing,
            reference=Reference(
                what=order.reference,
                serial=order.serial,
                certificate=order.certificate,
                kind=order.kind,
                expanded_percent=order.expanded_percent,
            ),
            made=made,
            interval_days=order.interval_days,
            area_m2=press.area_m2,
            area_u_percent=0.1,
            range_Pa=press.range_Pa,
            measures="force" if press.measures_force else "pressure",
            zero_counts=0.0,
            counts_step=press.counts_step,
            note="made at the bench page",
            simulated=device.identity().simulated,
            invented=device.identity().simulated,
        )
    except ValidationError as error:
        raise BadInput(f"The calibration's data are not right ({error.errors()[0]['msg'][:120]}).") from None
    target = records / f"calibration-{number}.jsonl"
    if target.exists():
        raise BadInput(f"{target} exists already; a calibration record is never overwritten, move it away.")
    records.mkdir(parents=True, exist_ok=True)
    if told := set_aside_unfinished(target):
        guide.say(told)
    guide.say(CAUTION)
    hands = PersonHands(
        device,
        # The page has a button where the command line has the return key.
        lambda text: guide.ask(text.removesuffix("; press return")),
        guide.say,
        reference_unit=order.unit,
        area_m2=press.area_m2 if gauge else None,
    )
    hands.open_changes()
    noise_N = max(4.0, float(device.now().spread_counts)) / press.counts_per_N / 16
    partial = Partial(target, header, noise_N)
    found = calibrate(
        device,
        hands,
        capacity_N=press.capacity_N,
        counts_per_N=press.counts_per_N,
        holds_load=press.holds_load,
        slow_fitted=press.slow_fitted,
        progress=guide.progress,
        keep=partial.keep,
        now=lambda: datetime.fromtimestamp(int(wall()), UTC),
    )
    record = record_of(found, header, noise_N)
    fields = found.polynomial.fields
    if press.holds_load:
        fields = analyse(record, "the calibration").device.fields
    write_journal(record, target)
    partial.done()
    if off := discrepancy_told(record):
        guide.say(
            f"U does not cover {off}. Stop here until reference, unit, bore and range are checked; the record is kept."
        )
    hands.open_calibration()
    guide.check()
    unix = int(wall())
    store.add_snapshot(device.identity().uid, before, unix)
    state = device.push_calibration(
        {
            **fields,
            "serial": number,
            "made_unix": int(made.timestamp()),
            "due_unix": 0 if header.due is None else int(header.due.timestamp()),
        },
        instead_of=before,
    )
    store.add_snapshot(device.identity().uid, state, unix)
    due = "no date of the next one" if header.due is None else f"due {header.due:%Y-%m-%d}"
    return f"Calibration {number} is in force, {due}; its record is {target.name}."
