"""What is kept by content: served as it was made, and never after anything behind it changed."""

from __future__ import annotations

import datetime
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from analytics.data import kept as kept_module
from analytics.data.kept import FOLDER, NOT_KEPT, Arrays, Kept, program_key
from analytics.data.snapshot import Snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.outlook import backtest as backtest_module
from analytics.outlook import build as outlook
from analytics.outlook import weekly_series as past_module
from analytics.outlook.weekly_series import past_seasons, season_keys
from tests.simulation import rule_seasons as made
from tests.unit.test_ahead import seasons_alike

TABLE = pa.table({"a": [1.0, None, 3.0], "b": ["x", "y", None]})


class Maker:
    """Makes a table, and counts how often."""

    def __init__(self, table=TABLE):
        self.table, self.n = table, 0

    def __call__(self):
        self.n += 1
        return self.table


def test_an_entry_is_made_once_and_comes_back_as_it_was(tmp_path):
    maker = Maker()
    found = [Kept(tmp_path).table("one", "key", maker) for _ in range(3)]
    assert maker.n == 1
    assert all(each.equals(TABLE) and each.schema.equals(TABLE.schema) for each in found)


def test_without_a_store_nothing_is_kept(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    maker = Maker()
    for _ in range(2):
        assert Kept().table("one", "key", maker).equals(TABLE)
    assert maker.n == 2
    assert not list(tmp_path.iterdir())


def test_another_key_name_or_program_is_another_entry(tmp_path, monkeypatch):
    maker = Maker()
    kept = Kept(tmp_path)
    kept.table("one", "key", maker)
    kept.table("one", "other", maker)
    kept.table("two", "key", maker)
    monkeypatch.setattr(kept_module, "program_key", lambda: program_key() + "x")
    kept.table("one", "key", maker)
    assert maker.n == 4


def test_a_damaged_entry_is_made_anew(tmp_path):
    kept, maker = Kept(tmp_path), Maker()
    kept.table("one", "key", maker)
    (path,) = (tmp_path / FOLDER).iterdir()
    whole = path.read_bytes()
    damaged = [whole[:n] for n in (0, 4, len(whole) // 2, len(whole) - 1)]
    damaged += [
        whole[:at] + bytes([whole[at] ^ 0x5A]) + whole[at + 1 :] for at in range(0, len(whole), 7)
    ]
    for one in damaged:
        path.write_bytes(one)
        assert kept.table("one", "key", maker).equals(TABLE)
    assert maker.n > len(damaged) / 2
    path.write_bytes(whole)
    n = maker.n
    kept.table("one", "key", maker)
    assert maker.n == n


def test_writers_at_once_leave_one_whole_entry(tmp_path):
    makers = [Maker() for _ in range(16)]
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda one: Kept(tmp_path).table("one", "key", one), makers))
    assert all(each.equals(TABLE) for each in found)
    (path,) = (tmp_path / FOLDER).iterdir()
    last = Maker()
    assert Kept(tmp_path).table("one", "key", last).equals(TABLE)
    assert last.n == 0 and path.exists()


def test_where_nothing_can_be_written_the_table_is_made(tmp_path):
    (tmp_path / FOLDER).write_text("a file where the folder should be")
    maker = Maker()
    for _ in range(2):
        assert Kept(tmp_path).table("one", "key", maker).equals(TABLE)
    assert maker.n == 2


def test_entries_used_long_ago_go(tmp_path, monkeypatch):
    monkeypatch.setattr(kept_module, "MOST_ENTRIES", 3)
    left = tmp_path / FOLDER / ".draft-of-a-killed-process"
    left.parent.mkdir()
    left.touch()
    os.utime(left, (0, 0))
    for key in "abcde":
        Kept(tmp_path).table("one", key, Maker())
    assert len(list((tmp_path / FOLDER).iterdir())) == 3


def test_arrays_come_back_to_the_bit():
    arrays = {"m": np.array([[0.1, np.nan], [np.inf, -0.0]]), "none": np.zeros((0, 3))}
    found = Arrays.of(Arrays({"words": ["a", None], "share": 0.1}, arrays).to_table())
    assert found.about == {"words": ["a", None], "share": 0.1}
    for name, one in arrays.items():
        assert found.arrays[name].shape == one.shape
        assert found.arrays[name].tobytes() == one.tobytes()


# Past seasons: which rows their results are made of.

FIRST, NEWEST = "0 " + made.SEASON, "2 " + made.SEASON


@pytest.fixture(scope="module")
def snapshot():
    return seasons_alike(3)


def changed(snapshot, name, column, value, *, season):
    """Return the snapshot with one cell changed in a row of a season."""
    table = snapshot[name]
    key = table.column_names[0] if name != "holidays" else "holiday"
    at = [str(one).startswith(season) for one in table[key].to_pylist()].index(True)
    cells = table[column].to_pylist()
    assert cells[at] != value
    cells[at] = value
    place = table.column_names.index(column)
    table = table.set_column(
        place, table.schema.field(column), pa.array(cells, table.schema.field(column).type)
    )
    return with_table(snapshot, name, table)


def with_table(snapshot, name, table):
    tables = {each: snapshot[each] for each in snapshot.tables}
    return Snapshot.of(tables | {name: table}, version=snapshot.version + 1)


def keys_of(snapshot):
    return season_keys(snapshot, [FIRST, "1 " + made.SEASON])


CELLS = [
    ("interviews", "kept", 99),
    ("interviews", "released_sublegal", None),
    ("interviews", "method", "another"),
    ("site_days", "boats_returned", 999),
    ("seasons", "daily_limit_fish", 7),
]


@pytest.mark.parametrize(("name", "column", "value"), CELLS)
def test_one_cell_of_a_past_season_is_another_key_of_that_season_alone(
    snapshot, name, column, value
):
    before = keys_of(snapshot)
    after = keys_of(changed(snapshot, name, column, value, season="0 "))
    assert before[FIRST] != after[FIRST]
    assert before["1 " + made.SEASON] == after["1 " + made.SEASON]


@pytest.mark.parametrize(("name", "column", "value"), CELLS)
def test_a_cell_of_this_season_is_no_part_of_past_keys(snapshot, name, column, value):
    assert keys_of(snapshot) == keys_of(changed(snapshot, name, column, value, season="2 "))


def test_two_cells_exchanged_between_rows_are_another_key(snapshot):
    table = snapshot["interviews"]
    kept = table["kept"].to_pylist()
    one, other = 0, next(n for n, each in enumerate(kept) if each != kept[0])
    kept[one], kept[other] = kept[other], kept[one]
    place = table.column_names.index("kept")
    swapped = table.set_column(place, table.schema.field("kept"), pa.array(kept, pa.int64()))
    after = keys_of(with_table(snapshot, "interviews", swapped))
    assert after[FIRST] != keys_of(snapshot)[FIRST]


def test_rows_in_another_order_are_the_same_interviews(snapshot):
    table = snapshot["interviews"]
    turned = table.take(pa.array(np.arange(table.num_rows)[::-1]))
    assert keys_of(with_table(snapshot, "interviews", turned)) == keys_of(snapshot)


def test_past_seasons_without_site_days_have_keys_too(snapshot, tmp_path):
    # Of convenience interviews alone, as a programme without drawn days sends them.
    none = with_table(snapshot, "site_days", snapshot["site_days"].slice(0, 0))
    keys = keys_of(none)
    assert list(keys) == list(keys_of(snapshot))
    assert not {*keys.values()} & {*keys_of(snapshot).values()}
    found = past_seasons(none, season=NEWEST, kept=Kept(tmp_path))
    assert found.weekly == [] and list(found.failed) == list(keys)


def test_a_holiday_or_a_rate_of_death_is_part_of_the_key(snapshot):
    day = snapshot["seasons"].filter(pc.equal(snapshot["seasons"]["season"], FIRST))["open_date"]
    holiday = pa.table({"date": day[:1], "holiday": ["invented"]})
    after = keys_of(with_table(snapshot, "holidays", holiday))
    assert after[FIRST] != keys_of(snapshot)[FIRST]
    later = pa.table({"date": [datetime.date(2099, 1, 1)], "holiday": ["invented"]})
    assert keys_of(with_table(snapshot, "holidays", later)) == keys_of(snapshot)
    rates = snapshot["release_rates"].slice(1)
    other = keys_of(with_table(snapshot, "release_rates", rates))
    assert all(other[one] != key for one, key in keys_of(snapshot).items())


def tables_of(snapshot, kept=NOT_KEPT):
    season = prepare_survey(snapshot, season=NEWEST)
    tested = outlook.tested_seasons(season, kept=kept)
    return outlook.limit_tables(season, {}, level=0.95, n_draws=50, tested=tested, kept=kept)


def same(one, other):
    assert set(one) == set(other)
    for name, table in one.items():
        # NaN is not itself: rows are compared as they are written.
        assert table.schema.equals(other[name].schema)
        assert repr(table.to_pylist()) == repr(other[name].to_pylist()), name


@pytest.fixture
def counted(monkeypatch):
    """Return the seasons that were projected, filled as they are."""
    seen = []
    project = backtest_module.backtest

    def of(season, past, **given):
        seen.append([one.season for one in past])
        return project(season, past, **given)

    monkeypatch.setattr(backtest_module, "backtest", of)
    return seen


@pytest.fixture
def patterns(monkeypatch):
    """Return how many past seasons each pattern was made of, filled as they are made."""
    seen = []
    make = past_module.pattern_of

    def of(past, **given):
        seen.append(len(past))
        return make(past, **given)

    monkeypatch.setattr(past_module, "pattern_of", of)
    return seen


def test_past_seasons_are_projected_once_and_again_only_where_they_changed(
    snapshot, counted, patterns, tmp_path
):
    kept = Kept(tmp_path)
    first = tables_of(snapshot, kept)
    assert len(counted) == 1
    n_made = len(patterns)
    assert n_made
    same(first, tables_of(snapshot, kept))
    # A row of this season more, as another week brings: nothing past is made, all numbers as new.
    newer = changed(snapshot, "interviews", "kept", 9, season="2 ")
    warm = tables_of(newer, kept)
    assert len(counted) == 1
    assert len(patterns) == n_made
    same(warm, tables_of(newer))
    assert repr(first["draws"].to_pylist()) != repr(warm["draws"].to_pylist())
    # A row of a past season: made anew, as without anything kept.
    other = changed(snapshot, "interviews", "kept", 9, season="0 ")
    n, n_made = len(counted), len(patterns)
    again = tables_of(other, kept)
    assert len(counted) == n + 1
    assert len(patterns) > n_made
    same(again, tables_of(other))
    assert repr(again["backtest"].to_pylist()) != repr(first["backtest"].to_pylist())


def test_a_past_season_that_cannot_be_estimated_says_why(snapshot, tmp_path):
    table = snapshot["seasons"].to_pandas()
    # Its site-days then lie on closed days.
    table.loc[table["season"] == FIRST, "open_weekdays"] = "1"
    broken = with_table(snapshot, "seasons", pa.Table.from_pandas(table, preserve_index=False))
    for kept in (Kept(), Kept(tmp_path), Kept(tmp_path)):
        found = past_seasons(broken, season=NEWEST, kept=kept)
        assert [one.season for one in found.weekly] == ["1 " + made.SEASON]
        assert list(found.failed) == [FIRST] and found.failed[FIRST]
    rows = tables_of(broken)["backtest"].to_pylist()
    assert [row["reason"] for row in rows if row["season"] == FIRST] == [found.failed[FIRST]]
