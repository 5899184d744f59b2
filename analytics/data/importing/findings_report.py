"""Findings for people, grouped and as files, and the corrections of cells that answer them.

Corrections are kept as a list beside the files, which stay as they came in. A correction is applied
to the cells as written, before they are typed, so that the same checks decide on it. One without a
column is about the whole line. A question that many findings raise together is put once.
"""

from __future__ import annotations

import csv
import json
from collections import Counter, defaultdict
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.csv_text import lines_csv
from analytics.data.columns import allowed_of
from analytics.data.importing.reading import FileReading, ragged_findings
from analytics.data.importing.typed import Fault, Incoming, read_cell, value_of
from analytics.data.importing.workbook import as_text
from analytics.data.schema import FILE_SCHEMAS, Column, ColumnKind
from analytics.findings import Finding, Severity, how_many, number_of, shortened

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from analytics.data.importing.reading import Raw
    from analytics.data.importing.spilled import Spilled
    from analytics.data.query import Source


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


SHOWN_OF_A_KIND = 3
#: What is allowed in more signs than these, such as a list of tables, is said once.
_LONG = 60
_AS_ABOVE = "as above"

_FINDINGS = ("severity", "table", "file", "row", "column", "seen", "allowed", "advice")
_CORRECTIONS = ("file", "row", "column", "old", "new")
_QUARANTINE = ("file", "table", "row", "column", "seen", "allowed", "advice", "row_json")


def grouped(findings: Iterable[Finding]) -> list[str]:
    """Return findings as lines; of alike ones the first few and how many more there are.

    Alike are findings of one severity, table, column and rule. A long list of what is allowed is
    said once.
    """
    kinds: dict[tuple[Any, ...], list[Finding]] = defaultdict(list)
    for one in findings:
        kinds[one.severity, one.table, one.column, one.allowed, one.advice].append(one)
    lines: list[str] = []
    said: set[str] = set()
    for alike in kinds.values():
        shown = alike[:SHOWN_OF_A_KIND]
        for one in shown:
            lines.append(str(replace(one, allowed=_AS_ABOVE) if one.allowed in said else one))
            if len(one.allowed) > _LONG:
                said.add(one.allowed)
        more = how_many(alike) - len(shown)
        if more:
            lines.append(f"  ... and {more:,} more like it")
    return lines


def counted(findings: Iterable[Finding]) -> str:
    """Return how many errors and warnings there are, such as ``2 errors, 1 warning``."""
    counts = Counter[Severity]()
    for one in findings:
        counts[one.severity] += one.times
    words = [number_of(counts[severity], severity) for severity in Severity if counts[severity]]
    return ", ".join(words) or "no findings"


def findings_csv(findings: Iterable[Finding]) -> str:
    """Return findings as CSV, one line each, in the order given."""
    return lines_csv(
        _FINDINGS,
        ([str(one.severity), one.table, one.file, one.row, *_texts(one)] for one in findings),
    )


def quarantine_csv(errors: Sequence[Finding], raws: Sequence[Raw]) -> str:
    """Return rows set aside as CSV: one line an error, with the whole row of its file as JSON."""
    by_file: dict[str, list[Raw]] = defaultdict(list)
    for raw in raws:
        by_file[raw.file].append(raw)
    return lines_csv(
        _QUARANTINE,
        (
            [
                one.file,
                one.table,
                one.row,
                *_texts(one),
                _row_json(by_file[one.file], one.row),
            ]
            for one in errors
        ),
    )


def corrections_csv(corrections: Iterable[Correction]) -> str:
    """Return corrections as CSV, one line each, in the order in which they were made."""
    return lines_csv(
        _CORRECTIONS,
        ([one.file, one.row, one.column, one.old, one.new] for one in corrections),
    )


def _texts(one: Finding) -> list[str]:
    return [one.column or "", one.seen, one.allowed, one.advice]


def _row_json(raws: Sequence[Raw], row: int | None) -> str:
    for raw in raws:
        if row in raw.ragged:
            return json.dumps({"line": raw.ragged[row]}, ensure_ascii=False)
        place = int(np.searchsorted(raw.row, row or 0))
        if place < len(raw.row) and raw.row[place] == row:
            cells = {name: value_of(raw.data[name][place]) for name in raw.data.column_names}
            return json.dumps(cells, ensure_ascii=False, default=str)
    raise AssertionError(row)


# Columns that seem exchanged: one question beside many errors.

#: Errors of a column from which on it is looked at, rows that are, the part of their values that
#: must be allowed in the other column, either way, and rows of a table that others refer to. Our
#: choice, no source.
_LEAST, _LOOKED_AT, _MOST, _FEW_ROWS = 3, 200, 0.9, 100_000
#: Kinds that no label and no other number looks like by chance.
_MARKED = (ColumnKind.DATE, ColumnKind.TIME, ColumnKind.FLAG)


def exchanged_cells(raw: Raw, findings: Iterable[Finding]) -> list[Finding]:
    """Return a question where most cells of a column would be right in another, and back.

    Of a file of any size, few rows of a column at fault are looked at.
    """
    here = [one for one in FILE_SCHEMAS[raw.table].columns if one.name in raw.data.column_names]
    faulty = _faulty(findings)
    pairs: dict[frozenset[str], Finding] = {}
    for column in here:
        rows, n = faulty.get((raw.table, raw.file, column.name), ([], 0))
        if 2 * n <= len(raw.row) or len(rows) < _LEAST:
            continue
        part = raw.data.take(pa.array(np.searchsorted(raw.row, rows)))
        cells = {one.name: [value_of(cell) for cell in part[one.name]] for one in here}
        likely = [one for one in here if one is not column and _are_exchanged(cells, column, one)]
        if len(likely) == 1:  # a number that is too large is so for any of its neighbours
            pair = frozenset((column.name, likely[0].name))
            pairs.setdefault(pair, _exchanged(raw.table, raw.file, column, likely[0]))
    return list(pairs.values())


def _are_exchanged(cells: Mapping[str, Sequence[Any]], column: Column, other: Column) -> bool:
    """Return whether a column's cells at fault do in another, and the other's in this one."""
    mine, others = cells[column.name], cells[other.name]
    is_label = other.kind is ColumnKind.TEXT and not (other.allowed or other.pattern)
    # Any cell does as a label: that says something of what is no number at all.
    n_worded = sum(str(one)[:1].isalpha() for one in mine)
    is_vague = is_label and column.kind not in _MARKED and n_worded < _MOST * len(mine)
    return not is_vague and _fits(mine, other) and _fits(others, column)


def _fits(values: Sequence[Any], column: Column) -> bool:
    read = [read_cell(one, column=column) for one in values]
    good = [one for one in read if one is not None and not isinstance(one, Fault)]
    most = column.plausible_high
    n_good = sum(1 for one in good if most is None or one <= most)
    return n_good >= _MOST * len(values)


def exchanged_references(
    findings: Iterable[Finding],
    tables: Mapping[str, Incoming | Spilled],
    stored: Mapping[str, Source],
) -> list[Finding]:
    """Return a question where what most rows refer to stands in another column of theirs.

    Tables that are too large to lie in memory are not looked at.
    """
    pairs: dict[frozenset[str], Finding] = {}
    for (table, file, name), (rows, n) in _faulty(findings).items():
        incoming = tables.get(table)
        by_name = {one.name: one for one in FILE_SCHEMAS[table].columns}
        column = by_name.get(name)
        if not isinstance(incoming, Incoming) or column is None or not column.refers_to:
            continue
        is_here = incoming.file == file
        if 2 * n <= is_here.sum() or len(rows) < _LEAST:
            continue
        part = incoming.data.filter(pa.array(is_here & np.isin(incoming.row, rows)))
        there = _referred(column.refers_to, tables, stored)
        for other in by_name.values():
            if other is column or other.kind is not ColumnKind.TEXT:
                continue
            back = None if other.refers_to is None else _referred(other.refers_to, tables, stored)
            if _are_among(part[other.name], there) and (
                back is None or _are_among(part[name], back)
            ):
                pair = frozenset((table, file, name, other.name))
                pairs.setdefault(pair, _exchanged(table, file, column, other))
                break
    return list(pairs.values())


def _referred(
    target: str, tables: Mapping[str, Incoming | Spilled], stored: Mapping[str, Source]
) -> set[Any]:
    """Return the values that a column may refer to; none where they are many."""
    table, name = target.split(".")
    fresh, before = tables.get(table), stored.get(table)
    parts = [fresh.data] if isinstance(fresh, Incoming) else []
    parts += [before] if isinstance(before, pa.Table) else []
    return {
        one for part in parts if part.num_rows <= _FEW_ROWS for one in part[name].to_pylist()
    } - {None}


def _are_among(values: pa.ChunkedArray, there: set[Any]) -> bool:
    return sum(one in there for one in values.to_pylist()) >= _MOST * len(values)


def _faulty(findings: Iterable[Finding]) -> dict[tuple[str, str, str], tuple[list[int], int]]:
    """Return the first rows with an error, and how many have one, by table, file and column."""
    found: dict[tuple[str, str, str], tuple[list[int], int]] = {}
    for one in findings:
        if one.severity is not Severity.ERROR or one.column is None or not one.file:
            continue
        key = one.table, one.file, one.column
        rows, n = found.setdefault(key, ([], 0))
        if one.row is not None and one.row > 1 and len(rows) < _LOOKED_AT:
            rows.append(one.row)
        found[key] = rows, n + one.times
    return found


def _exchanged(table: str, file: str, column: Column, other: Column) -> Finding:
    return Finding(
        severity=Severity.WARNING,
        table=table,
        file=file,
        row=1,
        column=column.name,
        seen=f"most values look like those of {other.name}",
        allowed=allowed_of(column),
        advice=f"are the columns {column.name} and {other.name} exchanged?",
    )
