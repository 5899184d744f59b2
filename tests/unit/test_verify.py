"""Verify: sound stores are sound, and each file damaged, missing, swapped or foreign is named."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from pathlib import Path

import pyarrow as pa
import pytest

from analytics import whole_files
from analytics.bulletin import archive
from analytics.bulletin.notes import add_note
from analytics.data.kept import Kept
from analytics.data.store import Store, delta, maintain_store, verify_store
from analytics.errors import NotAStoreError, StoreError
from tests.store_faults import filled_store, flipped, state_of

N_FLIPS = 40
HALF = whole_files.HALF_WRITTEN


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    return filled_store(tmp_path_factory.mktemp("whole") / "s")


@pytest.fixture
def copy(whole, tmp_path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "s"))


def test_a_sound_store_is_sound_and_a_copy_too(whole, copy):
    for path in (whole, copy):
        found = verify_store(path)
        assert not found.seen
        assert found.n_sound > 40


def test_single_flips_are_all_named_and_none_is_silent(whole, tmp_path):
    assert not flipped(whole, tmp_path, n=N_FLIPS, seed=17)


def test_a_damaged_note_and_a_damaged_draft_are_named(copy):
    folder = copy / "bulletins"
    bulletin = archive.list_bulletins(folder)[0].bulletin
    add_note(folder, bulletin, "Storm on Saturday.")
    (copy / "desk" / "drafts").mkdir(parents=True)
    (copy / "desk" / "drafts" / "0123456789ab.json").write_bytes(whole_files.sealed('{"n": 1}'))
    assert verify_store(copy).is_sound
    for name in (f"bulletins/{bulletin}/notes.jsonl", "desk/drafts/0123456789ab.json"):
        written = (copy / name).read_bytes()
        (copy / name).write_bytes(written[:-3] + bytes([written[-3] ^ 1]) + written[-2:])
        seen = [(x.kind, x.file) for x in verify_store(copy).seen if x.is_fault]
        assert seen == [(whole_files.DAMAGED, name)]
        (copy / name).write_bytes(written)


@pytest.mark.parametrize("at", range(3))
def test_a_missing_file_is_named(copy, at):
    files = [one for one in whole_files.files_under(copy) if one not in (".lock",)]
    gone = [one for one in files if not one.startswith("kept/")][at::3]
    for name in gone[:: max(len(gone) // 8, 1)]:
        kept = (copy / name).read_bytes()
        (copy / name).unlink()
        try:
            assert name in {one.file for one in verify_store(copy).seen if one.is_fault}
        except StoreError as error:
            assert name in str(error)
        (copy / name).write_bytes(kept)
    assert verify_store(copy).is_sound


def test_a_swapped_file_is_named_and_refused(copy):
    first, second = sorted((copy / "areas").glob("*.parquet"))[:2]
    second.write_bytes(first.read_bytes())
    assert f"areas/{second.name}" in {one.file for one in verify_store(copy).seen if one.is_fault}
    with pytest.raises(StoreError, match=second.name):
        Store(copy).read("areas")


def test_a_foreign_file_is_named_and_not_read(copy, tmp_path):
    other = Store(tmp_path / "other")
    other.add({"areas": pa.table({"area": ["zz"], "area_name": ["Foreign"]})})
    (file,) = (other.path / "areas").glob("*.parquet")
    before = state_of(copy)
    shutil.copy(file, copy / "areas")
    (copy / "stray.txt").write_text("x")
    (copy / "bulletins" / "one" / "more.parquet").write_text("x")
    faults = {one.file for one in verify_store(copy).seen if one.is_fault}
    assert faults == {f"areas/{file.name}", "stray.txt", "bulletins/one/more.parquet"}
    assert state_of(copy) == before


def test_a_link_to_a_folder_elsewhere_is_named_but_a_room_may_lie_on_another_disk(copy, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "rows.parquet").write_text("x")
    places = {"areas/more", "areas/_delta_log/more", "bulletins/one/more", "more"}
    for place in places:
        (copy / place).symlink_to(tmp_path / "elsewhere")
    seen = {one.file: one.kind for one in verify_store(copy).seen}
    assert seen == dict.fromkeys(seen, whole_files.FOREIGN)
    assert set(seen) == places
    for place in seen:
        (copy / place).unlink()
    (copy / "bulletins").rename(tmp_path / "moved")
    (copy / "bulletins").symlink_to(tmp_path / "moved")
    assert verify_store(copy).is_sound


def test_a_deleted_newest_step_is_named(copy):
    folder = copy / "_batches"
    newest = max((folder / "_delta_log").glob("*.json"))
    newest.unlink()
    with pytest.raises(StoreError, match=newest.name):
        Store(copy).batches()
    assert f"_batches/_delta_log/{newest.name}" in {one.file for one in verify_store(copy).seen}


def test_sums_of_an_older_step_are_named(copy, tmp_path):
    older = (copy / "_batches" / whole_files.SUMS).read_bytes()
    store = Store(copy)
    for name in ("x", "y"):
        store.add({"areas": pa.table({"area": [name]})})
    (copy / "_batches" / whole_files.SUMS).write_bytes(older)
    with pytest.raises(StoreError, match=whole_files.SUMS):
        Store(copy).read("areas")


def test_a_kill_between_a_step_and_its_sums_leaves_a_sound_store(copy):
    older = (copy / "_batches" / whole_files.SUMS).read_bytes()
    Store(copy).add({"areas": pa.table({"area": ["x"]})})
    (copy / "_batches" / whole_files.SUMS).write_bytes(older)
    found = verify_store(copy)
    assert found.is_sound
    assert {one.file.partition("/")[0] for one in found.seen} == {"_batches"}
    assert "x" in Store(copy).read("areas")["area"].to_pylist()
    Store(copy).add({"areas": pa.table({"area": ["y"]})})
    assert not verify_store(copy).seen


@pytest.mark.parametrize("name", ["SHA256SUMS", "PUBLISHED"])
def test_a_draft_that_a_kill_left_after_a_step_is_no_fault(copy, name):
    draft = copy / "_batches" / f"{name}.44df5925.tmp"
    draft.write_text("half")
    found = verify_store(copy)
    assert found.is_sound
    assert f"_batches/{draft.name}" in {one.file for one in found.seen}
    maintain_store(Store(copy))
    maintain_store(Store(copy))
    assert not draft.exists()
    assert not verify_store(copy).seen


def test_a_damaged_bulletin_is_refused(copy):
    file = copy / "bulletins" / "one" / "rows.parquet"
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    with pytest.raises(StoreError, match=r"rows\.parquet"):
        archive.load(copy / "bulletins", "one")


def test_a_store_of_before_says_that_it_has_no_checksums(tmp_path):
    shutil.copytree(Path(__file__).parent / "old_store_1", tmp_path / "s")
    found = verify_store(tmp_path / "s")
    assert found.is_sound
    assert {one.kind for one in found.seen} == {"file_without_sum"}


def test_maintenance_keeps_every_version_and_tidies_up(copy):
    before = state_of(copy)
    Kept(copy).table("two", "key", lambda: pa.table({"a": [1.0]}))
    entry = next((copy / "kept").glob("two*"))
    entry.write_bytes(entry.read_bytes()[:-1])
    for _ in range(3):
        done = maintain_store(Store(copy))
        assert state_of(copy) == before
        assert verify_store(copy).is_sound
    assert (done.n_before, done.n_after) == (3, 3)
    assert not verify_store(copy).seen
    assert not entry.exists()
    Store(copy).add({"areas": pa.table({"area": ["new"]})})
    assert state_of(copy)[: len(before) - 3] == before[:-3]
    assert not verify_store(copy).seen


def test_flips_after_maintenance_are_all_named(copy, tmp_path):
    maintain_store(Store(copy))
    assert not flipped(copy, tmp_path / "more", n=N_FLIPS // 2, seed=18)


def test_maintenance_gives_an_old_store_checksums(tmp_path):
    shutil.copytree(Path(__file__).parent / "old_store_1", tmp_path / "s")
    store = Store(tmp_path / "s")
    before = [store.read("areas", k).to_pylist() for k in range(5)]
    maintain_store(store)
    assert verify_store(store.path).is_sound
    assert [Store(store.path).read("areas", k).to_pylist() for k in range(5)] == before
    maintain_store(store)
    assert not verify_store(store.path).seen


def test_a_damaged_store_is_not_maintained(copy):
    file = next((copy / "areas").glob("*.parquet"))
    file.write_bytes(file.read_bytes()[:-9])
    with pytest.raises(StoreError, match=file.name):
        maintain_store(Store(copy))


@pytest.mark.parametrize(
    ("name", "n_bytes"),
    [
        ("areas/part-00000-0123.parquet", 400),
        ("areas/_delta_log/00000000000000000009.json", 60),
        ("areas/_delta_log/00000000000000000009.json", 0),
        ("areas/_delta_log/_commit_0123.json.tmp", 60),
        ("_batches/part-00000-0123.parquet", 400),
        ("_batches/_delta_log/{next}.json", 60),
        ("_batches/_delta_log/{next}.json", 0),
    ],
)
@pytest.mark.parametrize("is_marked", [False, True])
def test_a_half_written_file_is_set_apart_and_hinders_nothing(copy, name, n_bytes, is_marked):
    store = Store(copy)
    before = store.read("areas").to_pylist()
    newest = max(int(one.stem) for one in (copy / "_batches/_delta_log").glob("*.json"))
    file = copy / name.format(next=f"{newest + 1:020}")
    likes = sorted(file.parent.glob(f"[0-9p]*{file.suffix}")) or sorted(file.parent.glob("*.json"))
    content = likes[0].read_bytes()[:n_bytes]
    file.write_bytes(content)
    if is_marked:
        (copy / "_unfinished").mkdir(exist_ok=True)
        (copy / "_unfinished" / "0009-01234567").write_text("b0009-01234567")
    seen = verify_store(copy)
    kinds = {one.file: one.kind for one in seen.seen}
    kind = kinds[file.relative_to(copy).as_posix()]
    assert kind in ({HALF, "file_leftover"} if is_marked else {HALF})
    done = maintain_store(Store(copy))
    assert not file.exists() or file.read_bytes() != content  # maintenance is a step of its own
    # Nothing is lost: what the store cannot say is from a step of its own is kept.
    assert [(copy / there).read_bytes() for _, there in done.apart] == [content] * (kind == HALF)
    maintain_store(Store(copy))
    assert not verify_store(copy).seen
    assert Store(copy).read("areas").to_pylist() == before
    Store(copy).add({"areas": pa.table({"area": ["Z"], "area_name": ["new"]})})
    assert verify_store(copy).is_sound


def test_drafts_of_killed_steps_go_once_they_are_a_day_old(copy):
    drafts = [
        copy / "bulletins/.draft-k1ll3d00/result_rows.parquet",
        copy / "published/000001.0123456789abcdef.json.01234567.tmp",
        copy / "kept/.draft-k1ll3d01",
    ]
    for file in drafts:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"half")
    assert {one.kind for one in verify_store(copy).seen} == {"file_leftover"}
    maintain_store(Store(copy))
    assert all(one.exists() for one in drafts)  # a step may still write them
    for one in (*drafts, drafts[0].parent):
        os.utime(one, (0, 0))
    done = maintain_store(Store(copy))
    assert done.n_removed >= len(drafts)
    assert not any(one.exists() for one in (*drafts, drafts[0].parent))
    assert not verify_store(copy).seen


def test_a_half_written_step_of_the_history_is_named_to_whoever_reads_the_store(copy):
    newest = max(int(one.stem) for one in (copy / "_batches/_delta_log").glob("*.json"))
    (copy / "_batches/_delta_log" / f"{newest + 1:020}.json").write_text('{"add":')
    with pytest.raises(StoreError, match=r"half-written.*blackmouth maintain"):
        Store(copy).read("areas")


class Dead(BaseException):
    """The process is no more."""


def dying(monkeypatch, after: int) -> None:
    """Let every step on the disk fail after some of them, as if the process had been killed."""
    n_done = 0

    def wrap(step):
        def interrupted(*args, **named):
            nonlocal n_done
            n_done += 1
            if n_done > after:
                raise Dead
            return step(*args, **named)

        return interrupted

    for owner, name in (
        *((Path, name) for name in ("replace", "unlink", "write_text")),
        (delta, "write_deltalake"),
        (delta.DeltaTable, "create_checkpoint"),
    ):
        monkeypatch.setattr(owner, name, wrap(getattr(owner, name)))


def areas_of(path: Path) -> list[object]:
    return [Store(path).read("areas", version).to_pylist() for version in (1, 2)]


def test_maintenance_that_is_killed_at_any_step_is_made_good_by_the_next(tmp_path):
    store = Store(tmp_path / "s")
    for name in "ab":
        store.add({"areas": pa.table({"area": [name], "area_name": [name]})})
    before = areas_of(store.path)
    for after in range(200):
        copy = Path(shutil.copytree(store.path, tmp_path / f"s{after}"))
        with pytest.MonkeyPatch.context() as patch, suppress(Dead):
            dying(patch, after)
            maintain_store(Store(copy))
            break
        assert areas_of(copy) == before, after
        assert verify_store(copy).is_sound, after
        if after % 3 == 1:
            Store(copy).withdraw("b0001")
            Store(copy).withdraw("b0001", undo=True)
        for _ in range(2):
            maintain_store(Store(copy))
        assert not verify_store(copy).seen, after
        assert areas_of(copy) == before, after
    assert after > 10


@pytest.mark.parametrize("sign", ["\udcff", "\n", "%"])
def test_a_store_is_refused_where_its_folder_has_a_name_that_the_tables_cannot_have(tmp_path, sign):
    with pytest.raises(NotAStoreError):
        Store(tmp_path / f"st{sign}ore")
