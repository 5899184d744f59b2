"""``blackmouth revisions`` as a user meets it: the table, the sentence, and wrong use in words."""

from __future__ import annotations

import csv
import io

import pyarrow.parquet as pq
import pytest

from analytics.bulletin.archive import REVISION_SCHEMA
from analytics.cli import main
from analytics.data.store import Store
from tests.field_week import field_week, write_csv


@pytest.fixture
def run(capsys):
    def ran(*args):
        with pytest.raises(SystemExit) as ended:
            main([str(arg) for arg in args])
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return int(ended.value.code or 0), said.out, said.err

    return ran


@pytest.fixture
def store(tmp_path, field, run):
    """Return a store with the clean week, then a correction of its first interview."""
    path = field / "store"
    slip = write_csv(tmp_path / "interviews.csv", [field_week()["interviews"][0] | {"kept": 2}])
    assert run("import", slip, "--store", path)[0] == 0
    return path


def test_the_moves_come_as_csv_with_the_batch_and_a_sentence(run, store):
    status, out, err = run("revisions", "--store", store, "--out", "-")
    assert status == 0
    lines = list(csv.DictReader(io.StringIO(out)))
    assert list(lines[0]) == REVISION_SCHEMA.names
    batch = Store(store).batches()[1]
    assert {line["batch"] for line in lines} == {batch.batch}
    assert {line["sources"] for line in lines} == {"interviews.csv"}
    kept = [line for line in lines if line["quantity"] == "kept_fish" and line["change"]]
    assert kept
    for line in kept:
        assert float(line["change"]) > 0
        assert float(line["estimate"]) == pytest.approx(
            float(line["previous"]) + float(line["change"])
        )
    assert err.startswith("season 2030-31, from version 1 to 2: ")
    assert len(err.splitlines()) == 1


def test_a_file_holds_the_same_rows(run, store, tmp_path):
    target = tmp_path / "moved.parquet"
    status, out, err = run("revisions", "--store", store, "--by", "week", "--out", target)
    assert (status, out) == (0, "")
    table = pq.read_table(target)
    assert table.schema.equals(REVISION_SCHEMA)
    assert set(table["area"].to_pylist()) == {None}
    assert f"{table.num_rows} rows in {target}" in err


def test_nothing_moved_is_said(run, store):
    status, out, err = run("revisions", "--store", store, "--since", 2, "--out", "-")
    assert status == 0
    assert out.splitlines() == [",".join(REVISION_SCHEMA.names)]
    assert "from version 2 to 2: no estimate moved" in err


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--since", "9"], "name an earlier version first"),
        (["--since", "2", "--as-of", "1"], "name an earlier version first"),
        (["--as-of", "9"], "no version 9"),
        (["--season", "1999-00"], "no season '1999-00'"),
        (["--by", "ramp"], "allowed: area, week, area,week or season"),
        (["--out", "moved.txt"], "allowed: a file ending in .csv or .parquet"),
    ],
)
def test_wrong_use_is_told_in_words(run, store, args, words):
    given = ["revisions", "--store", store, *([] if "--out" in args else ["--out", "-"]), *args]
    status, out, err = run(*given)
    assert (status, out) == (2, "")
    assert words in err


def test_no_store_is_wrong_use(run, tmp_path):
    status, _, err = run("revisions", "--store", tmp_path / "none", "--out", "-")
    assert status == 2
    assert "no store at" in err
