"""Fish by length with the legal line, and the share that would be legal at other lines."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboard.charts.theme import plain
from dashboard.charts.ways import ROW_HEIGHT
from dashboard.digits import percent
from dashboard.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dashboard.charts.theme import Palette


Line = dict[str, Any]

HEIGHT = 230
#: The signs of the bars with their words, and their colour.
SIGNS = (
    ("■", "adipose fin clipped"),
    ("▨", "not clipped, or not read"),
    ("┊", "legal minimum"),
)
HUES = {"▨": "sea", "┊": "ink"}
CURVE_SIGNS = (("━", "share that would be legal"), ("▒", "interval"), ("●", "the minimum in force"))
CURVE_HUES = {"●": "copper"}


def bars(
    bins: Sequence[Line],
    *,
    rules: Sequence[float],
    span: tuple[float, float],
    palette: Palette,
) -> go.Figure:
    """Draw fish by length.

    Parameters
    ----------
    bins : sequence of dict
        ``bin_low_mm``, ``bin_mm``, ``fish`` and ``marked`` of each bin.
    rules : sequence of float
        Legal minimum lengths in millimetres; empty where none is known.
    span : tuple of (float, float)
        Ends of the length axis.
    palette : Palette
    """
    figure = go.Figure()
    for is_marked in (True, False):
        counts = [one["marked"] if is_marked else one["fish"] - one["marked"] for one in bins]
        figure.add_trace(_stack(bins, counts, is_marked=is_marked, palette=palette))
    for rule in rules:
        line = {"width": 1.8, "color": palette.ink, "dash": "dot"}
        figure.add_vline(rule, line=line)
    _lay_out(figure, palette=palette)
    figure.update_layout(barmode="stack", bargap=0.12)
    figure.update_xaxes(
        title={"text": "total length, mm", **_titled(palette)}, range=list(span), nticks=6
    )
    figure.update_yaxes(title={"text": "fish", **_titled(palette)}, rangemode="tozero")
    return figure


def _stack(
    bins: Sequence[Line], counts: Sequence[int], *, is_marked: bool, palette: Palette
) -> go.Bar:
    return go.Bar(
        x=[one["bin_low_mm"] + one["bin_mm"] / 2 for one in bins],
        y=list(counts),
        width=[0.88 * one["bin_mm"] for one in bins],
        marker={
            "color": palette.sea,
            "pattern": {
                "shape": "" if is_marked else "/",
                "size": 5,
                "fillmode": "replace",
                "fgcolor": palette.sea,
            },
            "line": {"width": 1, "color": palette.sea},
        },
        text=[_bar_words(one) for one in bins],
        textposition="none",
        hovertemplate="%{text}<extra></extra>",
    )


def _bar_words(one: Line) -> str:
    low, high = one["bin_low_mm"], one["bin_low_mm"] + one["bin_mm"]
    words = f"<b>{low:,.0f} to under {high:,.0f} mm</b><br>{one['fish']:,} fish"
    words += f"<br>{one['marked']:,} with the adipose fin clipped"
    if one["converted"]:
        words += f"<br>{one['converted']:,} with the total length reckoned from another"
    return words


def curve(lines: Sequence[Line], *, palette: Palette) -> go.Figure:
    """Draw the share of the fish met that would be legal at each minimum length.

    Parameters
    ----------
    lines : sequence of dict
        Lines of the table of legal shares of one domain that have a share, by minimum length.
    palette : Palette
    """
    known = [one for one in lines if one["ci_low"] is not None and one["ci_high"] is not None]
    back = list(reversed(known))
    figure = go.Figure(
        go.Scatter(
            x=[one["min_length_mm"] for one in (*known, *back)],
            y=[*(one["ci_high"] for one in known), *(one["ci_low"] for one in back)],
            mode="lines",
            fill="toself",
            fillcolor=palette.sea,
            line={"width": 0},
            opacity=0.25,
            hoverinfo="skip",
        )
    )
    figure.add_trace(_share_line(lines, palette=palette))
    rules = [one for one in lines if one["is_rule"]]
    figure.add_trace(
        go.Scatter(
            x=[one["min_length_mm"] for one in rules],
            y=[one["share"] for one in rules],
            mode="markers",
            marker={"size": 11, "color": palette.copper},
            text=[_share_words(one) for one in rules],
            hovertemplate="%{text}<extra></extra>",
            cliponaxis=False,
        )
    )
    _lay_out(figure, palette=palette)
    figure.update_xaxes(title={"text": "minimum total length, mm", **_titled(palette)}, nticks=6)
    figure.update_yaxes(range=[0, 1], tickformat=".0%", nticks=5)
    return figure


def _share_line(lines: Sequence[Line], *, palette: Palette) -> go.Scatter:
    return go.Scatter(
        x=[one["min_length_mm"] for one in lines],
        y=[one["share"] for one in lines],
        mode="lines",
        line={"width": 2.2, "color": palette.sea},
        text=[_share_words(one) for one in lines],
        hovertemplate="%{text}<extra></extra>",
    )


def _share_words(one: Line) -> str:
    share = Measurement(one["share"], one["ci_low"], one["ci_high"], NumberKind.SHARE)
    rule = ", in force" if one["is_rule"] else ""
    return f"<b>minimum {one['min_length_mm']:,.0f} mm{rule}</b><br>{share.figure()}"


def _titled(palette: Palette) -> dict[str, Any]:
    return {"font": {"size": 12, "color": palette.quiet}, "standoff": 4}


def _lay_out(figure: go.Figure, *, palette: Palette) -> None:
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    figure.update_layout(
        height=HEIGHT, margin={"l": 52, "r": 12, "t": 8, "b": 44}, **plain(palette)
    )
    figure.update_xaxes(showgrid=False, **axis)
    figure.update_yaxes(nticks=5, gridcolor=palette.grid, **axis)


# What other ways to reckon rest on: coverage by area, and the fish that boats reported.

#: The signs of the figure of reports with their words.
REPORT_SIGNS = (
    ("▨", "boats at a multiple of 5"),
    ("■", "boats at another number"),
    ("━", "smooth curve through the other numbers"),
)
#: Signs that are not drawn in the colour of estimates, and the colour of the palette they have.
REPORT_HUES = {"▨": "copper", "━": "ink"}
#: A pooled share wears an open mark.
SHARE_SIGNS = (("●", "share of boats"), ("○", "share of all areas together"), ("━", "interval"))
#: The figure of reports ends where at most this part of the boats is left, and never before 12.
TAIL, LEAST_SHOWN = 0.01, 12


def shares(lines: Sequence[Line], *, names: Mapping[str, str], palette: Palette) -> go.Figure:
    """Draw the share of boats for listed sites, one line an area.

    Parameters
    ----------
    lines : sequence of dict
        Lines of the table of coverage that have a share, at least one.
    names : mapping of str to str
        Area names.
    palette : Palette
    """
    x: list[float | None] = []
    y: list[int | None] = []
    for at, line in enumerate(lines):
        if line["share_low"] is not None:
            x += [line["share_low"], line["share_high"], None]
            y += [at, at, None]
    bar = {"width": 5, "color": palette.sea}
    figure = go.Figure(go.Scatter(x=x, y=y, mode="lines", line=bar, opacity=0.4, hoverinfo="skip"))
    figure.add_trace(
        go.Scatter(
            x=[line["share"] for line in lines],
            y=list(range(len(lines))),
            mode="markers",
            marker={
                "symbol": ["circle-open" if line["is_pooled"] else "circle" for line in lines],
                "size": 10,
                "color": palette.sea,
                "line": {"width": 1.8, "color": palette.sea},
            },
            text=[
                f"{escape(names.get(line['area']) or line['area'])}: {percent(line['share'])}<br>"
                f"{line['boats']:,} boats on {line['n_days']:,} days"
                for line in lines
            ],
            hovertemplate="%{text}<extra></extra>",
            cliponaxis=False,
        )
    )
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    figure.update_layout(
        height=ROW_HEIGHT * len(lines) + 40,
        margin={"l": 8, "r": 16, "t": 6, "b": 26},
        **plain(palette),
    )
    figure.update_xaxes(range=[0, 1], tickformat=".0%", nticks=6, gridcolor=palette.grid, **axis)
    figure.update_yaxes(
        tickvals=list(range(len(lines))),
        ticktext=[escape(names.get(line["area"]) or line["area"]) for line in lines],
        automargin=True,
        range=[len(lines) - 0.5, -0.5],
        showgrid=False,
        **(axis | {"color": palette.ink}),
    )
    return figure


def shown(lines: Sequence[Line]) -> list[Line]:
    """Return the numbers of fish that the figure of reports shows; the table has all."""
    left, of = sum(line["boats"] for line in lines), sum(line["boats"] for line in lines)
    kept: list[Line] = []
    for line in lines:
        if len(kept) >= LEAST_SHOWN and left <= TAIL * of:
            break
        kept.append(line)
        left -= line["boats"]
    return kept


def reports(lines: Sequence[Line], *, palette: Palette) -> go.Figure:
    """Draw how many boats reported each number of sublegal releases.

    Parameters
    ----------
    lines : sequence of dict
        Lines of the table of heaping, as `shown` cuts them.
    palette : Palette
    """
    heaps = [line["is_heap"] for line in lines]
    words = [
        f"<b>{line['fish']} fish</b><br>{line['boats']:,} boats"
        + ("" if line["smooth"] is None else f"<br>{line['smooth']:,.0f} by the curve")
        for line in lines
    ]
    figure = go.Figure(
        go.Bar(
            x=[line["fish"] for line in lines],
            y=[line["boats"] for line in lines],
            marker={
                "color": [palette.copper if heap else palette.sea for heap in heaps],
                "pattern": {
                    "shape": ["/" if heap else "" for heap in heaps],
                    "size": 6,
                    "fillmode": "replace",
                },
                "line": {
                    "width": 1,
                    "color": [palette.copper if heap else palette.sea for heap in heaps],
                },
            },
            text=words,
            textposition="none",
            hovertemplate="%{text}<extra></extra>",
        )
    )
    if lines and lines[0]["smooth"] is not None:
        curve = {"width": 2.2, "color": palette.ink}
        x, y = [line["fish"] for line in lines], [line["smooth"] for line in lines]
        figure.add_trace(go.Scatter(x=x, y=y, mode="lines", line=curve, hoverinfo="skip"))
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    titled = {"font": {"size": 12, "color": palette.quiet}, "standoff": 4}
    figure.update_layout(
        height=270, margin={"l": 54, "r": 10, "t": 8, "b": 44}, bargap=0.15, **plain(palette)
    )
    figure.update_xaxes(
        title={"text": "sublegal fish reported by a boat", **titled},
        tickvals=[1, *(line["fish"] for line in lines if line["is_heap"])],
        showgrid=False,
        **axis,
    )
    figure.update_yaxes(title={"text": "boats", **titled}, nticks=5, gridcolor=palette.grid, **axis)
    return figure
