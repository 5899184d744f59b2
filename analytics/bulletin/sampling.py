"""What the sampling reached: one row a stratum, and the reservations it calls for in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.bulletin.shelf import STRATUM_SCHEMA
from analytics.data.findings import Finding, Severity
from analytics.survey.cells import interviewed
from analytics.survey.reduce import Analysis
from analytics.units import Status

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from analytics.bulletin.weekly import Season
    from analytics.survey.borrow import Plan


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
    design, units = season.design, season.design.units
    answered, plan = _answers(season)
    size = len(design.strata.label)

    def per_stratum(values: NDArray[np.float64]) -> NDArray[np.int64]:
        sums = np.bincount(units.stratum, weights=values, minlength=size)
        return np.rint(sums).astype(np.int64)

    rules = {loan.stratum: loan.rule for loan in plan.loans}
    rules |= dict.fromkeys(plan.lonely, "one site-day and no neighbour: no error can be had")
    columns = {
        "season": [design.season] * size,
        "landing_area": [design.areas[code] for code in design.strata.landing_area],
        "week": [design.weeks[code] for code in design.strata.week],
        "stratum": list(design.strata.label),
        "n_psu_frame": np.rint(design.strata.n_frame).astype(np.int64),
        "n_psu": plan.n_active,
        "n_missing_psu": per_stratum((~plan.active).astype(np.float64)),
        "boats_returned": per_stratum(np.nan_to_num(units.boats_returned)),
        "n_interviews": per_stratum(answered),
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
    design, units = season.design, season.design.units
    _, plan = _answers(season)
    for unit in np.flatnonzero(~plan.active):
        boats = units.boats_returned[unit]
        seen = (
            "boats_returned was not recorded"
            if np.isnan(boats)
            else f"{boats:.0f} boat{'s' if boats > 1 else ''} returned, none interviewed"
        )
        where = design.areas[design.strata.landing_area[units.stratum[unit]]]
        unit_name = f"{units.sample_id[unit]} ({where})"
        yield _note(Severity.WARNING, f"{unit_name}: {seen}", "it left the sample")
    for loan in plan.loans:
        where = f"{design.areas[design.strata.landing_area[loan.stratum]]}"
        yield _note(
            Severity.NOTE, f"{where} {design.strata.label[loan.stratum]}: {loan.rule}", "see status"
        )
    for code in sorted({int(design.strata.landing_area[one]) for one in plan.unfilled}):
        seen = f"{design.areas[code]} is open and none of its site-days was sampled"
        yield _note(Severity.WARNING, seen, "boats landing there are in no total")
    for code in sorted(design.no_design):
        seen = f"{design.areas[code]} has a sampling design that gives no total here"
        yield _note(Severity.WARNING, seen, "its rows say no_design")


def _answers(season: Season) -> tuple[NDArray[np.float64], Plan]:
    """Return interviewed boats a unit and the plan, as for boat trips."""
    boats = season.design.units.boats_returned
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
