"""Findings beside the line and the cell they are about, as words in a grid and as a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analytics.documents.paper_form import LINE
from analytics.findings import Finding, Severity
from analytics.quantities import capitalised
from dashboard import html_tables
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from markupsafe import Markup

    from analytics.data.schema import Column

_NOUN = phrase("line")
#: Text of a cell by column; cells left empty are not there.
Cells = dict[str, str]
#: A mark for each severity, which stands with its word: never colour alone.
SIGNS = {Severity.ERROR: "✗", Severity.WARNING: "!", Severity.NOTE: "·"}
_RANK = {severity: place for place, severity in enumerate(Severity)}
_SHOWN = 20
_LONGEST = 160
_HEADS = (phrase("Field"), phrase("Seen"), phrase("Allowed"), phrase("What to do"))
_SEVERITIES = {
    Severity.ERROR: phrase("error"),
    Severity.WARNING: phrase("warning"),
    Severity.NOTE: phrase("note"),
}


@dataclass(frozen=True, slots=True)
class Placed:
    """A finding at its line (0 for none) and field; the head of a column is its field."""

    line: int
    field: str
    finding: Finding

    @property
    def is_error(self) -> bool:
        """Whether it forbids storing."""
        return self.finding.severity is Severity.ERROR


def filled(cells: Mapping[str, Any]) -> Cells:
    """Return the cells that hold something, as text without blanks around it."""
    texts = {name: "" if value is None else str(value).strip() for name, value in cells.items()}
    return {name: text for name, text in texts.items() if text}


def beside(found: Iterable[Placed], lines: Iterable[int]) -> dict[int, str]:
    """Return the words beside each line: the fields at fault, or that it is in order."""
    at: dict[int, list[Placed]] = {}
    for one in found:
        at.setdefault(one.line, []).append(one)
    words = dict.fromkeys(lines, say("in order"))
    for line, some in at.items():
        worst = min((one.finding.severity for one in some), key=_RANK.__getitem__)
        fields = dict.fromkeys(one.field for one in some if one.finding.severity is worst)
        words[line] = f"{SIGNS[worst]} {', '.join(fields)}"
    return words


def column_of(columns: Iterable[Column], finding: Finding) -> str:
    """Return the typed column that a finding is about: of an id of a boat, its line."""
    names = {column.name for column in columns}
    if finding.column in names:
        return str(finding.column)
    return LINE.name if LINE.name in names and finding.column else ""


def _seen(text: str) -> str:
    """Return what was seen, long texts cut; a sign that cannot be printed is written out."""
    if len(text) > _LONGEST:
        text = f"{text[: _LONGEST - 3]}..."
    return text if text.isprintable() else repr(text)[1:-1]


def findings_table(found: Sequence[Placed], *, noun: str = _NOUN) -> Markup:
    """Return findings as a table: line, field, what was seen, what is allowed, what to do."""
    noun = say(noun)
    heads = (capitalised(noun), *map(say, _HEADS))
    ordered = sorted(found, key=lambda one: (_RANK[one.finding.severity], one.line == 0, one.line))
    lines = [
        html_tables.line(
            heads,
            f"{SIGNS[one.finding.severity]} {noun} {one.line}"
            if one.line
            else SIGNS[one.finding.severity],
            [one.field, _seen(one.finding.seen), one.finding.allowed, one.finding.advice],
            below=html_tables.small(say(_SEVERITIES[one.finding.severity])),
        )
        for one in ordered[:_SHOWN]
    ]
    if len(ordered) > _SHOWN:
        more = say("and {n:,} more; correct these first", n=len(ordered) - _SHOWN)
        lines.append(html_tables.words_line(heads, more))
    return html_tables.table(heads, lines, kind="bm-findings")
