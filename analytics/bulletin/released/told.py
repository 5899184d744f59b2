"""Fish told at site-days, by area fished and week: what shares and models are made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.ways import Met

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.survey.design import Design
    from analytics.survey.reduce import Moments, Reduction

SHARE = "sublegal_prop"


@dataclass(frozen=True, slots=True, eq=False)
class ToldFish:
    """Cells of one site-day and one area fished, R of them, with the fish its boats told.

    Parameters
    ----------
    area, week : ndarray of int, shape (R,)
        Codes of the season's design.
    is_met : ndarray of bool, shape (R,)
        Interviews of convenience.
    sublegal, fish, interviews : ndarray of int, shape (R,)
        Sublegal releases and all encounters, of the boats that gave both numbers, and those boats.
    """

    area: NDArray[np.int64]
    week: NDArray[np.int64]
    is_met: NDArray[np.bool_]
    sublegal: NDArray[np.int64]
    fish: NDArray[np.int64]
    interviews: NDArray[np.int64]


def told_fish(season: Season) -> ToldFish:
    """Return the cells of a season through its last week, site-days of convenience too."""
    analysis = season.analyses[SHARE]
    parts = []
    for design, reduction, is_met in _sources(season):
        moments = reduction.moments(analysis)
        week = _week(design, moments)
        mine = week < season.design.n_weeks_told
        numbers = np.rint(np.column_stack([moments.sums, moments.n])).astype(np.int64)
        columns = (moments.area, week, np.full(len(week), is_met), *numbers.T)
        parts.append([column[mine] for column in columns])
    return ToldFish(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def unknown_only(season: Season) -> frozenset[tuple[int, int]]:
    """Return the (area, week) codes where fish were released and none of known size was told."""
    sized = _by_domain(season, "released_legal_fish") | _by_domain(season, "released_sublegal_fish")
    return frozenset(_by_domain(season, "released_unknown_fish") - sized)


def _by_domain(season: Season, quantity: str) -> set[tuple[int, int]]:
    """Return the (area, week) codes where a total of one measure is above 0 in the sample."""
    found: set[tuple[int, int]] = set()
    for design, reduction, _ in _sources(season):
        moments = reduction.moments(season.analyses[quantity])
        some = moments.sums[:, 0] > 0
        areas, weeks = moments.area[some], _week(design, moments)[some]
        found |= set(zip(areas.tolist(), weeks.tolist(), strict=True))
    return found


def _sources(season: Season) -> list[tuple[Design, Reduction, bool]]:
    met = [(way.design, way.reduction, True) for way in season.ways if isinstance(way, Met)]
    return [(season.design, season.reduction, False), *met]


def _week(design: Design, moments: Moments) -> NDArray[np.int64]:
    """Return the week of each cell; its unit in the sums is a site-day."""
    return design.units.week[design.site_days.unit[moments.unit]]
