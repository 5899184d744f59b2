"""Whatever a file holds, the intake ends in findings: never an exception, never half a batch."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.data.store import Store
from tests.sizes import n_sized

HEADER = ",".join(column.name for column in TABLES["holding_trials"].columns)
CELL = st.one_of(
    st.sampled_from(
        ["", "t1", "t2", "3", "-1", "1e9", "NaN", "=1", "2031-01-01", '"', "a\nb", "é"]
    ),
    st.text(max_size=6),
    st.integers(0, 30).map(str),
)
LINE = st.lists(CELL, min_size=4, max_size=6).map(",".join)


def taken(path: Path, *, quarantine: bool) -> tuple[int, int]:
    """Import a file into a new store; return rows stored and errors left."""
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder) / "s")
        reading = importing.read_paths([path])
        checked = importing.check(reading, store, quarantine=quarantine)
        assert all(finding.seen for finding in checked.findings)
        if checked.errors:
            return 0, len(checked.errors)
        importing.store_checked(checked, store)
        return store.read(path.stem).num_rows, 0


@settings(max_examples=n_sized(20, 40))
@given(lines=st.lists(LINE, max_size=5), quarantine=st.booleans())
def test_any_text_under_a_right_header_ends_in_findings(lines: list[str], quarantine: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "holding_trials.csv"
        path.write_text("\n".join([HEADER, *lines]), encoding="utf-8", newline="")
        rows, errors = taken(path, quarantine=quarantine)
        assert rows <= sum(line.count("\n") + 1 for line in lines)
        if quarantine:
            assert not errors  # every fault here is a row's


@settings(max_examples=n_sized(25, 60))
@given(content=st.binary(max_size=80))
def test_any_bytes_end_in_findings(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for ending in ("csv", "parquet"):
            path = Path(folder) / f"areas.{ending}"
            path.write_bytes(content)
            rows, errors = taken(path, quarantine=False)
            assert rows or errors or b"area" in content


@settings(max_examples=n_sized(25, 60))
@given(damage=st.dictionaries(st.integers(0, 10**6), st.integers(0, 255), min_size=1, max_size=8))
def test_a_damaged_parquet_file_ends_in_findings(damage: dict[int, int]) -> None:
    table = pa.table({"area": [f"A{n}" for n in range(50)], "area_name": ["ü"] * 50})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "areas.parquet"
        pq.write_table(table, path)
        content = bytearray(path.read_bytes())
        for place, byte in damage.items():
            content[place % len(content)] = byte
        path.write_bytes(bytes(content))
        rows, errors = taken(path, quarantine=False)
        assert rows == 50 or errors or rows == 0
