"""Analysis of a calibration: the curve for the device, its errors, classes and uncertainty.

The device runs the rising branch, reading to force (see `device_poly`). Fitting is by least
squares; with an uncertainty given at each point it is weighted, and with one on both axes it is
orthogonal distance regression.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from steadyram.errors import BadInput
from steadyram.metrology import classes
from steadyram.metrology.both_axes import fit_both_axes
from steadyram.metrology.budget import Budget, Component, combine
from steadyram.metrology.checks import refuse_nonsense
from steadyram.metrology.device_poly import (
    DevicePolynomial,
    device_force,
    fit_device_polynomial,
    round_for_device,
)
from steadyram.metrology.exact_fit import fit_polynomial
from steadyram.metrology.friction import Friction, tell_apart
from steadyram.metrology.monte_carlo import TRIALS, MonteCarloCheck, check_budget
from steadyram.metrology.outliers import outlying
from steadyram.metrology.record import CalibrationRecord

Array = NDArray[np.float64]
Method = Literal["least squares", "weighted least squares", "orthogonal distance regression"]
NEXT_POWER_P = 0.01


@dataclass(frozen=True)
class Level:
    """One force of the calibration: relative errors (per cent) of the device's own polynomial.

    q: mean over the runs; b: spread over the runs, None for one run; v: reversibility or None.
    """

    force_N: float
    q_percent: float
    q_by_run: tuple[float, ...]
    b_percent: float | None
    v_percent: float | None
    a_percent: float
    iso_class: float | None
    iso_class_with_v: float | None
    budget: Budget
    monte_carlo: MonteCarloCheck | None


@dataclass(frozen=True)
class Analysis:
    """All that is known of a calibration; newtons and counts."""

    record: CalibrationRecord
    degree: int
    method: Method
    device: DevicePolynomial
    coefficients: tuple[float, ...]
    covariance: Array
    residual_sd: float
    dof: int
    point_sd_N: Array
    u_points: Array
    friction: Friction | None
    levels: tuple[Level, ...]
    zero_error_percent: float | None
    resolution_N: float
    iso_class: float | None
    iso_class_with_v: float | None
    iso_lower_limit_N: float | None
    llf: classes.LowerLimitFactor
    e4_ok: bool
    outliers: tuple[str, ...]
    run_effect_N: float
    runs: int
    notes: tuple[str, ...]

    def u_of_force(self, force_N: float) -> float:
        """Abscissa (counts - zero) / 65536 at which the fitted curve gives a force; by bisection."""
        low, high = float(self.u_points.min()) - 0.2, float(self.u_points.max()) + 0.2
        for _ in range(80):
            middle = (low + high) / 2
            if float(_curve(middle, self.coefficients)) < force_N:
                low = middle
            else:
                high = middle
        return (low + high) / 2

    def budget_at(self, force_N: float) -> Budget:
        """Uncertainty of one device reading of rising force at `force_N` (N)."""
        return combine(_components(self, force_N))


def _curve(u: Array | float, coefficients: Sequence[float]) -> Array:
    """The fitted polynomial in u = (counts - zero) / 65536."""
    return np.asarray(np.polynomial.polynomial.polyval(u, coefficients), dtype=np.float64)


def _components(analysis: Analysis, force_N: float) -> list[Component]:
    header = analysis.record.header
    u = analysis.u_of_force(force_N)
    powers = np.asarray([u**k for k in range(analysis.degree + 1)])
    slope = float(sum(k * c * u ** (k - 1) for k, c in enumerate(analysis.coefficients) if k)) / 65536.0
    order = np.argsort(analysis.u_points)
    scatter = float(np.interp(u, analysis.u_points[order], analysis.point_sd_N[order]))
    gauge = header.reference.kind == "gauge"
    reading = (force_N + header.assumed_friction_N) / header.area_m2 if gauge else force_N
    to_force = header.area_m2 if gauge else 1.0
    step = slope * header.counts_step
    after = header.zero_counts if header.zero_counts_after is None else header.zero_counts_after
    zero = slope * abs(after - header.zero_counts)
    reference = to_force * header.reference.standard_uncertainty(reading)
    read_step = to_force * header.reference.resolution / math.sqrt(12.0)
    curve = math.sqrt(max(0.0, float(powers @ analysis.covariance @ powers)))
    exact = _curve(analysis.u_points, analysis.coefficients)
    counts = analysis.device.counts
    rounding = float(np.abs(device_force(analysis.device.fields, counts) - exact).max())
    lines = [
        Component("reference", reference, "B"),
        Component("reference resolution", read_step, "B", shape="rectangular"),
        Component("curve", curve, "A", analysis.dof, "t"),
        Component("repeatability of a reading", scatter, "A", analysis.dof, "t"),
        Component("converter step", step / math.sqrt(12.0), "B", shape="rectangular"),
        Component("device's integers", max(0.5, rounding) / math.sqrt(3.0), "B", shape="rectangular"),
        Component("zero", zero / math.sqrt(3.0), "B", shape="rectangular"),
    ]
    if analysis.run_effect_N > 0.0:
        lines.append(Component("run to run", analysis.run_effect_N, "A", max(1, analysis.runs - 1), "t"))
    if header.temperature_percent_per_K and header.temperature_span_K:
        half = force_N * header.temperature_percent_per_K / 100.0 * header.temperature_span_K
        lines.append(Component("temperature", half / math.sqrt(3.0), "B", shape="rectangular"))
    if gauge:
        lines.append(Component("piston area", reading * header.area_m2 * header.area_u_percent / 100.0, "B"))
        if header.assumed_friction_u_N:
            lines.append(Component("assumed friction", header.assumed_friction_u_N, "B"))
    return [line for line in lines if line.u > 0.0]


def choose_degree(u: Array, force: Array, highest: int = 3) -> int:
    """Lowest degree whose next power is not significant (F test at 1 %), two levels to spare."""
    levels = len({round(float(v), 4) for v in force})
    degree = 1
    while degree < highest and levels >= degree + 4 and len(u) >= degree + 4:
        now = fit_polynomial([float(v) for v in u], [float(v) for v in force], degree)
        more = fit_polynomial([float(v) for v in u], [float(v) for v in force], degree + 1)
        if more.residual_ss <= 0.0:
            break
        ratio = (now.residual_ss - more.residual_ss) / (more.residual_ss / more.dof)
        if float(special.fdtrc(1, more.dof, max(0.0, ratio))) >= NEXT_POWER_P:
            break
        degree += 1
    return degree


def _group_levels(record: CalibrationRecord, rising: list[int]) -> list[list[int]]:
    """Indices of rising points, grouped into levels: by order within the runs, else by closeness."""
    by_run: dict[int, list[int]] = {}
    for i in rising:
        by_run.setdefault(record.points[i].run, []).append(i)
    forces = {i: record.force_N(record.points[i]) for i in rising}
    lengths = {len(v) for v in by_run.values()}
    top = max(forces.values())
    if len(lengths) == 1:
        groups = [list(group) for group in zip(*by_run.values(), strict=True)]
        if all(max(forces[i] for i in g) - min(forces[i] for i in g) <= 0.05 * top for g in groups):
            return groups
    groups = []
    for i in sorted(rising, key=lambda k: forces[k]):
        if groups and forces[i] - forces[groups[-1][0]] <= 0.02 * top:
            groups[-1].append(i)
        else:
            groups.append([i])
    return groups


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
    rising = [i for i, p in enumerate(points) if p.direction == "rising"]
    force = np.asarray([record.force_N(points[i]) for i in rising])
    counts = np.asarray([points[i].counts for i in rising])
    zero = round(header.zero_counts)
    u = (counts - zero) / 65536.0
    chosen = choose_degree(u, force) if degree is None else degree
    levels_n = len({round(float(v), 4) for v in force})
    if len(rising) <= chosen + 1 or levels_n <= chosen + 1:
        raise BadInput(
            f"{where}: {levels_n} different rising forces do not carry a degree of {chosen}; take more "
            f"points or a lower "
            "degree."
        )
    gauge = header.reference.kind == "gauge"
    to_force = header.area_m2 if gauge else 1.0
    stated = [points[i].u_reference for i in rising]
    method: Method = "least squares"
    if all(s is not None for s in stated):
        u_y = np.asarray([float(s) * to_force for s in stated if s is not None])
        u_x = np.asarray([points[i].counts_sd for i in rising]) / 65536.0
        if (u_x > 0.0).all():
            method = "orthogonal distance regression"
            both = fit_both_axes(u, force, u_x, u_y, chosen)
            coefficients, covariance, residual_sd = both.coefficients, both.covariance, both.residual_sd
            slope = _curve(u, np.polynomial.polynomial.polyder(coefficients).tolist())
            point_sd = residual_sd * np.sqrt(u_y**2 + (slope * u_x) ** 2)
            device = round_for_device(coefficients, force, counts, zero, 0.0)
        else:
            method = "weighted least squares"
            device = fit_device_polynomial(force, counts, zero, chosen, weights=[float(w) for w in u_y**-2.0])
            assert device.fit is not None
            coefficients, covariance = device.fit.coefficients, np.asarray(device.fit.covariance)
            residual_sd = device.fit.residual_sd
            point_sd = residual_sd * u_y
    else:
        device = fit_device_polynomial(force, counts, zero, chosen)
        assert device.fit is not None
        coefficients, covariance = device.fit.coefficients, np.asarray(device.fit.covariance)
        residual_sd = device.fit.residual_sd
        point_sd = np.full(len(force), residual_sd)
    point_sd = np.maximum(point_sd, 1e-6)
    dof = len(force) - chosen - 1
    curve = _curve(u, coefficients)
    slope_N = float((curve.max() - curve.min()) / (counts.max() - counts.min()))
    resolution = slope_N * header.counts_step

    falling = [i for i, p in enumerate(points) if p.direction == "falling"]
    fall_force = np.asarray([record.force_N(points[i]) for i in falling])
    fall_counts = np.asarray([points[i].counts for i in falling])
    fall_u = (fall_counts - zero) / 65536.0
    design = np.vander(fall_u, chosen + 1, increasing=True)
    shared = np.asarray(design @ covariance @ design.T, dtype=np.float64)
    friction = (
        tell_apart(fall_force, _curve(fall_u, coefficients), float(force.max()), shared)
        if falling and not gauge
        else None
    )
    friction_N = friction.friction_N if friction is not None and friction.significant else 0.0
    if gauge:
        friction_N = header.assumed_friction_N
    device.fields["friction_n"] = round(max(0.0, friction_N))

    residual = force - curve
    runs = sorted({points[i].run for i in rising})
    run_effect = _run_effect(residual, np.asarray([points[i].run for i in rising]))
    outliers = tuple(record.row(rising[i]) for i in outlying(u, residual / point_sd, chosen))
    above = [i for i in range(len(force)) if force[i] > 0.0]
    deflection = counts - header.zero_counts
    inverse = fit_polynomial([float(f) for f in force], [float(d) for d in deflection], chosen)
    llf = classes.lower_limit_factor(
        [float(force[i]) for i in above],
        [float(deflection[i]) for i in above],
        inverse.residuals,
        chosen,
        resolution,
    )
    f0 = None
    if header.zero_counts_after is not None:
        residual_zero = slope_N * (header.zero_counts_after - header.zero_counts)
        f0 = 100.0 * residual_zero / float(force.max())
    notes = []
    if len(runs) < 3:
        notes.append(
            f"{len(runs)} rising run(s): ISO 7500-1 asks for three; repeatability rests on few readings"
        )
    if header.zero_counts_after is None:
        notes.append("no reading at rest after the runs: the zero error is not judged")
    if gauge:
        notes.append(
            "a gauge as the reference cannot see seal friction: the force rests on the friction assumed"
        )
    if outliers:
        notes.append(f"out of line with the others: {', '.join(outliers)}; nothing was left out")
    partial = Analysis(
        record=record,
        degree=chosen,
        method=method,
        device=device,
        coefficients=tuple(float(c) for c in coefficients),
        covariance=covariance,
        residual_sd=residual_sd,
        dof=dof,
        point_sd_N=point_sd,
        u_points=u,
        friction=friction,
        levels=(),
        zero_error_percent=f0,
        resolution_N=resolution,
        iso_class=None,
        iso_class_with_v=None,
        iso_lower_limit_N=None,
        llf=llf,
        e4_ok=False,
        outliers=outliers,
        run_effect_N=run_effect,
        runs=len(runs),
        notes=tuple(notes),
    )
    rng = np.random.default_rng(seed)
    levels = []
    indicated = device_force(device.fields, counts)
    position = {index: k for k, index in enumerate(rising)}
    level_q: list[tuple[float, float]] = []
    groups = [g for g in _group_levels(record, rising) if np.mean([force[position[i]] for i in g]) > 0.0]
    for group in groups:
        at = [position[i] for i in group]
        level_q.append((float(np.mean(indicated[at])), float(np.mean(indicated[at] - force[at]))))
    fall_indicated = device_force(device.fields, fall_counts)
    for group in groups:
        at = [position[i] for i in group]
        mean = float(np.mean(force[at]))
        by_run = tuple(classes.indication_error(float(indicated[k]), float(force[k])) for k in at)
        q, b = float(np.mean(by_run)), (max(by_run) - min(by_run) if len(by_run) > 1 else None)
        v = _reversibility(mean, fall_force, fall_indicated, level_q, float(force.max()))
        a = 100.0 * resolution / mean
        budget = partial.budget_at(mean)
        mc = (
            check_budget(budget, mean, partial.u_of_force(mean), u, point_sd, chosen, dof, rng, trials)
            if monte_carlo
            else None
        )
        levels.append(
            Level(
                force_N=mean,
                q_percent=q,
                q_by_run=by_run,
                b_percent=b,
                v_percent=v,
                a_percent=a,
                iso_class=classes.machine_class(q=q, b=b, f0=f0, a=a),
                iso_class_with_v=classes.machine_class(q=q, b=b, v=v, f0=f0, a=a),
                budget=budget,
                monte_carlo=mc,
            )
        )
    overall = _worst([level.iso_class for level in levels])
    lowest = None if overall is None else max(levels[0].force_N, classes.lower_limit(resolution, overall))
    return replace(
        partial,
        levels=tuple(levels),
        iso_class=overall,
        iso_class_with_v=_worst([level.iso_class_with_v for level in levels]),
        iso_lower_limit_N=lowest,
        e4_ok=classes.e4_passes([level.q_by_run for level in levels]),
    )


def _worst(found: list[float | None]) -> float | None:
    known = [c for c in found if c is not None]
    return max(known) if found and len(known) == len(found) else None


def _run_effect(residual: Array, run: NDArray[np.int_]) -> float:
    """Standard uncertainty (N) of the mean curve from offsets between runs, 0 when not significant (5 %)."""
    labels = sorted(set(run.tolist()))
    if len(labels) < 2 or len(residual) <= len(labels):
        return 0.0
    groups = [residual[run == label] for label in labels]
    if min(len(g) for g in groups) < 2:
        return 0.0
    within_ss = sum(float(((g - g.mean()) ** 2).sum()) for g in groups)
    within = within_ss / (len(residual) - len(labels))
    size = len(residual) / len(labels)
    between = size * float(np.var([g.mean() for g in groups], ddof=1))
    if (
        within <= 0.0
        or float(special.fdtrc(len(labels) - 1, len(residual) - len(labels), between / within)) > 0.05
    ):
        return 0.0
    return math.sqrt(max(0.0, between - within) / size / len(labels))


def _reversibility(
    mean: float, fall_force: Array, fall_indicated: Array, level_error: list[tuple[float, float]], top: float
) -> float | None:
    """v in per cent near a level: true falling less true rising force at the same indication, over "
    "the latter."""
    if not len(fall_force):
        return None
    nearest = int(np.argmin(np.abs(fall_force - mean)))
    if abs(fall_force[nearest] - mean) > 0.05 * top:
        return None
    indication = float(fall_indicated[nearest])
    error = float(np.interp(indication, [i for i, _ in level_error], [e for _, e in level_error]))
    rising = indication - error
    return 100.0 * (float(fall_force[nearest]) - rising) / rising if rising > 0.0 else None
