"""What the sampling reached: one row a stratum, and the reservations it calls for in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.bulletin.kept_tables import STRATUM_SCHEMA
from analytics.data import sql
from analytics.data.findings import Finding, Severity, number_of
from analytics.survey.boat_counts import count_boats
from analytics.survey.build import build_design, seasons_with_data
from analytics.survey.cells import interviewed
from analytics.survey.convenience import met_by_convenience
from analytics.survey.reduce import Analysis
from analytics.survey.uneven import MOST_UNEVEN, uneven_shares
from analytics.units import Status
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot
    from analytics.survey.borrow import Plan
    from analytics.survey.design import Design
    from analytics.survey.uneven import Uneven

#: Interviews of no site-day that landed, in the open season, in an area of another design.
_BY_CONVENIENCE = """
SELECT s.area, i.date, count(*)::BIGINT AS n
FROM interviews i JOIN sites s ON s.site = i.site
WHERE i.sample_id IS NULL AND EXISTS (
    SELECT 1 FROM seasons q WHERE q.area = s.area AND q.season = $season
    AND q.design IS DISTINCT FROM 'opportunistic' AND i.date BETWEEN q.open_date AND q.close_date)
GROUP BY ALL ORDER BY ALL
"""


def strata_table(season: Season) -> pa.Table:
    """Return every stratum with its frame, its sample and the rule it needed.

    Parameters
    ----------
    season : Season

    Returns
    -------
    pyarrow.Table
        In `STRATUM_SCHEMA`.
    """
    design, days = season.design, season.design.site_days
    answered, plan = _answers(season)
    size = len(design.strata.label)

    def per_stratum(unit: NDArray[np.int64], values: NDArray[np.float64]) -> NDArray[np.int64]:
        stratum = design.units.stratum[unit]
        sums = np.bincount(stratum, weights=values, minlength=size)
        return np.rint(sums).astype(np.int64)

    rules = {loan.stratum: loan.rule for loan in plan.loans}
    rules |= {
        code: f"one {design.strata.unit_word(code)} and no neighbour: no error can be had"
        for code in plan.lonely
    }
    every_unit = np.arange(len(plan.active))
    columns = {
        "season": [design.season] * size,
        "landing_area": [design.areas[code] for code in design.strata.landing_area],
        "week": [design.weeks[code] for code in design.strata.week],
        "stratum": list(design.strata.label),
        "n_psu_frame": np.rint(design.strata.n_frame).astype(np.int64),
        "n_psu": plan.n_active,
        "n_missing_psu": per_stratum(every_unit, (~plan.active).astype(np.float64)),
        "boats_returned": per_stratum(days.unit, np.nan_to_num(days.boats_returned)),
        "n_interviews": per_stratum(days.unit, answered),
        "status": [str(_status(plan, code)) for code in range(size)],
        "rule": [rules.get(code, "") for code in range(size)],
    }
    table = pa.table(columns, schema=STRATUM_SCHEMA)
    return table.sort_by([("week", "ascending"), ("landing_area", "ascending")])


def sampling_findings(season: Season) -> Iterator[Finding]:
    """Yield what a reader must know of the sample: units lost, strata that borrowed.

    Parameters
    ----------
    season : Season

    Yields
    ------
    Finding
        Notes and warnings on `site_days`.
    """
    design, days = season.design, season.design.site_days
    answered, plan = _answers(season)
    silent = ~((days.boats_returned == 0) | (answered > 0)) | np.isnan(days.boats_returned)
    for place in np.flatnonzero(silent):
        boats = days.boats_returned[place]
        seen = (
            "boats_returned was not recorded"
            if np.isnan(boats)
            else f"{boats:.0f} boat{'s' if boats > 1 else ''} returned, none interviewed"
        )
        stratum = int(design.units.stratum[days.unit[place]])
        where = design.areas[design.strata.landing_area[stratum]]
        lost = "its day left" if design.strata.of_days[stratum] else "it left"
        unit_name = f"{days.sample_id[place]} ({where})"
        yield _note(Severity.WARNING, f"{unit_name}: {seen}", f"{lost} the sample")
    for loan in plan.loans:
        where = f"{design.areas[design.strata.landing_area[loan.stratum]]}"
        yield _note(
            Severity.NOTE, f"{where} {design.strata.label[loan.stratum]}: {loan.rule}", "see status"
        )
    for code in sorted({int(design.strata.landing_area[one]) for one in plan.unfilled}):
        seen = f"{design.areas[code]} is open and none of its site-days was sampled"
        yield _note(Severity.WARNING, seen, "boats landing there are in no total")
    for code in sorted(design.areas_without_design):
        seen = f"{design.areas[code]} has a sampling design that gives no total here"
        yield _note(Severity.WARNING, seen, "its rows say no_design")


def convenience_findings(snapshot: Snapshot, design: Design) -> Iterator[Finding]:
    """Yield how many interviews of convenience landed where the design has no use for them.

    Parameters
    ----------
    snapshot : Snapshot
    design : Design
        Its season through its last week is looked at.

    Yields
    ------
    Finding
        One note an area.
    """
    query = _BY_CONVENIENCE.replace("$season", sql.text(design.season))
    tables = {name: snapshot[name] for name in ("sites", "seasons")}
    met = sql.run(query, tables | {"interviews": snapshot.source("interviews")}).to_pandas()
    met = met[iso_week(met["date"].astype("datetime64[ns]")) <= design.through]
    for area, n in met.groupby("area")["n"].sum().items():
        seen = f"{number_of(int(n), 'interview')} of convenience landing in {area}"
        advice = "in no estimate there: that area is sampled by a design of site-days"
        yield Finding(severity=Severity.NOTE, table="interviews", seen=seen, advice=advice)


def uneven_findings(found: Iterable[Uneven]) -> Iterator[Finding]:
    """Yield a warning for each area whose days were interviewed unevenly.

    Parameters
    ----------
    found : iterable of Uneven
        As from `analytics.survey.uneven.uneven_shares`.

    Yields
    ------
    Finding
        On `boat_counts`.
    """
    for one in found:
        seen = (
            f"{one.area} has uneven days: interviews told {100 * one.low:,.1f} to "
            f"{100 * one.high:,.1f} % of the boat-hours counted on a day in {one.week}, over "
            f"{MOST_UNEVEN:g} times as much on one day as on another in "
            f"{one.n_weeks} of {number_of(one.n_compared, 'week')}"
        )
        advice = "the catch rate leans to the days interviewed most (with few counts a day, part "
        advice += "of this is chance)"
        yield Finding(severity=Severity.WARNING, table="boat_counts", seen=seen, advice=advice)


def uneven_warnings(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    through: str | None = None,
    day_hours: float | None = None,
) -> list[Finding]:
    """Return the warnings of `uneven_findings`; parameters as `analytics.bulletin.weekly.estimate`.

    Raises
    ------
    WrongUse
        As in `analytics.bulletin.weekly.estimate`.
    """
    season = season or seasons_with_data(snapshot)[-1]
    met = met_by_convenience(snapshot, season=season)
    design = build_design(snapshot, season=season, through=through, met=met)
    counted = count_boats(snapshot, design, day_hours=day_hours)
    return list(uneven_findings(uneven_shares(snapshot, counted)))


def _answers(season: Season) -> tuple[NDArray[np.float64], Plan]:
    """Return interviewed boats a site-day and the plan, as for boat trips."""
    boats = season.design.site_days.boats_returned
    moments = season.reduction.moments(Analysis(("boat_trips",)))
    answered = interviewed(moments, n_units=len(boats))
    return answered, season.plans.for_answers(answered)


def _status(plan: Plan, code: int) -> Status:
    if code in plan.unfilled:
        return Status.NO_SAMPLE
    loan = next((loan for loan in plan.loans if loan.stratum == code), None)
    if loan is None:
        return Status.OK
    return Status.IMPUTED if loan.is_fill else Status.COLLAPSED


def _note(severity: Severity, seen: str, advice: str) -> Finding:
    return Finding(severity=severity, table="site_days", seen=seen, advice=advice)
