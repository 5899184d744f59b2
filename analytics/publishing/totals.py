"""The totals behind published figures, and how many interviewed boats each rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.publishing.knowledge import Publication
from analytics.survey.domain_totals import unit_cells
from analytics.survey.domains import Domains, LinearForm
from analytics.survey.estimators import DesignEstimator

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.publishing.knowledge import Domain
    from analytics.survey.reduction import Analysis

#: Totals from which every published total follows; each is 0 or more and adds up over areas and
#: weeks. Fish released is sublegal ones and the others, encounters is kept and released ones.
ATOMS = (
    "boat_trips",
    "angler_trips",
    "angler_hours",
    "kept_fish",
    "released_sublegal_fish",
    "released_other_fish",
)
#: The totals that atoms are calculated from; the last is that of two atoms.
_FROM = (*ATOMS[:-1], "released_fish")
#: By area and week, area, week, season.
LEVELS = ((True, True), (True, False), (False, True), (False, False))


def totals_of(season: SeasonSurvey) -> Publication:
    """Return the totals of a season as a publication that withholds nothing yet.

    Totals of areas whose sites were never sampled are among them: no row shows them, and a reader
    could take them from the sums.
    """
    drawn = next(one for one in season.estimators if isinstance(one, DesignEstimator))
    found: dict[Domain, list[float]] = {}
    for by_area, by_week in LEVELS:
        domains = Domains(by_area, by_week, len(season.design.weeks))
        for at, name in enumerate(_FROM):
            analysis = season.analyses[name]
            if not drawn.has_responses(analysis):
                continue
            made = drawn.totals(analysis, domains)
            for code, total in zip(made.code.tolist(), made.total[:, 0].tolist(), strict=True):
                row = found.setdefault(_named(season, domains, code), [0.0] * len(ATOMS))
                row[at] = total
    order = sorted(found, key=lambda one: (one[0] or "", one[1] or ""))
    values = np.array([found[one] for one in order], dtype=float).reshape(len(order), len(ATOMS))
    values = np.nan_to_num(values)
    # A sum less one of its parts leaves the other; rounding leaves nothing below 0.
    values[:, -1] = np.maximum(values[:, -1] - values[:, -2], 0.0)
    values[np.abs(values) < 1e-9 * np.abs(values).max(axis=0, initial=0.0)] = 0.0
    boats = _boats(season, drawn)
    counted = np.array([boats.get(one, 0) for one in order], dtype=np.int64)
    return Publication(
        season=season.design.season,
        through=season.design.through,
        domains=tuple(order),
        values=values,
        boats=counted,
        shown=np.ones(len(order), dtype=bool),
    )


def _named(season: SeasonSurvey, domains: Domains, code: int) -> Domain:
    area, week = domains.cell(code)
    return (
        None if area is None else season.design.areas[area],
        None if week is None else season.design.weeks[week],
    )


def _boats(season: SeasonSurvey, drawn: DesignEstimator) -> dict[Domain, int]:
    """Return the fewest interviewed boats that some total of each domain rests on."""
    fewest: dict[Domain, int] = {}
    for analysis in dict.fromkeys(season.analyses[name] for name in _FROM):
        if drawn.has_responses(analysis):
            for domain, boats in _boats_of(season, drawn, analysis).items():
                fewest[domain] = min(boats, fewest.get(domain, boats))
    return fewest


def _boats_of(
    season: SeasonSurvey, drawn: DesignEstimator, analysis: Analysis
) -> dict[Domain, int]:
    """Count the boats of an analysis by domain, each once, those of donors included."""
    design = season.design
    moments = drawn.reduction.moments(analysis)
    plan, cells, _ = unit_cells(design, moments, plans=drawn.plans, by_area=True)
    fine = Domains(True, True, len(design.weeks))
    form = LinearForm.of(design, plan, cells, fine)
    counting = np.flatnonzero(cells.n[form.cell] > 0)
    cell, code = form.cell[counting], form.code[counting]
    area_key, week_key = np.divmod(code, fine.n_weeks + 1)
    found: dict[Domain, int] = {}
    for by_area, by_week in LEVELS:
        domains = Domains(by_area, by_week, fine.n_weeks)
        wider = domains.code(area_key * int(by_area), week_key * int(by_week))
        for one, boats in _once(wider, cell, cells.n).items():
            found[_named(season, domains, one)] = boats
    return found


def _once(code: Ints, cell: Ints, n: Floats) -> dict[int, int]:
    """Add up the boats of cells by domain, each cell once a domain."""
    pairs = np.unique(np.stack([code, cell], axis=1), axis=0)
    codes, place = np.unique(pairs[:, 0], return_inverse=True)
    boats = np.bincount(place, weights=n[pairs[:, 1]], minlength=len(codes))
    return dict(zip(codes.tolist(), np.rint(boats).astype(int).tolist(), strict=True))
