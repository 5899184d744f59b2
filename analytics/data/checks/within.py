"""The checks within one table of a batch: every key once, answers given by all boats or none."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.data import query as sql
from analytics.data.schema import EXTRA, FILE_SCHEMAS
from analytics.findings import Finding, Severity, shortened

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.columns import Column
    from analytics.data.importing.typed import Incoming, Spilled


def check_keys(incoming: Incoming | Spilled) -> list[Finding]:
    """Return an error for every row whose key another row of the batch has too.

    Where rows are alike in every cell, the first of them stands.
    """
    key = ", ".join(FILE_SCHEMAS[incoming.table].key)
    return [
        Finding(
            severity=Severity.ERROR,
            table=incoming.table,
            file=copy["file"],
            row=copy["row"],
            column=key,
            seen=f"{shortened(copy['key'])} again, as in {_place(copy)}",
            allowed="every key once",
            advice="remove the copy"
            if copy["n_different"] == 1
            else "keep one of them, or correct it",
        )
        for copy in _copies(incoming)
        if copy["n_different"] > 1 or copy["n"] != copy["first"]
    ]


def first_of_keys(incoming: Incoming | Spilled) -> Incoming | Spilled:
    """Return the rows without the later ones of a key, for rules that would count them twice."""
    later = [copy["n"] for copy in _copies(incoming) if copy["n"] != copy["first"]]
    return incoming.without(np.array(later)) if later else incoming


def check_answers(incoming: Incoming | Spilled, *, found: Sequence[Finding]) -> list[Finding]:
    """Return a warning for every column of answers that some rows give and others do not.

    `found` holds what is wrong in their cells: a faulty cell is no empty one.
    """
    table = incoming.table
    faulty = [one.column for one in found if one.table == table and one.severity is Severity.ERROR]
    columns = [column for column in FILE_SCHEMAS[table].columns if column.if_empty]
    warnings = (_unanswered(incoming, column, faulty.count(column.name)) for column in columns)
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


def _copies(incoming: Incoming | Spilled) -> list[dict[str, Any]]:
    """Return the rows whose key another row has: their place, the first two places, differences."""
    labels = list(FILE_SCHEMAS[incoming.table].key)
    rows = incoming.source(with_extra=True)
    key = ", ".join(map(sql.name, labels))
    cells = ", ".join(map(sql.name, [*FILE_SCHEMAS[incoming.table].arrow_schema.names, EXTRA]))
    # Of a hash only eight bytes a row are held: the rows themselves are read where one comes twice.
    twice = sql.run(
        f"SELECT h FROM (SELECT hash({key}) AS h FROM rows) GROUP BY h HAVING count(*) > 1",
        {"rows": rows},
    )
    if not twice.num_rows:
        return []
    query = (
        "WITH suspects AS MATERIALIZED "
        f"(SELECT * FROM rows WHERE hash({key}) IN (SELECT h FROM twice)), "
        f"alike AS (SELECT {key}, arg_min(_n, _n, 2) AS ns, arg_min(_file, _n, 2) AS files, "
        f"arg_min(_row, _n, 2) AS lines, count(DISTINCT ({cells})) AS n_different "
        f"FROM suspects GROUP BY {key} HAVING count(*) > 1) "
        "SELECT r._n AS n, r._file AS file, r._row AS row, g.ns[1] AS first, g.files, g.lines, "
        f"g.n_different, concat_ws(' ', {key}) AS key "
        f"FROM suspects r JOIN alike g USING ({key}) ORDER BY n"
    )
    copies: list[dict[str, Any]] = sql.run(query, {"rows": rows, "twice": twice}).to_pylist()
    return copies


def _place(copy: dict[str, Any]) -> str:
    other = 0 if copy["n"] != copy["first"] else 1
    same_file = copy["files"][other] == copy["file"]
    return ("" if same_file else f"{copy['files'][other]} ") + f"row {copy['lines'][other]}"
