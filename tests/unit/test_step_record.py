from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import pytest
from filelock import FileLock

from analytics.bulletin.step_record import MADE, MOMENT_SECONDS, STEP, read_record, recording
from analytics.errors import UsageError
from dashboard import new_bulletin
from tests.waiting import until

if TYPE_CHECKING:
    from pathlib import Path


def test_a_record_says_how_far_it_is(tmp_path: Path) -> None:
    file = tmp_path / "steps.jsonl"
    assert read_record(file).steps == ()
    with recording(file) as add:
        add(STEP, "reading the store")
        during = read_record(file)
        assert during.is_running
        assert [one.words for one in during.steps] == ["reading the store"]
        add(MADE, "2035-36.2036-W05.v3")
    after = read_record(file)
    assert not after.is_running
    assert after.bulletin == "2035-36.2036-W05.v3"
    assert after.seconds[0] == 0 <= after.seconds[1]


def test_one_process_writes_at_a_time(tmp_path: Path) -> None:
    file = tmp_path / "steps.jsonl"
    with recording(file) as add:
        add(STEP, "one")
        with pytest.raises(UsageError), recording(file):
            pass
        assert len(read_record(file).steps) == 1


def test_asking_for_a_moment_keeps_nobody_from_beginning(tmp_path: Path) -> None:
    file = tmp_path / "steps.jsonl"
    asked = FileLock(tmp_path / ".steps.jsonl.lock", thread_local=False)
    asked.acquire()
    moment = threading.Timer(MOMENT_SECONDS / 4, asked.release)
    moment.start()
    assert not read_record(file).is_running
    moment.join()
    asked.acquire()
    moment = threading.Timer(MOMENT_SECONDS / 4, asked.release)
    moment.start()
    with recording(file) as add:
        add(STEP, "one")
    moment.join()


def test_half_a_line_is_not_read(tmp_path: Path) -> None:
    file = tmp_path / "steps.jsonl"
    with recording(file) as add:
        add(STEP, "one")
    file.write_text(file.read_text() + '{"at_utc": "2036')
    assert len(read_record(file).steps) == 1


def ended(folder: Path) -> new_bulletin.Progress:
    until(lambda: not new_bulletin.progress(folder).is_busy)
    return new_bulletin.progress(folder)


def test_the_page_makes_the_bulletin_of_the_command(field: Path, tmp_path: Path) -> None:
    new_bulletin.start(tmp_path, field / "store")
    done = ended(tmp_path)
    assert done.error == ""
    assert done.record.bulletin is not None
    assert (field / "store" / "bulletins" / done.record.bulletin / "rows.parquet").exists()
    assert done.part == 1.0
    new_bulletin.start(tmp_path, field / "store")
    assert ended(tmp_path).record.bulletin == done.record.bulletin
    assert read_record(tmp_path / new_bulletin.BEFORE).bulletin == done.record.bulletin


def test_what_went_wrong_is_said(tmp_path: Path) -> None:
    new_bulletin.start(tmp_path, tmp_path / "nowhere")
    done = ended(tmp_path)
    assert done.has_failed
    assert "nowhere" in done.error
    assert "Traceback" not in done.error


def test_nothing_is_said_before_the_process_has_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with recording(tmp_path / new_bulletin.STEPS) as add:
        add(STEP, "reading the store")
    ends_when_asked = "import sys; sys.stdin.read(); sys.exit('no store at nowhere')"
    with (tmp_path / new_bulletin.ERRORS).open("wb") as errors:
        child = subprocess.Popen(
            [sys.executable, "-c", ends_when_asked], stdin=subprocess.PIPE, stderr=errors
        )
    monkeypatch.setitem(new_bulletin._CHILDREN, tmp_path, child)
    during = new_bulletin.progress(tmp_path)
    assert during.is_busy
    assert not during.error
    child.communicate()
    after = new_bulletin.progress(tmp_path)
    assert after.has_failed
    assert "nowhere" in after.error


def test_two_at_once_are_refused_and_a_killed_one_is_seen(tmp_path: Path) -> None:
    code = (
        "import sys, time; from pathlib import Path; "
        "from analytics.bulletin.step_record import recording\n"
        "with recording(Path(sys.argv[1])) as add:\n"
        "    add('step', 'estimating'); time.sleep(60)"
    )
    child = subprocess.Popen([sys.executable, "-c", code, str(tmp_path / new_bulletin.STEPS)])
    until(lambda: new_bulletin.progress(tmp_path).record.steps)
    try:
        with pytest.raises(UsageError):
            new_bulletin.start(tmp_path, tmp_path / "store")
    finally:
        os.kill(child.pid, signal.SIGKILL)
        child.wait()
    now = new_bulletin.progress(tmp_path)
    assert now.has_failed
    assert now.error


def test_the_part_done_is_that_of_the_bulletin_before(tmp_path: Path) -> None:
    lines = [
        {"at_utc": f"2036-02-04T10:00:{second:02}+00:00", "kind": kind, "words": words}
        for second, kind, words in ((0, STEP, "a"), (4, STEP, "b"), (10, MADE, "x"))
    ]
    (tmp_path / new_bulletin.BEFORE).write_text("\n".join(map(json.dumps, lines)))
    (tmp_path / new_bulletin.STEPS).write_text("\n".join(map(json.dumps, lines[:2])))
    assert new_bulletin.progress(tmp_path).part == pytest.approx(0.4)
