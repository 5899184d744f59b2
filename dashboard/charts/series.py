"""Weeks across, one small figure an area: trends with every interval, and the sublegal share."""

from __future__ import annotations

import math
from html import escape
from typing import TYPE_CHECKING, Any

from analytics.quantities import QUANTITIES, QuantityKind
from analytics.wording import numbers, reasons
from analytics.wording.marks import drawn_interval, estimated, mark
from dashboard.charts import drawing
from dashboard.charts.drawing import Point, weeks_across

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import plotly.graph_objects as go

    from analytics.palette import Palette
    from analytics.wording.bulletin_index import Row

HEIGHT, SHARE_HEIGHT = 190, 225
#: The sign of an interval that extends above its panel, with its words.
CUT = ("▲", "the interval extends above the panel, or is too wide to be useful")
#: The signs of the pooled line with their words, and their colour.
SHARE_SIGNS = (("━", "model estimate (partial pooling)"), ("▒", "its interval"))
SHARE_HUES = {"━": "copper", "▒": "copper"}
#: How far the band reaches beyond its first and last week, so that a single week has one.
_END = 0.3
#: The axis of shares is never shorter, so that small moves stay small.
_LEAST_SPAN = 0.4


def panel(
    rows: Sequence[Row | None],
    *,
    weeks: Sequence[str],
    chosen: str,
    quantity: str,
    top: float,
    palette: Palette,
) -> go.Figure:
    """Draw the weeks of one area, the chosen one marked.

    `rows` has one a week of `weeks`, None where the bulletin has no row; `top` is that of the axis.
    """
    points = _points(rows, weeks=weeks)
    at = list(weeks).index(chosen) if chosen in weeks else None
    known = [one.at == at for one in points if one.value is not None]
    how: dict[str, Any] = {"colour": palette.sea, "ends": (-math.inf, top)}
    return drawing.figure(
        [
            drawing.intervals(points, opacity=0.35, **how),
            drawing.line(*_values(rows), colour=palette.sea, width=1.4),
            drawing.marks(
                points,
                colour=[palette.copper if is_chosen else palette.sea for is_chosen in known],
                size=[10 if is_chosen else 7 for is_chosen in known],
            ),
            drawing.gaps(points, ends=(0.0, top), palette=palette),
            drawing.cuts(points, **how),
        ],
        palette=palette,
        height=HEIGHT,
        margin=(44, 10, 8, 26),
        shapes=[] if at is None else [drawing.shade(at - 0.5, at + 0.5, colour=palette.band)],
        xaxis=weeks_across(weeks),
        yaxis=drawing.axis(
            range=[0, top],
            nticks=4,
            tickformat=".0%" if QUANTITIES[quantity].kind is QuantityKind.SHARE else ",.2~f",
        ),
    )


def is_cut(rows: Iterable[Row | None], *, top: float) -> bool:
    """Return whether an interval extends above a panel."""
    return any((drawn_interval(row)[1] or 0.0) > top for row in rows if row is not None)


def hover(week: str, row: Row | None) -> str:
    """Return the words of a point: week, figure, what stands behind it."""
    lines = [numbers.figure(row)]
    if row is not None and row.estimate is not None:
        lines += [reasons.precision(row), " ".join(reasons.caution(row)).strip()]
        lines.append(reasons.behind(row))
    return drawing.hover(week, *lines)


def _points(rows: Sequence[Row | None], *, weeks: Sequence[str]) -> list[Point]:
    """Return the weeks that have a row as points, each with the symbol of its status."""
    return [
        Point(at, row.estimate, *drawn_interval(row), hover(week, row), mark(row).symbol)
        for at, (week, row) in enumerate(zip(weeks, rows, strict=True))
        if row is not None
    ]


def _values(rows: Sequence[Row | None]) -> tuple[list[int], list[float | None]]:
    return list(range(len(rows))), [None if row is None else row.estimate for row in rows]


# The sublegal share by week: points of the survey, the pooled line in its band.


def share_panel(
    survey: Sequence[Row | None],
    pooled: Sequence[Row | None],
    *,
    weeks: Sequence[str],
    span: tuple[float, float],
    palette: Palette,
) -> go.Figure:
    """Draw the weeks of one area; `span` is the axis, the same for panels to be compared."""
    points = _points(survey, weeks=weeks)
    words = [
        f"<b>{week}, model estimate</b><br>{escape(numbers.figure(row))}"
        for week, row in zip(weeks, pooled, strict=True)
    ]
    how: dict[str, Any] = {"mode": "lines+markers", "marker": {"size": 3, "color": palette.copper}}
    return drawing.figure(
        [
            drawing.band(
                _bands(pooled), colour=palette.copper, fill=palette.band, opacity=0.7, edge=0.8
            ),
            drawing.line(*_values(pooled), colour=palette.copper, words=words, **how),
            drawing.intervals(points, colour=palette.sea, width=4, opacity=0.35),
            drawing.marks(points, colour=palette.sea, size=7),
            drawing.gaps(points, ends=span, palette=palette),
            drawing.cuts(points, ends=span, colour=palette.sea),
        ],
        palette=palette,
        height=SHARE_HEIGHT,
        margin=(44, 10, 8, 26),
        xaxis=weeks_across(weeks),
        yaxis={"range": list(span), "tickformat": ".0%", "nticks": 5},
    )


def share_axis(rows: Iterable[Row | None]) -> tuple[float, float]:
    """Return the ends of the axis: every share and useful interval, in steps of a tenth."""
    three = ((row.estimate, *drawn_interval(row)) for row in rows if row is not None)
    ends = [end for one in three for end in one if end is not None and math.isfinite(end)]
    if not ends:
        return 0.0, 1.0
    low, high = math.floor(10 * min(ends)) / 10, math.ceil(10 * max(ends)) / 10
    short = max(_LEAST_SPAN - (high - low), 0.0)
    low = max(low - short, 0.0)
    high = min(max(high, low + _LEAST_SPAN), 1.0)
    return (low - 0.01, high + 0.01)


def share_description(
    survey: Sequence[Row | None], pooled: Sequence[Row | None], *, weeks: Sequence[str], area: str
) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    known, line = estimated(survey, weeks), estimated(pooled, weeks)
    words = f"Sublegal share by week in {area}: {len(known)} weeks with a figure of the survey"
    if not line:
        return f"{words}; no model estimate."
    (first, start), (last, end) = line[0], line[-1]
    return (
        f"{words}; the model estimate goes from {numbers.figure(start)} in {first} to "
        f"{numbers.figure(end)} in {last}."
    )


def _bands(rows: Sequence[Row | None]) -> list[list[tuple[float, float, float]]]:
    """Return the runs of weeks that have an interval, a little longer at both ends."""
    known = [
        (at, row.ci_low, row.ci_high)
        for at, row in enumerate(rows)
        if row is not None and row.ci_low is not None and row.ci_high is not None
    ]
    runs = drawing.parts(known)
    return [
        [(run[0][0] - _END, *run[0][1:]), *run, (run[-1][0] + _END, *run[-1][1:])] for run in runs
    ]
