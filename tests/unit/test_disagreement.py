"""The sentence that names where reported and sampled encounters differ by more than chance."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pyarrow as pa
import pytest

from analytics.released.schemas import COMPOSITION_RATIO_SCHEMA
from analytics.wording.week import bases_apart_in_season, bases_apart_in_week

if TYPE_CHECKING:
    from analytics.wording.bulletin_index import BulletinIndex

WEEK = "2036-W05"


def index_of(*lines: tuple[str | None, str | None, float | None, float | None]) -> BulletinIndex:
    """Return an index with ratios of all encounters: area, week and ends of the interval."""
    rows = [
        {
            "area": area,
            "week": week,
            "quantity": "encounter_fish",
            "ratio": 0.7,
            "ci_low": low,
            "ci_high": high,
            "ci_level": 0.95,
        }
        for area, week, low, high in lines
    ]
    table = pa.Table.from_pylist(rows, schema=COMPOSITION_RATIO_SCHEMA)
    bulletin = SimpleNamespace(table=lambda name: table)
    found = SimpleNamespace(bulletin=bulletin, name=lambda area: f"Area {area}")
    return cast("BulletinIndex", found)


def test_a_ratio_that_excludes_1_is_named_with_its_interval() -> None:
    index = index_of(("A", WEEK, 0.5, 0.9), ("B", WEEK, 0.6, 1.2), ("A", None, 0.5, 0.9))
    words = bases_apart_in_week(index, areas=(None, "A", "B"), week=WEEK)
    assert "Area A" in words
    assert "Area B" not in words
    assert "0.50 to 0.90" in words


@pytest.mark.parametrize("ends", [(0.6, 1.2), (1.0, 2.0), (None, None), (0.5, None)])
def test_nothing_is_said_where_1_lies_inside_or_there_is_no_interval(
    ends: tuple[float | None, float | None],
) -> None:
    index = index_of(("A", WEEK, *ends))
    assert bases_apart_in_week(index, areas=("A",), week=WEEK) == ""


def test_the_season_has_a_sentence_of_its_own() -> None:
    index = index_of((None, None, 1.1, 1.9), ("A", WEEK, 0.5, 0.9))
    (words,) = bases_apart_in_season(index, areas=(None, "A"))
    assert "over all areas" in words
