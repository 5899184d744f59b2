"""What figures are drawn with, each once: points, intervals, cut ends, gaps, bands, axes, words.

Traces and layouts are plain dictionaries: plotly's check of every attribute takes most of the time
of a figure. Tests look at figures through that check (`Figure.data`), pages do not wait for it.
"""

from __future__ import annotations

import html
import json
import math
import zlib
from textwrap import wrap
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import plotly.graph_objects as go

from analytics.units import tick_day
from analytics.wording.bulletin_index import before_words, cut_name, monday
from analytics.wording.numbers import week_dates

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from analytics.palette import Palette


#: Plotly takes the font of the page; nothing is fetched.
FONT = '"Source Sans", sans-serif'


def _shared_layout(palette: Palette) -> dict[str, Any]:
    """Return the layout that figures share."""
    return {
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": FONT, "size": 12, "color": palette.ink},
        "showlegend": False,
        "dragmode": False,
        "hovermode": "closest",
        "hoverlabel": {"font": {"family": FONT, "size": 13}},
    }


def _shared_axis(palette: Palette, own: Mapping[str, Any]) -> dict[str, Any]:
    """Return an axis of a figure: what axes share, and what it says itself."""
    title = {"font": {"size": 12, "color": palette.quiet}, "standoff": 4} | own.get("title", {})
    shared = {"fixedrange": True, "zeroline": False, "ticks": ""}
    # Labels that overflow are looked after by the margins; to let plotly measure each takes long.
    shared |= {"color": palette.quiet, "gridcolor": palette.grid, "ticklabeloverflow": "allow"}
    return {**shared, **own, "title": title}


#: Characters a line of hover words holds.
HOVER_WIDTH = 60
HOVER = "%{text}<extra></extra>"
#: Ends of an axis that cut nothing.
OPEN = (-math.inf, math.inf)
#: Where the mark of a gap stands, as a part of the axis.
GAP_AT = 0.04

#: Characters of a name over a strip.
_NAME_WIDTH = 40
#: Pixels over a strip for its name.
NAME_HEIGHT = 30

Ends = tuple[float, float]
#: A trace as plotly.js reads it.
Trace = dict[str, Any]


class Point(NamedTuple):
    """A number on a figure: its place, its value and interval, its hover words, its own symbol."""

    at: float
    value: float | None
    low: float | None = None
    high: float | None = None
    words: str = ""
    symbol: str = ""


def escape(words: str) -> str:
    """Return words as plotly's text takes them; quotes stay, of which it knows no entity."""
    return html.escape(words, quote=False)


def strip_name(name: str) -> str:
    """Return the bold name over a strip: cut where it is long, and turning no words after it."""
    return f"<b>{escape(before_words(cut_name(name, _NAME_WIDTH)))}</b>"


def hover(head: str, *lines: str) -> str:
    """Return hover words: a bold head, then lines, wrapped; empty ones are left out."""
    given = [one for line in lines for one in line.split("\n") if one.strip()]
    parts = [part for one in given for part in _wrapped(one, HOVER_WIDTH)]
    return "<br>".join([f"<b>{escape(head)}</b>", *map(escape, parts)])


def _wrapped(words: str, width: int) -> list[str]:
    """Return words on lines of a width; most are short, and to find that out costs little."""
    return [words] if len(words) <= width else wrap(words, width)


def week_words(week: str) -> str:
    """Return a week by its dates and its ISO number, as the pointer shows it."""
    return f"{week_dates(week)} ({week})"


def label(words: str, width: int) -> str:
    """Return a label on lines of a width in characters, escaped."""
    return "<br>".join(map(escape, wrap(words, width)))


# Traces. Values stand on the y axis, or, `down` the lines of a list, on the x axis.


def trace(kind: str, **how: Any) -> Trace:
    """Return a trace of one of plotly's kinds; what is None is left out."""
    return {"type": kind} | {name: value for name, value in how.items() if value is not None}


def intervals(
    points: Iterable[Point],
    *,
    colour: str,
    width: float = 5,
    opacity: float = 0.4,
    ends: Ends = OPEN,
    down: bool = False,
    name: str | None = None,
) -> Trace:
    """Draw intervals as bars, held inside the ends of the axis."""
    at: list[float | None] = []
    values: list[float | None] = []
    for one in points:
        if one.low is not None and one.high is not None:
            at += [one.at, one.at, None]
            values += [clamp(one.low, ends), clamp(one.high, ends), None]
    line = {"width": width, "color": colour}
    how = {"line": line, "opacity": opacity, "hoverinfo": "skip", "name": name}
    return trace("scatter", **_placed(at, values, down=down), mode="lines", **how)


def marks(
    points: Iterable[Point],
    *,
    colour: str | Sequence[str],
    symbol: str = "circle",
    size: float | Sequence[float] = 10,
    ends: Ends = OPEN,
    down: bool = False,
    name: str | None = None,
) -> Trace:
    """Draw the points that have a value, by their own symbol or that of all."""
    known = [one for one in points if one.value is not None]
    values = [clamp(one.value, ends) for one in known if one.value is not None]
    marker = {
        "symbol": [one.symbol or symbol for one in known],
        "size": size,
        "color": colour,
        "line": {"width": 1.8, "color": colour},
    }
    how = {"marker": marker, "text": [one.words for one in known], "hovertemplate": HOVER}
    return _markers([one.at for one in known], values, down=down, name=name, **how)


def gaps(points: Iterable[Point], *, ends: Ends, palette: Palette, down: bool = False) -> Trace:
    """Mark the points without a value near the low end of the axis, each with its hover words."""
    at = ends[0] + GAP_AT * (ends[1] - ends[0])
    missing = [one._replace(value=at) for one in points if one.value is None]
    how: dict[str, Any] = {"colour": palette.quiet, "symbol": "x-thin", "size": 8}
    return marks(missing, down=down, name="gaps", **how)


def cuts(
    points: Sequence[Point], *, ends: Ends, colour: str, inset: float = 1.0, down: bool = False
) -> Trace:
    """Mark the ends of the axis beyond which an interval extends.

    On a logarithmic axis a mark on the end itself may not be drawn: `inset` is the factor by which
    it stands inside.
    """
    sides = [beyond(one, ends) for one in points]
    pairs = list(zip(points, sides, strict=True))
    under = list(dict.fromkeys(one.at for one, (is_under, _) in pairs if is_under))
    over = list(dict.fromkeys(one.at for one, (_, is_over) in pairs if is_over))
    low, high = ("left", "right") if down else ("down", "up")
    symbols = [f"arrow-{low}"] * len(under) + [f"arrow-{high}"] * len(over)
    values = [inset * ends[0]] * len(under) + [ends[1] / inset] * len(over)
    marker = {"symbol": symbols, "size": 8, "color": colour}
    how = {"marker": marker, "hoverinfo": "skip", "name": "cut"}
    return _markers([*under, *over], values, down=down, **how)


def beyond(one: Point, ends: Ends) -> tuple[bool, bool]:
    """Return whether a point or its interval extends beyond the low and the high end."""
    known = [end for end in (one.value, one.low, one.high) if end is not None]
    return any(end < ends[0] for end in known), any(end > ends[1] for end in known)


def clamp(value: float, ends: Ends) -> float:
    """Return a value moved inside the ends of an axis."""
    return min(max(value, ends[0]), ends[1])


def band(
    runs: Iterable[Sequence[tuple[Any, float, float]]],
    *,
    colour: str,
    opacity: float,
    edge: float = 0,
    fill: str | None = None,
    name: str | None = None,
) -> Trace:
    """Draw bands through runs of (place, low, high); runs stand apart."""
    x: list[Any] = []
    y: list[float | None] = []
    for run in runs:
        x += [None] * bool(x) + [at for at, *_ in run] + [at for at, *_ in reversed(run)]
        y += [None] * bool(y) + [high for *_, high in run] + [low for _, low, _ in reversed(run)]
    how = {"line": {"width": edge, "color": colour}, "opacity": opacity, "hoverinfo": "skip"}
    inside = {"fill": "toself", "fillcolor": fill or colour}
    return trace("scatter", x=x, y=y, mode="lines", name=name, **inside, **how)


def faint(colour: str, opacity: float) -> str:
    """Return a colour of the palette as one that lets through what lies behind."""
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return f"rgba({red},{green},{blue},{opacity})"


def parts(points: Iterable[Any], *, step: float = 1) -> list[list[Any]]:
    """Return points, each with its place first, in runs without a gap of more than a step."""
    runs: list[list[Any]] = []
    for one in points:
        if runs and one[0] - runs[-1][-1][0] <= step:
            runs[-1].append(one)
        else:
            runs.append([one])
    return runs


def line(
    x: Sequence[Any],
    y: Sequence[float | None],
    *,
    colour: str,
    width: float = 2.2,
    dash: str = "solid",
    words: Sequence[str] | None = None,
    **more: Any,
) -> Trace:
    """Draw a line that breaks where there is no value; without words the pointer skips it."""
    said = {"hoverinfo": "skip"} if words is None else {"text": words, "hovertemplate": HOVER}
    how = {"mode": "lines", "line": {"width": width, "color": colour, "dash": dash}, **said}
    return trace("scatter", x=x, y=y, connectgaps=False, **(how | more))


def _placed(at: Sequence[Any], values: Sequence[Any], *, down: bool) -> dict[str, Sequence[Any]]:
    return {"x": values, "y": at} if down else {"x": at, "y": values}


def _markers(at: Sequence[float], values: Sequence[float], *, down: bool, **how: Any) -> Trace:
    where = _placed(at, values, down=down)
    return trace("scatter", **where, mode="markers", cliponaxis=False, **how)


# Axes, lines across, and the figure.


def axis(title: str = "", **how: Any) -> dict[str, Any]:
    """Return an axis with its title, if any."""
    return {"title": {"text": title}, **how} if title else how


def weeks_across(weeks: Sequence[str]) -> dict[str, Any]:
    """Return an axis of weeks by place, at most seven of them named by their Monday."""
    places = range(0, len(weeks), max(1, -(-len(weeks) // 7)))
    ends = [-0.6, len(weeks) - 0.4]
    names = [tick_day(monday(weeks[at])) for at in places]
    return axis(tickvals=list(places), ticktext=names, range=ends, showgrid=False, tickangle=0)


def lines_down(labels: Sequence[str], *, palette: Palette) -> dict[str, Any]:
    """Return an axis of labelled lines from top to bottom."""
    places, ends = list(range(len(labels))), [len(labels) - 0.5, -0.5]
    how: dict[str, Any] = {"showgrid": False, "ticklabelstandoff": 6, "color": palette.ink}
    return axis(tickvals=places, ticktext=list(labels), range=ends, automargin=True, **how)


def line_height(labels: Sequence[str], least: int) -> int:
    """Return the pixels of a line that the tallest of some labels needs, `least` or more."""
    return max([least, *(17 * (one.count("<br>") + 1) for one in labels)])


def across(at: Any, *, colour: str, width: float = 1.4, dash: str = "dot") -> dict[str, Any]:
    """Return a line over the height of a figure at a place of the x axis, below its traces."""
    line = {"width": width, "color": colour, "dash": dash}
    ends = {"x0": at, "x1": at, "yref": "paper", "y0": 0, "y1": 1}
    return {"type": "line", "layer": "below", "line": line, **ends}


def shade(
    left: float, right: float, *, colour: str, opacity: float | None = None, yref: str = "paper"
) -> dict[str, Any]:
    """Return a strip over the height of a figure, or of `yref`, between places of the x axis."""
    ends = {"x0": left, "x1": right, "yref": yref, "y0": 0, "y1": 1}
    how = {"fillcolor": colour, "opacity": opacity, "line": {"width": 0}}
    return {"type": "rect", "layer": "below", **ends, **how}


def note(words: str, *, colour: str, **place: Any) -> dict[str, Any]:
    """Return words over the upper left end of a figure, or elsewhere."""
    corner = {"xref": "paper", "yref": "paper", "x": 0, "y": 1, "yshift": 2}
    corner |= {"xanchor": "left", "yanchor": "bottom"}
    font = {"size": 11, "color": colour} | place.pop("font", {})
    return {"text": words, "font": font, "showarrow": False, **(corner | place)}


def figure(
    traces: Sequence[Any],
    *,
    palette: Palette,
    height: float,
    margin: tuple[int, int, int, int],
    **layout: Any,
) -> Figure:
    """Return a figure in the colours of a theme; `margin` is left, right, top, bottom.

    Streamlit gives each new figure to plotly.js twice. The second time nothing is drawn, as long as
    the layout has no template, which is always new to plotly.js, and names the state of its data.
    """
    room = dict(zip("lrtb", margin, strict=True))
    common = _shared_layout(palette) | {"height": height, "margin": room}
    common["datarevision"] = zlib.crc32(repr(traces).encode())
    whole = {"xaxis": {}, "yaxis": {}} | common | layout
    axes = {
        name: _shared_axis(palette, own)
        for name, own in whole.items()
        if name.startswith(("xaxis", "yaxis"))
    }
    return Figure({"data": list(traces), "layout": whole | axes})


class Strip(NamedTuple):
    """One of several figures over the same places: its name, its traces, its y axis."""

    name: str
    traces: Sequence[Trace]
    yaxis: dict[str, Any]


def stacked(
    strips: Sequence[Strip],
    *,
    palette: Palette,
    height: float,
    xaxis: dict[str, Any],
    margin: tuple[int, int, int, int] = (44, 10, 22, 26),
    annotations: Sequence[dict[str, Any]] = (),
    **layout: Any,
) -> Figure:
    """Return one figure of strips of a height each, one below the other, on one x axis.

    One figure takes a browser a fraction of the time of as many as it has strips, and reads the
    same on a wide page and on a phone. Names are HTML as plotly has it, escaped by the caller.
    """
    whole = len(strips) * (height + NAME_HEIGHT)
    traces, axes = [], dict[str, Any]()
    for at, strip in enumerate(strips, 1):
        top = 1 - ((at - 1) * (height + NAME_HEIGHT) + NAME_HEIGHT) / whole
        own = "" if at == 1 else str(at)
        ends = [max(top - height / whole, 0.0), top]
        axes[f"yaxis{own}"] = strip.yaxis | {"domain": ends, "anchor": "x"}
        # A name is a trace: the browser takes several times as long for a note.
        name = _name(strip, at=xaxis["range"][0], colour=palette.ink)
        traces += [one | {"yaxis": f"y{own}"} for one in (*strip.traces, name)]
    last = "" if len(strips) == 1 else str(len(strips))
    return figure(
        traces,
        palette=palette,
        height=whole + margin[2] + margin[3],
        margin=margin,
        annotations=list(annotations),
        xaxis=xaxis | {"anchor": f"y{last}"},
        **axes,
        **layout,
    )


def _name(strip: Strip, *, at: float, colour: str) -> Trace:
    """Write the name of a strip over its upper left end."""
    how: dict[str, Any] = {"textposition": "top right", "textfont": {"size": 13, "color": colour}}
    how |= {"hoverinfo": "skip", "cliponaxis": False, "name": "name"}
    y = [strip.yaxis["range"][1]]
    return trace("scatter", x=[at], y=y, text=[strip.name], mode="text", **how)


class Figure(go.Figure):  # type: ignore[misc]  # plotly has no types
    """A figure as plotly.js reads it, unchecked until someone looks into it.

    Streamlit asks for nothing but `to_dict`; `data` and `layout` are those of a checked copy.
    """

    def __init__(self, content: dict[str, Any]) -> None:
        self._content = content

    def to_dict(self) -> dict[str, Any]:
        """Return traces and layout, to be read only."""
        return self._content

    @property
    def data(self) -> Any:
        """The traces, checked."""
        return self._checked.data

    @property
    def layout(self) -> Any:
        """The layout, checked."""
        return self._checked.layout

    @property
    def _checked(self) -> go.Figure:
        return go.Figure(self._content)


def data(columns: Sequence[str], lines: Iterable[Sequence[Any]]) -> str:
    """Return a table as the `meta` of a figure, from which the page makes its download.

    It is a text: anything else would look new to plotly.js whenever it is given the figure.
    """
    known = [
        [None if isinstance(one, float) and not math.isfinite(one) else one for one in line]
        for line in lines
    ]
    return json.dumps({"columns": list(columns), "lines": known}, allow_nan=False)


#: Steps that read easily, within a power of ten; the largest first.
_STEPS = (5.0, 4.0, 2.5, 2.0, 1.0)
#: Ticks that an axis has at least.
FEWEST_TICKS = 3
#: The part of figures that an axis holds at the least, and how far above it others may stretch it.
MOST, SPIKE = 0.95, 1.3


def ticks(low: float, high: float) -> list[float]:
    """Return the fewest round numbers between two ends, the second higher: three or more."""
    power = math.floor(math.log10(high - low)) + 1
    for exponent in range(power, power - 4, -1):
        for step in (one * 10.0**exponent for one in _STEPS):
            first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
            if last - first + 1 >= FEWEST_TICKS:
                return [round(at * step, 12) for at in range(first, last + 1)]
    return [low, high]


def without_spikes(values: Sequence[float]) -> float:
    """Return the highest of some figures; where it stands far above the most, their quantile.

    Few figures far above all others would squeeze the rest.
    """
    if not values:
        return 0.0
    highest, most = max(values), float(np.quantile(values, MOST))
    return most if highest > SPIKE * most else highest
