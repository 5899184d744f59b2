"""Days to come, as draws: angler trips a day, encounters per trip and their sublegal share a week.

Weeks so far have their rates and shares as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from analytics.codes import coded, has_code
from analytics.outlook.seasonal_pattern import (
    FEW_WEEKS,
    Figures,
    SeasonalPattern,
    joint_correlation,
    level_paths,
    pattern_of,
)
from analytics.outlook.weekly_series import SHARE, Patterns, codes_of_areas, with_none
from analytics.weeks import week_of_days

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pyarrow as pa
    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats
    from analytics.outlook.season_days import DayEffects, Weather
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


# Encounters per angler trip.

#: A share is kept this far from 0 and 1 where its logit is taken.
EDGE = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class ProjectedRate:
    """A figure of A areas over T weeks so far and H ahead, (D, A, T + H); `assumed` holds codes."""

    draws: Floats
    assumed: tuple[str, ...]


def rates_ahead(
    now: WeeklySeries,
    past: Sequence[WeeklySeries],
    rates: Mapping[str, pa.Table],
    *,
    met: Floats,
    trips: Floats,
    effort: EffortAhead,
    ahead: Sequence[str],
    rng: np.random.Generator,
    patterns: Patterns | None = None,
) -> ProjectedRate:
    """Draw encounters per angler trip by week, H of them `ahead` of `now`.

    A draw's encounters over its trips so far, `met` and `trips` (D, A), times the path of the
    standardised index over its own mean of the weeks so far, weighted by the trips of `effort`:
    the level has the error of the totals, once, and the path that of the index. Its steps ahead go
    with those of effort as they did in past seasons.
    """
    index = index_figures(rates, now, response="encounters")
    figures, by_index = _index_else(index, *now.log_rate())
    patterns = patterns or Patterns()
    pattern = patterns.once("rate", lambda: rate_pattern(now, past, rates, index))
    paths = level_paths(
        figures,
        pattern,
        ahead,
        n_draws=len(met),
        rng=rng,
        moves_with=effort.normal,
        correlation=joint_correlation(effort.pattern, pattern),
    )
    level = np.exp(paths.draws)
    n_weeks = len(now.weeks)
    total = np.nansum(effort.so_far * level[:, :, :n_weeks], axis=2)
    scale = np.divide(met, total, out=np.zeros_like(met), where=total > 0)
    # An area not fished yet: past seasons' own encounters per trip, on their scale.
    fresh = ~any_of(np.isfinite(figures.value), 1) & ~any_of(trips != 0, 0)
    of_past = _per_trip(now, past, ahead, fresh=fresh, n_draws=len(met), rng=rng, patterns=patterns)
    draws = np.where(fresh[:, None], of_past, level * scale[:, :, None])
    none = ~fresh & ~any_of(met != 0, 0)
    draws[:, none] = 0.0
    unknown = fresh & any_of(~np.isfinite(draws[:, :, n_weeks:]), (0, 2))
    assumed = (
        coded("rate_of_index"),
        *([coded("rate_pattern")] if pattern.is_known else []),
        *codes_of_areas(now.areas, ~by_index & ~fresh & ~none, "rate_without_index"),
        *codes_of_areas(now.areas, fresh & ~unknown, "rate_of_past"),
        *codes_of_areas(now.areas, unknown & ~effort.is_none, "rate_not_known"),
        *codes_of_areas(now.areas, none, "no_fish_expected"),
    )
    return ProjectedRate(draws, assumed)


def _per_trip(
    now: WeeklySeries,
    past: Sequence[WeeklySeries],
    ahead: Sequence[str],
    *,
    fresh: Bools,
    n_draws: int,
    rng: np.random.Generator,
    patterns: Patterns,
) -> Floats:
    """Return past seasons' encounters per trip at this season's standing, shape (D, A, T + H)."""
    n = len(now.weeks) + len(ahead)
    if not fresh.any():
        return np.full((n_draws, len(now.areas), n), np.nan)
    raw = figures_of(now, *now.log_rate())
    pattern = patterns.of_past(
        "per_trip",
        lambda: [figures_of(one, *one.log_rate()) for one in past],
        areas=now.areas,
        first=now.weeks[0],
    )
    return np.exp(level_paths(raw, pattern, ahead, n_draws=n_draws, rng=rng).draws)


def index_figures(rates: Mapping[str, pa.Table], now: WeeklySeries, *, response: str) -> Figures:
    """Return the standardised index of a response, log or logit, by area and week.

    Weeks in which no fish was met stand with half the least of their area; a share has none.
    """
    shape = (len(now.areas), len(now.weeks))
    value, variance = np.full(shape, np.nan), np.full(shape, np.nan)
    is_share = response == "sublegal"
    none = np.zeros(shape, dtype=bool)
    table = rates.get("index")
    for row in table.to_pylist() if table is not None else ():
        known = row["area"] in now.areas and row["week"] in now.weeks
        if not known or row["response"] != response:
            continue
        cell = (now.areas.index(row["area"]), now.weeks.index(row["week"]))
        none[cell] = not is_share and has_code(row["reason"], "no_fish_in_trips")
        if row["index"] is not None and row["log_se"] is not None:
            value[cell], variance[cell] = row["index"], row["log_se"] ** 2
    if is_share:
        return figures_of(now, logit(np.clip(value, EDGE, 1 - EDGE)), variance)
    return figures_of(now, *with_none(np.where(none, 0.0, value), variance))


def _index_else(index: Figures, value: Floats, variance: Floats) -> tuple[Figures, Bools]:
    """Return the index, other figures in areas without one, and which areas have one, (A,)."""
    has = any_of(np.isfinite(index.value), 1)
    value = np.where(has[:, None], index.value, value)
    variance = np.where(has[:, None], index.variance, variance)
    return Figures(index.areas, index.weeks, value, variance, index.is_open), has


def rate_pattern(
    now: WeeklySeries, past: Sequence[WeeklySeries], rates: Mapping[str, pa.Table], index: Figures
) -> SeasonalPattern:
    """Return past seasons' course of the index, of the survey's rate where there is no index.

    Where a past week's error was not kept, this season's median stands in for it.
    """
    typical = np.nanmedian(index.variance) if np.isfinite(index.variance).any() else 0.05
    timing = _timing(rates, [one.season for one in past])
    figures = []
    for one in past:
        value, variance = one.log_rate()
        mine = timing[timing["season"] == one.season] if timing is not None else None
        if mine is not None and len(mine):
            value = np.full_like(value, np.nan)
            known = mine[mine["area"].isin(one.areas) & mine["week"].isin(one.weeks)]
            at = [one.areas.index(area) for area in known["area"]]
            when = [one.weeks.index(week) for week in known["week"]]
            value[at, when] = np.log(known["index"].to_numpy(np.float64))
            variance = np.full_like(value, typical)
            kept = known["log_se"].to_numpy(np.float64)
            variance[at, when] = np.where(kept > 0, kept**2, typical)
        figures.append(figures_of(one, value, variance))
    return pattern_of(figures, areas=now.areas, first=now.weeks[0])


def _timing(rates: Mapping[str, pa.Table], seasons: Sequence[str]) -> pd.DataFrame | None:
    table = rates.get("seasonal_pattern")
    if table is None or not table.num_rows:
        return None
    names = ["season", "area", "week", "index", "log_se"]
    frame = pd.DataFrame(
        {one: table[one].to_pandas() for one in names if one in table.schema.names}
    )
    frame = frame.reindex(columns=names)
    known = frame["season"].isin(seasons) & frame["index"].gt(0) & frame["area"].notna()
    return frame.loc[known]


def any_of(flags: Bools, axis: int | tuple[int, ...]) -> Bools:
    """Return whether any flag is set along an axis or two."""
    return np.asarray(flags.any(axis=axis), dtype=bool)


# The sublegal share of encounters.

#: Error of a share's logit that stands in from elsewhere. Our choice, no source.
_BORROWED_SE = 0.5
#: The share where neither past seasons nor another area tell one. Our choice, no source.
_NO_SHARE = 0.5
#: Past seasons from which their course of the share counts in full; of K fewer by K/(K + 2). Our
#: choice, no source.
LEAST_SEASONS = 4


def shares_ahead(
    now: WeeklySeries,
    past: Sequence[WeeklySeries],
    rates: Mapping[str, pa.Table],
    *,
    sublegal: Floats,
    met: Floats,
    so_far: Floats,
    ahead: Sequence[str],
    rng: np.random.Generator,
    patterns: Patterns | None = None,
) -> ProjectedRate:
    """Draw the sublegal share of encounters by week: the draw's share so far along its own path.

    The path is that of the standardised share on the logit scale along past seasons' course, taken
    off its mean over the weeks so far. `sublegal` (D, A) are releases so far; else as
    `rates_ahead`.
    """
    n_weeks, n_draws = len(now.weeks), len(met)
    index = index_figures(rates, now, response="sublegal")
    figures, by_index = _index_else(index, *now.logit_share())
    pattern = (patterns or Patterns()).of_past(
        "share",
        lambda: [figures_of(one, *one.logit_share()) for one in past],
        areas=now.areas,
        first=now.weeks[0],
    )
    in_part = len(past) / (len(past) + 2) if len(past) < LEAST_SEASONS else 1.0
    paths = level_paths(
        figures, pattern, ahead, n_draws=n_draws, rng=rng, weight=in_part, is_log=False
    ).draws
    has = ~any_of(~np.isfinite(paths), (0, 2))
    weight = np.where(np.isfinite(so_far), so_far, 0.0)
    weight = weight / np.maximum(weight.sum(axis=2, keepdims=True), 1e-12)
    mean = (weight * np.nan_to_num(paths[:, :, :n_weeks])).sum(axis=2)
    off = np.where(has[:, None], paths - mean[:, :, None], 0.0)
    known = ~any_of(~(met > 0) | ~np.isfinite(sublegal), 0)
    share = np.divide(sublegal, met, out=np.zeros_like(met), where=met > 0)
    level = logit(np.clip(np.nan_to_num(share), EDGE, 1 - EDGE))
    level = np.where(known, level, _borrowed(now, past, share, known, rng))
    draws = np.asarray(expit(level[:, :, None] + off))
    # All or none of the fish so far: nothing to build a path on.
    flat = known & (~any_of(share != 0, 0) | ~any_of(share != 1, 0))
    draws[:, flat] = share[:, flat, None]
    assumed = (
        coded("share_of_index"),
        *codes_of_areas(now.areas, known & ~by_index, "share_without_index"),
        *codes_of_areas(now.areas, ~known, "share_of_past"),
    )
    return ProjectedRate(draws, assumed)


def _borrowed(
    now: WeeklySeries,
    past: Sequence[WeeklySeries],
    share: Floats,
    known: Bools,
    rng: np.random.Generator,
) -> Floats:
    """Return logits for areas without encounters: past seasons' mean share, else other areas'."""
    level = np.zeros(share.shape)
    others = float(np.mean(share[:, known])) if known.any() else _NO_SHARE
    for place, area in enumerate(now.areas):
        shares = [
            float(np.nanmean(one.figure[SHARE][one.areas.index(area)]))
            for one in past
            if area in one.areas and np.isfinite(one.figure[SHARE][one.areas.index(area)]).any()
        ]
        center = logit(np.clip(np.mean(shares) if shares else others, EDGE, 1 - EDGE))
        sd = (
            np.std(logit(np.clip(shares, EDGE, 1 - EDGE)), ddof=1)
            if len(shares) > 2
            else _BORROWED_SE
        )
        level[:, place] = center + sd * rng.standard_normal(len(share))
    return level
