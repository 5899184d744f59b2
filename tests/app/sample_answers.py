"""An answer to three options, written by hand: every case of the page Compare rule changes."""

from __future__ import annotations

from datetime import date
from typing import Any

import pyarrow as pa

from analytics.options.report import COUNTS
from analytics.options.schemas import ANSWER_SCHEMAS
from analytics.quantities import QUANTITIES

Row = dict[str, Any]

TODAY, CLOSE, UNSURE, IDLE = "Today's rule", "Close <b>VEL</b>", "One fish", "As now"
OPTIONS = (TODAY, CLOSE, UNSURE, IDLE)
#: Totals under today's rule, and differences with their ends of each option.
TOTALS = dict(zip(COUNTS, (40000.0, 16000.0, 50000.0, 28000.0, 24000.0), strict=True))
MOVED = {
    TODAY: dict.fromkeys(COUNTS, (0.0, 0.0, 0.0)),
    CLOSE: dict.fromkeys(COUNTS, (-2100.0, -2600.0, -1700.0))
    | {"total_deaths_fish": (-320.0, -470.0, -180.0)},
    UNSURE: dict.fromkeys(COUNTS, (-30.0, -120.0, 60.0))
    | {"kept_fish": (400.0, 250.0, 560.0), "angler_trips": (0.0, 0.0, 0.0)},
    IDLE: dict.fromkeys(COUNTS, (0.0, 0.0, 0.0)),
}
#: Probability of exceeding each limit, and the day by which it is likelier passed than not.
REACH = {
    ("S-1", TODAY): (0.64, date(2036, 3, 14)),
    ("S-1", CLOSE): (0.12, None),
    ("S-1", UNSURE): (0.645, date(2036, 3, 14)),
    ("S-1", IDLE): (0.64, date(2036, 3, 14)),
    ("S-3", TODAY): (0.72, date(2036, 4, 2)),
    ("S-3", CLOSE): (0.52, date(2036, 4, 10)),
    ("S-3", UNSURE): (0.719, date(2036, 4, 2)),
    ("S-3", IDLE): (0.72, date(2036, 4, 2)),
}
SHARED, OWN = "rates of death stay as they are", "anglers of closed days stay at home"


def tables(**other: Any) -> dict[str, pa.Table]:
    """Return the tables of the answer; `other` are lines in the place of those of a table."""
    made = {
        "figures": [
            _figure(name, area, one) for name in OPTIONS for area in (None, "A2") for one in COUNTS
        ],
        "limit_exceedance": [_reach(limit, name) for limit, name in REACH],
        "dominance": [
            {
                "option": name,
                "is_dominated": name == IDLE,
                "dominated_by": UNSURE if name == IDLE else None,
            }
            for name in OPTIONS
        ],
        "assumptions": [
            *({"option": name, "assumption": SHARED} for name in OPTIONS),
            {"option": CLOSE, "assumption": OWN},
        ],
    } | other
    return {
        name: pa.Table.from_pylist(lines, schema=ANSWER_SCHEMAS[name])
        for name, lines in made.items()
    }


def _figure(name: str, area: str | None, quantity: str) -> Row:
    part = 1.0 if area is None else 0.25
    total = part * TOTALS[quantity]
    moved = [part * one for one in MOVED[name][quantity]]
    return {
        "option": name,
        "area": area,
        "quantity": quantity,
        "unit": QUANTITIES[quantity].unit,
        "estimate": total + moved[0],
        "ci_low": 0.9 * (total + moved[0]),
        "ci_high": 1.12 * (total + moved[0]),
        **dict(zip(("difference", "difference_low", "difference_high"), moved, strict=True)),
        "ci_level": 0.95,
    }


def _reach(limit: str, name: str) -> Row:
    chance, half = REACH[(limit, name)]
    moved = chance - REACH[(limit, TODAY)][0]
    return {
        "option": name,
        "limit_id": limit,
        "limit_fish": 2400.0,
        "estimate": 2300.0,
        "ci_low": 2000.0,
        "ci_high": 2700.0,
        "ci_level": 0.95,
        "prob_exceeded_by_close": chance,
        "prob_exceeded_by_close_difference": moved,
        "prob_exceeded_by_close_difference_se": 0.011 if moved else 0.0,
        "exceedance_date_p10": date(2036, 3, 3),
        "exceedance_date_p50": half,
        "exceedance_date_p90": None,
    }
