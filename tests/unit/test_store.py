"""The store: versions, supersession, withdrawal, what a kill leaves, clear refusals."""

from __future__ import annotations

import datetime as dt
import getpass
import hashlib
import os
import shutil
import time
from multiprocessing import get_context
from pathlib import Path

import pyarrow as pa
import pytest
from filelock import FileLock

from analytics.data import importing, query
from analytics.data.schema import TABLES
from analytics.data.store import Store, delta, rows, verify_store
from analytics.data.store.record import Counts
from analytics.errors import DataRejected, StoreError, UsageError
from analytics.whole_files import DESK

#: Its processes are forked from one that has loaded this file and run nothing.
FORKS = get_context("forkserver")
FORKS.set_forkserver_preload([__name__])


def areas(**names: str | None) -> dict[str, pa.Table]:
    """Return a batch of areas by name."""
    data = {"area": list(names), "area_name": list(names.values())}
    return {"areas": pa.table(data, schema=pa.schema([(c, pa.string()) for c in data]))}


def test_a_new_store_is_version_zero_and_writes_nothing(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    assert store.version == 0
    assert not (tmp_path / "s").exists()


def test_rows_come_back_in_key_order_with_types(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    day = dt.date(2031, 2, 3)
    rows = {
        "sites": pa.table(
            {
                "site": ["r2", "r1"],
                "area": ["a", "a"],
                "longitude": [0.1 + 0.2, None],
                "draw_weight": [5e-324, -0.0],
            }
        ),
        "holidays": pa.table({"date": [day], "holiday": ["Frost Day"]}),
    }
    receipt = store.add(rows, sources=["x.csv"])
    assert receipt.version == store.version == 1
    back = store.read("sites")
    assert back["site"].to_pylist() == ["r1", "r2"]
    assert back["longitude"].to_pylist() == [None, 0.1 + 0.2]
    assert [str(v) for v in back["draw_weight"].to_pylist()] == ["-0.0", "5e-324"]
    assert store.read("holidays").to_pylist() == [{"date": day, "holiday": "Frost Day"}]
    assert back["latitude"].null_count == 2


def test_the_same_rows_change_nothing(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    store.add(areas(a="A", b=None))
    receipt = store.add(areas(b=None, a="A"))
    assert receipt.batch is None
    assert receipt.counts["areas"] == Counts(unchanged=2)
    assert store.version == 1


def test_changed_rows_supersede_and_the_old_stay(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    store.add(areas(a="A", b="B"))
    receipt = store.add(areas(a="A", b=None, c="C"))
    assert receipt.counts["areas"] == Counts(new=1, changed=1, unchanged=1)
    assert store.read("areas")["area_name"].to_pylist() == ["A", None, "C"]
    assert store.read("areas", as_of=1)["area_name"].to_pylist() == ["A", "B"]
    assert store.read("areas", as_of=0).num_rows == 0


@pytest.mark.parametrize("small_files", [query.SMALL_FILES, 0], ids=["loaded", "in_files"])
def test_withdrawing_brings_the_old_rows_back(
    small_files: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(query, "SMALL_FILES", small_files)
    store = Store(tmp_path / "s")
    store.add(areas(a="A"))
    second = store.add(areas(a="A2", b="B")).batch
    assert second is not None
    gone = store.withdraw(second)
    assert gone.withdrawn_version == store.version == 3
    assert store.read("areas").to_pylist() == [{"area": "a", "area_name": "A"}]
    assert store.read("areas", as_of=2).num_rows == 2
    assert [batch.withdrawn_version for batch in store.batches()] == [None, 3]


def test_withdrawing_takes_the_beginning_of_an_id_and_refuses_others(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    store.add(areas(a="A"))
    with pytest.raises(UsageError, match="no batch 'b0009'"):
        store.withdraw("b0009")
    for slip in ("", "b", "b000", "b0001-x", "b00012"):
        with pytest.raises(UsageError, match="such as b0003; there are: b0001-"):
            store.withdraw(slip)
    store.withdraw("b0001")
    with pytest.raises(UsageError, match="withdrawn already"):
        store.withdraw("b0001")
    assert store.version == 2


def test_a_batch_put_back_has_its_old_place(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    store.add(interviews(a=1))
    second = store.add(interviews(a=2, b=2)).batch
    assert second is not None
    store.withdraw(second)
    # Nothing showed then that `b` was there before: it is counted as new.
    later = store.add(interviews(b=3, c=3))
    assert later.counts["interviews"] == Counts(new=2)
    back = store.withdraw("b0002", undo=True)
    assert (back.restored_version, back.withdrawn_version, store.version) == (5, None, 5)
    assert kept_on_disk(store) == {"a": 2, "b": 3, "c": 3}
    assert store.read("interviews", as_of=4)["kept"].to_pylist() == [1, 3, 3]
    assert [event.event for event in store.events()][-2:] == ["imported", "restored"]
    store.withdraw("b0002")
    assert kept_on_disk(store) == {"a": 1, "b": 3, "c": 3}
    assert [one.restored_version for one in store.batches()] == [None, None, None]


@pytest.mark.parametrize("small_files", [query.SMALL_FILES, 0], ids=["loaded", "in_files"])
def test_putting_back_is_refused_where_it_would_break_a_rule(
    small_files: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(query, "SMALL_FILES", small_files)
    store = Store(tmp_path / "s")
    site = {"sites": pa.table({"site": ["r"], "area": ["b"]})}
    store.add(areas(a="A"))
    store.add(areas(b="B"))
    store.add(site)
    with pytest.raises(UsageError, match="not withdrawn: there is nothing to undo"):
        store.withdraw("b0003", undo=True)
    store.withdraw("b0003")
    store.withdraw("b0002")
    with pytest.raises(DataRejected, match="stays out: with it 1 error would stand") as refused:
        store.withdraw("b0003", undo=True)
    assert refused.value.findings[0].column == "area"
    assert store.read("sites").num_rows == 0
    store.withdraw("b0002", undo=True)
    store.withdraw("b0003", undo=True)
    assert store.read("sites")["site"].to_pylist() == ["r"]


def test_what_is_said_of_a_batch_is_kept_with_it(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    store.add(areas(a="A"), about={"reason": "the first – »è«"})
    store.add(areas(b="B"))
    assert [dict(one.about) for one in Store(store.path).batches()] == [
        {"reason": "the first – »è«"},
        {},
    ]


@pytest.mark.parametrize("kept", ["old_store_1", "old_store_2"])
def test_stores_of_earlier_versions_are_read(kept: str, tmp_path: Path) -> None:
    shutil.copytree(Path(__file__).parent / kept, tmp_path / "s")
    store = Store(tmp_path / "s")
    shown = [store.read("areas", k)["area_name"].to_pylist() for k in range(5)]
    assert shown == [[], ["A", "B"], ["A", "Bay", "C"], ["A", "B"], ["A", "Bay", "C"]]
    first = store.batches()[0]
    assert (first.sources, first.about) == (("areas.csv",), {"reason": "first"})
    assert verify_store(store.path).is_sound
    store.add(areas(d="D"), who="ada")
    assert Store(store.path).read("areas").num_rows == 4
    assert [one.version for one in Store(store.path).batches()] == [1, 2, 5]


def test_the_history_says_who_did_what_why_and_from_which_files(tmp_path: Path) -> None:
    folder = tmp_path / "week"
    folder.mkdir()
    (folder / "areas.csv").write_text("area,area_name\na,A\n")
    store = Store(tmp_path / "s")
    checked = importing.check(importing.read_paths([folder]), store)
    importing.store_checked(checked, store, who="ada")
    store.withdraw("b0001", who="ben", reason="sent twice")
    (batch,) = Store(store.path).batches()
    expected = hashlib.sha256((folder / "areas.csv").read_bytes()).hexdigest()
    assert (batch.who, dict(batch.source_sums)) == ("ada", {"areas.csv": expected})
    assert batch.last_step is not None
    assert (batch.last_step.who, batch.last_step.about) == ("ben", {"reason": "sent twice"})
    store.withdraw("b0001", undo=True)
    assert store.events()[-1].who == getpass.getuser()


def test_a_store_may_be_made_where_work_waits_on_its_desk(tmp_path: Path) -> None:
    (tmp_path / "s" / DESK).mkdir(parents=True)
    assert Store(tmp_path / "s").batches() == []
    Store(tmp_path / "s").add(areas(a="A"))


def test_extra_columns_come_back_as_text(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    first = {"areas": pa.table({"area": ["a", "b"], "zone": ["7", None], "note": ['é "q"', None]})}
    store.add(first)
    store.add({"areas": pa.table({"area": ["c"], "depth": [3]})})
    back = store.read("areas")
    assert back.column_names == ["area", "area_name", "depth", "note", "zone"]
    assert back["note"].to_pylist() == ['é "q"', None, None]
    assert back["depth"].to_pylist() == [None, None, "3"]
    assert store.add(first).batch is None


def test_zero_rows_make_no_version(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    empty = pa.table({"area": pa.array([], pa.string())})
    assert store.add({"areas": empty}).batch is None
    assert store.version == 0
    assert store.read("areas").column_names == ["area", "area_name"]
    assert store.snapshot()["interviews"].num_rows == 0


def test_snapshots_are_kept_by_version_and_equal_content_has_an_equal_key(tmp_path: Path) -> None:
    store, other = Store(tmp_path / "s"), Store(tmp_path / "t")
    store.add(areas(a="A"))
    assert store.snapshot() is store.snapshot(as_of=1)
    store.add(areas(b=None))
    assert store.snapshot().version == 2
    assert store.snapshot() is not store.snapshot(as_of=1)
    other.add(areas(b=None, a="A"))
    assert other.snapshot().key == store.snapshot().key
    assert other.snapshot().key != store.snapshot(as_of=1).key


def test_a_store_made_anew_at_the_same_path_is_not_confused(tmp_path: Path) -> None:
    import shutil

    store = Store(tmp_path / "s")
    store.add(areas(a="A"))
    assert store.snapshot()["areas"].num_rows == 1
    shutil.rmtree(tmp_path / "s")
    Store(tmp_path / "s").add(areas(a="A", b="B"))
    assert store.snapshot()["areas"].num_rows == 2


def interviews(**kept: int | None) -> dict[str, pa.Table]:
    """Return interviews of one site-day by id and kept fish, with the tables they hang on."""
    n, day = len(kept), dt.date(2031, 1, 6)
    columns = {"interview_id": list(kept), "area": ["a"] * n, "kept": list(kept.values())}
    season = {"season": ["2030-31"], "area": ["a"], "open_date": [day], "close_date": [day]}
    site_day = {"sample_id": ["s"], "site": ["r"], "date": [day], "boats_returned": [9]}
    return areas(a="A") | {
        "sites": pa.table({"site": ["r"], "area": ["a"]}),
        "seasons": pa.table(season),
        "site_days": pa.table(site_day),
        "interviews": pa.table(columns | {"sample_id": ["s"] * n}),
    }


def kept_on_disk(store: Store) -> dict[str, int | None]:
    """Return interviews as a query over the store's files finds them."""
    source = store.snapshot().files["interviews"]
    assert isinstance(source, query.ParquetRows)
    found = query.run("SELECT * FROM i ORDER BY interview_id", {"i": source})
    assert found.equals(store.snapshot()["interviews"])
    return dict(zip(found["interview_id"].to_pylist(), found["kept"].to_pylist(), strict=True))


def test_a_query_over_the_files_sees_current_rows_only(tmp_path: Path) -> None:
    store = Store(tmp_path / "the store's é #1")
    store.add(interviews(a=1, b=2))
    assert kept_on_disk(store) == {"a": 1, "b": 2}
    store.add(interviews(b=3, c=None))
    store.add(interviews(b=4, a=5))
    assert kept_on_disk(store) == {"a": 5, "b": 4, "c": None}
    store.withdraw("b0003")
    assert kept_on_disk(store) == {"a": 1, "b": 3, "c": None}
    left = rows.pack(interviews(a=9)["interviews"], table=TABLES["interviews"])
    leftover = rows.labelled(left, "b0005-of-a-killed-import", table=TABLES["interviews"])
    delta.append(store.path / "interviews", leftover)
    store.add(interviews(d=0))
    assert kept_on_disk(store) == {"a": 1, "b": 3, "c": None, "d": 0}


def test_a_store_whose_path_is_a_pattern_is_read_into_memory(tmp_path: Path) -> None:
    store = Store(tmp_path / "what?")
    store.add(interviews(a=1))
    assert store.snapshot().source("interviews") is store.snapshot()["interviews"]


@pytest.mark.parametrize("key", [["a", "a"], ["a", None]])
def test_bad_keys_are_refused_and_nothing_is_made(tmp_path: Path, key: list[str | None]) -> None:
    store = Store(tmp_path / "s")
    with pytest.raises(DataRejected, match="key"):
        store.add({"areas": pa.table({"area": key})})
    assert not (tmp_path / "s").exists()


def test_wrong_types_names_and_versions_are_refused(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    with pytest.raises(DataRejected, match="column date is not date32"):
        store.add({"holidays": pa.table({"date": ["soon"]})})
    with pytest.raises(UsageError, match="no table 'boats'"):
        store.add({"boats": pa.table({"x": [1]})})
    store.add(areas(a="A"))
    with pytest.raises(UsageError, match="versions are 0 to 1"):
        store.read("areas", as_of=2)
    with pytest.raises(UsageError, match="no table 'area'"):
        store.read("area")


def test_places_that_are_no_store_are_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store at"):
        Store(tmp_path / "nowhere").read("areas")
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(StoreError, match="not a store"):
        Store(tmp_path)
    with pytest.raises(StoreError, match="not a store"):
        Store(tmp_path / "notes.txt")
    with pytest.raises(StoreError, match="character '\\['"):
        Store(tmp_path / "a[1]")


def test_a_path_with_blanks_and_accents_works(tmp_path: Path) -> None:
    store = Store(tmp_path / "the store é #1")
    store.add(areas(a="A"))
    assert Store(store.path).read("areas").num_rows == 1


def test_a_second_writer_is_told_to_wait(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(delta, "LOCK_SECONDS", 0.1)
    store = Store(tmp_path / "s")
    store.add(areas(a="A"))
    said: list[str] = []
    with (
        FileLock(store.path / delta.LOCK, is_singleton=False),
        pytest.raises(StoreError, match="another process is writing"),
        store.turn(said.append),
    ):
        raise AssertionError
    assert said
    assert store.version == 1


def test_an_import_that_meets_another_is_checked_again_and_stored(tmp_path: Path) -> None:
    folder = tmp_path / "week"
    folder.mkdir()
    (folder / "sites.csv").write_text("site,area\nr,a\n")
    store = Store(tmp_path / "s")
    store.add(areas(a="A"))
    checked = importing.check(importing.read_paths([folder]), store)
    other = store.add(areas(b="B"))
    assert importing.store_checked(checked, store).version == 3
    store.withdraw("b0003")
    checked = importing.check(importing.read_paths([folder]), store)
    assert other.batch is not None
    store.withdraw("b0001")
    with pytest.raises(DataRejected) as refused:
        importing.store_checked(checked, store)
    assert refused.value.findings[0].column == "area"


def importing_one(store: str, name: str, begin: str) -> None:
    """Import a folder of its own at a signal, as one of several processes."""
    folder = Path(begin).parent / name
    folder.mkdir()
    (folder / "areas.csv").write_text(f"area,area_name\n{name},Area {name}\n")
    (folder / "holidays.csv").write_text(f"date,holiday\n2031-01-0{name[-1]},Day {name}\n")
    (folder / "limits.csv").write_text("limit_id,season,areas,quantity,limit_fish\n")
    while not Path(begin).exists():
        time.sleep(0.01)
    importing.import_files(Store(store), folder)


def test_eight_importers_at_once_all_succeed_and_readers_see_whole_batches(tmp_path: Path) -> None:
    names = [f"a{k}" for k in range(1, 9)]
    begin = tmp_path / "begin"
    children = [
        FORKS.Process(target=importing_one, args=(str(tmp_path / "s"), name, str(begin)))
        for name in names
    ]
    for child in children:
        child.start()
    begin.touch()
    seen = set()
    while any(child.is_alive() for child in children):
        snapshot = Store(tmp_path / "s").snapshot() if (tmp_path / "s").exists() else None
        if snapshot is not None:
            rows = len(snapshot["areas"])
            assert rows == len(snapshot["holidays"]) == snapshot.version
            seen.add(rows)
    for child in children:
        child.join(timeout=60)
    assert [child.exitcode for child in children] == [0] * 8
    store, one = Store(tmp_path / "s"), Store(tmp_path / "one")
    importing.import_files(one, *(tmp_path / name for name in names))
    assert store.version == 8
    assert all(store.read(name).equals(one.read(name)) for name in TABLES)
    assert not verify_store(store.path).seen


def test_rows_checked_against_an_older_version_are_refused(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    store.add(areas(a="A"))
    with pytest.raises(StoreError, match="run the import again"):
        store.add(areas(b="B"), checked_at=0)


def test_a_damaged_store_is_told_in_words(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    store.add(areas(a="A"))
    for file in (tmp_path / "s" / "areas").glob("*.parquet"):
        file.write_bytes(b"PAR1 not really")
    with pytest.raises(StoreError, match="is damaged"):
        Store(tmp_path / "s").read("areas")


def dying_import(store: str, writes: int) -> None:
    """Import, and die without a word after so many writes."""
    append, left = delta.append, iter(range(writes))

    def dying(path: Path, data: pa.Table, **more: bool) -> None:
        if next(left, None) is None:
            os._exit(9)
        append(path, data, **more)

    delta.append = dying
    Store(store).add(
        {
            "areas": pa.table({"area": ["a", "z"], "area_name": ["changed", "Z"]}),
            "holidays": pa.table({"date": pa.array([1], pa.int32()).cast(pa.date32())}),
        }
    )


def run_killed(store: Path, writes: int) -> int | None:
    """Import in a process that dies after so many writes; return its exit status."""
    child = FORKS.Process(target=dying_import, args=(str(store), writes))
    child.start()
    child.join(timeout=60)
    return child.exitcode


@pytest.mark.parametrize("writes", [0, 1, 2])
def test_a_kill_before_the_event_leaves_the_version_before_whole(
    tmp_path: Path, writes: int
) -> None:
    store = Store(tmp_path / "s")
    store.add(areas(a="A"))
    assert run_killed(store.path, writes) == 9
    again = Store(store.path)
    assert again.version == 1
    assert again.read("areas").to_pylist() == [{"area": "a", "area_name": "A"}]
    assert again.read("holidays").num_rows == 0
    # What the killed import left on disk must not show with the next batch either.
    again.add(areas(c="C"))
    assert again.read("areas")["area"].to_pylist() == ["a", "c"]
    assert run_killed(store.path, 9) == 0
    assert again.version == 3
    assert again.read("areas")["area"].to_pylist() == ["a", "c", "z"]


@pytest.mark.parametrize("writes", [0, 1, 2, 3])
def test_a_kill_of_the_first_import_leaves_an_empty_store(tmp_path: Path, writes: int) -> None:
    assert run_killed(tmp_path / "s", writes) == 9
    store = Store(tmp_path / "s")
    assert store.version == 0
    store.add(areas(a="A"))
    assert store.read("areas").num_rows == 1
