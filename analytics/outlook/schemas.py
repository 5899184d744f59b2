"""The shapes of what a bulletin keeps of a season's limits; readers need pyarrow only."""

from __future__ import annotations

import pyarrow as pa

from analytics.options.schemas import DRAW_SCHEMA
from analytics.result_table import numbers, texts

#: One row a limit: the total so far against it, and where it goes under today's rules.
LIMIT_STATUS_SCHEMA = pa.schema(
    [
        *texts("season", "limit_id"),
        ("areas", pa.string()),  # joined by ";"
        ("quantity", pa.string()),  # several, whose sum is limited, joined by ";"
        ("basis", pa.string()),  # of its released fish: reported | sampled
        ("unit", pa.string()),
        ("limit_fish", pa.float64()),
        ("through", pa.date32()),  # last day of the total
        ("planned_close", pa.date32()),  # last open day of its areas
        ("is_preliminary", pa.bool_()),  # open days are still to come
        *numbers("estimate", "se", "ci_low", "ci_high", "ci_level", "df"),
        ("share_used", pa.float64()),  # estimate / limit_fish; over 1 where it is exceeded
        *numbers("share_used_low", "share_used_high"),
        ("fish_remaining", pa.float64()),  # limit_fish - estimate; below 0 where it is exceeded
        ("prob_exceeded_to_date", pa.float64()),  # that the total so far is over the limit
        ("is_binding", pa.bool_()),  # the one that is reached first
        ("projected_total", pa.float64()),  # total at the planned close, mean of the draws
        *numbers("projected_total_low", "projected_total_high"),
        ("prob_exceeded_by_close", pa.float64()),  # that it is passed by the planned close
        # day by which it is exceeded with probability 10 %, 50 %, 90 %
        ("exceedance_date_p10", pa.date32()),
        ("exceedance_date_p50", pa.date32()),
        ("exceedance_date_p90", pa.date32()),
        ("previous_estimate", pa.float64()),  # of the bulletin before, same weeks
        ("previous_through", pa.date32()),
        *texts("status", "method"),
        ("reason", pa.string()),  # why there is no number; empty where there is one
    ]
)

#: Use of each limit week by week: what was estimated so far, then quantiles of the draws.
LIMIT_PATH_SCHEMA = pa.schema(
    [
        *texts("season", "limit_id", "week"),
        ("day", pa.date32()),  # last day of the week
        ("is_projected", pa.bool_()),
        ("estimate", pa.float64()),  # cumulated; mean of the draws ahead
        *((name, pa.float64()) for name in ("q025", "q10", "q25", "q50", "q75", "q90", "q975")),
    ]
)

#: Scores of a projection, in the units of its figure; lower is better.
SCORES = ("crps", "interval_score_80", "interval_score_95")

#: Past seasons projected as of earlier weeks, beside what was estimated at their end, by method. An
#: interval is that of the final estimate: to date, and what is to come with the estimate's error.
BACKTEST_SCHEMA = pa.schema(
    [
        ("season", pa.string()),  # the past one
        ("through", pa.string()),  # week it is projected from
        ("area", pa.string()),  # null: all areas
        ("quantity", pa.string()),
        ("projected_by", pa.string()),  # model | plain_rule | mixture
        *((name, pa.float64()) for name in ("to_date", "projected_total", "low_80", "high_80")),
        *((name, pa.float64()) for name in ("low_95", "high_95", "final")),
        *numbers(*SCORES),  # of what was still to come
        ("reason", pa.string()),
    ]
)

#: Every projection and trend of a bulletin, one row an output, in the tidy shape of open forecast
#: hubs: a reference date, a target, a horizon, a place, a type of output, its level, its value.
PROJECTION_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("through", pa.string()),  # last week of the data
        ("reference_date", pa.date32()),  # last day of the data
        ("target", pa.string()),  # a quantity to come after it; or rise_of_<response>
        ("horizon", pa.int64()),  # weeks from the reference date to the end of the target
        ("target_end_date", pa.date32()),
        ("area", pa.string()),  # null: all areas
        ("projected_by", pa.string()),  # model | plain_rule | mixture
        ("output_type", pa.string()),  # mean | median | quantile | pmf
        ("output_level", pa.string()),  # probability of a quantile; category of a pmf
        ("value", pa.float64()),
        ("unit", pa.string()),
        ("basis", pa.string()),  # of its fish: reported
    ]
)

#: Projections of bulletins that were issued, beside what came of them by this one.
PROJECTION_SCORE_SCHEMA = pa.schema(
    [
        *texts("bulletin", "season", "through"),
        ("reference_date", pa.date32()),
        ("target", pa.string()),
        ("horizon", pa.int64()),
        ("target_end_date", pa.date32()),
        *texts("area", "projected_by"),
        # Intervals of the estimate of what came: its error is in them.
        *numbers("projected", "median", "low_80", "high_80", "low_95", "high_95"),
        ("came", pa.float64()),  # estimate of what came; 1 or 0 for a rise
        ("came_se", pa.float64()),
        *numbers(*SCORES),
        ("brier", pa.float64()),  # of the probability of a rise
        ("direction", pa.string()),  # what the bulletin called it
    ]
)

#: What every number ahead rests on: codes, by topic.
ASSUMPTION_SCHEMA = pa.schema(
    [
        ("topic", pa.string()),  # one of `TOPICS`
        ("assumption", pa.string()),  # codes
    ]
)
#: Topics of assumptions, and the section of the registry that holds the codes of each.
TOPICS = {
    "limit_status": "Assumptions: limit status",
    "totals_so_far": "Assumptions: totals so far",
    "days_to_come": "Assumptions: days to come",
    "effort": "Assumptions: effort",
    "catch_rate": "Assumptions: catch rate",
    "sublegal_share": "Assumptions: sublegal share",
    "daily_limit": "Assumptions: daily limit",
}

OUTLOOK_SCHEMAS: dict[str, pa.Schema] = {
    "limit_status": LIMIT_STATUS_SCHEMA,
    "limit_paths": LIMIT_PATH_SCHEMA,
    "backtest": BACKTEST_SCHEMA,
    "assumptions": ASSUMPTION_SCHEMA,
    "projections": PROJECTION_SCHEMA,
    "projection_scores": PROJECTION_SCORE_SCHEMA,
    "draws": DRAW_SCHEMA,
}
