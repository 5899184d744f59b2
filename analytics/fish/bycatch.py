"""Other species met on boat trips, as columns beside the interviews of a season.

Crews name only what they met: a boat without a row of a species met none of it, provided anybody
who fished its area that season named any species at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.codes import coded
from analytics.data import query as sql
from analytics.survey.reduction import Analysis, Measure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.query import Source

#: Species told apart; the rest are taken together.
MOST = 30
_AT_ONCE = 8
_HOURS = "bycatch_hours"
_RECORDED = "bycatch_recorded"

#: Species are free text: spellings that differ in case or in blanks about them are one.
_NAMED = """
SELECT b.interview_id, lower(trim(b.species)) AS species, trim(b.species) AS spelling,
    b.kept + b.released AS fish, i.area
FROM bycatch b JOIN told i USING (interview_id)
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

    Parameters
    ----------
    species : tuple of Species
    areas : frozenset of str
        Areas fished in which somebody recorded bycatch.
    coded_rows : pyarrow.Table
        Rows of bycatch with the column of their species.
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
        """Fish of every species, and angler-hours of the boats that could have told."""
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


def bycatch_of(bycatch: pa.Table, told: pa.Table, *, most: int = MOST) -> Bycatch:
    """Return the species that some interviews named.

    Parameters
    ----------
    bycatch : pyarrow.Table
        In its schema.
    told : pyarrow.Table
        ``interview_id, area`` of the interviews, each once.
    most : int
        Species told apart, those most met; with more of them the rest are one group.
    """
    named = sql.run(_NAMED, {"bycatch": bycatch, "told": told})
    ranked = sql.run(_RANKED, {"named": named})
    names = ranked["species"].to_pylist()
    species = [
        Species(words, f"species_{place}")
        for place, words in enumerate(ranked["spelling"].to_pylist()[:most])
    ]
    if len(names) > most:
        rest = len(names) - most
        note = coded("species_together", n=rest)
        species.append(Species(f"other ({rest} species)", f"species_{most}", note))
    columns = [species[min(place, most)].column for place in range(len(names))]
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
    """Return the interviews of some site-days with a column of fish met for every species.

    Parameters
    ----------
    bycatch : Bycatch
    interviews : pyarrow.Table or ParquetRows
        In the schema of ``interviews``.
    sample_ids : sequence of str
        The site-days.

    Returns
    -------
    pyarrow.Table
        What the reduction needs of an interview. A species is 0 where the boat has no row of it,
        null where kept or released was not recorded; where nobody recorded bycatch in the area
        fished, the boat counts for no species.
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
