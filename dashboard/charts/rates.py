"""Catch rates by week: design-based, standardised, their smoothed trend and the weeks ahead."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from analytics.precision import percent
from analytics.units import short_day
from analytics.weeks import weeks_between
from analytics.wording import numbers
from analytics.wording.bulletin_index import monday
from analytics.wording.numbers import NumberKind
from dashboard.catalogue import phrase, say
from dashboard.catch_rates.records import ENCOUNTERS, origin, raw, sort_of
from dashboard.charts import drawing
from dashboard.charts.drawing import Ends, Point

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from analytics.palette import Palette
    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.numbers import Measurement
    from dashboard.catch_rates.records import Line, Rates
    from dashboard.charts.drawing import Figure, Trace

HEIGHT, STRIP_HEIGHT = 190, 110
#: What stands over the axis of figures.
_PER_HOUR, _SHARE = phrase("fish per angler-hour"), phrase("share of encounters")
_IN_WEEK = phrase("{rate} in the week of {day}")
UNITS = {NumberKind.RATIO: _PER_HOUR, NumberKind.SHARE: _SHARE}
SIGNS = (
    ("●", phrase("standardised catch rate with its interval")),
    ("◇", phrase("the design-based estimate")),
    ("━", phrase("smoothed trend and its interval")),
    ("┈", phrase("weeks ahead")),
)
PAST = ("─", phrase("past seasons, not smoothed"))
RANGE = ("▓", phrase("lowest to highest past season"))
CLOSED = ("▒", phrase("closed: the trend continues through"))
GAP = ("×", phrase("open, but no estimate"))
CUT = ("▲", phrase("extends above the panel, in the colour of what does"))
HUES = {
    "▓": "quiet",
    "◇": "quiet",
    "━": "copper",
    "┈": "copper",
    "─": "quiet",
    "×": "quiet",
    "▒": "quiet",
}
#: How far an interval may stretch the axis beyond the highest figure, and weeks ahead too.
MOST_BY_INTERVAL, MOST_AHEAD = 2.0, 1.5
#: Least height of the axis of a share.
LEAST_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Past:
    """The index of a past season by place on the axis; None breaks the line."""

    season: str
    points: tuple[tuple[int, float | None], ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """What one panel shows; weeks are places on the axis.

    `weeks` are those of the season so far, then those ahead; `index` and `trend` lines of the two
    tables, by week; `past` in order, the last one named in the figure; `closed` places of weeks.
    """

    weeks: tuple[str, ...]
    index: tuple[Line, ...]
    trend: tuple[Line, ...]
    past: tuple[Past, ...]
    closed: tuple[int, ...]
    sort: NumberKind

    @property
    def behind(self) -> list[Line]:
        """Lines of the trend that are not ahead."""
        return [one for one in self.trend if not one["is_projected"]]

    @property
    def top(self) -> float:
        """Top of the axis: neither intervals, weeks ahead nor single spikes squeeze the rest."""
        found = _known(self.index, "index") + _known(self.behind, "level")
        raw = _known(self.index, "survey_estimate")
        most = max(found or raw, default=0.0)
        ends = _known((*self.index, *self.behind), "ci_high")
        ahead = _known(self.trend, "level")
        past = [value for one in self.past for _, value in one.points if value is not None]
        top = max(
            most,
            min(max([*ends, *raw], default=0.0), MOST_BY_INTERVAL * most),
            min(max(ahead, default=0.0), MOST_AHEAD * most),
            drawing.without_spikes(past),
        )
        top = 1.08 * (top or 1.0)
        return min(top, 1.0) if self.sort is NumberKind.SHARE else top

    @property
    def bottom(self) -> float:
        """Bottom of the axis: zero, and of a share the tenth below its lowest interval."""
        if self.sort is not NumberKind.SHARE:
            return 0.0
        lows = _known((*self.index, *self.behind), "ci_low") + _known(self.index, "survey_estimate")
        low = min([*lows, self.top - LEAST_SHARE])
        return max(0.0, math.floor(10 * low) / 10)

    @property
    def ends(self) -> Ends:
        """Both ends of the axis."""
        return self.bottom, self.top

    @property
    def cut(self) -> dict[str, list[int]]:
        """Places at which something extends above the panel, by its colour."""
        top = self.top
        index = self._over(self.index, "ci_high", top)
        level = [at for at in self._over(self.trend, "ci_high", top) if at not in index]
        raw = self._over(self.index, "survey_estimate", top)
        past = [at for one in self.past for at, value in one.points if (value or 0.0) > top]
        quiet = sorted({*raw, *past} - {*index, *level})
        return {"sea": index, "copper": level, "quiet": quiet}

    @property
    def is_cut(self) -> bool:
        """Whether something extends above the panel."""
        return any(self.cut.values())

    @property
    def gaps(self) -> list[Line]:
        """Lines of weeks that were open and have no index."""
        return [one for one in self.index if one["index"] is None and not self.is_shut(one)]

    def at(self, line: Line) -> int:
        """Return the place of the week of a line on the axis."""
        return self.weeks.index(line["week"])

    def is_shut(self, line: Line) -> bool:
        """Return whether the week of a line was closed."""
        return self.at(line) in self.closed

    def amount(self, line: Line, name: str) -> Measurement:
        """Return a figure of a line with its interval."""
        return numbers.of_line(line, name, self.sort)

    def _over(self, lines: Iterable[Line], name: str, top: float) -> list[int]:
        return [self.at(one) for one in lines if (one[name] or 0.0) > top]


def _known(lines: Iterable[Line], name: str) -> list[float]:
    return [one[name] for one in lines if one[name] is not None]


def panels_of(
    index: BulletinIndex, rates: Rates, areas: Sequence[str | None], *, response: str
) -> dict[str | None, Panel]:
    """Return the panels of the areas that have one, all over the same weeks."""
    found = [panel_of(index, rates, area, response=response) for area in areas]
    every = [week for one in found if one for week in (one.weeks[0], one.weeks[-1])]
    if not every:
        return {}
    ends = min(every), max(every)
    made = {area: panel_of(index, rates, area, response=response, also=ends) for area in areas}
    return {area: one for area, one in made.items() if one}


def panel_of(
    index: BulletinIndex,
    rates: Rates,
    area: str | None,
    *,
    response: str,
    also: tuple[str, ...] = (),
) -> Panel | None:
    """Return what a panel of an area shows; None where no week has an index or a level.

    `also` are weeks that the axis holds whether or not the area has them.
    """
    index_lines = rates.index.get((response, area), ())
    trend_lines = rates.trend.get((response, area), ())
    known = [one["index"] for one in index_lines] + [one["level"] for one in trend_lines]
    if all(one is None for one in known):
        return None
    weeks = [*index.axis, *also, *(one["week"] for one in (*index_lines, *trend_lines))]
    axis = weeks_between(min(weeks), max(weeks))
    past = _past_of(rates, area, axis) if response == ENCOUNTERS else ()
    closed = _closed(axis, index_lines, trend_lines, until=index.card.through)
    return Panel(axis, index_lines, trend_lines, past, closed, sort_of(response))


def _closed(
    axis: Sequence[str], index_lines: Sequence[Line], trend_lines: Sequence[Line], *, until: str
) -> tuple[int, ...]:
    """Return the places of closed weeks: those the trend calls so, or that have no index line.

    After `until`, the last week of the season so far, only the trend tells.
    """
    is_shut = {one["week"]: one.get("is_closed") for one in trend_lines}
    open_weeks = {one["week"] for one in index_lines}
    first_ahead = min((one["week"] for one in trend_lines if one["is_projected"]), default="9999")
    last = max([until, *open_weeks])
    return tuple(
        at
        for at, week in enumerate(axis)
        if is_shut.get(week)
        or (
            is_shut.get(week) is None
            and week not in open_weeks
            and week < first_ahead
            and week <= last
        )
    )


def _past_of(rates: Rates, area: str | None, axis: tuple[str, ...]) -> tuple[Past, ...]:
    """Return past seasons on the weeks of this one, by the day that timing counts them from."""
    start = start_of(rates, area)
    if start is None:
        return ()
    found = []
    for season in rates.seasons(area):
        known = {}
        for one in rates.timing[season, area]:
            if one["day"] is not None:
                # The day ends a week: its Monday is six days before.
                first = start + timedelta(days=one["day"] - 6)
                known[(first - monday(axis[0])).days // 7] = one["index"]
        inside = [at for at, value in known.items() if 0 <= at < len(axis) and value is not None]
        if inside:
            # A week without a line was closed: None breaks the line there.
            places = range(min(inside), max(inside) + 1)
            found.append(Past(season, tuple((at, known.get(at)) for at in places)))
    return tuple(found)


def start_of(rates: Rates, area: str | None) -> date | None:
    """Return the day that days of timing count from in this season; None where no line tells.

    Of an area without a line of its own, that of all areas together: days count alike.
    """
    found = (origin(rates.timing.get((rates.season, one), ())) for one in (area, None))
    return next((start for start in found if start is not None), None)


def signs(panels: Sequence[Panel], *, shows_all: bool = True) -> list[tuple[str, str]]:
    """Return the signs that occur in some panels with their words."""
    found = list(SIGNS[: 2 if shows_all else 1])
    levels = [
        line["is_projected"] for one in panels for line in one.trend if line["level"] is not None
    ]
    found += [SIGNS[2]] * (False in levels) + [SIGNS[3]] * (True in levels)
    found += [PAST if shows_all else RANGE] * any(one.past for one in panels)
    found += [CLOSED] * any(one.closed for one in panels)
    found += [GAP] * any(one.gaps for one in panels)
    return found + [CUT] * any(one.is_cut for one in panels)


def description(panel: Panel, *, of: str) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    known = [one for one in panel.index if one["index"] is not None]
    if not known:
        return say("{of}: no week has a standardised catch rate.", of=of)
    last = known[-1]
    words = say(
        "{of} by week, {known} of {weeks} weeks with a standardised catch rate; the last, {week}, "
        "{figure}",
        of=of,
        known=len(known),
        weeks=len(panel.index),
        week=last["week"],
        figure=panel.amount(last, "index").figure(),
    )
    levels = [one for one in panel.behind if one["level"] is not None]
    if levels:
        first, end = (panel.amount(one, "level").words for one in (levels[0], levels[-1]))
        words += say("; the smoothed trend goes from {first} to {end}", first=first, end=end)
    if panel.closed:
        closed = ", ".join(panel.weeks[at] for at in panel.closed)
        words += say("; closed in {weeks}", weeks=closed)
    return f"{words}."


# The figure.


def figure(panels: Mapping[str, Panel], *, palette: Palette, shows_all: bool = True) -> Figure:
    """Draw one panel or more, by name, over the same weeks.

    At first sight a panel has the standardised rate, its trend and the range of past seasons; all
    of it has the design-based rate and every past season besides.
    """
    first = next(iter(panels.values()))
    quiet: dict[str, Any] = {"colour": palette.quiet, "opacity": 0.16}
    strips, shades = [], []
    for number, (name, panel) in enumerate(panels.items(), 1):
        yref = f"y{number if number > 1 else ''} domain"
        shades += [drawing.shade(at - 0.5, at + 0.5, yref=yref, **quiet) for at in panel.closed]
        traces = _traces(panel, palette=palette, shows_all=shows_all)
        strips.append(drawing.Strip(_named(name, panel), traces, _axis(panel)))
    return drawing.stacked(
        strips,
        palette=palette,
        height=HEIGHT if len(strips) == 1 else STRIP_HEIGHT,
        shapes=shades,
        annotations=[drawing.note(say(UNITS[first.sort]), colour=palette.quiet, yshift=6)],
        xaxis=drawing.weeks_across(first.weeks),
        meta=_data(panels),
    )


def _named(name: str, panel: Panel) -> str:
    """Return the name of a panel with its last standardised rate."""
    known = [one for one in panel.index if one["index"] is not None]
    last = panel.amount(known[-1], "index").figure() if known else ""
    return f"{drawing.strip_name(name)}  {last}"


def _axis(panel: Panel) -> dict[str, Any]:
    ends = panel.ends
    values = drawing.ticks(*ends)
    said = [_said(panel, one) for one in values]
    return drawing.axis(range=list(ends), tickvals=values, ticktext=said)


def _data(panels: Mapping[str, Panel]) -> str:
    """Return what the figure shows as a table for its download."""
    names = ("index", "ci_low", "ci_high", "survey_estimate")
    levels = ("level", "ci_low", "ci_high")
    lines = []
    for name, panel in panels.items():
        index = {one["week"]: one for one in panel.index}
        trend = {one["week"]: one for one in panel.trend}
        lines += [
            [name, week, monday(week).isoformat()]
            + [index.get(week, {}).get(one) for one in names]
            + [trend.get(week, {}).get(one) for one in (*levels, "is_projected")]
            for week in panel.weeks
        ]
    of_level = ("level", "level_ci_low", "level_ci_high", "is_projected")
    return drawing.data(("area", "week", "first_day", *names, *of_level), lines)


def _traces(panel: Panel, *, palette: Palette, shows_all: bool) -> list[Trace]:
    ends = panel.ends
    index = [_point(panel, one) for one in panel.index]
    missing = [
        Point(panel.at(one), None, words=_hover(one["week"], one["reason"] or ""))
        for one in panel.gaps
    ]
    sea: dict[str, Any] = {"colour": palette.sea}
    past = [_past(panel, one, palette=palette) for one in panel.past]
    found = [
        *(past if shows_all else [_range(panel, palette=palette)]),
        *_levels(panel, palette=palette),
        drawing.intervals(index, width=4, opacity=0.35, ends=ends, name="intervals", **sea),
        *([_surveys(panel, palette=palette)] if shows_all else []),
        drawing.marks(index, size=7, name="index", **sea),
        drawing.gaps(missing, ends=ends, palette=palette),
    ]
    for hue, places in panel.cut.items():
        over = [Point(at, math.inf) for at in places]
        found.append(drawing.cuts(over, ends=ends, colour=getattr(palette, hue)))
    found.append(_shut(panel, colour=palette.quiet))
    return [one for one in found if one["x"]]


def _shut(panel: Panel, *, colour: str) -> Trace:
    """Write "closed" on each run of two closed weeks or more."""
    runs = [run for run in drawing.parts([(at,) for at in panel.closed]) if run[1:]]
    middle = [(run[0][0] + run[-1][0]) / 2 for run in runs]
    how: dict[str, Any] = {"mode": "text", "textfont": {"size": 11, "color": colour}}
    y, text = [sum(panel.ends) / 2] * len(runs), [say("closed")] * len(runs)
    return drawing.trace(
        "scatter", x=middle, y=y, text=text, hoverinfo="skip", name="closed", **how
    )


def _surveys(panel: Panel, *, palette: Palette) -> Trace:
    top = panel.top
    found = [
        _survey_point(panel, one)
        for one in panel.index
        if one["survey_estimate"] is not None and one["survey_estimate"] <= top
    ]
    how: dict[str, Any] = {"symbol": "diamond-open", "size": 7, "name": "survey_estimate"}
    return drawing.marks(found, colour=palette.quiet, **how)


def _range(panel: Panel, *, palette: Palette) -> Trace:
    """Draw the lowest to the highest past season, where two or more have a figure."""
    ends, values = panel.ends, dict[int, list[float]]()
    for one in panel.past:
        for at, value in one.points:
            if value is not None:
                values.setdefault(at, []).append(drawing.clamp(value, ends))
    run = [(at, min(of), max(of)) for at, of in sorted(values.items()) if of[1:]]
    how: dict[str, Any] = {"colour": palette.quiet, "opacity": 0.22, "name": "past range"}
    return drawing.band(drawing.parts(run), **how)


def season_note(season: str, *, palette: Palette) -> dict[str, Any]:
    """Return the name of the last past season, to stand over the right end of a figure."""
    return drawing.note(f"━ {drawing.escape(season)}", colour=palette.quiet, x=1, xanchor="right")


def _past(panel: Panel, line: Past, *, palette: Palette) -> Trace:
    is_last = line is panel.past[-1]
    words = [
        ""
        if value is None
        else f"<b>{drawing.escape(line.season)}</b><br>"
        + say(_IN_WEEK, rate=_said(panel, value), day=short_day(monday(panel.weeks[at])))
        for at, value in line.points
    ]
    how: dict[str, Any] = (
        {"width": 1.6, "opacity": 0.8} if is_last else {"width": 1.0, "opacity": 0.4}
    )
    x, y = zip(*line.points, strict=True)
    return drawing.line(x, y, colour=palette.quiet, words=words, name="past", **how)


def _levels(panel: Panel, *, palette: Palette) -> list[Trace]:
    """Return bands and lines of the level; the part ahead starts at the last week behind it."""
    behind = [one for one in panel.behind if one["level"] is not None]
    ahead = [one for one in panel.trend if one["is_projected"] and one["level"] is not None]
    copper: dict[str, Any] = {"colour": palette.copper}
    found = []
    if behind:
        found.append(drawing.band([_run(panel, behind)], opacity=0.22, name="band", **copper))
        # Over closed weeks the line is dashed; None breaks a line.
        solid = [None if panel.is_shut(one) else one for one in behind]
        dashed: list[Line | None] = []
        for one, after in pairwise(behind):
            dashed += [one, after, None] if panel.is_shut(one) or panel.is_shut(after) else []
        found.append(_line(panel, solid, dash="solid", name="level", **copper))
        if dashed:
            found.append(_line(panel, dashed, dash="dash", name="level closed", **copper))
    if ahead:
        lines = [*behind[-1:], *ahead]
        found.append(drawing.band([_run(panel, lines)], opacity=0.12, name="band ahead", **copper))
        found.append(_line(panel, lines, dash="dot", name="ahead", **copper))
    return found


def _run(panel: Panel, lines: Sequence[Line]) -> list[tuple[int, float, float]]:
    """Return place, low and high end of the level, as far as the axis goes."""
    ends = panel.ends
    return [
        (
            panel.at(one),
            drawing.clamp(one["ci_low"], ends),
            drawing.clamp(one["ci_high"], ends),
        )
        for one in lines
        if one["ci_low"] is not None and one["ci_high"] is not None
    ]


def _line(panel: Panel, lines: Sequence[Line | None], **how: Any) -> Trace:
    words = []
    for one in lines:
        kind = say("trend ahead") if one and one["is_projected"] else say("trend")
        shut = f"<br>{say('closed')}" if one and panel.is_shut(one) else ""
        said = one and f"{kind} {panel.amount(one, 'level').figure()}{shut}"
        words.append(f"<b>{drawing.week_words(one['week'])}</b><br>{said}" if one else "")
    x = [one and panel.at(one) for one in lines]
    y = [one["level"] if one else None for one in lines]
    return drawing.line(x, y, words=words, **how)


def _survey_point(panel: Panel, one: Line) -> Point:
    words = _hover(one["week"], say("design-based {figure}", figure=raw(one).figure()))
    return Point(panel.at(one), one["survey_estimate"], words=words)


def _point(panel: Panel, one: Line) -> Point:
    trips = "" if one["n_trips"] is None else say("{n_trips:,} trips", **one)
    note = one.get("note") or one["reason"] or ""
    said = say("standardised {figure}", figure=panel.amount(one, "index").figure())
    words = _hover(one["week"], said, trips, note)
    return Point(panel.at(one), one["index"], one["ci_low"], one["ci_high"], words)


def _said(panel: Panel, value: float) -> str:
    return percent(value) if panel.sort is NumberKind.SHARE else f"{value:,.3g}"


def _hover(week: str, *lines: str) -> str:
    return drawing.hover(drawing.week_words(week), *lines)
