"""The shapes of the tables of estimates beside the result rows."""

from __future__ import annotations

import pyarrow as pa

from analytics.result_table import RESULT_SCHEMA

#: Change of a quantity from the week before, by domain. For totals and rates `change` is the ratio
#: (1 is no change); for shares it is the difference (0 is no change).
CHANGE_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        ("week", pa.string()),
        ("previous_week", pa.string()),
        ("quantity", pa.string()),
        ("previous", pa.float64()),
        ("estimate", pa.float64()),
        ("change", pa.float64()),
        ("ci_low", pa.float64()),
        ("ci_high", pa.float64()),
        ("ci_level", pa.float64()),
        ("form", pa.string()),  # ratio | difference
        ("direction", pa.string()),  # up | down | no_clear_change | not_known | not_comparable
    ]
)

#: What the sampling reached: one row a stratum of the design.
STRATUM_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("landing_area", pa.string()),
        ("week", pa.string()),  # first week of the stratum
        ("stratum", pa.string()),
        ("n_psu_frame", pa.int64()),
        ("n_psu", pa.int64()),
        ("n_missing_psu", pa.int64()),  # boats returned, none interviewed
        ("boats_returned", pa.int64()),
        ("n_interviews", pa.int64()),
        ("status", pa.string()),
        ("rule", pa.string()),  # a code, empty where nothing was borrowed
    ]
)

#: The areas of the season and their names.
AREA_SCHEMA = pa.schema([("area", pa.string()), ("area_name", pa.string())])

#: Alternative estimates of the same season: result rows, each under the name of its basis.
ALTERNATIVE_SCHEMA = pa.schema([pa.field("basis", pa.string()), *RESULT_SCHEMA])

#: Share of boats met on the water that land at listed sites, and the factor that expands totals.
COVERAGE_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),
        ("n_days", pa.int64()),
        ("boats", pa.int64()),
        ("share", pa.float64()),
        ("share_se", pa.float64()),
        ("share_low", pa.float64()),
        ("share_high", pa.float64()),
        ("ci_level", pa.float64()),
        ("factor", pa.float64()),
        ("factor_se", pa.float64()),
        ("is_pooled", pa.bool_()),
        ("method", pa.string()),
    ]
)

#: How many boats reported each number of sublegal releases; the test's numbers stand on every line.
HEAPING_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("fish", pa.int64()),
        ("boats", pa.int64()),
        ("smooth", pa.float64()),  # boats the curve expects without heaps; null: no test
        ("is_heap", pa.bool_()),
        ("ratio", pa.float64()),  # boats at the heaps over those the curve expects there
        ("ratio_low", pa.float64()),
        ("ratio_high", pa.float64()),
        ("ci_level", pa.float64()),
        ("p_value", pa.float64()),
        ("n_heaped", pa.float64()),
        ("n_heaped_low", pa.float64()),
        ("n_heaped_high", pa.float64()),
        ("n_reports", pa.int64()),
        ("n_left_out", pa.int64()),
        ("reason", pa.string()),  # why there is no test; empty where there is one
    ]
)
