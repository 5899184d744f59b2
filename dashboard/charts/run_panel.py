"""What a figure of a run shows, its scale, and its words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from dashboard.charts import scales

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

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
        return 1.08 * (max([scales.without_spikes(past), *(value for _, value in self.now)]) or 1.0)

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
