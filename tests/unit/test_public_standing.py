"""A season's limits as the public sees them."""

from __future__ import annotations

import pyarrow as pa

from analytics.bulletin.publication import WITHHELD, public_standing
from analytics.options.schemas import DRAW_SCHEMA
from analytics.outlook.schemas import LIMIT_PATH_SCHEMA, LIMIT_STATUS_SCHEMA


def table(schema, *rows):
    blank = dict.fromkeys(schema.names)
    return pa.Table.from_pylist([blank | row for row in rows], schema)


def shown():
    sure = {
        "limit_id": "sure",
        "estimate": 100.0,
        "se": 50.0,
        "share_used": 0.5,
        "projected_total": 150.0,
    }
    rough = {
        "limit_id": "rough",
        "estimate": 100.0,
        "se": 51.0,
        "share_used": 0.5,
        "projected_total": 150.0,
    }
    weeks = [
        {"limit_id": "sure", "estimate": 80.0},
        {"limit_id": "sure", "estimate": 100.0, "q025": 10.0, "q975": 190.0, "is_projected": True},
        {"limit_id": "sure", "estimate": 100.0, "q025": 0.0, "q975": 200.0, "is_projected": True},
        {"limit_id": "rough", "estimate": 80.0},
    ]
    draws = {"array": "rate", "values": [1.0]}
    return public_standing(
        {
            "limit_status": table(
                LIMIT_STATUS_SCHEMA, sure, rough | {"prob_exceeded_by_close": 0.4}
            ),
            "limit_paths": table(LIMIT_PATH_SCHEMA, *weeks),
            "draws": table(DRAW_SCHEMA, draws),
        }
    )


def test_an_unsure_total_is_withheld_with_all_that_follows_from_it():
    sure, rough = shown()["limit_status"].to_pylist()
    assert (sure["estimate"], sure["projected_total"], sure["reason"]) == (100.0, 150.0, None)
    assert rough["reason"] == WITHHELD
    told = {name for name, value in rough.items() if value is not None}
    assert told == {"limit_id", "reason"}


def test_fans_end_where_they_are_too_wide_and_draws_are_not_for_the_public():
    found = shown()
    assert found["limit_paths"]["estimate"].to_pylist() == [80.0, 100.0]
    assert found["limit_paths"]["q025"].to_pylist() == [None, 10.0]
    assert found["draws"].num_rows == 0
    assert public_standing({}) == {}
