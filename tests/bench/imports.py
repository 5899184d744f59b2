"""Imports of one large folder as processes, beside a bare reading of its interviews."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from tests.bench.big_tables import big_tables, site_days_of, write_tables
from tests.bench.commands import blackmouth
from tests.bench.processes import run_command
from tests.bench.runs import Part, Run, in_turns

if TYPE_CHECKING:
    import pyarrow as pa

READ = """
import duckdb
duckdb.sql("CREATE TABLE t AS FROM read_{ending}('{path}')")
"""
#: Interviews that are made at once; more are these again under other names.
PIECE = 2_000_000
_NOTE = "Peak memory of the reading is that of a table in memory; an import holds no table."


def part(*, n_interviews: int, ending: str, turns: int) -> Part:
    """Measure a first import and the same once more; every turn has its own store."""
    with tempfile.TemporaryDirectory() as place:
        folder, store = Path(place) / "tables", Path(place) / "store"
        n_site_days = write_folder(folder, n_interviews, ending)
        code = READ.format(ending=ending, path=folder / f"interviews.{ending}")
        words = ("import", str(folder), "--store", str(store))

        def first(_: int) -> Run:
            shutil.rmtree(store, ignore_errors=True)
            return blackmouth(*words)

        steps = {
            "bare reading in DuckDB (baseline)": lambda _: run_command(
                [sys.executable, "-c", code]
            ),
            "import": first,
            "the same once more": lambda _: blackmouth(*words),
        }
        runs = in_turns(steps, turns=turns)
    sizes = f"{n_interviews:,} interviews in {n_site_days:,} site-days, {ending}"
    return Part(f"imports, {n_interviews:,} {ending}", sizes, runs, tuple(steps)[1:], _NOTE)


def write_folder(folder: Path, n_interviews: int, ending: str) -> int:
    """Write a season of any size, its interviews piece by piece; return its number of site-days."""
    n_pieces = -(-n_interviews // PIECE)
    n_site_days = site_days_of(n_interviews)
    tables = big_tables(n_interviews=n_interviews // n_pieces, n_site_days=n_site_days)
    rows, days = tables.pop("interviews"), tables["site_days"]
    at = days.schema.get_field_index("boats_returned")
    boats = pc.multiply(days["boats_returned"], n_pieces)
    write_tables(
        tables | {"site_days": days.set_column(at, "boats_returned", boats)}, folder, ending=ending
    )
    path = folder / f"interviews.{ending}"
    is_csv = ending == "csv"
    with (pacsv.CSVWriter if is_csv else pq.ParquetWriter)(path, rows.schema) as writer:
        for place in range(n_pieces):
            writer.write_table(_renamed(rows, place))
    return n_site_days


def _renamed(rows: pa.Table, place: int) -> pa.Table:
    names = pc.binary_join_element_wise(rows["interview_id"], f"{place:02d}", "-")
    return rows.set_column(0, rows.schema.field(0), names)
