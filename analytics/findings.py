"""A finding: one thing seen in the data, where it stands, what is allowed, what to do."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.result_table import texts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence


class Severity(StrEnum):
    """Whether a finding refuses the batch."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing seen in the data.

    Parameters
    ----------
    severity : Severity
        An error refuses the batch; a warning passes; a note explains an estimate.
    table : str
        Input table, or the file's name where no table could be given.
    row : int or None
        Row as a spreadsheet shows it (the header is row 1); None for the whole table or for
        rows stored earlier.
    column : str or None
        Column, where one is at fault.
    seen, allowed, advice : str
        What was seen, what is allowed, what to do: a text, or codes of the registry where an
        estimate gives rise to it.
    file : str
        File the row came from; empty for stored rows, or their batch where a withdrawal is refused.
    times : int
        How many findings it stands for: 1, or those of a kind that are counted and not kept.
    """

    severity: Severity
    table: str
    seen: str
    allowed: str = ""
    advice: str = ""
    row: int | None = None
    column: str | None = None
    file: str = ""
    times: int = 1

    @property
    def is_of_stored(self) -> bool:
        """Whether it is an error about a row stored earlier, which a batch would break."""
        is_row = self.row is None and self.times == 1 and not self.file
        return is_row and self.severity is Severity.ERROR

    def __str__(self) -> str:
        """Return the finding as one line for people."""
        place = self.file or self.table
        if self.row is not None:
            place += f" {row_words(self.file, self.row)}"
        if self.column:
            place += f", {shortened(self.column)}"
        text = f"{self.severity}: {place}: {self.seen}"
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.advice:
            text += f" - {self.advice}"
        return text


def row_words(file: str, row: int) -> str:
    """Return a row as ``row 4``; of a file of outlines, which has no header, ``feature 3``."""
    return f"feature {row - 1}" if file.endswith(".geojson") else f"row {row}"


#: Findings of one kind that are kept one by one: memory stays bounded where every row is at fault.
#: Our choice, no source.
MOST_OF_A_KIND = 20_000


def first_of_kind(
    places: Sequence[Any], finding_at: Callable[[Any], Finding], *, n: int | None = None
) -> list[Finding]:
    """Return the findings of the first places, and one that counts the others.

    All are of one kind; `n`: how many there are where `places` holds the first alone.
    """
    found = [finding_at(place) for place in places[:MOST_OF_A_KIND]]
    more = (len(places) if n is None else n) - len(found)
    return [*found, _others(found[-1], more)] if more else found


class Found:
    """Findings as they come: the first of every kind, and one that counts the others.

    Of one kind is what one rule says of one column.
    """

    def __init__(self) -> None:
        self._kept: list[Finding] = []
        self._n_kept: Counter[tuple[str | None, ...]] = Counter()
        self._others: dict[tuple[str | None, ...], Finding] = {}

    def add(self, findings: Iterable[Finding]) -> None:
        """Take findings in."""
        for one in findings:
            kind = (one.severity, one.table, one.column, one.allowed)
            if one.times == 1 and self._n_kept[kind] < MOST_OF_A_KIND:
                self._n_kept[kind] += 1
                self._kept.append(one)
            else:
                before = self._others.get(kind)
                self._others[kind] = _others(one, one.times + (before.times if before else 0))

    def all(self) -> list[Finding]:
        """Return those that were kept, in their order, then those that count others."""
        return [*self._kept, *self._others.values()]


def _others(like: Finding, n: int) -> Finding:
    seen = f"{n:,} more like these, left out: of a kind the first {MOST_OF_A_KIND:,} are listed"
    return replace(like, row=None, seen=seen, times=n)


def how_many(findings: Iterable[Finding]) -> int:
    """Return how many findings there are, those that are counted and not kept among them."""
    return sum(one.times for one in findings)


#: What the checks and the sampling report found in the data.
FINDING_SCHEMA = pa.schema(
    [
        *texts("severity", "table"),
        ("row", pa.int64()),
        *texts("column", "seen", "allowed", "advice", "file"),
    ]
)


def to_arrow(findings: Iterable[Finding]) -> pa.Table:
    """Return findings as an Arrow table, one row each."""
    rows = [asdict(finding) | {"severity": str(finding.severity)} for finding in findings]
    return pa.Table.from_pylist(rows, schema=FINDING_SCHEMA)


def number_of(number: int, noun: str) -> str:
    """Return a number with its noun, such as ``1 row`` or ``1,200 rows``."""
    return f"{number:,} {noun}" + "s" * (number != 1)


def shortened(value: object) -> str:
    """Return a value as shown in a finding: on one line, at most 60 characters."""
    text = str(value)
    text = text if text.isprintable() else repr(text)[1:-1]
    return text if len(text) <= 60 else text[:57] + "..."
