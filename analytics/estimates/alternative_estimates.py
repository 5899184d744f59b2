"""The same season estimated by other methods, beside the figures of the bulletin and never in them.

All boats in the place of those that land at listed sites; effort from boats counted on the water;
and, as stated assumptions, reports of sublegal releases that ran high. With them goes what they
rest on: coverage by area, and the table of reports with its test for heaps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.codes import JOINED_BY, coded
from analytics.data import query
from analytics.errors import UsageError
from analytics.estimates.estimate import result_rows
from analytics.estimates.interview_quality import heaping_test, report_table, uneven_shares
from analytics.estimates.sampling_report import uneven_findings
from analytics.estimates.schemas import ALTERNATIVE_SCHEMA, COVERAGE_SCHEMA, HEAPING_SCHEMA
from analytics.estimates.season_survey import prepare_survey
from analytics.estimates.variance_components import area_covariance, variance_budget
from analytics.findings import Finding, Severity
from analytics.result_table import RESULT_SCHEMA, to_arrow
from analytics.settings import EffortSource, EstimationSettings
from analytics.survey.coverage import (
    CoverageExpandedEstimator,
    coverage_factors,
    coverage_of,
    season_contacts,
)
from analytics.survey.effort_times_rate import EffortTimesRateEstimator
from analytics.survey.estimators import DesignEstimator, convenience_interviews
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.query import Relation, Source
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey


# What every quantity would be if reports of sublegal releases ran high by a stated multiplier.

#: Reported over released: as reported, and two multipliers (the highest is Sullivan's; seen).
REPORTS_OVER = (1.0, 1.5, 2.2)
#: A multiplier outside is taken for a slip, such as a percentage.
LEAST, MOST = 0.1, 10.0
AS_REPORTED = "as_reported"

#: Rows of scenarios: the name of the scenario, then a result row.
SCENARIO_SCHEMA = pa.schema([pa.field("alternative", pa.string()), *RESULT_SCHEMA])

#: What anglers report of sublegal releases.
_REPORTED = ("released_sublegal", "released_sublegal_marked")


def basis_words(reports_over: float) -> str:
    """Return the name of a scenario: what was done with the reports."""
    if reports_over == 1:
        return AS_REPORTED
    return f"sublegal_reports_divided_by_{reports_over:g}"


def divided_reports(snapshot: Snapshot, reports_over: float) -> Snapshot:
    """Return a snapshot in which every report of sublegal releases is divided by a multiplier.

    `reports_over`: fish reported for each fish really released.

    ``released_sublegal`` and ``released_sublegal_marked`` as doubles; all else as it was. For
    estimates only: it is no longer in the schema and is never stored.
    """
    over = f"CAST({query.text(repr(float(reports_over)))} AS DOUBLE)"
    divided = ", ".join(f"{name} / {over} AS {name}" for name in _REPORTED)
    rows = snapshot.source("interviews")
    if isinstance(rows, pa.Table):
        divided_rows: Source = query.run(f"SELECT * REPLACE ({divided}) FROM rows", {"rows": rows})
    else:
        divided_rows = replace(rows, query=f"SELECT * REPLACE ({divided}) FROM ({rows.query})")
    return snapshot.with_rows("interviews", divided_rows)


def scenario_table(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    through: str | None = None,
    reports_over: Sequence[float] = REPORTS_OVER,
) -> pa.Table:
    """Estimate every quantity once for each multiplier.

    Parameters
    ----------
    snapshot : Snapshot
    season, by, level, through
        As in `analytics.estimates.estimate.estimate`.
    reports_over : sequence of float
        Multipliers: a report of sublegal releases is taken as so many times the fish released and
        divided by it. Fish kept, of legal length or of unknown size stay as reported.

    Returns
    -------
    pyarrow.Table
        In `SCENARIO_SCHEMA`, scenario by scenario in the order given. The rows of multiplier 1 are
        the result rows themselves; the ``method`` of every other row names its multiplier.

    Raises
    ------
    UsageError
        If a multiplier is outside 0.1 to 10 or given twice, or as in `estimate`.
    """
    _require(reports_over)
    parts = []
    for multiplier in reports_over:
        prepared = prepare_survey(
            divided_reports(snapshot, multiplier), season=season, through=through
        )
        rows = to_arrow(list(result_rows(prepared, by=by, level=level)))
        parts.append(named_rows(rows, multiplier))
    return pa.concat_tables(parts)


def named_rows(rows: pa.Table, multiplier: float) -> pa.Table:
    """Return result rows in `SCENARIO_SCHEMA`: their basis, and its multiplier in the method."""
    if multiplier != 1:
        divided = coded("divided_by", multiplier=f"{multiplier:g}")
        place = rows.schema.get_field_index("method")
        method = pc.binary_join_element_wise(rows["method"], divided, JOINED_BY)
        rows = rows.set_column(place, RESULT_SCHEMA.field("method"), method)
    basis = pa.array([basis_words(multiplier)] * rows.num_rows, pa.string())
    return pa.Table.from_arrays([basis, *rows.columns], schema=SCENARIO_SCHEMA)


def _require(reports_over: Sequence[float]) -> None:
    for one in reports_over:
        if not (math.isfinite(one) and LEAST <= one <= MOST):
            raise UsageError(
                f"reports over {one:g} times the fish released; allowed: {LEAST:g} to {MOST:g}, "
                "such as 2.2 where 22 were reported for 10 released"
            )
    names = [basis_words(one) for one in reports_over]
    if not names or len(set(names)) < len(names):
        given = ", ".join(f"{one:g}" for one in reports_over) or "none"
        raise UsageError(f"multipliers {given}; allowed: one or more, each once")


#: Bases beside the scenarios, whose names are those of `analytics.estimates.alternative_estimates`.
ALL_BOATS, BOATS_COUNTED = "all_boats", "boats_counted"
#: Domains that every basis has; all boats have area and week together too.
WIDER: tuple[tuple[str, ...], ...] = (("area",), ("week",), ("season",))


@dataclass(frozen=True, slots=True, eq=False)
class AlternativeEstimates:
    """Other estimates of a season, in the schemas of `analytics.estimates.schemas`.

    - `variance_budget`: what the variance of the usual figures is made of.
    - `area_covariance`: how their errors go together between areas.
    - `findings`: why a basis has no rows, and where interviews and counts go ill together.
    """

    rows: pa.Table
    coverage: pa.Table
    heaping: pa.Table
    variance_budget: pa.Table
    area_covariance: pa.Table
    findings: tuple[Finding, ...]


def alternative_estimates(season: SeasonSurvey, *, level: float = 0.95) -> AlternativeEstimates:
    """Estimate a prepared season by every other method that its data allow.

    Parameters
    ----------
    season : SeasonSurvey
        Prepared with the usual settings.
    level : float
        Confidence level.
    """
    parts: list[pa.Table] = []
    findings: list[Finding] = []
    for estimator in (_all_boats, _boats_counted):
        rows, found = estimator(season, level)
        parts.append(rows)
        findings += found
    parts += [_scenario(season, one, level) for one in REPORTS_OVER if one != 1]
    return AlternativeEstimates(
        rows=pa.concat_tables(parts),
        coverage=coverage_table(season, level=level),
        heaping=heaping_table(season, level=level),
        variance_budget=variance_budget(season, level=level),
        area_covariance=area_covariance(season),
        findings=tuple(findings),
    )


def coverage_table(season: SeasonSurvey, *, level: float = 0.95) -> pa.Table:
    """Return the share of boats that land at listed sites, by area fished.

    In `COVERAGE_SCHEMA`; empty where no boat was contacted on an open day.
    """
    design = season.design
    contacts = season_contacts(season.snapshot, season=design.season, through=design.through)
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


def heaping_table(season: SeasonSurvey, *, level: float = 0.95) -> pa.Table:
    """Return how many boats of the season reported each number of sublegal releases.

    In `HEAPING_SCHEMA`; empty where nobody reported one.
    """
    found = heaping_test(*report_table(_report_tables(season)), level=level)
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


def _all_boats(season: SeasonSurvey, level: float) -> tuple[pa.Table, Sequence[Finding]]:
    """Return the rows over all boats; the season's own sums serve, so nothing is reduced again."""
    *others, drawn = season.estimators
    assert isinstance(drawn, DesignEstimator)
    try:
        coverage = coverage_of(season.snapshot, season.design)
    except UsageError as error:
        return _nothing("coverage", "all_boats", error)
    expanded = replace(season, estimators=(*others, CoverageExpandedEstimator(drawn, coverage)))
    return _rows(expanded, ALL_BOATS, (*WIDER, ("area", "week")), level), ()


def _boats_counted(season: SeasonSurvey, level: float) -> tuple[pa.Table, Sequence[Finding]]:
    design = season.design
    settings = EstimationSettings(effort=EffortSource.COUNTS, basis=season.basis)
    try:
        counted = prepare_survey(season.snapshot, settings=settings, design=design)
    except UsageError as error:
        return _nothing("boat_counts", "boats_counted", error)
    estimator = counted.estimators[-1]
    assert isinstance(estimator, EffortTimesRateEstimator)
    warned = uneven_findings(uneven_shares(season.snapshot, estimator.counted))
    return _rows(counted, BOATS_COUNTED, WIDER, level), tuple(warned)


def _scenario(season: SeasonSurvey, reports_over: float, level: float) -> pa.Table:
    divided = prepare_survey(
        divided_reports(season.snapshot, reports_over),
        settings=EstimationSettings(basis=season.basis),
        design=season.design,
    )
    rows = [row for by in WIDER for row in result_rows(divided, by=by, level=level)]
    return named_rows(to_arrow(rows), reports_over)


def _rows(
    season: SeasonSurvey, basis: str, levels: Sequence[Sequence[str]], level: float
) -> pa.Table:
    rows = to_arrow([row for by in levels for row in result_rows(season, by=by, level=level)])
    column = pa.array([basis] * rows.num_rows, pa.string())
    return pa.Table.from_arrays([column, *rows.columns], schema=ALTERNATIVE_SCHEMA)


def _nothing(table: str, basis: str, error: UsageError) -> tuple[pa.Table, Sequence[Finding]]:
    finding = Finding(
        severity=Severity.NOTE,
        table=table,
        seen=coded("basis_failed", basis=basis, error=str(error)),
    )
    return ALTERNATIVE_SCHEMA.empty_table(), (finding,)


def _report_tables(season: SeasonSurvey) -> dict[str, Relation]:
    """Return the interviews that the season's figures rest on, of site-days and of convenience."""
    design = season.design
    drawn = pa.table({"sample_id": pa.array(design.site_days.sample_id.tolist(), pa.string())})
    columns = "released_sublegal, trip_complete"
    tables: dict[str, Relation] = {"stored": season.snapshot.source("interviews"), "drawn": drawn}
    reports = f"SELECT {columns} FROM stored SEMI JOIN drawn USING (sample_id)"
    if design.without_totals:
        met = convenience_interviews(season.snapshot, season=design.season)
        weeks = iso_week(met["on_day"].to_pandas().astype("datetime64[ns]"))
        tables["met"] = met.filter(pa.array(weeks <= design.through))
        reports += f" UNION ALL SELECT {columns} FROM met"
    return tables | {"interviews": reports}


def _table(columns: dict[str, Any], schema: pa.Schema) -> pa.Table:
    """Return columns as a table in the order of the schema, NaN as null."""
    arrays = [pa.array(columns[field.name], field.type, from_pandas=True) for field in schema]
    return pa.Table.from_arrays(arrays, schema=schema)
