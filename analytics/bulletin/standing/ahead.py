"""What is to come of a season under any rules: effort by day, catch rates by week, as draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.bulletin.standing.effort import effort_ahead
from analytics.bulletin.standing.rate_paths import rates_ahead
from analytics.bulletin.standing.share_paths import shares_ahead
from analytics.bulletin.standing.weekly_levels import ASKED, past_weekly, weekly_of
from analytics.weeks import weeks_between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pyarrow as pa
    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.bulletin.standing.to_date import ToDate
    from analytics.bulletin.standing.weekly_levels import Weekly
    from analytics.data.snapshot import Snapshot

    Float32 = NDArray[np.float32]

_SO_FAR = ("angler_trips", "encounter_fish", "released_sublegal_fish")


@dataclass(frozen=True, slots=True, eq=False)
class Ahead:
    """What is to come, D draws over A areas, N days and W weeks.

    Parameters
    ----------
    effort : ndarray of float32, shape (D, A, N)
        Angler trips of a day, were it open under today's rules; days lost to weather included. NaN
        for an area of whose effort or catch rate nothing is known.
    rate : ndarray of float32, shape (D, A, W)
        Encounters per angler trip; 0 where `effort` is NaN.
    sublegal : ndarray of float32, shape (D, A, W)
        Share of encounters released as sublegal.
    words : tuple of (str, str)
        Topic and words of every assumption.
    """

    effort: Float32
    rate: Float32
    sublegal: Float32
    words: tuple[tuple[str, str], ...]


def ahead_of(
    snapshot: Snapshot,
    season: Season,
    to_date: ToDate,
    rates: Mapping[str, pa.Table],
    *,
    days: NDArray[np.datetime64],
    weeks: Sequence[str],
    rng: np.random.Generator,
    past: Sequence[Weekly] | None = None,
) -> Ahead:
    """Draw what is to come of a season.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
        Prepared from it in the usual way.
    to_date : ToDate
        Draws of the totals so far; those ahead share their errors.
    rates : mapping of str to pyarrow.Table
        The bulletin's `index` and `timing`; either may be absent or empty, and the survey's own
        weekly rates stand in.
    days : ndarray of datetime64[D], shape (N,)
        Consecutive days after the last one told.
    weeks : sequence of str, length W
        Their ISO weeks.
    rng : numpy.random.Generator
    past : sequence of Weekly, optional
        Weekly figures of the seasons before, where they are at hand.

    Returns
    -------
    Ahead
    """
    if not len(days):
        none = np.zeros((*to_date.by_method.shape[:2], 0), dtype=np.float32)
        return Ahead(none, none.copy(), none.copy(), ())
    analyses = {name: season.analyses[name] for name in ASKED}
    now = weekly_of(snapshot, season.design, season.ways, analyses, areas=to_date.areas)
    if past is None:
        past = past_weekly(snapshot, season=season.design.season)
    ahead = weeks_ahead(now.weeks[-1], weeks)
    trips, met, sublegal_fish = (
        np.asarray(to_date.to_date[name], dtype=np.float64) for name in _SO_FAR
    )
    effort = effort_ahead(now, past, trips, days=days, ahead=ahead, rng=rng)
    rate = rates_ahead(
        now, past, rates, met=met, trips=trips, so_far=effort.so_far, ahead=ahead, rng=rng
    )
    sublegal = shares_ahead(
        now,
        past,
        rates,
        sublegal=sublegal_fish,
        met=met,
        so_far=effort.so_far,
        ahead=ahead,
        rng=rng,
    )
    at = [[*now.weeks, *ahead].index(week) for week in weeks]
    of_weeks = rate.draws[:, :, at].astype(np.float32)
    # A catch rate that is not known makes the effort of no use: one of them says so.
    unknown = np.isnan(of_weeks).any(axis=(0, 2))
    effort.effort[:, unknown] = np.nan
    of_weeks[:, unknown] = 0.0
    return Ahead(
        effort=effort.effort,
        rate=of_weeks,
        sublegal=sublegal.draws[:, :, at].astype(np.float32),
        words=(*effort.words, *rate.words, *sublegal.words),
    )


def weeks_ahead(last: str, weeks: Sequence[str]) -> tuple[str, ...]:
    """Return every ISO week after one through the last of some, closed ones included."""
    if not len(weeks):
        return ()
    return weeks_between(last, max(weeks))[1:]
