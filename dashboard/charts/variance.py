"""A variance split into shares in one way or more: one bar a line, the largest on top."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from analytics.rounding import percent
from dashboard.catalogue import say
from dashboard.charts import drawing, forest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.palette import Palette
    from dashboard.alternative_estimates.variance import Share
    from dashboard.charts.drawing import Figure

#: Room beside the longest bar for its number, as a part of the bar.
BESIDE = 1.12
#: Pixels of a line; there are many.
LINE_HEIGHT = 22


def bars(splits: Mapping[str, Sequence[Share]], *, palette: Palette) -> Figure:
    """Draw splits, each of one share or more, as bars with their numbers below its name."""
    labels: list[str] = []
    places: list[int] = []
    found: list[Share] = []
    for name, shares in splits.items():
        labels.append(f"<b>{escape(name)}</b>")
        places += range(len(labels), len(labels) + len(shares))
        labels += [drawing.label(one.label, forest.LABEL_WIDTH) for one in shares]
        found += shares
    values = [percent(one.share) for one in found]
    words = [
        drawing.hover(one.label, say("{share} of the variance", share=percent(one.share)))
        for one in found
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
    )


def description(splits: Mapping[str, Sequence[Share]], *, of: str) -> str:
    """Return sentences that stand for a figure where it cannot be seen."""
    parts = [
        f"{name}: {'; '.join(f'{one.label} {percent(one.share)}' for one in found)}."
        for name, found in splits.items()
    ]
    return " ".join([f"{of}.", *parts])
