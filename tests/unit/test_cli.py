"""The command line as a user meets it: exit status, messages, and a store left as it was."""

from __future__ import annotations

import csv
import getpass
import io
import json
import os
import re
import signal
import socket
import subprocess
import sys
import textwrap
import time
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, Any

import openpyxl
import pyarrow.parquet as pq
import pytest

from analytics.cli import main
from analytics.data.store import Store
from analytics.result_table import RESULT_COLUMNS, RESULT_SCHEMA
from tests.field_week import field_week, write_csv, write_week

if TYPE_CHECKING:
    from collections.abc import Callable

COMMANDS = (
    "import",
    "batches",
    "withdraw",
    "templates",
    "estimate",
    "bulletin",
    "revisions",
    "demo",
    "open",
)


class Run:
    """Runs the command line in this process and keeps what it said."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def __call__(self, *args: object) -> tuple[int, str, str]:
        """Return exit status, standard output and standard error."""
        with pytest.raises(SystemExit) as ended:
            main([str(arg) for arg in args])
        said = self._capsys.readouterr()
        assert "Traceback" not in said.err
        return int(ended.value.code or 0), said.out, said.err


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    return Run(capsys)


@pytest.fixture
def stored(field: Path) -> Path:
    """Return a store that holds the clean week as its first version."""
    return field / "store"


def contents(store: Path) -> dict[str, bytes]:
    return {
        str(file.relative_to(store)): file.read_bytes()
        for file in sorted(store.rglob("*"))
        if file.is_file() and file.name != ".lock"
    }


def row_of(table: str, **cells: Any) -> Callable[[Path], Path]:
    """Return what writes one row of a table, changed, under a new key where it has one."""

    def write(folder: Path) -> Path:
        return write_csv(folder / f"{table}.csv", [field_week()[table][0] | cells])

    return write


def file_of(name: str, content: bytes) -> Callable[[Path], Path]:
    def write(folder: Path) -> Path:
        (folder / name).write_bytes(content)
        return folder / name

    return write


def cut_parquet(folder: Path) -> Path:
    import pyarrow as pa

    path = folder / "areas.parquet"
    pq.write_table(pa.table({"area": ["A"] * 1000}), path)
    path.write_bytes(path.read_bytes()[:-20])
    return path


def nothing(folder: Path) -> Path:
    (folder / "bare").mkdir()
    return folder / "bare"


def twice(folder: Path) -> Path:
    row = field_week()["areas"][0]
    return write_csv(folder / "areas.csv", [row, row | {"area_name": "other"}])


BAD: dict[str, tuple[Callable[[Path], Path], str]] = {
    "empty file": (file_of("areas.csv", b""), "an empty file"),
    "wrong delimiter": (file_of("areas.csv", b"area;area_name\nA;x\n"), "semicolon"),
    "Latin-1 bytes": (file_of("areas.csv", b"area,area_name\nA,\xe9\n"), "row 2: the byte 0xE9"),
    "missing column": (file_of("areas.csv", b"name\nx\n"), "no column area"),
    "duplicate key": (twice, "A again, as in row 3"),
    "negative hours": (row_of("interviews", hours_fished=-4), "hours_fished: -4; allowed:"),
    "date outside the season": (
        row_of("site_days", sample_id="d9", date="2031-07-01"),
        "2031-07-01 (Tuesday) in area A",
    ),
    "interview without its site-day": (
        row_of("interviews", interview_id="i9", sample_id="d9"),
        "no sample_id d9 in site_days",
    ),
    "10^9 in a count": (row_of("interviews", released_sublegal=10**9), "1000000000"),
    "NaN": (row_of("interviews", hours_fished="NaN"), "leave the cell empty for not recorded"),
    "formula": (row_of("areas", area_name="=1+1"), "would run it as a formula"),
    "truncated Parquet": (cut_parquet, "cut short"),
    "folder with nothing in it": (nothing, "no table in this folder"),
    "unknown table": (file_of("area.csv", b"area\nA\n"), "did you mean areas?"),
    "header twice": (file_of("areas.csv", b"area,area\nA,B\n"), "2 times in the header"),
    "ragged row": (file_of("areas.csv", b"area,area_name\nA\n"), "number of cells"),
    "open quote": (file_of("areas.csv", b'area,area_name\nA,"x\nB,y\n'), "double quote"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_ends_in_a_message_and_an_unchanged_store(
    tmp_path: Path, run: Run, stored: Path, name: str
) -> None:
    before = contents(stored)
    write, words = BAD[name]
    (tmp_path / "bad").mkdir()
    status, out, err = run("import", write(tmp_path / "bad"), "--store", stored)
    assert status == 1
    assert words in err
    assert err.rstrip().endswith("nothing was stored")
    assert out == ""
    assert contents(stored) == before


def test_an_import_says_what_it_did(tmp_path: Path, run: Run, stored: Path) -> None:
    again = run("import", tmp_path / "week", "--store", stored)
    assert again[0] == 0
    assert "nothing new" in again[2]
    changed = row_of("areas", area_name="Far North")(tmp_path)
    why = "it has a longer name – »è«"
    status, out, err = run("import", changed, "--store", stored, "--reason", why)
    assert (status, out) == (0, "")
    assert f"areas 1 changed; version 2\nnext: blackmouth bulletin --store {stored}\n" in err
    status, out, err = run("batches", "--store", stored)
    assert status == 0
    header, *lines = [line.split("\t") for line in out.splitlines()]
    assert header == [
        *(
            "version",
            "batch",
            "at_utc",
            "state",
            "rows_new",
            "rows_changed",
            "files",
            "reason",
            "who",
        )
    ]
    assert [line[0] for line in lines] == ["1", "2"]
    assert lines[0][-2:] == ["-", getpass.getuser()]
    assert lines[1][3:-1] == ["current", "0", "1", "areas.csv", why]


def test_check_only_stores_nothing(tmp_path: Path, run: Run) -> None:
    store = tmp_path / "store"
    week = write_week(field_week(), tmp_path / "week")
    assert run("import", week, "--store", store, "--check-only")[0] == 0
    row_of("areas", area="=A")(week)
    assert run("import", week, "--store", store, "--check-only")[0] == 1
    assert not store.exists()


def test_a_quarantine_stores_the_rest(tmp_path: Path, run: Run, stored: Path) -> None:
    rows = [field_week()["interviews"][0] | {"interview_id": "i3", "hours_fished": -1}]
    rows += [field_week()["interviews"][0] | {"interview_id": "i4"}]
    path = write_csv(tmp_path / "interviews.csv", rows)
    aside = tmp_path / "aside.csv"
    seen = run("import", path, "--store", stored, "--quarantine", aside, "--check-only")
    assert seen[0] == 1
    assert "a quarantine would set 1 row aside" in seen[2]
    checked = aside.read_bytes()
    assert run("import", path, "--store", stored, "--quarantine", aside, "--check-only")[0] == 2
    aside.unlink()
    status, _, err = run("import", path, "--store", stored, "--quarantine", aside)
    assert status == 0
    assert "1 row set aside" in err
    assert Store(stored).read("interviews")["interview_id"].to_pylist() == ["i1", "i2", "i4"]
    assert '""hours_fished"": ""-1""' in aside.read_text(encoding="utf-8-sig")
    kept = aside.read_bytes()
    assert kept == checked
    status, _, err = run("import", path, "--store", stored, "--quarantine", aside)
    assert status == 2
    assert "name another file" in err
    assert aside.read_bytes() == kept


def test_a_quarantine_of_every_row_is_refused(tmp_path: Path, run: Run, stored: Path) -> None:
    rows = [field_week()["interviews"][0] | {"interview_id": "i3", "hours_fished": -1}]
    path = write_csv(tmp_path / "interviews.csv", rows)
    aside = tmp_path / "aside.csv"
    version = Store(stored).version
    status, _, err = run("import", path, "--store", stored, "--quarantine", aside)
    assert status == 1
    assert "nothing was stored" in err
    assert Store(stored).version == version
    assert '""hours_fished"": ""-1""' in aside.read_text(encoding="utf-8-sig")
    # A store that is not there yet is not made for it.
    again = run("import", path, "--store", tmp_path / "none", "--quarantine", tmp_path / "b.csv")
    assert again[0] == 1
    assert not (tmp_path / "none").exists()
    # One sound row is stored, or found in the store already: the command did what was asked.
    write_csv(path, [*rows, field_week()["interviews"][0]])
    assert run("import", path, "--store", stored, "--quarantine", tmp_path / "c.csv")[0] == 0


def test_every_finding_is_written_whether_the_batch_is_stored_or_not(
    tmp_path: Path, run: Run, stored: Path
) -> None:
    first = field_week()["interviews"][0]
    rows = [first | {"interview_id": f"i{n}", "hours_fished": -1} for n in range(3, 8)]
    path = write_csv(tmp_path / "interviews.csv", rows)
    seen = []
    for number, options in enumerate([("--check-only",), ()]):
        sheet = tmp_path / f"findings{number}.csv"
        assert run("import", path, "--store", stored, "--findings", sheet, *options)[0] == 1
        seen.append(sheet.read_bytes())
    assert seen[0] == seen[1]
    found = list(csv.DictReader(io.StringIO(seen[0].decode())))
    faults = [one for one in found if one["severity"] == "error"]
    assert [(one["table"], one["row"], one["column"]) for one in faults] == [
        ("interviews", str(row), "hours_fished") for row in range(2, 7)
    ]
    both = ("--findings", tmp_path / "one.csv", "--quarantine", tmp_path / "one.csv")
    assert run("import", path, "--store", stored, *both)[0] == 2
    # The same command again replaces its findings, and no other file.
    assert run("import", path, "--store", stored, "--findings", sheet)[0] == 1
    assert sheet.read_bytes() == seen[0]
    before = path.read_bytes()
    assert run("import", path, "--store", stored, "--findings", path)[0] == 2
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "line",
    [
        ("bulletin", "--out"),
        ("publish", "--out"),
        ("plan", "--week", "2031-W06", "--shifts", "4", "--out"),
        ("templates", "--out"),
    ],
)
def test_nothing_is_written_into_a_store(run: Run, stored: Path, line: tuple[str, ...]) -> None:
    command, *rest = line
    for folder in (stored, stored / "interviews" / "new"):
        assert run(command, "--store", stored, *rest, folder)[0] == 2
    inside = stored / "rows.csv"
    assert run("estimate", "--store", stored, "--out", inside)[0] == 2
    assert run("verify", "--store", stored)[0] == 0


def test_closed_streams_end_in_no_traceback(tmp_path: Path, stored: Path) -> None:
    heard = tmp_path / "heard"
    for line, status in (("batches", 1), ("verify", 0)):
        words = f'exec "$0" -m analytics.cli {line} --store "$1" >&- 2>"$2"'
        command = ["sh", "-c", words, sys.executable, str(stored), str(heard)]
        assert subprocess.run(command, check=False, timeout=90).returncode == status
        assert "Traceback" not in heard.read_text()
    command[2] = 'exec "$0" -m analytics.cli batches --store "$1" 2>&-'
    listed = subprocess.run(command, check=False, capture_output=True, text=True, timeout=90)
    assert listed.returncode == 0
    assert "b0001" in listed.stdout


def test_withdraw_takes_a_batch_out(tmp_path: Path, run: Run, stored: Path) -> None:
    run("import", row_of("areas", area="C")(tmp_path), "--store", stored)
    status, _, err = run("withdraw", "b0002", "--store", stored)
    assert status == 0
    assert "version 3" in err
    assert run("withdraw", "b0002", "--store", stored)[0] == 2
    assert "withdrawn in version 3" in run("batches", "--store", stored)[1]
    status, _, err = run("withdraw", "b0002", "--store", stored, "--undo")
    assert status == 0
    assert "put b0002" in err
    assert "current, put back in version 4" in run("batches", "--store", stored)[1]
    assert run("withdraw", "b0002", "--store", stored, "--undo")[0] == 2


def test_templates_are_written_once(tmp_path: Path, run: Run) -> None:
    status, _, err = run("templates", "--out", tmp_path / "forms")
    assert status == 0
    assert "tables.xlsx" in err
    assert (tmp_path / "forms" / "csv" / "interviews.csv").is_file()
    assert run("templates", "--out", tmp_path / "forms")[0] == 2


def test_templates_offer_the_codes_of_a_store(tmp_path: Path, run: Run, stored: Path) -> None:
    assert run("templates", "--out", tmp_path / "forms", "--store", stored)[0] == 0
    book = openpyxl.load_workbook(tmp_path / "forms" / "tables.xlsx")
    offered = {cell.value for column in book["codes"].columns for cell in column[1:]}
    assert {row["area"] for row in field_week()["areas"]} <= offered


def test_withdraw_is_refused_where_rows_hang_on_it(tmp_path: Path, run: Run, stored: Path) -> None:
    late = row_of("interviews", interview_id="i3")(tmp_path)
    run("import", late, "--store", stored)
    status, _, err = run("withdraw", "b0001", "--store", stored)
    assert status == 1
    assert "no sample_id d1 in site_days" in err
    hanging = Store(stored).batches()[1].batch
    assert f"would stand in rows of {hanging}; withdraw that first" in err
    assert Store(stored).version == 2


def test_estimates_are_the_contracts_rows(tmp_path: Path, run: Run, stored: Path) -> None:
    status, out, _ = run("estimate", "--store", stored, "--by", "season", "--out", "-")
    assert status == 0
    assert out.splitlines()[0] == ",".join(RESULT_COLUMNS)
    csv_file, parquet = tmp_path / "rows.csv", tmp_path / "rows.parquet"
    assert run("estimate", "--store", stored, "--by", "season", "--out", csv_file)[0] == 0
    assert csv_file.read_text() == out
    assert run("estimate", "--store", stored, "--out", parquet)[0] == 0
    assert pq.read_schema(parquet).equals(RESULT_SCHEMA)
    assert set(pq.read_table(parquet)["week"].to_pylist()) == {"2030-W44"} | {
        f"2030-W{week}" for week in range(45, 53)
    } | {"2031-W01", "2031-W02"}
    assert not list(tmp_path.glob(".draft-*"))


@pytest.mark.parametrize(
    ("chosen", "words"),
    [
        (("--effort", "counts", "--day-hours", "9"), "counted_days("),
        (("--expand",), "expanded(factor="),
        (("--thin", "refuse"), "refused"),
    ],
)
def test_other_ways_to_reckon_say_so_in_every_method(
    tmp_path: Path, run: Run, chosen: tuple[str, ...], words: str
) -> None:
    week = field_week()
    week["site_days"] += [
        week["site_days"][0] | {"sample_id": f"e{day}", "date": f"2031-01-{day:02d}"}
        for day in (7, 8)
    ]
    week["interviews"] += [
        week["interviews"][0] | {"interview_id": f"e{day}", "sample_id": f"e{day}"}
        for day in (7, 8)
    ]
    store = tmp_path / "store"
    assert run("import", write_week(week, tmp_path / "week"), "--store", store)[0] == 0
    asked = ("estimate", "--store", store, "--by", "week", "--out", "-")
    status, out, err = run(*asked, *chosen)
    assert status == 0, err
    assert words in next(line for line in out.splitlines() if ",2031-W02,kept_fish," in line)
    assert words not in run(*asked)[1]


def test_a_bulletin_is_kept_and_written(tmp_path: Path, run: Run, stored: Path) -> None:
    from analytics.bulletin.archive import TABLE_SCHEMAS, archive_of, list_bulletins

    out = tmp_path / "out"
    status, _, err = run("bulletin", "--store", stored, "--out", out)
    assert status == 0
    card = list_bulletins(archive_of(stored))[0]
    assert card.bulletin in err
    for name, schema in TABLE_SCHEMAS.items():
        assert pq.read_schema(out / f"{name}.parquet").names == schema.names
        header = (out / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
        assert header == ",".join(schema.names)


WRONG: dict[str, tuple[tuple[str, ...], str]] = {
    "no command": (("frobnicate",), "No such command"),
    "no store option": (("batches",), "Missing option '--store'"),
    "by": (("estimate", "--by", "month", "--out", "-", "--store", "{}"), "area,week or season"),
    "by twice": (("estimate", "--by", "area,area", "--out", "-", "--store", "{}"), "allowed"),
    "level": (("estimate", "--level", "95", "--out", "-", "--store", "{}"), "such as 0.95"),
    "level nan": (("estimate", "--level", "nan", "--out", "-", "--store", "{}"), "such as 0.95"),
    "week": (("estimate", "--through", "2031-5", "--out", "-", "--store", "{}"), "2031-W05"),
    "week 60": (("bulletin", "--through", "2031-W60", "--store", "{}"), "2031-W05"),
    "season": (("estimate", "--season", "1", "--out", "-", "--store", "{}"), "2030-31"),
    "version": (("estimate", "--as-of", "9", "--out", "-", "--store", "{}"), "0 to 1"),
    "thin": (("estimate", "--thin", "guess", "--out", "-", "--store", "{}"), "borrow"),
    "two ways": (
        ("estimate", "--effort", "counts", "--expand", "--out", "-", "--store", "{}"),
        "nothing to expand",
    ),
    "hours of no count": (
        ("estimate", "--day-hours", "9", "--out", "-", "--store", "{}"),
        "with effort counts only",
    ),
    "hours of a day": (
        ("estimate", "--effort", "counts", "--day-hours", "0", "--out", "-", "--store", "{}"),
        "at most 24",
    ),
    "ending": (("estimate", "--out", "rows.xlsx", "--store", "{}"), ".csv or .parquet"),
    "folder": (("estimate", "--out", "/no/such/rows.csv", "--store", "{}"), "make it first"),
    "short batch": (("withdraw", "b000", "--store", "{}"), "such as b0003"),
    "batch": (("withdraw", "b7", "--store", "{}"), "no batch 'b7'"),
    "path": (("import", "/no/such", "--store", "{}"), "does not exist"),
    "empty reason": (("import", "{}", "--reason", " ", "--store", "{}"), "a few words"),
    "reason of lines": (("import", "{}", "--reason", "a\nb", "--store", "{}"), "on one line"),
    "seed": (("demo", "--seed", "-1", "--out", "x"), "x>=0"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_use_is_status_two(run: Run, stored: Path, name: str) -> None:
    before = contents(stored)
    args, words = WRONG[name]
    status, out, err = run(*(arg.replace("{}", str(stored)) for arg in args))
    assert (status, out) == (2, "")
    assert words in err
    assert contents(stored) == before


@pytest.mark.parametrize("command", ["batches", "estimate", "bulletin", "withdraw", "open"])
def test_commands_that_read_want_a_store(tmp_path: Path, run: Run, command: str) -> None:
    more = {"estimate": ("--out", "-"), "withdraw": ("b1",)}.get(command, ())
    status, _, err = run(command, "--store", tmp_path / "none", *more)
    assert status == 2
    assert "no store at" in err
    assert not (tmp_path / "none").exists()


def test_a_folder_that_holds_something_else_is_no_store(tmp_path: Path, run: Run) -> None:
    week = write_week(field_week(), tmp_path / "week")
    status, _, err = run("import", week, "--store", week)
    assert status == 2
    assert "not a store" in err


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path, run: Run) -> None:
    week = write_week(field_week(), tmp_path / "week")
    status, _, err = run("import", week, "--store", "/proc/nowhere/store")
    assert status == 2
    assert "cannot be made" in err


@pytest.mark.parametrize(
    "command",
    [
        ("estimate", "--out", "/proc/rows.csv", "--store", "{}"),
        ("bulletin", "--out", "/proc/nowhere/week", "--store", "{}"),
        ("demo", "--out", "/proc/nowhere/demo"),
        ("import", "{}/../week", "--quarantine", "/proc/aside.csv", "--store", "{}"),
    ],
    ids=lambda command: command[0],
)
def test_an_out_that_cannot_be_written_is_wrong_use(
    run: Run, stored: Path, command: tuple[str, ...], tmp_path: Path
) -> None:
    row_of("interviews", interview_id="i9", hours_fished=-1)(tmp_path / "week")
    status, out, err = run(*(part.replace("{}", str(stored)) for part in command))
    assert (status, out) == (2, "")
    assert re.search("cannot be written|nothing can be written", err), err
    assert Store(stored).version == 1


def python(script: str, *args: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", textwrap.dedent(script), *map(str, args)]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=90)


def test_a_full_disk_is_told_and_leaves_the_store(tmp_path: Path, stored: Path) -> None:
    rows = field_week()["interviews"][0]
    many = [rows | {"interview_id": f"x{n}", "trip_complete": "no"} for n in range(20_000)]
    path = write_csv(tmp_path / "interviews.csv", many)
    done = python(
        """
        import resource, sys
        resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))
        from analytics.cli import main
        main(["import", sys.argv[1], "--store", sys.argv[2]])
        """,
        path,
        stored,
    )
    assert done.returncode == 1, done.stderr[-500:]
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr
    assert Store(stored).version == 1
    assert Store(stored).read("interviews").num_rows == 2


def interrupted_import(stored: Path, folder: Path, table: str) -> tuple[str, Path]:
    """Import a sound and a faulty row, interrupted once a table is written; return the message."""
    rows = [{"area": "C", "area_name": "New"}, {"area": "D", "area_name": "=1"}]
    aside = folder / "aside.csv"
    done = python(
        """
        import os, signal, sys
        from analytics.cli import main
        from analytics.data.store import delta
        append = delta.append

        def interrupted(path, data, **how):
            append(path, data, **how)
            if path.name == sys.argv[3]:
                os.kill(os.getpid(), signal.SIGINT)

        delta.append = interrupted
        main(["import", sys.argv[1], "--store", sys.argv[2], "--quarantine", sys.argv[4]])
        """,
        write_csv(folder / "areas.csv", rows),
        stored,
        table,
        aside,
    )
    assert done.returncode == 130
    assert "Traceback" not in done.stderr
    return done.stderr, aside


def test_an_interrupt_leaves_the_store(tmp_path: Path, stored: Path) -> None:
    said, aside = interrupted_import(stored, tmp_path, "areas")
    assert "interrupted; the store is as it was, at version 1" in said
    assert Store(stored).version == 1
    assert Store(stored).read("areas").num_rows == 2
    assert not aside.exists()


def test_an_interrupt_after_the_batch_is_in_says_so(tmp_path: Path, stored: Path) -> None:
    said, aside = interrupted_import(stored, tmp_path, "_batches")
    assert "interrupted once the store had gone from version 1 to 2" in said
    assert Store(stored).read("areas").num_rows == 3
    assert '""area"": ""D""' in aside.read_text(encoding="utf-8-sig")


def test_help_explains_each_command_quickly(run: Run) -> None:
    status, out, _ = run("--help")
    assert status == 0
    for command in COMMANDS:
        assert command in out
        status, text, _ = run(command, "--help")
        assert status == 0
        assert f"blackmouth {command}" in text.split("Examples:")[1]
    done = python(
        """
        import sys
        from analytics.cli import main
        try:
            main(["--help"])
        except SystemExit:
            heavy = {"pandas", "pyarrow", "duckdb", "deltalake", "scipy", "numpy", "streamlit"}
            print("LOADED", sorted(heavy & set(sys.modules)))
        """
    )
    assert "LOADED []" in done.stdout


def test_commands_calculate_small_matrices_in_one_thread() -> None:
    script = """
        import os, sys
        os.environ.pop("OPENBLAS_NUM_THREADS", None)
        from analytics.cli import main
        try:
            main(["--version"])
        except SystemExit:
            import numpy
            from threadpoolctl import threadpool_info
            print(*(one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"))
    """
    assert python(script).stdout.split()[-1] == "1"


def test_the_demo_can_be_imported(tmp_path: Path, run: Run) -> None:
    assert run("demo", "--out", tmp_path / "demo", "--seed", "3")[0] == 0
    store = tmp_path / "store"
    assert run("import", tmp_path / "demo", "--store", store, "--check-only")[0] == 0
    assert run("import", tmp_path / "demo" / "dirty", "--store", store)[0] == 1
    assert not store.exists()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        return int(probe.getsockname()[1])


def test_open_serves_the_store_until_interrupted(stored: Path) -> None:
    port = free_port()
    command = [sys.executable, "-m", "analytics.cli", "open"]
    command += ["--store", str(stored), "--port", str(port)]
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    child = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment)
    try:
        assert child.stderr is not None
        said = ""
        until = time.monotonic() + 60
        while "the dashboard is at" not in said and time.monotonic() < until:
            said += child.stderr.readline()
        assert f"http://localhost:{port}" in said
        assert "no bulletin in" in said
        with urllib.request.urlopen(f"http://localhost:{port}/_stcore/health", timeout=60) as ok:
            assert ok.status == 200
        child.send_signal(signal.SIGINT)
        rest = child.communicate(timeout=60)[1]
    finally:
        child.kill()
        child.wait()
    assert child.returncode == 0
    assert "the dashboard has ended" in rest
    with socket.socket() as probe:
        assert probe.connect_ex(("localhost", port)) != 0


def test_open_for_the_public_wants_what_publish_wrote(run: Run, tmp_path: Path) -> None:
    status, _, err = run("open", "--public", tmp_path)
    assert status == 2
    assert "has no figures.csv and no about.json" in err
    assert run("open", "--public", tmp_path / "none")[0] == 2
    assert run("open", "--public", tmp_path, "--store", tmp_path)[0] == 2


def publication(folder: Path, estimate: str = "12.5", n_figures: int = 1) -> Path:
    """Return a folder with one published figure."""
    folder.mkdir(exist_ok=True)
    about = {"season": "2030-31", "figures": {"all": n_figures}}
    (folder / "about.json").write_text(json.dumps(about))
    heads = "season,area,week,quantity,unit,estimate,ci_low,ci_high,ci_level,precision,status"
    row = f"2030-31,,,kept_fish,fish,{estimate},,,,within_30,"
    (folder / "figures.csv").write_text(f"{heads}\n{row}\n")
    return folder


@pytest.mark.parametrize(("estimate", "n_figures"), [("1x", 1), ("nan", 1), ("12.5", 2)])
def test_open_for_the_public_refuses_what_is_damaged(
    run: Run, tmp_path: Path, served: dict[str, str], estimate: str, n_figures: int
) -> None:
    status, _, err = run("open", "--public", publication(tmp_path / "p", estimate, n_figures))
    assert status == 2
    assert "is not as `blackmouth publish` wrote it" in err
    assert not served


def test_open_refuses_a_port_in_use(run: Run, stored: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("localhost", 0))
        taken.listen()
        status, _, err = run("open", "--store", stored, "--port", taken.getsockname()[1])
    assert status == 2
    assert "is in use" in err


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> dict[str, str]:
    """Stand in for the dashboard with a program that tells its environment and ends."""
    from analytics.cli import open_command

    told: dict[str, str] = {}
    app = tmp_path / "app.py"
    app.write_text("")

    class Child:
        def __init__(self, command: list[str], *, env: dict[str, str], **_: Any) -> None:
            told.update(env, COMMAND=" ".join(command))

        def wait(self, timeout: float | None = None) -> int:
            raise KeyboardInterrupt

        def poll(self) -> int:
            return 0

    monkeypatch.setattr(open_command.subprocess, "Popen", Child)
    monkeypatch.setattr(open_command, "_wait_for", lambda child, port, address: None)
    monkeypatch.setattr(open_command, "_app", lambda script: app)
    monkeypatch.setattr(open_command.signal, "signal", lambda *_: None)
    return told


def test_open_tells_the_page_that_the_demo_is_invented(
    run: Run, published: Path, served: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from analytics.cli import demo_store

    monkeypatch.setattr(demo_store, "prepare", lambda progress: published)
    assert run("open")[0] == 0
    assert served["BLACKMOUTH_DEMO"] == "1"
    served.clear()
    monkeypatch.setenv("BLACKMOUTH_DEMO", "1")
    assert run("open", "--store", published)[0] == 0
    assert "BLACKMOUTH_DEMO" not in served
    assert served["BLACKMOUTH_ARCHIVE"] == str(published / "bulletins")


def test_open_lets_pages_write_a_store_but_not_for_the_public(
    run: Run,
    published: Path,
    served: dict[str, str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert run("open", "--store", published)[0] == 0
    assert served["BLACKMOUTH_STORE"] == str(published)
    served.clear()
    public = publication(tmp_path / "public")
    monkeypatch.setenv("BLACKMOUTH_STORE", str(published))
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "x")
    assert run("open", "--public", public)[0] == 0
    private = {key for key in served if key.startswith(("BLACKMOUTH_", "AWS_"))}
    assert private == {"BLACKMOUTH_PUBLIC"}
    assert str(published) not in "".join(served.values())
    (empty := tmp_path / "empty").mkdir()
    status, _, err = run("open", "--store", empty)
    assert (status, served["BLACKMOUTH_STORE"]) == (0, str(empty))
    assert "no data in" in err


def test_the_demo_opens_as_a_copy_of_its_own(
    run: Run, published: Path, served: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from analytics.cli import demo_store

    monkeypatch.setattr(demo_store, "prepare", lambda progress: published)
    assert run("open")[0] == 0
    copy = Path(served["BLACKMOUTH_STORE"])
    assert copy != published
    assert not copy.exists()  # gone at the end
    assert published.exists()
    assert served["BLACKMOUTH_ARCHIVE"] == str(copy / "bulletins")


def test_open_says_where_the_store_has_moved_on(
    tmp_path: Path, run: Run, published: Path, served: dict[str, str]
) -> None:
    assert "newest bulletin" not in run("open", "--store", published)[2]
    run("import", row_of("areas", area="C")(tmp_path), "--store", published)
    status, _, err = run("open", "--store", published)
    assert status == 0
    words = "the store is at version 2, its newest bulletin at 1: run `blackmouth bulletin --store"
    assert f"{words} {published}`" in err
    assert len(list((published / "bulletins").glob("[!.]*"))) == 1
    run("bulletin", "--store", published)
    assert "newest bulletin" not in run("open", "--store", published)[2]


def test_open_serves_a_team_only_with_its_login_in_order(
    run: Run, published: Path, served: dict[str, str], tmp_path: Path
) -> None:
    status, _, err = run("open", "--store", published, "--address", "0.0.0.0")
    assert (status, served) == (2, {})
    assert "without a login" in err
    (people := tmp_path / "people.toml").write_text('[people]\n"a@b.org" = "boss"\n')
    assert run("open", "--store", published, "--people", people)[0] == 2
    people.write_text('[people]\n"a@b.org" = "viewer"\n')
    status, _, err = run("open", "--store", published, "--people", people)
    assert (status, served) == (2, {})
    assert "secrets.toml" in err
    secrets = tmp_path / "other.toml"
    secrets.touch(mode=0o600)
    secrets.write_text(
        '[auth]\nredirect_uri = "https://survey.example.org/oauth2callback"\n'
        f'cookie_secret = "{"5ecret" * 8}"\nclient_id = "a"\nclient_secret = "hush"\n'
        'server_metadata_url = "https://login.example.org/openid"\n'
    )
    both = ["--people", people, "--secrets", secrets]
    status, _, err = run("open", "--store", published, *both)
    assert status == 0
    assert served["BLACKMOUTH_PEOPLE"] == str(people)
    assert "--client.showErrorDetails none" in served["COMMAND"]
    assert "hush" not in err + served["COMMAND"]
    served.clear()
    assert run("open", "--store", published)[0] == 0
    assert "BLACKMOUTH_PEOPLE" not in served
    assert "--server.address 127.0.0.1" in served["COMMAND"]
