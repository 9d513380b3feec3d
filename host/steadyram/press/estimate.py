"""What every force estimate says about itself: formula, assumptions, band, source, caution."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field

CAUTION = (
    "An estimate, not a setting: start below it, raise it on scrap until a part is right, and keep it "
    "under the "
    "rating of tooling and press; guards, relief valve, emergency stop and local rules stay as they are."
)


@dataclass(frozen=True)
class Band:
    """A range of forces (N) for one kind of hardware, where it comes from, and what that is worth."""

    name: str
    low_N: float
    high_N: float
    hardware: str
    source: str
    status: str


@dataclass(frozen=True)
class Estimate:
    """A force for the work.

    force_N: best guess; low_N, high_N: the band that an honest user should expect; formula,
    source: words; figures: further results, each key with its unit; bands: where the hardware decides, a band
    for each kind; start_N: where a first part starts, None for the best guess.
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
    bands: tuple[Band, ...] = ()
    start_N: float | None = None

    @property
    def first_N(self) -> float:
        """Setpoint (N) that a first part starts from."""
        return self.force_N if self.start_N is None else self.start_N

    def document(self) -> dict[str, object]:
        """As a JSON-ready mapping."""
        return {
            "what": self.what,
            "force_N": self.force_N,
            "low_N": self.low_N,
            "high_N": self.high_N,
            "size_by_N": self.high_N,
            "start_N": self.first_N,
            **self.figures,
            **({"bands": [asdict(band) for band in self.bands]} if self.bands else {}),
            "formula": self.formula,
            "assumptions": list(self.assumptions),
            "source": self.source,
            "caution": self.caution,
        }
