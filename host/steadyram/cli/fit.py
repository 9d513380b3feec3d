"""`steadyram fit`: a polynomial through calibration points."""

from __future__ import annotations

import json
from pathlib import Path

import click
import scipy
from rich.console import Console
from rich.table import Table

from steadyram.errors import BadInput
from steadyram.metrology.exact_fit import DEGREES, PolynomialFit, fit_polynomial
from steadyram.metrology.points_file import read_points, refuse_wrong_magnitude, refuse_wrong_way

# Below it the polynomial leaves more than a hundredth of the readings' variation unexplained (common practice, no
# source; a press transducer's calibration is above 0.999).
POOR_R_SQUARED = 0.99


def _poor(result: PolynomialFit) -> list[str]:
    """A warning if the fit should not be relied on."""
    if not result.r_squared < POOR_R_SQUARED:
        return []
    return [
        f"the fit is poor: R squared {result.r_squared:.3g} is below {POOR_R_SQUARED:g}; look at the residuals for a "
        "point typed wrong, another unit or another curve before relying on it."
    ]


def _higher_term(points_fit: PolynomialFit, higher: PolynomialFit | None) -> tuple[float | None, str | None]:
    """F test of one more power (Draper and Smith, from memory): p-value and a sentence if it is needed."""
    if higher is None or higher.residual_ss <= 0.0:
        return None, None
    ratio = (points_fit.residual_ss - higher.residual_ss) / (higher.residual_ss / higher.dof)
    p_value = float(scipy.special.fdtrc(1, higher.dof, max(0.0, ratio)))
    if p_value < 0.001:
        times = points_fit.residual_sd / higher.residual_sd
        return p_value, (
            f"One more power fits clearly better: the residual standard deviation falls {times:.3g} times "
            f"(F test, p = {p_value:.1g})."
        )
    return p_value, None


@click.command("fit")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--model", type=click.Choice(list(DEGREES)), required=True, help="Polynomial to fit.")
@click.option("--weights", "weights_column", metavar="COLUMN", help="Column with weights, 1/sigma squared.")
@click.option("--keep-outliers", is_flag=True, help="Fit points that are out of scale with the others, too.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def fit(file: Path, model: str, weights_column: str | None, keep_outliers: bool, as_json: bool) -> None:
    """Fit a polynomial to the points of a CSV file.

    It fits reading as a function of reference (CSV: reference,reading[,direction]). For a calibration use
    `calibration analyse`, which is stricter.
    """
    points = read_points(file, weights_column=weights_column)
    refuse_wrong_way(points, str(file))
    degree = DEGREES[model]
    result = fit_polynomial(points.reference, points.reading, degree, points.weights)
    if not keep_outliers:
        try:
            refuse_wrong_magnitude(points.lines, points.reference, points.reading, str(file))
        except BadInput as slip:
            raise BadInput(f"{str(slip).rstrip('.')}, or fit it all the same with --keep-outliers.") from None
    distinct = len(set(points.reference))
    higher = (
        fit_polynomial(points.reference, points.reading, degree + 1, points.weights)
        if distinct >= degree + 2 and len(points.lines) > degree + 2
        else None
    )
    p_value, advice = _higher_term(result, higher)
    warnings = _poor(result)
    for warning in warnings:
        click.echo(f"Warning: {warning}", err=True)
    if as_json:
        document = {
            "model": model,
            "n": len(points.lines),
            "degrees_of_freedom": result.dof,
            "coefficients": list(result.coefficients),
            "standard_errors": list(result.standard_errors),
            "covariance": [list(row) for row in result.covariance],
            "residual_sd": result.residual_sd,
            "residual_ss": result.residual_ss,
            "regression_ss": result.regression_ss,
            "r_squared": result.r_squared,
            "f_statistic": result.f_statistic,
            "next_power_p_value": p_value,
            "residuals": list(result.residuals),
            "advice": [advice] if advice else [],
            "warnings": warnings,
        }
        click.echo(json.dumps(document, allow_nan=False))
        return
    table = Table(title=f"{model}, {len(points.lines)} points, {result.dof} degrees of freedom")
    table.add_column("coefficient")
    table.add_column("value", justify="right")
    table.add_column("standard error", justify="right")
    for power, (b, s) in enumerate(zip(result.coefficients, result.standard_errors, strict=True)):
        table.add_row(f"b{power}", f"{b:.15g}", f"{s:.6g}")
    Console().print(table)
    click.echo(f"residual standard deviation {result.residual_sd:.6g}; R squared {result.r_squared:.12g}")
    if advice:
        click.echo(advice)
