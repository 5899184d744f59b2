"""Queries reach the tables and files they were given, and nothing else."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analytics.data import query as sql

if TYPE_CHECKING:
    from pathlib import Path


def written(path: Path, **columns: list[object]) -> Path:
    """Write a Parquet file and return its path."""
    pq.write_table(pa.table(columns), path)
    return path


def test_a_query_reads_named_files_beside_tables(tmp_path: Path) -> None:
    file = written(tmp_path / "it's one.parquet", a=[1, 2], b=["x", None])
    rows = sql.ParquetRows((file,), "SELECT a FROM {files}", frozenset())
    more = pa.table({"a": [2, 3]})
    found = sql.run("SELECT a FROM files JOIN more USING (a)", {"files": rows, "more": more})
    assert found["a"].to_pylist() == [2]


@pytest.mark.parametrize(
    "query",
    [
        "SELECT * FROM read_parquet('{other}')",
        "SELECT * FROM '{other}'",
        "SELECT * FROM read_csv('{other}')",
        "SELECT * FROM glob('{folder}/*')",
        "COPY (SELECT 1) TO '{folder}/out.csv'",
        "SET allowed_paths = ['{other}']",
        "SET enable_external_access = true",
        "SELECT * FROM read_parquet('http://127.0.0.1:9/x.parquet')",
    ],
)
def test_no_other_file_and_no_network_is_reached(tmp_path: Path, query: str) -> None:
    one, other = (written(tmp_path / f"{name}.parquet", a=[1]) for name in ("one", "other"))
    rows = sql.ParquetRows((one,), "SELECT a FROM {files}", frozenset())
    with sql.connect({"rows": rows}) as connection:
        assert connection.sql("SELECT a FROM rows").fetchall() == [(1,)]
        with pytest.raises((duckdb.PermissionException, duckdb.InvalidInputException)):
            connection.sql(query.format(other=other, folder=tmp_path)).fetchall()
    assert not (tmp_path / "out.csv").exists()


def test_gaps_are_told_from_what_the_files_say_of_themselves(tmp_path: Path) -> None:
    first = written(tmp_path / "1.parquet", a=[1], b=[1], c=[1])
    second = written(tmp_path / "2.parquet", a=[1], b=[None])
    assert sql.gaps_of_files((first, second)) == {"a": False, "b": True, "c": True}
    third = tmp_path / "3.parquet"
    pq.write_table(pa.table({"a": [1]}), third, write_statistics=False)
    assert sql.gaps_of_files((third,)) == {"a": True}
    assert sql.gaps(pa.table({"a": [1, None], "b": [1, 2]})) == {"a"}


def test_a_query_short_of_memory_goes_on_in_a_folder_it_removes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sql, "MEMORY", "60MB")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(sql, "SMALL", 0)
    with sql.connect({}) as connection:
        connection.execute("CREATE TEMP TABLE t AS SELECT hash(i) AS a FROM range(20000000) r(i)")
        assert list(sql.scratch().iterdir())
        assert connection.sql("SELECT count(*) FROM t").fetchall() == [(20_000_000,)]
    assert not list(sql.scratch().iterdir())


def test_the_folder_of_a_killed_process_goes_with_the_next(tmp_path: Path) -> None:
    said = f"import os, tempfile; tempfile.tempdir = {str(tmp_path)!r}; "
    said += "from analytics.data.query import scratch; (scratch() / 'rows').touch(); "
    words = [sys.executable, "-c"]
    killed = subprocess.run([*words, said + "os.kill(os.getpid(), 9)"], check=False)
    assert killed.returncode == -9
    (left,) = tmp_path.glob("*/rows")
    at_work = "print(flush=True); input()"
    with subprocess.Popen(
        [*words, said + at_work], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        (held,) = tmp_path.glob("*/rows")
        assert held != left
        subprocess.run([*words, said], check=True)
        assert list(tmp_path.glob("*/rows")) == [held]
        other.communicate(b"\n")
    assert not list(tmp_path.iterdir())


def test_small_queries_share_a_database_and_see_their_own_tables_only(tmp_path: Path) -> None:
    with sql.connect({"rows": pa.table({"a": [1]})}) as first:
        with sql.connect({"rows": pa.table({"a": [2]})}) as second:
            assert second.sql("SELECT a FROM rows").fetchall() == [(2,)]
        assert first.sql("SELECT a FROM rows").fetchall() == [(1,)]
        with pytest.raises((duckdb.PermissionException, duckdb.InvalidInputException)):
            first.sql(f"SELECT * FROM read_csv('{tmp_path}/x.csv')").fetchall()
        with pytest.raises((duckdb.PermissionException, duckdb.InvalidInputException)):
            first.execute("SET enable_external_access = true")
    with sql.connect({}) as empty, pytest.raises(duckdb.CatalogException):
        empty.sql("SELECT a FROM rows").fetchall()


def test_a_slow_query_draws_nothing_on_standard_output() -> None:
    """Without a file of its own a program counts as a person at work, who would be shown a bar."""
    asked = "SELECT current_setting('enable_progress_bar') AS bar"
    code = f"from analytics.data import query; print(query.run({asked!r}, {{}})['bar'])"
    said = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert "false" in said.stdout
    assert "true" not in said.stdout
