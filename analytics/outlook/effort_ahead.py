"""Angler trips of every day to come, as draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded
from analytics.outlook.past_seasons import Patterns
from analytics.outlook.seasonal_pattern import (
    FEW_WEEKS,
    Figures,
    SeasonalPattern,
    level_paths,
)
from analytics.outlook.weekly_series import codes_of_areas
from analytics.weeks import week_of_days

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats
    from analytics.outlook.day_effects import DayEffects, Weather
    from analytics.outlook.weekly_series import WeeklySeries


#: Sampled dates that count as one on their own: bad weather lasts.
DATES_APART = 2.0
#: Standard deviation of a season's share of unfishable days about that of past seasons is no less
#: than this part of it. Our choice, no source.
_LEAST_SD = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class EffortAhead:
    """Effort of A areas; `assumed` holds codes.

    - `effort` (D, A, N): angler trips of each day, were it open; NaN where nothing is known.
    - `so_far` (D, A, T): trips of each week so far as the draw has them; they sum to its total.
    - `is_none` (A,): no trip of the season is known and no past season, so none is expected beside
      areas where some are; where all areas are so, nothing is known of any.
    - `normal` (D, A, H): standard normal numbers behind the steps of the level ahead; `pattern`:
      past seasons' course of it.
    """

    effort: NDArray[np.float32]
    so_far: Floats
    is_none: Bools
    normal: Floats
    pattern: SeasonalPattern
    assumed: tuple[str, ...]


def effort_ahead(
    now: WeeklySeries,
    past: Sequence[WeeklySeries],
    trips: Floats,
    *,
    days: NDArray[np.datetime64],
    ahead: Sequence[str],
    rng: np.random.Generator,
    patterns: Patterns | None = None,
) -> EffortAhead:
    """Draw the effort of N days, which lie in the H weeks `ahead` that follow `now` without a gap.

    A day's trips are the level of its week times the weight of its weekday times a factor of its
    own, and next to none on an unfishable day. The level is scaled so that the draw's weeks so far
    add up to its own total `trips` (D, A): the error of the total counts once. `patterns` of the
    same past seasons are made once.
    """
    pattern = (patterns or Patterns()).of_past(
        "trips",
        lambda: [trip_figures(one) for one in past],
        areas=now.areas,
        first=now.weeks[0],
    )
    figures = trip_figures(now)
    paths = level_paths(figures, pattern, ahead, n_draws=len(trips), rng=rng)
    n_weeks = len(now.weeks)
    weight, rescale = _weights(now.days, now.weighted_open_days, len(trips), rng)
    usual = now.weighted_open_days * now.fishable_share * np.exp(paths.draws[:, :, :n_weeks])
    total = np.nansum(usual, axis=2)
    fresh = paths.from_past & ~(trips > 0).any(axis=0)
    scale = np.divide(trips, total, out=np.zeros_like(trips), where=total > 0)
    so_far = np.nan_to_num(usual) * scale[:, :, None]
    scale = np.where(fresh, 1.0, np.where(np.isfinite(trips), scale * rescale, np.nan))
    at = np.array([[*now.weeks, *ahead].index(week) for week in week_of_days(days)], dtype=np.int64)
    digit = now.days.digit(days)
    left = _weather(
        now.days.weather, [one.days.weather for one in past], len(trips), len(days), rng
    )
    effort = np.empty((*trips.shape, len(days)), dtype=np.float32)
    for area in range(trips.shape[1]):
        sigma = np.sqrt(np.log1p(now.days.day_cv2[area]))
        noise = np.exp(sigma * rng.standard_normal((len(trips), len(days))) - sigma**2 / 2)
        level = np.exp(paths.draws[:, area, at]) * scale[:, area, None]
        effort[:, area] = level * weight[:, area, digit] * noise * left
    # No figure of this season and nothing caught of it: no trips are expected, and a code says so.
    still = (paths.n_known == 0) & ~paths.from_past & (trips == 0).all(axis=0)
    still &= (now.weighted_open_days > 0).any(axis=1)
    effort[:, still] = 0.0
    assumed = _assumed(now, past, pattern, paths.from_past, still, unknown=_unknown(effort, days))
    return EffortAhead(effort, so_far, still & ~still.all(), paths.normal, pattern, assumed)


def trip_figures(weekly: WeeklySeries) -> Figures:
    """Return a season's logs of trips a fair day."""
    if "trips" not in weekly.figures:
        weekly.figures["trips"] = figures_of(weekly, *weekly.log_trips())
    return weekly.figures["trips"]


def figures_of(weekly: WeeklySeries, value: Floats, variance: Floats) -> Figures:
    """Return figures of the areas and weeks of a season, shapes (A, T)."""
    is_open = weekly.weighted_open_days > 0
    return Figures(weekly.areas, weekly.weeks, value, variance, is_open)


def _weights(
    days: DayEffects, weighted_open_days: Floats, n_draws: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return drawn weights of weekdays (D, A, 7), and what keeps the mean of the days so far.

    The days so far are taken as whole weeks, which they nearly are.
    """
    normal = rng.standard_normal((n_draws, *days.weight.shape))
    at = np.broadcast_to(days.kind, normal.shape)
    drawn = days.weight * np.exp(days.log_se * np.take_along_axis(normal, at, axis=2))
    known = (weighted_open_days > 0).any(axis=1) & days.has_boats
    return drawn, np.where(known, 7 / drawn.sum(axis=2), 1.0)


def _weather(
    now: Weather, past: Sequence[Weather], n_draws: int, n_days: int, rng: np.random.Generator
) -> Floats:
    """Draw what weather leaves of each day, alike in all areas, shape (D, N).

    A day is unfishable more often after another: a chain of two states with the drawn share of such
    days and that of such days that another followed.
    """
    every = [*past, now]
    n_after, n_again = (
        sum(one) for one in zip(*((w.n_after, w.n_again) for w in every), strict=True)
    )
    share = _unfishable_share(now, past, n_draws, rng)
    again = rng.beta(n_again + 0.5, n_after - n_again + 0.5, n_draws) if n_after else share
    again = np.maximum(again, share)
    fresh = np.clip(share * (1 - again) / np.maximum(1 - share, 1e-9), 0.0, 1.0)
    uniform = rng.random((n_draws, n_days))
    unfishable = np.zeros((n_draws, n_days), dtype=bool)
    before = rng.random(n_draws) < share
    for day in range(n_days):
        before = uniform[:, day] < np.where(before, again, fresh)
        unfishable[:, day] = before
    left = [one.share for one in every if one.n_unfishable]
    return np.where(unfishable, float(np.mean(left)) if left else 0.0, 1.0)


def _unfishable_share(
    now: Weather, past: Sequence[Weather], n_draws: int, rng: np.random.Generator
) -> Floats:
    """Draw the season's share of unfishable days: past seasons' with this season's days so far.

    A beta distribution with mean and variance of past seasons, updated; without past seasons,
    Jeffreys' (Gelman et al. 2013, Bayesian Data Analysis, section 2.4; from memory).
    """
    first, second = 0.5, 0.5
    shares = [one.n_unfishable / one.n_dates for one in past if one.n_dates]
    if shares:
        mean = float(np.clip(np.mean(shares), 0.005, 0.9))
        variance = float(np.var(shares, ddof=1)) * (1 + 1 / len(shares)) if len(shares) > 1 else 0.0
        variance = max(variance, (_LEAST_SD * mean) ** 2, mean**2 / 4 * (len(shares) == 1))
        size = max(mean * (1 - mean) / variance - 1, 1.0)
        first, second = mean * size, (1 - mean) * size
    if not shares and not now.n_dates:
        return np.zeros(n_draws)
    n, unfishable = now.n_dates / DATES_APART, now.n_unfishable / DATES_APART
    return np.asarray(rng.beta(first + unfishable, second + n - unfishable, n_draws))


def _unknown(effort: NDArray[np.float32], days: NDArray[np.datetime64]) -> Bools:
    if not len(days):
        return np.zeros(effort.shape[1], dtype=bool)
    return np.asarray(np.isnan(effort).any(axis=(0, 2)))


def _assumed(
    now: WeeklySeries,
    past: Sequence[WeeklySeries],
    pattern: SeasonalPattern,
    from_past: Bools,
    still: Bools,
    *,
    unknown: Bools,
) -> tuple[str, ...]:
    weather = now.days.weather
    n_known = np.isfinite(now.log_trips()[0]).sum(axis=1)
    is_short = (n_known > 0) & (n_known < FEW_WEEKS)
    usual = coded("no_effort_pattern")
    if pattern.is_known:
        usual = coded("effort_pattern", seasons=len(past))
    return (
        coded("effort_of_weeks"),
        coded("weather_lost_dates", n=weather.n_unfishable, of=weather.n_dates),
        usual,
        *codes_of_areas(now.areas, from_past, "effort_of_past"),
        *codes_of_areas(now.areas, still, "no_trips_expected"),
        *codes_of_areas(now.areas, unknown, "effort_not_known"),
        *codes_of_areas(now.areas, is_short, "no_slope", weeks=FEW_WEEKS),
    )
