"""The demo store: the demo tables whole, and a real revision between two kept bulletins."""

from __future__ import annotations

import pytest

from analytics.bulletin import archive
from analytics.cli import demo_store as demo
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.fish.mark_composition import MARK_QUANTITIES
from analytics.survey.build import seasons_with_data
from tests.sizes import IS_FULL


@pytest.fixture(scope="module")
def prepared(demo_store):
    return Store(demo_store)


def test_the_batches_together_are_the_demo_tables(prepared):
    tables = {
        name: table.sort_by([(key, "ascending") for key in TABLES[name].key])
        for name, table in demo.demo_tables(demo.DEMO_FOLDER).items()
    }
    whole = Snapshot.of(tables)
    for name in TABLES:
        assert prepared.snapshot()[name].equals(whole[name]), name


def test_the_newest_season_has_two_bulletins_and_what_moved_between(prepared):
    folder = archive.archive_of(prepared.path)
    earlier, newest = archive.list_bulletins(folder)[-2:]
    assert earlier.season == newest.season
    assert newest.since == earlier.bulletin
    assert earlier.through < newest.through
    moved = archive.load(folder, newest.bulletin).revisions.to_pylist()
    new = {row["week"] for row in moved if row["kind"] == "new"}
    assert new == {newest.through}
    revised = [row for row in moved if row["kind"] == "revised"]
    correction, week = prepared.batches()[1:3]
    told = [row for row in revised if row["quantity"] not in MARK_QUANTITIES]
    assert {row["batch"] for row in told} == {correction.batch}
    assert {row["sources"] for row in told} == {", ".join(correction.sources)}
    # What the new week tells of marks and classes joins the pools of the weeks before.
    pooled = {row["batch"] for row in revised if row["quantity"] in MARK_QUANTITIES}
    assert any(week.batch in batches for batches in pooled)
    assert {"encounter_fish", "sublegal_prop"} <= {row["quantity"] for row in revised}


def test_every_season_that_is_asked_for_has_a_bulletin(prepared):
    seasons = [card.season for card in archive.list_bulletins(archive.archive_of(prepared.path))]
    every = seasons_with_data(prepared.snapshot())
    asked = every if IS_FULL else every[-1:]
    assert seasons == [*asked, every[-1]]


def test_a_demo_that_an_older_program_wrote_may_lack_a_table(tmp_path):
    for file in demo.DEMO_FOLDER.glob("[!h]*.*"):
        (tmp_path / file.name).symlink_to(file)
    assert set(TABLES) - set(demo.demo_tables(tmp_path)) == {"holidays", "holding_trials"}
