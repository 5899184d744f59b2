"""The checks within one table of a batch: every key once, answers given by all boats or none."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.data import query as sql
from analytics.data.schema import FILE_SCHEMAS
from analytics.findings import Finding, Severity, shortened

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.columns import Column
    from analytics.data.importing.typed import Incoming


def check_keys(incoming: Incoming) -> list[Finding]:
    """Return an error for every row whose key another row of the batch has too.

    Where rows are alike in every cell, the first of them stands.
    """
    key = ", ".join(FILE_SCHEMAS[incoming.table].key)
    return [
        Finding(
            severity=Severity.ERROR,
            table=incoming.table,
            file=str(incoming.file[copy["n"]]),
            row=int(incoming.row[copy["n"]]),
            column=key,
            seen=f"{shortened(copy['key'])} again, as in {_place(incoming, copy)}",
            allowed="every key once",
            advice="remove the copy"
            if copy["n_different"] == 1
            else "keep one of them, or correct it",
        )
        for copy in _copies(incoming)
        if copy["n_different"] > 1 or copy["n"] != copy["first"]
    ]


def first_of_keys(incoming: Incoming) -> Incoming:
    """Return the rows without the later ones of a key, for rules that would count them twice."""
    later = [copy["n"] for copy in _copies(incoming) if copy["n"] != copy["first"]]
    mask = np.ones(len(incoming.row), dtype=bool)
    mask[later] = False
    return incoming.keep(mask) if later else incoming


def check_answers(incoming: Incoming, *, found: Sequence[Finding]) -> list[Finding]:
    """Return a warning for every column of answers that some rows give and others do not.

    `found` holds what is wrong in their cells: a faulty cell is no empty one.
    """
    table = incoming.table
    faulty = [one.column for one in found if one.table == table and one.severity is Severity.ERROR]
    columns = [column for column in FILE_SCHEMAS[table].columns if column.if_empty]
    warnings = (_unanswered(incoming, column, faulty.count(column.name)) for column in columns)
    return [one for one in warnings if one is not None]


def _unanswered(incoming: Incoming, column: Column, n_faulty: int) -> Finding | None:
    """Return the warning about the rows without an answer, over those that could give one."""
    answerable, among = incoming.data, f"{incoming.table}"
    if column.part_of:
        # Of no fish, no mark could be read.
        answerable = answerable.filter(pc.greater(answerable[column.part_of], 0))
        among += f" with {column.part_of} over 0"
    n_empty = answerable[column.name].null_count - n_faulty
    if n_empty <= 0 or (n_empty == answerable.num_rows and not column.required):
        return None
    files = set(incoming.file)
    return Finding(
        severity=Severity.WARNING,
        table=incoming.table,
        file=str(files.pop()) if len(files) == 1 else "",
        column=column.name,
        seen=f"empty in {n_empty:,} of {answerable.num_rows:,} {among}",
        allowed="a number, 0 for none",
        advice=column.if_empty,
    )


def _copies(incoming: Incoming) -> list[dict[str, Any]]:
    """Return the rows whose key another row has: their place, the first two places, differences."""
    labels = list(FILE_SCHEMAS[incoming.table].key)
    if incoming.data.group_by(labels).aggregate([]).num_rows == incoming.data.num_rows:
        return []  # the usual case, for which no query is needed
    names = {name: f"c{place}" for place, name in enumerate(incoming.data.column_names)}
    # Names that differ in case only are one name to DuckDB.
    rows = incoming.data.rename_columns(list(names.values()))
    rows = rows.append_column("n", pa.array(range(rows.num_rows), pa.int64()))
    key = ", ".join(names[name] for name in labels)
    query = (
        f"SELECT r.n, g.first, g.second, g.n_different, concat_ws(' ', {key}) AS key "
        f"FROM rows r JOIN (SELECT {key}, list_sort(list(n))[1] AS first, "
        f"list_sort(list(n))[2] AS second, count(DISTINCT ({', '.join(names.values())})) "
        f"AS n_different FROM rows GROUP BY {key} HAVING count(*) > 1) g "
        f"USING ({key}) ORDER BY r.n"
    )
    copies: list[dict[str, Any]] = sql.run(query, {"rows": rows}).to_pylist()
    return copies


def _place(incoming: Incoming, copy: dict[str, Any]) -> str:
    other = copy["first"] if copy["n"] != copy["first"] else copy["second"]
    same_file = incoming.file[other] == incoming.file[copy["n"]]
    return ("" if same_file else f"{incoming.file[other]} ") + f"row {incoming.row[other]}"
