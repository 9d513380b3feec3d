"""The guided run through a calibration: which point next, what to do, and nothing lost on the way.

The plan is a pure function of the journal, so an interrupted calibration goes on where it stopped.
The person is a `Person`, the device a callable: `read_counts`, a mean reading.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal, NamedTuple

from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.metrology.checks import refuse_nonsense
from steadyram.metrology.header import Header, Point, RunStart
from steadyram.metrology.journal import Journal
from steadyram.metrology.nameplate import (
    POINT_SLACK_PART,
    WARN_PART,
    largest_allowed_N,
    plausible_forces,
)
from steadyram.metrology.record import PRELOADS_FIRST, PRELOADS_RESEATED, CalibrationRecord
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
_YES, _NO = ("yes", "y"), ("no", "n")
ReadCounts = Callable[[], Taken]


@dataclass(frozen=True)
class Step:
    """One point to take: its run, direction and the reference to go near (N or Pa)."""

    run: int
    direction: Direction
    target: float


def plan(
    record: CalibrationRecord, levels: int, runs: int, largest_N: float, rated_N: float | None = None
) -> list[Step]:
    """Every step of a calibration: `levels` equal steps up to `largest_N` and down again, `runs` times.

    rated_N: rated force that the device is set to, None if it was not read. Raises BadInput for fewer than three
    levels, no run, or more than press and sensor allow.
    """
    header = record.header
    if not 3 <= levels <= LEVELS_MOST or not 1 <= runs <= RUNS_MOST:
        raise BadInput(f"a guided calibration takes 3 to {LEVELS_MOST} levels and 1 to {RUNS_MOST} runs.")
    most = largest_allowed_N(header, rated_N)
    # A rating that went through units and back may differ in its last digits.
    if not 0.0 < largest_N <= most * (1 + 1e-6):
        raise BadInput(
            "the largest calibration force must be above zero and at most "
            f"{show(most, 'newton', preferences().force_unit, 4)}, what the press's rated force and the "
            f"{header.sensor}'s range allow."
        )
    to_reference = 1.0 / header.area_m2 if header.reference.kind == "gauge" else 1.0
    up = [largest_N * (k + 1) / levels * to_reference for k in range(levels)]
    steps = []
    for run in range(1, runs + 1):
        steps += [Step(run, "rising", t) for t in up]
        steps += [Step(run, "falling", t) for t in reversed(up[:-1])]
    return steps


@dataclass(frozen=True)
class Person:
    """Who is asked: `ask` a question, `say` a sentence, `now` the time."""

    ask: Callable[[str], str]
    say: Callable[[str], None]
    now: Callable[[], datetime] = lambda: datetime.now(UTC).replace(microsecond=0)

    def wait(self, text: str) -> None:
        """Wait for the return key; anything typed with it is not taken for an answer."""
        await_return(self.ask, self.say, text)

    def yes(self, text: str) -> bool:
        """Ask until the answer is yes or no."""
        while (answer := self.ask(f"{text} (yes or no)").strip().lower()) not in _YES + _NO:
            self.say(f"'{answer[:20]}' is neither yes nor no. Again.")
        return answer in _YES

    def count(self, text: str) -> int:
        """Ask until the answer is a whole number from 0 to 100."""
        while not (answer := self.ask(text).strip()).isdecimal() or int(answer) > 100:
            self.say(f"'{answer[:20]}' is not a whole number from 0 to 100. Again.")
        return int(answer)

    def temperature(self, text: str) -> float | None:
        """Ask until the answer is a temperature in degrees Celsius or empty (not read)."""
        while answer := self.ask(f"{text}, in °C (only return: not read)").strip():
            try:
                if -30.0 <= (value := float(answer)) <= 60.0:
                    return value
            except ValueError:
                pass
            self.say(f"'{answer[:20]}' is not a temperature from -30 to 60 °C. Again.")
        return None


def await_return(ask: Callable[[str], str], say: Callable[[str], None], text: str) -> None:
    """Ask until only the return key was pressed."""
    while answer := ask(text).strip():
        say(f"'{answer[:20]}' was not taken: only the return key is wanted here. Again.")


def ask_reference_zero(person: Person, header: Header, unit: str) -> float | None:
    """Return what the reference shows at rest (N or Pa by its kind), None where it was not read."""
    si = "pascal" if header.reference.kind == "gauge" else "newton"
    question = f"What does the reference show now, at rest, in {unit} (only return: not read)?"
    while answer := person.ask(question).strip():
        try:
            return float(parse(answer if _has_unit(answer) else f"{answer} {unit}", si, what="reference"))
        except BadInput as error:
            person.say(f"{error} Again.")
    return None


def ask_preloads(person: Person, run: int, largest: str) -> int:
    """Return how often the highest force was put on before a run."""
    wanted = PRELOADS_FIRST if run == 1 else PRELOADS_RESEATED
    times = "three times" if wanted == PRELOADS_FIRST else "once"
    done = person.count(
        f"Before run {run}: bring the force up to about {largest} {times} and let it off again; how often was that "
        "done?"
    )
    if done < wanted:
        person.say(f"Recorded: {done} of {wanted} preloads. Such a record earns no machine class.")
    return done


def guide(journal: Journal, steps: list[Step], person: Person, read_counts: ReadCounts, unit: str) -> None:
    """Take the points that the journal still lacks, what is done before each run, then zero and temperature at the end.

    unit: what the reference is read in; an answer may carry its own unit. A point that cannot be true (wrong way, same
    reference again, a factor of two off the nameplate) is refused at once and asked for again; `TAKE_BACK` takes back
    the point before. An interruption by the caller's exceptions loses nothing. Raises BadInput where an answer on
    re-seating contradicts the header.
    """
    kind = journal.record.header.reference.kind
    si = "pascal" if kind == "gauge" else "newton"
    largest = show(max(step.target for step in steps), si, unit, 3)
    done = len(journal.record.points)
    if done:
        person.say(f"Going on after {done} of {len(steps)} points.")
    person.say(f"A point that was mistyped: answer '{TAKE_BACK}' to the next question.")
    while (done := len(journal.record.points)) < len(steps):
        number, step = done + 1, steps[done]
        if step.run not in {start.run for start in journal.record.starts} and _begins(steps, number):
            _begin_run(journal, step.run, person, read_counts, largest, unit)
        way = "up to" if step.direction == "rising" else "down to"
        answer = person.ask(
            f"{number}/{len(steps)}, run {step.run}: bring the force {way} about "
            f"{show(step.target, si, unit, 3)} without going back, hold, and type the reference"
        ).strip()
        try:
            if answer.lower() == TAKE_BACK:
                person.say(f"Row {journal.take_back()} is taken back; it stays in the journal.")
                continue
            value = parse(answer if _has_unit(answer) else f"{answer} {unit}", si, what="reference")
            taken = read_counts()
            point = Point(
                run=step.run,
                direction=step.direction,
                reference=value,
                counts=taken.counts,
                counts_sd=taken.sd,
                at=person.now(),
            )
            _refuse_point(journal.record, point, si, unit)
            if not _scale_accepted(journal.record, point, person):
                continue
        except ValueError as error:
            person.say(f"The reading cannot be used ({str(error)[:120]}); again.")
            continue
        except BadInput as error:
            person.say(f"{error} Again.")
            continue
        journal.add(point)
    if journal.record.header.zero_counts_after is None:
        if journal.record.header.environment.ambient_end_C is None:
            ended = person.temperature("Ambient temperature now, at the end")
            if ended is not None:
                journal.end_temperature(ended)
        person.wait("Let the ram go up to the top, wait half a minute, and press return")
        journal.close_zero(read_counts().counts)
    refuse_nonsense(journal.record, str(journal.path))
    person.say("Every point is in the journal.")


def _begin_run(
    journal: Journal, run: int, person: Person, read_counts: ReadCounts, largest: str, unit: str
) -> None:
    """Ask and read what comes before a run, and record it as one row: an interruption asks for all of it again."""
    header = journal.record.header
    after: float | None = None
    reseated: bool | None = None
    if run > 1:
        person.wait(f"Run {run - 1} is done. Ram to the top, half a minute at rest; press return")
        after = read_counts().counts
        if header.reference.kind == "load-cell":
            reseated = person.yes(
                f"Before run {run}: take the reference out, turn it by a third and put it back. Was that done?"
            )
            refuse_contradiction(header, reseated)
            if not reseated:
                person.say(
                    "Recorded: not re-seated. Such a record earns no machine class and no certificate."
                )
    preloads = ask_preloads(person, run, largest)
    person.wait(f"Before run {run}: ram to the top, half a minute at rest; press return")
    journal.begin_run(
        RunStart(
            run=run,
            reseated=reseated,
            preloads=preloads,
            zero_after_previous_counts=after,
            zero_counts=read_counts().counts,
            reference_zero=ask_reference_zero(person, header, unit),
            at=person.now(),
        )
    )


def _scale_accepted(record: CalibrationRecord, point: Point, person: Person) -> bool:
    """Ask at once whether to go on where the first points are off the nameplate by more than a certificate bears.

    With one point friction is left room; from two on the slope between them is judged.
    """
    rising = [p for p in record.points if p.run == 1 and p.direction == "rising"]
    if point.run != 1 or point.direction != "rising" or len(rising) > 1:
        return True
    header, force = record.header, record.force_N(point)
    if rising:
        ratio = (force - record.force_N(rising[0])) / (point.counts - rising[0].counts)
        off = ratio / header.nominal_N_per_count - 1.0
    else:
        nominal = header.nominal_N_per_count * (point.counts - header.zero_counts)
        room = POINT_SLACK_PART * header.full_N
        off = 0.0 if nominal <= 0.0 else max(0.0, abs(force / nominal - 1.0) - room / nominal)
    if abs(off) <= WARN_PART:
        return True
    return person.yes(
        f"What was typed is {abs(off):.0%} off what bore and range give for this reading. Is the reference's unit "
        f"right, and do you want to go on?"
    )


def refuse_contradiction(header: Header, reseated: bool) -> None:
    """Raise BadInput where an answer on re-seating is not what the header says."""
    if header.reseated is None or header.reseated == reseated:
        return
    said = "true" if header.reseated else "false"
    raise BadInput(
        f"the header says reseated = {said} and the answer says that the reference was {'' if reseated else 'not '}"
        "re-seated: nothing was recorded. Do as the header says and run the same command again, or begin a new journal "
        "with another header."
    )


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
