"""The strike list of a bend list: one page to print and take to the press, with room for what is measured there."""

from __future__ import annotations

import math
from html import escape

from steadyram.bending.bend_list import BendList, plan_list
from steadyram.bending.correction import SheetCorrection
from steadyram.bending.crowning import stop_depth_m
from steadyram.bending.gauging import gauge_words
from steadyram.bending.plan import CAUTION
from steadyram.bending.procedure import TOLERANCE_RAD
from steadyram.config import preferences

_STYLE = (
    "body{font:12pt sans-serif;margin:1.5cm}table{border-collapse:collapse;width:100%}"
    "th,td{border:1px solid #000;padding:6px;text-align:left;vertical-align:top}"
    "td.room{min-width:2.2cm;height:1.2cm}thead{display:table-header-group}tr{break-inside:avoid}"
    "@page{size:A4 landscape;margin:1cm}"
)
COLUMNS = (
    "bend",
    "included angle",
    "back gauge",
    "first strike to",
    "planned depth",
    "springback",
    "force",
    "measured, strike 1",
    "strike 2",
    "strike 3",
)


def strike_rows(bends: BendList) -> list[tuple[str, ...]]:
    """Return one row a bend, in the order of `COLUMNS`; the columns for what is measured are empty.

    The first strike stays on the open side (`SheetCorrection.cautious_depth_m`). Raises BadInput as `plan_list` does.
    """
    rows: list[tuple[str, ...]] = []
    for each in plan_list(bends):
        plan = each.plan
        correction = SheetCorrection(bends.tooling, bends.sheet)
        depth_m = correction.cautious_depth_m(each.bend.bend_rad + TOLERANCE_RAD)
        stop_m = stop_depth_m(depth_m, plan.load.estimate.force_N, bends.bed)
        low, high = (
            math.degrees(rad) for rad in (plan.springback_band.low_rad, plan.springback_band.high_rad)
        )
        rows.append(
            (
                f"{each.number} {each.bend.name}".strip(),
                f"{math.degrees(each.bend.angle):.4g} deg",
                gauge_words(bends, each.number) or "not given",
                f"{stop_m * 1e3:.2f} mm",
                f"{plan.stop_m * 1e3:.2f} mm",
                f"{low:.1f} to {high:.1f} deg",
                preferences().force(plan.load.estimate.force_N, 3),
                "",
                "",
                "",
            )
        )
    return rows


def strike_page(bends: BendList, title: str) -> str:
    """Return the strike list as one HTML page that prints on A4, nothing loaded from elsewhere."""
    head = "".join(f"<th>{escape(name)}</th>" for name in COLUMNS)
    body = "".join(
        "<tr>"
        + "".join(
            f'<td class="room">{escape(text)}</td>' if not text else f"<td>{escape(text)}</td>"
            for text in row
        )
        + "</tr>"
        for row in strike_rows(bends)
    )
    sheet = bends.sheet
    told = (
        f"Sheet {sheet.name or 'as given'}, {sheet.thickness_m * 1e3:.3g} mm; opening "
        f"{bends.tooling.opening * 1e3:.4g} mm, punch radius {bends.tooling.punch_radius * 1e3:.3g} mm. "
        "Depths count from where the punch touches flat sheet. "
        "Edge A is the edge that positions count from: mark it."
    )
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{escape(title)}</title><style>{_STYLE}</style>'
        f"<h1>{escape(title)}</h1><p>{escape(told)}</p><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
        f"<p>Caution: {escape(CAUTION)}</p></html>\n"
    )
