"""The tables of lengths: counts by bin, legal shares at many minima, conversions with a source."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from analytics.codes import coded
from analytics.data.schema import TOTAL_PER_FORK
from analytics.estimates.season_survey import prepare_survey
from analytics.released.build import conversion_table, legal_share_table, length_table
from analytics.released.schemas import CONVERSION_SCHEMA, LEGAL_SHARE_SCHEMA, LENGTH_SCHEMA
from tests.tables import MONDAY, SiteDay, interview, survey

LINE = 559.0


def fish(number, length, *, area="A", day=0, **given):
    base = {
        "fish_id": f"f{number:03d}",
        "source": "test_fishing",
        "area": area,
        "date": MONDAY + dt.timedelta(days=day),
        "kept": False,
        "total_length_mm": length,
        "marked": number % 2 == 0,
    }
    return base | given


def opening(area="A", minimum: float | None = LINE, **given):
    return {
        "season": "2030-31",
        "area": area,
        "open_date": MONDAY,
        "close_date": MONDAY + dt.timedelta(days=69),
        "min_length_mm": minimum,
    } | given


def of(rows, *, openings=None, site_days=None):
    sites = {"r1": "A", "r2": "B"}
    units = site_days or [
        SiteDay(1, [interview(kept=1)], site="r1", date=MONDAY + dt.timedelta(days=7)),
        SiteDay(0, [], site="r2"),
    ]
    snapshot = survey(
        units, sites=sites, seasons=openings or [opening("A"), opening("B")], fish=rows
    )
    return prepare_survey(snapshot)


def test_fish_are_counted_by_bin_area_week_and_source():
    rows = [
        fish(0, 559.0),
        fish(1, 579.9),
        fish(2, 580.0),
        fish(3, 560.0, source="dockside", kept=True),
        fish(4, 560.0, day=7),
        fish(5, None, fork_length_mm=530.0, area="B"),
        fish(6, None),
    ]
    table = length_table(of(rows))
    assert table.schema.equals(LENGTH_SCHEMA)
    told = {
        (one["area"], one["week"], one["source"], one["bin_low_mm"]): one
        for one in table.to_pylist()
    }
    assert {key: one["fish"] for key, one in told.items()} == {
        ("A", "2031-W02", "test_fishing", 540.0): 1,
        ("A", "2031-W02", "test_fishing", 560.0): 1,
        ("A", "2031-W02", "test_fishing", 580.0): 1,
        ("A", "2031-W02", "dockside", 560.0): 1,
        ("A", "2031-W03", "test_fishing", 560.0): 1,
        ("B", "2031-W02", "test_fishing", 560.0): 1,
    }
    assert {one["bin_mm"] for one in told.values()} == {20.0}
    assert {one["min_length_mm"] for one in told.values()} == {LINE}
    assert told["B", "2031-W02", "test_fishing", 560.0]["converted"] == 1
    assert sum(one["marked"] for one in told.values()) == 3


def test_a_kept_undersized_fish_stays_in_the_length_table_and_in_the_sums():
    rows = [fish(0, 530.0, source="dockside", kept=True, interview_id="s00000-0")]
    season = of(rows)
    (row,) = length_table(season).to_pylist()
    assert (row["bin_low_mm"], row["fish"]) == (520.0, 1)
    assert row["min_length_mm"] == LINE


def test_legal_shares_are_of_test_fishing_only():
    rows = [
        *(fish(number, 500.0 + 10 * number) for number in range(10)),  # 500 to 590
        *(fish(number, 800.0, source="dockside", kept=True) for number in range(20, 40)),
    ]
    table = legal_share_table(of(rows), level=0.9)
    assert table.schema.equals(LEGAL_SHARE_SCHEMA)
    of_a = [one for one in table.to_pylist() if one["area"] == "A"]
    assert [one["min_length_mm"] for one in of_a] == [
        *(500.0 + 10 * step for step in range(6)),
        LINE,
        *(560.0 + 10 * step for step in range(4)),
    ]
    (rule,) = [one for one in of_a if one["is_rule"]]
    assert (rule["min_length_mm"], rule["n_legal"], rule["n_fish"]) == (LINE, 4, 10)
    assert rule["share"] == 0.4
    assert rule["ci_low"] < 0.4 < rule["ci_high"]
    assert rule["ci_level"] == 0.9
    assert of_a[0]["share"] == 1.0


def test_an_area_without_test_fishing_says_so():
    table = legal_share_table(of([fish(0, 600.0)]), level=0.95).to_pylist()
    (of_b,) = [one for one in table if one["area"] == "B"]
    assert (of_b["is_rule"], of_b["n_fish"], of_b["share"]) == (True, 0, None)
    assert "no_test_lengths" in of_b["reason"]


def test_a_season_without_a_fish_has_its_rule_and_no_share():
    table = legal_share_table(of([]), level=0.95).to_pylist()
    assert [(one["area"], one["share"]) for one in table] == [
        (None, None),
        ("A", None),
        ("B", None),
    ]
    assert length_table(of([])).num_rows == 0


def test_areas_with_minima_of_their_own_name_them():
    rows = [fish(number, 500.0 + 20 * number) for number in range(8)]
    openings = [opening("A"), opening("B", 610.0)]
    table = legal_share_table(of(rows, openings=openings), level=0.95).to_pylist()
    rules = [one for one in table if one["area"] is None and one["is_rule"]]
    assert [one["min_length_mm"] for one in rules] == [LINE, 610.0]
    assert rules[1]["reason"].endswith("minimum_of(areas=B)")


def test_a_season_without_a_minimum_still_has_shares():
    rows = [fish(number, 500.0 + 20 * number) for number in range(4)]
    table = legal_share_table(of(rows, openings=[opening("A", None)]), level=0.95).to_pylist()
    assert len(table) == 2 * 7
    assert not any(one["is_rule"] for one in table)
    assert all(one["share"] is not None for one in table)


def test_fish_without_a_length_are_told():
    table = legal_share_table(of([fish(0, 600.0), fish(1, None)]), level=0.95).to_pylist()
    assert all("without_length(n=1)" in one["reason"] for one in table if one["n_fish"])


def both_measures(n, *, seed=3):
    chance = np.random.default_rng(seed)
    total = chance.uniform(400, 900, n)
    return [
        fish(
            number,
            length,
            fork_length_mm=0.94 * length + error,
            weight_g=1e-5 * length**3,
        )
        for number, (length, error) in enumerate(zip(total, chance.normal(0, 2, n), strict=True))
    ]


def test_conversions_of_a_season_with_fish_enough():
    table = conversion_table(of(both_measures(40)))
    assert table.schema.equals(CONVERSION_SCHEMA)
    length, weight = table.to_pylist()
    assert (length["target"], length["given"]) == ("total_length_mm", "fork_length_mm")
    assert (length["form"], length["n_fish"]) == ("linear", 40)
    assert length["slope"] == pytest.approx(1 / 0.94, abs=0.01)
    assert (weight["target"], weight["given"]) == ("weight_g", "total_length_mm")
    assert (weight["form"], weight["n_fish"]) == ("power", 40)
    assert weight["slope"] == pytest.approx(3)
    assert np.exp(weight["intercept"]) == pytest.approx(1e-5)
    assert all(one["source"] for one in (length, weight))


def test_conversions_of_few_fish_are_stated_factors_with_nulls():
    table = conversion_table(of(both_measures(5)))
    length, weight = table.to_pylist()
    assert (length["form"], length["slope"]) == ("stated_factor", pytest.approx(TOTAL_PER_FORK))
    assert (weight["form"], weight["slope"]) == ("stated_factor", pytest.approx(1.2))
    names = ("regression_of_lengths", "regression_of_weight")
    for one, name in zip((length, weight), names, strict=True):
        assert one["intercept"] is one["slope_se"] is one["residual_sd"] is None
        assert one["n_fish"] == 0
        assert coded(name, n=5, span="season") in one["source"]


def test_no_table_holds_a_number_that_is_none():
    season = of([*both_measures(40), fish(50, None), fish(51, 600.0, area="B")])
    tables: list[pa.Table] = [
        length_table(season),
        legal_share_table(season, level=0.95),
        conversion_table(season),
    ]
    for table in tables:
        for field in table.schema:
            if pa.types.is_floating(field.type):
                assert not pc.any(pc.is_nan(table[field.name])).as_py(), field.name
