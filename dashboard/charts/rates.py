"""Catch rates by week: the survey's points, the index, the level behind it, the weeks ahead."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from analytics.rounding import percent
from dashboard.catch_rates.records import raw
from dashboard.charts import drawing
from dashboard.charts.drawing import Ends, Point
from dashboard.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import plotly.graph_objects as go

    from dashboard.charts.theme import Palette

Line = dict[str, Any]

HEIGHT = 236
#: What stands over the axis of figures.
UNITS = {NumberKind.RATIO: "fish per angler-hour", NumberKind.SHARE: "share of encounters"}
SIGNS = (
    ("●", "index with its interval"),
    ("◇", "the survey's own figure"),
    ("━", "level and its interval"),
    ("┈", "weeks ahead"),
)
PAST = ("─", "index of past seasons, unsmoothed, the last one named")
CLOSED = ("▒", "closed, the level carried through")
GAP = ("×", "open, but no index")
CUT = ("▲", "runs on above the panel, in the colour of what does")
HUES = {"◇": "quiet", "━": "copper", "┈": "copper", "─": "quiet", "×": "quiet", "▒": "quiet"}
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

    Parameters
    ----------
    weeks : tuple of str
        The axis: weeks of the season so far, then those ahead.
    index, trend : tuple of dict
        Lines of the two tables, by week.
    past : tuple of Past
        In order; the last one is named in the figure.
    closed : tuple of int
        Places of closed weeks.
    sort : NumberKind
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
        index = self._over(self.index, "ci_high")
        level = [at for at in self._over(self.trend, "ci_high") if at not in index]
        raw = self._over(self.index, "survey_estimate")
        past = [at for one in self.past for at, value in one.points if (value or 0.0) > self.top]
        quiet = sorted({*raw, *past} - {*index, *level})
        return {"sea": index, "copper": level, "quiet": quiet}

    @property
    def is_cut(self) -> bool:
        """Whether something extends above the panel."""
        return any(self.cut.values())

    @property
    def gaps(self) -> list[Line]:
        """Lines of weeks that were open and have no index."""
        shut = {self.weeks[at] for at in self.closed}
        return [one for one in self.index if one["index"] is None and one["week"] not in shut]

    def at(self, week: str) -> int:
        """Return the place of a week on the axis."""
        return self.weeks.index(week)

    def _over(self, lines: Iterable[Line], name: str) -> list[int]:
        return [self.at(one["week"]) for one in lines if (one[name] or 0.0) > self.top]


def _known(lines: Iterable[Line], name: str) -> list[float]:
    return [one[name] for one in lines if one[name] is not None]


def signs(panels: Sequence[Panel]) -> list[tuple[str, str]]:
    """Return the signs that occur in some panels with their words."""
    found = list(SIGNS[:2])
    levels = [
        line["is_projected"] for one in panels for line in one.trend if line["level"] is not None
    ]
    found += [SIGNS[2]] * (False in levels) + [SIGNS[3]] * (True in levels)
    found += [PAST] * any(one.past for one in panels)
    found += [CLOSED] * any(one.closed for one in panels)
    found += [GAP] * any(one.gaps for one in panels)
    return found + [CUT] * any(one.is_cut for one in panels)


def amount(panel: Panel, line: Line, name: str) -> Measurement:
    """Return a figure of a line with its interval."""
    return Measurement(line[name], line["ci_low"], line["ci_high"], panel.sort)


def description(panel: Panel, *, of: str) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    known = [one for one in panel.index if one["index"] is not None]
    if not known:
        return f"{of}: no week has an index."
    last = known[-1]
    words = (
        f"{of} by week, {len(known)} of {len(panel.index)} weeks with an index; the last, "
        f"{last['week']}, {amount(panel, last, 'index').figure()}"
    )
    levels = [one for one in panel.behind if one["level"] is not None]
    if levels:
        first, end = (amount(panel, one, "level").words for one in (levels[0], levels[-1]))
        words += f"; the level goes from {first} to {end}"
    if panel.closed:
        words += f"; closed in {', '.join(panel.weeks[at] for at in panel.closed)}"
    return f"{words}."


# The figure.


def figure(panel: Panel, *, palette: Palette) -> go.Figure:
    """Draw a panel."""
    index = [_point(panel, one) for one in panel.index]
    surveys = [
        Point(
            panel.at(one["week"]),
            one["survey_estimate"],
            words=f"<b>{one['week']}</b><br>{_survey(one)}",
        )
        for one in panel.index
        if one["survey_estimate"] is not None and one["survey_estimate"] <= panel.top
    ]
    lost = [
        Point(panel.at(one["week"]), None, words=drawing.hover(one["week"], one["reason"] or ""))
        for one in panel.gaps
    ]
    sea = {"colour": palette.sea}
    traces = [
        *(_past(panel, one, palette=palette) for one in panel.past),
        *_levels(panel, palette=palette),
        drawing.intervals(index, width=4, opacity=0.35, ends=panel.ends, name="intervals", **sea),
        drawing.marks(
            surveys, colour=palette.quiet, symbol="diamond-open", size=7, name="survey_estimate"
        ),
        drawing.marks(index, size=7, name="index", **sea),
        drawing.gaps(lost, ends=panel.ends, palette=palette),
    ]
    for hue, places in panel.cut.items():
        over = [Point(at, math.inf) for at in places]
        traces.append(drawing.cuts(over, ends=panel.ends, colour=getattr(palette, hue)))
    values = drawing.ticks(*panel.ends)
    named = [season_note(one.season, palette=palette) for one in panel.past[-1:]]
    quiet = {"colour": palette.quiet, "opacity": 0.16}
    return drawing.figure(
        traces,
        palette=palette,
        height=HEIGHT,
        margin=(40, 10, 24, 26),
        shapes=[drawing.shade(at - 0.5, at + 0.5, **quiet) for at in panel.closed],
        annotations=[drawing.note(UNITS[panel.sort], colour=palette.quiet), *named],
        xaxis=drawing.weeks_across(panel.weeks),
        yaxis={
            "range": list(panel.ends),
            "tickvals": values,
            "ticktext": [_said(panel, one) for one in values],
        },
    )


def season_note(season: str, *, palette: Palette) -> dict[str, Any]:
    """Return the name of the last past season, to stand over the right end of a figure."""
    return drawing.note(f"━ {escape(season)}", colour=palette.quiet, x=1, xanchor="right")


def _past(panel: Panel, line: Past, *, palette: Palette) -> go.Scatter:
    is_last = line is panel.past[-1]
    words = [
        ""
        if value is None
        else f"<b>{escape(line.season)}</b><br>{_said(panel, value)} by {panel.weeks[at][5:]}"
        for at, value in line.points
    ]
    return drawing.line(
        [at for at, _ in line.points],
        [value for _, value in line.points],
        colour=palette.quiet,
        width=1.6 if is_last else 1.0,
        words=words,
        opacity=0.8 if is_last else 0.4,
        name="past",
    )


def _levels(panel: Panel, *, palette: Palette) -> list[go.Scatter]:
    """Return bands and lines of the level; the part ahead starts at the last week behind it."""
    behind = [one for one in panel.behind if one["level"] is not None]
    ahead = [one for one in panel.trend if one["is_projected"] and one["level"] is not None]
    found = []
    if behind:
        found.append(_band(panel, behind, opacity=0.22, name="band", palette=palette))
        solid, shut = _parts(panel, behind)
        found.append(_line(panel, solid, dash="solid", name="level", palette=palette))
        if shut:
            found.append(_line(panel, shut, dash="dash", name="level closed", palette=palette))
    if ahead:
        lines = [*behind[-1:], *ahead]
        found.append(_band(panel, lines, opacity=0.12, name="band ahead", palette=palette))
        found.append(_line(panel, lines, dash="dot", name="ahead", palette=palette))
    return found


def _parts(panel: Panel, lines: Sequence[Line]) -> tuple[list[Line | None], list[Line | None]]:
    """Return the level in open weeks and over closed ones; None breaks a line."""
    is_shut = [panel.at(one["week"]) in panel.closed for one in lines]
    solid = [None if shut else one for one, shut in zip(lines, is_shut, strict=True)]
    dashed: list[Line | None] = []
    for at, (one, after) in enumerate(pairwise(lines)):
        dashed += [one, after, None] if is_shut[at] or is_shut[at + 1] else []
    return solid, dashed


def _band(
    panel: Panel, lines: Sequence[Line], *, opacity: float, name: str, palette: Palette
) -> go.Scatter:
    run = [
        (point.at, drawing.held(point.low, panel.ends), drawing.held(point.high, panel.ends))
        for one in lines
        if (point := _point(panel, one, "level")).low is not None and point.high is not None
    ]
    return drawing.band([run], colour=palette.copper, opacity=opacity, name=name)


def _line(
    panel: Panel, lines: Sequence[Line | None], *, dash: str, name: str, palette: Palette
) -> go.Scatter:
    return drawing.line(
        [None if one is None else panel.at(one["week"]) for one in lines],
        [None if one is None else one["level"] for one in lines],
        colour=palette.copper,
        dash=dash,
        words=["" if one is None else _level_words(panel, one) for one in lines],
        name=name,
    )


def _level_words(panel: Panel, one: Line) -> str:
    kind = "level ahead" if one["is_projected"] else "level"
    shut = "<br>closed" if panel.at(one["week"]) in panel.closed else ""
    return f"<b>{one['week']}</b><br>{kind} {amount(panel, one, 'level').figure()}{shut}"


def _survey(one: Line) -> str:
    return f"the survey's own {raw(one).figure()}"


def _words(panel: Panel, one: Line) -> str:
    trips = "" if one["n_trips"] is None else f"{one['n_trips']:,} trips"
    note = one.get("note") or one["reason"] or ""
    return drawing.hover(one["week"], f"index {amount(panel, one, 'index').figure()}", trips, note)


def _point(panel: Panel, one: Line, name: str = "index") -> Point:
    words = _words(panel, one) if name == "index" else ""
    return Point(panel.at(one["week"]), one[name], one["ci_low"], one["ci_high"], words)


def _said(panel: Panel, value: float) -> str:
    return percent(value) if panel.sort is NumberKind.SHARE else f"{value:,.3g}"
