"""What one panel of catch rates shows, its scale, and its words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dashboard.charts import theme
from dashboard.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Line = dict[str, Any]

SIGNS = (
    ("●", "index with its interval"),
    ("◇", "the survey's own figure"),
    ("━", "level and its interval"),
    ("┈", "weeks ahead"),
)
PAST = ("─", "index of past seasons, unsmoothed, the last one named")
CLOSED = ("▒", "closed, the level carried through")
GAP = ("×", "open, but no index")
CUT = ("▲", "runs on above the panel, in the colour of what does")
HUES = {"◇": "quiet", "━": "copper", "┈": "copper", "─": "quiet", "×": "quiet", "▒": "quiet"}
#: How far an interval may stretch the axis beyond the highest figure, and weeks ahead too.
MOST_BY_INTERVAL, MOST_AHEAD = 2.0, 1.5
#: Least height of the axis of a share.
LEAST_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Past:
    """The index of a past season by place on the axis; None breaks the line."""

    season: str
    points: tuple[tuple[int, float | None], ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """What one panel shows; weeks are places on the axis.

    Parameters
    ----------
    weeks : tuple of str
        The axis: weeks of the season so far, then those ahead.
    index, trend : tuple of dict
        Lines of the two tables, by week.
    past : tuple of Past
        In order; the last one is named in the figure.
    closed : tuple of int
        Places of closed weeks.
    sort : NumberKind
    """

    weeks: tuple[str, ...]
    index: tuple[Line, ...]
    trend: tuple[Line, ...]
    past: tuple[Past, ...]
    closed: tuple[int, ...]
    sort: NumberKind

    @property
    def behind(self) -> list[Line]:
        """Lines of the trend that are not ahead."""
        return [one for one in self.trend if not one["is_ahead"]]

    @property
    def top(self) -> float:
        """Top of the axis: neither intervals, weeks ahead nor single spikes squeeze the rest."""
        found = _known(self.index, "index") + _known(self.behind, "level")
        raw = _known(self.index, "raw")
        most = max(found or raw, default=0.0)
        ends = _known((*self.index, *self.behind), "ci_high")
        ahead = _known(self.trend, "level")
        past = [value for one in self.past for _, value in one.points if value is not None]
        top = max(
            most,
            min(max([*ends, *raw], default=0.0), MOST_BY_INTERVAL * most),
            min(max(ahead, default=0.0), MOST_AHEAD * most),
            theme.without_spikes(past),
        )
        top = 1.08 * (top or 1.0)
        return min(top, 1.0) if self.sort is NumberKind.SHARE else top

    @property
    def bottom(self) -> float:
        """Bottom of the axis: zero, and of a share the tenth below its lowest interval."""
        if self.sort is not NumberKind.SHARE:
            return 0.0
        lows = _known((*self.index, *self.behind), "ci_low") + _known(self.index, "raw")
        low = min([*lows, self.top - LEAST_SHARE])
        return max(0.0, math.floor(10 * low) / 10)

    @property
    def cut(self) -> dict[str, list[int]]:
        """Places at which something runs on above the panel, by its colour."""
        index = self._over(self.index, "ci_high")
        level = [at for at in self._over(self.trend, "ci_high") if at not in index]
        raw = self._over(self.index, "raw")
        past = [at for one in self.past for at, value in one.points if (value or 0.0) > self.top]
        quiet = sorted({*raw, *past} - {*index, *level})
        return {"sea": index, "copper": level, "quiet": quiet}

    @property
    def is_cut(self) -> bool:
        """Whether something runs on above the panel."""
        return any(self.cut.values())

    @property
    def gaps(self) -> list[Line]:
        """Lines of weeks that were open and have no index."""
        shut = {self.weeks[at] for at in self.closed}
        return [one for one in self.index if one["index"] is None and one["week"] not in shut]

    def at(self, week: str) -> int:
        """Return the place of a week on the axis."""
        return self.weeks.index(week)

    def _over(self, lines: Iterable[Line], name: str) -> list[int]:
        return [self.at(one["week"]) for one in lines if (one[name] or 0.0) > self.top]


def _known(lines: Iterable[Line], name: str) -> list[float]:
    return [one[name] for one in lines if one[name] is not None]


def signs(panels: Sequence[Panel]) -> list[tuple[str, str]]:
    """Return the signs that occur in some panels with their words."""
    found = list(SIGNS[:2])
    levels = [line["is_ahead"] for one in panels for line in one.trend if line["level"] is not None]
    found += [SIGNS[2]] * (False in levels) + [SIGNS[3]] * (True in levels)
    found += [PAST] * any(one.past for one in panels)
    found += [CLOSED] * any(one.closed for one in panels)
    found += [GAP] * any(one.gaps for one in panels)
    return found + [CUT] * any(one.is_cut for one in panels)


def amount(panel: Panel, line: Line, name: str) -> Measurement:
    """Return a figure of a line with its interval."""
    return Measurement(line[name], line["ci_low"], line["ci_high"], panel.sort)


def description(panel: Panel, *, of: str) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    known = [one for one in panel.index if one["index"] is not None]
    if not known:
        return f"{of}: no week has an index."
    last = known[-1]
    words = (
        f"{of} by week, {len(known)} of {len(panel.index)} weeks with an index; the last, "
        f"{last['week']}, {amount(panel, last, 'index').figure()}"
    )
    levels = [one for one in panel.behind if one["level"] is not None]
    if levels:
        first, end = (amount(panel, one, "level").words for one in (levels[0], levels[-1]))
        words += f"; the level goes from {first} to {end}"
    if panel.closed:
        words += f"; closed in {', '.join(panel.weeks[at] for at in panel.closed)}"
    return f"{words}."
