"""Judge parts one after the other against a job's envelope: what is wrong with this part, and with the press.

Two questions, two answers:

- **This part.** A missing or double part changes where contact comes by a part's height; a sheet of another
  thickness moves contact and force together; soft or hard material changes the force alone.
- **The press.** Wear and warming last: they are read from exponentially weighted means over the parts that
  were not found bad (the textbook control chart, weight 0.3, whose standard deviation is that of a part
  times sqrt(0.3 / 1.7)). Friction in free travel tells the rod seal; force lost while it stands a leak past
  valve or piston; contact that comes later, with a rise as steep as ever, a valve that opens late; with a
  slower rise, oil that softens and a pump that delivers less, as when the oil warms.

Contact and force of a part are compared with where the press has drifted to, so that a slow drift is told
once, as a drift, and not as a long row of bad parts. A part is odd where it lies beyond the prediction limit of the
good parts, whatever share of the way that is: contact by its own scatter (`one_part_limit`), and contact, way to half
the setpoint and way from there to the end by one distance (`together.py`), where the device tells them by oil. Figures:
`tests/campaign/detection.py` on the shipped presses, `tests/campaign/detection_drawn.py` on presses drawn at random.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Final, Literal

from steadyram.cycles.envelope import Envelope, off_centre
from steadyram.cycles.signature import Signature, Stroke, signature

PartKind = Literal["good", "missing", "double", "thin", "thick", "soft", "hard", "not judged"]
PressKind = Literal["sound", "seal", "leak", "valve", "warm"]

PART_WORDS: Final[dict[str, str]] = {
    "good": "as the good parts",
    "missing": "hardware missing: the ram went on past where contact belongs",
    "double": "two parts on top of each other: contact came far too early",
    "thin": "sheet too thin, or the wrong one: contact late and force low",
    "thick": "sheet too thick, or the wrong one: contact early",
    "soft": "material softer than the good parts': force low, contact in its place",
    "hard": "material harder than the good parts': force high, contact in its place",
    "not judged": "not judged: no learned stroke to the set force, or one that the device ended before contact was due",
}
PRESS_WORDS: Final[dict[str, str]] = {
    "sound": "as when the good parts were made",
    "seal": "the ram drags more in free travel: look at the rod seal and the guides",
    "leak": "the force falls faster while it stands: look for a leak past valve or piston seal",
    "valve": "contact comes later with a rise as steep as ever: the valve opens late",
    "warm": "slower and softer than before: warm oil, air in it, or a tired pump",
}

FIGURE_WORDS: Final[dict[str, str]] = {
    "contact_s": "contact",
    "approach_N": "force in free travel",
    "rise_s": "length of the rise",
    "half_s": "way to half the setpoint",
    "need_s": "way from contact to the end",
    "rest_s": "way from half the setpoint to the end",
    "way_s": "time to contact",
    "landing_N": "first stand",
    "embed_Ns": "work of the first feed",
    "knee_N": "knee",
    "steep_N_per_s": "steepest rise",
    "peak_N": "peak",
    "settled_N": "settled force",
    "loss_per_s": "loss while standing",
    "pulses": "pulses",
    "all_together": "all together, of what is allowed",
}

# Key of the distance by all figures together, as a share of its limit.
ALL: Final = "all_together"
# A figure of a part that is odd by all of them tells what kind it is from so many deviations on.
_TELLS: Final = 1.5
# Way from contact to the end against the good parts': two parts give way twice as far, a bare stop hardly.
_TWO_PARTS: Final = 1.2
_BARE: Final = 0.75
# Contact early by so many of those ways: a sheet is not that much thicker.
_A_PART_EARLY: Final = 2.0

_WEIGHT: Final = 0.3
_MEAN_SD: Final = math.sqrt(_WEIGHT / (2.0 - _WEIGHT))
# Contact off by these shares of the way to it, and beyond its own scatter: a part's height, not a sheet's.
_MISSING: Final = 0.30
_DOUBLE: Final = -0.14
# Time to half the setpoint against the good parts', beyond its own scatter, too.
_NO_PLATEAU: Final = 0.5
_TWICE: Final = 1.5
_QUICK: Final = 0.8
# A good part is beyond the limit of one figure, to one side, so often: two figures, two sides, 0.6 % in all.
ONE_SIDE: Final = 0.0015
# Standard deviations of one part.
_FORCE_WITH_CONTACT: Final = -1.2
# Standard deviations of a weighted mean.
_SEAL: Final = 8.0
_LEAK: Final = 4.5
_LATE: Final = 5.0
_SLOWER: Final = -3.0
_CLIP: Final = 10.0
_LOSS_CLIP: Final = 4.0
# How far one part may pull a mean that parts are compared with, in standard deviations of a part.
_STEP: Final = 4.0
_FAR: Final = 12.0
_HOME: Final = 2.5


@dataclass(frozen=True)
class Verdict:
    """What the signature says: of the part, of the press, and the deviations in standard deviations."""

    part: PartKind
    press: PressKind
    deviations: dict[str, float]

    @property
    def alarm(self) -> bool:
        """True when somebody should look."""
        return self.part not in ("good", "not judged") or self.press != "sound"

    def reason(self) -> str:
        """Why: the sentence, and the figures that are off most, in standard deviations of the good parts."""
        alone = {name: value for name, value in self.deviations.items() if name != ALL}
        far = sorted(alone.items(), key=lambda each: -abs(each[1]))[:3]
        figures = ", ".join(
            f"{FIGURE_WORDS.get(name, name)} {value:+.1f}" for name, value in far if abs(value) >= 2.0
        )
        if self.deviations.get(ALL, 0.0) > 1.0:
            together = f"{FIGURE_WORDS[ALL]} {self.deviations[ALL]:.1f}"
            figures = f"{figures}; {together}" if figures else together
        said = "; ".join(self.words())
        return f"{said} (deviations: {figures})" if figures and self.alarm else said

    def words(self) -> list[str]:
        """One sentence for the part, and one for the press when it is not sound."""
        said = [PART_WORDS[self.part]]
        return said if self.press == "sound" else [*said, PRESS_WORDS[self.press]]


@dataclass
class _Mean:
    """An exponentially weighted mean of clipped deviations, in its own standard deviations."""

    value: float = 0.0

    def add(self, deviation: float) -> None:
        """Take one part's deviation, clipped."""
        if math.isfinite(deviation):
            self.value += _WEIGHT * (max(-_CLIP, min(_CLIP, deviation)) - self.value)

    def follow(self, deviation: float) -> None:
        """Take one part's deviation where parts are compared with this mean.

        Away from home a part moves it by a bounded step only: a bad part little, a press that has changed every
        time. Back home it goes at once. Far off it is another stop on the way (contact within a later
        pulse), which says nothing of the press.
        """
        if not math.isfinite(deviation) or abs(deviation - self.value) > _FAR:
            return
        step = deviation - self.value
        self.value += _WEIGHT * (step if abs(deviation) < _HOME else max(-_STEP, min(_STEP, step)))

    @property
    def sds(self) -> float:
        return self.value / _MEAN_SD


@cache
def one_part_limit(parts: int) -> float:
    """How many deviations of `parts` good parts the next good one is beyond, to one side, ONE_SIDE of the time.

    Student's t with parts - 1 degrees of freedom, times sqrt(1 + 1 / parts): the textbook prediction interval of one
    further value. It holds for figures that are normal; deviations here are robust ones.
    """
    from scipy.special import stdtrit

    return float(stdtrit(parts - 1, 1.0 - ONE_SIDE)) * math.sqrt(1.0 + 1.0 / parts)


def _nearer(deviation: float, drift: float) -> float:
    """The deviation from the envelope or from the drift, whichever is smaller; 0 between the two."""
    moved = deviation - drift
    if deviation * moved <= 0.0:
        return 0.0 if math.isfinite(deviation) else math.nan
    return math.copysign(min(abs(deviation), abs(moved)), deviation)


@dataclass
class Watch:
    """Judges the strokes of one job in their order."""

    envelope: Envelope
    _contact: _Mean = field(default_factory=_Mean)
    _force: _Mean = field(default_factory=_Mean)
    _approach: _Mean = field(default_factory=_Mean)
    _loss: _Mean = field(default_factory=_Mean)
    _steep: _Mean = field(default_factory=_Mean)
    _rest: _Mean = field(default_factory=_Mean)

    def judge(self, stroke: Stroke) -> Verdict:
        """The verdict on one stroke. The strokes must come in the order in which they were made."""
        if stroke.learned and stroke.stop == "overdue":
            return self._overdue(stroke)
        if stroke.stop in ("setpoint", "short", "over", "overdue") and self._surely_early(stroke):
            return Verdict("double", self._press(), {})
        if not stroke.learned or stroke.stop not in ("setpoint", "short", "over"):
            return Verdict("not judged", self._press(), {})
        if self.envelope.by_oil and not stroke.by_oil:
            # Not begun at the top, or pulled from an older firmware: there is nothing to compare contact with.
            return Verdict("not judged", self._press(), {})
        return self.judge_signature(signature(stroke, self.envelope.by_oil))

    def _overdue(self, stroke: Stroke) -> Verdict:
        """The device ended the stroke since contact or force did not come where the job's parts have it.

        It says so of a good part, too, where it took something else for contact. So hardware is called missing only
        where the ram had the time to go past the latest contact of good parts (at full flow: it went no faster), and
        a part double only where the trace itself shows its force.
        """
        home = self.envelope.figures.get("contact_s")
        if home is None:
            return Verdict("not judged", self._press(), {})
        beyond = one_part_limit(home.parts)
        seen = math.isfinite(signature(stroke, False).contact_s)
        contact_s = signature(stroke, self.envelope.by_oil).contact_s
        if seen and contact_s < home.centre - beyond * home.sd_below:
            return Verdict("double", self._press(), {})
        if seen and contact_s < home.centre + beyond * home.sd_above:
            # It met the part where parts are. What did not come is the force: two parts give way as far again.
            # Otherwise why is not told.
            two = self._share_of_way(stroke.oil_end_s) > _TWO_PARTS
            return Verdict("double" if two else "not judged", self._press(), {})
        past = stroke.duration_s > home.centre + beyond * home.sd_above
        return Verdict("missing" if past else "not judged", self._press(), {})

    def _surely_early(self, stroke: Stroke) -> bool:
        """True where a first part, which the device approaches no faster than a learned one, met the ram too soon.

        It is early by what a first part is slower, too: two parts. The stroke after one without hardware is such a one.
        """
        way = self.envelope.figures.get("way_s")
        if way is None or stroke.learned:
            return False
        return signature(stroke, False).contact_s < way.centre - one_part_limit(way.parts) * way.sd_below

    def judge_signature(self, found: Signature) -> Verdict:
        """The same from a signature of a learned stroke."""
        envelope = self.envelope
        found = replace(found, landing_N=envelope.landing(found))
        off = {name: envelope.deviation(name, getattr(found, name)) for name in envelope.figures}
        self._approach.add(off.get("approach_N", math.nan))
        far = self._far(found, off)
        part = self._part(found, off) if math.isnan(far) else self._part_by_oil(found, off, far)
        if part not in ("missing", "double"):
            self._contact.follow(off.get("contact_s", math.nan))
            self._force.follow(self._level(off))
            self._rest.follow(off.get("rest_s", math.nan))
        if part == "good":
            self._steep.add(off.get("steep_N_per_s", math.nan))
        self._loss.add(max(-_LOSS_CLIP, min(_LOSS_CLIP, off.get("loss_per_s", math.nan))))
        if math.isfinite(far):
            off[ALL] = far
        kept = {name: round(value, 2) for name, value in off.items() if math.isfinite(value)}
        return Verdict(part, self._press(), kept)

    def _level(self, off: dict[str, float]) -> float:
        """How the part's force is off: by its way to half the setpoint, or where that is by time and the ram stands."""
        if self.envelope.together is not None:
            return -off.get("half_s", math.nan)
        return off.get("landing_N", math.nan) if self.envelope.stands else -off.get("half_s", math.nan)

    def _part(self, found: Signature, off: dict[str, float]) -> PartKind:
        home = self.envelope.figures.get("contact_s")
        if home is None:
            return "not judged"
        dragging = self._approach.sds > _SEAL
        if not math.isfinite(found.contact_s):
            return "missing"
        # Off both from the good parts and from where the press has drifted to: the nearer of the two counts.
        contact = _nearer(off["contact_s"], self._contact.value)
        level = _nearer(self._level(off), self._force.value)
        beyond = one_part_limit(home.parts)
        late, early = contact > beyond and not dragging, contact < -beyond
        ratio = self._half_ratio(found, off, beyond)
        # Without the hardware the ram meets the bare stop: there is no plateau, and the force is up at once.
        if ratio < _NO_PLATEAU and not early:
            return "missing"
        share = found.contact_s / home.centre - 1.0
        if late and share > _MISSING and not level < -beyond:
            return "missing"
        # Two parts in series give twice as much: twice the travel to the same force, begun a part's height early.
        if early and (share < _DOUBLE or ratio > _TWICE):
            return "double"
        if early:
            return "thick"
        # Contact within a later pulse comes later by a whole pause: that is no sheet.
        low = level < _FORCE_WITH_CONTACT or (math.isnan(level) and contact < _FAR)
        if late and low:
            return "thin"
        if level < -beyond:
            return "soft"
        if level > beyond and not dragging:
            return "hard"
        # Contact late alone is no part's fault: it also comes a pause later when the press learned from an odd part.
        return "missing" if late and ratio < _QUICK else "good"

    def _far(self, found: Signature, off: dict[str, float]) -> float:
        """How far the part is from the good ones by all its figures together, as a share of what is allowed.

        What the press has drifted by is taken off, as for the figures alone. NaN where they cannot be told together.
        """
        known = self.envelope.together
        if known is None or self._approach.sds > _SEAL:
            return math.nan
        told = {name: off_centre(self.envelope, name, getattr(found, name)) for name in known.names}
        drifts = {
            "contact_s": self._contact.value,
            "half_s": -self._force.value,
            "rest_s": self._rest.value,
            "landing_N": self._force.value,
        }
        # Without contact there is nothing to compare: those are told apart first.
        if not math.isfinite(told.get("contact_s", math.nan)):
            return math.nan
        for name, drift in drifts.items():
            if name in told and math.isfinite(off.get(name, math.nan)) and off[name] != 0.0:
                told[name] *= _nearer(off[name], drift) / off[name]
        # A side on which good parts lie further is judged by its own width.
        for name, value in told.items():
            home = self.envelope.figures[name]
            wide = home.sd_above if value > 0.0 else home.sd_below
            told[name] = value * min(1.0, known.spread[known.names.index(name)] / wide)
        return known.share(told)

    def _part_by_oil(self, found: Signature, off: dict[str, float], far: float) -> PartKind:
        """Judge a part by the oil that it took: odd by all figures together, or by contact alone."""
        home = self.envelope.figures["contact_s"]
        beyond = one_part_limit(home.parts)
        contact = _nearer(off["contact_s"], self._contact.value)
        if contact > 1.0 and self._went_on(found, off):
            return "missing"
        alone = contact < -beyond or (contact > beyond and self._approach.sds <= _SEAL)
        return self._named(found, off) if far > 1.0 or alone else "good"

    def _went_on(self, found: Signature, off: dict[str, float]) -> bool:
        """True where the device ended its feed where parts are, met nothing, and went on in pulses to contact.

        Of a pulse's oil it knows less than of a feed's, but such a stroke takes longer.
        """
        way = self.envelope.figures.get("way_s")
        if way is None or not off.get("way_s", 0.0) > one_part_limit(way.parts):
            return False
        return found.way_s > (1.0 + _MISSING) * way.centre

    def _named(self, found: Signature, off: dict[str, float]) -> PartKind:
        """What a part is called that is odd by its figures together.

        Contact late, and by more than the whole way that good parts give or with hardly a way to the end: nothing was
        there. Early, and a way to the end as of two parts, or early by two ways: two. Otherwise by contact or by force,
        whichever is off by more.
        """
        figures = self.envelope.figures
        contact = _nearer(off["contact_s"], self._contact.value)
        half, rest = off.get("half_s", math.nan), off.get("rest_s", math.nan)
        share = self._share_of_way(found.need_s)
        late = self._share_of_way(found.contact_s - figures["contact_s"].centre)
        if contact > _TELLS and (share < _BARE or late > 1.0):
            return "missing"
        if contact < -_TELLS and (share > _TWO_PARTS or late < -_A_PART_EARLY):
            return "double"
        # Soft material takes more oil to half the setpoint, and less from there.
        force = -half if not abs(rest) > abs(half) else rest
        if math.isnan(force) or abs(contact) > abs(force):
            return "thin" if contact > 0.0 else "thick"
        return "soft" if force < 0.0 else "hard"

    def _share_of_way(self, oil_s: float) -> float:
        """Return oil as a share of what good parts take from contact to the end; NaN where that is not known."""
        home = self.envelope.figures.get("need_s")
        return math.nan if home is None else oil_s / math.exp(home.centre)

    def _half_ratio(self, found: Signature, off: dict[str, float], beyond: float) -> float:
        """The time to half the setpoint against the good parts', 1 where it is within their own scatter."""
        home = self.envelope.figures.get("half_s")
        if home is None or not abs(off.get("half_s", math.nan)) > beyond:
            return 1.0
        return found.half_s / math.exp(home.centre)

    def _press(self) -> PressKind:
        if self._approach.sds > _SEAL:
            return "seal"
        if self._loss.sds > _LEAK:
            return "leak"
        if self._contact.sds > _LATE:
            return "warm" if self._steep.sds < _SLOWER else "valve"
        return "sound"
