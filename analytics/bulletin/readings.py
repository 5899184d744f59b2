"""The same season reckoned in other ways, beside the figures of the bulletin and never in them.

All boats in the place of those that land at listed sites; effort from boats counted on the water;
and, as stated assumptions, reports of sublegal releases that ran high. With them goes what they
rest on: coverage by area, and the table of reports with its test for heaps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.bulletin.prepare import prepare
from analytics.bulletin.reading_tables import COVERAGE_SCHEMA, HEAPING_SCHEMA, READING_SCHEMA
from analytics.bulletin.sampling import uneven_findings
from analytics.bulletin.scenarios import REPORTS_OVER, divided_reports, named_rows
from analytics.bulletin.weekly import result_rows
from analytics.data.findings import Finding, Severity
from analytics.errors import WrongUse
from analytics.options import Effort, Reckoning
from analytics.survey.convenience import met_by_convenience
from analytics.survey.counted import CountedEffort
from analytics.survey.coverage import coverage_factors, season_contacts
from analytics.survey.expanded import Expanded, coverage_of
from analytics.survey.heaping import heaping_test, report_table
from analytics.survey.uneven import uneven_shares
from analytics.survey.ways import Drawn
from analytics.table import to_arrow
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot

#: Bases beside the scenarios, whose names are those of `analytics.bulletin.scenarios`.
ALL_BOATS, BOATS_COUNTED = "all_boats", "boats_counted"
#: Domains that every basis has; all boats have area and week together too.
WIDER: tuple[tuple[str, ...], ...] = (("area",), ("week",), ("season",))


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Other ways to reckon a season, in the schemas of `analytics.bulletin.reading_tables`.

    Parameters
    ----------
    rows, coverage, heaping : pyarrow.Table
    findings : tuple of Finding
        Why a basis has no rows, and where interviews and counts go ill together.
    """

    rows: pa.Table
    coverage: pa.Table
    heaping: pa.Table
    findings: tuple[Finding, ...]


def readings_of(snapshot: Snapshot, season: Season, *, level: float = 0.95) -> Readings:
    """Reckon a prepared season in every other way that its data allow.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
        Prepared from it in the usual way.
    level : float
        Confidence level.

    Returns
    -------
    Readings
    """
    parts: list[pa.Table] = []
    findings: list[Finding] = []
    for way in (_all_boats, _boats_counted):
        rows, found = way(snapshot, season, level)
        parts.append(rows)
        findings += found
    parts += [_scenario(snapshot, season, one, level) for one in REPORTS_OVER if one != 1]
    return Readings(
        rows=pa.concat_tables(parts),
        coverage=coverage_table(snapshot, season, level=level),
        heaping=heaping_table(snapshot, season, level=level),
        findings=tuple(findings),
    )


def coverage_table(snapshot: Snapshot, season: Season, *, level: float = 0.95) -> pa.Table:
    """Return the share of boats that land at listed sites, by area fished.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
    level : float

    Returns
    -------
    pyarrow.Table
        In `COVERAGE_SCHEMA`; empty where no boat was contacted on an open day.
    """
    design = season.design
    contacts = season_contacts(snapshot, season=design.season, through=design.through)
    if not (contacts["boats_contacted"] > 0).any():
        return COVERAGE_SCHEMA.empty_table()
    found = coverage_factors(contacts, areas=design.areas, level=level)
    size = len(found.areas)
    columns = {
        "season": [design.season] * size,
        "area": list(found.areas),
        "n_days": found.n_days,
        "boats": found.boats,
        "share": found.share,
        "share_se": found.share_se,
        "share_low": found.share_low,
        "share_high": found.share_high,
        "ci_level": np.full(size, level),
        "factor": found.factor,
        "factor_se": np.sqrt(found.variance),
        "is_pooled": found.is_pooled,
        "method": list(found.method),
    }
    return _table(columns, COVERAGE_SCHEMA)


def heaping_table(snapshot: Snapshot, season: Season, *, level: float = 0.95) -> pa.Table:
    """Return how many boats of the season reported each number of sublegal releases.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
    level : float

    Returns
    -------
    pyarrow.Table
        In `HEAPING_SCHEMA`; empty where nobody reported one.
    """
    found = heaping_test(*report_table(_interviews(snapshot, season)), level=level)
    size = len(found.count)
    numbers = [
        *("ratio", "ratio_low", "ratio_high", "p_value"),
        *("n_heaped", "n_heaped_low", "n_heaped_high", "n_reports", "n_left_out"),
    ]
    columns: dict[str, Any] = {
        "season": [season.design.season] * size,
        "fish": found.count,
        "boats": np.rint(found.boats).astype(np.int64),
        "smooth": found.smooth,
        "is_heap": found.is_heap,
        "ci_level": np.full(size, level),
        "reason": [found.reason] * size,
    } | {name: np.full(size, getattr(found, name)) for name in numbers}
    return _table(columns, HEAPING_SCHEMA)


def _all_boats(
    snapshot: Snapshot, season: Season, level: float
) -> tuple[pa.Table, Sequence[Finding]]:
    """Return the rows over all boats; the season's own sums serve, so nothing is reduced again."""
    *others, drawn = season.ways
    assert isinstance(drawn, Drawn)
    try:
        coverage = coverage_of(snapshot, season.design)
    except WrongUse as error:
        return _nothing("coverage", "over all boats", error)
    expanded = replace(season, ways=(*others, Expanded(drawn, coverage)))
    return _rows(expanded, ALL_BOATS, (*WIDER, ("area", "week")), level), ()


def _boats_counted(
    snapshot: Snapshot, season: Season, level: float
) -> tuple[pa.Table, Sequence[Finding]]:
    design = season.design
    reckoning = Reckoning(effort=Effort.COUNTS)
    try:
        counted = prepare(
            snapshot, season=design.season, through=design.through, reckoning=reckoning
        )
    except WrongUse as error:
        return _nothing("boat_counts", "from boats counted on the water", error)
    way = counted.ways[-1]
    assert isinstance(way, CountedEffort)
    warned = uneven_findings(uneven_shares(snapshot, way.counted))
    return _rows(counted, BOATS_COUNTED, WIDER, level), tuple(warned)


def _scenario(snapshot: Snapshot, season: Season, reports_over: float, level: float) -> pa.Table:
    design = season.design
    divided = prepare(
        divided_reports(snapshot, reports_over), season=design.season, through=design.through
    )
    rows = [row for by in WIDER for row in result_rows(divided, by=by, level=level)]
    return named_rows(to_arrow(rows), reports_over)


def _rows(season: Season, basis: str, levels: Sequence[Sequence[str]], level: float) -> pa.Table:
    rows = to_arrow([row for by in levels for row in result_rows(season, by=by, level=level)])
    column = pa.array([basis] * rows.num_rows, pa.string())
    return pa.Table.from_arrays([column, *rows.columns], schema=READING_SCHEMA)


def _nothing(table: str, basis: str, error: WrongUse) -> tuple[pa.Table, Sequence[Finding]]:
    finding = Finding(
        severity=Severity.NOTE, table=table, seen=f"no figures {basis} beside the others: {error}"
    )
    return READING_SCHEMA.empty_table(), (finding,)


def _interviews(snapshot: Snapshot, season: Season) -> pa.Table:
    """Return the interviews that the season's figures rest on, drawn and met by convenience."""
    design = season.design
    drawn = pa.array(design.site_days.sample_id.tolist(), pa.string())
    interviews = snapshot["interviews"]
    wanted = ["released_sublegal", "trip_complete"]
    mine = interviews.filter(pc.is_in(interviews["sample_id"], value_set=drawn)).select(wanted)
    if not design.no_design:
        return mine
    met = met_by_convenience(snapshot, season=design.season)
    weeks = iso_week(met["on_day"].to_pandas().astype("datetime64[ns]"))
    return pa.concat_tables([mine, met.filter(pa.array(weeks <= design.through)).select(wanted)])


def _table(columns: dict[str, Any], schema: pa.Schema) -> pa.Table:
    """Return columns as a table in the order of the schema, NaN as null."""
    arrays = [pa.array(columns[field.name], field.type, from_pandas=True) for field in schema]
    return pa.Table.from_arrays(arrays, schema=schema)
