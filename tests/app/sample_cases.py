"""The cases of the invented bulletin that are not plain: by area, week and quantity."""

from __future__ import annotations

import math
from typing import Any

from analytics.codes import coded
from analytics.findings import Finding, Severity
from analytics.quantities import CiMethod, Status

Row = dict[str, Any]

#: Area and week (of the season in progress) of every status that is not plain.
SPECIAL: dict[tuple[str, str], Status] = {
    ("A2", "2035-W50"): Status.NO_SAMPLE,
    ("A2", "2036-W05"): Status.NO_SAMPLE,
    ("A3", "2036-W05"): Status.COLLAPSED,
    ("A3", "2035-W48"): Status.COLLAPSED,
    ("A4", "2036-W05"): Status.IMPUTED,
    ("A4", "2035-W52"): Status.IMPUTED,
    ("A5", "2036-W05"): Status.ZERO_TOTAL,
    ("A5", "2035-W46"): Status.CENSUS,
    ("A1", "2035-W51"): Status.MODELLED,
    ("A6", "2036-W05"): Status.NO_DESIGN,
    ("A6", "2036-W04"): Status.NO_DESIGN,
}
#: Area and weeks of the season in progress without a row: closed.
CLOSED = {("A6", week) for week in ("2035-W45", "2035-W46", "2035-W52", "2036-W01")}

#: A total without two open areas; a share of which nothing else was seen; a figure without an
#: error, on two interviews; an interval without bound.
PARTIAL = (None, "2036-W03")
ALL_OF_IT = ("A5", "2036-W04")
NO_ERROR = ("A1", "2036-W02")
ENDLESS = ("A3", "2036-W01")
#: A week whose open days are not those of the week before.
OTHER_DAYS = "2035-W52"

NO_SITE_DAY = "no_site_day"
NO_LANDING = "no_site_day_of_area"
NO_DESIGN = "no_totals_from_convenience"
NO_DROP_OFF = "no_drop_off_rate_for(fish=any:lost)"
NO_BOAT = "not_recorded(columns=kept)"
#: A number nobody gave, and rates that lack.
LACKING = {
    (("A1", "2036-W01"), "sublegal_prop"): NO_BOAT,
    (("A4", "2036-W05"), "total_deaths_fish"): NO_DROP_OFF,
}

NONE: Row = {"se": None, "ci_low": None, "ci_high": None, "ci_method": CiMethod.NONE}


def without_estimate(row: Row, reason: str, status: Status = Status.NO_SAMPLE) -> Row:
    """Return a row without an estimate, and why."""
    return row | NONE | {"estimate": None, "df": None, "status": status, "method": reason}


def unusual(row: Row, *, area: str | None, week: str | None) -> Row:
    """Return a row of the season in progress as its area and week have it."""
    name, at = row["quantity"], (area, week)
    if at == PARTIAL:
        note = "without_never_sampled(areas=A2|A6)"
        return row | {"status": Status.NO_SAMPLE, "method": f"{row['method']}; {note}"}
    if at == ALL_OF_IT and name == "sublegal_prop":
        note = "combined_ratio; nothing_else_seen"
        return row | NONE | {"estimate": 1.0, "status": Status.ZERO_TOTAL, "method": note}
    if at == NO_ERROR:
        note = f"{row['method']}; one_unit(unit=site-day)"
        return row | NONE | {"df": 0.0, "n_psu": 1, "n_interviews": 2, "method": note}
    if at == ENDLESS and name == "encounter_fish":
        return row | {"se": 3 * row["estimate"], "ci_low": 0.001, "ci_high": math.inf, "df": 1.0}
    reason = LACKING.get((at, name))
    return without_estimate(row, reason) if reason else row


def findings() -> list[Finding]:
    """Return findings: two alike, one on a site-day, one on a stratum, one on an area."""
    warning = Finding(
        severity=Severity.WARNING,
        table="interviews",
        row=12,
        column="method",
        seen="empty",
        advice="fill in the fishing method where it is known",
    )
    of_sampling = (
        (coded("none_interviewed", unit="NF-17", area="A3", n=5), "unit_left_sample"),
        (
            coded(
                "stratum_rule",
                stratum_of="A4:2036-W05 Mon–Fri",
                rule=coded("imputed_from", unit="site-day", donors=["A4:2036-W05 Sat–Sun"]),
            ),
            "figures_marked",
        ),
        (coded("design_without_total", area="A6"), "rows_say_no_design"),
    )
    notes = [
        Finding(severity=Severity.NOTE, table="site_days", seen=seen, advice=coded(advice))
        for seen, advice in of_sampling
    ]
    return [warning, warning, *notes]
