"""The usual course of past seasons by area, and how far seasons depart from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.models.smoother import Structure, paths_of, step_log_weights

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.models.smoother import Paths


#: Weeks of a year; the 53rd of a long one counts as the first of the next.
YEAR = 52
#: Weeks with a figure that a past season's course of an area needs, and their share of those it
#: was open.
LEAST_WEEKS, COMPLETE = 3, 0.75
_ROUNDS = 20
#: Least variance of a week of a past season about the course.
_LEAST_SCATTER = 1e-4
#: Weeks apart at which changes of areas are compared.
_APART = 4
#: Changes that count as having shown no correlation of two figures.
PRIOR_CHANGES = 20.0
#: Where past seasons cannot tell: correlation of changes between areas, and standard deviation of
#: an area's level about its usual one. Our choice, no source.
RHO, LEVEL_SE = 0.3, 0.5
#: Part of its distance from where it was that a level keeps from week to week, where past seasons
#: cannot tell how far levels move. Our choice, no source.
PERSISTENCE = 0.8
#: How departures may move: what they keep from week to week, and how far a week lies off by
#: itself. Past seasons and the present one say which.
STRUCTURES = tuple(
    Structure(persistence, noise) for persistence in (0.7, 1.0) for noise in (0.0, 0.1, 0.2)
)


@dataclass(frozen=True, slots=True, eq=False)
class Figures:
    """Log figures of one season by A areas and T consecutive ISO weeks; NaN where there is none."""

    areas: tuple[str, ...]
    weeks: tuple[str, ...]
    value: Floats
    variance: Floats
    is_open: Bools

    def span_of(self, area: str) -> slice | None:
        """Return the weeks from an area's first figure to its last, at most a year.

        None for an area with too few figures to tell its pattern.
        """
        if area not in self.areas:
            return None
        mine = self.areas.index(area)
        known = np.isfinite(self.value[mine]) & np.isfinite(self.variance[mine])
        if known.sum() < max(LEAST_WEEKS, COMPLETE * int(self.is_open[mine].sum())):
            return None
        at = np.flatnonzero(known)
        return slice(int(at[0]), min(int(at[-1]) + 1, int(at[0]) + YEAR))


@dataclass(frozen=True, slots=True, eq=False)
class SeasonalPattern:
    """Smooth log levels of K past seasons over the weeks of a year, of A areas.

    - `anchor`: ISO week number that stands first.
    - `level` (K, A, 52): NaN outside each season.
    - `shape` (A, 52): mean course of each area, seasons' levels taken off; NaN of under two
      seasons.
    - `growth` (52,): by weeks apart, variance of a season's change about the mean of all; its own
      error counts.
    - `level_variance`: of an area's level about its usual one, that of all areas taken off.
    - `rho`: correlation between areas of a season's departures.
    - `is_known`: whether two past seasons or more show `growth`.
    - `log_weight` (P, G): what past seasons say of `STRUCTURES` and of sizes of steps.
    - `departure` (K, A, 52): of each season's level from the course; NaN where there is none.
    """

    anchor: int
    level: Floats
    shape: Floats
    growth: Floats
    level_variance: float
    rho: float
    is_known: bool
    log_weight: Floats | None = None
    departure: Floats | None = None

    def place(self, week: str) -> int:
        """Return the place of an ISO week in the year."""
        return (int(week[-2:]) - self.anchor) % YEAR

    def along(self, area: int, weeks: Sequence[str]) -> Floats:
        """Return the usual course of an area over some weeks, 0 where none is given, shape (H,).

        Its level is of no meaning. Weeks that fewer than two past seasons had take the nearest
        one that they had.
        """
        at = np.array([self.place(week) for week in weeks], dtype=np.int64)
        known = np.flatnonzero(np.isfinite(self.shape[area]))
        if not len(known) or not len(at):
            return np.zeros(len(at))
        gap = np.abs(at[:, None] - known)
        near = known[np.minimum(gap, YEAR - gap).argmin(axis=1)]
        return np.asarray(self.shape[area, near])

    def n_seasons(self, area: int) -> int:
        """Return how many past seasons show an area's course; 0 where fewer than two do."""
        n = int(np.isfinite(self.level[:, area]).any(axis=1).sum()) if len(self.level) else 0
        return n if self.is_known and n >= 2 else 0

    def lead(self, area: int, found: Paths, n_weeks: int) -> tuple[Floats, Floats]:
        """Return the factor of changes ahead of T weeks and their variance before it, (H,).

        With n past seasons the error of their mean course adds 1/n of the variance. With fewer than
        two the change has no more than the variance `LEVEL_SE` squared, which a level that returns
        by 1 - `PERSISTENCE` a week comes near.
        """
        _, cov = found.moments()
        now = n_weeks - 1
        variance = np.diag(cov)[n_weeks:] + cov[now, now] - 2 * cov[now, n_weeks:]
        variance = np.maximum(variance, 1e-12)
        n = self.n_seasons(area)
        if n:
            return np.full(len(variance), np.sqrt(1 + 1 / n)), variance
        most = LEVEL_SE**2 * (1 - PERSISTENCE ** np.arange(1, len(variance) + 1))
        return np.sqrt(np.minimum(most / variance, 1.0)), np.minimum(most, variance)

    def mean_shift(self, area: int, variance: Floats) -> Floats:
        r"""Return what is taken off logs ahead so that their exponentials keep their mean, (H,).

        A level of which nothing is known but that it walks is as likely to be worth more as less:
        half its variance is taken off, and it is a martingale on the natural scale. The course is
        a mean of logs, about which past seasons really scattered by ``g``, so that half of that
        belongs to the mean and stays; the error of the mean of n seasons, ``g/n``, is ignorance,
        and ``exp`` of that mean is too high by half of it too. `variance` (H,): g.
        """
        n = self.n_seasons(area)
        return np.asarray(-variance / n if n else -variance / 2)

    def usual(self, area: int, weeks: Sequence[str]) -> tuple[Floats, Ints]:
        """Return an area's mean level over past seasons and how many tell it, shapes (H,)."""
        known = self.level[:, area, [self.place(week) for week in weeks]]
        n = np.isfinite(known).sum(axis=0)
        return np.where(n > 0, np.nansum(known, axis=0) / np.maximum(n, 1), np.nan), n

    def season_anomaly(self, now: Figures) -> tuple[float, int]:
        """Return how far this season lies above the usual level, and of how many areas."""
        usual = np.array([self.usual(area, now.weeks)[0] for area in range(len(now.areas))])
        off = (now.value - usual.reshape(now.value.shape)) if len(now.areas) else now.value
        n = np.isfinite(off).sum(axis=1)
        by_area = np.nansum(off, axis=1)[n > 0] / n[n > 0]
        return (float(by_area.mean()), len(by_area)) if len(by_area) else (0.0, 0)


def pattern_of(past: Sequence[Figures], *, areas: Sequence[str], first: str) -> SeasonalPattern:
    """Return the course of K past seasons over A areas; those that a season lacks are NaN in it.

    The course that seasons share is the mean of their logs by week, smoothed with a slope, so that
    a rise or fall at an end is not flattened. What each season and area departs from it by is
    smoothed as the present one is, without a slope. Departures are pooled over areas and weeks by
    the weeks apart: a variance by area and week would rest on as many numbers as there are seasons.
    Our choice, no source.
    """
    # A season may open some weeks sooner than the present one did.
    anchor = int(first[-2:]) - 8
    sums, variances, n = np.zeros((3, len(past), len(areas), YEAR))
    for k, one in enumerate(past):
        at = np.array([(int(week[-2:]) - anchor) % YEAR for week in one.weeks])
        for a, area in enumerate(areas):
            span = one.span_of(area)
            if span is not None:
                mine = one.areas.index(area)
                known = np.isfinite(one.value[mine, span]) & np.isfinite(one.variance[mine, span])
                # The 53rd week and the first of the next year have one place: their mean counts.
                place = at[span][known]
                np.add.at(sums[k, a], place, one.value[mine, span][known])
                np.add.at(variances[k, a], place, one.variance[mine, span][known])
                np.add.at(n[k, a], place, 1)
    number = np.where(n > 0, n, np.nan)
    value, variance = sums / number, variances / number**2
    return _pattern(anchor, value, variance)


def _pattern(anchor: int, value: Floats, variance: Floats) -> SeasonalPattern:
    has = np.isfinite(value) & np.isfinite(variance)
    raw = _shape(value, has)
    n_raw = has.sum(axis=0)
    shape = np.where(n_raw >= 2, _smooth_shape(value, has, raw), 0.0)
    level, cov = _departures(value, variance, has, shape)
    known = np.isfinite(level)
    n = known.sum(axis=0)
    several = n >= 2
    # What is left of the mean over seasons stays in the course.
    shape = _shape(level, known)
    off = np.where(several & known, level - shape, np.nan)
    free = np.where(several, 1 - 1 / np.maximum(n, 1), np.nan)
    growth = _growth(off, free, cov)
    is_known = bool(several.any()) and bool(np.isfinite(growth[1]))
    return SeasonalPattern(
        anchor=anchor,
        level=level,
        shape=np.where(several, shape, np.nan),
        growth=growth if is_known else np.full(YEAR, np.nan),
        level_variance=_level_variance(off, several),
        rho=_rho(off) if is_known else RHO,
        is_known=is_known,
        log_weight=_log_weight(value, variance, shape, several) if is_known else None,
        departure=off if is_known else None,
    )


def _log_weight(value: Floats, variance: Floats, shape: Floats, several: Bools) -> Floats:
    """Return what departures of past seasons say of persistences and sizes of steps, (P, G).

    A departure from a mean of n seasons has 1 - 1/n of its variance. Areas of a season are alike:
    they count as one and a half of their number's root. Our choice, no source.
    """
    has = np.isfinite(value) & np.isfinite(variance) & several
    n = np.maximum(has.sum(axis=0), 2)
    off = np.where(has, (value - shape) * np.sqrt(n / (n - 1)), np.nan)
    series = []
    for k, area in np.argwhere(has.sum(axis=2) >= LEAST_WEEKS):
        at = np.flatnonzero(has[k, area])
        span = slice(int(at[0]), int(at[-1]) + 1)
        series.append((off[k, area, span], variance[k, area, span]))
    found = step_log_weights(series, STRUCTURES)
    n_areas = max(float(has.any(axis=2).sum(axis=1).max()), 1.0)
    return np.asarray(found * min(1.5 / np.sqrt(n_areas), 1.0))


def _smooth_shape(value: Floats, has: Bools, raw: Floats) -> Floats:
    """Return the raw course of each area smoothed with a slope, shape (A, 52)."""
    off = np.where(has, value - raw, np.nan)
    own = np.nansum(off, axis=2) / np.maximum(has.sum(axis=2), 1)
    left = np.where(has, off - own[:, :, None], 0.0)
    n = has.sum(axis=0)
    found = raw.copy()
    for area in range(len(raw)):
        at = np.flatnonzero(n[area] >= 2)
        if len(at) < LEAST_WEEKS:
            continue
        span = slice(int(at[0]), int(at[-1]) + 1)
        n_free = max(has[:, area].sum() - len(at) - has[:, area].any(axis=1).sum() + 1, 1)
        scatter = float((left[:, area] ** 2).sum() / n_free)
        y = np.where(n[area, span] >= 2, raw[area, span], np.nan)
        error = np.maximum(scatter, _LEAST_SCATTER) / np.maximum(n[area, span], 1)
        found[area, span] = paths_of(y, error, n_ahead=0).moments()[0]
    return found


def _departures(
    value: Floats, variance: Floats, has: Bools, shape: Floats
) -> tuple[Floats, Floats]:
    """Return each season's level, the course and its smoothed departure, with its covariance."""
    level = np.full(value.shape, np.nan)
    cov = np.full((*value.shape, YEAR), np.nan)
    for k, area in np.argwhere(has.any(axis=2)):
        at = np.flatnonzero(has[k, area])
        span = slice(int(at[0]), int(at[-1]) + 1)
        off = value[k, area, span] - shape[area, span]
        mean, of_mean = paths_of(off, variance[k, area, span], n_ahead=0, slope=False).moments()
        level[k, area, span] = shape[area, span] + mean
        cov[k, area, span, span] = of_mean
    return level, cov


def _shape(level: Floats, has: Bools) -> Floats:
    """Return the course that seasons share, shape (A, 52): levels are shape plus season's own.

    Alternating means find it, so that a season which lacks some weeks bends nothing.
    """
    shape = np.zeros(level.shape[1:])
    known = np.where(has, level, 0.0)
    n_season, n_week = has.sum(axis=2), has.sum(axis=0)
    for _ in range(_ROUNDS if level.size else 0):
        left = (known - shape * has).sum(axis=2)
        own = np.divide(left, n_season, out=np.zeros_like(left), where=n_season > 0)
        # A season's level counts from the mean of all, so that the shape keeps theirs.
        n_own = np.maximum((n_season > 0).sum(axis=0), 1)
        own = np.where(n_season > 0, own - own.sum(axis=0) / n_own, 0.0)
        left = (known - own[:, :, None] * has).sum(axis=0)
        shape = np.divide(left, n_week, out=np.zeros_like(left), where=n_week > 0)
    return shape


def _growth(off: Floats, free: Floats, cov: Floats) -> Floats:
    """Return the variance of a change by weeks apart, never falling, extended in a line."""
    own = np.einsum("kaww->kaw", cov)
    growth = np.full(YEAR, np.nan)
    growth[0] = 0.0
    for lag in range(1, YEAR):
        moved = off[:, :, lag:] - off[:, :, :-lag]
        known = np.isfinite(moved)
        if known.sum() < 2:
            continue
        # Each season's part of the degrees of freedom of its week.
        both = np.nan_to_num(np.minimum(free[:, lag:], free[:, :-lag]))
        n_free = (known * both).sum()
        shared = np.diagonal(cov, offset=lag, axis1=2, axis2=3)
        error = (own[:, :, lag:] + own[:, :, :-lag] - 2 * shared)[known].mean()
        growth[lag] = (moved[known] ** 2).sum() / n_free + error
    at = np.flatnonzero(np.isfinite(growth))
    if len(at) > 1:
        slope = growth[at[-1]] / at[-1]
        lags = np.arange(YEAR)
        growth = np.where(
            lags > at[-1], slope * lags, np.interp(lags, at, np.maximum.accumulate(growth[at]))
        )
    return growth


def _level_variance(off: Floats, several: Bools) -> float:
    """Return the variance of areas' seasons about their usual level and the season's anomaly."""
    n = np.isfinite(off).sum(axis=2)
    mean = np.where(n > 0, np.nansum(off, axis=2) / np.maximum(n, 1), np.nan)
    has = np.isfinite(mean)
    n_seasons, n_areas = int(has.any(axis=1).sum()), int(several.any(axis=1).sum())
    if n_seasons < 2 or n_areas < 2:
        return LEVEL_SE**2
    n_responding = np.maximum(has.sum(axis=1, keepdims=True), 1)
    left = mean - np.nansum(mean, axis=1, keepdims=True) / n_responding
    return float(np.nansum(left**2) / ((n_seasons - 1) * (n_areas - 1)))


def _rho(off: Floats) -> float:
    """Return the correlation between areas of changes over some weeks, from 0 to 0.9."""
    moved = off[:, :, _APART:] - off[:, :, :-_APART]
    known = np.isfinite(moved)
    changes = np.where(known, moved, 0.0)
    square = (changes**2).sum(axis=1)
    cross, n_cross = changes.sum(axis=1) ** 2 - square, known.sum(axis=1) ** 2 - known.sum(axis=1)
    if n_cross.sum() < 1 or square.sum() == 0:
        return RHO
    found = (cross.sum() / n_cross.sum()) / (square.sum() / known.sum())
    return float(np.clip(found, 0.0, 0.9))


def joint_correlation(one: SeasonalPattern, other: SeasonalPattern) -> float:
    """Return the correlation of changes of two figures over some weeks in past seasons.

    Shrunk to 0 as if 20 changes had shown none (our choice, no source); 0 where nothing is known.
    """
    if one.departure is None or other.departure is None:
        return 0.0
    first, second = (
        off[:, :, _APART:] - off[:, :, :-_APART] for off in (one.departure, other.departure)
    )
    both = np.isfinite(first) & np.isfinite(second)
    x, y = first[both], second[both]
    size = float(np.sqrt((x @ x) * (y @ y)))
    n = both.sum() / _APART
    return float(x @ y / size * n / (n + PRIOR_CHANGES)) if size > 0 else 0.0


# Paths of a log level of every area, this season's figures and past seasons' course together.

#: Weeks with a figure under which an outlook says that it is wide.
FEW_WEEKS = 3


@dataclass(frozen=True, slots=True, eq=False)
class LevelPaths:
    """Paths of A areas.

    - `draws` (D, A, T + H): NaN where nothing is known of an area.
    - `n_known` (A,): weeks of this season with a figure.
    - `from_past` (A,): the level itself is that of past seasons.
    - `normal` (D, A, H): standard normal numbers behind the steps ahead.
    """

    draws: Floats
    n_known: Ints
    from_past: Bools
    normal: Floats


def level_paths(
    now: Figures,
    pattern: SeasonalPattern,
    ahead: Sequence[str],
    *,
    n_draws: int,
    rng: np.random.Generator,
    weight: float = 1.0,
    is_log: bool = True,
    moves_with: Floats | None = None,
    correlation: float = 0.0,
) -> LevelPaths:
    """Draw the paths of every area over T weeks so far and the H weeks `ahead` that follow.

    An area with a figure this season departs from past seasons' usual course: its own level off
    that course says how far, and stays as far ahead, without a slope. So a change that comes every
    year is no surprise. One without a figure has the mean level of past seasons in the same weeks,
    times how this season stands in the other areas. Steps ahead are correlated between areas as
    past seasons' were; `moves_with` (D, A, H) are those of a series that this one moves with, at
    `correlation`.
    """
    n_areas, n_weeks = now.value.shape
    n, n_ahead = n_weeks + len(ahead), len(ahead)
    draws = np.full((n_draws, n_areas, n), np.nan)
    known = np.isfinite(now.value) & np.isfinite(now.variance)
    shift = rng.standard_normal(n_draws)
    steps = _steps(n_draws, n_areas, n_ahead, pattern.rho, rng)
    if moves_with is not None:
        steps = correlation * moves_with + np.sqrt(1 - correlation**2) * steps
    from_past = np.zeros(n_areas, dtype=bool)
    for area in range(n_areas):
        own = rng.standard_normal((n_draws, n_weeks))
        if not known[area].any():
            every = np.concatenate([own, steps[:, area]], axis=1)
            draws[:, area] = _from_past(now, pattern, area, ahead, normal=every, shift=shift)
            from_past[area] = bool(np.isfinite(draws[:, area]).any())
            continue
        first = int(np.argmax(known[area]))
        along = weight * pattern.along(area, [*now.weeks, *ahead])
        found = paths_of(
            now.value[area, first:] - along[first:n_weeks],
            now.variance[area, first:],
            n_ahead=n_ahead,
            slope=False,
            structures=STRUCTURES if pattern.is_known else (Structure(),),
            log_weight=pattern.log_weight,
        )
        normal = np.concatenate([own[:, first:], steps[:, area]], axis=1)
        path = found.draw(normal, rng)
        factor, variance = pattern.lead(area, found, n_weeks - first)
        mean = found.weight @ found.mean
        off, n_known = path - mean, n_weeks - first
        changed = off[:, n_known:] - off[:, n_known - 1, None]
        path[:, n_known:] += changed * (factor - 1)
        path[:, n_known:] += pattern.mean_shift(area, variance) * is_log
        draws[:, area, first:] = path + along[first:]
        draws[:, area, :first] = draws[:, area, first, None]
    return LevelPaths(draws, known.sum(axis=1), from_past, steps)


def _steps(
    n_draws: int, n_areas: int, n_ahead: int, rho: float, rng: np.random.Generator
) -> Floats:
    """Return standard normal steps, correlated between areas, shape (D, A, H)."""
    common = rng.standard_normal((n_draws, 1, n_ahead))
    own = rng.standard_normal((n_draws, n_areas, n_ahead))
    return np.asarray(np.sqrt(1 - rho) * own + np.sqrt(rho) * common)


def _from_past(
    now: Figures,
    pattern: SeasonalPattern,
    area: int,
    ahead: Sequence[str],
    *,
    normal: Floats,
    shift: Floats,
) -> Floats:
    """Return past seasons' level of an area at this season's anomaly, NaN before and where none.

    Its error is that of an area about its usual level (once for all weeks), that of the anomaly
    and of the mean of K seasons, and what a season departs by from its first week on.
    """
    n_weeks = len(now.weeks)
    paths = np.full(normal.shape, np.nan)
    mean, n = pattern.usual(area, ahead)
    known = np.flatnonzero(n > 0)
    if not len(known):
        return paths
    anomaly, n_areas = pattern.season_anomaly(now)
    own = np.sqrt(pattern.level_variance * (1 + 1 / n[known].min()))
    shared = np.sqrt(pattern.level_variance / max(n_areas, 1))
    grown = np.nan_to_num(pattern.growth[: len(ahead) + 1], nan=0.0)
    step = np.sqrt(np.maximum(np.diff(grown, append=grown[-1])[: len(ahead)], 0.0))
    walk = np.cumsum(normal[:, n_weeks:] * step, axis=1)
    # Weeks that no past season had take the nearest that one had.
    near = known[np.abs(np.arange(len(ahead))[:, None] - known).argmin(axis=1)]
    off = own * normal[:, 0] + shared * shift
    paths[:, n_weeks:] = mean[near] + anomaly + off[:, None] + walk
    return paths
