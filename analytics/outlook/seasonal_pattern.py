"""The usual course of past seasons by area, and how far seasons depart from it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analytics.models.smoother import STEP_SCALE, paths_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats, Ints


#: Weeks of a year; the 53rd of a long one counts as the first of the next.
YEAR = 52
#: Weeks with a figure that a past season's course of an area needs, and their share of those it
#: was open.
LEAST_WEEKS, COMPLETE = 3, 0.75
_ROUNDS = 20
#: Weeks apart at which changes of areas are compared.
_APART = 4
#: Where past seasons cannot tell: correlation of changes between areas, and standard deviation of
#: an area's level about its usual one. Our choice, no source.
RHO, LEVEL_SE = 0.3, 0.5
#: Part of its distance from where it was that a level keeps from week to week, where past seasons
#: cannot tell how far levels move. Our choice, no source.
PERSISTENCE = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Smooth:
    """The level of one season and area over the weeks `span`: its mean and covariance."""

    span: slice
    mean: Floats
    cov: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Figures:
    """Log figures of one season by A areas and T consecutive ISO weeks; NaN where there is none."""

    areas: tuple[str, ...]
    weeks: tuple[str, ...]
    value: Floats
    variance: Floats
    is_open: Bools
    _smoothed: dict[str, Smooth | None] = field(init=False, default_factory=dict)

    def smoothed(self, area: str) -> Smooth | None:
        """Return an area's level from its first figure to its last, made once.

        None for an area with too few figures to tell its pattern.
        """
        if area not in self._smoothed:
            self._smoothed[area] = _smoothed(self, area)
        return self._smoothed[area]


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
    """

    anchor: int
    level: Floats
    shape: Floats
    growth: Floats
    level_variance: float
    rho: float
    is_known: bool

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

    def prediction_sd(self, area: int, n_ahead: int) -> Floats:
        """Return the standard deviation of a new season about the usual course in H weeks, (H,).

        That of past seasons with the error of their mean. Where fewer than two show it, of a level
        that moves by its steps alone up to a bound, `LEVEL_SE`.
        """
        bound = LEVEL_SE * np.sqrt(1 - PERSISTENCE ** np.arange(1, n_ahead + 1))
        n = int(np.isfinite(self.level[:, area]).any(axis=1).sum()) if len(self.level) else 0
        if not self.is_known or n < 2:
            return np.asarray(bound)
        lags = np.minimum(np.arange(1, n_ahead + 1), YEAR - 1)
        return np.asarray(np.sqrt(self.growth[lags] * (1 + 1 / n)))

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

    Each season and area is smoothed as the present one is, without a slope. Departures of seasons
    from their mean are pooled over areas and weeks by the weeks apart: a variance by area and week
    would rest on as many numbers as there are seasons. Our choice, no source.
    """
    # A season may open some weeks sooner than the present one did.
    anchor = int(first[-2:]) - 8
    level = np.full((len(past), len(areas), YEAR), np.nan)
    cov = np.full((len(past), len(areas), YEAR, YEAR), np.nan)
    for k, one in enumerate(past):
        at = np.array([(int(week[-2:]) - anchor) % YEAR for week in one.weeks])
        for a, area in enumerate(areas):
            found = one.smoothed(area)
            if found is not None:
                mine = at[found.span]
                level[k, a, mine] = found.mean
                cov[k, a, mine[:, None], mine[None, :]] = found.cov
    return _pattern(anchor, level, cov)


def _smoothed(one: Figures, area: str) -> Smooth | None:
    if area not in one.areas:
        return None
    mine = one.areas.index(area)
    known = np.isfinite(one.value[mine]) & np.isfinite(one.variance[mine])
    if known.sum() < max(LEAST_WEEKS, COMPLETE * int(one.is_open[mine].sum())):
        return None
    at = np.flatnonzero(known)
    # At most a year: weeks of it count once.
    span = slice(int(at[0]), min(int(at[-1]) + 1, int(at[0]) + YEAR))
    found = paths_of(one.value[mine, span], one.variance[mine, span], n_ahead=0, slope=False)
    return Smooth(span, *found.moments())


def _pattern(anchor: int, level: Floats, cov: Floats) -> SeasonalPattern:
    has = np.isfinite(level)
    n = has.sum(axis=0)
    several = n >= 2
    shape = _shape(level, has)
    off = np.where(several & has, level - shape, np.nan)
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
    )


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


# Paths of a log level of every area, this season's figures and past seasons' course together.

#: Weeks with a figure from which a level may have a slope.
SLOPE_WEEKS = 3


@dataclass(frozen=True, slots=True, eq=False)
class LevelPaths:
    """Paths of A areas.

    - `draws` (D, A, T + H): NaN where nothing is known of an area.
    - `n_known` (A,): weeks of this season with a figure.
    - `from_past` (A,): the level itself is that of past seasons.
    """

    draws: Floats
    n_known: Ints
    from_past: Bools


def level_paths(
    now: Figures,
    pattern: SeasonalPattern,
    ahead: Sequence[str],
    *,
    n_draws: int,
    rng: np.random.Generator,
    slope: bool = True,
    use_pattern: bool = True,
) -> LevelPaths:
    """Draw the paths of every area over T weeks so far and the H weeks `ahead` that follow.

    An area with a figure this season departs from past seasons' usual course: its own level and
    slope off that course say how far, and how far past seasons departed, weighed by precision. So a
    change that comes every year is no surprise. One without a figure has the mean level of past
    seasons in the same weeks, times how this season stands in the other areas. Steps ahead are
    correlated between areas as past seasons' were.
    """
    n_areas, n_weeks = now.value.shape
    n = n_weeks + len(ahead)
    draws = np.full((n_draws, n_areas, n), np.nan)
    known = np.isfinite(now.value) & np.isfinite(now.variance)
    common = rng.standard_normal((n_draws, len(ahead)))
    shift = rng.standard_normal(n_draws)
    from_past = np.zeros(n_areas, dtype=bool)
    for area in range(n_areas):
        normal = rng.standard_normal((n_draws, n))
        normal[:, n_weeks:] *= np.sqrt(1 - pattern.rho)
        normal[:, n_weeks:] += np.sqrt(pattern.rho) * common
        if not known[area].any():
            draws[:, area] = _from_past(now, pattern, area, ahead, normal=normal, shift=shift)
            from_past[area] = bool(np.isfinite(draws[:, area]).any())
            continue
        first = int(np.argmax(known[area]))
        along = pattern.along(area, [*now.weeks, *ahead]) * use_pattern
        found = paths_of(
            now.value[area, first:] - along[first:n_weeks],
            now.variance[area, first:],
            n_ahead=len(ahead),
            usual=np.zeros(len(ahead)) if use_pattern else None,
            usual_se=pattern.prediction_sd(area, len(ahead)) if use_pattern else None,
            slope=slope and int(known[area].sum()) >= SLOPE_WEEKS,
            first_slope_se=STEP_SCALE,
        )
        draws[:, area, first:] = found.draw(normal[:, first:], rng) + along[first:]
        draws[:, area, :first] = draws[:, area, first, None]
    return LevelPaths(draws, known.sum(axis=1), from_past)


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
