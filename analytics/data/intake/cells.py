"""One cell: what was written, judged against its column, gives a value or a fault."""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from analytics.data.columns import TEXT_CEILING
from analytics.data.intake.files import suggest
from analytics.data.schema import Column, Kind

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.data.columns import Pattern

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_WITH_COMMA = re.compile(r"[+-]?\d+(,\d+)+(\.\d+)?")
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_TIME = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
_FLAGS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
_YEARS = (1900, 2199)
_EMPTY = "leave the cell empty for not recorded"


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a cell cannot be taken."""

    allowed: str
    advice: str = ""


def read_cell(value: Any, *, column: Column) -> Any:
    """Return the cell's value in the column's type, None for an empty cell, or a `Fault`.

    Parameters
    ----------
    value : object
        Text from a CSV cell, or the value of a Parquet cell.
    column : Column
        Its column.
    """
    if isinstance(value, str):
        value = value.strip()
    if value is None or value == "":
        return None
    parsed = _PARSERS[column.kind](value)
    if parsed is None or isinstance(parsed, Fault):
        return parsed
    return _in_range(parsed, column)


def read_extra(value: Any) -> str | Fault | None:
    """Return the cell of a column the contract does not know as text, or a `Fault`."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    text = str(value).strip()
    if _NUMBER.fullmatch(text):
        return text
    return _text(text)


def allowed_of(column: Column) -> str:
    """Return in words what a column's cell may hold, for findings."""
    if column.allowed:
        return ", ".join(column.allowed)
    if column.pattern:
        return column.pattern.words
    kind = {
        Kind.DATE: "a date written YYYY-MM-DD",
        Kind.TIME: "a time written HH:MM",
        Kind.COUNT: "a whole number",
        Kind.NUMBER: "a number",
        Kind.PROPORTION: "a proportion",
        Kind.FLAG: "true or false",
        Kind.TEXT: "text",
    }[column.kind]
    unit = f" {column.unit}" if column.unit not in ("", "1") else ""
    if column.low is not None and column.high is not None:
        return f"{kind} from {column.low:,.15g} to {column.high:,.15g}{unit}"
    if column.low is not None:
        return f"{kind} of at least {column.low:,.15g}{unit}"
    return kind + (f" in {column.unit}" if unit else "")


def _in_range(value: Any, column: Column) -> Any:
    if column.allowed and value not in column.allowed:
        return Fault(allowed_of(column), suggest(value, column.allowed))
    if column.pattern and not re.fullmatch(column.pattern.regex, value):
        return Fault(allowed_of(column), _rewritten(value, column.pattern))
    too_low = column.low is not None and value < column.low
    if too_low or (column.high is not None and value > column.high):
        empty = "" if column.filled else f", or {_EMPTY}"
        percent = "10 % is written 0.1: " if column.kind is Kind.PROPORTION else ""
        return Fault(allowed_of(column), f"{percent}mend the number{empty}")
    return value


def _rewritten(value: str, pattern: Pattern) -> str:
    """Return advice to write a text with a dash for every character that does not fit."""
    fitting = "".join(one if re.fullmatch(pattern.regex, one) else "-" for one in value).strip("-")
    return f"write {fitting}" if re.fullmatch(pattern.regex, fitting) else "mend it"


def _text(value: Any) -> str | Fault:
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    if isinstance(value, float) and value.is_integer():
        return str(int(value))  # ids that passed through a frame with empty cells
    if not isinstance(value, str):
        return Fault("text", _EMPTY if isinstance(value, float) else "write it as text")
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
    if len(value) > TEXT_CEILING:
        return Fault(f"at most {TEXT_CEILING} characters", "shorten it")
    return value


def _number(value: Any) -> float | Fault:
    is_number = isinstance(value, (int, float, Decimal)) and not isinstance(value, bool)
    if is_number or (isinstance(value, str) and _NUMBER.fullmatch(value)):
        number = float(value)
        return number if math.isfinite(number) else Fault("a number", _EMPTY)
    if isinstance(value, str) and _WITH_COMMA.fullmatch(value):
        return Fault("a number", "write a decimal point and no comma")
    return Fault("a number", _EMPTY)


def _count(value: Any) -> int | Fault:
    number = _number(value)
    if isinstance(number, Fault):
        return Fault("a whole number", number.advice)
    return int(number) if number.is_integer() else Fault("a whole number", "mend the number")


def _date(value: Any) -> dt.date | Fault:
    if isinstance(value, dt.datetime):
        midnight = value.tzinfo is None and value.time() == dt.time()
        value = value.date() if midnight else None
    elif isinstance(value, str):
        value = _iso_date(value)
    if not isinstance(value, dt.date):
        return Fault("a date written YYYY-MM-DD, without a time", "such as 2031-02-01")
    if not _YEARS[0] <= value.year <= _YEARS[1]:
        return Fault(f"a year from {_YEARS[0]} to {_YEARS[1]}", "mend the year")
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
    return Fault("a time written HH:MM", "such as 07:30")


def _flag(value: Any) -> bool | Fault:
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    word = str(value).lower()
    return _FLAGS[word] if word in _FLAGS else Fault("true or false, yes or no, 1 or 0", _EMPTY)


_PARSERS: dict[Kind, Callable[[Any], Any]] = {
    Kind.TEXT: _text,
    Kind.COUNT: _count,
    Kind.NUMBER: _number,
    Kind.PROPORTION: _number,
    Kind.DATE: _date,
    Kind.TIME: _time,
    Kind.FLAG: _flag,
}
