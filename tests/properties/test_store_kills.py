"""Steps of a store that are killed, run out of room or may not write leave it whole."""

from __future__ import annotations

import errno
import os
import random
import resource
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pyarrow as pa
import pytest

from analytics import whole_files
from analytics.data.schema import TABLES
from analytics.data.store import Store, maintain_store, record, verify_store
from analytics.errors import StoreError
from tests.sizes import n_sized
from tests.store_faults import filled_store, flipped

if TYPE_CHECKING:
    from pathlib import Path

SEED = 17
#: Ready, then on and on until it is killed: imports, withdrawals, maintenance.
_ENDLESS = """
import sys, pyarrow as pa
from datetime import date, timedelta
from analytics.data.store import Store, maintain_store
store = Store(sys.argv[1])
start = store.version
print("ready", flush=True)
for k in range(10**6):
    name = f"{start}-{k}"
    batch = store.add({
        "areas": pa.table({"area": [name], "area_name": ["A"]}),
        "holidays": pa.table({"date": [date(2031, 1, 1) + timedelta(start + k)]}),
    })
    print("stored", flush=True)
    if k % 3 == 2:
        store.withdraw(batch.batch)
    if k % 4 == 3:
        maintain_store(store)
"""


def endless(path: Path) -> subprocess.Popen[str]:
    """Start the endless steps, and wait for their first word."""
    child = subprocess.Popen(
        [sys.executable, "-c", _ENDLESS, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    return child


def processor_seconds(pid: int) -> float:
    """Return the processor seconds of a process: the clock of `clock_getcpuclockid` in Linux."""
    return time.clock_gettime(~pid << 3 | 2)


def killed(path: Path, after: float, more: float) -> int:
    """Run steps in a process killed some time after its first word; count its imports.

    `after` in processor seconds, so that a busy machine does not take all kills to the first step;
    `more` in seconds of the clock, so that one may come while the process waits for the disk.
    """
    with endless(path) as child:
        until = processor_seconds(child.pid) + after
        while processor_seconds(child.pid) < until:
            time.sleep(0.0005)
        time.sleep(more)
        child.send_signal(signal.SIGKILL)
        said, _ = child.communicate()
        assert child.returncode == -signal.SIGKILL
    return said.count("stored\n")


def test_kills_at_random_moments_leave_the_store_whole(tmp_path, record_property):
    rng = random.Random(SEED)
    store, n_kills, n_left, n_stored = Store(tmp_path / "s"), n_sized(4, 200), 0, 0
    for _ in range(n_kills):
        before = store.version
        stored = killed(store.path, rng.uniform(0, 0.7), rng.uniform(0, 0.02))
        n_stored += stored
        assert store.version >= before + stored  # what was said to be stored is there
        found = verify_store(store.path)
        assert found.is_sound, found.seen
        n_left += bool(found.seen)
        # Each batch has a row of both tables: none shows by half.
        for version in (store.version, max(store.version - 1, 0)):
            assert len(store.read("areas", version)) == len(store.read("holidays", version))
    store.add({"areas": pa.table({"area": ["last"]})})
    maintain_store(store)
    maintain_store(store)
    assert not verify_store(store.path).seen
    record_property(
        "kills at random moments",
        f"{n_kills} kills among {n_stored} imports: the store sound after each, leftovers after "
        f"{n_left}, none after maintain",
    )


def test_single_flips_are_named(tmp_path, record_property):
    n = n_sized(5, 200)
    whole = filled_store(tmp_path / "s")
    assert flipped(whole, tmp_path, n=n, seed=SEED) == []
    maintain_store(Store(whole))
    assert flipped(whole, tmp_path / "again", n=n, seed=SEED + 1) == []
    record_property(
        "single bits flipped", f"{n} before and {n} after maintain: all named, none silent"
    )


def too_large() -> dict[str, pa.Table]:
    names = [f"{k:x}{hash(k * 7919) * 2654435761 % 2**61:x}" for k in range(40_000)]
    return {
        "areas": pa.table({"area": ["small"]}),
        "sites": pa.table({"site": names, "area": ["small"] * len(names)}),
    }


def test_a_full_disk_ends_in_words_and_leaves_the_store_whole(tmp_path):
    store = Store(filled_store(tmp_path / "s"))
    version, before = store.version, resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, before[1]))
    try:
        with pytest.raises(StoreError, match="cannot be written"):
            store.add(too_large())
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, ignored)
    assert store.version == version
    found = verify_store(store.path)
    assert found.is_sound, found.seen
    assert "small" not in store.read("areas")["area"].to_pylist()
    store.add(too_large())
    maintain_store(store)
    maintain_store(store)
    assert not verify_store(store.path).seen


@pytest.mark.parametrize("refused", ["add", "withdraw", "maintain", "name_published"])
def test_a_disk_without_a_byte_left_is_said_and_nothing_is_lost(tmp_path, monkeypatch, refused):
    store = Store(filled_store(tmp_path / "s"))
    version, batch = store.version, store.batches()[-1].batch
    steps = {
        "add": lambda: store.add({"areas": pa.table({"area": ["another"]})}),
        "withdraw": lambda: store.withdraw(batch),
        "maintain": lambda: maintain_store(store),
        "name_published": lambda: record.name_published(store.path, f"000001-{'0' * 16}.json"),
    }

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        for module in (whole_files, record):
            patch.setattr(module, "replace_whole", full)
        with pytest.raises(StoreError, match="make room"):
            steps[refused]()
    assert store.version == version
    assert verify_store(store.path).is_sound
    steps[refused]()


_ON_A_SMALL_DISK = """
import os, sys
from pathlib import Path
import pyarrow as pa
from analytics.data.store import Store, maintain_store, verify_store
from analytics.errors import StoreError

disk = Path(sys.argv[1])
filler, store, added, refused = disk / "filler", Store(disk / "s"), 0, 0

def add() -> None:
    store.add({"areas": pa.table({"area": [f"area {added}"]})})

add()
for left in range(0, 128, 8):
    free = os.statvfs(disk)
    filler.write_bytes(bytes(max(free.f_bavail * free.f_frsize - left * 1024, 0)))
    version, added = store.version, added + 1
    try:
        add()
    except StoreError as error:
        assert "make room" in str(error), error
        assert store.version == version
        refused += 1
    filler.unlink()
    found = verify_store(store.path)
    assert found.is_sound, found.seen
    added += 1
    add()
maintain_store(store)
maintain_store(store)
assert not verify_store(store.path).seen
print(refused, store.read("areas").num_rows)
"""


def test_a_small_disk_that_fills_at_every_moment_of_a_step_loses_nothing(tmp_path):
    """On a disk of its own in memory; who may not mount one has the limits above."""
    here = 'mount -t tmpfs -o size=4m none "$1" && shift && exec "$@"'
    inside = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", here, "sh"]
    if subprocess.run([*inside, tmp_path, "true"], capture_output=True, check=False).returncode:
        pytest.skip("no disk may be mounted here")
    command = [*inside, tmp_path, sys.executable, "-c", _ON_A_SMALL_DISK, tmp_path]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    refused, rows = map(int, done.stdout.split())
    assert refused >= 3
    assert rows == 1 + 2 * 16 - refused


def test_a_clock_that_jumps_changes_no_order(tmp_path, monkeypatch):
    store = Store(tmp_path / "s")
    for year, name in ((2031, "A"), (1999, "B"), (2099, "C"), (2005, "D")):
        instant = datetime(year, 1, 1, tzinfo=UTC).isoformat()
        monkeypatch.setattr(record, "now", lambda instant=instant: instant)
        store.add({"areas": pa.table({"area": ["a"], "area_name": [name]})})
        for file in whole_files.files_under(store.path):
            os.utime(store.path / file, (year, year))
        maintain_store(store)
    shown = [store.read("areas", k)["area_name"].to_pylist() for k in range(1, 5)]
    assert shown == [["A"], ["B"], ["C"], ["D"]]
    assert verify_store(store.path).is_sound


def test_a_copy_taken_under_the_lock_while_imports_go_on_is_whole(tmp_path):
    store = Store(filled_store(tmp_path / "s"))
    copy = tmp_path / "copy"
    locked = ["flock", str(store.path / ".lock"), "cp", "-a", str(store.path), str(copy)]
    with endless(store.path) as child:
        subprocess.run(locked, check=True)
        child.kill()
        child.communicate()
    assert not verify_store(copy).seen
    restored = Store(copy)
    assert restored.version >= 5
    assert all(restored.read(name) is not None for name in TABLES)
