"""Other species met per angler-hour, by area and week, with the error of the survey's design.

Crews name only what they met: a boat without a row of a species met none of it, provided anybody
who fished its area that season named any species at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.codes import coded, join_codes
from analytics.data import query as sql
from analytics.estimates.estimate import LEVELS, add_intervals, bearing
from analytics.estimates.result_rows import catch_figures, domain_names, result_row
from analytics.estimates.season_survey import interview_sources, known_totals, season_estimators
from analytics.quantities import QUANTITIES
from analytics.released.schemas import BYCATCH_SCHEMA
from analytics.survey.domains import Domains
from analytics.survey.reduction import Analysis, Measure, Reduction

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analytics.data.query import Source
    from analytics.estimates.result_rows import DomainEstimates
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.survey.design import Design
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.estimators import TotalEstimator

    Row = dict[str, Any]


# Other species met on boat trips, as columns beside the interviews of a season.

#: Species kept apart; the rest are taken together.
MOST = 30
_AT_ONCE = 8
_HOURS = "bycatch_hours"
_RECORDED = "bycatch_recorded"

#: Species are free text: spellings that differ in case or in blanks about them are one.
_NAMED = """
SELECT b.interview_id, lower(trim(b.species)) AS species, trim(b.species) AS spelling,
    b.kept + b.released AS fish, i.area
FROM bycatch b JOIN interviewed i USING (interview_id)
"""
_RANKED = """
SELECT species, mode(spelling ORDER BY spelling) AS spelling
FROM named GROUP BY species ORDER BY coalesce(sum(fish), 0) DESC, species
"""
_AREAS = "SELECT DISTINCT area FROM named ORDER BY area"


@dataclass(frozen=True, slots=True)
class Species:
    """A species or the group of the rest: its words, its column and what it holds."""

    words: str
    column: str
    note: str = ""

    @property
    def analysis(self) -> Analysis:
        """Fish met and angler-hours, taken together."""
        return Analysis((self.column, _HOURS))


@dataclass(frozen=True, slots=True, eq=False)
class Bycatch:
    """The species of a season, the most met first.

    `areas`: fished, in which somebody recorded bycatch; `coded_rows`: rows of bycatch with the
    column of their species.
    """

    species: tuple[Species, ...]
    areas: frozenset[str]
    coded_rows: pa.Table

    @property
    def blocks(self) -> list[Bycatch]:
        """The same species a few at a time: a column each for every interview takes memory."""
        return [
            replace(self, species=self.species[first : first + _AT_ONCE])
            for first in range(0, len(self.species), _AT_ONCE)
        ]

    @property
    def measures(self) -> dict[str, Measure]:
        """Fish of every species, and angler-hours of the boats that could have reported any."""
        columns = [one.column for one in self.species]
        return {name: Measure(name, name) for name in columns} | {
            _HOURS: Measure(_HOURS, f"{_RECORDED} * anglers * hours_fished")
        }

    @property
    def analyses(self) -> list[Analysis]:
        """One analysis a species."""
        return [one.analysis for one in self.species]


def reported_on(interviews: Source, sample_ids: Sequence[str]) -> pa.Table:
    """Return ``interview_id, area`` of the interviews of some site-days."""
    query = "SELECT interview_id, area FROM interviews JOIN days USING (sample_id)"
    return sql.run(query, {"interviews": interviews, "days": _days(sample_ids)})


def bycatch_of(bycatch: pa.Table, interviewed: pa.Table) -> Bycatch:
    """Return the species that some interviews (``interview_id, area``, each once) named.

    The `MOST` most met are kept apart; with more of them the rest are one group.
    """
    named = sql.run(_NAMED, {"bycatch": bycatch, "interviewed": interviewed})
    ranked = sql.run(_RANKED, {"named": named})
    names = ranked["species"].to_pylist()
    species = [
        Species(words, f"species_{place}")
        for place, words in enumerate(ranked["spelling"].to_pylist()[:MOST])
    ]
    if len(names) > MOST:
        rest = len(names) - MOST
        note = coded("species_together", n=rest)
        species.append(Species(f"other ({rest} species)", f"species_{MOST}", note))
    columns = [species[min(place, MOST)].column for place in range(len(names))]
    codes = pa.table(
        {"species": pa.array(names, pa.string()), "code": pa.array(columns, pa.string())}
    )
    coded_rows = sql.run(
        "SELECT interview_id, code, fish FROM named JOIN codes USING (species)",
        {"named": named, "codes": codes},
    )
    areas = sql.run(_AREAS, {"named": named})["area"].to_pylist()
    return Bycatch(tuple(species), frozenset(areas), coded_rows)


def with_bycatch(bycatch: Bycatch, interviews: Source, sample_ids: Sequence[str]) -> pa.Table:
    """Return what the reduction needs of interviews of some site-days, a column for each species.

    Fish met are 0 where the boat has no row of the species, null where kept or released was not
    recorded; where nobody recorded bycatch in the area fished, the boat counts for no species.
    """
    tables: dict[str, Source] = {
        "interviews": interviews,
        "days": _days(sample_ids),
        "coded": bycatch.coded_rows,
        "recorded": pa.table({"area": pa.array(sorted(bycatch.areas), pa.string())}),
    }
    sums, fills = [], []
    for column in (one.column for one in bycatch.species):
        mine = f"code = {sql.text(column)}"
        sums.append(
            f"CASE WHEN bool_or(fish IS NULL) FILTER (WHERE {mine}) THEN NULL "
            f"ELSE coalesce(sum(fish) FILTER (WHERE {mine}), 0) END::DOUBLE AS {column}"
        )
        fills.append(f"CASE WHEN w.interview_id IS NULL THEN 0 ELSE w.{column} END AS {column}")
    return sql.run(
        f"WITH wide AS (SELECT interview_id, {', '.join(sums)} FROM coded GROUP BY interview_id) "
        "SELECT i.sample_id, i.area, i.anglers, i.hours_fished, i.trip_complete, "
        f"CASE WHEN r.area IS NOT NULL THEN 1 END AS {_RECORDED}, {', '.join(fills)} "
        "FROM interviews i JOIN days USING (sample_id) LEFT JOIN wide w USING (interview_id) "
        "LEFT JOIN recorded r ON r.area = i.area",
        tables,
    )


def _days(sample_ids: Sequence[str]) -> pa.Table:
    return pa.table({"sample_id": pa.array(sample_ids, pa.string())})


_QUANTITY = QUANTITIES["encounters_per_angler_hour"]
_ESTIMATOR = coded("bycatch_ratio")
_NOT_RECORDED = coded("no_bycatch_recorded")


def bycatch_table(season: SeasonSurvey, *, level: float) -> pa.Table:
    """Estimate encounters (kept and released) of every other species per angler-hour.

    The combined ratio of two stratified two-stage totals, with the season's own design and its
    rules for thin strata, for area and week, area, week, and the season. In `BYCATCH_SCHEMA`, the
    species most met first; empty without a row of bycatch in the season: nobody can know whether
    none was met or none was written down.
    """
    rows = [
        row
        for found, estimators in _with_estimators(season)
        for species in found.species
        for row in sorted(_rows(season, estimators, found, species, level=level), key=_place)
    ]
    return pa.Table.from_pylist(rows, BYCATCH_SCHEMA)


def _with_estimators(season: SeasonSurvey) -> Iterator[tuple[Bycatch, list[TotalEstimator]]]:
    """Yield some species at a time with their estimators, as for the season's catch."""
    design = season.design
    sources = interview_sources(season.snapshot, design)
    known = [reported_on(rows, one.site_days.sample_id.tolist()) for one, rows in sources]
    for found in bycatch_of(season.snapshot["bycatch"], pa.concat_tables(known)).blocks:
        reduce = partial(_reduce, found=found)
        yield found, season_estimators(season.snapshot, design, season.plans, reduce)


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
            weight = bearing(_QUANTITY.name, season.deaths)
            figures = add_intervals(totals, figures, weight=weight, level=level)
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
    left_out = coded("without_bycatch", areas=[design.areas[one] for one in sorted(landing)])
    return replace(totals, lost=(left_out,) * len(totals.code))


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
