"""Bars: fish by length with the legal line, and how many boats reported each number of fish."""

from __future__ import annotations

from itertools import accumulate
from typing import TYPE_CHECKING, Any

from analytics.units import Length, amount, length_number, length_words
from dashboard.catalogue import phrase, say
from dashboard.charts import drawing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.palette import Palette
    from dashboard.charts.drawing import Figure, Trace


Line = dict[str, Any]

#: The signs of the lengths with their words, and their colour.
SIGNS = (
    ("■", phrase("adipose fin clipped")),
    ("▨", phrase("not clipped, or not read")),
    ("┊", phrase("legal minimum")),
)
HUES = {"▨": "sea", "┊": "ink"}
#: Columns of a class of lengths: its fish, and of those the clipped and the converted.
_COUNTED = ("fish", "marked", "converted")
#: Columns of the figure of reports.
_REPORTED = ("fish", "boats", "is_heap", "smooth")
#: The signs of the figure of reports.
REPORT_SIGNS = (
    ("▨", phrase("boats at a multiple of 5")),
    ("■", phrase("boats at another number")),
    ("━", phrase("smooth curve through the other numbers")),
)
REPORT_HUES = {"▨": "copper", "━": "ink"}
#: The figure of reports ends where at most this part of the boats is left, and never before 12.
TAIL, LEAST_SHOWN = 0.01, 12


def lengths(
    bins: Sequence[Line],
    *,
    rules: Sequence[float],
    span: tuple[float, float],
    palette: Palette,
    unit: Length = Length.MM,
) -> Figure:
    """Draw fish by length, the clipped ones below.

    Each bin has ``bin_low_mm``, ``bin_mm``, ``fish`` and ``marked``; `rules` are legal minimum
    lengths in millimetres, empty where none is known; `span` are the ends of the length axis, in
    millimetres, too; the axis is in `unit`.
    """
    lines = (drawing.across(amount(one, unit), colour=palette.ink, width=1.8) for one in rules)
    how: dict[str, Any] = {
        "colours": palette.sea,
        "words": [_bar_words(one, unit) for one in bins],
        "width": [0.88 * amount(one["bin_mm"], unit) for one in bins],
    }
    middles = [amount(one["bin_low_mm"] + one["bin_mm"] / 2, unit) for one in bins]
    clipped = [one["marked"] for one in bins]
    others = [one["fish"] - one["marked"] for one in bins]
    return drawing.figure(
        [_bars(middles, clipped, shapes="", **how), _bars(middles, others, shapes="/", **how)],
        palette=palette,
        height=230,
        margin=(52, 12, 8, 44),
        barmode="stack",
        bargap=0.12,
        shapes=[one | {"layer": "above"} for one in lines],
        xaxis=drawing.axis(
            say("total length, {unit}", unit=unit),
            range=[amount(end, unit) for end in span],
            nticks=6,
            showgrid=False,
        ),
        yaxis=drawing.axis(say("fish"), rangemode="tozero", nticks=5),
        meta=drawing.data(
            (f"from_{unit}", f"to_{unit}", "fish", "marked", "converted"),
            [
                (amount(low, unit), amount(low + one["bin_mm"], unit), *map(one.get, _COUNTED))
                for one in bins
                for low in (one["bin_low_mm"],)
            ],
        ),
    )


def _bars(
    x: Sequence[float],
    y: Sequence[float],
    *,
    colours: str | Sequence[str],
    shapes: str | Sequence[str],
    words: Sequence[str],
    width: Sequence[float] | None = None,
) -> Trace:
    """Draw bars, filled or hatched by the shapes of their pattern."""
    pattern = {"shape": shapes, "size": 5, "fillmode": "replace", "fgcolor": colours}
    marker = {"color": colours, "pattern": pattern, "line": {"width": 1, "color": colours}}
    how = {"text": words, "textposition": "none", "hovertemplate": drawing.HOVER}
    return drawing.trace("bar", x=x, y=y, width=width, marker=marker, **how)


def _bar_words(one: Line, unit: Length) -> str:
    low = length_number(one["bin_low_mm"], unit)
    high = length_words(one["bin_low_mm"] + one["bin_mm"], unit)
    words = say("<b>{low} to under {high}</b><br>{fish:,} fish", low=low, high=high, **one)
    words += say("<br>{marked:,} with the adipose fin clipped", **one)
    if one["converted"]:
        words += say("<br>{converted:,} with the total length calculated from another", **one)
    return words


def shown(lines: Sequence[Line]) -> list[Line]:
    """Return the numbers of fish that the figure of reports shows; the table has all."""
    every = sum(line["boats"] for line in lines)
    before = accumulate((line["boats"] for line in lines), initial=0)
    return [
        line
        for at, (line, seen) in enumerate(zip(lines, before, strict=False))
        if at < LEAST_SHOWN or every - seen > TAIL * every
    ]


def reports(lines: Sequence[Line], *, palette: Palette) -> Figure:
    """Draw how many boats reported each number of sublegal releases, as `shown` cuts them."""
    fish = [line["fish"] for line in lines]
    heaps = [line["is_heap"] for line in lines]
    words = [
        say("<b>{fish} fish</b><br>{boats:,} boats", **line)
        + ("" if line["smooth"] is None else say("<br>{smooth:,.0f} by the curve", **line))
        for line in lines
    ]
    bars = _bars(
        fish,
        [line["boats"] for line in lines],
        colours=[palette.copper if heap else palette.sea for heap in heaps],
        shapes=["/" if heap else "" for heap in heaps],
        words=words,
    )
    has_curve = bool(lines) and lines[0]["smooth"] is not None
    smooth = drawing.line(fish, [line["smooth"] for line in lines], colour=palette.ink)
    ticks = [1, *(line["fish"] for line in lines if line["is_heap"])]
    corner: dict[str, Any] = {"x": 1, "xanchor": "right", "yanchor": "top"}
    notes = [drawing.note(say("hatched: multiples of 5"), colour=palette.copper, **corner)]
    curve = drawing.note(
        say("line: a smooth curve through the others"), colour=palette.ink, **corner
    )
    notes += [curve | {"yshift": -14}] if has_curve else []
    return drawing.figure(
        [bars, smooth] if has_curve else [bars],
        palette=palette,
        height=270,
        margin=(54, 10, 8, 44),
        bargap=0.15,
        annotations=notes,
        xaxis=drawing.axis(say("sublegal fish reported by a boat"), tickvals=ticks, showgrid=False),
        yaxis=drawing.axis(say("boats"), nticks=5),
        meta=drawing.data(_REPORTED, [[line[name] for name in _REPORTED] for line in lines]),
    )
