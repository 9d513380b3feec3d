"""What every force estimate says about itself: formula, assumptions, band, source, caution."""

from __future__ import annotations

from dataclasses import dataclass, field

CAUTION = (
    "An estimate, not a setting: start below it, raise it on scrap until a part is right, and keep it "
    "under the "
    "rating of tooling and press; guards, relief valve, emergency stop and local rules stay as they are."
)


@dataclass(frozen=True)
class Estimate:
    """A force for the work.

    force_N: best guess; low_N, high_N: the band that an honest user should expect; formula,
    source: words; figures: further results, each key with its unit.
    """

    what: str
    force_N: float
    low_N: float
    high_N: float
    formula: str
    source: str
    assumptions: tuple[str, ...]
    figures: dict[str, float] = field(default_factory=dict)
    caution: str = CAUTION

    def document(self) -> dict[str, object]:
        """As a JSON-ready mapping."""
        return {
            "what": self.what,
            "force_N": self.force_N,
            "low_N": self.low_N,
            "high_N": self.high_N,
            **self.figures,
            "formula": self.formula,
            "assumptions": list(self.assumptions),
            "source": self.source,
            "caution": self.caution,
        }
