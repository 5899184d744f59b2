"""Paths of a log level of every area, this season's figures and past seasons' course together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.season.paths import STEP_SCALE, paths_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.bulletin.standing.history import Course, Figures

    Floats = NDArray[np.float64]

#: Weeks with a figure from which a level may have a slope.
SLOPE_WEEKS = 3


@dataclass(frozen=True, slots=True, eq=False)
class LevelPaths:
    """Paths of A areas.

    Parameters
    ----------
    draws : ndarray of float, shape (D, A, T + H)
        NaN where nothing tells an area.
    n_known : ndarray of int, shape (A,)
        Weeks of this season with a figure.
    from_past : ndarray of bool, shape (A,)
        The level itself is that of past seasons.
    """

    draws: Floats
    n_known: NDArray[np.int64]
    from_past: NDArray[np.bool_]


def level_paths(
    now: Figures,
    course: Course,
    ahead: Sequence[str],
    *,
    n_draws: int,
    rng: np.random.Generator,
    slope: bool = True,
    use_course: bool = True,
) -> LevelPaths:
    """Draw the paths of every area over T weeks so far and H ahead.

    An area with a figure this season strays from past seasons' usual course: its own level and
    slope off that course say how far, and how far past seasons strayed, weighed by precision. So
    a change that comes every year is no surprise. One without a figure has the mean level of past
    seasons in the same weeks, times how this season stands in the other areas. Steps ahead are
    correlated between areas as past seasons' were.

    Parameters
    ----------
    now : Figures
    course : Course
    ahead : sequence of str, length H
        ISO weeks after the last of `now`, without a gap.
    n_draws : int
        D.
    rng : numpy.random.Generator
    slope : bool
        Let levels have a slope.
    use_course : bool
        Take past seasons in.

    Returns
    -------
    LevelPaths
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
        normal[:, n_weeks:] *= np.sqrt(1 - course.rho)
        normal[:, n_weeks:] += np.sqrt(course.rho) * common
        if not known[area].any():
            draws[:, area] = _from_past(now, course, area, ahead, normal=normal, shift=shift)
            from_past[area] = bool(np.isfinite(draws[:, area]).any())
            continue
        first = int(np.argmax(known[area]))
        along = course.along(area, [*now.weeks, *ahead]) * use_course
        found = paths_of(
            now.value[area, first:] - along[first:n_weeks],
            now.variance[area, first:],
            n_ahead=len(ahead),
            usual=np.zeros(len(ahead)) if use_course else None,
            usual_se=course.stray(area, len(ahead)) if use_course else None,
            slope=slope and int(known[area].sum()) >= SLOPE_WEEKS,
            first_slope_se=STEP_SCALE,
        )
        draws[:, area, first:] = found.draw(normal[:, first:], rng) + along[first:]
        draws[:, area, :first] = draws[:, area, first, None]
    return LevelPaths(draws, known.sum(axis=1), from_past)


def _from_past(
    now: Figures,
    course: Course,
    area: int,
    ahead: Sequence[str],
    *,
    normal: Floats,
    shift: Floats,
) -> Floats:
    """Return past seasons' level of an area at this season's standing, NaN before and where none.

    Its error is that of an area about its usual level (once for all weeks), that of the standing
    and of the mean of K seasons, and what a season strays by from its first week on.
    """
    n_weeks = len(now.weeks)
    paths = np.full(normal.shape, np.nan)
    mean, n = course.usual(area, ahead)
    known = np.flatnonzero(n > 0)
    if not len(known):
        return paths
    standing, n_areas = course.standing(now)
    own = np.sqrt(course.level_variance * (1 + 1 / n[known].min()))
    shared = np.sqrt(course.level_variance / max(n_areas, 1))
    grown = np.nan_to_num(course.growth[: len(ahead) + 1], nan=0.0)
    step = np.sqrt(np.maximum(np.diff(grown, append=grown[-1])[: len(ahead)], 0.0))
    walk = np.cumsum(normal[:, n_weeks:] * step, axis=1)
    # Weeks that no past season had take the nearest that one had.
    near = known[np.abs(np.arange(len(ahead))[:, None] - known).argmin(axis=1)]
    off = own * normal[:, 0] + shared * shift
    paths[:, n_weeks:] = mean[near] + standing + off[:, None] + walk
    return paths
