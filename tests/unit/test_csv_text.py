"""Texts in CSV that a spreadsheet would run: one rule, in every export, taken back on reading."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.cli.terminal import write_table
from analytics.codes import sentences
from analytics.csv_text import as_meant, harmless, lines_csv, table_csv
from analytics.data import importing
from analytics.data.store import Store
from dashboard import html_tables

SCRIPT = Path(html_tables.__file__).with_name("page_tools.js")
HOSTILE = [
    "=1+1",
    "+cmd|x!A0",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    " =1",
    "＝1",
    "'=1",
    "''@x",
    "-",
]
PLAIN = ["-5", "+4.5e3", "North", "'s Bay", "a=b", "", "'", "2031-W05"]
#: Texts of the signs that matter, often.
texts = st.text(st.one_of(st.sampled_from("'=+-@\t\r\n \u00a0＝-5.e,\""), st.characters()))


def cells(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline="")))


@given(texts)
def test_reading_takes_back_what_writing_added(text: str) -> None:
    assert as_meant(harmless(text)) == text
    assert not harmless(text).startswith(("=", "@", "\t", "\r")), text


def test_signs_are_disarmed_and_numbers_stay() -> None:
    assert [harmless(one) for one in HOSTILE] == [f"'{one}" for one in HOSTILE]
    assert [harmless(one) for one in PLAIN] == PLAIN


def test_every_kind_of_export_follows_the_rule(tmp_path: Path) -> None:
    table = pa.table({"area": HOSTILE, "n": [-1, None, *range(len(HOSTILE) - 2)]})
    coded = table.set_column(0, "area", table["area"].dictionary_encode())
    counts = ["" if n is None else str(n) for n in table["n"].to_pylist()]
    wanted = [list(pair) for pair in zip(map(harmless, HOSTILE), counts, strict=True)]
    write_table(table, tmp_path / "out.csv")
    written = [
        (tmp_path / "out.csv").read_bytes().decode(),
        table_csv(coded),
        lines_csv(("area", "n"), [(line["area"], line["n"]) for line in table.to_pylist()]),
    ]
    for text in written:
        assert [line[:2] for line in cells(text)] == [["area", "n"], *wanted]
    named = html_tables.csv(table, dict.fromkeys(HOSTILE, "=HYPERLINK(1)")).decode()
    assert {line[1] for line in cells(named)[1:]} == {"'=HYPERLINK(1)"}


def test_names_of_limits_stand_beside_their_ids() -> None:
    table = pa.table({"limit_id": ["L1", "L2", None], "week": ["2036-W05"] * 3})
    found = cells(html_tables.csv(table, {}, {"L1": "Chinook kept, North"}).decode())
    assert [line[:2] for line in found] == [
        ["limit_id", "limit_name"],
        ["L1", "Chinook kept, North"],
        ["L2", "L2"],
        ["", ""],
    ]
    assert cells(html_tables.csv(table, {}).decode())[0] == table.column_names


def test_names_stand_beside_codes_of_areas_and_words_beside_assumptions() -> None:
    table = pa.table(
        {
            "area": ["A", None],
            "areas": ["A;B", "C"],
            "landing_area": ["B", None],
            "assumption": ["weekly_use", None],
        }
    )
    heads, first, second = cells(html_tables.csv(table, {"A": "North", "B": "South"}).decode())
    one, other = (dict(zip(heads, line, strict=True)) for line in (first, second))
    assert [one[f"{name}_name"] for name in table.column_names[:3]] == [
        "North",
        "North; South",
        "South",
    ]
    assert [other[f"{name}_name"] for name in table.column_names[:3]] == ["all areas", "C", ""]
    assert one["assumption_words"] == sentences("weekly_use")
    assert other["assumption_words"] == ""


def test_a_table_that_was_exported_is_read_as_it_was(tmp_path: Path) -> None:
    names = ["'=North", "''@x", "'s Bay", "plain"]
    table = pa.table({"area": list("ABCD"), "area_name": names})
    write_table(table, tmp_path / "areas.csv")
    assert "''=North" in (tmp_path / "areas.csv").read_text()
    store = Store(tmp_path / "store")
    importing.import_files(store, tmp_path / "areas.csv")
    assert store.read("areas")["area_name"].to_pylist() == names


@pytest.mark.parametrize("name", HOSTILE)
def test_rows_set_aside_come_in_again_as_they_were(tmp_path: Path, name: str) -> None:
    (tmp_path / "areas.csv").write_text(f'area,area_name\n,"{name}"\n', newline="")
    reading = importing.read_paths([tmp_path / "areas.csv"])
    checked = importing.check(reading, Store(tmp_path / "s"), quarantine=True)
    aside = importing.quarantine_csv(checked.set_aside, reading.raws)
    for text in (aside, importing.findings_csv(checked.findings)):
        for line in cells(text):
            assert not any(one.startswith(("=", "@", "+", "-", "\t", "\r")) for one in line), line
    rows = [json.loads(line[-1]) for line in cells(aside)[1:2]]
    again = tmp_path / "again" / "areas.csv"
    again.parent.mkdir()
    again.write_text(lines_csv(("area", "area_name"), [(r["area"], r["area_name"]) for r in rows]))
    second = importing.read_paths([again])
    assert second.raws[0].data.equals(reading.raws[0].data)
    seen = [[(one.row, one.column, one.seen) for one in r.findings] for r in (reading, second)]
    assert seen[0] == seen[1] != []


@pytest.mark.skipif(shutil.which("node") is None, reason="no JavaScript outside a browser here")
def test_the_browser_follows_the_same_rule() -> None:
    words = SCRIPT.read_text()
    rule = words[words.index("  const NUMBER") : words.index("  saveAs.CSV")]
    program = f"{rule} console.log(JSON.stringify({json.dumps([*HOSTILE, *PLAIN])}.map(cellOf)))"
    done = subprocess.run(["node", "-e", program], capture_output=True, text=True, check=True)
    wanted = [harmless(one) for one in [*HOSTILE, *PLAIN]]
    assert [next(iter(cells(one)), [""])[0] for one in json.loads(done.stdout)] == wanted
