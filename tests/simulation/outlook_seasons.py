"""Many seasons of a fishery as arrays, sampled by site-days, for the kernels of the projection.

Every site-day of every season exists, with its boats, anglers, encounters and sublegal fish. A
sample of site-days gives weekly estimates with their errors and totals so far with theirs; the
truth is the sum over all site-days. Past seasons follow the same law and are known from samples
alone. Nothing passes through a store.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
import pandas as pd

from analytics.outlook.season_days import effects_of
from analytics.outlook.weekly_series import RATE, SHARE, TRIPS, WeeklySeries, log_variance
from analytics.propagation import (
    FURTHEST,
    log_covariance,
    normal_draws,
    scaled_exp,
    tail_draws,
)
from analytics.weeks import days_from, week_of_days

N_WEEKS, N_AREAS, N_SITES, N_PAST = 16, 3, 4, 5
MONDAY = date(2040, 11, 5)
DAYS = days_from(MONDAY, 7 * N_WEEKS)
WEEKS = tuple(dict.fromkeys(week_of_days(DAYS)))
AREAS = ("EAST", "MID", "WEST")
KIND = np.tile([0, 0, 0, 0, 0, 1, 1], (N_AREAS, 1))
#: Trips of a day by weekday, over the mean of a weekday.
WEEKDAY = np.array([1.0, 1.0, 1.0, 1.0, 1.1, 2.2, 2.0])
#: Site-days sampled of a stratum (area, week, day group).
SAMPLED = (2, 2)
#: Measures of a site-day in this order; legal encounters are those that are not sublegal.
MEASURES = ("boats", "angler_trips", "encounter_fish", "released_sublegal_fish")
QUANTITIES = (*MEASURES[1:], "legal_fish")


@dataclass(frozen=True, slots=True)
class Fishery:
    """The law of a fishery, log and logit scale.

    - `course`: height of the course that all seasons share (effort, catch rate, share).
    - `season_sd`: of a season's level, `area_sd`: of an area's in it.
    - `step_sd`: of a weekly step; `persistence`: what a departure keeps from week to week.
    - `correlation`: of steps of effort and of the catch rate.
    - `change_week`: first and last week in which rules may change; None for never. From then on
      the last area is open at weekends only, `change` is added to the levels.
    """

    course: tuple[float, float, float]
    season_sd: tuple[float, float, float]
    area_sd: float
    step_sd: tuple[float, float, float]
    persistence: float
    correlation: float
    change_week: tuple[int, int] | None = None
    change: tuple[float, float, float] = (0.0, 0.0, 0.0)
    mean_trips: float = 12.0
    mean_rate: float = 1.6
    mean_share: float = 0.55
    day_cv: float = 0.3
    unfishable: float = 0.06
    luck_sd: float = 0.35


FISHERIES = {
    "returning": Fishery(
        course=(0.5, 0.5, 0.35),
        season_sd=(0.2, 0.25, 0.2),
        area_sd=0.15,
        step_sd=(0.12, 0.12, 0.12),
        persistence=0.6,
        correlation=0.4,
    ),
    "drifting": Fishery(
        course=(0.1, 0.0, 0.1),
        season_sd=(0.35, 0.4, 0.3),
        area_sd=0.3,
        step_sd=(0.10, 0.12, 0.10),
        persistence=1.0,
        correlation=-0.2,
        change_week=(7, 9),
        change=(-0.15, -0.1, 0.2),
        mean_trips=9.0,
        mean_rate=0.9,
        mean_share=0.7,
        day_cv=0.4,
        unfishable=0.1,
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class Season:
    """All site-days of a season: `units` (A, T, 7, S, 4) as `MEASURES`, and the days open."""

    name: str
    units: np.ndarray
    is_open: np.ndarray

    def truth_after(self, week: int) -> dict[str, float]:
        """Return what came after some weeks."""
        of_all = self.units[:, week:].sum(axis=(0, 1, 2, 3))
        return with_legal(dict(zip(MEASURES, of_all.tolist(), strict=True)))


def with_legal(totals):
    """Return the totals of `QUANTITIES`."""
    found = {name: totals[name] for name in QUANTITIES[:-1]}
    return found | {"legal_fish": found["encounter_fish"] - found["released_sublegal_fish"]}


def levels_of(fishery, rng):
    """Return log levels of effort and catch rate and the logit of the share, shape (3, A, T)."""
    when = np.linspace(-1, 1, N_WEEKS)
    shapes = np.stack([np.cos(np.pi * when / 1.6) - 0.5, -when, when])
    level = np.array(fishery.course)[:, None, None] * shapes[:, None]
    level = level + rng.normal(0, fishery.season_sd)[:, None, None]
    level = level + rng.normal(0, fishery.area_sd, (3, N_AREAS))[:, :, None]
    steps = rng.standard_normal((3, N_AREAS, N_WEEKS))
    r, common = fishery.correlation, rng.standard_normal((3, 1, N_WEEKS))
    steps = np.sqrt(0.7) * steps + np.sqrt(0.3) * common
    steps[1] = r * steps[0] + np.sqrt(1 - r**2) * steps[1]
    steps *= np.array(fishery.step_sd)[:, None, None]
    off = np.zeros((3, N_AREAS, N_WEEKS))
    stays = 1 / np.sqrt(1 - fishery.persistence**2) if fishery.persistence < 1 else 1.0
    off[..., 0] = steps[..., 0] * stays
    for week in range(1, N_WEEKS):
        off[..., week] = fishery.persistence * off[..., week - 1] + steps[..., week]
    return level + off


def weather_of(fishery, rng):
    """Return what weather leaves of each day, alike in all areas, shape (T, 7)."""
    left, before = np.ones(len(DAYS)), False
    for day in range(len(DAYS)):
        before = rng.random() < (0.35 if before else fishery.unfishable)
        left[day] = 0.1 if before else 1.0
    return left.reshape(N_WEEKS, 7)


def season_of(fishery, rng, name):
    """Return one season of a fishery."""
    level = levels_of(fishery, rng)
    is_open = np.ones((N_AREAS, N_WEEKS, 7), dtype=bool)
    if fishery.change_week is not None:
        week = int(rng.integers(fishery.change_week[0], fishery.change_week[1] + 1))
        level[..., week:] += np.array(fishery.change)[:, None, None]
        is_open[-1, week:, :5] = False
    noise = rng.gamma(1 / fishery.day_cv**2, fishery.day_cv**2, (N_AREAS, N_WEEKS, 7))
    of_day = np.exp(level[0])[:, :, None] * WEEKDAY * weather_of(fishery, rng) * noise
    size = np.array([1.6, 1.2, 0.8, 0.4])
    mean = fishery.mean_trips / 2 * of_day[..., None] * size * is_open[..., None]
    boats = rng.poisson(mean)
    anglers = boats + rng.binomial(2 * boats, 0.5)
    luck = np.exp(rng.normal(-(fishery.luck_sd**2) / 2, fishery.luck_sd, boats.shape))
    rate = fishery.mean_rate * np.exp(level[1])[:, :, None, None]
    met = rng.poisson(rate * luck * anglers)
    logit = np.log(fishery.mean_share / (1 - fishery.mean_share)) + level[2][:, :, None, None]
    share = 1 / (1 + np.exp(-(logit + rng.normal(0, 0.3, boats.shape))))
    sublegal = rng.binomial(met, share)
    return Season(name, np.stack([boats, anglers, met, sublegal], axis=-1).astype(float), is_open)


@dataclass(frozen=True, eq=False)
class Sample:
    """Sampled site-days of a season: strata (A, T, 2) of weekdays and weekends.

    - `frame`, `n` (A, T, 2): site-days of the frame and of the sample.
    - `total` (A, T, 4), `cov` (A, T, 4, 4): estimates by area and week, and their covariance.
    - `rows`: the sampled site-days as `effects_of` takes them.
    """

    season: Season
    frame: np.ndarray
    n: np.ndarray
    total: np.ndarray
    cov: np.ndarray
    rows: pd.DataFrame

    @cached_property
    def se(self):
        return np.sqrt(np.einsum("atkk->atk", self.cov))

    def through(self, week, *, name=None):
        """Return the weekly figures of the first weeks, as the product makes them of a store."""
        figure, se = self.weekly_figures(week)
        n = self.n[:, :week].sum(axis=2).astype(float)
        df = np.maximum(n - (self.n[:, :week] > 0).sum(axis=2), 0.0)
        n[n == 0] = np.nan
        days = effects_of(self.rows[self.rows["week_at"] < week], kind=KIND)
        weight = self.season.is_open[:, :week] * days.weight[:, None]
        of_weeks = np.ones((N_AREAS, week))
        for (area, label), share in days.unfishable.items():
            of_weeks[area, WEEKS.index(label)] = 1 - share * (1 - days.weather.share)
        return WeeklySeries(
            season=name or self.season.name,
            areas=AREAS,
            weeks=WEEKS[:week],
            figure=figure,
            variance={
                name: log_variance(figure[name], se[name], n, df, is_share=name == SHARE)
                for name in figure
            },
            weighted_open_days=weight.sum(axis=2),
            fishable_share=of_weeks,
            days=days,
        )

    def weekly_figures(self, week):
        """Return weekly trips, encounters a trip and sublegal shares, and their errors."""
        total, cov = self.total[:, :week], self.cov[:, :week]
        ratio, error = {}, {}
        for name, top, below in ((RATE, 2, 1), (SHARE, 3, 2)):
            with np.errstate(divide="ignore", invalid="ignore"):
                one = total[..., top] / total[..., below]
                linear = np.zeros((*total.shape[:2], 4))
                linear[..., top], linear[..., below] = 1.0, -one
                variance = np.einsum("atk,atkl,atl->at", linear, cov, linear)
                error[name] = np.sqrt(np.maximum(variance, 0)) / total[..., below]
            ratio[name] = one
        no = self.n[:, :week].sum(axis=2) == 0
        figure = {TRIPS: total[..., 1], **ratio}
        return (
            {name: np.where(no, np.nan, one) for name, one in figure.items()},
            {TRIPS: self.se[:, :week, 1], **error},
        )

    def to_date(self, week, rng, n_draws, *, keeps_median=False):
        """Return draws (D, A) of the totals of some weeks, lognormal with the sample's errors.

        Each area has Student's t with its own degrees of freedom, as the product's draws; the
        estimate is their mean, or their median.
        """
        scaled = _about_median if keeps_median else scaled_exp
        total, cov = self.total[:, :week].sum(axis=1), self.cov[:, :week].sum(axis=1)
        parts = np.zeros((3, 4))
        parts[0, 1] = parts[2, 3] = parts[1, 2] = 1.0
        parts[1, 3] = -1.0
        df = (self.n[:, :week] - 1).clip(0).sum(axis=(1, 2)).astype(float)
        drawn = np.empty((n_draws, N_AREAS, 3))
        for area in range(N_AREAS):
            mean = parts @ total[area]
            log_cov = log_covariance(mean, parts @ cov[area] @ parts.T)
            tail = tail_draws(float(df[area]), rng=rng, n_draws=n_draws)
            drawn[:, area] = scaled(
                normal_draws(log_cov, rng=rng, n_draws=n_draws) * tail[:, None], mean
            )
        trips, legal, sublegal = np.moveaxis(drawn, -1, 0)
        return {
            "angler_trips": trips,
            "encounter_fish": legal + sublegal,
            "released_sublegal_fish": sublegal,
        }

    def estimate(self, first, last=N_WEEKS):
        """Return estimates of some weeks over all areas and their variances, by quantity."""
        total = self.total[:, first:last].sum(axis=(0, 1))
        cov = self.cov[:, first:last].sum(axis=(0, 1))
        values = with_legal(dict(zip(MEASURES, total.tolist(), strict=True)))
        pick = {name: np.eye(4)[at] for at, name in enumerate(MEASURES)}
        pick["legal_fish"] = np.array([0.0, 0.0, 1.0, -1.0])
        return values, {name: float(pick[name] @ cov @ pick[name]) for name in QUANTITIES}


def _about_median(deviate, median):
    furthest = np.log(FURTHEST)
    return median * np.exp(np.clip(deviate, -furthest, furthest))


def sample_of(season, rng, sampled=SAMPLED):
    """Draw site-days of every stratum and estimate every area and week."""
    total = np.zeros((N_AREAS, N_WEEKS, 4))
    cov = np.zeros((N_AREAS, N_WEEKS, 4, 4))
    frame = np.zeros((N_AREAS, N_WEEKS, 2), dtype=int)
    taken = np.zeros_like(frame)
    rows = []
    for group, days in enumerate((range(5), range(5, 7))):
        open_days = season.is_open[:, :, list(days)].sum(axis=2)
        units = season.units[:, :, list(days)].reshape(N_AREAS, N_WEEKS, -1, 4)
        frame[..., group] = N_SITES * open_days
        picked = np.argsort(rng.random(units.shape[:3]), axis=2)[..., : sampled[group]]
        has = open_days > 0  # all days of a group are open or none
        seen = np.take_along_axis(units, picked[..., None], axis=2)
        n, size = sampled[group], frame[..., group]
        taken[..., group] = n * has
        mean = seen.mean(axis=2)
        off = seen - mean[:, :, None]
        s2 = np.einsum("atuk,atul->atkl", off, off) / (n - 1)
        total += (size[..., None] * mean) * has[..., None]
        scale = size**2 * (1 - n / np.maximum(size, 1)) / n * has
        cov += scale[..., None, None] * s2
        rows.append(_rows(season, days, picked, seen[..., 0], has))
    return Sample(season, frame, taken, total, cov, pd.concat(rows, ignore_index=True))


def _rows(season, days, picked, boats, has):
    area, week, _ = np.indices(picked.shape)
    keep = np.broadcast_to(has[..., None], picked.shape)
    day, site = np.divmod(picked, N_SITES)
    digit = np.array(list(days))[day]
    at = week * 7 + digit
    return pd.DataFrame(
        {
            "date": pd.to_datetime(DAYS)[at[keep]],
            "week": np.array(WEEKS)[week[keep]],
            "week_at": week[keep],
            "area": area[keep],
            "site": (area * N_SITES + site)[keep],
            "block": week[keep] // 4,
            "digit": digit[keep],
            "boats": boats[keep],
        }
    )


def seasons_of(fishery, rng, *, n_past=N_PAST, sampled=SAMPLED):
    """Return samples of past seasons and of the present one, last."""
    names = [f"{2030 + number}-{31 + number}" for number in range(n_past + 1)]
    found = [sample_of(season_of(fishery, rng, name), rng, sampled) for name in names]
    return found[:-1], found[-1]
