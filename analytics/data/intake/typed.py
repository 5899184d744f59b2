"""Raw cells to typed columns, whole columns at a time; every bad cell gives a finding."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.findings import Finding, Severity, shortened
from analytics.data.forms import FORMS
from analytics.data.intake import cells
from analytics.data.intake.cells import Fault
from analytics.data.intake.files import suggest

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from analytics.data.intake.reading import Raw
    from analytics.data.schema import Column


@dataclass(frozen=True, slots=True, eq=False)
class Incoming:
    """Rows of one table on their way in, with the place of each.

    Parameters
    ----------
    table : str
        Input table.
    data : pyarrow.Table
        The contract's columns in their types, then extra columns as text; bad cells are null.
    file : ndarray of object, shape (n,)
        File of each row.
    row : ndarray of int, shape (n,)
        Row of each in its file.
    """

    table: str
    data: pa.Table
    file: NDArray[np.object_]
    row: NDArray[np.int64]

    def keep(self, mask: NDArray[np.bool_]) -> Incoming:
        """Return the rows where `mask` is true."""
        data = self.data.filter(pa.array(mask))
        return replace(self, data=data, file=self.file[mask], row=self.row[mask])


def type_raw(raw: Raw) -> tuple[Incoming, list[Finding]]:
    """Return the typed rows of a file and a finding for every cell at fault."""
    table = FORMS[raw.table]
    findings: list[Finding] = []
    columns: dict[str, pa.Array] = {}
    for column in table.columns:
        if column.name in raw.data.column_names:
            typed, found = _contract_column(raw, column)
            findings += found
        else:
            typed = pa.nulls(len(raw.row), column.arrow_type)
        columns[column.name] = typed
    for name in raw.data.column_names:
        if name not in table.arrow_schema.names:
            columns[name], found = _extra_column(raw, name)
            findings += found
    file = np.full(len(raw.row), raw.file, dtype=object)
    return Incoming(raw.table, pa.table(columns), file, raw.row), findings


def together(parts: Sequence[Incoming]) -> Incoming:
    """Return the rows of several files of one table, in the order of the files."""
    if len(parts) == 1:
        return parts[0]
    return Incoming(
        parts[0].table,
        pa.concat_tables([part.data for part in parts], promote_options="default"),
        np.concatenate([part.file for part in parts]),
        np.concatenate([part.row for part in parts]),
    )


def _contract_column(raw: Raw, column: Column) -> tuple[pa.Array, list[Finding]]:
    def judge(value: Any) -> Any:
        return cells.read_cell(value, column=column)

    typed, findings = _judged(raw, column.name, column.arrow_type, judge)
    if column.plausible_high is not None:
        findings += _implausible(raw, column, typed)
    if column.filled:
        findings += _empty(raw, column, typed, {finding.row for finding in findings})
    return typed, findings


def _implausible(raw: Raw, column: Column, typed: pa.Array) -> list[Finding]:
    limit = pa.scalar(column.plausible_high).cast(typed.type)
    fault = Fault(f"plausible up to {column.plausible_high:g} {column.unit}", "is it right?")
    return [
        _finding(
            raw,
            column.name,
            index,
            seen=typed[index].as_py(),
            fault=fault,
            severity=Severity.WARNING,
        )
        for index in np.flatnonzero(_true(pc.greater(typed, limit)))
    ]


def _empty(raw: Raw, column: Column, typed: pa.Array, at_fault: set[int | None]) -> list[Finding]:
    fault = Fault(cells.allowed_of(column), "fill it in")
    return [
        _finding(
            raw, column.name, index, seen="an empty cell", fault=fault, severity=Severity.ERROR
        )
        for index in np.flatnonzero(_true(pc.is_null(typed)))
        if int(raw.row[index]) not in at_fault
    ]


def _extra_column(raw: Raw, name: str) -> tuple[pa.Array, list[Finding]]:
    typed, findings = _judged(raw, name, pa.string(), cells.read_extra)
    place: dict[str, Any] = {"table": raw.table, "file": raw.file, "row": 1, "column": name}
    header = cells.read_extra(name)
    if isinstance(header, Fault):
        findings.append(
            Finding(
                severity=Severity.ERROR,
                **place,
                seen=f"the column name {shortened(name)}",
                allowed=header.allowed,
                advice=header.advice,
            )
        )
    absent = set(FORMS[raw.table].arrow_schema.names) - set(raw.data.column_names)
    close = suggest(name, absent)
    if close:
        seen = f"the column {name} is not known; it is kept and ignored"
        findings.append(Finding(severity=Severity.WARNING, **place, seen=seen, advice=close))
    return typed, findings


def _judged(
    raw: Raw, name: str, kind: pa.DataType, judge: Callable[[Any], Any]
) -> tuple[pa.Array, list[Finding]]:
    """Judge every distinct value once and spread the verdicts over the rows."""
    values, codes = _distinct(raw.data[name])
    verdicts = [judge(value) for value in values]
    faults = {code: verdict for code, verdict in enumerate(verdicts) if isinstance(verdict, Fault)}
    good = [None if isinstance(verdict, Fault) else verdict for verdict in verdicts]
    typed = pa.array(good, kind).take(codes)
    findings = []
    if faults:
        places = codes.fill_null(-1).to_numpy(zero_copy_only=False)
        for index in np.flatnonzero(np.isin(places, list(faults))):
            code = int(places[index])
            finding = _finding(
                raw,
                name,
                index,
                seen=values[code],
                fault=faults[code],
                severity=Severity.ERROR,
            )
            findings.append(finding)
    return typed, findings


def _distinct(column: pa.ChunkedArray) -> tuple[list[Any], pa.Array]:
    """Return the distinct values of a column and the place of each row's value among them."""
    array = _plain(column.combine_chunks())
    try:
        coded = array.dictionary_encode()
        return coded.dictionary.to_pylist(), coded.indices
    except (pa.ArrowNotImplementedError, ValueError, OverflowError):
        # Nested values and instants outside the calendar have no Python value to judge.
        values = [str(value) for value in array]
        coded = pa.array(values, pa.string()).dictionary_encode()
        return [_NoValue(value) for value in coded.dictionary.to_pylist()], coded.indices


class _NoValue:
    """A Parquet value that no column can hold, as text for the finding."""

    def __init__(self, text: str) -> None:
        self.text = text

    def __str__(self) -> str:
        return self.text


def _plain(array: pa.Array) -> pa.Array:
    if pa.types.is_dictionary(array.type):
        array = array.dictionary_decode()
    if pa.types.is_timestamp(array.type):
        return array.cast(pa.timestamp("us", array.type.tz), safe=False)
    if pa.types.is_time(array.type):
        return array.cast(pa.time64("us"), safe=False)
    if pa.types.is_large_string(array.type) or pa.types.is_string_view(array.type):
        return array.cast(pa.string())
    return array


def _true(mask: pa.Array) -> NDArray[np.bool_]:
    filled: NDArray[np.bool_] = mask.fill_null(False).to_numpy(zero_copy_only=False)
    return filled


def _finding(
    raw: Raw, column: str, index: Any, *, seen: Any, fault: Fault, severity: Severity
) -> Finding:
    number = isinstance(seen, float) and math.isfinite(seen)
    return Finding(
        severity=severity,
        table=raw.table,
        file=raw.file,
        row=int(raw.row[index]),
        column=column,
        seen=f"{seen:.15g}" if number else shortened(seen),
        allowed=fault.allowed,
        advice=fault.advice,
    )
