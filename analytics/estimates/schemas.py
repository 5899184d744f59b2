"""The shapes of what a bulletin keeps beside its figures: other ways to reckon, and their bases."""

from __future__ import annotations

import pyarrow as pa

from analytics.result_table import RESULT_SCHEMA

#: Result rows of other ways to reckon the same season, each under the name of its basis.
READING_SCHEMA = pa.schema([pa.field("basis", pa.string()), *RESULT_SCHEMA])

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
