"""The sublegal share by week: points of the survey, the model estimate in a band, by area."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from analytics.wording import numbers
from analytics.wording.numbers import drawn_interval, estimated
from dashboard.catalogue import phrase, say
from dashboard.charts import drawing, series
from dashboard.charts.drawing import weeks_across

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analytics.palette import Palette
    from analytics.wording.bulletin_index import Row
    from dashboard.charts.drawing import Figure, Trace

HEIGHT = 190
#: The signs of the model estimate with their words, and their colour.
SIGNS = (("━", phrase("model estimate (partial pooling)")), ("▒", phrase("its interval")))
HUES = {"━": "copper", "▒": "copper"}
#: How far the band reaches beyond its first and last week, so that a single week has one.
_END = 0.3
#: The axis of shares is never shorter, so that small moves stay small.
_LEAST_SPAN = 0.4
#: By area, the weeks of the survey and those of the model estimate.
Shares = Mapping[str, tuple[Sequence["Row | None"], Sequence["Row | None"]]]


def panels(
    lines: Shares,
    *,
    weeks: Sequence[str],
    span: tuple[float, float],
    names: Mapping[str, str],
    palette: Palette,
) -> Figure:
    """Draw the weeks of one area or more; `span` is the axis of all, so that they compare."""
    yaxis = {"range": list(span), "tickformat": ".0%", "nticks": 3}
    strips = [
        drawing.Strip(
            f"{drawing.strip_name(names[area])}  {drawing.escape(_latest(pooled))}",
            _traces(survey, pooled, weeks=weeks, span=span, palette=palette),
            yaxis,
        )
        for area, (survey, pooled) in lines.items()
    ]
    both = (
        (f"{names[area]}, {kind}", week, row)
        for area, two in lines.items()
        for kind, rows in zip(("survey", "model"), two, strict=True)
        for week, row in zip(weeks, rows, strict=True)
    )
    return drawing.stacked(
        strips,
        palette=palette,
        height=HEIGHT if len(strips) == 1 else series.STRIP_HEIGHT,
        xaxis=weeks_across(weeks),
        meta=series.data_of_rows(both),
    )


def title(lines: Shares, *, names: Mapping[str, str]) -> str:
    """Return the finding of the panels: where the last share of the model is highest."""
    last = {area: _last(pooled) for area, (_, pooled) in lines.items()}
    known = {area: row.estimate or 0.0 for area, row in last.items() if row is not None}
    if not known:
        return say("Sublegal share by week: no estimate of the model")
    area = max(known, key=lambda one: known[one])
    named = {"area": names[area], "figure": numbers.short(last[area])}
    if len(known) == 1:
        return say("Sublegal share by week: {area}, {figure} in the last week", **named)
    return say("Sublegal share by week: highest in {area}, {figure} in the last week", **named)


def _last(rows: Sequence[Row | None]) -> Row | None:
    known = [row for row in rows if row is not None and row.estimate is not None]
    return known[-1] if known else None


def _latest(rows: Sequence[Row | None]) -> str:
    row = _last(rows)
    return "" if row is None else numbers.short(row)


def _traces(
    survey: Sequence[Row | None],
    pooled: Sequence[Row | None],
    *,
    weeks: Sequence[str],
    span: tuple[float, float],
    palette: Palette,
) -> list[Trace]:
    points = series.points_of(survey, weeks=weeks)
    words = [
        say(
            "<b>{week}, model estimate</b><br>{figure}",
            week=drawing.week_words(week),
            figure=drawing.escape(numbers.figure(row)),
        )
        for week, row in zip(weeks, pooled, strict=True)
    ]
    how: dict[str, Any] = {"colour": palette.copper, "words": words, "name": "model"}
    how |= {"mode": "lines+markers", "marker": {"size": 3, "color": palette.copper}}
    return [
        drawing.band(
            _bands(pooled), colour=palette.copper, fill=palette.band, opacity=0.7, edge=0.8
        ),
        drawing.line(*series.values_of(pooled), **how),
        drawing.intervals(points, colour=palette.sea, width=4, opacity=0.35),
        drawing.marks(points, colour=palette.sea, size=7, name="survey"),
        drawing.gaps(points, ends=span, palette=palette),
        drawing.cuts(points, ends=span, colour=palette.sea),
    ]


def axis(rows: Iterable[Row | None]) -> tuple[float, float]:
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


def description(
    survey: Sequence[Row | None], pooled: Sequence[Row | None], *, weeks: Sequence[str], area: str
) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    known, line = estimated(survey, weeks), estimated(pooled, weeks)
    words = say(
        "Sublegal share by week in {area}: {n} weeks with a figure of the survey",
        area=area,
        n=len(known),
    )
    if not line:
        return say("{survey}; no model estimate.", survey=words)
    (first, start), (last, end) = line[0], line[-1]
    return say(
        "{survey}; the model estimate goes from {start} in {first} to {end} in {last}.",
        survey=words,
        start=numbers.figure(start),
        first=first,
        end=numbers.figure(end),
        last=last,
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
