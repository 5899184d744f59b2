"""Rows of the store: new or changed, current, extra columns; and what may leave or come back."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analytics.data import query as sql
from analytics.data.checks import check_between
from analytics.data.schema import EXTRA, PLACE, packed
from analytics.data.store.record import Counts
from analytics.errors import DataRejected
from analytics.findings import Severity, how_many, number_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

    from analytics.data.query import Source
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
    more: Sequence[str] = (),
) -> sql.ParquetRows:
    """Return the newest row of every key as a query over a table's files, in any order.

    `held`: every column of the files, and whether a cell of it may be null; `batches`: visible
    ones, oldest first, rows of others are left out; `changing`: those of them that changed a key,
    which then stands twice; `more`: `EXTRA` or `BATCH`, where they are columns, too.
    """
    fields = [*table.arrow_schema, *(pa.field(name, pa.string()) for name in more)]
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


def compare(incoming: pa.Table, stored: sql.Source, *, table: Table) -> tuple[pa.Table, Counts]:
    """Return the rows of `incoming` that are new or changed, and how many are which.

    Both hold the columns of the schema and the JSON of the extras; nulls are equal.
    """
    numbers = pa.array(range(incoming.num_rows), pa.int64())
    places, counts = differing(incoming.append_column(PLACE, numbers), stored, table=table)
    return incoming if places is None else incoming.take(np.sort(places.to_numpy())), counts


def differing(
    incoming: sql.Source, stored: sql.Source, *, table: Table
) -> tuple[pa.ChunkedArray | None, Counts]:
    """Return the `PLACE` of the rows of `incoming` that are new or changed, and how many are which.

    None are the places of all. Cells are compared by a hash of eight bytes, so that a row takes
    little more room than its key; of 2⁶⁴ changed rows one would be taken for the same.
    """
    n_rows = _n_rows(incoming)
    if not n_rows or (isinstance(stored, pa.Table) and not stored.num_rows):
        return None, Counts(new=n_rows)
    key = ", ".join(map(sql.name, table.key))
    cells = ", ".join(map(sql.name, [*table.arrow_schema.names, EXTRA]))
    of = f"{key}, hash({cells}) AS _hash"
    found = sql.run(
        f"SELECT i.{PLACE}, s._hash IS NULL AS is_new FROM (SELECT {PLACE}, {of} FROM incoming) i "
        f"LEFT JOIN (SELECT {of} FROM stored) s USING ({key}) "
        "WHERE s._hash IS DISTINCT FROM i._hash",
        {"incoming": incoming, "stored": stored},
    )
    n_new = pc.sum(found["is_new"]).as_py() or 0
    counts = Counts(n_new, found.num_rows - n_new, n_rows - found.num_rows)
    return None if found.num_rows == n_rows else found[PLACE], counts


def streamed(
    incoming: sql.ParquetRows, places: pa.ChunkedArray | None, *, table: Table
) -> Iterator[pa.RecordBatch]:
    """Give the rows at some places, None for all, one batch of rows at a time, in any order."""
    schema = table.arrow_schema.append(pa.field(EXTRA, pa.string()))
    query = f"SELECT {', '.join(map(sql.name, schema.names))} FROM incoming"
    relations: dict[str, sql.Relation] = {"incoming": incoming}
    if places is not None:
        query += f" WHERE {PLACE} IN (FROM chosen)"
        relations["chosen"] = pa.table({PLACE: places})
    with sql.connect(relations) as connection:
        for batch in connection.sql(query).to_arrow_reader(ROWS_AT_ONCE):
            yield from pa.Table.from_batches([batch]).cast(schema).to_batches()


def labelled(found: pa.Table, batch: str, *, table: Table) -> pa.Table:
    """Return rows as they are stored, with their batch."""
    whole = found.append_column(BATCH, pa.repeat(batch, found.num_rows))
    return whole.cast(stored_schema(table))


def streamed_labelled(
    incoming: sql.ParquetRows,
    places: pa.ChunkedArray | None,
    batch: str,
    *,
    table: Table,
    said: Callable[[int], None],
) -> pa.RecordBatchReader:
    """Return the rows at some places as they are stored, read as they come.

    `said` is called with how many each time.
    """
    schema = stored_schema(table)

    def each() -> Iterator[pa.RecordBatch]:
        for one in streamed(incoming, places, table=table):
            label = pa.repeat(batch, one.num_rows)
            yield pa.RecordBatch.from_arrays([*one, label], schema=schema)
            said(one.num_rows)

    return pa.RecordBatchReader.from_batches(schema, each())


def _n_rows(source: sql.Source) -> int:
    if isinstance(source, pa.Table):
        return len(source)
    return sum(int(pq.read_metadata(file).num_rows) for file in source.files)


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


def require_sound(
    now: Mapping[str, Source], then: Mapping[str, Source], *, refused: str, advice: str
) -> None:
    """Refuse (`DataRejected`) what would break a rule that the rows of a store keep now.

    `now` and `then` are every table before and after, each row with the batch it came in with,
    which findings name as its file. The message has how many errors and which batches between
    `refused` and `advice`.
    """
    already = set(check_between(now, {}, origin=BATCH))
    broken = [
        finding
        for finding in check_between(then, {}, origin=BATCH)
        if finding.severity is Severity.ERROR and finding not in already
    ]
    if broken:
        errors = number_of(how_many(broken), "error")
        batches = ", ".join(sorted({finding.file for finding in broken}))
        raise DataRejected(f"{refused} {errors} would stand in rows of {batches}; {advice}", broken)


def refusal_words(batch: str, *, undo: bool) -> dict[str, str]:
    """Return the words around what forbids taking a batch out, or putting it back."""
    if undo:
        return {
            "refused": f"batch {batch} stays out: with it",
            "advice": "import corrected rows instead",
        }
    return {
        "refused": f"batch {batch} stays: without it",
        "advice": "withdraw that first, or import corrected rows",
    }
