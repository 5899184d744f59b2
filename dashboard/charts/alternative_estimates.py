"""What a season figure depends on: an interval a basis, and the parts of its variance as bars."""

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
    from collections.abc import Mapping, Sequence

    from analytics.palette import Palette
    from dashboard.alternative_estimates.bases import Reading
    from dashboard.alternative_estimates.tables import Share
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


#: Room beside the longest bar for its number, as a part of the bar.
BESIDE = 1.12
#: Pixels of a line; there are many.
LINE_HEIGHT = 22


def variance_bars(splits: Mapping[str, Sequence[Share]], *, palette: Palette) -> Figure:
    """Draw splits, each of one share or more, as bars with their numbers below its name."""
    labels: list[str] = []
    places: list[int] = []
    found: list[Share] = []
    for name, shares in splits.items():
        labels.append(f"<b>{drawing.escape(name)}</b>")
        places += range(len(labels), len(labels) + len(shares))
        labels += [drawing.label(one.label, forest.LABEL_WIDTH) for one in shares]
        found += shares
    values = [one.words for one in found]
    words = [
        drawing.hover(one.label, say("{share} of the variance", share=one.words)) for one in found
    ]
    trace = drawing.trace(
        "bar",
        x=[one.share for one in found],
        y=places,
        orientation="h",
        width=0.62,
        text=values,
        hovertext=words,
        hovertemplate="%{hovertext}<extra></extra>",
        textposition="outside",
        textfont={"color": palette.ink},
        cliponaxis=False,
        marker={"color": palette.sea},
    )
    is_long = any("<br>" in one for one in labels)
    line_height = LINE_HEIGHT + forest.MORE_HEIGHT * is_long
    top = BESIDE * max(one.share for one in found)
    return drawing.figure(
        [trace],
        palette=palette,
        height=line_height * len(labels) + 40,
        margin=(8, 18, 6, 26),
        xaxis=drawing.axis(
            range=[min(0.0, *(one.share for one in found)), top], tickformat=".0%", nticks=4
        ),
        yaxis=drawing.lines_down(labels, palette=palette),
        meta=drawing.data(
            ("split", "part", "label", "share_of_variance"),
            [
                (name, one.part or None, one.label, one.share)
                for name, shares in splits.items()
                for one in shares
            ],
        ),
    )


def variance_description(splits: Mapping[str, Sequence[Share]], *, of: str) -> str:
    """Return sentences that stand for a figure where it cannot be seen."""
    parts = [
        f"{name}: {'; '.join(f'{one.label} {one.words}' for one in found)}."
        for name, found in splits.items()
    ]
    return " ".join([f"{of}.", *parts])
