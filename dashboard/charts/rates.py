"""Catch rates by week: the survey's points, the index, the level behind it, the weeks ahead."""

from __future__ import annotations

from html import escape
from itertools import pairwise
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboard.catch_rates.records import raw
from dashboard.charts import theme
from dashboard.charts.rate_panel import amount
from dashboard.charts.series import HOVER_WIDTH
from dashboard.charts.theme import plain
from dashboard.digits import percent
from dashboard.numbers import NumberKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.rate_panel import Line, Panel, Past
    from dashboard.charts.theme import Palette

HEIGHT = 236
#: What stands over the axis of figures.
UNITS = {NumberKind.RATIO: "fish per angler-hour", NumberKind.SHARE: "share of encounters"}


def figure(panel: Panel, *, palette: Palette) -> go.Figure:
    """Draw a panel."""
    drawn = go.Figure()
    for line in panel.past:
        drawn.add_trace(_past(panel, line, palette=palette))
    for trace in _levels(panel, palette=palette):
        drawn.add_trace(trace)
    drawn.add_trace(_intervals(panel, palette=palette))
    drawn.add_trace(_raw(panel, palette=palette))
    drawn.add_trace(_points(panel, palette=palette))
    drawn.add_trace(_gaps(panel, palette=palette))
    for hue, places in panel.cut.items():
        colour = getattr(palette, hue)
        drawn.add_trace(theme.cut_above(places, top=panel.top, colour=colour))
    _lay_out(drawn, panel, palette=palette)
    return drawn


def _past(panel: Panel, line: Past, *, palette: Palette) -> go.Scatter:
    is_last = line is panel.past[-1]
    return go.Scatter(
        x=[at for at, _ in line.points],
        y=[value for _, value in line.points],
        mode="lines",
        line={"width": 1.6 if is_last else 1.0, "color": palette.quiet},
        opacity=0.8 if is_last else 0.4,
        text=[_past_words(panel, line, *point) for point in line.points],
        hovertemplate="%{text}<extra></extra>",
        name="past",
    )


def _past_words(panel: Panel, line: Past, at: int, value: float | None) -> str:
    if value is None:
        return ""
    return f"<b>{escape(line.season)}</b><br>{_said(panel, value)} by {panel.weeks[at][5:]}"


def _levels(panel: Panel, *, palette: Palette) -> list[go.Scatter]:
    """Return bands and lines of the level; the part ahead starts at the last week behind it."""
    behind = [one for one in panel.behind if one["level"] is not None]
    ahead = [one for one in panel.trend if one["is_ahead"] and one["level"] is not None]
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
    ends = [one for one in lines if one["ci_low"] is not None and one["ci_high"] is not None]
    band = [*(one["ci_high"] for one in ends), *(one["ci_low"] for one in reversed(ends))]
    return go.Scatter(
        x=[panel.at(one["week"]) for one in (*ends, *reversed(ends))],
        y=[_inside(panel, one) for one in band],
        mode="lines",
        fill="toself",
        fillcolor=palette.copper,
        line={"width": 0},
        opacity=opacity,
        hoverinfo="skip",
        name=name,
    )


def _line(
    panel: Panel, lines: Sequence[Line | None], *, dash: str, name: str, palette: Palette
) -> go.Scatter:
    return go.Scatter(
        x=[None if one is None else panel.at(one["week"]) for one in lines],
        y=[None if one is None else one["level"] for one in lines],
        mode="lines",
        line={"width": 2.2, "color": palette.copper, "dash": dash},
        text=["" if one is None else _level_words(panel, one) for one in lines],
        hovertemplate="%{text}<extra></extra>",
        name=name,
    )


def _level_words(panel: Panel, one: Line) -> str:
    kind = "level ahead" if one["is_ahead"] else "level"
    shut = "<br>closed" if panel.at(one["week"]) in panel.closed else ""
    return f"<b>{one['week']}</b><br>{kind} {amount(panel, one, 'level').figure()}{shut}"


def _inside(panel: Panel, value: float) -> float:
    return min(max(value, panel.bottom), panel.top)


def _intervals(panel: Panel, *, palette: Palette) -> go.Scatter:
    x: list[int | None] = []
    y: list[float | None] = []
    for one in panel.index:
        if one["ci_low"] is not None and one["ci_high"] is not None:
            at = panel.at(one["week"])
            x += [at, at, None]
            y += [_inside(panel, one["ci_low"]), _inside(panel, one["ci_high"]), None]
    line = {"width": 4, "color": palette.sea}
    return go.Scatter(
        x=x, y=y, mode="lines", line=line, opacity=0.35, hoverinfo="skip", name="intervals"
    )


def _raw(panel: Panel, *, palette: Palette) -> go.Scatter:
    line = {"width": 1.4, "color": palette.quiet}
    marker = {"symbol": "diamond-open", "size": 7, "color": palette.quiet, "line": line}
    known = [one for one in panel.index if one["raw"] is not None and one["raw"] <= panel.top]
    words = [f"<b>{one['week']}</b><br>the survey's own {raw(one).figure()}" for one in known]
    return _dots(panel, known, "raw", words=words, marker=marker)


def _points(panel: Panel, *, palette: Palette) -> go.Scatter:
    known = [one for one in panel.index if one["index"] is not None]
    marker = {"symbol": "circle", "size": 7, "color": palette.sea}
    words = [_index_words(panel, one) for one in known]
    return _dots(panel, known, "index", words=words, marker=marker)


def _dots(
    panel: Panel, lines: Sequence[Line], name: str, *, words: Sequence[str], marker: dict[str, Any]
) -> go.Scatter:
    return go.Scatter(
        x=[panel.at(one["week"]) for one in lines],
        y=[one[name] for one in lines],
        mode="markers",
        marker=marker,
        text=words,
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
        name=name,
    )


def _index_words(panel: Panel, one: Line) -> str:
    words = f"<b>{one['week']}</b><br>index {amount(panel, one, 'index').figure()}"
    if one["n_trips"] is not None:
        words += f"<br>{one['n_trips']:,} trips"
    note = wrap(one.get("note") or one["reason"] or "", HOVER_WIDTH)
    return words + "".join(f"<br>{escape(line)}" for line in note)


def _gaps(panel: Panel, *, palette: Palette) -> go.Scatter:
    words = [
        "<br>".join([f"<b>{one['week']}</b>", *map(escape, wrap(one["reason"] or "", HOVER_WIDTH))])
        for one in panel.gaps
    ]
    places = [panel.at(one["week"]) for one in panel.gaps]
    height = panel.bottom + 0.04 * (panel.top - panel.bottom)
    return theme.gaps_below(places, words=words, at=height, palette=palette)


def _lay_out(drawn: go.Figure, panel: Panel, *, palette: Palette) -> None:
    step = max(1, -(-len(panel.weeks) // 5))
    places = list(range(0, len(panel.weeks), step))
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    drawn.update_layout(
        height=HEIGHT,
        margin={"l": 40, "r": 10, "t": 24, "b": 26},
        shapes=[_shut(at, palette=palette) for at in panel.closed],
        annotations=[
            unit(UNITS[panel.sort], palette=palette),
            *(named(one.season, palette=palette) for one in panel.past[-1:]),
        ],
        **plain(palette),
    )
    drawn.update_xaxes(
        tickvals=places,
        ticktext=[panel.weeks[at][5:] for at in places],
        range=[-0.6, len(panel.weeks) - 0.4],
        showgrid=False,
        tickangle=0,
        **axis,
    )
    values = theme.ticks(panel.bottom, panel.top)
    drawn.update_yaxes(
        range=[panel.bottom, panel.top],
        tickvals=values,
        ticktext=[_said(panel, one) for one in values],
        gridcolor=palette.grid,
        **axis,
    )


def unit(words: str, *, palette: Palette) -> dict[str, Any]:
    """Return the unit of an axis, to stand over its upper end."""
    return {
        "text": words,
        "font": {"size": 11, "color": palette.quiet},
        **{"xref": "paper", "yref": "paper", "x": 0, "y": 1, "yshift": 2},
        **{"xanchor": "left", "yanchor": "bottom", "showarrow": False},
    }


def named(season: str, *, palette: Palette) -> dict[str, Any]:
    """Return the name of the last past season, to stand over the right end of a figure."""
    found = unit(f"━ {escape(season)}", palette=palette)
    return found | {"x": 1, "xanchor": "right"}


def _shut(at: int, *, palette: Palette) -> dict[str, Any]:
    return {
        **{"type": "rect", "layer": "below", "xref": "x", "yref": "paper", "y0": 0, "y1": 1},
        **{"x0": at - 0.5, "x1": at + 0.5, "line": {"width": 0}},
        **{"fillcolor": palette.quiet, "opacity": 0.16},
    }


def _said(panel: Panel, value: float) -> str:
    return percent(value) if panel.sort is NumberKind.SHARE else f"{value:,.3g}"
