"""Limits under an option: how much of them is used week by week, and when they are exceeded."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from analytics.options.season_projection import TOTALS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from analytics.options.baseline import Baseline, Limit
    from analytics.options.season_projection import AreaProjection

    Floats = NDArray[np.float32]

#: Chances whose days are given.
CHANCES = (0.1, 0.5, 0.9)
#: Quantiles of a fan.
FAN = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)


@dataclass(frozen=True, slots=True, eq=False)
class LimitExceedance:
    """One limit under one option.

    - `used` (D,): fish of the limit by the end of the horizon.
    - `prob_exceeded_by_close`: NaN where draws lack a number.
    - `dates`: by `CHANCES`; None where the chance is never so high.
    - `fan_mean` (W,), `fan` (W, 7): mean of the fish by the end of each week, quantiles `FAN`.
    """

    used: Floats
    prob_exceeded_by_close: float
    dates: tuple[date | None, ...]
    fan_mean: NDArray[np.float64]
    fan: NDArray[np.float64]


def quantiles(draws: Floats, at: Sequence[float]) -> NDArray[np.float64]:
    """Return quantiles over the last axis, D to Q, by linear interpolation; NaN where one is."""
    ordered = np.sort(draws, axis=-1)  # NaN last
    place = np.asarray(at) * (draws.shape[-1] - 1)
    left = np.floor(place).astype(np.intp)
    right = np.minimum(left + 1, draws.shape[-1] - 1)
    below = ordered[..., left].astype(np.float64)
    found = below + (place - left) * (ordered[..., right] - below)
    return np.where(np.isnan(ordered[..., -1:]), np.nan, found)


def paired_difference_se(now: Floats, was: Floats, fish: float) -> float:
    """Return the Monte-Carlo standard error of a difference of two chances on the same draws.

    Of D draws of a total under two rules, b exceed a limit under the first alone and c under the
    second alone. The difference of the chances is (b - c) / D, the mean of D independent
    differences of 1, 0 or -1, so that its variance is ((b + c) / D - ((b - c) / D)²) / D. This is
    the standard result for correlated proportions (McNemar 1947, Note on the sampling error of the
    difference between correlated proportions or percentages; from memory). Draws that both rules
    decide alike add nothing: the error is far smaller than that of two separate simulations. It is
    the error of the number of draws alone; that of the data is in the chances themselves.

    Parameters
    ----------
    now, was : ndarray of float, shape (D,)
        Totals under both rules; NaN where a draw has no number.
    fish : float
        The limit.

    Returns
    -------
    float
        As a part of 1. 0 where no draw changes sides; NaN where any total is no number.
    """
    if np.isnan(now).any() or np.isnan(was).any():
        return np.nan
    moved = (now > fish).astype(np.int8) - (was > fish).astype(np.int8)
    return float(moved.std() / np.sqrt(moved.size))


def is_supported(baseline: Baseline, limit: Limit) -> bool:
    """Return whether a limit is on totals of areas that the draws hold."""
    return bool(set(limit.areas) & set(baseline.areas)) and set(limit.quantities) <= set(TOTALS)


def limit_exceedance(
    baseline: Baseline, projections: Sequence[AreaProjection | None], limit: Limit
) -> LimitExceedance:
    """Return where a limit goes under an option, whose areas are None without an open day to come.

    A day's chance is the share of draws in which the fish so far, and of the days to come through
    it, are more than the limit. Fish are cumulated by week; by day only in the weeks in which a
    chance is first reached.
    """
    n_draws, n_weeks = len(baseline.uncapped_size), len(baseline.weeks)
    if not is_supported(baseline, limit):
        nothing = np.full(n_draws, np.nan, dtype=np.float32)
        dates: tuple[date | None, ...] = (None,) * len(CHANCES)
        none = np.full((n_weeks, len(FAN)), np.nan)
        return LimitExceedance(nothing, np.nan, dates, none[:, 0], none)
    places = [baseline.areas.index(area) for area in limit.areas if area in baseline.areas]
    used = np.empty((n_weeks + 1, n_draws), dtype=np.float32)
    used[0] = sum(baseline.to_date[name][:, a] for a in places for name in limit.quantities)
    used[1:] = 0
    mine = [one for one in (projections[a] for a in places) if one is not None]
    for projection in mine:
        for name in limit.quantities:
            projection.add_by_week(name, used[1:])
    for week in range(n_weeks):
        used[week + 1] += used[week]
    if np.isnan(used[-1]).any():
        chance, dates = np.nan, (None,) * len(CHANCES)
    else:
        chances = (used > limit.fish).mean(axis=1)
        chance = float(chances[-1])
        dates = _dates(baseline, mine, limit, used, chances)
    mean = used[1:].mean(axis=1, dtype=np.float64)
    return LimitExceedance(used[-1], chance, dates, mean, quantiles(used[1:], FAN))


def _dates(
    baseline: Baseline,
    projections: Sequence[AreaProjection],
    limit: Limit,
    used: Floats,
    chances: NDArray[np.float64],
) -> tuple[date | None, ...]:
    """Return the first day on which each chance is reached."""
    found: list[date | None] = []
    by_week: dict[int, list[tuple[int, float]]] = {}
    for chance in CHANCES:
        hit = np.flatnonzero(chances >= chance)
        if not len(hit):
            found.append(None)
        elif hit[0] == 0:
            found.append(baseline.through)
        else:
            week = int(hit[0]) - 1
            if week not in by_week:
                by_week[week] = list(_day_chances(projections, limit, used[week], week))
            days = by_week[week]
            # The last day stands in where rounding leaves the week's own sum just short.
            n = next((day for day, so_far in days if so_far >= chance), days[-1][0])
            found.append(baseline.through + timedelta(days=n + 1))
    return tuple(found)


def _day_chances(
    projections: Sequence[AreaProjection], limit: Limit, start: Floats, week: int
) -> Iterator[tuple[int, float]]:
    """Yield the open days of a week with the chance that the limit is passed by then."""
    of_day: dict[int, list[Floats]] = {}
    for projection in projections:
        for n, fish in projection.by_day(limit.quantities, week):
            of_day.setdefault(n, []).append(fish)
    total = start.copy()
    for n in sorted(of_day):
        for each in of_day[n]:
            total += each
        yield n, float((total > limit.fish).mean())
