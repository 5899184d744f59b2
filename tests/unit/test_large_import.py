"""Large tables are read part by part and kept in files: the answers are those of small ones.

Here the demo tables count as large. An import killed at any moment leaves the store whole,
and repeating it gives the store that one import gives.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest

from analytics.data import importing
from analytics.data.importing import reading
from analytics.data.importing.spilled import Spilled
from analytics.data.schema import TABLES
from analytics.data.store import Store

DEMO = Path(__file__).parents[2] / "demo_parquet"
NEEDED = ("areas", "sites", "seasons", "holidays", "site_days", "interviews")
#: A program that imports a folder as if its tables were large, and gets a signal at the n-th call.
CHILD = """
import os, sys
from analytics.cli.group import main
from analytics.data.importing import batch, reading, spilled
from analytics.data.store import delta, store
folder, kept, number, owner, name, nth = sys.argv[1:]
reading._LARGE_BYTES = reading._PART_BYTES = 1 << 17
reading._PART_ROWS = 5_000
place = {"Spilled": spilled.Spilled, "batch": batch, "delta": delta}[owner]
real, calls = getattr(place, name), []
def struck(*given, **named):
    calls.append(1)
    if len(calls) == int(nth):
        os.kill(os.getpid(), int(number))
    return real(*given, **named)
setattr(place, name, struck)
sys.argv = ["blackmouth", "import", folder, "--store", kept]
main()
"""
MOMENTS = [
    ("Spilled", "add", "2"),
    ("batch", "check_between", "1"),
    *[("delta", "append", str(nth)) for nth in (1, 2, 4, 7)],
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's tables that interviews need, as CSV."""
    place = tmp_path_factory.mktemp("tables")
    for name in NEEDED:
        pacsv.write_csv(pq.read_table(DEMO / f"{name}.parquet"), place / f"{name}.csv")
    return place


@pytest.fixture
def as_large(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "_LARGE_BYTES", 1_000)
    monkeypatch.setattr(reading, "_PART_BYTES", 1 << 17)
    monkeypatch.setattr(reading, "_PART_ROWS", 3_000)


def faulty(folder: Path, place: Path) -> Path:
    """Return a folder whose interviews hold a fault of every kind, in several parts."""
    place.mkdir()
    for name in NEEDED:
        (place / f"{name}.csv").write_bytes((folder / f"{name}.csv").read_bytes())
    path = place / "interviews.csv"
    head, *lines = path.read_text().rstrip("\n").split("\n")
    lines = [f"{line},n{number % 7}" for number, line in enumerate(lines)]
    lines[20_000] = lines[20_000].rsplit(",", 1)[0] + ",=1"  # a formula in an extra column
    lines[100] = lines[101]  # a copy
    lines[9_000] = lines[50].rsplit(",", 1)[0] + ",other"  # a key with other cells
    lines[12_000], lines[5] = "a,b", lines[5] + ",x"  # too few cells, and too many
    lines[16_000] = lines[16_000].replace("2031", "2131")
    lines.insert(15_000, "," * head.count(",") + ",")  # a row without a value
    path.write_text("\n".join([f"{head},Note", *lines]) + "\n")
    return place


def imported(folder: Path, store: Store, *, quarantine: bool = False) -> importing.Checked:
    checked = importing.check(importing.read_paths([folder]), store, quarantine=quarantine)
    if not checked.errors:
        importing.store_checked(checked, store)
    return checked


def require_equal(one: Store, other: Store) -> None:
    for name in TABLES:
        assert one.read(name).equals(other.read(name)), name


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_large_table_is_stored_as_a_small_one(kind, folder, tmp_path, request):
    source = folder if kind == "csv" else DEMO
    small, large = Store(tmp_path / "small"), Store(tmp_path / "large")
    found = imported(source, small)
    request.getfixturevalue("as_large")
    again = imported(source, large)
    assert isinstance(again.tables["interviews"], Spilled)
    assert len(again.tables["interviews"].parts) > 2
    assert again.findings == found.findings
    require_equal(small, large)
    # The same rows change nothing.
    importing.store_checked(importing.check(again.reading, large), large)
    assert large.version == 1


@pytest.mark.parametrize("quarantine", [False, True])
def test_faults_of_a_large_table_are_those_of_a_small_one(quarantine, folder, tmp_path, request):
    bad = faulty(folder, tmp_path / "bad")
    found = imported(bad, Store(tmp_path / "small"), quarantine=quarantine)
    request.getfixturevalue("as_large")
    again = imported(bad, Store(tmp_path / "large"), quarantine=quarantine)
    assert again.findings == found.findings
    assert again.set_aside == found.set_aside
    sheets = [
        importing.quarantine_csv(one.set_aside, importing.raws_of(one.reading, one.set_aside))
        for one in (found, again)
    ]
    assert sheets[0] == sheets[1]
    if quarantine:
        require_equal(Store(tmp_path / "small"), Store(tmp_path / "large"))
    else:
        assert again.errors


def test_changed_rows_of_a_large_table_supersede(folder, tmp_path, as_large):
    store = Store(tmp_path / "store")
    imported(folder, store)
    change = tmp_path / "change"
    change.mkdir()
    table = pq.read_table(DEMO / "interviews.parquet")
    at = table.column_names.index("hours_fished")
    hours = [1.5 if n % 5_000 == 0 else h for n, h in enumerate(table["hours_fished"].to_pylist())]
    pq.write_table(table.set_column(at, "hours_fished", [hours]), change / "interviews.parquet")
    checked = importing.check(importing.read_paths([change]), store)
    receipt = importing.store_checked(checked, store)
    counts = receipt.counts["interviews"]
    assert (counts.new, counts.changed) == (0, -(-table.num_rows // 5_000))
    assert counts.unchanged == table.num_rows - counts.changed
    read = store.read("interviews").sort_by("interview_id")
    assert read.num_rows == table.num_rows
    assert (
        pq.read_table(change / "interviews.parquet")
        .sort_by("interview_id")["hours_fished"]
        .to_pylist()
        == read["hours_fished"].to_pylist()
    )


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT], ids=["kill", "interrupt"])
def test_an_import_cut_short_at_any_moment_and_repeated_loses_nothing(number, folder, tmp_path):
    once = Store(tmp_path / "once")
    imported(folder, once)
    for place, moment in enumerate(MOMENTS):
        kept = tmp_path / f"store{place}"
        words = [sys.executable, "-c", CHILD, str(folder), str(kept), str(int(number)), *moment]
        done = subprocess.run(words, check=False, capture_output=True, text=True)
        assert done.returncode != 0, moment
        assert "Traceback" not in done.stderr, (moment, done.stderr)
        store = Store(kept)
        assert store.version == 0
        imported(folder, store)
        assert store.version == 1
        require_equal(once, store)
