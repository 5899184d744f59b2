"""Fish by length with the legal line, and the share that would be legal at other lines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboard.amounts import Amount, Sort
from dashboard.charts.palette import plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.palette import Palette

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
    share = Amount(one["share"], one["ci_low"], one["ci_high"], Sort.SHARE)
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
