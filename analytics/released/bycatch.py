"""Other species met per angler-hour, by area and week, with the error of the survey's design."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.codes import coded, join_codes
from analytics.estimates.estimate import LEVELS
from analytics.estimates.result_rows import catch_figures, domain_names, result_row
from analytics.estimates.season_survey import interview_sources, known_totals, season_estimators
from analytics.fish.bycatch import Bycatch, Species, bycatch_of, reported_on, with_bycatch
from analytics.quantities import QUANTITIES
from analytics.released.schemas import BYCATCH_SCHEMA
from analytics.survey.domains import Domains
from analytics.survey.reduction import Reduction

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analytics.data.query import Source
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.result_rows import DomainEstimates
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.survey.design import Design
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.estimators import TotalEstimator

    Row = dict[str, Any]

_QUANTITY = QUANTITIES["encounters_per_angler_hour"]
_ESTIMATOR = coded("bycatch_ratio")
_NOT_RECORDED = coded("no_bycatch_recorded")


def bycatch_table(snapshot: Snapshot, season: SeasonSurvey, *, level: float) -> pa.Table:
    """Estimate encounters (kept and released) of every other species per angler-hour.

    The combined ratio of two stratified two-stage totals, with the season's own design and its
    rules for thin strata, for area and week, area, week, and the season.

    In `BYCATCH_SCHEMA`, the species most met first. Without a row of bycatch in the season the
    table is empty: nobody can tell whether none was met or none was written down.
    """
    rows = [
        row
        for found, estimators in _with_estimators(snapshot, season)
        for species in found.species
        for row in sorted(_rows(season, estimators, found, species, level=level), key=_place)
    ]
    return pa.Table.from_pylist(rows, BYCATCH_SCHEMA)


def _with_estimators(
    snapshot: Snapshot, season: SeasonSurvey
) -> Iterator[tuple[Bycatch, list[TotalEstimator]]]:
    """Yield some species at a time with their estimators, as for the season's catch."""
    design = season.design
    sources = interview_sources(snapshot, design)
    known = [reported_on(rows, one.site_days.sample_id.tolist()) for one, rows in sources]
    for found in bycatch_of(snapshot["bycatch"], pa.concat_tables(known)).blocks:
        reduce = partial(_reduce, found=found)
        yield found, season_estimators(snapshot, design, season.plans, reduce)


def _reduce(interviews: Source, *, design: Design, found: Bycatch) -> Reduction:
    table = with_bycatch(found, interviews, design.site_days.sample_id.tolist())
    return Reduction(table, design=design, measures=found.measures, analyses=found.analyses)


def _rows(
    season: SeasonSurvey,
    estimators: list[TotalEstimator],
    found: Bycatch,
    species: Species,
    *,
    level: float,
) -> Iterator[Row]:
    """Yield the rows of one species."""
    design = season.design
    for by in LEVELS:
        domains = Domains("area" in by, "week" in by, len(design.weeks))
        for _, all_totals, places in known_totals(estimators, species.analysis, domains):
            totals = _without(design, all_totals, domains)
            figures = _figures(design, totals, found, species, domains)
            for code, place in places.items():
                area = domains.cell(code)[0]
                yield {
                    "species": species.words,
                    **domain_names(design, domains, code),
                    "quantity": _QUANTITY.name,
                    "unit": _QUANTITY.unit,
                    **result_row(design, totals, figures, place, area=area, level=level),
                }


def _without(design: Design, totals: DomainTotals, domains: Domains) -> DomainTotals:
    """Return totals that say what figures of all areas together are without.

    Boats of an area are out where its ramps were not sampled, and where nobody wrote bycatch down.
    """
    landing = {int(design.strata.landing_area[one]) for one in totals.plan.not_imputed}
    if totals.is_convenience or domains.by_area or not landing:
        return totals
    lost = coded("without_bycatch", areas=[design.areas[one] for one in sorted(landing)])
    return replace(totals, lost=(lost,) * len(totals.code))


def _figures(
    design: Design, totals: DomainTotals, found: Bycatch, species: Species, domains: Domains
) -> DomainEstimates:
    """Return the ratio in every domain, without a value where nobody recorded bycatch."""
    figures = catch_figures(_QUANTITY.kind, totals)
    areas = [domains.cell(code)[0] for code in totals.code.tolist()]
    missing = tuple(
        "" if area is None or design.areas[area] in found.areas else _NOT_RECORDED for area in areas
    )
    return replace(figures, method=join_codes([_ESTIMATOR, species.note]), missing=missing)


def _place(row: Row) -> tuple[str, str]:
    """Return where a row stands among those of its species: nulls first."""
    return row["area"] or "", row["week"] or ""
