"""A finding: one thing seen in the data, where it stands, what is allowed, what to do."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.result_table import texts

if TYPE_CHECKING:
    from collections.abc import Iterable


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
    """

    severity: Severity
    table: str
    seen: str
    allowed: str = ""
    advice: str = ""
    row: int | None = None
    column: str | None = None
    file: str = ""

    def __str__(self) -> str:
        """Return the finding as one line for people."""
        place = self.file or self.table
        if self.row is not None:
            place += f" row {self.row}"
        if self.column:
            place += f", {self.column}"
        text = f"{self.severity}: {place}: {self.seen}"
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.advice:
            text += f" - {self.advice}"
        return text


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
