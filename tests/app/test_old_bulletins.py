"""Bulletins of every format that was ever kept open on every page, and are listed.

The samples were made from the demo's data by the program of their time; rows were left out since.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.bulletin import archive
from dashboard.pages import RESULTS
from tests.app.reading import words_of

UNIT = Path(__file__).parents[1] / "unit"
#: Folder of a sample, and the version of its format.
SAMPLES = {"old_bulletin": 1, "old_bulletin_2": 2, "old_bulletin_3": 3}


def test_there_is_a_sample_of_every_format():
    assert set(SAMPLES.values()) == set(range(1, archive.SCHEMA_VERSION + 1))


@pytest.mark.parametrize("folder", SAMPLES)
def test_a_sample_is_listed_and_read_whole(folder):
    cards, damaged = archive.sorted_bulletins(UNIT / folder)
    assert [one.schema_version for one in cards] == [SAMPLES[folder]]
    assert damaged == []
    read = archive.load(UNIT / folder, cards[0].bulletin)
    assert all(read.table(name).schema == of for name, of in archive.TABLE_SCHEMAS.items())
    for name, column in {
        "alternative_estimates": "alternative",
        "assumptions": "assumption",
    }.items():
        assert read.table(name)[column].null_count == 0
        assert read.table(name).num_rows


@pytest.mark.parametrize("page", RESULTS)
@pytest.mark.parametrize("folder", SAMPLES)
def test_a_sample_opens_on_every_page(folder, page, opener):
    shown = opener(f"app_pages/{page}.py")(folder=UNIT / folder)
    assert not shown.exception
    assert not shown.error
    assert len(words_of(shown)) > 200


def test_a_sample_from_before_parts_of_variances_says_that_it_has_none(opener):
    (card,), _ = archive.sorted_bulletins(UNIT / "old_bulletin")
    assert "variance_budget" not in card.tables
    shown = opener("app_pages/alternative_estimates.py")(folder=UNIT / "old_bulletin")
    assert "kept without the parts of its variances" in words_of(shown)
