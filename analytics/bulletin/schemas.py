"""The shapes of every table of a kept bulletin; readers need pyarrow only."""

from __future__ import annotations

import pyarrow as pa

from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.estimates.schemas import (
    ALTERNATIVE_SCHEMA,
    AREA_SCHEMA,
    CHANGE_SCHEMA,
    COVERAGE_SCHEMA,
    HEAPING_SCHEMA,
    STRATUM_SCHEMA,
)
from analytics.findings import FINDING_SCHEMA
from analytics.outlook.schemas import OUTLOOK_SCHEMAS
from analytics.released.schemas import RELEASED_SCHEMAS
from analytics.result_table import RESULT_SCHEMA

#: What moved between two versions of the store, by domain and quantity, and which batches did it.
#: Where one row nets several steps, their batches, events, instants and files are joined by "; ".
REVISION_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        ("week", pa.string()),  # null: the season
        ("quantity", pa.string()),
        ("unit", pa.string()),
        ("kind", pa.string()),  # revised | restated | new | removed
        ("previous", pa.float64()),
        ("estimate", pa.float64()),
        ("change", pa.float64()),  # estimate - previous
        ("change_in_se", pa.float64()),  # change over the standard error before
        ("previous_se", pa.float64()),
        ("se", pa.float64()),
        ("previous_ci_low", pa.float64()),
        ("previous_ci_high", pa.float64()),
        ("ci_low", pa.float64()),
        ("ci_high", pa.float64()),
        ("ci_level", pa.float64()),
        ("previous_method", pa.string()),
        ("method", pa.string()),
        ("previous_status", pa.string()),
        ("status", pa.string()),
        ("since_version", pa.int64()),
        ("version", pa.int64()),
        ("batch", pa.string()),
        ("event", pa.string()),  # imported | withdrawn | program
        ("at_utc", pa.string()),
        ("sources", pa.string()),
    ]
)

#: Fields of a bulletin that hold several tables, and the shapes of these.
GROUPS: dict[str, dict[str, pa.Schema]] = {
    "released": RELEASED_SCHEMAS,
    "rates": RATE_SCHEMAS,
    "outlook": OUTLOOK_SCHEMAS,
}
TABLE_SCHEMAS: dict[str, pa.Schema] = {
    "rows": RESULT_SCHEMA,
    "changes": CHANGE_SCHEMA,
    "findings": FINDING_SCHEMA,
    "strata": STRATUM_SCHEMA,
    "areas": AREA_SCHEMA,
    "revisions": REVISION_SCHEMA,
    "alternative_estimates": ALTERNATIVE_SCHEMA,
    "coverage": COVERAGE_SCHEMA,
    "heaping": HEAPING_SCHEMA,
}
#: Tables that a bulletin has as fields of their own.
FIELDS = tuple(TABLE_SCHEMAS)
for schemas in GROUPS.values():
    TABLE_SCHEMAS |= schemas
#: Tables of bulletins whose card does not name its tables; a bulletin lacks those added later.
FIRST_TABLES = ("rows", "changes", "findings", "strata", "areas")
