"""The survey's figures beside the index are those of the result table, with its changes."""

import pytest

from analytics.bulletin import archive


@pytest.fixture(scope="module")
def bulletin(demo_store):
    folder = archive.archive_of(demo_store)
    return archive.load(folder, archive.list_bulletins(folder)[-1].bulletin)


QUANTITY = {"encounters": "encounters_per_angler_hour", "sublegal": "sublegal_prop"}


def by_place(table, **where):
    rows = table.to_pylist()
    return {
        (row["area"], row["week"]): row
        for row in rows
        if all(row[name] == value for name, value in where.items())
    }


@pytest.mark.parametrize("response", QUANTITY)
def test_intervals_are_those_of_the_result_rows(bulletin, response):
    index = by_place(bulletin.rates["index"], response=response)
    rows = by_place(bulletin.rows, quantity=QUANTITY[response])
    compared = [place for place in index if place in rows and place[1] is not None]
    assert len(compared) > 40
    for place in compared:
        for own, other in (("estimate", "estimate"), ("low", "ci_low"), ("high", "ci_high")):
            assert index[place][f"survey_{own}"] == rows[place][other], place


@pytest.mark.parametrize("response", QUANTITY)
def test_words_are_those_of_the_changes(bulletin, response):
    index = by_place(bulletin.rates["index"], response=response)
    changes = by_place(bulletin.changes, quantity=QUANTITY[response])
    assert len(changes) > 40
    for place, change in changes.items():
        assert index[place]["survey_direction"] == change["direction"], place
        assert index[place]["survey_change_low"] == change["ci_low"], place


def test_a_rate_beside_the_models_has_moderated_intervals(bulletin):
    index = by_place(bulletin.rates["index"], response="kept")
    some = [row for row in index.values() if row["survey_low"] is not None]
    assert len(some) > 40
    assert all(row["survey_low"] <= row["survey_estimate"] <= row["survey_high"] for row in some)
    assert "kept_per_angler_hour" not in set(bulletin.rows["quantity"].to_pylist())
