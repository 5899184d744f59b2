"""The shapes of kept draws and of answers to a set of options; readers need pyarrow only."""

from __future__ import annotations

import pyarrow as pa

from analytics.result_table import numbers, texts

#: The draws themselves, one row a series of one draw each: `array` is a field of
#: `analytics.options.baseline.Baseline`; labels that it lacks are null. What is one number (a rule,
#: a measured length) has as many values as it has numbers; rows of rates stand in `key` as JSON.
DRAW_SCHEMA = pa.schema(
    [
        ("array", pa.string()),
        ("key", pa.string()),  # quantity, part, class, size or normal number
        *texts("area", "method", "week"),
        ("day", pa.date32()),
        ("values", pa.list_(pa.float32())),
    ]
)

#: Season totals of an option: so far and to come. `estimate` is the mean of the draws; differences
#: are from today's rule, draw by draw.
FIGURE_SCHEMA = pa.schema(
    [
        ("option", pa.string()),
        ("area", pa.string()),  # null: all areas
        *texts("quantity", "unit"),
        *numbers(
            "estimate",
            "ci_low",
            "ci_high",
            "difference",
            "difference_low",
            "difference_high",
            "ci_level",
        ),
    ]
)

#: Each limit under each option.
LIMIT_EXCEEDANCE_SCHEMA = pa.schema(
    [
        *texts("option", "limit_id"),
        *numbers(
            "limit_fish", "estimate", "ci_low", "ci_high", "ci_level", "prob_exceeded_by_close"
        ),
        ("prob_exceeded_by_close_difference", pa.float64()),  # from today's rule
        ("prob_exceeded_by_close_difference_se", pa.float64()),  # of the number of draws alone
        ("exceedance_date_p10", pa.date32()),
        ("exceedance_date_p50", pa.date32()),
        ("exceedance_date_p90", pa.date32()),
    ]
)

#: Which options another beats on every count.
DOMINANCE_SCHEMA = pa.schema(
    [("option", pa.string()), ("is_dominated", pa.bool_()), ("dominated_by", pa.string())]
)

#: Every assumption of an option; `assumption` holds codes.
ASSUMPTION_SCHEMA = pa.schema([("option", pa.string()), ("assumption", pa.string())])

ANSWER_SCHEMAS: dict[str, pa.Schema] = {
    "figures": FIGURE_SCHEMA,
    "limit_exceedance": LIMIT_EXCEEDANCE_SCHEMA,
    "dominance": DOMINANCE_SCHEMA,
    "assumptions": ASSUMPTION_SCHEMA,
}

#: How far a rule may go (`analytics.options.solve`), one row a risk. `value` is as in an option
#: file: a first closed day, fish, digits of days, mm, a first day of marked fish only; empty for
#: the rule as it stands. `limit_id` null: all limits together. The band is of the draws' number.
SOLVED_SCHEMA = pa.schema(
    [
        *texts("option", "find", "areas", "limit_id"),
        ("risk", pa.float64()),
        ("is_asked", pa.bool_()),
        *texts("reason", "value"),
        ("last_open_day", pa.date32()),
        *texts("band_low", "band_high"),
        *numbers("prob", "prob_low", "prob_high", "prob_next", "marked_days_prop"),
        *numbers("angler_trips", "kept_fish"),
        ("is_monotone", pa.bool_()),
        # limit that most draws exceed at the choice given, where all limits are asked for
        *texts("values_within", "most_exceeded_id"),
    ]
)

#: The probability of exceeding, of each choice of the rule that was asked about.
RISK_CURVE_SCHEMA = pa.schema(
    [
        *texts("option", "find", "limit_id", "value"),
        ("last_open_day", pa.date32()),
        *numbers("prob", "prob_low", "prob_high", "angler_trips", "kept_fish"),
    ]
)

#: Opportunity against risk over a grid of rules (`analytics.options.solve`); null: as it stands.
FRONTIER_SCHEMA = pa.schema(
    [
        *texts("option", "areas", "limit_id"),
        ("close_from", pa.date32()),
        ("last_open_day", pa.date32()),
        ("daily_limit_fish", pa.int64()),
        ("open_weekdays", pa.string()),
        ("min_length_mm", pa.float64()),
        ("marked_from", pa.date32()),  # only marked fish may be kept from this day on
        *numbers("prob", "prob_low", "prob_high", "angler_trips", "kept_fish"),
        ("is_dominated", pa.bool_()),
    ]
)

#: Tables of an answer whose options ask how far a rule may go.
INVERSE_SCHEMAS: dict[str, pa.Schema] = {
    "solved": SOLVED_SCHEMA,
    "risk_curve": RISK_CURVE_SCHEMA,
    "frontier": FRONTIER_SCHEMA,
}
