"""Kept draws: what comes back is what was kept, in single precision."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analytics.errors import UsageError
from analytics.options.baseline_io import from_table, to_table
from analytics.options.schemas import DRAW_SCHEMA
from tests.season_cases import small_baseline


def same(one: object, other: object) -> None:
    if isinstance(one, dict):
        assert list(one) == list(other)
        for key in one:
            same(one[key], other[key])
    elif hasattr(one, "__slots__"):
        for field in fields(one):
            same(getattr(one, field.name), getattr(other, field.name))
    elif isinstance(one, np.ndarray):
        assert one.shape == other.shape
        if one.dtype.kind == "f":
            np.testing.assert_array_equal(one.astype(np.float32), other.astype(np.float32))
        else:
            np.testing.assert_array_equal(one, other)
    else:
        assert one == other


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"n_weeks": 0, "n_closed_weeks": 0},
        {"areas": ("VEL",), "methods": ("",), "n_draws": 3},
        {"lengths": {}, "rates": (), "drop_off_rates": (), "normal": {}},
    ],
    ids=["usual", "season over", "one area and method", "no rates and lengths"],
)
def test_a_baseline_comes_back_through_a_file(given, tmp_path):
    baseline = small_baseline(**given)
    table = to_table(baseline)
    assert table.schema == DRAW_SCHEMA
    pq.write_table(table, tmp_path / "draws.parquet")
    same(baseline, from_table(pq.read_table(tmp_path / "draws.parquet")))


def test_an_area_in_a_slice_of_a_longer_table_comes_back():
    baseline = small_baseline()
    table = to_table(baseline)
    longer = pa.concat_tables([table, table])
    same(baseline, from_table(longer.slice(table.num_rows)))


def test_a_table_without_draws_is_refused_in_words():
    with pytest.raises(UsageError, match="keeps no draws"):
        from_table(DRAW_SCHEMA.empty_table())
