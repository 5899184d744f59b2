"""The checks within one table of a batch: every key once, answers given by all boats or none."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.data import query as sql
from analytics.data.schema import EXTRA, FILE_SCHEMAS
from analytics.findings import (
    MOST_OF_A_KIND,
    Finding,
    Severity,
    first_of_kind,
    how_many,
    row_words,
    shortened,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.columns import Column
    from analytics.data.importing.spilled import Spilled
    from analytics.data.importing.typed import Incoming


def check_keys(incoming: Incoming | Spilled) -> list[Finding]:
    """Return an error for every row whose key another row of the batch has too.

    Where rows are alike in every cell, the first of them stands.
    """
    table = FILE_SCHEMAS[incoming.table]
    key, cells = _listed(table.key), _listed([*table.arrow_schema.names, EXTRA])
    copies = _of_copies(
        incoming,
        f"SELECT r._n AS n, r._file AS file, r._row AS row, g.ns[1] AS first, g.files, g.lines, "
        f"g.n_different, concat_ws(' ', {key}) AS key, count(*) OVER () AS n_all "
        f"FROM suspects r JOIN (SELECT {key}, arg_min(_n, _n, 2) AS ns, "
        "arg_min(_file, _n, 2) AS files, arg_min(_row, _n, 2) AS lines, "
        f"count(DISTINCT ({cells})) AS n_different FROM suspects GROUP BY {key} "
        f"HAVING count(*) > 1) g USING ({key}) "
        f"WHERE g.n_different > 1 OR r._n <> g.ns[1] ORDER BY n LIMIT {MOST_OF_A_KIND}",
    ).to_pylist()

    def error(copy: dict[str, Any]) -> Finding:
        return Finding(
            severity=Severity.ERROR,
            table=incoming.table,
            file=copy["file"],
            row=copy["row"],
            column=", ".join(table.key),
            seen=f"{shortened(copy['key'])} again, as in {_place(copy)}",
            allowed="every key once",
            advice="remove the copy"
            if copy["n_different"] == 1
            else "keep one of them, or correct it",
        )

    return first_of_kind(copies, error, n=copies[0]["n_all"] if copies else 0)


def first_of_keys(incoming: Incoming | Spilled) -> Incoming | Spilled:
    """Return the rows without the later ones of a key, for rules that would count them twice."""
    key = _listed(FILE_SCHEMAS[incoming.table].key)
    later = _of_copies(
        incoming,
        f"SELECT _n FROM suspects QUALIFY row_number() OVER (PARTITION BY {key} ORDER BY _n) > 1",
    )
    return incoming.without(later["_n"].to_numpy()) if later.num_rows else incoming


def check_answers(incoming: Incoming | Spilled, *, found: Sequence[Finding]) -> list[Finding]:
    """Return a warning for every column of answers that some rows give and others do not.

    `found` holds what is wrong in their cells: a faulty cell is no empty one.
    """
    table = incoming.table
    faulty = [one for one in found if one.table == table and one.severity is Severity.ERROR]
    columns = [column for column in FILE_SCHEMAS[table].columns if column.if_empty]
    warnings = (
        _unanswered(incoming, column, how_many(one for one in faulty if one.column == column.name))
        for column in columns
    )
    return [one for one in warnings if one is not None]


def _unanswered(incoming: Incoming | Spilled, column: Column, n_faulty: int) -> Finding | None:
    """Return the warning about the rows without an answer, over those that could give one."""
    where, among = "true", f"{incoming.table}"
    if column.part_of:
        # Of no fish, no mark could be read.
        where = f"{sql.name(column.part_of)} > 0"
        among += f" with {column.part_of} over 0"
    query = (
        f"SELECT count(*) AS n, count(*) - count({sql.name(column.name)}) AS n_empty "
        f"FROM rows WHERE {where}"
    )
    (found,) = sql.run(query, {"rows": incoming.source()}).to_pylist()
    n_empty = found["n_empty"] - n_faulty
    if n_empty <= 0 or (n_empty == found["n"] and not column.required):
        return None
    files = set(incoming.files)
    return Finding(
        severity=Severity.WARNING,
        table=incoming.table,
        file=files.pop() if len(files) == 1 else "",
        column=column.name,
        seen=f"empty in {n_empty:,} of {found['n']:,} {among}",
        allowed="a number, 0 for none",
        advice=column.if_empty,
    )


def _of_copies(incoming: Incoming | Spilled, query: str) -> pa.Table:
    """Return the result of a query over ``suspects``, in which every row with a key of others is.

    It has no rows where no key comes twice. Empty keys are found as empty cells.
    """
    rows, keys = incoming.source(with_extra=True), FILE_SCHEMAS[incoming.table].key
    key = _listed(keys)
    filled = " AND ".join(f"{sql.name(one)} IS NOT NULL" for one in keys)
    # Of a hash only eight bytes a row are held: the rows themselves are read where one comes twice.
    hashed = sql.run(f"SELECT hash({key}) AS h FROM rows WHERE {filled}", {"rows": rows})
    hashes = np.sort(hashed["h"].to_numpy())
    twice = pa.table({"h": np.unique(hashes[1:][hashes[1:] == hashes[:-1]])})
    if not twice.num_rows:
        return twice
    suspects = f"SELECT * FROM rows WHERE hash({key}) IN (SELECT h FROM twice) AND {filled}"
    whole = f"WITH suspects AS MATERIALIZED ({suspects}) {query}"
    return sql.run(whole, {"rows": rows, "twice": twice})


def _listed(columns: Sequence[str]) -> str:
    return ", ".join(map(sql.name, columns))


def _place(copy: dict[str, Any]) -> str:
    other = 0 if copy["n"] != copy["first"] else 1
    same_file = copy["files"][other] == copy["file"]
    words = row_words(copy["files"][other], copy["lines"][other])
    return words if same_file else f"{copy['files'][other]} {words}"
