"""Decision rules: does a verification pass, given the uncertainty of the check itself?

Source: ISO 14253-1 and JCGM 106 (from memory): guarded acceptance takes the expanded uncertainty
off the limit; simple acceptance compares with the limit itself and is fair only while the expanded
uncertainty stays below a third of it.
"""

from __future__ import annotations

from typing import Literal

from steadyram.errors import BadInput

Rule = Literal["simple", "guard-band"]
Verdict = Literal["pass", "fail", "undecided"]
SIMPLE_RATIO = 1.0 / 3.0


def decide(error: float, limit: float, expanded: float, rule: Rule) -> Verdict:
    """Judge one error against ±limit (same unit, all finite, limit > 0, expanded >= 0).

    guard-band: pass inside limit - U, fail outside limit + U, undecided between. simple: pass
    inside the limit, fail outside, undecided where U is more than a third of the limit.
    """
    if not limit > 0.0 or expanded < 0.0:
        raise BadInput("a decision needs a limit above zero and an uncertainty that is not negative.")
    size = abs(error)
    if rule == "guard-band":
        if size <= limit - expanded:
            return "pass"
        return "fail" if size > limit + expanded else "undecided"
    if expanded > SIMPLE_RATIO * limit * (1 + 1e-12):
        return "undecided"
    return "pass" if size <= limit else "fail"


def overall(verdicts: list[Verdict]) -> Verdict:
    """fail if any fails, else undecided if any is, else pass."""
    if "fail" in verdicts:
        return "fail"
    return "undecided" if "undecided" in verdicts or not verdicts else "pass"
