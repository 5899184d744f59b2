"""A season figure on every basis: one small figure a domain, a point and an interval a basis."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analytics.quantities import QUANTITIES, QuantityKind
from dashboard import numbers, reasons
from dashboard.alternative_estimates import bases as reckoned
from dashboard.charts import drawing, forest
from dashboard.charts.drawing import Point
from dashboard.charts.forest import Group

if TYPE_CHECKING:
    from collections.abc import Sequence

    import plotly.graph_objects as go

    from dashboard.alternative_estimates.bases import Reading
    from dashboard.charts.theme import Palette

#: The signs of the figure with their words.
SIGNS = (
    ("●", "estimate"),
    ("◇", "stated assumption"),
    ("━", "interval"),
    ("┊", "the figure as sampled, its interval behind"),
    ("×", "no figure"),
)
#: Signs that are not drawn in the colour of estimates, and the colour of the palette they have.
HUES = {"◇": "copper", "×": "quiet"}
CUT = ("▶", "the interval runs on")


def panel(found: Sequence[Reading], *, palette: Palette) -> go.Figure:
    """Draw one quantity of one domain; one basis or more, the usual one first."""
    top = reach(found)
    groups = [
        Group(
            [_point(at, one) for at, one in enumerate(found) if one.is_assumed is is_assumed],
            colour,
            symbol,
        )
        for is_assumed, colour, symbol in (
            (False, palette.sea, "circle"),
            (True, palette.copper, "diamond-open"),
        )
    ]
    usual, shapes = found[0].row, []
    if usual.ci_low is not None and usual.ci_high is not None:
        ends = usual.ci_low, min(usual.ci_high, top)
        shapes.append(drawing.shade(*ends, colour=palette.sea, opacity=0.10))
    if usual.estimate is not None:
        shapes.append(drawing.across(usual.estimate, colour=palette.sea, width=1.2))
    return forest.rows(
        groups,
        labels=[reckoned.short(one.basis) for one in found],
        ends=(-math.inf, top),
        palette=palette,
        shapes=shapes,
        xaxis={
            "range": [0, top],
            "tickformat": ".0%" if _is_share(found) else ",.2~f",
            "nticks": 5,
        },
    )


def _is_share(found: Sequence[Reading]) -> bool:
    return QUANTITIES[found[0].row.quantity].kind is QuantityKind.SHARE


def reach(found: Sequence[Reading]) -> float:
    """Return the end of the value axis; intervals that extend beyond it are marked."""
    known = [one.row for one in found if one.row.estimate is not None]
    values, highs = ([getattr(row, of) or 0.0 for row in known] for of in ("estimate", "ci_high"))
    return forest.ceiling(values, highs, is_share=_is_share(found))


def is_cut(found: Sequence[Reading]) -> bool:
    """Return whether an interval extends beyond the panel."""
    return any((one.row.ci_high or 0.0) > reach(found) for one in found)


def description(found: Sequence[Reading], *, where: str) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    label = QUANTITIES[found[0].row.quantity].label
    parts = [f"{reckoned.short(one.basis)} {numbers.figure(one.row)}" for one in found]
    return f"{label}, {where}, by how it is calculated: {'; '.join(parts)}."


def _point(at: int, one: Reading) -> Point:
    row = one.row
    lines = [numbers.figure(row), reasons.precision(row)]
    lines += [" ".join(reasons.caution(row)).strip(), reasons.behind(row)]
    words = drawing.hover(reckoned.whole(one.basis), *lines)
    return Point(at, row.estimate, row.ci_low, row.ci_high, words)
