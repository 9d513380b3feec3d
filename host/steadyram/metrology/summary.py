"""An analysis as a JSON-ready document; each key carries its unit."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from steadyram.metrology.analyse import Analysis, Level
from steadyram.metrology.budget import stated
from steadyram.metrology.stroke import StrokeScatter, stroke_budget, stroke_stated


def analysis_document(analysis: Analysis, scatter: StrokeScatter | None = None) -> dict[str, Any]:
    """Return everything that the analysis found. Standards' terms that were not earned are null.

    scatter: what the device has measured from stroke to stroke, if anything.
    """
    scatter = scatter or StrokeScatter()
    friction, curve, llf = analysis.friction, analysis.curve, analysis.llf
    at_zero = analysis.zero_disagreement
    return {
        "method": curve.method,
        "degree": curve.degree,
        "coefficients_N": list(curve.coefficients),
        "residual_sd": curve.residual_sd,
        "degrees_of_freedom": curve.dof,
        "device": analysis.device.fields,
        "device_residual_N": [float(v) for v in analysis.device.residual_N],
        "friction": None
        if friction is None
        else {
            "friction_N": friction.friction_N,
            "u_friction_N": friction.u_friction_N,
            "hysteresis_N": friction.hysteresis_N,
            "u_hysteresis_N": friction.u_hysteresis_N,
            "degrees_of_freedom": friction.dof,
            "separated": friction.separated,
        },
        "levels": [_level(analysis, v, scatter) for v in analysis.levels],
        "zero_error_percent": analysis.zero_error_percent,
        "zero_disagreement": None
        if at_zero is None
        else {"force_N": at_zero.force_N, "u_N": at_zero.u_N, "significant": at_zero.significant},
        "nameplate_ratio": analysis.nameplate_ratio,
        "resolution_N": analysis.resolution_N,
        "iso_7500_1_class": analysis.iso_class,
        "iso_7500_1_class_with_reversibility": analysis.iso_class_with_v,
        "iso_7500_1_from_N": analysis.iso_lower_limit_N,
        "iso_7500_1_lacks": list(analysis.iso_lacks),
        "astm_e74": None
        if llf is None
        else {
            "lower_limit_factor_N": llf.llf,
            "class_a_from_N": llf.class_a_from,
            "class_aa_from_N": llf.class_aa_from,
        },
        "astm_e74_lacks": list(analysis.e74_lacks),
        "astm_e4_kept": analysis.e4_ok,
        "astm_e4_lacks": list(analysis.e4_lacks),
        "outliers": list(analysis.outliers),
        "notes": list(analysis.notes),
        "due": None if (due := analysis.record.header.due) is None else due.isoformat(),
    }


def _level(analysis: Analysis, v: Level, scatter: StrokeScatter) -> dict[str, Any]:
    stroke = stroke_budget(analysis, v.force_N, scatter)
    told = stroke_stated(analysis, v.force_N, scatter)
    return {
        "force_N": v.force_N,
        "q_percent": v.q_percent,
        "b_percent": v.b_percent,
        "v_percent": v.v_percent,
        "a_percent": v.a_percent,
        "iso_7500_1_class": v.iso_class,
        "iso_7500_1_class_with_reversibility": v.iso_class_with_v,
        "budget": asdict(stated(v.budget)),
        "expanded_N": v.expanded_N,
        "coverage_factor": v.coverage_factor,
        "stroke_expanded_N": None if told is None else told.expanded_N,
        "stroke_coverage_factor": None if told is None else told.coverage_factor,
        "stroke_budget": None if stroke is None else asdict(stated(stroke)),
        "monte_carlo_expanded_N": None if v.monte_carlo is None else v.monte_carlo.expanded_N,
        "monte_carlo_agrees": None if v.monte_carlo is None else v.monte_carlo.agrees,
    }
