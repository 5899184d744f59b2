"""Curves: the share legal at other minimum lengths, fish alive over time, residuals, precision."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.units import Length, amount, length_words
from analytics.wording import numbers
from analytics.wording.numbers import NumberKind
from dashboard.catalogue import phrase, say
from dashboard.charts import drawing
from dashboard.charts.drawing import Point

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.palette import Palette
    from dashboard.charts.drawing import Figure, Trace

Line = dict[str, Any]

LEGAL_SIGNS = (
    ("━", phrase("share that would be legal")),
    ("▒", phrase("interval")),
    ("●", phrase("the minimum in force")),
)
LEGAL_HUES = {"●": "copper"}
ALIVE_SIGNS = (("━", phrase("share alive")), ("▒", phrase("interval")))
RESIDUAL_SIGNS = (
    ("●", phrase("residuals in order")),
    ("┈", phrase("where the distribution of the counts is right")),
)
RESIDUAL_HUES = {"┈": "quiet"}
PRECISION_SIGNS = (
    ("━", phrase("PSE with so many site-days in all")),
    ("▒", phrase("how far the PSE reached may lie off it")),
    ("●", phrase("this plan")),
)
PRECISION_HUES = {"●": "copper"}
#: Columns of the tables that the figures are downloaded with.
_LEGAL = ("share", "ci_low", "ci_high", "is_rule")
_ALIVE = ("hours", "alive_prop", "ci_low", "ci_high", "died", "at_risk")
_RESIDUAL = ("normal", "residual")
_PRECISION = ("site_days", "pse", "pse_error", "is_plan")


def legal(lines: Sequence[Line], *, palette: Palette, unit: Length = Length.MM) -> Figure:
    """Draw the share of the fish met that would be legal at each minimum length.

    `lines` are those of the table of legal shares of one domain that have a share, by length.
    """
    lengths = [amount(one["min_length_mm"], unit) for one in lines]
    run = [
        (at, one["ci_low"], one["ci_high"])
        for at, one in zip(lengths, lines, strict=True)
        if one["ci_low"] is not None and one["ci_high"] is not None
    ]
    words = [_legal_words(one, unit) for one in lines]
    shares = [one["share"] for one in lines]
    every = zip(lengths, shares, words, lines, strict=True)
    rules = [Point(at, share, words=said) for at, share, said, one in every if one["is_rule"]]
    line = drawing.line(lengths, shares, colour=palette.sea, words=words)
    title = say("minimum total length, {unit}", unit=unit)
    given = [(at, *(one[name] for name in _LEGAL)) for at, one in zip(lengths, lines, strict=True)]
    meta = drawing.data((f"min_length_{unit}", *_LEGAL), given)
    return _curve(run, line, rules, palette=palette, title=title, nticks=6, top=1, meta=meta)


def _curve(
    run: list[tuple[float, float, float]],
    line: Trace,
    marked: list[Point],
    *,
    palette: Palette,
    title: str,
    nticks: int,
    top: float,
    meta: str,
) -> Figure:
    """Draw shares from 0 to `top` as a line in its band, some of them marked."""
    return drawing.figure(
        [
            drawing.band([run], colour=palette.sea, opacity=0.25),
            line,
            drawing.marks(marked, colour=palette.copper, size=11),
        ],
        palette=palette,
        height=230,
        margin=(52, 12, 8, 44),
        xaxis=drawing.axis(title, nticks=nticks, showgrid=False),
        yaxis={"range": [0, top], "tickformat": ".0%", "nticks": 5},
        meta=meta,
    )


def _legal_words(one: Line, unit: Length) -> str:
    share = numbers.of_line(one, "share", NumberKind.SHARE)
    length = length_words(one["min_length_mm"], unit)
    if one["is_rule"]:
        head = say("minimum {length}, in force", length=length)
    else:
        head = say("minimum {length}", length=length)
    return f"<b>{head}</b><br>{share.figure()}"


def alive(steps: Sequence[Line], *, until: float, palette: Palette) -> Figure:
    """Draw the share of one group of held fish that is alive, a stair in its band.

    `steps` are the lines of the table of survival of one group, by hours; `until` is the end of the
    time axis, beyond the last step, so that its fall is seen.
    """
    hours = [0.0, *(one["hours"] for one in steps)]
    hours.append(max(until, hours[-1]))

    def stair(name: str, *, width: float, **how: Any) -> Trace:
        """Draw a share from the start, all alive, over each step to the end of the axis."""
        shares = [1.0, *(one[name] for one in steps)]
        line = {"shape": "hv", "color": palette.sea, "width": width}
        return drawing.line(hours, [*shares, shares[-1]], colour=palette.sea, line=line, **how)

    traces = []
    if steps and all(None not in (one["ci_low"], one["ci_high"]) for one in steps):
        inside = {"fill": "tonexty", "fillcolor": drawing.faint(palette.sea, 0.22)}
        traces = [stair("ci_high", width=0.6), stair("ci_low", width=0.6, **inside)]
    words = [say("all alive at the start"), *(_alive_words(one) for one in steps), ""]
    traces.append(stair("alive_prop", width=2.2, words=words))
    return drawing.figure(
        traces,
        palette=palette,
        height=170,
        margin=(44, 12, 8, 40),
        xaxis=drawing.axis(say("hours held"), range=[0, until], nticks=5, showgrid=False),
        yaxis={"range": [0, 1.02], "tickformat": ".0%", "nticks": 4},
        meta=_data(_ALIVE, steps),
    )


def _data(columns: Sequence[str], lines: Sequence[Line]) -> str:
    """Return columns of lines as the table that a figure is downloaded with."""
    return drawing.data(columns, [[one.get(name) for name in columns] for one in lines])


def _alive_words(one: Line) -> str:
    alive = numbers.of_line(one, "alive_prop", NumberKind.SHARE)
    return say(
        "<b>{hours:g} hours</b><br>{share} alive<br>{died:,} died of {at_risk:,}",
        share=alive.figure(),
        **one,
    )


def residuals(lines: Sequence[Line], *, palette: Palette) -> Figure:
    """Draw one or more ordered residuals of a regression against those of a standard normal.

    Each line has ``normal`` and ``residual``.
    """
    normal = [one["normal"] for one in lines]
    ends = [min(normal), max(normal)]
    points = drawing.trace(
        "scatter",
        x=normal,
        y=[one["residual"] for one in lines],
        mode="markers",
        marker={"size": 6, "color": palette.sea},
        hovertemplate="normal %{x:.2f}, residual %{y:.2f}<extra></extra>",
    )
    return drawing.figure(
        [drawing.line(ends, ends, colour=palette.quiet, width=1.4, dash="dot"), points],
        palette=palette,
        height=300,
        margin=(52, 12, 8, 44),
        xaxis=drawing.axis(say("standard normal"), nticks=7),
        yaxis=drawing.axis(say("residual"), nticks=7),
        meta=_data(_RESIDUAL, lines),
    )


def precision(lines: Sequence[Line], plan: Line | None, *, palette: Palette) -> Figure:
    """Draw what more site-days buy: the PSE of one figure against the site-days of all areas.

    Each line has ``site_days``, ``pse`` and its relative error ``pse_error``; `plan` has the first
    two.
    """
    days, parts = [one["site_days"] for one in lines], [one["pse"] for one in lines]
    run = [
        (one["site_days"], *(one["pse"] * (1 + k * one["pse_error"]) for k in (-1, 1)))
        for one in lines
    ]
    words = [_precision_words(one) for one in lines]
    here = [Point(plan["site_days"], plan["pse"], words=say("this plan"))] if plan else []
    top = max([high for _, _, high in run] + [one.value or 0.0 for one in here], default=1.0)
    line = drawing.line(days, parts, colour=palette.sea, words=words)
    title = say("site-days of the week, all areas")
    given = [one | {"is_plan": False} for one in lines]
    given += [plan | {"is_plan": True}] if plan else []
    how: dict[str, Any] = {"top": 1.05 * top, "meta": _data(_PRECISION, given)}
    return _curve(run, line, here, palette=palette, title=title, nticks=7, **how)


def _precision_words(one: Line) -> str:
    share = numbers.Measurement(one["pse"], sort=NumberKind.SHARE)
    error = numbers.Measurement(one["pse"] * one["pse_error"], sort=NumberKind.SHARE)
    return say(
        "<b>{site_days:,} site-days</b><br>PSE {share} ± {error}",
        site_days=one["site_days"],
        share=share.words,
        error=error.words,
    )
