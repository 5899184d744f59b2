"""The invented bulletin calculated in other ways: every case of the page Alternative estimates."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.codes import coded
from analytics.estimates.interview_quality import heaping_test
from analytics.estimates.schemas import (
    ALTERNATIVE_SCHEMA,
    COVERAGE_SCHEMA,
    HEAPING_SCHEMA,
    VARIANCE_SCHEMA,
)
from analytics.findings import Finding, Severity
from tests.app.sample_cases import NO_SITE_DAY, without_estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

Row = dict[str, Any]

#: By how much each basis multiplies figures, and errors once more.
ALL_BOATS, BOATS_COUNTED = "all_boats", "boats_counted"
TIMES = {ALL_BOATS: (1.2, 1.1), BOATS_COUNTED: (1.05, 2.0)}
DIVIDED = {"sublegal_reports_divided_by_1.5": 0.75, "sublegal_reports_divided_by_2.2": 0.5}
TOUCHED = ("encounter_fish", "released_fish", "released_sublegal_fish", "total_deaths_fish")
#: An area that boats were never counted in, and one far busier by the counts than as sampled.
UNCOUNTED, BUSIER = "A2", "A3"

BOATS = (90, 70, 55, 40, 60, 22, 18, 14, 11, 26, 8, 6, 5, 4, 12, 2, 2, 1, 1, 5)
#: Boats that are too few for a test.
FEW = (5, 4, 3)

SHARES = {
    "A1": (0.90, 0.02, False, "corrected_quotient"),
    "A2": (
        0.85,
        0.03,
        True,
        "corrected_quotient; pooled_no_contact",
    ),
    "A3": (0.62, 0.05, False, "corrected_quotient"),
}


def readings_of(rows: Sequence[Row], *, with_data: bool) -> pa.Table:
    """Return the season rows on every basis; without data of their own, assumptions alone."""
    season = [row for row in rows if row["week"] is None]
    lines = []
    for basis, (size, error) in (TIMES if with_data else {}).items():
        lines += [{"alternative": basis} | _other(basis, row, size, error) for row in season]
    for basis, part in DIVIDED.items():
        lines += [
            {"alternative": basis} | (_times(row, part) if row["quantity"] in TOUCHED else row)
            for row in season
        ]
    return pa.Table.from_pylist(lines, schema=ALTERNATIVE_SCHEMA)


#: Parts of a variance and their shares; those of deaths have one more, and they halve.
PARTS = {"between_units": 0.75, "within_units": 0.15, "imputed_strata": 0.10}


def variance_budget(rows: Sequence[Row], *, with_data: bool) -> pa.Table:
    """Return the parts of the variance of season rows, those without an error left out."""
    lines: list[Row] = []
    for row in rows if with_data else ():
        if row["week"] is not None or not row.get("se"):
            continue
        is_deaths = row["quantity"].endswith("deaths_fish")
        half = 0.5 if is_deaths else 1.0
        rates = [{"split": "part", "part": "mortality_rates", "share": 0.5}] if is_deaths else []
        splits = [
            *({"split": "part", "part": part, "share": half * x} for part, x in PARTS.items()),
            *rates,
            *(one | {"split": split} for split in ("landing_area", "week") for one in rates),
            {"split": "landing_area", "landing_area": "A1", "share": 0.6 * half},
            {"split": "landing_area", "landing_area": "A3", "share": 0.4 * half},
            *(
                {"split": "week", "week": f"2036-W{w:02d}", "share": half / 12}
                for w in range(1, 13)
            ),
        ]
        head = {name: row[name] for name in ("season", "area", "quantity")}
        lines += [head | one | {"variance": one["share"] * row["se"] ** 2} for one in splits]
    return pa.Table.from_pylist(lines, schema=VARIANCE_SCHEMA)


def coverage(season: str, *, with_data: bool) -> pa.Table:
    """Return coverage of three areas, one of them pooled; none without data."""
    lines = [
        {
            "season": season,
            "area": area,
            "n_days": 9,
            "boats": 140,
            "share": share,
            "share_se": se,
            "share_low": share - 2 * se,
            "share_high": share + 2 * se,
            "ci_level": 0.95,
            "factor": 1 / share,
            "factor_se": se / share**2,
            "is_pooled": is_pooled,
            "method": method,
        }
        for area, (share, se, is_pooled, method) in SHARES.items()
    ]
    return pa.Table.from_pylist(lines if with_data else [], schema=COVERAGE_SCHEMA)


def heaping(season: str, *, boats: Sequence[int] = BOATS) -> pa.Table:
    """Return a table of reports with its test."""
    found = heaping_test(range(1, len(boats) + 1), boats)
    numbers = [
        *("ratio", "ratio_low", "ratio_high", "p_value"),
        *("n_heaped", "n_heaped_low", "n_heaped_high", "n_reports", "n_left_out"),
    ]
    told = {name: _known(getattr(found, name)) for name in numbers}
    lines = [
        {
            "season": season,
            "fish": int(fish),
            "boats": int(one),
            "smooth": _known(float(smooth)),
            "is_heap": bool(is_heap),
            "ci_level": 0.95,
            "reason": found.reason,
            **told,
        }
        for fish, one, smooth, is_heap in zip(
            found.count, found.boats, found.smooth, found.is_heap, strict=True
        )
    ]
    return pa.Table.from_pylist(lines, schema=HEAPING_SCHEMA)


def findings(*, with_data: bool) -> list[Finding]:
    """Return what the bulletin says of counts and coverage."""
    if with_data:
        seen = coded(
            "uneven_days",
            area="A3",
            low="2.0",
            high="9.0",
            week="2036-W02",
            times="3",
            n_weeks=2,
            n_compared=6,
        )
        return [Finding(severity=Severity.WARNING, table="boat_counts", seen=seen)]
    counts = coded("basis_failed", basis=BOATS_COUNTED, error="no boat count")
    contacts = coded("basis_failed", basis=ALL_BOATS, error="import the table coverage")
    return [
        Finding(severity=Severity.NOTE, table="boat_counts", seen=counts),
        Finding(severity=Severity.NOTE, table="coverage", seen=contacts),
    ]


def _other(basis: str, row: Row, size: float, error: float) -> Row:
    if row["unit"] == "1" or row["estimate"] is None:
        return row
    if basis == BOATS_COUNTED and row["area"] == UNCOUNTED:
        return without_estimate(row, NO_SITE_DAY)
    if basis == BOATS_COUNTED and row["area"] == BUSIER:
        return _times(row, 4.0)
    off = size * error * (row["ci_high"] - row["estimate"])
    middle = size * row["estimate"]
    limits = {"ci_low": max(middle - off, 0.1 * middle), "ci_high": middle + off}
    return row | {"estimate": middle, "se": size * error * row["se"], **limits}


def _times(row: Row, size: float) -> Row:
    names = ("estimate", "se", "ci_low", "ci_high")
    return row | {name: None if row[name] is None else size * row[name] for name in names}


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
