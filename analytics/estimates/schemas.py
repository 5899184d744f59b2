"""The shapes of the tables of estimates beside the result rows."""

from __future__ import annotations

import pyarrow as pa

from analytics.result_table import RESULT_SCHEMA, counts, numbers, texts

#: Change of a quantity from the week before, by domain. For totals and rates `change` is the ratio
#: (1 is no change); for shares it is the difference (0 is no change).
CHANGE_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        *texts("week", "previous_week", "quantity"),
        *numbers("previous", "estimate", "change", "ci_low", "ci_high", "ci_level"),
        ("form", pa.string()),  # ratio | difference
        ("direction", pa.string()),  # up | down | no_clear_change | not_known | not_comparable
    ]
)

#: Totals behind a quantity by area and how their errors go together, each pair once. `part` is 0,
#: or of a ratio 0 above and 1 below the line.
AREA_COVARIANCE_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("week", pa.string()),  # null: the season
        *texts("quantity", "area"),
        ("part", pa.int64()),
        ("other_area", pa.string()),
        ("other_part", pa.int64()),
        *numbers("total", "other_total", "covariance"),
    ]
)

#: What the sampling reached: one row a stratum of the design.
STRATUM_SCHEMA = pa.schema(
    [
        *texts("season", "landing_area"),
        ("week", pa.string()),  # first week of the stratum
        ("stratum", pa.string()),
        *counts("n_psu_frame", "n_psu"),
        ("n_missing_psu", pa.int64()),  # boats returned and none interviewed, or boats not counted
        *counts("boats_returned", "n_interviews"),
        ("status", pa.string()),
        ("rule", pa.string()),  # a code, empty where nothing was borrowed
    ]
)

#: The areas of the season and their names.
AREA_SCHEMA = pa.schema([("area", pa.string()), ("area_name", pa.string())])

#: Alternative estimates of the same season: result rows, each under the name of its alternative.
ALTERNATIVE_SCHEMA = pa.schema([pa.field("alternative", pa.string()), *RESULT_SCHEMA])

#: Share of boats met on the water that land at listed sites, and the factor that expands totals.
COVERAGE_SCHEMA = pa.schema(
    [
        *texts("season", "area"),
        *counts("n_days", "boats"),
        *numbers("share", "share_se", "share_low", "share_high", "ci_level", "factor", "factor_se"),
        ("is_pooled", pa.bool_()),
        ("method", pa.string()),
    ]
)

#: How many boats reported each number of sublegal releases; the test's numbers stand on every line.
HEAPING_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        *counts("fish", "boats"),
        ("smooth", pa.float64()),  # boats the curve expects without heaps; null: no test
        ("is_heap", pa.bool_()),
        ("ratio", pa.float64()),  # boats at the heaps over those the curve expects there
        *numbers(
            "ratio_low",
            "ratio_high",
            "ci_level",
            "p_value",
            "n_heaped",
            "n_heaped_low",
            "n_heaped_high",
        ),
        *counts("n_reports", "n_left_out"),
        ("reason", pa.string()),  # why there is no test; empty where there is one
    ]
)

#: Sampled site-days with their weights over the season, for survey programs; columns
#: ``replicate_0001`` and on follow, one a replicate, with the weight in it.
REPLICATE_WEIGHT_SCHEMA = pa.schema(
    [
        *texts("season", "sample_id", "landing_area", "week", "stratum"),
        ("unit", pa.string()),  # primary unit: the site-day itself, or its day
        *counts("n_psu_frame", "n_psu"),
        ("boats_returned", pa.int64()),
        ("boats_interviewed", pa.int64()),  # weight of a boat: weight x returned / interviewed
        ("direct_weight", pa.float64()),  # without what it counts for strata that were not sampled
        ("weight", pa.float64()),  # estimates the season
    ]
)

#: The replicates of the weights: the variance of a total is the sum of scale x (total of the
#: replicate - total)^2.
REPLICATE_SCHEMA = pa.schema(
    [
        ("replicate", pa.string()),  # column of the weights
        ("method", pa.string()),  # jackknife | bootstrap
        ("part", pa.string()),  # sampled | collapsed | imputed | all
        *texts("landing_area", "week", "stratum"),
        ("scale", pa.float64()),
        ("finite_correction", pa.float64()),  # in the scale; 1 where it is in the weights
    ]
)

#: What the variance of each season figure is made of, split in several ways; the rows of one area,
#: quantity and split add up to the variance, the square of ``se``. Strata for all areas together.
VARIANCE_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # area fished; null: all areas
        ("quantity", pa.string()),
        ("split", pa.string()),  # part | landing_area | week | stratum
        ("part", pa.string()),  # between_units | within_units | ...; null: of the survey, together
        ("landing_area", pa.string()),  # of the stratum
        ("week", pa.string()),  # first week of the stratum
        ("stratum", pa.string()),
        ("variance", pa.float64()),
        ("share", pa.float64()),  # of the variance of the figure
    ]
)
