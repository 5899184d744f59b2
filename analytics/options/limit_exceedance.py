"""Limits under an option: how much of them is used week by week, when and how often exceeded.

How far a rule may go is the inverse: from draws over a limit at each choice of a rule to the answer
at a risk. Choices stand from the strictest to the most generous. A chance is a share of draws, and
draws are counted: no chance is compared as a broken number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import bdtr

from analytics.options.season_projection import TOTALS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from analytics.options.baseline import Baseline, Limit
    from analytics.options.season_projection import AreaProjection

    Floats = NDArray[np.float32]
    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]


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


#: Risks that are always answered beside the one that is asked.
RISKS = (0.05, 0.10, 0.20, 0.50)
#: A risk under so many draws is not distinguished from none: 0 of D draws bounds it by about 3/D.
LEAST_DRAWS = 3
_ROUNDING = 1e-9
#: Confidence level of what the number of draws leaves open.
LEVEL = 0.95
#: Every set of days of the week, as ISO digits; one day at least.
WEEKDAY_SETS = tuple("".join(days) for n in range(1, 8) for days in combinations("1234567", n))


def allowed_draws(risk: float, n_draws: int) -> int:
    """Return how many of the draws may exceed a limit at a risk."""
    return math.floor(risk * n_draws + _ROUNDING)


def is_too_small(risk: float, n_draws: int) -> bool:
    """Return whether so few draws cannot tell a risk from none."""
    return risk * n_draws < LEAST_DRAWS - _ROUNDING


def binomial_ends(risk: float, n_draws: int) -> tuple[int, int]:
    """Return the quantiles of how many of the draws exceed where the risk is the true chance."""
    below = bdtr(np.arange(n_draws + 1), n_draws, risk)
    low, high = np.searchsorted(below, [(1 - LEVEL) / 2, (1 + LEVEL) / 2]).tolist()
    return low, high


def first_over(over: Bools) -> Ints:
    """Return the first choice at which each draw exceeds, shape (X, D) to (D,); X where none."""
    return np.where(over.any(axis=0), over.argmax(axis=0), len(over)).astype(np.int64)


def last_within(first: Ints, risk: float) -> int:
    """Return the last choice that keeps a risk, by order statistics of `first_over`; -1 for none.

    With q draws that may exceed, the (q + 1)-th smallest is the first choice that does not keep it.
    """
    q = allowed_draws(risk, len(first))
    return int(np.partition(first, q)[q]) - 1 if q < len(first) else int(first.max())


@dataclass(frozen=True, slots=True)
class Found:
    """The answer at a risk, as places among the choices.

    - `place`: the most generous choice that keeps the risk; None where none does, or where
      `is_set`: then some stricter choice does not keep it, and `places` has all that do.
    - `band`: where the answer could be with other draws, -1 for none; of the number of draws alone.
    """

    risk: float
    place: int | None
    places: tuple[int, ...]
    band: tuple[int, int]
    is_set: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class RuleRisks:
    """Which draws exceed at each choice of a rule, (X, D), from strict to generous.

    Where choices have no order but by what they bring (`is_ordered` False), the last that keeps a
    risk is the answer whatever stands before it.
    """

    over: Bools
    is_ordered: bool = True

    @property
    def counts(self) -> Ints:
        """Return how many draws exceed at each choice, shape (X,)."""
        found: Ints = self.over.sum(axis=1)
        return found

    @property
    def is_monotone(self) -> bool:
        """Return whether no draw that exceeds at a choice keeps within at a more generous one."""
        return not (self.over[:-1] & ~self.over[1:]).any()

    def at(self, risk: float) -> Found:
        """Return the answer at a risk: by order statistics, or of the whole of the choices."""
        n_draws = self.over.shape[1]
        low, high = binomial_ends(risk, n_draws)
        q = allowed_draws(risk, n_draws)
        counts = self.counts
        if not self.is_ordered:
            places = tuple(np.flatnonzero(counts <= q).tolist())
            return Found(risk, places[-1] if places else None, places, (-1, -1))
        if self.is_monotone:
            last = last_within(first_over(self.over), risk)
        else:
            keeps = counts <= q
            last = len(keeps) - 1 - int(keeps[::-1].argmax()) if keeps.any() else -1
            if last >= 0 and not keeps[: last + 1].all():
                places = tuple(np.flatnonzero(keeps).tolist())
                return Found(risk, None, places, (-1, -1), is_set=True)
        band = _last(counts <= low - 1), _last(counts <= high)
        return Found(risk, last if last >= 0 else None, tuple(range(last + 1)), band)


def _last(keeps: Bools) -> int:
    """Return the last of the leading choices that keep a risk; -1 for none."""
    return len(keeps) - 1 if keeps.all() else int(keeps.argmin()) - 1


def switched(
    before: NDArray[np.floating],
    after: NDArray[np.floating],
    rows: Sequence[int],
    *,
    start: NDArray[np.floating] | float = 0.0,
) -> NDArray[np.float64]:
    """Return what days bring where one rule gives way to another, shape (N, D) to (R, D).

    A row has its first so many days under `before`, the others under `after`; `rows` rise. All
    begin with `start`, (D,).
    """
    ends = [0, *rows, len(before)]
    found = np.empty((len(rows), before.shape[1]))
    _run(before, ends[:-1], found, start)
    if after.any():
        rest = np.empty_like(found)
        _run(after[::-1], [len(before) - end for end in ends[:0:-1]], rest[::-1], 0.0)
        found += rest
    return found


def _run(
    days: NDArray[np.floating],
    ends: Sequence[int],
    found: NDArray[np.float64],
    start: NDArray[np.floating] | float,
) -> None:
    """Fill rows with what days bring up to each end but the first, a row at a time, on `start`."""
    so_far: NDArray[np.floating] | float = start
    for row, (one, other) in zip(found, pairwise(ends), strict=True):
        if one + 1 == other:
            np.add(so_far, days[one], out=row)
        else:
            np.add(so_far, days[one:other].sum(axis=0, dtype=np.float64), out=row)
        so_far = row


def maximal_sets(sets: Sequence[str]) -> tuple[str, ...]:
    """Return the sets of days of the week that no other of them holds."""
    return tuple(one for one in sets if not any(set(one) < set(other) for other in sets))


def non_dominated(gains: NDArray[np.float64], risk: Ints) -> Bools:
    """Return which points no other beats: gains (P, G) as large and a risk as small, one better.

    Means within a millionth are alike: sums of draws are of single precision.
    """
    tie = 1e-6 * np.maximum(1.0, np.abs(gains))
    no_less = (gains[None] >= gains[:, None] - tie[:, None]).all(axis=2)
    more = (gains[None] > gains[:, None] + tie[:, None]).any(axis=2)
    beats = no_less & (risk[None] <= risk[:, None]) & (more | (risk[None] < risk[:, None]))
    found: Bools = np.logical_not(beats.any(axis=1))
    return found
