"""Weeks across: trends with every interval, a season against past ones, one area's last weeks."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from statistics import median
from typing import TYPE_CHECKING, Any

from analytics.palette import axis_top
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.units import short_day
from analytics.weeks import week_of, weeks_between
from analytics.wording import numbers, reasons
from analytics.wording.bulletin_index import monday
from analytics.wording.numbers import Measurement, NumberKind, drawn_interval, mark
from analytics.wording.week import last_strength, strength_side
from dashboard.catalogue import phrase, say, say_n
from dashboard.catch_rates.records import ENCOUNTERS
from dashboard.charts import drawing
from dashboard.charts.drawing import Point, weeks_across
from dashboard.charts.rates import start_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import plotly.graph_objects as go

    from analytics.palette import Palette
    from analytics.wording.bulletin_index import Row
    from dashboard.catch_rates.records import Line, Rates
    from dashboard.charts.drawing import Figure, Trace


HEIGHT, STRIP_HEIGHT = 160, 92
#: The sign of an interval that extends above its panel, with its words.
CUT = ("▲", phrase("the interval extends above the panel, or is too wide to be useful"))
#: What a title says of the areas where a figure moved.
_MOVES = {"rising": phrase("rising in {areas}"), "falling": phrase("falling in {areas}")}
#: Areas that a title names; more are counted.
NAMED = 3


def panels(
    lines: Mapping[str, Sequence[Row | None]],
    *,
    weeks: Sequence[str],
    quantity: str,
    tops: Mapping[str, float],
    names: Mapping[str, str],
    palette: Palette,
) -> Figure:
    """Draw the weeks of one area or more.

    The page marks the chosen week in it (`chosen_words`), so that it stays when another is chosen.
    `lines` have, by area, one row a week of `weeks`, None where the bulletin has no row; `tops` are
    those of the axes and `names` those for people.
    """
    is_share = QUANTITIES[quantity].kind is QuantityKind.SHARE
    unit = numbers.unit_words(QUANTITIES[quantity].unit)
    strips = [
        drawing.Strip(
            drawing.strip_name(names[area]),
            _traces(rows, weeks=weeks, top=tops[area], palette=palette),
            drawing.axis(
                range=[0, tops[area]],
                # Two labels a strip: each one costs the browser milliseconds.
                tickvals=[0, drawing.ticks(0.0, tops[area])[-1]],
                tickformat=".0%" if is_share else ",.2~f",
            ),
        )
        for area, rows in lines.items()
    ]
    return drawing.stacked(
        strips,
        palette=palette,
        height=HEIGHT if len(strips) == 1 else STRIP_HEIGHT,
        annotations=[drawing.note(unit, colour=palette.quiet, x=0, xanchor="right", yshift=-8)],
        xaxis=weeks_across(weeks),
        meta=_data(lines, weeks=weeks, names=names),
    )


def _traces(
    rows: Sequence[Row | None],
    *,
    weeks: Sequence[str],
    top: float,
    palette: Palette,
) -> list[Trace]:
    points = points_of(rows, weeks=weeks)
    how: dict[str, Any] = {"colour": palette.sea, "ends": (-math.inf, top)}
    found = [
        drawing.intervals(points, opacity=0.35, name="intervals", **how),
        drawing.line(*values_of(rows), colour=palette.sea, width=1.4, name="line"),
        drawing.marks(points, colour=palette.sea, size=7, name="estimates"),
        drawing.gaps(points, ends=(0.0, top), palette=palette),
        drawing.cuts(points, **how),
    ]
    return [one for one in found if one["x"]]


def chosen_words(rows: Iterable[Row | None], *, week: str) -> list[str]:
    """Return what the page says of the chosen week: its day, then the figure of each strip."""
    return [say("week of {day}", day=short_day(monday(week))), *map(numbers.short, rows)]


def _data(
    lines: Mapping[str, Sequence[Row | None]], *, weeks: Sequence[str], names: Mapping[str, str]
) -> str:
    """Return what the figure shows as a table for its download."""
    pairs = ((area, zip(weeks, rows, strict=True)) for area, rows in lines.items())
    return data_of_rows((names[area], week, row) for area, of in pairs for week, row in of)


def data_of_rows(rows: Iterable[tuple[str, str, Row | None]]) -> str:
    """Return rows, each with the name of its area and its week, as a table for a download."""
    columns = ("area", "week", "first_day", "estimate", "ci_low", "ci_high", "status")
    lines = [
        (name, week, monday(week).isoformat(), row.estimate, row.ci_low, row.ci_high, row.status)
        for name, week, row in rows
        if row is not None
    ]
    return drawing.data(columns, lines)


def moves_title(words: Mapping[str, str], *, label: str) -> str:
    """Return the finding of panels: by name, the word of the change from the week before."""
    parts = [
        say(text, areas=_joined([name for name, said in words.items() if said == word], len(words)))
        for word, text in _MOVES.items()
        if word in words.values()
    ]
    if not parts:
        is_unclear = "no clear change" in words.values()
        parts = [say("no clear change") if is_unclear else say("change not known")]
    return say(
        "{label} by week: {moves} since the week before", label=label, moves=", ".join(parts)
    )


def _joined(names: Sequence[str], of: int) -> str:
    """Return up to three names as words, or of more how many they are."""
    if len(names) > NAMED:
        return say("{n} of {of} areas", n=len(names), of=of)
    if not names[1:]:
        return names[0]
    return say("{names} and {last}", names=", ".join(names[:-1]), last=names[-1])


def is_cut(rows: Iterable[Row | None], *, top: float) -> bool:
    """Return whether an interval extends above a panel."""
    return any((drawn_interval(row)[1] or 0.0) > top for row in rows if row is not None)


def hover(week: str, row: Row | None) -> str:
    """Return the words of a point: week, figure, what stands behind it."""
    lines = [numbers.figure(row)]
    if row is not None and row.estimate is not None:
        lines += [reasons.precision(row), " ".join(reasons.caution(row)).strip()]
        lines.append(reasons.behind(row))
    return drawing.hover(drawing.week_words(week), *lines)


def points_of(rows: Sequence[Row | None], *, weeks: Sequence[str]) -> list[Point]:
    """Return the weeks that have a row as points, each with the symbol of its status."""
    return [
        Point(at, row.estimate, *drawn_interval(row), hover(week, row), mark(row).symbol)
        for at, (week, row) in enumerate(zip(weeks, rows, strict=True))
        if row is not None
    ]


def values_of(rows: Sequence[Row | None]) -> tuple[list[int], list[float | None]]:
    """Return places and estimates, None where there is none."""
    return list(range(len(rows))), [None if row is None else row.estimate for row in rows]


# This season's rate by week against past seasons: a line with intervals, past ones as a band.


@dataclass(frozen=True, slots=True)
class AgainstPast:
    """What the figure of a season against past ones shows; weeks are places on its axis.

    `weeks` run to the last one that a past season has; `now` are lines of the table ``index``,
    `band` has the lowest and the highest past season where two or more have a figure, `middle`
    their median, `n_past` how many there are; `strength` is the line of the table ``run_strength``.
    """

    weeks: tuple[str, ...]
    now: tuple[Line, ...]
    band: tuple[tuple[int, float, float], ...]
    middle: tuple[tuple[int, float], ...]
    n_past: int
    strength: Line | None

    @property
    def top(self) -> float:
        """Top of the axis; what extends beyond it is marked."""
        known = [one["index"] for one in self.now if one["index"] is not None]
        highs = [one["ci_high"] for one in self.now if one["ci_high"] is not None]
        return axis_top([*known, *(high for *_, high in self.band)], highs, is_share=False)

    @property
    def points(self) -> list[Point]:
        """The weeks of this season as points, those without a figure too."""
        return [
            Point(
                self.weeks.index(one["week"]),
                one["index"],
                one["ci_low"],
                one["ci_high"],
                drawing.hover(drawing.week_words(one["week"]), _rate_words(one)),
            )
            for one in self.now
        ]

    @property
    def last(self) -> Line:
        """The line of the last week that has a figure."""
        return [one for one in self.now if one["index"] is not None][-1]


def against_past(rates: Rates, area: str | None = None) -> AgainstPast | None:
    """Return standardised encounters per angler-hour by week, of a season and of past ones.

    None where the bulletin has no past season of the area, or no figure of this one.
    """
    now = rates.index.get((ENCOUNTERS, area), ())
    start, seasons = start_of(rates, area), rates.seasons(area)
    if start is None or all(one["index"] is None for one in now):
        return None
    past: dict[str, list[float]] = defaultdict(list)
    for season in seasons:
        for one in rates.timing[season, area]:
            if one["day"] is not None and one["index"] is not None:
                # The day ends a week of this season's calendar.
                past[week_of(start + timedelta(days=one["day"]))].append(one["index"])
    if not past:
        return None
    every = [*past, *(one["week"] for one in now)]
    weeks = weeks_between(min(every), max(every))
    placed = [(at, past[week]) for at, week in enumerate(weeks) if week in past]
    return AgainstPast(
        weeks=weeks,
        now=now,
        band=tuple((at, min(of), max(of)) for at, of in placed if len(of) > 1),
        middle=tuple((at, median(of)) for at, of in placed),
        n_past=len(seasons),
        strength=last_strength(rates.strength.get(area, ())),
    )


def past_title(found: AgainstPast) -> str:
    """Return the finding of the figure: the season so far against past ones."""
    past = say_n(found.n_past, "{n} past season", "the mean of {n} past seasons")
    return {
        "above": say("Encounters per angler-hour are above {past}", past=past),
        "below": say("Encounters per angler-hour are below {past}", past=past),
        "alike": say("Encounters per angler-hour are not clearly different from {past}", past=past),
    }.get(strength_side(found.strength), say("Encounters per angler-hour beside {past}", past=past))


def past_description(found: AgainstPast) -> str:
    """Return sentences that stand for the figure where it cannot be seen."""
    last = found.last
    words = say(
        "{title}, by week; the last week with a figure, {week}, has {rate}",
        title=past_title(found),
        week=drawing.week_words(last["week"]),
        rate=_rate_words(last),
    )
    at = found.weeks.index(last["week"])
    for place, low, high in found.band:
        if place == at:
            shown = _rate(last).between(low, high)
            ends = shown.replace("–", " to ")
            words += say("; past seasons ranged from {range} in that week", range=ends)
    return f"{words}."


def past_figure(found: AgainstPast, *, palette: Palette, height: float = 260) -> Figure:
    """Draw a season in the band of past ones, the last week and the past named where they end."""
    points, ends = found.points, (0.0, found.top)
    x, y = [one.at for one in points], [one.value for one in points]
    sea: dict[str, Any] = {"colour": palette.sea}
    return drawing.figure(
        [
            drawing.band(
                drawing.parts(found.band), colour=palette.quiet, opacity=0.22, name="past range"
            ),
            drawing.line(
                *zip(*found.middle, strict=True),
                colour=palette.quiet,
                width=1.4,
                dash="dot",
                name="past median",
            ),
            drawing.intervals(points, ends=ends, opacity=0.35, name="intervals", **sea),
            drawing.line(x, y, width=1.8, name="this season line", **sea),
            drawing.marks(points, size=7, name="this season", **sea),
            drawing.gaps(points, ends=ends, palette=palette),
            drawing.cuts(points, ends=ends, **sea),
        ],
        palette=palette,
        height=height,
        margin=(40, 12, 24, 26),
        annotations=_past_notes(found, palette=palette),
        xaxis=weeks_across(found.weeks),
        yaxis=drawing.axis(range=list(ends), nticks=5),
        meta=_past_data(found),
    )


def _past_data(found: AgainstPast) -> str:
    """Return what the figure shows as a table for its download."""
    now = {found.weeks.index(one["week"]): one for one in found.now}
    band, middle = {at: ends for at, *ends in found.band}, dict(found.middle)
    names = ("index", "ci_low", "ci_high")
    lines = [
        [week, monday(week).isoformat()]
        + [now[at][name] if at in now else None for name in names]
        + [*band.get(at, (None, None)), middle.get(at)]
        for at, week in enumerate(found.weeks)
    ]
    past = ("past_lowest", "past_highest", "past_median")
    return drawing.data(("week", "first_day", *names, *past), lines)


def _past_notes(found: AgainstPast, *, palette: Palette) -> list[dict[str, Any]]:
    """Return the names that stand on the lines, and the unit over the axis."""
    last, end = found.last, len(found.weeks) - 1
    at = found.weeks.index(last["week"])
    name = (
        say_n(
            found.n_past,
            "grey: {n} past season, lowest to highest; dotted: median",
            "grey: {n} past seasons, lowest to highest; dotted: median",
        )
        if found.band
        else say_n(found.n_past, "dotted: {n} past season", "dotted: {n} past seasons")
    )
    place: dict[str, Any] = {"xref": "x", "yref": "y"}
    beside: dict[str, Any] = {"x": at, "y": last["index"], "xshift": 8, "yanchor": "middle"}
    if at > 0.7 * end:
        # No room beside the last point: over its interval.
        over = last["ci_high"] if last["ci_high"] is not None else last["index"]
        beside = {"x": at, "y": min(over, found.top), "xanchor": "right", "yshift": 3}
    return [
        drawing.note(say("fish per angler-hour, standardised"), colour=palette.quiet),
        drawing.note(
            say("<b>this season: {rate}</b>", rate=_rate(last).words),
            colour=palette.sea,
            **(place | beside),
        ),
        drawing.note(name, colour=palette.quiet, x=1, y=0, xanchor="right"),
    ]


def _rate(line: Line) -> Measurement:
    return numbers.of_line(line, "index", NumberKind.RATIO)


def _rate_words(line: Line) -> str:
    if line["index"] is None:
        return line["reason"] or say("no figure")
    return say("{figure} fish per angler-hour", figure=_rate(line).figure(line["ci_level"]))


_HEIGHT = 150


def recent(
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
