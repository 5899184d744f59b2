"""The run of a season against past ones: shares come by each day, and the index by week."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from html import escape
from typing import TYPE_CHECKING

import plotly.graph_objects as go

from dashboard.charts import theme
from dashboard.charts.rates import UNITS, named, unit
from dashboard.charts.theme import plain
from dashboard.numbers import NumberKind

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from dashboard.charts.theme import Palette


# What a figure of a run shows, its scale, and its words.

PAST = ("─", "past seasons, the last one named")
ENVELOPE = ("▒", "lowest to highest past season")
NORMAL = ("━", "normal curve, mean of past seasons")
LOGISTIC = ("┈", "logistic curve, mean of past seasons")
NOW = ("●", "this season")
TODAY = ("│", "where this season stands")
CUT = ("▲", "a past season runs on above the panel")
HUES = {"─": "quiet", "▒": "quiet", "━": "copper", "┈": "copper", "▲": "quiet"}
CURVES = {"normal": ("solid", NORMAL), "logistic": ("dash", LOGISTIC)}

Points = tuple[tuple[int, float], ...]
Ends = tuple[tuple[int, float, float], ...]
#: Days from one figure to the next where no week lacks.
WEEK = 7


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """What a figure of a run shows; days count from `start`.

    Parameters
    ----------
    past : mapping of str to tuple of (int, float)
        Day and figure of each past season.
    now : tuple of (int, float)
        The same of this season; empty where the figure has none.
    curves : mapping of str to tuple of (int, float)
        ``normal`` and ``logistic``, as far as there are any.
    start : date
        Of this season, for the labels of days.
    is_share : bool
        Shares of a season, from 0 to 1; an index from 0 if not.
    today : tuple of (int, str), optional
        Last day of this season so far, and its words.
    """

    past: Mapping[str, Points]
    now: Points
    curves: Mapping[str, Points]
    start: date
    is_share: bool
    today: tuple[int, str] | None = None

    @property
    def top(self) -> float:
        """Top of the axis; single spikes of past seasons do not squeeze the rest."""
        if self.is_share:
            return 1.0
        past = [value for line in self.past.values() for _, value in line]
        return 1.08 * (max([theme.without_spikes(past), *(value for _, value in self.now)]) or 1.0)

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


def signs(runs: Sequence[Run]) -> list[tuple[str, str]]:
    """Return the signs that occur in some figures with their words."""
    found = [PAST] * any(one.past for one in runs)
    found += [ENVELOPE] * any(one.envelope for one in runs)
    found += [sign for name, (_, sign) in CURVES.items() if any(name in one.curves for one in runs)]
    found += [NOW] * any(one.now for one in runs) + [TODAY] * any(one.today for one in runs)
    return found + [CUT] * any(one.cut for one in runs)


def description(run: Run, *, of: str) -> str:
    """Return a sentence that stands for a figure where it cannot be seen."""
    words = f"{of}: {len(run.past)} past season{'' if len(run.past) == 1 else 's'}"
    if run.now:
        day, value = run.now[-1]
        words += f"; this season {said(run, value)} by {day_words(run, day)}"
        beside = [ends for ends in run.envelope if ends[0] == day]
        if beside:
            _, low, high = beside[0]
            words += f", past ones {said(run, low)} to {said(run, high)}"
    return f"{words}."


def said(run: Run, value: float) -> str:
    """Return a figure of a run in words."""
    return f"{value:.0%}" if run.is_share else f"{value:.2f}"


def day_words(run: Run, day: int) -> str:
    """Return a day of a run as a date without its year."""
    on = run.start + timedelta(days=day)
    return f"{on.day} {on:%b}"


HEIGHT = 230
HEIGHT = 230


def figure(run: Run, *, palette: Palette) -> go.Figure:
    """Draw a run."""
    drawn = go.Figure()
    if run.envelope:
        drawn.add_trace(_band(run, palette=palette))
    for season, line in run.past.items():
        drawn.add_trace(_past(run, season, line, palette=palette))
    for name, (dash, _) in CURVES.items():
        if name in run.curves:
            drawn.add_trace(_curve(run.curves[name], dash=dash, palette=palette, name=name))
    if run.now:
        drawn.add_trace(_now(run, palette=palette))
    drawn.add_trace(theme.cut_above(run.cut, top=run.top, colour=palette.quiet))
    _lay_out(drawn, run, palette=palette)
    return drawn


def _band(run: Run, *, palette: Palette) -> go.Scatter:
    x: list[int | None] = []
    y: list[float | None] = []
    for ends in _runs(run.envelope):
        x += [*([None] if x else []), *(day for day, _, _ in (*ends, *reversed(ends)))]
        y += [*([None] if y else []), *(high for _, _, high in ends)]
        y += [low for _, low, _ in reversed(ends)]
    return go.Scatter(
        x=x,
        y=y,
        mode="lines",
        fill="toself",
        fillcolor=palette.quiet,
        line={"width": 0},
        opacity=0.2,
        hoverinfo="skip",
        name="envelope",
    )


def _runs(ends: Ends) -> list[Ends]:
    """Return the envelope in parts without a week or more between their days."""
    parts: list[Ends] = []
    for one in ends:
        if parts and one[0] - parts[-1][-1][0] <= WEEK:
            parts[-1] = (*parts[-1], one)
        else:
            parts.append((one,))
    return parts


def _past(run: Run, season: str, line: Points, *, palette: Palette) -> go.Scatter:
    is_last = season == list(run.past)[-1]
    return go.Scatter(
        **_unbroken(line),
        mode="lines",
        line={"width": 1.8 if is_last else 1.0, "color": palette.quiet},
        opacity=0.9 if is_last else 0.55,
        text=_words(run, line, season=season),
        hovertemplate="%{text}<extra></extra>",
        name="past",
    )


def _curve(line: Points, *, dash: str, palette: Palette, name: str) -> go.Scatter:
    return go.Scatter(
        x=[day for day, _ in line],
        y=[value for _, value in line],
        mode="lines",
        line={"width": 2.0, "color": palette.copper, "dash": dash},
        hoverinfo="skip",
        name=name,
    )


def _now(run: Run, *, palette: Palette) -> go.Scatter:
    return go.Scatter(
        **_unbroken(run.now),
        mode="lines+markers",
        line={"width": 2.2, "color": palette.sea},
        marker={"symbol": "circle", "size": 7, "color": palette.sea},
        text=_words(run, run.now, season="this season"),
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
        name="now",
    )


def _unbroken(line: Points) -> dict[str, list[float | None]]:
    """Return days and figures, apart where a week or more between them has none."""
    x: list[float | None] = []
    y: list[float | None] = []
    for at, (day, value) in enumerate(line):
        if at and day - line[at - 1][0] > WEEK:
            x, y = [*x, day - 3], [*y, None]
        x, y = [*x, day], [*y, value]
    return {"x": x, "y": y}


def _words(run: Run, line: Points, *, season: str) -> list[str]:
    """Return the words of each point; a break in the line has an empty one."""
    values, name = dict(line), f"<b>{escape(season)}</b><br>"
    return [
        f"{name}{said(run, values[day])} by {day_words(run, day)}" if day in values else ""
        for day in _unbroken(line)["x"]
    ]


def _lay_out(drawn: go.Figure, run: Run, *, palette: Palette) -> None:
    days = [day for line in (*run.past.values(), run.now) for day, _ in line]
    days += [run.today[0]] if run.today else []
    first, last = min(days), max(days)
    ticks = _months(run.start, first, last)
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    words = "share come" if run.is_share else UNITS[NumberKind.RATIO]
    drawn.update_layout(
        height=HEIGHT, margin={"l": 44, "r": 12, "t": 24, "b": 26}, **plain(palette)
    )
    drawn.add_annotation(unit(words, palette=palette))
    for season in list(run.past)[-1:]:
        drawn.add_annotation(named(season, palette=palette))
    if run.today:
        is_late = run.today[0] > first + 0.6 * (last - first)
        _mark_today(drawn, *run.today, is_late=is_late, palette=palette)
    drawn.update_xaxes(
        tickvals=ticks,
        ticktext=[day_words(run, day) for day in ticks],
        range=[first - 4, last + 4],
        showgrid=False,
        tickangle=0,
        **axis,
    )
    drawn.update_yaxes(range=[0, 1.02 * run.top], gridcolor=palette.grid, **axis)
    if run.is_share:
        drawn.update_yaxes(tickvals=[0, 0.25, 0.5, 0.75, 1], tickformat=".0%")
    else:
        values = theme.ticks(0.0, run.top)
        drawn.update_yaxes(tickvals=values, ticktext=[f"{one:,.3g}" for one in values])


def _mark_today(drawn: go.Figure, day: int, words: str, *, is_late: bool, palette: Palette) -> None:
    """Draw a line at the last day of this season so far, its words beside it near the axis."""
    line = {"width": 1.4, "color": palette.sea, "dash": "dot"}
    drawn.add_shape(type="line", x0=day, x1=day, yref="paper", y0=0, y1=1, line=line)
    drawn.add_annotation(
        x=day,
        yref="paper",
        y=0,
        yshift=2,
        xshift=-3 if is_late else 3,
        text=escape(words),
        font={"size": 11, "color": palette.sea},
        xanchor="right" if is_late else "left",
        yanchor="bottom",
        showarrow=False,
    )


def _months(start: date, first: int, last: int) -> list[int]:
    """Return the days on which months begin, or every week where none does; five at most."""
    days = range(first, last + 1)
    found = [day for day in days if (start + timedelta(days=day)).day == 1]
    found = found or list(range(first, last + 1, 7))
    return found[:: max(1, -(-len(found) // 5))]
