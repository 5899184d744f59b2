"""Rows of the store: which are new or changed, which are current, and the extra columns."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analytics.data import query as sql
from analytics.data.schema import EXTRA, packed
from analytics.data.store.history import Counts
from analytics.errors import DataRejected
from analytics.findings import number_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from analytics.data.schema import Table

BATCH = "_batch"
#: Rows that a stream holds in memory at once.
ROWS_AT_ONCE = 100_000
_BATCH = sql.name(BATCH)
_SQL_TYPE = {
    pa.string(): "VARCHAR",
    pa.int64(): "BIGINT",
    pa.float64(): "DOUBLE",
    pa.date32(): "DATE",
    pa.bool_(): "BOOLEAN",
}


def stored_schema(table: Table) -> pa.Schema:
    """Return the schema a table is stored in: the columns of its schema, extras, batch."""
    return table.arrow_schema.append(pa.field(EXTRA, pa.string())).append(
        pa.field(BATCH, pa.string())
    )


def pack(data: pa.Table, *, table: Table) -> pa.Table:
    """Return `packed` rows; a key empty or given twice is `DataRejected`."""
    found = packed(data, table=table)
    _require_key(found, table)
    return found


def unpack(data: pa.Table) -> pa.Table:
    """Return `data` with its JSON column expanded into text columns after the others."""
    texts = data[EXTRA]
    plain = data.drop_columns([EXTRA])
    if texts.null_count == len(texts):
        return plain
    rows = [json.loads(text) if text else {} for text in texts.to_pylist()]
    for name in sorted({name for row in rows for name in row}):
        plain = plain.append_column(name, pa.array([row.get(name) for row in rows], pa.string()))
    return plain


def current(data: pa.Table, *, table: Table, batches: Sequence[str], superseded: bool) -> pa.Table:
    """Return the newest row of every key, in the order of the keys.

    `data` holds the rows of the visible batches, which are in the order of their age, with
    `_batch`. Unless one of them `superseded` a key, no key is there twice.
    """
    if superseded:
        rank = pc.index_in(data[BATCH], value_set=pa.array(batches, pa.string()))
        data = data.take(_newest(data.select(table.key).append_column("_rank", rank), table.key))
    return data.sort_by([(name, "ascending") for name in table.key])


def on_disk(
    files: Sequence[Path],
    held: Mapping[str, bool],
    *,
    table: Table,
    batches: Sequence[str],
    changing: Sequence[str],
    with_extra: bool = False,
) -> sql.ParquetRows:
    """Return the newest row of every key as a query over a table's files, in any order.

    `held`: every column of the files, and whether a cell of it may be null; `batches`: visible
    ones, oldest first, rows of others are left out; `changing`: those of them that changed a key,
    which then stands twice; `with_extra`: the JSON of the extra columns is a column, too.
    """
    fields = [*table.arrow_schema, *([pa.field(EXTRA, pa.string())] if with_extra else [])]
    columns = ", ".join(
        f"CAST({sql.name(field.name) if field.name in held else 'NULL'} "
        f"AS {_SQL_TYPE[field.type]}) AS {sql.name(field.name)}"
        for field in fields
    )
    query = f"SELECT {columns} FROM {{files}} AS old WHERE {_BATCH} IN ({_texts(batches)})"
    if changing:
        key = ", ".join(map(sql.name, table.key))
        same = " AND ".join(f"new.{sql.name(k)} = old.{sql.name(k)}" for k in table.key)
        query += (
            f" AND NOT EXISTS (FROM (SELECT {key}, max({_rank(batches)}) AS newest "
            f"FROM {{all_files}} WHERE {_BATCH} IN ({_texts(changing)}) GROUP BY {key}) AS new "
            f"WHERE {same} AND new.newest > {_rank(batches, of='old.')})"
        )
    gaps = {name for name in table.arrow_schema.names if held.get(name, True)}
    return sql.ParquetRows(tuple(files), query, frozenset(gaps))


def _rank(batches: Sequence[str], *, of: str = "") -> str:
    return f"list_position([{_texts(batches)}], {of}{_BATCH})"


def _texts(values: Sequence[str]) -> str:
    return ", ".join(map(sql.text, values))


def compare(incoming: pa.Table, stored: pa.Table, *, table: Table) -> tuple[pa.Table, Counts]:
    """Return the rows of `incoming` that are new or changed, and how many are which.

    Both tables hold the columns of the schema and the JSON of the extras; nulls are equal.
    """
    if not incoming.num_rows:
        return incoming, Counts()
    if not stored.num_rows:
        return incoming, Counts(new=incoming.num_rows)
    numbered = incoming.append_column("_row", pa.array(range(incoming.num_rows), pa.int64()))
    on = " AND ".join(f"i.{sql.name(k)} = s.{sql.name(k)}" for k in table.key)
    same = " AND ".join(
        f"i.{sql.name(c)} IS NOT DISTINCT FROM s.{sql.name(c)}" for c in incoming.column_names
    )
    query = (
        f"SELECT i._row AS _row, s.{sql.name(table.key[0])} IS NULL AS is_new "
        f"FROM incoming i LEFT JOIN stored s ON {on} "
        f"WHERE s.{sql.name(table.key[0])} IS NULL OR NOT ({same}) ORDER BY _row"
    )
    kept = sql.run(query, {"incoming": numbered, "stored": stored})
    new = pc.sum(kept["is_new"]).as_py() or 0
    counts = Counts(new, kept.num_rows - new, incoming.num_rows - kept.num_rows)
    return incoming.take(kept["_row"]), counts


class Difference:
    """Rows of `incoming` that are new or changed, one batch of rows at a time, and their counts.

    `incoming` has the columns of the schema and the JSON of the extras, as has `stored`; the counts
    are those of the rows that `batches` has given so far.
    """

    def __init__(self, incoming: sql.ParquetRows, stored: sql.Source, *, table: Table) -> None:
        self._incoming, self._stored = incoming, stored
        self._table = table
        self.schema = table.arrow_schema.append(pa.field(EXTRA, pa.string()))
        self._given = {True: 0, False: 0}

    def counts(self) -> Counts:
        """Return how many rows of the files were new, changed or neither."""
        new, changed = self._given[True], self._given[False]
        n_rows = sum(pq.read_metadata(file).num_rows for file in self._incoming.files)
        return Counts(new, changed, n_rows - new - changed)

    def batches(self) -> Iterator[pa.RecordBatch]:
        """Give the rows, in any order."""
        columns = ", ".join(f"i.{sql.name(one)}" for one in self.schema.names)
        stored = self._stored
        if isinstance(stored, pa.Table) and not stored.num_rows:
            query = f"SELECT {columns}, true AS is_new FROM incoming i"
        else:
            on = " AND ".join(f"i.{sql.name(k)} = s.{sql.name(k)}" for k in self._table.key)
            same = " AND ".join(
                f"i.{sql.name(c)} IS NOT DISTINCT FROM s.{sql.name(c)}" for c in self.schema.names
            )
            missing = f"s.{sql.name(self._table.key[0])} IS NULL"
            query = (
                f"SELECT {columns}, {missing} AS is_new FROM incoming i LEFT JOIN stored s ON {on} "
                f"WHERE {missing} OR NOT ({same})"
            )
        with sql.connect({"incoming": self._incoming, "stored": stored}) as connection:
            for batch in connection.sql(query).to_arrow_reader(ROWS_AT_ONCE):
                table = pa.Table.from_batches([batch])
                new = pc.sum(table["is_new"]).as_py() or 0
                self._given[True] += new
                self._given[False] += table.num_rows - new
                yield from table.drop_columns(["is_new"]).cast(self.schema).to_batches()


def _newest(keyed: pa.Table, key: Sequence[str]) -> pa.ChunkedArray:
    numbered = keyed.append_column("_row", pa.array(range(keyed.num_rows), pa.int64()))
    parts = ", ".join(sql.name(k) for k in key)
    query = f"SELECT arg_max(_row, _rank) AS _row FROM keyed GROUP BY {parts} ORDER BY _row"
    return sql.run(query, {"keyed": numbered})["_row"]


def _require_key(data: pa.Table, table: Table) -> None:
    empty = [name for name in table.key if data[name].null_count]
    if empty:
        raise DataRejected(f"{table.name}: {', '.join(empty)} is empty in a row; it is the key")
    distinct = data.select(table.key).group_by(table.key).aggregate([]).num_rows
    if distinct != data.num_rows:
        rows = number_of(data.num_rows - distinct, "row")
        raise DataRejected(
            f"{table.name}: {rows} too many: the key {', '.join(table.key)} comes twice"
        )
