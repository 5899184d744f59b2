"""Findings as a table, and the row that a finding is about as a column of cells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from analytics.data.importing import allowed_of, cell_text
from analytics.data.schema import TABLES
from analytics.findings import Severity
from analytics.wording import numbers
from dashboard.catalogue import phrase, say, say_n

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.importing import Raw
    from analytics.data.schema import Column
    from analytics.findings import Finding
    from dashboard.desk.checking import CheckedUpload

HEADS = (
    phrase("Severity"),
    phrase("File"),
    phrase("Row"),
    phrase("Column"),
    phrase("Seen"),
    phrase("Allowed"),
    phrase("What to do"),
)
#: Columns of the row of a finding; the second is written in.
NAME, VALUE, ALLOWED = phrase("Column"), phrase("Value"), phrase("Allowed")
FAULT = "● "


@dataclass(frozen=True, slots=True)
class CellRow:
    """The cells of one row of a file: column, text, what it may hold and whether it is at fault."""

    file: str
    row: int
    cells: tuple[tuple[str, str, str, bool], ...]

    def frame(self) -> pd.DataFrame:
        """Return the cells one below the other, those at fault first."""
        return pd.DataFrame(
            {
                NAME: [FAULT * is_bad + name for name, _, _, is_bad in self.cells],
                VALUE: [text for _, text, _, _ in self.cells],
                ALLOWED: [allowed for _, _, allowed, _ in self.cells],
            },
            dtype="string",
        )


def frame_of(findings: Sequence[Finding]) -> pd.DataFrame:
    """Return findings as a table, one row each, in the order given."""
    rows = [
        (str(one.severity), one.file or one.table, one.row, one.column or "", *_texts(one))
        for one in findings
    ]
    frame = pd.DataFrame(rows, columns=list(HEADS))
    return frame.astype({"Row": "Int64"})


def place_words(one: Finding) -> str:
    """Return where a finding stands, such as ``interviews.csv, row 14, hours_fished``."""
    parts = [one.file or say("{table} in the store", table=one.table)]
    parts += [say("row {row}", row=one.row)] if one.row is not None else []
    return ", ".join([*parts, *([one.column] if one.column else [])])


def severity_words(findings: Sequence[Finding], severity: Severity) -> str:
    """Return how many findings there are of a severity, such as ``2 errors``."""
    n = sum(one.times for one in findings if one.severity is severity)
    if severity is Severity.ERROR:
        return say_n(n, "{n} error", "{n} errors")
    if severity is Severity.WARNING:
        return say_n(n, "{n} warning", "{n} warnings")
    return numbers.count(n, str(severity))


def row_of(found: CheckedUpload, one: Finding) -> CellRow | None:
    """Return the row that a finding is about, cells at fault first; None where there is none."""
    raw = found.raw_of(one)
    if raw is None or one.row is None or one.row == 1 or one.row not in raw.row:
        return None
    bad = {
        other.column
        for other in found.findings
        if (other.file, other.table, other.row) == (one.file, one.table, one.row)
    }
    table = TABLES[raw.table]
    known = {column.name: column for column in table.columns}
    cells = [
        (
            name,
            cell_text(raw, one.row, name) or "",
            _allowed(known.get(name)),
            name in bad,
        )
        for name in raw.data.column_names
    ]
    return CellRow(raw.file, one.row, tuple(sorted(cells, key=lambda cell: not cell[3])))


def line_of(found: CheckedUpload, one: Finding) -> str | None:
    """Return the line of a finding about a number of cells; None where it is about none."""
    raw: Raw | None = found.raw_of(one)
    return raw.ragged.get(one.row) if raw is not None and one.row is not None else None


def _allowed(column: Column | None) -> str:
    if column is None:
        return say("text; the column is kept and ignored")
    if column.refers_to:
        table, _, name = column.refers_to.partition(".")
        if name[0] in "aeiou":
            return say("an {column} of the table {table}", column=name, table=table)
        return say("a {column} of the table {table}", column=name, table=table)
    return allowed_of(column)


def _texts(one: Finding) -> tuple[str, str, str]:
    return one.seen, one.allowed, one.advice
