"""The index of every season up to one, on a common count of weeks, for timing and strength."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from math import nan
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.bulletin.rates.candidates import Candidate, Tried
from analytics.bulletin.rates.fitted import BESIDE, FACTORS, USUAL, fitted, varies
from analytics.bulletin.rates.index import AreaIndex, area_index
from analytics.bulletin.rates.levels import Series
from analytics.bulletin.rates.linked import lacking, linked
from analytics.bulletin.rates.rows import model_rows
from analytics.data.calendar import open_days
from analytics.models.count_laws import Family
from analytics.survey.build import seasons_with_data
from analytics.weeks import week_start, weeks_between

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analytics.data.snapshot import Snapshot

#: After the last week of any season.
FOREVER = "9999-W52"
#: Share of open weeks with an index from which a season that is over counts as complete.
COMPLETE = 0.75
ENCOUNTERS = "encounters"
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
    note : str
        What keeps it from standing at this season's mix; empty where nothing does.

    Attributes
    ----------
    number : ndarray of int, shape (W,)
        Weeks since the origin of each week of the index.
    """

    season: str
    origin: pd.Timestamp
    index: AreaIndex
    open_weeks: Mapping[str | None, tuple[str, ...]]
    is_now: bool
    note: str = ""
    number: NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        days = [(week_start(week) - self.origin).days for week in self.index.weeks]
        object.__setattr__(self, "number", np.array(days, dtype=np.int64) // 7)

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

    Past seasons are fitted with the family and terms chosen for this one, at this season's mix and
    weights of areas, so that they differ by fish alone. One that did not know some method, group of
    days or site of this season says nothing of its effect: it is fitted together with this season,
    with a level for every area and week of both and one effect in both, and a note says so.

    Parameters
    ----------
    snapshot : Snapshot
    now : AreaIndex
        Of the season asked for.
    model : Tried or None
        Chosen for it.
    season : str
    mix : pandas.DataFrame
        Trips of this season.
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
    held = _held(snapshot)
    trips: dict[str, pd.DataFrame] = {}
    for one in before:
        if one not in held:
            held[one] = model_rows(snapshot, season=one, through=FOREVER)
        if len(held[one]):
            trips[one] = held[one]
    found = []
    for one, rows in trips.items():
        mine = days[days["season"] == one]
        weeks = tuple(
            weeks_between(mine["week"].min(), max(mine["week"].max(), rows["week"].max()))
        )
        index, note = _at_common_mix(rows, mix, model, weeks=weeks, weight=weight)
        open_weeks = open_weeks_of(mine)
        found.append(SeasonIndex(one, origins[one], index, open_weeks, is_now=False, note=note))
    mine = days[days["season"] == season]
    return [*found, SeasonIndex(season, origins[season], now, open_weeks_of(mine), is_now=True)]


@lru_cache(maxsize=1)
def _held(_snapshot: Snapshot) -> dict[str, pd.DataFrame]:
    """Return where trips of whole seasons are kept, of the newest snapshot alone."""
    return {}


def _at_common_mix(
    rows: pd.DataFrame,
    mix: pd.DataFrame,
    model: Tried | None,
    *,
    weeks: tuple[str, ...],
    weight: Mapping[str, float],
) -> tuple[AreaIndex, str]:
    """Return the index of encounters of a past season at this one's mix, and a note."""
    data = fitted(rows, ENCOUNTERS)
    # Without a choice the index has the usual terms.
    model = model or Tried("usual", Candidate(USUAL, Family.NEGATIVE_BINOMIAL), None, 0, nan, "")
    terms = _terms_of(rows, mix, model)
    candidate = replace(model.candidate, terms=(*model.candidate.terms, *terms))
    model = replace(model, candidate=candidate)
    gone = lacking(rows, mix, terms)
    reason = ""
    if gone:
        factors = tuple(name for name in FACTORS if name in terms)
        (past, now), note = linked(rows, mix, factors)
        two = fitted(pd.concat([past, now], ignore_index=True), ENCOUNTERS)
        both = [*weeks, *sorted(set(now["week"]))]
        joint = area_index(two, model, mix=now, weeks=both, weight=weight)
        if joint.series:
            told = f"fitted together with this season, for it knows no {', no '.join(gone)}"
            return _first(joint, weeks), "; ".join(filter(None, (told, note)))
        reason = f"at its own mix, which knows no {', no '.join(gone)}: {joint.reason}"
    return area_index(data, model, mix=mix, weeks=weeks, weight=weight), reason


def _terms_of(rows: pd.DataFrame, mix: pd.DataFrame, model: Tried) -> tuple[str, ...]:
    """Return the terms in which the mix of two seasons can differ.

    The usual ones are among them though this season, with one method so far, does without: a past
    one that knew several is to stand at that method.
    """
    both = pd.concat([rows, mix], ignore_index=True)
    wanted = (*model.candidate.terms, *USUAL)
    return tuple(name for name in BESIDE if name in wanted and varies(both, name))


def _first(joint: AreaIndex, weeks: tuple[str, ...]) -> AreaIndex:
    """Return the first season of an index over two; areas without a week of it are left out."""
    n = len(weeks)
    series = {
        area: Series(one.value[:n], one.cov[:n, :n])
        for area, one in joint.series.items()
        if area is None or np.isfinite(one.value[:n]).any()
    }
    return AreaIndex(joint.response, weeks, series, joint.levels)


def open_weeks_of(days: pd.DataFrame) -> dict[str | None, tuple[str, ...]]:
    """Return the open weeks of each area in order; None for all areas.

    Parameters
    ----------
    days : pandas.DataFrame
        Open days of one season, as by `analytics.data.calendar.open_days`.
    """
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
