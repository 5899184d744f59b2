"""A variance split into shares: one bar a line, the largest on top."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.rounding import percent
from dashboard.charts import drawing, forest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.palette import Palette
    from dashboard.alternative_estimates.variance import Share
    from dashboard.charts.drawing import Figure

#: Room beside the longest bar for its number, as a part of the bar.
BESIDE = 1.28


def bars(found: Sequence[Share], *, palette: Palette) -> Figure:
    """Draw one share or more as bars with their numbers."""
    labels = [drawing.label(one.label, forest.LABEL_WIDTH) for one in found]
    values = [percent(one.share) for one in found]
    words = [drawing.hover(one.label, f"{percent(one.share)} of the variance") for one in found]
    trace = drawing.trace(
        "bar",
        x=[one.share for one in found],
        y=list(range(len(found))),
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
    more = max(one.count("<br>") for one in labels)
    line_height = forest.LINE_HEIGHT + forest.MORE_HEIGHT * more
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


def description(found: Sequence[Share], *, of: str) -> str:
    """Return a sentence that stands for a figure where it cannot be seen."""
    return f"{of}: {'; '.join(f'{one.label} {percent(one.share)}' for one in found)}."
