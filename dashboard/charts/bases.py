"""A season figure on every basis: one small figure a domain, a point and an interval a basis."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.quantities import QUANTITIES, QuantityKind
from analytics.wording import numbers, reasons
from analytics.wording.numbers import NumberKind
from dashboard.alternative_estimates import bases
from dashboard.catalogue import phrase, say
from dashboard.charts import drawing, forest
from dashboard.charts.forest import ForestRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.palette import Palette
    from dashboard.alternative_estimates.bases import Reading
    from dashboard.charts.drawing import Figure

#: The signs of the figure with their words.
SIGNS = (
    ("●", phrase("estimate")),
    ("◇", phrase("stated assumption")),
    ("━", phrase("interval")),
    ("┊", phrase("the figure as sampled, its interval behind")),
    ("×", phrase("no figure")),
)
#: Signs that are not drawn in the colour of estimates, and the colour of the palette they have.
HUES = {"◇": "copper", "×": "quiet"}


def panel(found: Sequence[Reading], *, palette: Palette) -> Figure:
    """Draw one quantity of one domain; one basis or more, the usual one first."""
    usual, rows, shades = found[0].row, forest_rows(found), []
    if usual.ci_low is not None and usual.ci_high is not None:
        ends = usual.ci_low, min(usual.ci_high, forest.axis_end(rows))
        shades.append(drawing.shade(*ends, colour=palette.sea, opacity=0.10))
    if usual.estimate is not None:
        shades.append(drawing.across(usual.estimate, colour=palette.sea, width=1.2))
    return forest.figure(rows, palette=palette, shapes=shades)


def is_cut(found: Sequence[Reading]) -> bool:
    """Return whether an interval extends beyond the panel."""
    return forest.is_cut(forest_rows(found))


def description(found: Sequence[Reading], *, where: str) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    label = QUANTITIES[found[0].row.quantity].label
    parts = [f"{bases.short(one.basis)} {numbers.figure(one.row)}" for one in found]
    return say(
        "{quantity}, {where}, by how it is calculated: {figures}.",
        quantity=label,
        where=where,
        figures="; ".join(parts),
    )


def forest_rows(found: Sequence[Reading]) -> list[ForestRow]:
    """Return the bases as lines of a figure."""
    is_share = QUANTITIES[found[0].row.quantity].kind is QuantityKind.SHARE
    rows = []
    for one in found:
        amount = numbers.of_row(one.row, NumberKind.SHARE if is_share else NumberKind.COUNT)
        lines = [numbers.figure(one.row), reasons.precision(one.row)]
        lines += [" ".join(reasons.caution(one.row)).strip(), reasons.behind(one.row)]
        words = drawing.hover(bases.whole(one.basis), *lines)
        hue = "copper" if one.is_assumed else "sea"
        rows.append(ForestRow(bases.short(one.basis), amount, hue=hue, hover=words))
    return rows
