"""Uncertainty budgets by the GUM (JCGM 100:2008): components, effective degrees of freedom, expansion.

Source of the formulas: JCGM 100:2008, 5.1.2 (law of propagation), G.4.1 (Welch-Satterthwaite),
G.3 (coverage factor from Student's t).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from steadyram.late import scipy

# Marks an input that nobody measured here: it was given for the calibration (ISO/IEC 17025:2017, 7.8.2.2).
GIVEN = " [given]"

Shape = Literal["normal", "rectangular", "triangular", "t"]


@dataclass(frozen=True)
class Component:
    """One line of a budget.

    u: standard uncertainty already in the unit of the result (sensitivity included); kind: "A"
    (statistics) or "B" (anything else); dof: degrees of freedom, inf when known well; shape: for
    Monte Carlo; basis: the input that u was made of, with its half width or divisor and its sensitivity; estimate:
    name of the estimate that u comes from where other lines come from it too, and so have its degrees of freedom
    together.
    """

    name: str
    u: float
    kind: Literal["A", "B"]
    dof: float = math.inf
    shape: Shape = "normal"
    basis: str = ""
    estimate: str = ""


@dataclass(frozen=True)
class Budget:
    """Combined and expanded uncertainty of one value; unit of the components."""

    components: tuple[Component, ...]
    combined: float
    effective_dof: float
    coverage_factor: float
    expanded: float
    level: float

    def share(self, component: Component) -> float:
        """Part of the combined variance that a component makes, 0 to 1."""
        return component.u**2 / self.combined**2 if self.combined else 0.0


def combine(components: Sequence[Component], level: float = 0.95) -> Budget:
    """Combine uncorrelated components and expand to `level` (0.95 by default)."""
    combined = math.sqrt(sum(c.u**2 for c in components))
    # The Welch-Satterthwaite formula takes independent estimates; lines of one estimate are one term of it.
    variances: dict[tuple[object, float], float] = {}
    for number, c in enumerate(components):
        if math.isfinite(c.dof) and c.dof > 0:
            key = (c.estimate or number, c.dof)
            variances[key] = variances.get(key, 0.0) + c.u**2
    spread = sum(variance**2 / dof for (_, dof), variance in variances.items())
    dof = combined**4 / spread if spread > 0.0 else math.inf
    # G.4.1: the effective degrees of freedom are cut to the next lower integer.
    factor = (
        float(scipy.special.stdtrit(max(1.0, math.floor(dof)), 0.5 + level / 2))
        if math.isfinite(dof) and dof < 1e6
        else float(scipy.special.ndtri(0.5 + level / 2))
    )
    return Budget(tuple(components), combined, dof, factor, factor * combined, level)


@dataclass(frozen=True)
class Stated:
    """What is stated of a value: expanded uncertainty (N) and its factor k over the budget's combined one."""

    expanded_N: float
    coverage_factor: float

    @classmethod
    def of(cls, budget: Budget, expanded_N: float) -> Stated:
        """Return what a budget states, when the expanded uncertainty is the budget's or wider."""
        factor = expanded_N / budget.combined if budget.combined else budget.coverage_factor
        return cls(expanded_N, factor)


@dataclass(frozen=True)
class BudgetLine:
    """One line as it is printed; dof is None where it is known well; share: of the combined variance; basis: its "
    "input."""

    name: str
    u_N: float
    type: Literal["A", "B"]
    dof: float | None
    share: float
    distribution: Shape = "normal"
    basis: str = ""


@dataclass(frozen=True)
class StatedBudget:
    """A budget as it is printed, newtons; effective_dof is None where it has no bound."""

    combined_N: float
    effective_dof: float | None
    coverage_factor: float
    expanded_N: float
    level: float
    components: tuple[BudgetLine, ...]


def stated(budget: Budget) -> StatedBudget:
    """Return a budget in the form in which every command prints it."""
    return StatedBudget(
        budget.combined,
        budget.effective_dof if math.isfinite(budget.effective_dof) else None,
        budget.coverage_factor,
        budget.expanded,
        budget.level,
        tuple(
            BudgetLine(
                c.name,
                c.u,
                c.kind,
                c.dof if math.isfinite(c.dof) else None,
                budget.share(c),
                c.shape,
                c.basis,
            )
            for c in budget.components
        ),
    )
