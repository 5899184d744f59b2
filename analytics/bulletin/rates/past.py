"""The index of every season up to one, on a common count of weeks, for timing and strength."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.bulletin.rates.fitted import fitted
from analytics.bulletin.rates.index import AreaIndex, area_index
from analytics.bulletin.rates.rows import model_rows
from analytics.data.calendar import iso_week, open_days, week_start
from analytics.survey.build import seasons_with_data

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from analytics.bulletin.rates.candidates import Tried
    from analytics.data.snapshot import Snapshot

#: After the last week of any season.
FOREVER = "9999-W52"
#: Share of open weeks with an index from which a season that is over counts as complete.
COMPLETE = 0.75
#: Weeks of a year; the 53rd of a long one counts as the first of the next.
YEAR = 52


@dataclass(frozen=True, slots=True, eq=False)
class SeasonIndex:
    """The index of encounters of one season.

    Parameters
    ----------
    season : str
    origin : pandas.Timestamp
        Monday from which its weeks and days count.
    index : AreaIndex
    open_weeks : mapping of (str or None) to tuple of str
        Open weeks of each area through the season's end, in order; None for all areas.
    is_now : bool
        Whether it is the season asked for.
    """

    season: str
    origin: pd.Timestamp
    index: AreaIndex
    open_weeks: Mapping[str | None, tuple[str, ...]]
    is_now: bool

    @property
    def number(self) -> np.ndarray:
        """Weeks since the origin of each week of the index, shape (W,)."""
        days = [(week_start(week) - self.origin).days for week in self.index.weeks]
        return np.array(days) // 7

    def span(self, area: str | None) -> slice:
        """Return the places of the weeks from an area's first open one to its last."""
        known = [week for week in self.open_weeks.get(area, ()) if week in self.index.weeks]
        if not known:
            return slice(0, 0)
        weeks = self.index.weeks
        return slice(weeks.index(known[0]), weeks.index(known[-1]) + 1)

    def is_complete(self, area: str | None) -> bool:
        """Return whether the whole season was sampled.

        The last open week or the one before has an index, and so have three quarters of all open
        weeks: a closed week is none of them, and one missed is filled in from its neighbours.
        """
        series, open_weeks = self.index.series.get(area), self.open_weeks.get(area, ())
        if series is None or not open_weeks:
            return False
        told = dict(zip(self.index.weeks, np.isfinite(series.value), strict=True))
        has = [bool(told.get(week, False)) for week in open_weeks]
        return any(has[-2:]) and float(np.mean(has)) >= COMPLETE


def season_indices(
    snapshot: Snapshot,
    now: AreaIndex,
    model: Tried | None,
    *,
    season: str,
    mix: pd.DataFrame,
    weight: Mapping[str, float],
) -> list[SeasonIndex]:
    """Return the index of encounters of every season before one, and of that one.

    Past seasons are fitted with the family and terms chosen for this one, at this season's mix
    and weights of areas, so that they differ by fish alone.

    Parameters
    ----------
    snapshot : Snapshot
    now : AreaIndex
        Of the season asked for.
    model : Tried or None
        Chosen for it.
    season : str
    mix : pandas.DataFrame
    weight : mapping of str to float

    Returns
    -------
    list of SeasonIndex
        Oldest first; the season asked for is the last.
    """
    days = open_days(snapshot["seasons"], snapshot["holidays"])
    known = seasons_with_data(snapshot)
    before = known[: known.index(season)] if season in known else []
    origins = _origins(days, [*before, season])
    found = []
    for one in before:
        rows = model_rows(snapshot, season=one, through=FOREVER)
        mine = days[days["season"] == one]
        if rows.empty:
            continue
        weeks = tuple(
            weeks_between(mine["week"].min(), max(mine["week"].max(), rows["week"].max()))
        )
        index = area_index(fitted(rows, "encounters"), model, mix=mix, weeks=weeks, weight=weight)
        found.append(SeasonIndex(one, origins[one], index, _open_weeks(mine), is_now=False))
    mine = days[days["season"] == season]
    return [*found, SeasonIndex(season, origins[season], now, _open_weeks(mine), is_now=True)]


def weeks_between(first: str, last: str) -> Iterator[str]:
    """Yield every ISO week from one to another, both included."""
    mondays = pd.Series(pd.date_range(week_start(first), week_start(last), freq="7D"))
    yield from (str(week) for week in iso_week(mondays))


def _open_weeks(days: pd.DataFrame) -> dict[str | None, tuple[str, ...]]:
    weeks: dict[str | None, tuple[str, ...]] = {None: tuple(sorted(days["week"].unique()))}
    for area, mine in days.groupby("area"):
        weeks[str(area)] = tuple(sorted(mine["week"].unique()))
    return weeks


def _origins(days: pd.DataFrame, seasons: list[str]) -> dict[str, pd.Timestamp]:
    """Return the Monday that each season counts from: that of one ISO week of the year for all.

    The week is the first open one of the season that opens earliest in its year, so that seasons
    lie on each other.
    """
    first = {one: days.loc[days["season"] == one, "week"].min() for one in seasons}
    anchor, half = int(first[seasons[-1]][-2:]), YEAR // 2
    late = {one: (int(week[-2:]) - anchor + half) % YEAR - half for one, week in first.items()}
    earliest = min(late.values())
    return {
        one: week_start(week) - pd.Timedelta(weeks=late[one] - earliest)
        for one, week in first.items()
    }
