"""The shapes of what a bulletin keeps of a season's limits; readers need pyarrow only."""

from __future__ import annotations

import pyarrow as pa

from analytics.options.schemas import DRAW_SCHEMA

#: One row a limit: the total so far against it, and where it goes under today's rules.
STANDING_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("limit_id", pa.string()),
        ("areas", pa.string()),  # joined by ";"
        ("quantity", pa.string()),  # several, whose sum is limited, joined by ";"
        ("unit", pa.string()),
        ("limit_fish", pa.float64()),
        ("through", pa.date32()),  # last day of the total
        ("planned_close", pa.date32()),  # last open day of its areas
        ("is_preliminary", pa.bool_()),  # open days are still to come
        ("estimate", pa.float64()),
        ("se", pa.float64()),
        ("ci_low", pa.float64()),
        ("ci_high", pa.float64()),
        ("ci_level", pa.float64()),
        ("df", pa.float64()),
        ("used", pa.float64()),  # estimate / limit_fish; over 1 where it is passed
        ("used_low", pa.float64()),
        ("used_high", pa.float64()),
        ("remains", pa.float64()),  # limit_fish - estimate; below 0 where it is passed
        ("passed_prob", pa.float64()),  # that the total so far is over the limit
        ("is_binding", pa.bool_()),  # the one that is reached first
        ("expected", pa.float64()),  # total at the planned close, mean of the draws
        ("expected_low", pa.float64()),
        ("expected_high", pa.float64()),
        ("pass_prob", pa.float64()),  # that it is passed by the planned close
        ("date_10", pa.date32()),  # day by which it is passed with probability 10 %, 50 %, 90 %
        ("date_50", pa.date32()),
        ("date_90", pa.date32()),
        ("previous_estimate", pa.float64()),  # of the bulletin before, same weeks
        ("previous_through", pa.date32()),
        ("status", pa.string()),
        ("method", pa.string()),
        ("reason", pa.string()),  # why there is no number; empty where there is one
    ]
)

#: Use of each limit week by week: what was estimated so far, then quantiles of the draws.
FAN_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("limit_id", pa.string()),
        ("week", pa.string()),
        ("day", pa.date32()),  # last day of the week
        ("is_ahead", pa.bool_()),
        ("estimate", pa.float64()),  # cumulated; mean of the draws ahead
        ("q025", pa.float64()),
        ("q10", pa.float64()),
        ("q25", pa.float64()),
        ("q50", pa.float64()),
        ("q75", pa.float64()),
        ("q90", pa.float64()),
        ("q975", pa.float64()),
    ]
)

#: Past seasons projected as of earlier weeks, beside what was estimated at their end.
BACKTEST_SCHEMA = pa.schema(
    [
        ("season", pa.string()),  # the past one
        ("through", pa.string()),  # week it is projected from
        ("area", pa.string()),  # null: all areas
        ("quantity", pa.string()),
        ("to_date", pa.float64()),
        ("expected", pa.float64()),
        ("low_80", pa.float64()),
        ("high_80", pa.float64()),
        ("low_95", pa.float64()),
        ("high_95", pa.float64()),
        ("final", pa.float64()),
        ("reason", pa.string()),
    ]
)

#: What every number ahead rests on, in words.
ASSUMED_SCHEMA = pa.schema([("topic", pa.string()), ("words", pa.string())])

STANDING_SCHEMAS: dict[str, pa.Schema] = {
    "standing": STANDING_SCHEMA,
    "fan": FAN_SCHEMA,
    "backtest": BACKTEST_SCHEMA,
    "assumed": ASSUMED_SCHEMA,
    "draws": DRAW_SCHEMA,
}
