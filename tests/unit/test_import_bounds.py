"""Files made to fill the memory, to hang or to lead elsewhere are refused before they can."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analytics.cli import main
from analytics.data import importing
from analytics.data.importing import input_files, reading
from analytics.errors import UsageError
from tests.mutations import packed, workbook_parts

if TYPE_CHECKING:
    from collections.abc import Callable

MB = 1 << 20
HEAD = "<row><c t='inlineStr'><is><t>area</t></is></c></row>"


def peak_of(act: Callable[[], object]) -> int:
    """Return how many bytes of memory an act took at most, beside what was there before."""
    status = Path("/proc/self/status")
    Path("/proc/self/clear_refs").write_text("5")

    def field(name: str) -> int:
        line = next(one for one in status.read_text().splitlines() if one.startswith(name))
        return int(line.split()[1]) << 10

    before = field("VmRSS")
    act()
    return field("VmHWM") - before


def refused(path: Path, *, most: int = 300 * MB) -> str:
    """Read a file that is refused within bounds of memory; return the fault."""
    found = []
    peak = peak_of(lambda: found.append(importing.read_paths([path])))
    assert peak < most, f"{peak >> 20} MB"
    assert found[0].faults, found[0].findings
    return str(found[0].faults[0])


def sparse(path: Path, head: bytes, size: int) -> Path:
    """Write a file that takes no room on the disk and reads as zeros after its beginning."""
    with path.open("wb") as file:
        file.write(head)
        file.truncate(size)
    return path


@pytest.mark.parametrize("head", [b"", b"area,area_name\nA,", b'area,area_name\nA,"'])
def test_a_cell_of_half_a_gigabyte_is_never_in_memory(tmp_path: Path, head: bytes) -> None:
    said = refused(sparse(tmp_path / "areas.csv", head, 1 << 29))
    assert "allowed" in said


def test_a_workbook_is_bounded_by_its_file_and_by_what_it_unpacks_to(tmp_path: Path) -> None:
    path = sparse(tmp_path / "big.xlsx", b"PK\x03\x04", input_files.MOST_UNPACKED + 1)
    assert "at most 512 MB" in refused(path)
    zeros = bytes(40 * MB)
    path = tmp_path / "bomb.xlsx"
    path.write_bytes(packed(workbook_parts([("areas", HEAD)], []) | {"xl/x.xml": zeros}))
    assert "unpacks to" in refused(path)
    with zipfile.ZipFile(tmp_path / "many.xlsx", "w") as book:
        for at in range(input_files.MOST_PARTS + 1):
            book.writestr(f"{at}", b"")
    assert "at most 5,000 parts" in refused(tmp_path / "many.xlsx")
    with zipfile.ZipFile(tmp_path / "more.xlsx", "w") as book:
        for at in range(30_000):
            book.writestr(f"{'x' * 80}{at}", b"")
    assert "at most 5,000 parts" in refused(tmp_path / "more.xlsx")


def test_elements_and_rows_of_a_workbook_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "areas.xlsx"
    parts = workbook_parts([("areas", f"<sheetData>{HEAD}</sheetData>")], [])
    many = b"<sst>" + b"<si a='0123456789'/>" * 9_000 * 1_000 + b"</sst>"
    path.write_bytes(packed(parts | {"xl/sharedStrings.xml": many[: 170 * MB]}))
    said = refused(path)
    assert "elements" in said or "unpacks to" in said
    far = f'<sheetData>{HEAD}<row r="2000000000"><c><v>1</v></c></row></sheetData>'
    path.write_bytes(packed(workbook_parts([("areas", far)], [])))
    assert "1,048,576 rows" in refused(path)
    long = f"<row><c t='inlineStr'><is><t>{'x' * 40_000}</t></is></c></row>"
    path.write_bytes(
        packed(workbook_parts([("areas", f"<sheetData>{HEAD}{long}</sheetData>")], []))
    )
    assert "at most 32,767 characters" in refused(path)
    path.write_bytes(packed(workbook_parts([("areas", far), ("areas", far)], [])))
    assert "2 sheets called 'areas'" in refused(path)


def test_few_bytes_of_parquet_do_not_become_many(tmp_path: Path) -> None:
    path = tmp_path / "areas.parquet"
    long = pa.DictionaryArray.from_arrays(pa.array([0] * 400_000, pa.int32()), pa.array(["x" * MB]))
    pq.write_table(pa.table({"area": long}), path, compression="zstd")
    assert path.stat().st_size < 100_000
    assert "at most 512 MB" in refused(path)
    pq.write_table(pa.table({"area": ["A"], "area_name": [[["x"]]]}), path)
    assert "one value a cell" in refused(path)
    wide = {f"c{at}": [1] for at in range(input_files.MOST_COLUMNS)}
    pq.write_table(pa.table({"area": ["A"]} | wide), path)
    assert "at most 500 columns" in refused(path)
    pq.write_table(pa.table({"area": pa.array([b"x" * 100], pa.binary(100))}), path)
    assert "one value a cell" in refused(path)


def test_counts_of_parquet_that_lie_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "holidays.parquet"
    days = pa.array(["2031-01-01"] * 77)
    pq.write_table(pa.table({"date": days, "holiday": days}), path)
    content = path.read_bytes()
    # 77 rows stand as 0x9a 0x01 in the file's own account, in the groups' and in the columns'.
    at = [n for n in range(len(content)) if content[n : n + 2] == b"\x9a\x01"]
    lies = 0
    for place in at:
        path.write_bytes(content[:place] + b"\xfe\x7f" + content[place + 2 :])
        found = importing.read_paths([path])
        lies += bool(found.faults)
        assert found.faults or found.tables["holidays"].n_rows == 77
    assert lies >= 3
    monkeypatch.setattr(reading, "_LARGE_ROWS", 10)
    path.write_bytes(content[: at[-1]] + b"\xfe\x7f" + content[at[-1] + 2 :])
    assert importing.read_paths([path]).faults


def test_long_lines_and_headers_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "areas.csv"
    path.write_bytes(b"area," + b"x," * (input_files.MOST_COLUMNS + 1) + b"\nA\n")
    assert "at most 500 columns" in refused(path)
    path.write_bytes(b"area," + b"x" * (2 * MB) + b"\nA\n")
    assert importing.read_paths([path]).faults
    path.write_bytes(b"area,area_name\n" + b"A,B\n" + b"," * (65 * MB) + b"\n")
    assert refused(path, most=700 * MB)


def test_digits_without_end_take_no_time(tmp_path: Path) -> None:
    path = tmp_path / "holding_trials.csv"
    digits = "9" * 300_000
    path.write_text(f"trial_id,group,held,died,hours,more\nt,g,{digits}x,{digits},1,{digits}x\n")
    found = importing.read_paths([path])
    assert {one.column for one in found.findings if one.severity == "error"} == {
        *("held", "died", "more")
    }


def test_names_and_links_lead_nowhere_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a\nb.xlsx", "x\x1b[2J.csv", os.fsdecode(b"areas\xff.xlsx"), "\u202e.xlsx"):
        path = tmp_path / "odd" / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"x")
        assert "rename it" in refused(path)
    aside = tmp_path / "said.csv"
    given = ["import", str(tmp_path / "odd"), "--store", str(tmp_path / "s"), "--findings"]
    with pytest.raises(SystemExit) as ended:
        main([*given, str(aside)])
    assert ended.value.code == 1
    assert aside.read_text().count("rename it") == 4
    assert "\x1b" not in capsys.readouterr().err
    os.mkfifo(tmp_path / "areas.csv")
    assert "an ordinary file" in refused(tmp_path / "areas.csv")
    (tmp_path / "sites.csv").symlink_to("/dev/zero")
    assert "an ordinary file" in refused(tmp_path / "sites.csv")
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    for wrong in (Path("x" * 5000), Path("a\0b"), tmp_path / "loop.csv"):
        with pytest.raises(UsageError, match="does not exist"):
            importing.read_paths([wrong])
