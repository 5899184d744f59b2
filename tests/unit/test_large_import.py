"""Large tables are read part by part and kept in files: the answers are those of small ones.

Here the demo tables count as large. An import killed at any moment leaves the store whole,
and repeating it gives the store that one import gives.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest

from analytics.data import importing, query
from analytics.data.importing import reading
from analytics.data.importing.spilled import Spilled
from analytics.data.schema import TABLES
from analytics.data.store import Store
from analytics.findings import MOST_OF_A_KIND
from tests.bench.big_tables import big_tables, write_tables
from tests.sizes import IS_FULL

DEMO = Path(__file__).parents[2] / "demo_parquet"
NEEDED = ("areas", "sites", "seasons", "holidays", "site_days", "interviews")
#: A program that imports a folder as if its tables were large, and gets a signal at the n-th call.
CHILD = """
import os, sys
from analytics.cli.group import main
from analytics.data.importing import batch, reading, spilled
from analytics.data.store import delta, rows, store
folder, kept, number, owner, name, nth = sys.argv[1:]
reading._LARGE_BYTES = reading._PART_BYTES = 1 << 17
rows.ROWS_AT_ONCE = 2_000
place = {"Spilled": spilled.Spilled, "batch": batch, "delta": delta, "store": store}[owner]
real, calls = getattr(place, name), []
def struck(*given, **named):
    calls.append(1)
    if len(calls) == int(nth):
        os.kill(os.getpid(), int(number))
    return real(*given, **named)
def telling(*given):
    return lambda n_rows: struck_in_stream(real(*given), n_rows)
def struck_in_stream(tell, n_rows):
    calls.append(1)
    if len(calls) == int(nth):
        os.kill(os.getpid(), int(number))
    tell(n_rows)
setattr(place, name, telling if name == "_shares" else struck)
sys.argv = ["blackmouth", "import", folder, "--store", kept]
main()
"""
NEVER = ("delta", "append", "99")
READING, CHECKING = ("Spilled", "add", "2"), ("batch", "check_between", "1")
#: While it writes the second piece of the stream, makes the store, and says what came in.
WRITING = ("store", "_shares", "2")
MAKING, ENDING = ("delta", "append", "1"), ("delta", "append", "7")
SHORT = [(signal.SIGINT, WRITING), (signal.SIGKILL, READING), (signal.SIGKILL, ENDING)]
CUTS = [
    *[(signal.SIGINT, moment) for moment in (CHECKING, WRITING)],
    *[(signal.SIGKILL, moment) for moment in (READING, WRITING, MAKING, ENDING)],
]
N_ROWS = 12_000


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demo's tables that interviews need, and some interviews, as CSV and as Parquet."""
    place = tmp_path_factory.mktemp("tables")
    for ending in ("csv", "parquet"):
        (place / ending).mkdir()
        for name in NEEDED:
            table = pq.read_table(DEMO / f"{name}.parquet").slice(0, N_ROWS)
            path = place / ending / f"{name}.{ending}"
            pacsv.write_csv(table, path) if ending == "csv" else pq.write_table(table, path)
    return {ending: place / ending for ending in ("csv", "parquet")}


@pytest.fixture(scope="module")
def folder(folders: dict[str, Path]) -> Path:
    return folders["csv"]


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
    lines[10_000] = lines[10_000].rsplit(",", 1)[0] + ",=1"  # a formula in an extra column
    lines[100] = lines[101]  # a copy
    lines[4_500] = lines[50].rsplit(",", 1)[0] + ",other"  # a key with other cells
    lines[6_000], lines[5] = "a,b", lines[5] + ",x"  # too few cells, and too many
    lines[8_000] = lines[8_000].replace("2031", "2131")
    lines.insert(7_500, "," * head.count(",") + ",")  # a row without a value
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
def test_a_large_table_is_stored_as_a_small_one(kind, folders, tmp_path, request):
    source = folders[kind]
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
    table = pq.read_table(DEMO / "interviews.parquet").slice(0, N_ROWS)
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


@pytest.fixture(scope="module")
def correction(folders, tmp_path_factory) -> Path:
    """A folder of changed, new and wrong interviews."""
    place = tmp_path_factory.mktemp("correction")
    interviews = pq.read_table(folders["parquet"] / "interviews.parquet")
    rows = interviews.to_pylist()
    some = [row | {"hours_fished": 2.5} for row in rows[::3]]
    some += [row | {"interview_id": f"new{n}"} for n, row in enumerate(rows[:500])]
    some[7] |= {"area": "nowhere"}
    some[11] |= {"sample_id": "none"}
    pq.write_table(pa.Table.from_pylist(some, interviews.schema), place / "interviews.parquet")
    return place


@pytest.fixture(scope="module")
def corrected(folder, correction, tmp_path_factory):
    """The correction, a store before it, and what it gives where all rows are in memory."""
    place = tmp_path_factory.mktemp("corrected")
    imported(folder, Store(place / "before"))
    store = Store(shutil.copytree(place / "before", place / "after"))
    return correction, place / "before", imported(correction, store, quarantine=True), store


@pytest.fixture(params=["batch_small", "batch_large"])
def is_large(request) -> bool:
    if request.param == "batch_large":
        request.getfixturevalue("as_large")
    return request.param == "batch_large"


@pytest.mark.parametrize("small_files", [query.SMALL_FILES, 0], ids=["loaded", "in_files"])
def test_rows_in_files_are_judged_as_those_in_memory(
    small_files, is_large, corrected, tmp_path, monkeypatch
):
    monkeypatch.setattr(query, "SMALL_FILES", small_files)
    correction, stored, found, whole = corrected
    assert {one.column for one in found.set_aside} == {"area", "sample_id"}
    store = Store(shutil.copytree(stored, tmp_path / "store"))
    again = imported(correction, store, quarantine=True)
    assert isinstance(again.tables["interviews"], Spilled) == is_large
    assert set(again.findings) == set(found.findings)
    assert set(again.set_aside) == set(found.set_aside)
    assert store.batches()[-1].counts == whole.batches()[-1].counts
    require_equal(store, whole)
    # Both batches are now looked through: nothing is new, and nothing else is found.
    once_more = imported(correction, store, quarantine=True)
    assert set(once_more.set_aside) == set(found.set_aside)
    assert store.version == 2


def cut_short(folder: Path, kept: Path, number: int, moment: tuple[str, str, str]):
    words = [sys.executable, "-c", CHILD, str(folder), str(kept), str(number), *moment]
    temp = kept.parent / "temp"
    temp.mkdir(exist_ok=True)
    given = os.environ | {"TMPDIR": str(temp)}
    return subprocess.run(words, check=False, capture_output=True, text=True, env=given)


def test_an_import_cut_short_at_any_moment_and_repeated_loses_nothing(folder, tmp_path):
    once = Store(tmp_path / "once")
    imported(folder, once)
    for place, (number, moment) in enumerate(CUTS if IS_FULL else SHORT):
        kept = tmp_path / f"store{place}"
        done = cut_short(folder, kept, number, moment)
        assert done.returncode == (-number if number == signal.SIGKILL else 130), moment
        if number == signal.SIGINT:
            assert "the store is as it was, at version 0" in done.stderr
        store = Store(kept)
        assert store.version == 0
        imported(folder, store)
        assert store.version == 1
        require_equal(once, store)
    # What killed ones left on disk goes with the next; and the same rows again change nothing.
    assert list((tmp_path / "temp").iterdir())
    done = cut_short(folder, kept, signal.SIGKILL, NEVER)
    assert (done.returncode, store.version) == (0, 1), done.stderr
    assert not list((tmp_path / "temp").iterdir())


@pytest.fixture
def every_row_bad(folder, tmp_path) -> Path:
    """A folder in which hours and areas of all 25,000 interviews are wrong."""
    place = tmp_path / "all_bad"
    place.mkdir()
    for name in NEEDED[:-1]:
        (place / f"{name}.csv").write_bytes((folder / f"{name}.csv").read_bytes())
    lines = [f"I{n},nowhere,2,99,1" for n in range(25_000)]
    head = "interview_id,area,anglers,hours_fished,kept,released_legal,released_sublegal"
    (place / "interviews.csv").write_text("\n".join([head, *(f"{one},0,0" for one in lines), ""]))
    return place


@pytest.mark.parametrize("is_large", [False, True])
def test_where_every_row_is_bad_the_first_are_kept_and_the_others_counted(
    is_large, every_row_bad, tmp_path, request
):
    if is_large:
        request.getfixturevalue("as_large")
    for quarantine in (False, True):
        checked = imported(every_row_bad, Store(tmp_path / "store"), quarantine=quarantine)
        hours = [one for one in checked.findings if one.column == "hours_fished"]
        assert [one.times for one in hours] == [1] * MOST_OF_A_KIND + [25_000 - MOST_OF_A_KIND]
        assert (hours[0].row, hours[-2].row, hours[-1].row) == (2, MOST_OF_A_KIND + 1, None)
        assert importing.counted(hours) == "25,000 errors"
        assert importing.grouped(hours)[-1] == "  ... and 24,997 more like it"
        # Rows that are counted and not named cannot be set aside.
        assert not checked.set_aside and checked.errors
        # Nor does a rule speak of rows that are at fault already.
        told = {one.column for one in checked.findings if one.table == "interviews"}
        assert told == {"hours_fished"}
    assert Store(tmp_path / "store").version == 0
    lines = importing.findings_csv(checked.findings).splitlines()
    assert len(lines) == len(checked.findings) + 1
    assert sum('hours_fished,"5,000 more like these, left out: ' in line for line in lines) == 1


def test_breaches_between_tables_are_counted_too(every_row_bad, tmp_path):
    path = every_row_bad / "interviews.csv"
    path.write_text(path.read_text().replace(",99,", ",9,"))
    checked = imported(every_row_bad, Store(tmp_path / "store"))
    areas = [one for one in checked.findings if one.column == "area"]
    assert [one.times for one in areas] == [1] * MOST_OF_A_KIND + [25_000 - MOST_OF_A_KIND]
    copies = imported(doubled(every_row_bad), Store(tmp_path / "store"))
    twice = [one for one in copies.findings if one.column == "interview_id"]
    assert importing.counted(twice) == "25,000 errors"


def doubled(folder: Path) -> Path:
    """Return a folder whose interviews all stand twice."""
    path = folder / "interviews.csv"
    head, *lines = path.read_text().splitlines()
    path.write_text("\n".join([head, *lines, *lines, ""]))
    return folder


def test_lines_that_are_no_rows_end_a_file_once_they_are_too_many(every_row_bad, tmp_path):
    path = every_row_bad / "interviews.csv"
    head, *lines = path.read_text().splitlines()
    path.write_text("\n".join([head, *(f"{line},more" for line in lines), ""]))
    (fault,) = importing.read_paths([path]).faults
    assert fault.seen.startswith(f"more than {MOST_OF_A_KIND:,} rows whose number of cells")


#: A program that imports a folder twice with small parts, and says the most bytes that tables took.
MEASURED = """
import sys
import pyarrow as pa
from pathlib import Path
from analytics.data import importing, query
from analytics.data.importing import reading
from analytics.data.store import Store, rows
reading._LARGE_BYTES = reading._PART_BYTES = 1 << 15
rows.ROWS_AT_ONCE = 500
query.SMALL_FILES = 0
for _ in range(2):
    importing.import_files(Store(sys.argv[2]), Path(sys.argv[1]))
print(pa.default_memory_pool().max_memory())
"""


def test_memory_does_not_grow_with_rows(tmp_path):
    peaks = []
    # The reader runs 32 parts ahead: both tables have more.
    for n in (20_000, 60_000):
        tables = big_tables(n_interviews=n, n_site_days=500)
        write_tables(tables, tmp_path / f"tables{n}")
        words = [str(tmp_path / f"{what}{n}") for what in ("tables", "store")]
        said = subprocess.run([sys.executable, "-c", MEASURED, *words], check=True, stdout=-1)
        peaks.append(int(said.stdout))
        assert Store(words[1]).version == 1
    assert peaks[1] < 1.3 * peaks[0]
