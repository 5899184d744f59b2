"""Corrections of cells: kept as a list beside the files, which stay as they came in.

A correction is applied to the cells as written, before they are typed, so that the same checks
decide on it. One without a column is about the whole line.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.importing.reading import FileReading, ragged_findings
from analytics.data.importing.typed import value_of
from analytics.data.importing.workbook import as_text
from analytics.findings import Finding, Severity, shortened

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from analytics.data.importing.reading import Raw


@dataclass(frozen=True, slots=True)
class Correction:
    """One cell or line written anew.

    Parameters
    ----------
    file : str
        File as findings name it; of a workbook with its sheet.
    row : int
        Row as a spreadsheet shows it (the header is row 1).
    column : str
        Column; empty for a whole line, whose `new` text is then a line of CSV, or empty where the
        row is left out.
    old, new : str
        What was written, and what is to stand there; empty for an empty cell.
    """

    file: str
    row: int
    column: str
    old: str
    new: str


def to_records(corrections: Iterable[Correction]) -> list[dict[str, Any]]:
    """Return corrections as plain mappings, as JSON keeps them."""
    return [asdict(one) for one in corrections]


def from_records(records: Iterable[Mapping[str, Any]]) -> list[Correction]:
    """Return the corrections that plain mappings hold."""
    return [Correction(**record) for record in records]


def amending(corrections: Sequence[Correction]) -> Callable[[FileReading], FileReading]:
    """Return what corrects each part of a file; the newest correction of a cell counts."""
    by_file: dict[str, list[Correction]] = defaultdict(list)
    for one in corrections:
        by_file[one.file].append(one)

    def amend(reading: FileReading) -> FileReading:
        raw = reading.raw
        mine = by_file.get(raw.file, []) if raw is not None else []
        return _amended(reading, raw, mine) if raw is not None and mine else reading

    return amend


def cell_text(raw: Raw, row: int, column: str) -> str | None:
    """Return a cell as written, or a whole line where no column is named; None if not there."""
    if not column:
        return raw.ragged.get(row, "" if row in raw.row else None)
    at = np.flatnonzero(raw.row == row)
    if not len(at) or column not in raw.data.column_names:
        return None
    return as_text(value_of(raw.data[column][int(at[0])])) or ""


def _amended(reading: FileReading, raw: Raw, mine: Sequence[Correction]) -> FileReading:
    """Apply the newest correction of each line, then of each cell, and what was found with it."""
    first: dict[tuple[int, str], Correction] = {}
    newest: dict[tuple[int, str], str] = {}
    for one in mine:
        first.setdefault((one.row, one.column), one)
        newest[one.row, one.column] = one.new
    lines = {row: new for (row, column), new in newest.items() if not column}
    relined = _with_lines(raw, lines)
    cells: dict[tuple[int, str], str] = {}
    findings = [one for one in reading.findings if one.column or one.row not in lines]
    for (row, column), one in first.items():
        text = cell_text(relined, row, column) if column else None
        if text is not None and text == one.old:
            cells[row, column] = newest[row, column]
        elif text is not None:
            findings.append(_stale(raw, one, text))
    findings = [one for one in findings if (one.row, one.column) not in cells]
    again = {row: relined.ragged[row] for row in lines if row in relined.ragged}
    findings += ragged_findings(again, raw.data.num_columns, table=raw.table, file=raw.file)
    return replace(reading, raw=_with_cells(relined, cells), findings=tuple(findings))


def _stale(raw: Raw, one: Correction, text: str) -> Finding:
    return Finding(
        severity=Severity.WARNING,
        table=raw.table,
        file=raw.file,
        row=one.row,
        column=one.column,
        seen=f"{shortened(text) or 'an empty cell'}, which is not what was corrected to "
        f"{shortened(one.new) or 'an empty cell'}",
        allowed=shortened(one.old) or "an empty cell",
        advice="the file changed since; correct the cell again if it needs it",
    )


def _with_cells(raw: Raw, cells: Mapping[tuple[int, str], str]) -> Raw:
    data = raw.data
    by_column: dict[str, dict[int, str]] = defaultdict(dict)
    for (row, column), new in cells.items():
        by_column[column][row] = new
    for column, new_by_row in by_column.items():
        is_here = np.isin(raw.row, list(new_by_row))
        new = pa.array([new_by_row[int(row)] or None for row in raw.row[is_here]], pa.string())
        old = _as_texts(data[column])
        at = data.schema.get_field_index(column)
        data = data.set_column(at, column, pc.replace_with_mask(old, pa.array(is_here), new))
    return replace(raw, data=data)


def _as_texts(column: pa.ChunkedArray) -> pa.Array:
    """Return a column as text; that of a Parquet file may be of any type."""
    whole = column.combine_chunks()
    if pa.types.is_string(whole.type):
        return whole
    return pa.array([as_text(value_of(one)) for one in whole], pa.string())


def _with_lines(raw: Raw, lines: Mapping[int, str]) -> Raw:
    """Leave rows out, and take lines in whose number of cells is now that of the header."""
    if not lines:
        return raw
    left_out = [row for row, text in lines.items() if not text]
    parsed = {row: next(csv.reader([text])) for row, text in lines.items() if text}
    fitting = {row: line for row, line in parsed.items() if len(line) == raw.data.num_columns}
    ragged = {
        row: lines.get(row, text)
        for row, text in raw.ragged.items()
        if row not in fitting and row not in left_out
    }
    stays = ~np.isin(raw.row, [*left_out, *fitting])
    columns = [
        pa.array([line[at].strip() or None for line in fitting.values()], pa.string())
        for at in range(raw.data.num_columns)
    ]
    kept = raw.data.filter(pa.array(stays))
    if fitting:
        new = pa.Table.from_arrays(columns, raw.data.column_names)
        texts = pa.Table.from_arrays(
            [_as_texts(kept[name]) for name in kept.column_names], kept.column_names
        )
        kept = pa.concat_tables([texts, new])
    row = np.concatenate([raw.row[stays], np.array(list(fitting), dtype=np.int64)])
    order = np.argsort(row, kind="stable")
    return replace(raw, data=kept.take(pa.array(order)), row=row[order], ragged=ragged)
