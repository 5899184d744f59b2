"""The comparison of frozen results: what it must notice, and what the map lets pass."""

from __future__ import annotations

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.goldens.compare import compare, table_differences
from tests.goldens.freeze import Checkout
from tests.goldens.names import Names, read_names

ROWS = {
    "area": ["A", "B"],
    "estimate": [1.5, None],
    "status": ["ok", "lost"],
    "reason": ["", "no boats"],
}


def frozen(folder, rows=ROWS, table="moved", said="2 rows\n"):
    """Write a folder as `freeze` does, with one table and one command."""
    for part in ("tables/b.v1", "commands/demo"):
        (folder / part).mkdir(parents=True)
    pq.write_table(pa.table(rows), folder / "tables/b.v1" / f"{table}.parquet")
    (folder / "commands/demo/stdout.txt").write_text(said)
    return folder


def found(tmp_path, names=None, rtol=0.0, **new):
    """Return what differs as (file's stem, column)."""
    old, new = frozen(tmp_path / "old"), frozen(tmp_path / "new", **new)
    outcome = compare(old, new, names or Names(), rtol)
    return [(d.where.split("/")[-1].split(".")[0], d.column) for d in outcome.differences]


def changed(**columns):
    return ROWS | columns


def test_equal_results_have_no_difference(tmp_path):
    assert found(tmp_path) == []


@pytest.mark.parametrize(
    ("rows", "columns"),
    [
        (changed(estimate=[1.5 + 2**-52, None]), ["estimate"]),
        (changed(estimate=[1.5, 0.0]), ["estimate"]),
        (changed(status=["ok", "ok"]), ["status"]),
        ({name: ROWS[name] for name in ("area", "estimate", "status")}, ["reason"]),
        (changed(extra=[1, 2]), ["extra"]),
        ({name: cells[:1] for name, cells in ROWS.items()}, ["rows"]),
        ({name: cells[::-1] for name, cells in ROWS.items()}, ["order"]),
        (dict(reversed(ROWS.items())), ["columns"]),
        (changed(estimate=["1.5", None]), ["estimate", "estimate"]),
    ],
    ids=["last bit", "null", "text", "gone", "added", "fewer", "order", "columns", "type"],
)
def test_a_change_of_a_table_is_noticed(tmp_path, rows, columns):
    assert found(tmp_path, rows=rows) == [("moved", column) for column in columns]


def test_a_missing_table_and_a_new_one_are_noticed(tmp_path):
    assert found(tmp_path, table="revisions") == [("moved", "file"), ("revisions", "file")]


def test_a_changed_line_is_noticed(tmp_path):
    assert found(tmp_path, said="3 rows\n") == [("stdout", "text")]


def test_only_what_a_pattern_fits_is_compared(tmp_path):
    old, new = frozen(tmp_path / "old"), frozen(tmp_path / "new", said="3 rows\n")
    assert compare(old, new, Names(), only=["tables"]).differences == []
    assert len(compare(old, new, Names(), only=["dem*"]).differences) == 1


def test_nothing_frozen_is_an_error(tmp_path):
    with pytest.raises(FileNotFoundError):
        compare(tmp_path, tmp_path, Names())


def test_renamed_tables_columns_values_and_words_pass(tmp_path):
    rows = {"zone" if name == "area" else name: cells for name, cells in ROWS.items()}
    rows |= {"status": ["ok", "drop_off"], "reason": ["", "no vessels"]}
    names = Names(
        tables={"moved": "revisions"},
        columns={"moved.area": "zone", "never": "used"},
        values={"status": {"lost": "drop_off"}},
        words={"reason": {"boats": "vessels"}, "output": {"rows": "lines"}},
    )
    assert found(tmp_path, names, rows=rows, table="revisions", said="2 lines\n") == []
    assert names.unused() == ["columns.never"]


def test_text_is_compared_for_null_or_not_at_all(tmp_path):
    rows = changed(reason=["x", None])
    assert found(tmp_path / "a", Names(text={"reason": "nulls"}), rows=rows) == [
        ("moved", "reason")
    ]
    assert found(tmp_path / "b", Names(text={"reason": "ignore"}), rows=rows) == []


def test_an_accepted_difference_passes_up_to_its_size_and_not_elsewhere(tmp_path):
    rows = changed(estimate=[1.5 * (1 + 1e-12), None])
    entry = {"where": "tables/*", "column": "estimate", "reason": "sums in another order"}
    for rtol, left in ((1e-9, []), (1e-15, [("moved", "estimate")])):
        names = Names(accepted=[entry | {"rtol": rtol}])
        assert found(tmp_path / str(rtol), names, rows=rows) == left
    elsewhere = Names(accepted=[entry | {"where": "commands/*"}])
    assert found(tmp_path / "c", elsewhere, rows=rows) == [("moved", "estimate")]
    assert found(tmp_path / "d", rtol=1e-9, rows=rows) == []


@pytest.mark.parametrize("text", ['[[accepted]]\nwhere = "x"\n', '[column]\na = "b"\n'])
def test_a_map_without_reasons_or_with_unknown_sections_is_refused(tmp_path, text):
    file = tmp_path / "map.toml"
    file.write_text(text)
    with pytest.raises(ValueError, match=r"map\.toml"):
        read_names(file)


def test_the_table_that_a_command_prints_has_the_name_of_the_command():
    old, new = pa.table({"gone": [1]}), pa.table({"removed": [1]})
    names = Names(columns={"revisions.gone": "removed"})
    where = "commands/revisions_since/stdout.csv"
    assert list(table_differences(where, old, new, names)) == []
    assert len(list(table_differences("commands/x/stdout.csv", old, new, names))) == 2


def test_instants_hashes_and_folders_are_not_frozen(tmp_path):
    checkout = Checkout(tmp_path / "code", tmp_path / "work")
    said = f"b0002-3f9a0c1d at 2031-02-01T10:00:00+00:00 in {tmp_path}/work/a, 2031-02-01, 12345678"
    assert checkout.clean(said) == "b0002-<hash> at <instant> in <work>/a, 2031-02-01, 12345678"
