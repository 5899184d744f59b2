"""Variance of totals over sets of areas: shared site-days and shared rates count once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.fish.fish_by_rate import FishByRate, fish_of_group
from analytics.fish.marks import mark_analysis, mark_measures
from analytics.survey.mapped import Maps, mapped_totals
from analytics.survey.reach import Domains
from analytics.survey.totals import unit_cells
from analytics.survey.ways import Drawn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.survey.reduce import Analysis

    Floats = NDArray[np.float64]

#: Measures of the analysis of marks that each count of fish is the sum of.
_COUNTS = {
    "kept_fish": ("kept_all",),
    "released_legal_fish": ("released_legal_all",),
    "released_sublegal_fish": ("released_sublegal_all",),
    "released_unknown_fish": ("released_unknown_all",),
    "released_fish": ("released_legal_all", "released_sublegal_all", "released_unknown_all"),
    "encounter_fish": (
        "kept_all",
        "released_legal_all",
        "released_sublegal_all",
        "released_unknown_all",
    ),
}


def catch_variance(season: Season, codes: Sequence[int], quantities: Sequence[str]) -> float:
    """Return the variance of a sum of counted fish, or of one effort, over some areas.

    Parameters
    ----------
    season : Season
    codes : sequence of int
        Codes of areas.
    quantities : sequence of str
        Totals without error of a rate or a mark; several only of fish.

    Returns
    -------
    float
        NaN where no error can be had.
    """
    if len(quantities) == 1:
        analysis, row = season.analyses[quantities[0]], np.ones((1, 1))
    else:
        analysis, names = mark_analysis(), list(mark_measures())
        added = [one for quantity in quantities for one in _COUNTS[quantity]]
        row = np.array([[float(added.count(name)) for name in names]])
    maps = dict.fromkeys(codes, row)
    return float(_mapped(season, analysis, maps)[1][0, 0, 0])


def death_variance(season: Season, codes: Sequence[int], fates: tuple[str, ...]) -> float:
    """Return the variance of deaths of some fates over some areas.

    The fish of each rate are linear in the totals of their area; a rate has one error in all areas
    (`analytics.fish.release_deaths.DeathPlan.deaths`).

    Parameters
    ----------
    season : Season
    codes : sequence of int
        Codes of areas.
    fates : tuple of str
        ``kept``, ``released``, ``lost``.

    Returns
    -------
    float
    """
    plan = season.deaths
    order = list(plan.measures)
    domains = Domains(by_area=True, by_week=False, n_weeks=len(season.design.weeks))
    totals = _drawn(season).totals(plan.analysis, domains)
    slopes = [one for group in plan.groups for one in fish_of_group(group, totals.total, order)[1]]
    area = [domains.cell(int(code))[0] for code in totals.code]
    maps = {code: np.stack([one[area.index(code)] for one in slopes]) for code in codes}
    fish, cov = _mapped(season, plan.analysis, maps)
    none = np.zeros((1, len(plan.groups)), dtype=bool)
    found = FishByRate(fish, cov, np.zeros((1, len(order))), none, none)
    return float(plan.deaths(found, fates)[2][0])


def _mapped(
    season: Season, analysis: Analysis, by_area: dict[int, Floats]
) -> tuple[Floats, Floats]:
    """Return ``Σ_a A_a T_a`` over the areas of some maps, with its covariance, one domain."""
    design = season.design
    moments = _drawn(season).reduction.moments(analysis)
    plan, cells, _ = unit_cells(design, moments, plans=season.plans, by_area=True)
    n_weeks = len(design.weeks)
    fine = Domains(by_area=True, by_week=True, n_weeks=n_weeks)
    keys, weeks = np.array(sorted(by_area), dtype=np.int64) + 1, np.arange(n_weeks) + 1
    code = fine.code(np.repeat(keys, n_weeks), np.tile(weeks, len(keys)))
    matrix = np.repeat(np.stack([by_area[key - 1] for key in keys.tolist()]), n_weeks, axis=0)
    whole = Domains(by_area=False, by_week=False, n_weeks=n_weeks)
    return mapped_totals(
        design, plan, cells, whole, Maps(code, matrix), codes=np.zeros(1, dtype=np.int64)
    )


def _drawn(season: Season) -> Drawn:
    return next(one for one in season.ways if isinstance(one, Drawn))
