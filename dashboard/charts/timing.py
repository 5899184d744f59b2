"""A season against past ones: the share come by each day, and the standardised rate by week."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from analytics.precision import percent
from analytics.units import short_day
from analytics.wording.numbers import NumberKind
from dashboard.catalogue import phrase, say, say_n
from dashboard.charts import drawing
from dashboard.charts.drawing import Point
from dashboard.charts.rates import UNITS, season_note

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.palette import Palette
    from dashboard.charts.drawing import Figure, Trace


# What a figure of a run shows, its scale, and its words.

PAST = ("─", phrase("past seasons, the last one named"))
NORMAL = ("━", phrase("normal curve, mean of past seasons"))
LOGISTIC = ("┈", phrase("logistic curve, mean of past seasons"))
CUT = ("▲", phrase("a past season extends above the panel"))
HUES = {"─": "quiet", "━": "copper", "┈": "copper", "▲": "quiet"}
CURVES = {"normal": ("solid", NORMAL), "logistic": ("dash", LOGISTIC)}

Points = tuple[tuple[int, float], ...]
Ends = tuple[tuple[int, float, float], ...]
#: No interval stretches an axis of shares further.
MOST = 1.5
#: Days from one figure to the next where no week lacks.
WEEK = 7


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """What a figure of a run shows; days count from `start`, for whose season they are labelled.

    `past` holds day and figure of each past season, `now` those of this one (none where the figure
    has none), `curves` those of ``normal`` and ``logistic``, as far as there are any. `is_share`
    says that they are parts of a season, its own total or an average one's; `today` is the last day
    so far with words; `ends` are day, low and high of this season's interval where it has one.
    """

    past: Mapping[str, Points]
    now: Points
    curves: Mapping[str, Points]
    start: date
    is_share: bool
    today: tuple[int, str] | None = None
    ends: Ends = ()

    @property
    def top(self) -> float:
        """Top of the axis; single spikes of past seasons do not squeeze the rest."""
        if self.is_share:
            highs = [value for _, value in self.now] + [high for *_, high in self.ends]
            highs += [value for line in self.past.values() for _, value in line]
            return max(1.0, min(max(highs, default=1.0), MOST))
        past = [value for line in self.past.values() for _, value in line]
        now = [value for _, value in self.now]
        return 1.08 * (max([drawing.without_spikes(past), *now]) or 1.0)

    @property
    def cut(self) -> list[int]:
        """Days on which a past season runs on above the axis; shares never do."""
        if self.is_share:
            return []
        return sorted({day for of in self.past.values() for day, value in of if value > self.top})

    @property
    def envelope(self) -> Ends:
        """Day, lowest and highest past figure, where two past seasons or more have one."""
        days = sorted({day for line in self.past.values() for day, _ in line})
        values = {
            day: [dict(one)[day] for one in self.past.values() if day in dict(one)] for day in days
        }
        return tuple((day, min(of), max(of)) for day, of in values.items() if len(of) > 1)


def signs(runs: Sequence[Run], *, shows_past: bool = False) -> list[tuple[str, str]]:
    """Return the signs of some figures that no words beside them name."""
    has_lines = [one for one in runs if shows_past or not one.envelope]
    found = [PAST] * any(one.past for one in has_lines)
    if shows_past:
        found += [
            sign for name, (_, sign) in CURVES.items() if any(name in one.curves for one in runs)
        ]
    return found + [CUT] * any(one.cut for one in has_lines)


def description(run: Run, *, of: str) -> str:
    """Return a sentence that stands for a figure where it cannot be seen."""
    words = say_n(len(run.past), "{of}: {n} past season", "{of}: {n} past seasons", of=of)
    if run.now:
        day, value = run.now[-1]
        words += say(
            "; this season {figure}{range} by {day}",
            figure=said(run, value),
            range=_span(run, day),
            day=_date(run, day),
        )
        for at, low, high in run.envelope:
            if at == day:
                words += say(
                    ", past ones {low} to {high}", low=said(run, low), high=said(run, high)
                )
    return f"{words}."


def _span(run: Run, day: int) -> str:
    found = [(low, high) for at, low, high in run.ends if at == day]
    if not found:
        return ""
    return say(" ({low} to {high})", low=said(run, found[0][0]), high=said(run, found[0][1]))


def said(run: Run, value: float) -> str:
    """Return a figure of a run in words."""
    return percent(value) if run.is_share else f"{value:.2f}"


def _date(run: Run, day: int) -> str:
    return short_day(run.start + timedelta(days=day))


# The figure.


def figure(run: Run, *, palette: Palette, shows_past: bool = False) -> Figure:
    """Draw a run before the band of past seasons; these one by one, with curves, where asked.

    A single past season has no band and is drawn as a line.
    """
    has_lines = shows_past or not run.envelope
    traces = []
    if run.envelope:
        parts = drawing.parts(run.envelope, step=WEEK)
        traces.append(drawing.band(parts, colour=palette.quiet, opacity=0.22, name="envelope"))
    traces += _past(run, palette=palette) if has_lines else []
    traces += _curves(run, palette=palette) if shows_past else []
    if run.ends:
        ends = [(day, low, min(high, run.top)) for day, low, high in run.ends]
        parts = drawing.parts(ends, step=WEEK)
        traces.append(drawing.band(parts, colour=palette.sea, opacity=0.25, name="interval"))
    if run.now:
        marks = {"mode": "lines+markers", "marker": {"size": 6, "color": palette.sea}}
        how = {"colour": palette.sea, "cliponaxis": False, "name": "now"}
        traces.append(_line(run, run.now, season=say("this season"), **how, **marks))
    over = [Point(day, math.inf) for day in run.cut] if has_lines else []
    traces.append(drawing.cuts(over, ends=(0.0, run.top), colour=palette.quiet))
    return _placed(traces, run, palette=palette, has_lines=has_lines)


def _past(run: Run, *, palette: Palette) -> list[Trace]:
    found = []
    for at, (season, line) in enumerate(run.past.items(), 1):
        is_last = at == len(run.past)
        how: dict[str, Any] = {
            "width": 1.8 if is_last else 1.0,
            "opacity": 0.9 if is_last else 0.55,
        }
        found.append(_line(run, line, season=season, colour=palette.quiet, name="past", **how))
    return found


def _curves(run: Run, *, palette: Palette) -> list[Trace]:
    found = []
    for name, (dash, _) in CURVES.items():
        if name in run.curves:
            x, y = zip(*run.curves[name], strict=True)
            how: dict[str, Any] = {"colour": palette.copper, "dash": dash, "name": name}
            found.append(drawing.line(x, y, width=2.0, **how))
    return found


def _names(run: Run, *, palette: Palette, has_lines: bool) -> list[dict[str, Any]]:
    """Return the names of the band and of this season's line, each beside its own."""
    found = []
    if run.envelope and not has_lines:
        after = [one for one in run.envelope if not run.now or one[0] > run.now[-1][0]]
        day, low, high = (after or run.envelope)[len(after or run.envelope) // 2]
        place = {"x": day, "y": high if run.is_share else low, "xref": "x", "yref": "y"}
        place |= {"xanchor": "right" if run.is_share else "center", "yshift": 2, "xshift": -4}
        found.append(drawing.note(say("past seasons"), colour=palette.quiet, **place))
    if run.now:
        day, value = run.now[-1]
        place = {"x": day, "y": value, "xref": "x", "yref": "y", "xanchor": "left"}
        place |= {"yanchor": "top", "yshift": -4, "xshift": 6}
        found.append(drawing.note(say("this season"), colour=palette.sea, **place))
    return found


def _line(run: Run, points: Points, *, season: str, **how: Any) -> Trace:
    """Draw days and figures, apart where a week or more between them has none."""
    x: list[int] = []
    y: list[float | None] = []
    words: list[str] = []
    for part in drawing.parts(points, step=WEEK):
        if x:
            x, y, words = [*x, part[0][0] - 3], [*y, None], [*words, ""]
        x, y = [*x, *(day for day, _ in part)], [*y, *(value for _, value in part)]
        words += [
            say(
                "<b>{season}</b><br>{figure} by {day}",
                season=drawing.escape(season),
                figure=said(run, value),
                day=_date(run, day),
            )
            for day, value in part
        ]
    return drawing.line(x, y, words=words, **how)


def _placed(traces: list[Trace], run: Run, *, palette: Palette, has_lines: bool) -> Figure:
    """Return the figure of some traces, with its axes, units and the season so far."""
    days = [day for line in (*run.past.values(), run.now) for day, _ in line]
    days += [run.today[0]] if run.today else []
    first, last = min(days), max(days)
    months = _months(run.start, first, last)
    values = drawing.ticks(0.0, run.top)
    if run.is_share:
        values = [0.25 * step for step in range(int(4 * run.top) + 1)]
    unit = say(UNITS[NumberKind.RATIO])
    if run.is_share:
        unit = say("of an average past season") if run.ends else say("cumulative share")
    notes = [
        drawing.note(unit, colour=palette.quiet),
        *_names(run, palette=palette, has_lines=has_lines),
    ]
    if has_lines:
        notes += [season_note(season, palette=palette) for season in list(run.past)[-1:]]
    shapes = []
    if run.today:
        day, words = run.today
        is_late = day > first + 0.6 * (last - first)
        place = {"xref": "x", "x": day, "y": 0, "xshift": -3 if is_late else 3}
        place |= {"xanchor": "right" if is_late else "left"}
        notes.append(drawing.note(drawing.escape(words), colour=palette.sea, **place))
        shapes.append(drawing.across(day, colour=palette.sea) | {"layer": "above"})
    return drawing.figure(
        traces,
        palette=palette,
        height=230,
        margin=(44, 12, 24, 26),
        shapes=shapes,
        annotations=notes,
        xaxis=drawing.axis(
            tickvals=months,
            ticktext=[_date(run, day) for day in months],
            range=[first - 4, last + 4],
            showgrid=False,
            tickangle=0,
        ),
        yaxis=drawing.axis(
            range=[0, 1.02 * run.top],
            tickvals=values,
            ticktext=[f"{one:.0%}" if run.is_share else f"{one:,.3g}" for one in values],
        ),
        meta=_data(run),
    )


def _data(run: Run) -> str:
    """Return the runs of all seasons as the table that the figure is downloaded with.

    A season other than this one stands on the days of this season's calendar, as in the figure.
    """
    value = "cumulative_share" if run.is_share else "index"
    ends = {day: (low, high) for day, low, high in run.ends}
    named: list[tuple[str, str | None, Points]] = [("this_season", None, run.now)]
    named += [("past_season", season, line) for season, line in run.past.items()]
    named += [(f"{name}_curve", None, line) for name, line in run.curves.items()]
    lines = [
        (
            series,
            season,
            day,
            (run.start + timedelta(days=day)).isoformat(),
            figure_,
            *(ends.get(day, (None, None)) if series == "this_season" else (None, None)),
        )
        for series, season, line in named
        for day, figure_ in line
    ]
    return drawing.data(("series", "season", "day", "date", value, "ci_low", "ci_high"), lines)


def _months(start: date, first: int, last: int) -> list[int]:
    """Return the days on which months begin, or every week where none does; five at most."""
    days = range(first, last + 1)
    found = [day for day in days if (start + timedelta(days=day)).day == 1]
    found = found or list(range(first, last + 1, 7))
    return found[:: max(1, -(-len(found) // 5))]
