"""What a rule between rows and tables is, and the rules that follow from the schema alone."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.data.query import name
from analytics.data.schema import TABLES
from analytics.findings import Severity

#: Up to so many values of another table are listed where one is not among them.
FEW_VALUES = 15


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A rule over the current rows of all tables; each row it returns breaks it.

    - `when`: SQL that is true for a row `r` at fault; `seen`: SQL of the text that says what was
      seen; `source`: SQL of what is looked at, with the row at fault as `r`; the table by default.
    - `needs`: tables whose faulty cells would make this rule speak without reason.
    - `names_stored`: whether what is seen of a row names the batch of another that is stored.
    - `severity`: an error refuses the batch; a warning is given of the rows of the batch only.
    """

    table: str
    column: str
    when: str
    seen: str
    allowed: str
    advice: str = ""
    source: str = ""
    needs: tuple[str, ...] = ()
    severity: Severity = Severity.ERROR
    names_stored: bool = False

    @property
    def query(self) -> str:
        """The SQL that returns file, row, key and what was seen of every row at fault."""
        key = ", ".join(f"r.{name(column)}" for column in TABLES[self.table].key)
        return (
            f"SELECT r._file, r._row, concat_ws(' ', {key}) AS key, {self.seen} AS seen "
            f"{self.faults}"
        )

    @property
    def faults(self) -> str:
        """The SQL from FROM on that gives the rows at fault."""
        fresh = "" if self.severity is Severity.ERROR else " AND r._row IS NOT NULL"
        return f"FROM {self.source or name(self.table) + ' r'} WHERE ({self.when}){fresh}"


def of_schema() -> list[Rule]:
    """Return the rules that follow from the schema: references, and parts of a whole."""
    return [*references(), *parts()]


def references() -> list[Rule]:
    """Return one rule for every column of the schema that must be found in another table."""
    return [
        _reference(table.name, column.name, column.refers_to)
        for table in TABLES.values()
        for column in table.columns
        if column.refers_to
    ]


def parts() -> list[Rule]:
    """Return one rule for every column of the schema that counts a part of another."""
    return [
        part_of(table.name, column.name, f"r.{column.part_of}", words=column.part_of)
        for table in TABLES.values()
        for column in table.columns
        if column.part_of
    ]


def part_of(table: str, part: str, whole: str, *, words: str) -> Rule:
    """Return the rule that a part is not more than the whole, where both were recorded."""
    return Rule(
        table=table,
        column=part,
        when=f"r.{part} > {whole}",
        seen=f"concat(r.{part}, ' of ', {whole}, ' {words}')",
        allowed=f"at most as many as {words}",
        advice="correct one of the two numbers",
    )


def counted(number: str, one: str, many: str = "") -> str:
    """Return SQL of a number with its noun, such as ``1 boat`` or ``2 boats``."""
    return f"concat({number}, CASE WHEN {number} = 1 THEN ' {one}' ELSE ' {many or one + 's'}' END)"


def of_two(other: str = "o") -> str:
    """Return SQL that leaves a pair of rows at fault to the row of the batch, where one is of it.

    That row is named, and can be set aside; `other` is the other row of the pair.
    """
    return f"(r._row IS NOT NULL OR {other}._row IS NULL)"


def where_stored(other: str = "o") -> str:
    """Return SQL of words for a row that another one met: the batch it is stored by, if it is."""
    is_met = f"r._row IS NOT NULL AND {other}._row IS NULL"
    return f"CASE WHEN {is_met} THEN concat(', stored', ' by batch ' || {other}._file) ELSE '' END"


def _a(noun: str) -> str:
    return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"


def _there(table: str, column: str) -> str:
    """Return SQL of the values there are, where they are few; else of an empty text."""
    values = f"(SELECT DISTINCT {column} AS k FROM {name(table)})"
    return (
        f"coalesce((SELECT concat(' (there: ', string_agg(k, ', ' ORDER BY k), ')') FROM {values} "
        f"HAVING count(*) BETWEEN 1 AND {FEW_VALUES}), '')"
    )


def _reference(table: str, column: str, target: str) -> Rule:
    other, other_column = target.split(".")
    return Rule(
        table=table,
        column=column,
        source=f"{name(table)} r ANTI JOIN {name(other)} o ON o.{other_column} = r.{column}",
        when=f"r.{column} IS NOT NULL",
        seen=f"concat('no {other_column} ', r.{column}, ' in {other}', "
        f"{_there(other, other_column)})",
        allowed=f"{_a(other_column)} of the table {other}",
        advice=f"correct it, or import its row of {other} first or together with this",
    )
