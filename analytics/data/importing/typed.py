"""Raw cells to typed columns, whole columns at a time; every bad cell gives a finding."""

from __future__ import annotations

import datetime as dt
import math
import re
import sys
from collections import defaultdict
from dataclasses import dataclass, replace
from decimal import Decimal
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.csv_text import NUMBER
from analytics.data.columns import (
    DATE,
    FLAG_WORDS,
    FLAGS,
    TEXT_CEILING,
    TIME,
    allowed_of,
    units_of,
)
from analytics.data.importing.input_files import suggest
from analytics.data.schema import FILE_SCHEMAS, PLACE, Column, ColumnKind, packed
from analytics.findings import Finding, Severity, first_of_kind, shortened
from analytics.outlines import OutlineError, outline_text

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from analytics.arrays import Bools, Ints
    from analytics.data.columns import Pattern
    from analytics.data.importing.reading import Raw


# One cell: what was written, judged against its column, gives a value or a fault.

_NUMBER = re.compile(NUMBER)
_WITH_COMMA = re.compile(r"[+-]?\d+(,\d+)+(\.\d+)?")
_DATE, _TIME = re.compile(DATE), re.compile(TIME)
#: Labels as most are: what neither begins nor ends with a blank or a sign.
_LABEL = r"\A[A-Za-z0-9_](?:[A-Za-z0-9_ .:/-]*[A-Za-z0-9_.])?\z"
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
_YEARS = (1900, 2199)
_EMPTY = "leave the cell empty for not recorded"
#: What to do with a cell that is no value of its kind, unless it is left empty.
_REWRITE = MappingProxyType(
    {
        ColumnKind.TEXT: "write it as text",
        ColumnKind.COUNT: "write the number alone",
        ColumnKind.NUMBER: "write the number alone",
        ColumnKind.PROPORTION: "write the number alone",
        ColumnKind.FLAG: "write one of these words",
    }
)


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a cell cannot be taken; `seen` says more than the cell itself would."""

    allowed: str
    advice: str = ""
    seen: str = ""


_TOO_LONG = Fault(f"at most {TEXT_CEILING} characters", "shorten it")


def read_cell(value: Any, *, column: Column) -> Any:
    """Return the cell's value in the column's type, None for an empty cell, or a `Fault`.

    The value is text from a CSV cell, or any value of a Parquet cell.
    """
    if isinstance(value, str):
        value = value.strip()
    if value is None or value == "":
        return None
    if _is_long(value) and column.kind is not ColumnKind.OUTLINE:
        return _TOO_LONG
    parsed = _PARSERS[column.kind](value)
    if isinstance(parsed, Fault) and not parsed.advice:
        return replace(parsed, advice=_or_empty(_REWRITE[column.kind], column))
    if parsed is None or isinstance(parsed, Fault):
        return parsed
    return _in_range(parsed, column)


def read_extra(value: Any) -> str | Fault | None:
    """Return the cell of a column that no schema knows as text, or a `Fault`."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    text = str(value).strip()
    if _is_long(text):
        return _TOO_LONG
    if _NUMBER.fullmatch(text):
        return text
    return _text(text)


def _in_range(value: Any, column: Column) -> Any:
    if column.allowed and value not in column.allowed:
        return Fault(allowed_of(column), suggest(value, column.allowed))
    if column.pattern and not re.fullmatch(column.pattern.regex, value):
        return Fault(allowed_of(column), _rewritten(value, column.pattern))
    too_low = column.low is not None and value < column.low
    if too_low or (column.high is not None and value > column.high):
        percent = "10 % is written 0.1: " if column.kind is ColumnKind.PROPORTION else ""
        return Fault(allowed_of(column), _or_empty(f"{percent}correct the number", column))
    return value


def _or_empty(advice: str, column: Column) -> str:
    """Return advice with the other way out, where a column may be empty."""
    return advice if column.filled else f"{advice}, or {_EMPTY}"


def _rewritten(value: str, pattern: Pattern) -> str:
    """Return advice to write a text with a dash for every character that does not fit."""
    fitting = "".join(one if re.fullmatch(pattern.regex, one) else "-" for one in value).strip("-")
    return f"write {fitting}" if re.fullmatch(pattern.regex, fitting) else "correct it"


def _text(value: Any) -> str | Fault:
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    if isinstance(value, float) and value.is_integer():
        return str(int(value))  # ids that passed through a frame with empty cells
    if not isinstance(value, str):
        return Fault("text", "" if isinstance(value, float) else "write it as text")
    return _label(value)


def _label(value: str) -> str | Fault:
    if value[0] in "=+-@":
        return Fault(
            "text that does not begin with = + - or @",
            "a spreadsheet would run it as a formula; write it without the sign",
        )
    if _CONTROL.search(value):
        return Fault(
            "text on one line without control characters",
            "remove line breaks and control characters; is a double quote left open?",
        )
    return value


def _is_long(value: Any) -> bool:
    """Whether a text is so long that it is not even looked at."""
    return isinstance(value, str) and len(value) > TEXT_CEILING


def _number(value: Any) -> float | Fault:
    is_number = isinstance(value, (int, float, Decimal)) and not isinstance(value, bool)
    if is_number or (isinstance(value, str) and _NUMBER.fullmatch(value)):
        number = float(value)
        return number if math.isfinite(number) else Fault("a number")
    if isinstance(value, str) and _WITH_COMMA.fullmatch(value):
        return Fault("a number", "write a decimal point and no comma")
    return Fault("a number")


def _count(value: Any) -> int | Fault:
    number = _number(value)
    if isinstance(number, Fault):
        return Fault("a whole number", number.advice)
    return int(number) if number.is_integer() else Fault("a whole number", "correct the number")


def _date(value: Any) -> dt.date | Fault:
    if isinstance(value, dt.datetime):
        midnight = value.tzinfo is None and value.time() == dt.time()
        value = value.date() if midnight else None
    elif isinstance(value, str):
        value = _iso_date(value)
    if not isinstance(value, dt.date):
        return Fault(
            "a date written YYYY-MM-DD, without a time", "write 1 February 2031 as 2031-02-01"
        )
    if not _YEARS[0] <= value.year <= _YEARS[1]:
        return Fault(f"a year from {_YEARS[0]} to {_YEARS[1]}", "correct the year")
    return value


def _iso_date(text: str) -> dt.date | None:
    if not _DATE.fullmatch(text):
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:  # no such day, as 2031-02-30
        return None


def _time(value: Any) -> str | Fault:
    if isinstance(value, dt.time) and value.tzinfo is None:
        return value.strftime("%H:%M")
    if isinstance(value, str) and _TIME.fullmatch(value):
        return value
    return Fault("a time written HH:MM", "write half past seven in the morning as 07:30")


def _flag(value: Any) -> bool | Fault:
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    word = str(value).lower()
    return FLAGS[word] if word in FLAGS else Fault(FLAG_WORDS)


def _outline(value: Any) -> str | Fault:
    try:
        return outline_text(value)
    except OutlineError as error:
        return Fault(error.allowed, error.advice or "draw the outline again", error.seen)


_PARSERS: dict[ColumnKind, Callable[[Any], Any]] = {
    ColumnKind.TEXT: _text,
    ColumnKind.COUNT: _count,
    ColumnKind.NUMBER: _number,
    ColumnKind.PROPORTION: _number,
    ColumnKind.DATE: _date,
    ColumnKind.TIME: _time,
    ColumnKind.FLAG: _flag,
    ColumnKind.OUTLINE: _outline,
}


#: Columns beside those of a table: place of a row in the batch, its file, its row there.
PLACES = (PLACE, "_file", "_row")


@dataclass(frozen=True, slots=True, eq=False)
class Incoming:
    """Rows of one table on their way in, with the place of each.

    Parameters
    ----------
    table : str
        Input table.
    data : pyarrow.Table
        The columns of the schema in their types, then extra columns as text; bad cells are null.
    file : ndarray of object, shape (n,)
        File of each row.
    row : ndarray of int, shape (n,)
        Row of each in its file.
    """

    table: str
    data: pa.Table
    file: NDArray[np.object_]
    row: Ints

    @property
    def n_rows(self) -> int:
        """How many rows there are."""
        return len(self.row)

    @property
    def files(self) -> set[str]:
        """The files that rows come from."""
        return set(self.file)

    def source(self, *, with_extra: bool = False, start: int = 0) -> pa.Table:
        """Return the columns of the schema, and `PLACES` counted from `start`, for a query."""
        table = FILE_SCHEMAS[self.table]
        if with_extra:
            data = packed(self.data, table=table)
        else:
            data = self.data.select(table.arrow_schema.names)
        n = np.arange(start, start + len(self.row), dtype=np.int64)
        columns = (n, pa.array(self.file, pa.string()), self.row.astype(np.int64))
        for name, values in zip(PLACES, columns, strict=True):
            data = data.append_column(name, pa.array(values))
        return data

    def without(self, places: Ints) -> Incoming:
        """Return the rows but those at some places, counted from 0."""
        return self.keep(~np.isin(np.arange(len(self.row)), places))

    def keep(self, mask: Bools) -> Incoming:
        """Return the rows where `mask` is true."""
        data = self.data.filter(pa.array(mask))
        return replace(self, data=data, file=self.file[mask], row=self.row[mask])


def type_raw(raw: Raw) -> tuple[Incoming, list[Finding]]:
    """Return the typed rows of a file and a finding for every cell at fault."""
    table = FILE_SCHEMAS[raw.table]
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


def concat(parts: Sequence[Incoming]) -> Incoming:
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
        return read_cell(value, column=column)

    is_free = column.kind is ColumnKind.TEXT and not column.allowed and not column.pattern
    typed, findings, is_fault = _judged(raw, column.name, column.arrow_type, judge, is_free=is_free)
    if column.plausible_high is not None:
        findings += _implausible(raw, column, typed)
    if column.filled:
        findings += _empty(raw, column, _true(pc.is_null(typed)) & ~is_fault)
    return typed, findings


def _implausible(raw: Raw, column: Column, typed: pa.Array) -> list[Finding]:
    limit = pa.scalar(column.plausible_high).cast(typed.type)
    fault = Fault(f"plausible up to {column.plausible_high:g} {units_of(column)}", "is it right?")

    def warning(index: int) -> Finding:
        seen = typed[index].as_py()
        return _finding(raw, column.name, index, seen=seen, fault=fault, severity=Severity.WARNING)

    return first_of_kind(np.flatnonzero(_true(pc.greater(typed, limit))).tolist(), warning)


def _empty(raw: Raw, column: Column, is_empty: Bools) -> list[Finding]:
    fault = Fault(allowed_of(column), "fill it in")
    return first_of_kind(
        np.flatnonzero(is_empty).tolist(),
        lambda index: _finding(raw, column.name, index, seen="an empty cell", fault=fault),
    )


def _extra_column(raw: Raw, name: str) -> tuple[pa.Array, list[Finding]]:
    typed, findings, _ = _judged(raw, name, pa.string(), read_extra, is_free=True)
    place: dict[str, Any] = {"table": raw.table, "file": raw.file, "row": 1, "column": name}
    header = read_extra(name)
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
    absent = set(FILE_SCHEMAS[raw.table].arrow_schema.names) - set(raw.data.column_names)
    close = suggest(name, absent)
    findings.append(
        Finding(
            severity=Severity.WARNING if close else Severity.NOTE,
            **place,
            seen=f"the column {shortened(name)} is not known; it is kept and ignored",
            advice=close,
        )
    )
    return typed, findings


def _judged(
    raw: Raw, name: str, kind: pa.DataType, judge: Callable[[Any], Any], *, is_free: bool = False
) -> tuple[pa.Array, list[Finding], Bools]:
    """Judge every distinct value once and give every row its value's verdict.

    Returns the values, the findings, and which cells are at fault. `is_free`: any label will do.
    """
    cells = _plain(raw.data[name].combine_chunks())
    is_fault = np.zeros(len(raw.row), dtype=bool)
    if is_free and _are_labels(cells):
        return cells, [], is_fault
    values, codes = _distinct(cells)
    verdicts = [judge(value) for value in values]
    good = [None if isinstance(verdict, Fault) else verdict for verdict in verdicts]
    typed = pa.array(good, kind).take(codes)
    kinds: dict[str, list[int]] = defaultdict(list)
    for code, verdict in enumerate(verdicts):
        if isinstance(verdict, Fault):
            kinds[verdict.allowed].append(code)
    if not kinds:
        return typed, [], is_fault
    code_of = codes.fill_null(-1).to_numpy(zero_copy_only=False)
    findings: list[Finding] = []
    for alike in kinds.values():
        mine = np.isin(code_of, alike)
        is_fault |= mine
        findings += first_of_kind(
            np.flatnonzero(mine).tolist(),
            lambda index: _finding(
                raw, name, index, seen=values[code_of[index]], fault=verdicts[code_of[index]]
            ),
        )
    return typed, sorted(findings, key=lambda one: one.row or sys.maxsize), is_fault


def _are_labels(cells: pa.Array) -> bool:
    """Whether all cells are empty or texts that `read_cell` returns as they are, seen at once."""
    if cells.type != pa.string() or (pc.max(pc.binary_length(cells)).as_py() or 0) > TEXT_CEILING:
        return False
    return pc.all(pc.match_substring_regex(cells, _LABEL)).as_py() is not False


def _distinct(array: pa.Array) -> tuple[list[Any], pa.Array]:
    """Return the distinct values of a column and the place of each row's value among them."""
    try:
        coded = array.dictionary_encode()
    except pa.ArrowNotImplementedError:
        texts = [str(one) if one.is_valid else None for one in array]
        coded = pa.array(texts, pa.string()).dictionary_encode()
        return [_NoValue(value) for value in coded.dictionary.to_pylist()], coded.indices
    return [value_of(one) for one in coded.dictionary], coded.indices


def value_of(one: pa.Scalar) -> Any:
    """Return the value of a cell; of a day or an instant outside the calendar, words for it."""
    try:
        return one.as_py()
    except (ValueError, OverflowError):
        return _NoValue(f"{one.type} {one.value}")


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
        try:  # a nanosecond is cut; an instant outside the calendar is none
            return array.cast(pa.timestamp("us", array.type.tz), safe=array.type.unit != "ns")
        except pa.ArrowInvalid:
            return array
    if pa.types.is_time(array.type):
        return array.cast(pa.time64("us"), safe=False)
    if pa.types.is_large_string(array.type) or pa.types.is_string_view(array.type):
        return array.cast(pa.string())
    return array


def _true(mask: pa.Array) -> Bools:
    filled: Bools = mask.fill_null(False).to_numpy(zero_copy_only=False)
    return filled


def _finding(
    raw: Raw,
    column: str,
    index: int,
    *,
    seen: Any,
    fault: Fault,
    severity: Severity = Severity.ERROR,
) -> Finding:
    number = isinstance(seen, float) and math.isfinite(seen)
    return Finding(
        severity=severity,
        table=raw.table,
        file=raw.file,
        row=int(raw.row[index]),
        column=column,
        seen=fault.seen or (f"{seen:.15g}" if number else shortened(seen)),
        allowed=fault.allowed,
        advice=fault.advice,
    )
