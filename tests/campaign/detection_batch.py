"""One drawn batch of the detection campaign, in a module of its own so that it can be read back from a file."""

from __future__ import annotations

from dataclasses import dataclass

from tests.campaign.detection_sim import Sample


@dataclass(frozen=True)
class Batch:
    """One drawn batch. gap_scatter_m: by how much contact scatters from part to part, one deviation."""

    seed: int
    work: str
    gap_scatter_m: float
    force_scatter: float
    speed_m_s: float
    samples: tuple[Sample, ...]
