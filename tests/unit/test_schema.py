"""The schema against the stable names of the interface."""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.data.schema import TABLES, ColumnKind

#: The stable names of the interface; a star marks the key.
STABLE = {
    "areas": "area*, area_name",
    "area_outlines": "area*, outline",
    "sites": "site*, site_name, area, longitude, latitude, draw_weight",
    "seasons": "season*, area*, open_date*, close_date, open_weekdays, day_groups, design, "
    "min_length_mm, daily_limit_fish, mark_selective",
    "holidays": "date*, holiday",
    "site_days": "sample_id*, site, date, boats_returned, frame_site_days, stratum, "
    "draw_probability",
    "planned_site_days": "sample_id*, season, site, date, stratum_name, frame_size, "
    "inclusion_prob, draw_order, is_reserve, sampler, seed, state, reason",
    "interviews": "interview_id*, sample_id, site, date, area, anglers, hours_fished, "
    "trip_complete, method, kept, released_legal, released_sublegal, released_unknown, "
    "kept_marked, released_legal_marked, released_sublegal_marked, released_deep_hooked",
    "fish": "fish_id*, source, interview_id, date, area, method, kept, total_length_mm, "
    "fork_length_mm, weight_g, marked, wound_site, test_trip_id",
    "bycatch": "interview_id*, species*, kept, released",
    "boat_counts": "count_id*, area, date, time, boats",
    "coverage": "area*, date*, boats_contacted, boats_to_listed_sites",
    "release_rates": "size_class*, method*, wound_class*, rate_prop, rate_se, source",
    "drop_off": "method*, rate_prop, rate_se, base, source",
    "limits": "limit_id*, season, areas, quantity, limit_fish",
    "holding_trials": "trial_id*, group*, held, died, hours",
}
#: Optional columns of ours that came later.
OURS = {"site_days": ["tide_range_m"], "planned_site_days": ["draw_probability"]}
CHANGES = Path(__file__).parents[2] / "analytics" / "docs" / "changes.md"


def test_the_tables_are_stable() -> None:
    assert list(TABLES) == list(STABLE)


@pytest.mark.parametrize("name", STABLE)
def test_the_columns_are_stable(name: str) -> None:
    columns = STABLE[name].split(", ")
    table = TABLES[name]
    ours = OURS.get(name, [])
    assert list(table.arrow_schema.names) == [column.rstrip("*") for column in columns] + ours
    changes = CHANGES.read_text()
    assert all(f"`{column}` of `{name}`" in " ".join(changes.split()) for column in ours)
    assert not any(table.column(column).filled for column in ours)
    assert table.key == tuple(column[:-1] for column in columns if column.endswith("*"))


def test_references_point_backwards_to_a_key() -> None:
    order = list(TABLES)
    for table in TABLES.values():
        for column in table.columns:
            if column.refers_to:
                other, key = column.refers_to.split(".")
                assert order.index(other) < order.index(table.name)
                assert TABLES[other].key == (key,)


def test_keys_are_never_empty_and_numbers_have_units() -> None:
    numbers = {ColumnKind.COUNT, ColumnKind.NUMBER, ColumnKind.PROPORTION}
    for table in TABLES.values():
        assert all(table.column(name).filled for name in table.key)
        for column in table.columns:
            assert bool(column.unit) == (column.kind in numbers), (table.name, column.name)
