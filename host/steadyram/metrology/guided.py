"""The guided run through a calibration: which point next, what to do, and nothing lost on the way.

The plan is a pure function of the journal, so an interrupted calibration goes on where it stopped.
People and device are callables: `ask` a question, `say` a sentence, `read_counts` a mean reading.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

from steadyram.errors import BadInput
from steadyram.metrology.checks import refuse_nonsense
from steadyram.metrology.header import Point
from steadyram.metrology.journal import Journal
from steadyram.metrology.nameplate import plausible_forces
from steadyram.metrology.record import CalibrationRecord
from steadyram.units import parse, show

Direction = Literal["rising", "falling"]


class Taken(NamedTuple):
    """Mean counts, standard deviation of that mean, and the spread of the readings in it (None if one was typed)."""

    counts: float
    sd: float
    spread: float | None


LEVELS_MOST = 20
RUNS_MOST = 10
# Answer that takes the newest point back.
TAKE_BACK = "back"
ReadCounts = Callable[[], Taken]


@dataclass(frozen=True)
class Step:
    """One point to take: its run, direction and the reference to go near (N or Pa)."""

    run: int
    direction: Direction
    target: float


def plan(record: CalibrationRecord, levels: int, runs: int, largest_N: float) -> list[Step]:
    """Every step of a calibration: `levels` equal steps up to `largest_N` and down again, `runs` times.

    Raises BadInput for fewer than three levels, no run, or more than the transducer can see.
    """
    header = record.header
    if not 3 <= levels <= LEVELS_MOST or not 1 <= runs <= RUNS_MOST:
        raise BadInput(f"a guided calibration takes 3 to {LEVELS_MOST} levels and 1 to {RUNS_MOST} runs.")
    if not 0.0 < largest_N <= header.area_m2 * header.range_Pa:
        raise BadInput("the largest calibration force must be above zero and within the transducer's range.")
    to_reference = 1.0 / header.area_m2 if header.reference.kind == "gauge" else 1.0
    up = [largest_N * (k + 1) / levels * to_reference for k in range(levels)]
    steps = []
    for run in range(1, runs + 1):
        steps += [Step(run, "rising", t) for t in up]
        steps += [Step(run, "falling", t) for t in reversed(up[:-1])]
    return steps


def guide(
    journal: Journal,
    steps: list[Step],
    ask: Callable[[str], str],
    say: Callable[[str], None],
    read_counts: ReadCounts,
    unit: str,
) -> None:
    """Take the points that the journal still lacks, then the closing zero.

    unit: what the reference is read in; an answer may carry its own unit. A point that cannot be true (wrong way, same
    reference again, a factor of two off the nameplate) is refused at once and asked for again; `TAKE_BACK` takes back
    the point before. An interruption by the caller's exceptions loses nothing.
    """
    kind = journal.record.header.reference.kind
    si = "pascal" if kind == "gauge" else "newton"
    done = len(journal.record.points)
    if done:
        say(f"Going on after {done} of {len(steps)} points.")
    say(f"A point that was mistyped: answer '{TAKE_BACK}' to the next question.")
    while (done := len(journal.record.points)) < len(steps):
        number, step = done + 1, steps[done]
        if journal.record.header.reseated and step.run > 1 and _begins(steps, number):
            ask(
                f"Run {step.run}: ram to the top; take the reference out, turn it by a third and put it back; press "
                "return"
            )
        way = "up to" if step.direction == "rising" else "down to"
        answer = ask(
            f"{number}/{len(steps)}, run {step.run}: bring the force {way} about "
            f"{show(step.target, si, unit, 3)} without going back, hold, and type the reference"
        ).strip()
        try:
            if answer.lower() == TAKE_BACK:
                say(f"Row {journal.take_back()} is taken back; it stays in the journal.")
                continue
            value = parse(answer if _has_unit(answer) else f"{answer} {unit}", si, what="reference")
            taken = read_counts()
            point = Point(
                run=step.run,
                direction=step.direction,
                reference=value,
                counts=taken.counts,
                counts_sd=taken.sd,
            )
            _refuse_point(journal.record, point, si, unit)
        except ValueError as error:
            say(f"The reading cannot be used ({str(error)[:120]}); again.")
            continue
        except BadInput as error:
            say(f"{error} Again.")
            continue
        journal.add(point)
    if journal.record.header.zero_counts_after is None:
        ask("Let the ram go up to the top, wait half a minute, and press return")
        journal.close_zero(read_counts().counts)
    refuse_nonsense(journal.record, str(journal.path))
    say("Every point is in the journal.")


def _begins(steps: list[Step], number: int) -> bool:
    """True when the step of that number (from 1) is the first of its run."""
    return number == 1 or steps[number - 2].run != steps[number - 1].run


def _has_unit(text: str) -> bool:
    return any(c.isalpha() and c not in "eE" for c in text)


def _refuse_point(record: CalibrationRecord, point: Point, si: str, unit: str) -> None:
    """Refuse a point that its counts cannot stand for, or that goes the wrong way from the one before it."""
    least, most = plausible_forces(record, point)
    if not least <= record.force_N(point) <= most:
        raise BadInput(
            f"{show(point.reference, si, unit)} does not fit {point.counts:.0f} counts: by bore and range they stand "
            f"for {show(max(0.0, least), 'newton', 'kN', 3)} to {show(most, 'newton', 'kN', 3)}. Check the number, its "
            "unit and the reading."
        )
    if not record.points:
        return
    last = record.points[-1]
    if (last.run, last.direction) != (point.run, point.direction):
        return
    step = point.reference - last.reference
    if step == 0.0 or (step < 0.0) == (point.direction == "rising"):
        raise BadInput(
            f"The reference must go on {point.direction} from {show(last.reference, si, unit)}, not to "
            f"{show(point.reference, si, unit)}; if the point before is wrong, answer '{TAKE_BACK}'."
        )
    if (point.counts - last.counts) * step <= 0.0:
        raise BadInput("The reading did not follow the reference; check transducer and valve.")
