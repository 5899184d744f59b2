"""Catch rates by week: the survey's points, the index, the level behind it, the weeks ahead."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboard.amounts import Amount, Sort
from dashboard.charts.palette import plain
from dashboard.charts.trends import HOVER_WIDTH
from dashboard.rates.index import raw

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.palette import Palette

Line = dict[str, Any]

HEIGHT = 220
SIGNS = (
    ("●", "index with its interval"),
    ("◇", "the survey's own figure"),
    ("━", "level and its interval"),
    ("┈", "weeks ahead"),
)
PAST = ("─", "index of a past season")
GAP = ("×", "open, but no index")
CUT = ("▲", "the interval runs on above the panel")
HUES = {"◇": "quiet", "━": "copper", "┈": "copper", "─": "quiet", "×": "quiet"}


@dataclass(frozen=True, slots=True)
class Panel:
    """What one panel shows; weeks are places on the axis.

    Parameters
    ----------
    weeks : tuple of str
        The axis: weeks of the season so far, then those ahead.
    index, trend : tuple of dict
        Lines of the two tables, by week.
    past : tuple of tuple of (int, float)
        Place and index of each past season; None breaks the line.
    sort : Sort
    """

    weeks: tuple[str, ...]
    index: tuple[Line, ...]
    trend: tuple[Line, ...]
    past: tuple[tuple[tuple[int, float | None], ...], ...]
    sort: Sort

    @property
    def top(self) -> float:
        """Top of the axis: no more than twice the highest figure, so that one stays readable."""
        known = [line[name] for line in self.index for name in ("index", "raw")]
        known += [line["level"] for line in self.trend]
        known += [value for line in self.past for _, value in line]
        most = max((one for one in known if one is not None), default=0.0)
        ends = [one["ci_high"] for one in (*self.index, *self.trend) if one["ci_high"] is not None]
        top = 1.08 * (max(most, min(max(ends, default=0.0), 2 * most)) or 1.0)
        return min(top, 1.0) if self.sort is Sort.SHARE else top

    @property
    def is_cut(self) -> bool:
        """Whether an interval runs on above the panel."""
        return bool(self.cut)

    @property
    def cut(self) -> list[str]:
        """Weeks whose interval of index or level runs on above the panel."""
        ends = (one for one in (*self.index, *self.trend) if (one["ci_high"] or 0.0) > self.top)
        return list(dict.fromkeys(one["week"] for one in ends))

    @property
    def gaps(self) -> list[Line]:
        """Lines of weeks that were open and have no index."""
        return [one for one in self.index if one["index"] is None]

    def at(self, week: str) -> int:
        """Return the place of a week on the axis."""
        return self.weeks.index(week)


def signs(panels: Sequence[Panel]) -> list[tuple[str, str]]:
    """Return the signs that occur in some panels with their words."""
    found = list(SIGNS[:2])
    levels = [line["is_ahead"] for one in panels for line in one.trend if line["level"] is not None]
    found += [SIGNS[2]] * (False in levels) + [SIGNS[3]] * (True in levels)
    found += [PAST] * any(one.past for one in panels)
    found += [GAP] * any(one.gaps for one in panels)
    return found + [CUT] * any(one.is_cut for one in panels)


def figure(panel: Panel, *, palette: Palette) -> go.Figure:
    """Draw a panel."""
    drawn = go.Figure()
    for line in panel.past:
        drawn.add_trace(_past(line, palette=palette))
    for is_ahead in (False, True):
        for trace in _level(panel, is_ahead=is_ahead, palette=palette):
            drawn.add_trace(trace)
    drawn.add_trace(_intervals(panel, palette=palette))
    drawn.add_trace(_raw(panel, palette=palette))
    drawn.add_trace(_points(panel, palette=palette))
    drawn.add_trace(_gaps(panel, palette=palette))
    drawn.add_trace(_cut(panel, palette=palette))
    _lay_out(drawn, panel, palette=palette)
    return drawn


def description(panel: Panel, *, of: str) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    known = [one for one in panel.index if one["index"] is not None]
    if not known:
        return f"{of}: no week has an index."
    last = known[-1]
    words = (
        f"{of} by week, {len(known)} of {len(panel.index)} weeks with an index; the last, "
        f"{last['week']}, {_amount(panel, last, 'index').figure()}"
    )
    levels = [one for one in panel.trend if one["level"] is not None and not one["is_ahead"]]
    if levels:
        first, end = (_amount(panel, one, "level").words for one in (levels[0], levels[-1]))
        words += f"; the level goes from {first} to {end}"
    return f"{words}."


def _amount(panel: Panel, line: Line, name: str) -> Amount:
    return Amount(line[name], line["ci_low"], line["ci_high"], panel.sort)


def _past(line: Sequence[tuple[int, float | None]], *, palette: Palette) -> go.Scatter:
    return go.Scatter(
        x=[at for at, _ in line],
        y=[value for _, value in line],
        mode="lines",
        line={"width": 1.1, "color": palette.quiet},
        opacity=0.45,
        hoverinfo="skip",
        name="past",
    )


def _level(panel: Panel, *, is_ahead: bool, palette: Palette) -> list[go.Scatter]:
    """Return the band and line of the level; the part ahead starts at the last week behind it."""
    known = [one for one in panel.trend if one["level"] is not None]
    behind = [one for one in known if not one["is_ahead"]]
    lines = [*behind[-1:], *known[len(behind) :]] if is_ahead else behind
    if not lines or (is_ahead and len(known) == len(behind)):
        return []
    x = [panel.at(one["week"]) for one in lines]
    ends = [one for one in lines if one["ci_low"] is not None and one["ci_high"] is not None]
    across = [panel.at(one["week"]) for one in (*ends, *reversed(ends))]
    band = [*(one["ci_high"] for one in ends), *(one["ci_low"] for one in reversed(ends))]
    dash = "dot" if is_ahead else "solid"
    return [
        go.Scatter(
            x=across,
            y=[min(one, panel.top) for one in band],
            mode="lines",
            fill="toself",
            fillcolor=palette.copper,
            line={"width": 0},
            opacity=0.12 if is_ahead else 0.22,
            hoverinfo="skip",
            name="band ahead" if is_ahead else "band",
        ),
        go.Scatter(
            x=x,
            y=[one["level"] for one in lines],
            mode="lines",
            line={"width": 2.2, "color": palette.copper, "dash": dash},
            text=[_level_words(panel, one) for one in lines],
            hovertemplate="%{text}<extra></extra>",
            name="ahead" if is_ahead else "level",
        ),
    ]


def _level_words(panel: Panel, one: Line) -> str:
    kind = "level ahead" if one["is_ahead"] else "level"
    return f"<b>{one['week']}</b><br>{kind} {_amount(panel, one, 'level').figure()}"


def _intervals(panel: Panel, *, palette: Palette) -> go.Scatter:
    x: list[int | None] = []
    y: list[float | None] = []
    for one in panel.index:
        if one["ci_low"] is not None and one["ci_high"] is not None:
            at = panel.at(one["week"])
            x += [at, at, None]
            y += [min(one["ci_low"], panel.top), min(one["ci_high"], panel.top), None]
    line = {"width": 4, "color": palette.sea}
    return go.Scatter(
        x=x, y=y, mode="lines", line=line, opacity=0.35, hoverinfo="skip", name="intervals"
    )


def _raw(panel: Panel, *, palette: Palette) -> go.Scatter:
    known = [one for one in panel.index if one["raw"] is not None]
    return go.Scatter(
        x=[panel.at(one["week"]) for one in known],
        y=[one["raw"] for one in known],
        mode="markers",
        marker={
            "symbol": "diamond-open",
            "size": 7,
            "color": palette.quiet,
            "line": {"width": 1.4, "color": palette.quiet},
        },
        text=[_raw_words(one) for one in known],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
        name="raw",
    )


def _raw_words(one: Line) -> str:
    return f"<b>{one['week']}</b><br>the survey's own {raw(one).figure()}"


def _points(panel: Panel, *, palette: Palette) -> go.Scatter:
    known = [one for one in panel.index if one["index"] is not None]
    return go.Scatter(
        x=[panel.at(one["week"]) for one in known],
        y=[one["index"] for one in known],
        mode="markers",
        marker={"symbol": "circle", "size": 7, "color": palette.sea},
        text=[_index_words(panel, one) for one in known],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
        name="index",
    )


def _index_words(panel: Panel, one: Line) -> str:
    words = f"<b>{one['week']}</b><br>index {_amount(panel, one, 'index').figure()}"
    return words if one["n_trips"] is None else f"{words}<br>{one['n_trips']:,} trips"


def _gaps(panel: Panel, *, palette: Palette) -> go.Scatter:
    found = panel.gaps
    words = [
        "<br>".join([f"<b>{one['week']}</b>", *map(escape, wrap(one["reason"] or "", HOVER_WIDTH))])
        for one in found
    ]
    return go.Scatter(
        x=[panel.at(one["week"]) for one in found],
        y=[0.04 * panel.top] * len(found),
        mode="markers",
        marker={
            "symbol": "x-thin",
            "size": 8,
            "color": palette.quiet,
            "line": {"width": 1.6, "color": palette.quiet},
        },
        text=words,
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
        name="gaps",
    )


def _cut(panel: Panel, *, palette: Palette) -> go.Scatter:
    over = [panel.at(week) for week in panel.cut]
    return go.Scatter(
        x=over,
        y=[panel.top] * len(over),
        mode="markers",
        marker={"symbol": "arrow-up", "size": 8, "color": palette.sea},
        hoverinfo="skip",
        cliponaxis=False,
        name="cut",
    )


def _lay_out(drawn: go.Figure, panel: Panel, *, palette: Palette) -> None:
    step = max(1, -(-len(panel.weeks) // 5))
    ticks = list(range(0, len(panel.weeks), step))
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    drawn.update_layout(height=HEIGHT, margin={"l": 44, "r": 10, "t": 8, "b": 26}, **plain(palette))
    drawn.update_xaxes(
        tickvals=ticks,
        ticktext=[panel.weeks[at][5:] for at in ticks],
        range=[-0.6, len(panel.weeks) - 0.4],
        showgrid=False,
        tickangle=0,
        **axis,
    )
    shown = ".0%" if panel.sort is Sort.SHARE else ",.2~f"
    drawn.update_yaxes(
        range=[0, panel.top], nticks=4, gridcolor=palette.grid, tickformat=shown, **axis
    )
