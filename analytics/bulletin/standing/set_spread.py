"""Variance of totals over sets of areas: shared site-days and shared rates count once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.bulletin.standing.class_spread import CLASS_NAMES, class_covariance
from analytics.bulletin.standing.stacked import stacked_totals
from analytics.fish.fish_by_rate import FishByRate, fish_of_group
from analytics.fish.marks import CLASSES, mark_analysis, mark_measures
from analytics.survey.reach import Domains
from analytics.survey.ways import Drawn

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.survey.reduce import Analysis

    Floats = NDArray[np.float64]
    Rows = Mapping[tuple[str | None, str], dict[str, Any]]

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
    return float(_mapped(season, analysis, maps)[1][0, 0])


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
    found = FishByRate(fish[None], cov[None], np.zeros((1, len(order))), none, none)
    return float(plan.deaths(found, fates)[2][0])


def class_variance(
    season: Season, rows: Rows, codes: Sequence[int], quantities: Sequence[str]
) -> float:
    """Return the variance of a sum of classes by size and mark over some areas.

    Between areas the survey's part is that of kept and legal, or sublegal, fish as told, of which
    each class is a share.

    Parameters
    ----------
    season : Season
    rows : mapping of (area, quantity) to dict
        Result rows by area.
    codes : sequence of int
        Codes of areas.
    quantities : sequence of str
        Some of the four classes.

    Returns
    -------
    float
    """
    picked = [CLASS_NAMES.index(one) for one in quantities]
    own = class_covariance(season, rows)[np.ix_(codes, picked, codes, picked)]
    names = list(mark_measures())
    moments = _drawn(season).reduction.moments(mark_analysis())
    total, cov = stacked_totals(season.design, moments, plans=season.plans)
    slope = np.zeros((len(codes), len(names)))
    for place, code in enumerate(codes):
        for quantity in quantities:
            parts = [names.index(f"{one}_all") for one in CLASSES[quantity][0]]
            fish = total[code, parts].sum()
            value = rows[season.design.areas[code], quantity]["estimate"]
            slope[place, parts] += value / fish if fish > 0 else 0.0
    joint = cov.reshape(*total.shape, *total.shape)[codes][:, :, codes]
    across = np.einsum("ak,akbl,bl->ab", slope, joint, slope)
    np.fill_diagonal(across, 0.0)
    return float(own.sum() + across.sum())


def _mapped(
    season: Season, analysis: Analysis, by_area: dict[int, Floats]
) -> tuple[Floats, Floats]:
    """Return ``Σ_a A_a T_a`` over the areas of some maps, and its covariance, shape (J, J)."""
    moments = _drawn(season).reduction.moments(analysis)
    total, cov = stacked_totals(season.design, moments, plans=season.plans)
    k = total.shape[1]
    one = next(iter(by_area.values()))
    matrix = np.zeros((one.shape[0], total.size))
    for code, part in by_area.items():
        matrix[:, code * k : (code + 1) * k] = part
    return matrix @ total.ravel(), matrix @ cov @ matrix.T


def _drawn(season: Season) -> Drawn:
    return next(one for one in season.ways if isinstance(one, Drawn))
