"""The shapes of what a bulletin keeps of released fish; readers need pyarrow only."""

from __future__ import annotations

import pyarrow as pa

from analytics.result_table import FIGURE_SCHEMA, counts, numbers, texts

#: Sublegal share by area and week on two bases, ``survey`` and ``pooled`` (status ``modelled``).
SHARE_SCHEMA = pa.schema(
    [
        pa.field("basis", pa.string()),  # survey | pooled
        *FIGURE_SCHEMA,
        ("n_fish", pa.int64()),  # encounters reported in the interviews behind the row
        ("n_sublegal", pa.int64()),
        # survey: its variance over p(1-p)/n_fish, that of as many fish sampled one by one; the
        # finite sample makes it small where much of the fleet was interviewed
        ("design_effect", pa.float64()),
        ("overdispersion", pa.float64()),  # pooled: intraclass correlation of a site-day's fish
    ]
)

#: Encounters by size and mark, and their sum ``encounter_fish``, by ``reported`` and ``sampled``.
COMPOSITION_SCHEMA = pa.schema(
    [
        pa.field("basis", pa.string()),  # reported | sampled
        *FIGURE_SCHEMA,
        ("draws_low", pa.float64()),  # interval of joint draws at ci_level; sampled rows only
        ("draws_high", pa.float64()),
        ("n_measured", pa.int64()),  # test-fishing fish behind a sampled row, pooled ones too
        ("n_class", pa.int64()),  # of those, fish of the row's class
        ("rule", pa.string()),  # codes of how samples were pooled; empty where none was
    ]
)

#: Sampled over reported, class by class and for all encounters.
COMPOSITION_RATIO_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        ("week", pa.string()),  # null: the season
        ("quantity", pa.string()),
        *numbers("reported", "sampled"),
        ("ratio", pa.float64()),  # sampled over reported
        *numbers("ci_low", "ci_high", "ci_level"),
        ("reason", pa.string()),  # why there is no ratio or interval; empty where there is one
    ]
)

#: Season deaths, one row for every group of fish that shares a rate, then their totals.
DEATH_SCHEMA = pa.schema(
    [
        ("basis", pa.string()),  # releases as reported | sampled: at the test-fishing composition
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        ("fate", pa.string()),  # kept | released | drop_off | all
        ("size_class", pa.string()),  # legal | sublegal | unknown | any
        ("method", pa.string()),  # fishing method; null: all, or not reported
        ("wound_class", pa.string()),  # any | shallow | deep
        ("fish", pa.float64()),  # fish that the rate applies to
        *numbers("fish_se", "rate_prop", "rate_se", "rate_low", "rate_high", "deaths"),
        ("deaths_low", pa.float64()),  # the same fish at rate_low and rate_high
        ("deaths_high", pa.float64()),
        ("se", pa.float64()),  # of deaths, from the fish and the rate
        *numbers("ci_low", "ci_high", "ci_level"),
        ("catch_variance_prop", pa.float64()),  # part of the variance that the fish bring
        ("source", pa.string()),
        ("evidence", pa.string()),  # published | from_memory | common_practice | own
        ("reason", pa.string()),  # why there is no figure, or an assumption made
    ]
)

#: What the mix of fishing methods does to sublegal deaths.
METHOD_MIX_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        ("case", pa.string()),  # as_given | published_as_fished | all_mooching | all_trolling
        ("method", pa.string()),  # one method's part; null: all methods of the case
        ("fish", pa.float64()),  # sublegal releases
        *numbers(
            "rate_prop",
            "rate_se",
            "deaths",
            "deaths_low",
            "deaths_high",
            "se",
            "ci_low",
            "ci_high",
            "ci_level",
        ),
        *texts("source", "evidence", "reason"),
    ]
)

#: Fish held after capture: deaths with two intervals, and corrected for handling.
HOLDING_RATE_SCHEMA = pa.schema(
    [
        ("trial_id", pa.string()),  # null: all trials together
        ("group", pa.string()),
        ("is_control", pa.bool_()),
        *counts("held", "died"),
        *numbers(
            "hours",
            "rate_prop",
            "wilson_low",
            "wilson_high",
            "exact_low",
            "exact_high",
            "corrected_prop",
            "corrected_se",
            "corrected_low",
            "corrected_high",
            "ci_level",
        ),
        ("reason", pa.string()),
    ]
)

#: The fishery-wide rate: wound sites of a season's fish times rates of the trials.
WOUND_MIX_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("wound_site", pa.string()),  # null: the fishery-wide rate
        ("n_fish", pa.int64()),
        *numbers("share", "rate_prop", "rate_se"),
        ("se_from_mix", pa.float64()),  # of the fishery-wide rate only
        *numbers("se_from_rates", "ci_low", "ci_high", "ci_level"),
        ("reason", pa.string()),
    ]
)

#: Share of held fish alive over time, by group.
SURVIVAL_SCHEMA = pa.schema(
    [
        ("group", pa.string()),
        ("hours", pa.float64()),
        *counts("at_risk", "died"),
        *numbers("alive_prop", "ci_low", "ci_high", "ci_level"),
    ]
)

#: Measured fish by length.
LENGTH_SCHEMA = pa.schema(
    [
        *texts("season", "area", "week"),
        ("source", pa.string()),  # dockside | test_fishing
        ("bin_low_mm", pa.float64()),
        ("bin_mm", pa.float64()),  # width
        *counts("fish", "marked"),
        ("converted", pa.int64()),  # of those, with a total length calculated from another length
        ("min_length_mm", pa.float64()),  # legal line of the area; null where none is given
    ]
)

#: Share of the fish met (test fishing) that would be legal at a minimum length.
LEGAL_SHARE_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        ("min_length_mm", pa.float64()),
        ("is_rule", pa.bool_()),  # the minimum of the season
        *counts("n_fish", "n_legal"),
        *numbers("share", "ci_low", "ci_high", "ci_level"),
        ("reason", pa.string()),
    ]
)

#: How one measure of a fish follows from another.
CONVERSION_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("target", pa.string()),  # total_length_mm | weight_g
        ("given", pa.string()),  # fork_length_mm | total_length_mm
        ("form", pa.string()),  # linear | power | stated_factor
        ("n_fish", pa.int64()),
        *numbers("intercept", "slope", "intercept_se", "slope_se", "residual_sd", "r_squared"),
        ("source", pa.string()),
    ]
)

#: Other species met per angler-hour: a species, then a result row.
BYCATCH_SCHEMA = pa.schema([pa.field("species", pa.string()), *FIGURE_SCHEMA])

RELEASED_SCHEMAS: dict[str, pa.Schema] = {
    "shares": SHARE_SCHEMA,
    "composition": COMPOSITION_SCHEMA,
    "composition_ratio": COMPOSITION_RATIO_SCHEMA,
    "deaths": DEATH_SCHEMA,
    "method_mix_deaths": METHOD_MIX_SCHEMA,
    "holding_rates": HOLDING_RATE_SCHEMA,
    "wound_mix": WOUND_MIX_SCHEMA,
    "survival": SURVIVAL_SCHEMA,
    "lengths": LENGTH_SCHEMA,
    "legal_share": LEGAL_SHARE_SCHEMA,
    "conversions": CONVERSION_SCHEMA,
    "bycatch": BYCATCH_SCHEMA,
}
