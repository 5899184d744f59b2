"""Figures of documents: vectors by matplotlib in the colours of the pages, always the same bytes.

Text stays text, so that it can be searched and takes the type of the document around it.
"""

from __future__ import annotations

import io
import math
import re
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from analytics.palette import LIGHT
from analytics.precision import number
from analytics.wording.bulletin_index import monday
from analytics.wording.numbers import drawn_interval, mark

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date

    from analytics.wording.bulletin_index import Row
    from analytics.wording.numbers import Measurement

Axes = Any  # of matplotlib, whose types do not know all that it takes

#: Width of a page and of a column on paper, in inches.
WIDE, NARROW = 6.85, 3.3
#: The type that text is set in; what is measured is wider, so that nothing is cut.
_TYPE = "'Libertinus Serif', Charter, Cambria, Georgia, serif"
_FAMILY = "DejaVu Serif"
#: Days that a name of a month takes on an axis.
_ROOM = 14
#: Markers of matplotlib for the symbols of `analytics.wording.numbers`.
_MARKERS = {
    "circle": "o",
    "square": "s",
    "diamond": "D",
    "triangle-up": "^",
    "star": "*",
    "x": "x",
    "x-thin": "x",
    "square-x": "s",
    "circle-x": "o",
}


@contextmanager
def _canvas(width: float, height: float) -> Iterator[tuple[Any, Axes, io.BytesIO]]:
    """Give a figure to draw on; what it holds at the end is written as SVG."""
    import matplotlib as mpl  # noqa: PLC0415 - loads only where a document is made
    from matplotlib.figure import Figure  # noqa: PLC0415

    rules = {
        "svg.fonttype": "none",
        "svg.hashsalt": "blackmouth",
        "font.family": _FAMILY,
        "font.size": 7.6,
        "text.color": LIGHT.ink,
        "axes.edgecolor": LIGHT.quiet,
        "axes.linewidth": 0.6,
        "xtick.color": LIGHT.quiet,
        "ytick.color": LIGHT.quiet,
        "axes.labelcolor": LIGHT.quiet,
    }
    with mpl.rc_context(rules):
        figure = Figure(figsize=(width, height), layout="constrained")
        axes = figure.add_subplot()
        _bare(axes)
        axes.grid(axis="y", color=LIGHT.grid, linewidth=0.6)
        file = io.BytesIO()
        yield figure, axes, file
        figure.savefig(file, format="svg", metadata={"Date": None}, transparent=True)


def _svg(file: io.BytesIO) -> bytes:
    words = file.getvalue().decode()
    return re.sub(rf"'{_FAMILY}'(, [^;\"]*)?", _TYPE, words).encode()


def _months(axes: Axes, start: date, ends: tuple[float, float], *, has_years: bool) -> None:
    """Name the months on an axis of days since `start`; seasons over each other have no year."""
    days = [start + timedelta(at) for at in range(math.floor(ends[0]), math.ceil(ends[1]) + 1)]
    found = [day for day in days if day.day == 1] or days[:1]
    found = [*(days[:1] if (found[0] - days[0]).days > _ROOM else []), *found]
    found = found[:: -(-len(found) // 7)]
    words = [
        f"{day:%b}" + f" {day.year}" * (has_years and (at == 0 or day.year != found[at - 1].year))
        for at, day in enumerate(found)
    ]
    axes.set_xticks([(day - start).days for day in found], words)
    axes.set_xlim(ends[0] - 3, ends[1] + 5)


@dataclass(frozen=True, slots=True)
class Band:
    """A line with its band by week, such as the smoothed trend."""

    weeks: tuple[str, ...]
    level: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


def trend(
    rows: Sequence[Row | None],
    *,
    weeks: Sequence[str],
    chosen: str,
    top: float,
    band: Band | None,
    size: tuple[float, float],
) -> bytes:
    """Draw a figure by week with its intervals, the chosen week apart, a smoothed line behind.

    `rows` has one a week of `weeks`, None where it has no row; an interval beyond `top` ends there
    in an arrow. `size` is width and height in inches.
    """
    first = monday(weeks[0])
    with _canvas(*size) as (_, axes, file):
        if band is not None:
            at = [_day(week, first) for week in band.weeks]
            axes.fill_between(at, band.low, band.high, color=LIGHT.sea, alpha=0.13, linewidth=0)
            axes.plot(at, band.level, color=LIGHT.sea, linewidth=1.2, alpha=0.75)
        for week, row in zip(weeks, rows, strict=True):
            _point(axes, row, _day(week, first), is_chosen=week == chosen, top=top)
        _months(axes, first, (0.0, _day(weeks[-1], first) + 3.0), has_years=True)
        axes.set_ylim(0, top)
        axes.yaxis.set_major_formatter(lambda value, _: f"{value:,.4g}")
        axes.locator_params(axis="y", nbins=5)
    return _svg(file)


def _day(week: str, first: date) -> float:
    """Return the middle of a week as days from the first."""
    return (monday(week) - first).days + 3.0


def _point(axes: Axes, row: Row | None, at: float, *, is_chosen: bool, top: float) -> None:
    if row is None:
        return
    colour = LIGHT.copper if is_chosen else LIGHT.sea
    if row.estimate is None:
        axes.plot([at], [0.03 * top], "x", color=LIGHT.quiet, markersize=4)
        return
    low, high = drawn_interval(row)
    if low is not None and high is not None:
        ends = [low, min(high, top)]
        axes.plot([at, at], ends, color=colour, alpha=0.5, linewidth=2.2, solid_capstyle="butt")
    if (high or 0.0) > top:
        axes.plot([at], [0.97 * top], "^", color=colour, markersize=3, alpha=0.6)
    symbol = mark(row).symbol
    marker = _MARKERS.get(symbol.removesuffix("-open").removesuffix("-open-dot"), "o")
    axes.plot(
        [at],
        [min(row.estimate, top)],
        marker,
        color=colour,
        markersize=5 if is_chosen else 3.8,
        markerfacecolor="white" if "open" in symbol else colour,
        markeredgewidth=1.0,
        clip_on=False,
    )


Points = tuple[tuple[float, float], ...]


def seasons(
    now: Points,
    past: Mapping[str, Points],
    *,
    start: date,
    name: str,
    size: tuple[float, float],
) -> bytes:
    """Draw this season over past ones: a figure by days since its start, `size` in inches."""
    with _canvas(*size) as (_, axes, file):
        ends = [day for line in (now, *past.values()) for day, _ in line]
        for points in past.values():
            axes.plot(*zip(*points, strict=True), color=LIGHT.quiet, alpha=0.45, linewidth=0.9)
        axes.plot(
            *zip(*now, strict=True),
            color=LIGHT.copper,
            linewidth=1.8,
            marker="o",
            markersize=3,
            clip_on=False,
        )
        last = now[-1]
        axes.annotate(
            name,
            last,
            xytext=(5, 5),
            textcoords="offset points",
            color=LIGHT.copper,
            fontsize=7.6,
            fontweight="bold",
        )
        _months(axes, start, (min(ends), max(ends)), has_years=False)
        axes.set_ylim(bottom=0)
        axes.locator_params(axis="y", nbins=5)
    return _svg(file)


def _interval(axes: Axes, one: Measurement, at: float, *, colour: str, top: float) -> None:
    if one.value is None:
        return
    low, high = one.low, one.high
    if low is not None and high is not None:
        axes.plot(
            [min(low, top), min(high, top)],
            [at, at],
            color=colour,
            alpha=0.5,
            linewidth=2.4,
            solid_capstyle="butt",
        )
    axes.plot([min(one.value, top)], [at], "o", color=colour, markersize=4, clip_on=False)


def differences(names: Sequence[str], panels: Mapping[str, Sequence[Measurement]]) -> bytes:
    """Draw differences from today's rule, a panel a quantity, each with its line at zero."""
    with _canvas(WIDE, 0.75 + 0.3 * len(names)) as (figure, axes, file):
        axes.remove()
        grid: Any = figure.subplots(1, len(panels), sharey=True, squeeze=False)[0]
        for panel, (title, values) in zip(grid, panels.items(), strict=True):
            _panel(panel, title, values)
        grid[0].set_yticks(range(len(names)), list(reversed(names)))
        grid[0].tick_params(axis="y", labelcolor=LIGHT.ink)
        grid[0].set_ylim(-0.6, len(names) - 0.4)
    return _svg(file)


def _panel(axes: Axes, title: str, values: Sequence[Measurement]) -> None:
    _bare(axes, title)
    axes.grid(axis="x", color=LIGHT.grid, linewidth=0.6)
    ends = [end for one in values for end in one.ends] or [0.0]
    reach = max(map(abs, ends)) or 1.0
    for at, one in enumerate(reversed(values)):
        if one.value is None:
            axes.plot([0.0], [at], "x", color=LIGHT.quiet, markersize=4)
            continue
        _interval(axes, one, at, colour=LIGHT.sea, top=float("inf"))
    axes.axvline(0.0, color=LIGHT.ink, linewidth=1.1)
    low, high = min([0.0, *ends]), max([0.0, *ends])
    axes.set_xlim(low - 0.08 * reach, high + 0.08 * reach)
    axes.locator_params(axis="x", nbins=3)
    axes.xaxis.set_major_formatter(lambda value, _: number(value, place=0, signed=True))


@dataclass(frozen=True, slots=True)
class Spot:
    """A point of opportunity against risk: its chance and what it leaves."""

    chance: float
    gain: float
    is_dominated: bool
    is_planned: bool = False


def frontier(
    panels: Mapping[str, Sequence[Spot]],
    best: Sequence[tuple[float, float] | None],
    risk: float,
) -> bytes:
    """Draw what rules leave against their chance of exceeding, a panel a gain.

    `best` is the chance and the gain of the point named in each panel. Dominated points are open
    and lie behind, the rules as they stand are a diamond.
    """
    with _canvas(WIDE, 2.5) as (figure, axes, file):
        axes.remove()
        grid: Any = figure.subplots(1, len(panels), squeeze=False)[0]
        for panel, (title, spots), found in zip(grid, panels.items(), best, strict=True):
            _bare(panel, title)
            panel.grid(axis="y", color=LIGHT.grid, linewidth=0.6)
            _spots(panel, [one for one in spots if one.is_dominated], LIGHT.quiet, is_open=True)
            _spots(panel, [one for one in spots if not one.is_dominated], LIGHT.sea)
            for one in (one for one in spots if one.is_planned):
                panel.plot([one.chance], [one.gain], "D", color=LIGHT.copper, markersize=5.5)
            panel.axvline(risk, color=LIGHT.copper, linewidth=0.9, linestyle=":")
            if found is not None:
                panel.plot(*([end] for end in found), "*", color=LIGHT.copper, markersize=9)
            panel.set_xlim(-0.03, 1.03)
            panel.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
            panel.yaxis.set_major_formatter(lambda value, _: number(value, place=0))
            panel.locator_params(axis="y", nbins=5)
            panel.set_xlabel("chance of exceeding")
    return _svg(file)


def _spots(axes: Axes, spots: Sequence[Spot], colour: str, *, is_open: bool = False) -> None:
    at = [one.chance for one in spots], [one.gain for one in spots]
    look: dict[str, Any] = {"markersize": 3.2, "markeredgewidth": 0.7, "color": colour}
    axes.plot(*at, "o", markerfacecolor="none" if is_open else colour, **look)


def _bare(axes: Axes, title: str = "") -> None:
    """Take the frame of a panel away and set its title, if any."""
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=0, pad=3)
    axes.set_axisbelow(True)
    if title:
        axes.set_title(title, fontsize=7.6, fontweight="bold", loc="left")
