"""What a column and a table of the schema are: what a cell may hold, and short ways to write it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

import pyarrow as pa

from analytics import outlines
from analytics.csv_text import NUMBER

#: No field count can pass this; larger numbers are slips of the keyboard.
COUNT_CEILING = 100_000
#: A longer text is a note or a slip, and no label.
TEXT_CEILING = 500
#: How a day and a time of day are written, and the words of a flag.
DATE, TIME = r"[0-9]{4}-[0-9]{2}-[0-9]{2}", r"([01][0-9]|2[0-3]):[0-5][0-9]"
FLAGS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
FLAG_WORDS = "true or false, yes or no, 1 or 0"


class ColumnKind(StrEnum):
    """What a cell may hold."""

    TEXT = "text"
    COUNT = "whole number"
    NUMBER = "number"
    PROPORTION = "proportion"
    DATE = "date"
    TIME = "time"
    FLAG = "true or false"
    OUTLINE = "outline"


_ARROW: dict[ColumnKind, pa.DataType] = {
    ColumnKind.TEXT: pa.string(),
    ColumnKind.COUNT: pa.int64(),
    ColumnKind.NUMBER: pa.float64(),
    ColumnKind.PROPORTION: pa.float64(),
    ColumnKind.DATE: pa.date32(),
    ColumnKind.TIME: pa.string(),
    ColumnKind.FLAG: pa.bool_(),
    ColumnKind.OUTLINE: pa.string(),
}


@dataclass(frozen=True, slots=True)
class Pattern:
    """How a text must be written: a regular expression that fits all of it, and its words."""

    regex: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of an input table.

    - `required`: the column must be there, though its cells may be empty; `filled`: no cell may be
      empty, which implies `required`.
    - `low`, `high`: allowed range, both ends included; above `plausible_high` a cell passes with a
      warning; `allowed`: allowed words, empty for any; `pattern`: how the text must be written.
    - `default`: what an empty cell means, where there is a default; `if_empty`: what the estimates
      do where some cells are empty, said once a batch.
    - `part_of`: column of the same table that counts the whole of which this counts a part;
      `refers_to`: ``table.column`` that must hold the value.
    """

    name: str
    kind: ColumnKind
    meaning: str
    unit: str = ""
    required: bool = False
    filled: bool = False
    low: float | None = None
    high: float | None = None
    plausible_high: float | None = None
    allowed: tuple[str, ...] = ()
    pattern: Pattern | None = None
    default: str | None = None
    if_empty: str = ""
    part_of: str | None = None
    refers_to: str | None = None

    @property
    def arrow_type(self) -> pa.DataType:
        """The Arrow type the column is stored in."""
        return _ARROW[self.kind]

    @property
    def must_exist(self) -> bool:
        """Whether a table without this column is refused."""
        return self.required or self.filled


@dataclass(frozen=True, slots=True)
class Table:
    """One input table: its key, its columns, what a row is."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    meaning: str

    @property
    def arrow_schema(self) -> pa.Schema:
        """The Arrow schema of the stored table, in the order of the columns."""
        return pa.schema([(column.name, column.arrow_type) for column in self.columns])

    def column(self, name: str) -> Column:
        """Return the column called `name`."""
        return next(column for column in self.columns if column.name == name)


def text(name: str, meaning: str, **more: object) -> Column:
    """Return a text column."""
    return Column(name=name, kind=ColumnKind.TEXT, meaning=meaning, **more)  # type: ignore[arg-type]


def count(name: str, meaning: str, unit: str, **more: object) -> Column:
    """Return a column of whole numbers, 0 to `COUNT_CEILING` unless stated otherwise."""
    limits: dict[str, object] = {"low": 0, "high": COUNT_CEILING, **more}
    return Column(name=name, kind=ColumnKind.COUNT, meaning=meaning, unit=unit, **limits)  # type: ignore[arg-type]


def number(name: str, meaning: str, unit: str, **more: object) -> Column:
    """Return a column of numbers in `unit`."""
    return Column(name=name, kind=ColumnKind.NUMBER, meaning=meaning, unit=unit, **more)  # type: ignore[arg-type]


def proportion(name: str, meaning: str, **more: object) -> Column:
    """Return a column of proportions, 0 to 1 unless stated otherwise."""
    limits: dict[str, object] = {"low": 0, "high": 1, **more}
    return Column(name=name, kind=ColumnKind.PROPORTION, meaning=meaning, unit="1", **limits)  # type: ignore[arg-type]


def date(name: str, meaning: str, **more: object) -> Column:
    """Return a column of days."""
    return Column(name=name, kind=ColumnKind.DATE, meaning=meaning, **more)  # type: ignore[arg-type]


def flag(name: str, meaning: str, **more: object) -> Column:
    """Return a column of true or false."""
    return Column(name=name, kind=ColumnKind.FLAG, meaning=meaning, **more)  # type: ignore[arg-type]


def fish_count(name: str, meaning: str, **more: object) -> Column:
    """Return a count of fish; very large ones pass with a warning."""
    # Over 200 Chinook in one boat trip is not plausible (common practice, no source).
    return count(name, meaning, "fish", plausible_high=200, **more)


# What a column may hold, in words.

#: Units that are nouns, with an s where there are many.
_NOUNS = ("angler", "boat", "degree")


def allowed_of(column: Column) -> str:
    """Return in words what a column's cell may hold, for findings."""
    if column.allowed:
        return ", ".join(column.allowed)
    if column.pattern:
        return column.pattern.words
    kind = {
        ColumnKind.DATE: "a date written YYYY-MM-DD",
        ColumnKind.TIME: "a time written HH:MM",
        ColumnKind.COUNT: "a whole number",
        ColumnKind.NUMBER: "a number",
        ColumnKind.PROPORTION: "a proportion",
        ColumnKind.FLAG: "true or false",
        ColumnKind.TEXT: "text",
        ColumnKind.OUTLINE: outlines.ALLOWED,
    }[column.kind]
    unit = f" {units_of(column)}" if column.unit not in ("", "1") else ""
    if column.low is not None and column.high is not None:
        return f"{kind} from {column.low:,.15g} to {column.high:,.15g}{unit}"
    if column.low is not None:
        return f"{kind} of at least {column.low:,.15g}{unit}"
    return kind + (f" in {units_of(column)}" if unit else "")


def units_of(column: Column) -> str:
    """Return the unit of a column as it stands after a bound: nouns in the plural, not symbols."""
    return f"{column.unit}s" if column.unit in _NOUNS else column.unit


# The same rules for a field that is judged while it is typed.


@dataclass(frozen=True, slots=True)
class CellRule:
    """What the text of one cell may be, as far as it is known from its column alone.

    `pattern` is a regular expression that fits all of the text, in what Python and browsers share
    of its syntax, empty for any text; in any case of letters where `any_case`. `low` and `high`
    are bounds of a number, both allowed. `closed` are the words of a column that takes no other.
    """

    words: str
    pattern: str = ""
    any_case: bool = False
    is_number: bool = False
    is_whole: bool = False
    low: float | None = None
    high: float | None = None
    closed: tuple[str, ...] = ()


def cell_rule(column: Column) -> CellRule:
    """Return the rule by which the import takes the text of a column's cell."""
    words, is_whole = allowed_of(column), column.kind is ColumnKind.COUNT
    if is_whole or column.kind in (ColumnKind.NUMBER, ColumnKind.PROPORTION):
        return CellRule(words, NUMBER, False, True, is_whole, column.low, column.high)
    if column.kind is ColumnKind.FLAG:
        taken = tuple(word for word in FLAGS if word.isalpha())
        return CellRule(FLAG_WORDS, "|".join(FLAGS), any_case=True, closed=taken)
    if column.allowed:
        return CellRule(words, "|".join(map(re.escape, column.allowed)), closed=column.allowed)
    if column.pattern:
        return CellRule(words, column.pattern.regex)
    forms = {ColumnKind.DATE: DATE, ColumnKind.TIME: TIME}
    return CellRule(words, forms.get(column.kind, ""))
