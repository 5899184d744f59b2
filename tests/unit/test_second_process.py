"""Parts of a work made by two processes: each once, whatever becomes of the second one."""

from __future__ import annotations

import os
import time

import pytest

from analytics.bulletin import second_process as tested
from analytics.bulletin.archive import archive_of
from analytics.bulletin.build import Request, make_bulletin, parts_of
from analytics.bulletin.second_process import SecondProcess, SharedParts, second_process
from analytics.data.store import Store
from tests.second_process_parts import NAMES, makers
from tests.unit.test_bulletin import filled

MAKER = "tests.second_process_parts:makers"
SOON = 60.0


def delivered(second, names):
    """Wait until the second process has made all parts."""
    until = time.monotonic() + SOON
    while not all((second._folder / f"{name}.part").exists() for name in names):
        assert time.monotonic() < until
        time.sleep(0.01)


@pytest.fixture
def second():
    beside = SecondProcess(MAKER)
    yield beside
    beside.end()


def shared(second, request, said=lambda words: None):
    return SharedParts(makers(request, lambda words: None), second, said)


def test_what_the_second_process_made_is_taken(second):
    second.give("")
    delivered(second, NAMES)
    parts = shared(second, "")
    assert {parts[name] for name in NAMES} == {second._process.pid}
    assert second._process.pid != os.getpid()


def test_what_it_has_not_begun_is_made_here(second):
    parts = shared(second, "")
    assert parts["third"] == os.getpid()
    second.give("")
    assert parts["first"] in {os.getpid(), second._process.pid}
    assert parts["third"] == os.getpid()


def test_without_one_all_is_made_here():
    parts = shared(None, "")
    assert [parts[name] for name in NAMES] == [os.getpid()] * 3


def test_a_fault_is_met_here(second):
    second.give("fail")
    delivered(second, ["first"])
    assert second._process.wait(SOON)
    parts = shared(second, "fail")
    assert parts["first"] != os.getpid()
    with pytest.raises(ValueError, match="second"):
        parts["second"]
    assert parts["third"] == os.getpid()


def test_one_that_is_gone_before_it_was_asked_is_no_fault(second):
    second._process.kill()
    second._process.wait(SOON)
    second.give("")
    assert shared(second, "")["first"] == os.getpid()


@pytest.mark.parametrize("is_asked", [True, False])
def test_it_ends_with_this_one_and_its_folder_goes(second, is_asked):
    if is_asked:
        second.give("long")
    second._process.stdin.close()
    assert second._process.wait(SOON) == 1
    assert not second._folder.exists()


def test_warnings_and_steps_come_through(second):
    said = []
    second.give("warn")
    delivered(second, NAMES)
    second._tell(said.append)
    assert said == ["making third"]
    with pytest.warns(UserWarning, match="beware of second"):
        shared(second, "warn")["second"]


def test_it_ends_when_all_is_made_and_its_folder_goes(second):
    folder = second._folder
    second.give("")
    assert second._process.wait(SOON) == 0
    second.end()
    assert not folder.exists()


@pytest.mark.parametrize(
    ("processors", "between", "is_started"),
    [
        (1, (0, 10**9), False),
        (2, (10**9, 10**9), False),
        (2, (0, 1), False),
        (2, (0, 10**9), True),
    ],
)
def test_one_is_started_only_where_it_helps(tmp_path, monkeypatch, processors, between, is_started):
    monkeypatch.setattr(tested, "_n_processors", lambda: processors)
    for name, size in zip(("LEAST_BYTES", "MOST_BYTES"), between, strict=True):
        monkeypatch.setattr(tested, name, size)
    with second_process(filled(Store(tmp_path / "store")).path) as found:
        assert (found is not None) == is_started


def test_where_no_process_can_be_started_none_is(tmp_path, monkeypatch):
    monkeypatch.setattr(tested, "_n_processors", lambda: 2)
    monkeypatch.setattr(tested, "LEAST_BYTES", 0)
    monkeypatch.setattr("sys.executable", str(tmp_path / "none"))
    with second_process(filled(Store(tmp_path / "store")).path) as found:
        assert found is None


def fail(*_, **__):
    raise AssertionError


def test_a_bulletin_is_the_same_by_two_processes(tmp_path, monkeypatch):
    monkeypatch.setattr(tested, "_n_processors", lambda: 2)
    monkeypatch.setattr(tested, "LEAST_BYTES", 0)
    alone, both = (filled(Store(tmp_path / name)) for name in ("alone", "both"))
    by_one = make_bulletin(alone)
    with second_process(both.path) as second:
        request = Request(both.path, both.version, None, None, 0.95, "reported")
        names = parts_of(request, lambda words: None)
        second.give(request)
        delivered(second, names)
        monkeypatch.setattr(second, "give", lambda request: None)
        monkeypatch.setattr("analytics.bulletin.build.released_tables", fail)  # made by the other
        by_both = make_bulletin(both, second=second)
    one, other = (
        archive_of(store.path) / card.bulletin for store, card in ((alone, by_one), (both, by_both))
    )
    files = sorted(path.name for path in one.glob("*.parquet"))
    assert files == sorted(path.name for path in other.glob("*.parquet"))
    for name in files:
        assert (one / name).read_bytes() == (other / name).read_bytes(), name
