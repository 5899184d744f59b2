"""A small figure of the last weeks of one area: a point and its interval a week."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.wording.bulletin_index import monday
from dashboard.charts import drawing

if TYPE_CHECKING:
    from collections.abc import Sequence

    import plotly.graph_objects as go

    from analytics.palette import Palette
    from dashboard.charts.drawing import Point

_HEIGHT = 150


def figure(
    points: Sequence[Point], *, weeks: Sequence[str], labels: Sequence[str], palette: Palette
) -> go.Figure:
    """Draw weeks across; `labels` name the weeks, of which the first and the last are shown."""
    lines = [
        (weeks[int(one.at)], monday(weeks[int(one.at)]).isoformat(), one.value, one.low, one.high)
        for one in points
    ]
    highs = [end for one in points for end in (one.value, one.high) if end is not None]
    values = [one.value for one in points if one.value is not None]
    top = min(max(highs, default=1.0), 2.5 * max(values, default=1.0)) or 1.0
    ends = (0.0, 1.08 * top)
    last = len(labels) - 1
    traces = [
        drawing.intervals(points, colour=palette.sea, ends=ends),
        drawing.marks(points, colour=palette.sea, size=8, ends=ends),
        drawing.cuts(points, ends=ends, colour=palette.sea),
        drawing.gaps(points, ends=ends, palette=palette),
    ]
    return drawing.figure(
        traces,
        palette=palette,
        height=_HEIGHT,
        margin=(26, 24, 6, 24),
        xaxis={
            "tickvals": [0, last],
            "ticktext": [labels[0], labels[last]],
            "range": [-0.6, last + 0.6],
            "showgrid": False,
        },
        yaxis={"range": list(ends), "nticks": 4, "rangemode": "tozero", "tickformat": ",~g"},
        meta=drawing.data(("week", "first_day", "estimate", "ci_low", "ci_high"), lines),
    )
