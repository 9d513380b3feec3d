"""Analysis of a calibration: the curve for the device, its errors, what it earned and its uncertainty.

The device runs the rising branch, reading to force (see `device_poly`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from steadyram.late import np
from steadyram.metrology import classes, earned
from steadyram.metrology.at_zero import ZeroDisagreement, at_zero
from steadyram.metrology.budget import Budget, Component, Stated, combine
from steadyram.metrology.checks import refuse_nonsense
from steadyram.metrology.curve import Curve, fit_curve
from steadyram.metrology.device_poly import DevicePolynomial
from steadyram.metrology.exact_fit import fit_polynomial
from steadyram.metrology.friction import Friction, tell_apart
from steadyram.metrology.levels import LevelErrors, level_errors
from steadyram.metrology.lines import curve_lines, reading_lines
from steadyram.metrology.measurement import SEAT, Newton, measurement_of
from steadyram.metrology.monte_carlo import TRIALS, MonteCarloCheck, check_budget
from steadyram.metrology.nameplate import discrepancy_told, nameplate_ratio, nameplate_warning
from steadyram.metrology.outliers import outlying
from steadyram.metrology.record import CalibrationRecord
from steadyram.metrology.runs import RunScatter, run_scatter
from steadyram.units import show

# A reference whose own expanded uncertainty is more than this part of the force is told at that force.
POOR_REFERENCE_PART = 0.05
REFERENCE_ZERO = "zero of the reference"
ONE_RUN = "run to run: not measured, one step instead"


@dataclass(frozen=True)
class Level:
    """One force of the calibration (N): errors in per cent, the class they keep, uncertainty.

    b_percent is None for one run, v_percent where no run came down through this force, a_percent where the
    fluctuation at rest was not read, since the resolution is not known then. The classes are None
    where none is kept or where the calibration as a whole earned none.
    """

    force_N: float
    q_percent: float
    q_by_run: tuple[float, ...]
    b_percent: float | None
    v_percent: float | None
    a_percent: float | None
    iso_class: float | None
    iso_class_with_v: float | None
    budget: Budget
    monte_carlo: MonteCarloCheck | None

    @property
    def expanded_N(self) -> float:
        """Expanded uncertainty to state: the wider of the budget's and of the Monte Carlo interval's.

        Also where both agree within the tolerance: that is a step of ten where u gains a digit, and U is not to have
        one there.
        """
        check = self.monte_carlo
        return self.budget.expanded if check is None else max(self.budget.expanded, check.expanded_N)

    @property
    def coverage_factor(self) -> float:
        """Factor k of the uncertainty that is stated."""
        return Stated.of(self.budget, self.expanded_N).coverage_factor


@dataclass(frozen=True)
class Analysis:
    """All that is known of a calibration; newtons and counts.

    *_lacks: what is missing before the standard's terms may be used, each a clause; e4_ok and llf are None
    while something is.
    """

    record: CalibrationRecord
    curve: Curve
    friction: Friction | None
    levels: tuple[Level, ...]
    zero_error_percent: float | None
    zero_disagreement: ZeroDisagreement | None
    resolution_N: float
    nameplate_ratio: float
    iso_class: float | None
    iso_class_with_v: float | None
    iso_lower_limit_N: float | None
    iso_lacks: tuple[str, ...]
    llf: classes.LowerLimitFactor | None
    e74_lacks: tuple[str, ...]
    e4_ok: bool | None
    e4_lacks: tuple[str, ...]
    outliers: tuple[str, ...]
    run_scatter: RunScatter
    notes: tuple[str, ...]

    @property
    def runs(self) -> int:
        """Number of rising runs."""
        return self.run_scatter.runs

    @property
    def device(self) -> DevicePolynomial:
        """What goes to the device."""
        return self.curve.device

    @property
    def degree(self) -> int:
        """Degree of the polynomial."""
        return self.curve.degree

    def reference_lines(self, force_N: float) -> list[Component]:
        """Lines of the budget that the reference brings at a force; newtons."""
        lines = [*measurement_of(self.record.header).components(Newton(force_N)), *self._reference_zero()]
        return [line for line in lines if not (self.seat_in_runs and line.name == SEAT)]

    def _reference_zero(self) -> list[Component]:
        """Line of a load cell whose own zero moved between the runs; a gauge's zero is in its class."""
        zeros = self.record.reference_zeros
        moved = max(zeros) - min(zeros) if zeros else 0.0
        if self.record.header.reference.kind == "gauge" or not moved:
            return []
        basis = f"±{moved:.4g} N × 1, largest less smallest of {len(zeros)} readings at rest"
        return [Component(REFERENCE_ZERO, moved / math.sqrt(3.0), "B", shape="rectangular", basis=basis)]

    @property
    def seat_in_runs(self) -> bool:
        """True when three runs or more with re-seating show what the seat does, in the line from run to run."""
        return self.record.reseated and self.runs >= earned.ISO_RUNS

    def reading_lines(self, force_N: float) -> list[Component]:
        """Lines of one device reading at a force; newtons."""
        return reading_lines(self.record, self.curve, force_N, self.run_scatter)

    def lines_at(self, force_N: float) -> list[Component]:
        """Every line at a force but what the runs differ in; newtons."""
        record, curve, runs = self.record, self.curve, self.run_scatter
        return [
            *self.reference_lines(force_N),
            *reading_lines(record, curve, force_N, runs),
            *curve_lines(record, curve, force_N, runs),
        ]

    def budget_at(self, force_N: float) -> Budget:
        """Uncertainty of one device reading of rising force at `force_N` (N), in a stroke like the mean of many."""
        lines, runs = self.lines_at(force_N), self.run_scatter
        if (u := runs.mean_N(force_N)) > 0.0:
            lines.append(Component("run to run", u, "A", runs.means_dof, "t", runs.told(force_N)))
        elif runs.runs == 1:
            # At the least each run begins at a zero that is known to a converter step.
            slope = self.slope_at(force_N)
            half = self.record.header.counts_step / 2.0
            basis = f"±{half:g} counts × {slope:.5g} N/count"
            lines.append(
                Component(ONE_RUN, slope * half / math.sqrt(3.0), "B", shape="rectangular", basis=basis)
            )
        return combine(lines)

    def slope_at(self, force_N: float) -> float:
        """Return newtons a count at a force."""
        return self.curve.slope_N_per_count(self.curve.u_of_force(force_N))

    @property
    def not_included(self) -> list[str]:
        """What the budget has no line for."""
        return _not_included(self)

    def widening_at(self, force_N: float) -> float:
        """Return by how much Monte Carlo widens the budget at a force: between two levels, in proportion."""
        factors = [level.expanded_N / level.budget.expanded for level in self.levels]
        return float(np.interp(force_N, [level.force_N for level in self.levels], factors))

    def stated_at(self, force_N: float) -> Stated:
        """Return what is stated of one device reading at a force; at a level it is what the level states."""
        budget = self.budget_at(force_N)
        return Stated.of(budget, self.widening_at(force_N) * budget.expanded)

    @property
    def range_N(self) -> tuple[float, float]:
        """Least and largest rising force that the curve was fitted to, newtons."""
        forces = [self.record.force_N(self.record.points[i]) for i in self.curve.rising]
        return min(forces), max(forces)

    def inside(self, force_N: float) -> float:
        """Return the calibrated force nearest to `force_N`."""
        return min(max(force_N, self.levels[0].force_N), self.levels[-1].force_N)


def analyse(
    record: CalibrationRecord,
    where: str,
    degree: int | None = None,
    *,
    monte_carlo: bool = True,
    trials: int = TRIALS,
    seed: int = 1,
) -> Analysis:
    """Analyse a calibration record.

    where: name of its file, for messages; degree: 1 to 3, None chooses; monte_carlo: cross-check
    every level's budget with `trials` draws from `seed`. Raises BadInput, the row named, for
    nonsense, and when the points do not carry the degree.
    """
    refuse_nonsense(record, where)
    header, points = record.header, record.points
    curve = fit_curve(record, where, degree)
    force = np.asarray([record.force_N(points[i]) for i in curve.rising])
    residual = force - curve.value(curve.u_points)
    friction = _friction(record, curve, float(force.max()))
    curve.device.fields["friction_n"] = round(max(0.0, _friction_N(record, friction)))
    # The resolution as a force is largest where the curve is steepest.
    slope = max(curve.slope_N_per_count(u) for u in curve.u_points)
    resolution = slope * header.resolution_counts
    returned = record.worst_zero_return_counts
    f0 = None if returned is None else 100.0 * curve.slope_N_per_count(0.0) * returned / float(force.max())
    errors = level_errors(record, curve)
    scatter = run_scatter(record, curve)
    runs = scatter.runs
    disagreement = at_zero(record, curve, friction)
    partial = Analysis(
        record=record,
        curve=curve,
        friction=friction,
        levels=(),
        zero_error_percent=f0,
        zero_disagreement=disagreement,
        resolution_N=resolution,
        nameplate_ratio=nameplate_ratio(record),
        iso_class=None,
        iso_class_with_v=None,
        iso_lower_limit_N=None,
        iso_lacks=earned.iso_lacks(record, errors, runs),
        llf=None,
        e74_lacks=earned.e74_lacks(record, errors, runs),
        e4_ok=None,
        e4_lacks=earned.e4_lacks(record, errors, runs),
        outliers=tuple(
            record.row(curve.rising[i])
            for i in outlying(curve.u_points, residual / curve.point_sd_N, curve.degree)
        ),
        run_scatter=scatter,
        notes=(),
    )
    levels = _levels(partial, errors, f0, np.random.default_rng(seed) if monte_carlo else None, trials)
    done = _judge(replace(partial, levels=levels), errors)
    return replace(done, notes=tuple(_notes(done)))


def _friction(record: CalibrationRecord, curve: Curve, force_max: float) -> Friction | None:
    falling = [p for p in record.points if p.direction == "falling"]
    if not falling or record.header.reference.kind == "gauge":
        return None
    u = (np.asarray([p.counts for p in falling]) - round(record.header.zero_counts)) / 65536.0
    design = np.vander(u, curve.degree + 1, increasing=True)
    shared = np.asarray(design @ curve.covariance @ design.T, dtype=np.float64)
    force = np.asarray([record.force_N(p) for p in falling])
    return tell_apart(force, curve.value(u), force_max, shared, [p.run for p in falling])


def _friction_N(record: CalibrationRecord, friction: Friction | None) -> float:
    if record.header.reference.kind == "gauge":
        return record.header.assumed_friction_N
    return friction.friction_N if friction is not None and friction.significant else 0.0


def _levels(
    partial: Analysis,
    errors: Sequence[LevelErrors],
    f0: float | None,
    rng: np.random.Generator | None,
    trials: int,
) -> tuple[Level, ...]:
    curve, runs, levels = partial.curve, partial.run_scatter, []
    for e in errors:
        budget = partial.budget_at(e.force_N)
        header = partial.record.header
        a = (
            None
            if header.fluctuation_counts is None
            else 100.0 * partial.slope_at(e.force_N) * header.resolution_counts / e.force_N
        )
        check = (
            None
            if rng is None
            else check_budget(
                budget,
                e.force_N,
                curve.u_of_force(e.force_N),
                curve.u_points,
                runs.part * curve.point_sd_N,
                curve.degree,
                runs.within_dof,
                rng,
                trials,
            )
        )
        own = classes.machine_class(q=e.q_percent, b=e.b_percent, f0=f0, a=a)
        with_v = classes.machine_class(q=e.q_percent, b=e.b_percent, v=e.v_percent, f0=f0, a=a)
        levels.append(
            Level(e.force_N, e.q_percent, e.q_by_run, e.b_percent, e.v_percent, a, own, with_v, budget, check)
        )
    return tuple(levels)


def _judge(found: Analysis, errors: Sequence[LevelErrors]) -> Analysis:
    """Fill in the classes, the one per cent and the lower limit factor, as far as they were earned."""
    levels = found.levels
    if not found.e4_lacks:
        found = replace(found, e4_ok=classes.e4_passes([e.q_by_run for e in errors]))
    if not found.e74_lacks:
        found = replace(found, llf=_lower_limit_factor(found))
    good_enough = earned.reference_class(found.record, levels[0].force_N, tuple(classes.ISO_CLASSES))
    lacks = found.iso_lacks
    if good_enough is None and found.record.header.reference.kind == "load-cell":
        lacks = (*lacks, "the reference's own uncertainty at the lowest force is too large for any class")
    if lacks or good_enough is None:
        none = tuple(replace(level, iso_class=None, iso_class_with_v=None) for level in levels)
        return replace(found, levels=none, iso_lacks=lacks)
    levels = tuple(
        replace(
            level,
            iso_class=_worst([level.iso_class, good_enough]),
            iso_class_with_v=_worst([level.iso_class_with_v, good_enough]),
        )
        for level in levels
    )
    overall = _worst([level.iso_class for level in levels])
    limit = None if overall is None else classes.lower_limit(found.resolution_N, overall)
    return replace(
        found,
        levels=levels,
        iso_class=overall,
        iso_class_with_v=_worst([level.iso_class_with_v for level in levels]),
        iso_lower_limit_N=None if limit is None else max(levels[0].force_N, limit),
    )


def _lower_limit_factor(found: Analysis) -> classes.LowerLimitFactor:
    record, curve = found.record, found.curve
    force = curve.device.force_N
    deflection = curve.device.counts - record.header.zero_counts
    inverse = fit_polynomial([float(f) for f in force], [float(d) for d in deflection], curve.degree)
    above = force > 0.0
    return classes.lower_limit_factor(
        [float(f) for f in force[above]],
        [float(d) for d in deflection[above]],
        inverse.residuals,
        curve.degree,
        found.resolution_N,
    )


def _worst(found: list[float | None]) -> float | None:
    known = [c for c in found if c is not None]
    return max(known) if found and len(known) == len(found) else None


def _notes(found: Analysis) -> list[str]:
    header, curve = found.record.header, found.curve
    notes = [
        f"errors are judged on the {len(curve.rising)} points that the curve of {curve.degree + 1} coefficients was "
        f"fitted to: {curve.dof} degrees of freedom",
        *_not_included(found),
        *_seat(found),
    ]
    if warning := nameplate_warning(found.record):
        notes.append(warning)
    if found.zero_disagreement is not None and found.zero_disagreement.significant:
        notes.append(found.zero_disagreement.sentence)
    if taken_back := found.record.taken_back:
        rows = ", ".join(str(row) for row in taken_back)
        notes.append(f"taken back as mistyped by whoever calibrated, and kept in the journal: row {rows}")
    if header.zero_counts_after is None:
        notes.append("no reading at rest after the runs: the zero error is not judged")
    if header.reference.kind == "gauge":
        notes.append(
            "a gauge as the reference cannot see seal friction: the force rests on the friction assumed, and no "
            "reversibility v is stated"
        )
    for level in (found.levels[0], found.levels[-1]):
        own = combine(found.reference_lines(level.force_N)).expanded
        if own > POOR_REFERENCE_PART * level.force_N:
            notes.append(
                f"the reference alone may be wrong by ±{show(own, 'newton', 'N', 3)} at "
                f"{show(level.force_N, 'newton', 'N')}, {100.0 * own / level.force_N:.2g} % of the force"
            )
    if not found.record.digest:
        notes.append("the record carries no digests: a change to it would not show")
    if found.outliers:
        notes.append(f"out of line with the others: {', '.join(found.outliers)}; nothing was left out")
    return notes


def _not_included(found: Analysis) -> list[str]:
    """Say what the budget has no line for."""
    reference, said = found.record.header.reference, []
    if told := discrepancy_told(found.record):
        said.append(f"{told}: U does not cover it, and no measurement explains it")
    if found.record.header.fluctuation_counts is None:
        said.append(
            "fluctuation of the reading at rest: not included (it was not read; the line of the resolution is one "
            "converter step alone)"
        )
    if found.runs == 1:
        said.append(
            "run to run: not measured, since one run was taken; U has one converter step in its "
            "place and does not include what else another run would differ by"
        )
    if not reference.drift_percent:
        said.append(
            "drift of the reference between its certificates: not included (drift_percent is 0 in the header)"
        )
    if not found.record.header.temperature_span_K or not found.record.header.temperature_percent_per_K:
        said.append("temperature of the sensor: not included (its figures are 0 in the header)")
    if reference.kind == "load-cell":
        said.append(
            "temperature of the reference against that of its certificate: not included (the header has no figure)"
        )
    if reference.kind == "load-cell" and len(found.record.reference_zeros) < 2:
        said.append("zero of the reference between the runs: not included (it was not read)")
    if reference.kind == "load-cell" and not reference.seat_percent:
        said.append("tilted or rough seat of the reference: not included (seat_percent is 0 or missing)")
    elif found.seat_in_runs:
        said.append("what a seat does alike in every run, a crooked block for one: not included")
    return said


def _seat(found: Analysis) -> list[str]:
    """Say where the seat of a load cell is in the budget."""
    reference = found.record.header.reference
    if reference.kind == "gauge" or not reference.seat_percent:
        return []
    if found.seat_in_runs:
        return [
            "tilted or rough seat of the reference: what re-seating changes is measured, in the line run to run"
        ]
    return [
        f"tilted or rough seat of the reference: up to {reference.seat_percent:g} % of the force "
        f"({reference.seat_basis or 'by the header'})"
    ]
