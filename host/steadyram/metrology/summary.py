"""An analysis as a JSON-ready document; each key carries its unit."""

from __future__ import annotations

import math
from typing import Any

from steadyram.metrology.analyse import Analysis
from steadyram.metrology.budget import Budget


def budget_document(budget: Budget) -> dict[str, Any]:
    """A budget, infinite degrees of freedom written as null."""
    return {
        "combined_N": budget.combined,
        "effective_dof": budget.effective_dof if math.isfinite(budget.effective_dof) else None,
        "coverage_factor": budget.coverage_factor,
        "expanded_N": budget.expanded,
        "level": budget.level,
        "components": [
            {
                "name": c.name,
                "u_N": c.u,
                "type": c.kind,
                "dof": c.dof if math.isfinite(c.dof) else None,
                "share": budget.share(c),
            }
            for c in budget.components
        ],
    }


def analysis_document(analysis: Analysis) -> dict[str, Any]:
    """Everything that the analysis found."""
    friction = analysis.friction
    return {
        "method": analysis.method,
        "degree": analysis.degree,
        "coefficients_N": list(analysis.coefficients),
        "residual_sd": analysis.residual_sd,
        "degrees_of_freedom": analysis.dof,
        "device": analysis.device.fields,
        "device_residual_N": [float(v) for v in analysis.device.residual_N],
        "friction": None
        if friction is None
        else {
            "friction_N": friction.friction_N,
            "u_friction_N": friction.u_friction_N,
            "hysteresis_N": friction.hysteresis_N,
            "u_hysteresis_N": friction.u_hysteresis_N,
        },
        "levels": [
            {
                "force_N": v.force_N,
                "q_percent": v.q_percent,
                "b_percent": v.b_percent,
                "v_percent": v.v_percent,
                "a_percent": v.a_percent,
                "iso_7500_1_class": v.iso_class,
                "iso_7500_1_class_with_reversibility": v.iso_class_with_v,
                "budget": budget_document(v.budget),
                "monte_carlo_expanded_N": None if v.monte_carlo is None else v.monte_carlo.expanded_N,
                "monte_carlo_agrees": None if v.monte_carlo is None else v.monte_carlo.agrees,
            }
            for v in analysis.levels
        ],
        "zero_error_percent": analysis.zero_error_percent,
        "resolution_N": analysis.resolution_N,
        "iso_7500_1_class": analysis.iso_class,
        "iso_7500_1_class_with_reversibility": analysis.iso_class_with_v,
        "iso_7500_1_from_N": analysis.iso_lower_limit_N,
        "astm_e74": {
            "lower_limit_factor_N": analysis.llf.llf,
            "class_a_from_N": analysis.llf.class_a_from,
            "class_aa_from_N": analysis.llf.class_aa_from,
        },
        "astm_e4_kept": analysis.e4_ok,
        "outliers": list(analysis.outliers),
        "notes": list(analysis.notes),
        "due": analysis.record.header.due.isoformat(),
    }
