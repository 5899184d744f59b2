"""A form to key rows in: every cell text, kept as typed, judged by the checks alone.

The fields stand in the browser and are drawn once (``grid.js``): no key waits for the server, and
none is lost to it. What was typed comes whole, with a number that counts changes. Findings stand
beside the line and the cell they are about, as words in the grid and as a table.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st
from streamlit.components.v2 import component

from analytics.data.importing import TEXT_CEILING, cell_rule
from analytics.data.schema import ColumnKind
from analytics.documents.paper_form import LINE, head
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


#: Lines of a part at most; a longer block that is pasted is refused, not cut.
LINES = 2_000
KEYS = phrase(
    "Keys: Tab to the next cell, Enter to the next line, arrows to any cell, Ctrl+Space takes a "
    "known code, Escape goes on to the next part. A block copied from a spreadsheet can be pasted."
)
_NOT_KEPT = phrase("Not kept as a draft: see the top of the page.")
#: What the form says in the browser by itself, by the names that ``grid.js`` has for it.
_SAID = {
    "sending": phrase("Sending ..."),
    "known": phrase("Known (Ctrl+Space):"),
    "becomes": phrase("becomes"),
    "allowed": phrase("allowed: {rule}"),
    "empty": phrase(
        "This line is empty: arrow down leaves it out, Escape goes on to the next part."
    ),
    "wide": phrase(
        "Nothing was pasted: the block is {wide} columns wide and {space} are left here."
    ),
    "long": phrase(
        "Nothing was pasted: {lines} lines are more than fit in {most}. Give them to the page Data "
        "desk as a file."
    ),
}
_FOLDER = Path(__file__).parent
_TYPED = "typed"
_KNOWN = 200
#: Letters that a cell of a kind of column shows, where that is not 5.
_WIDTHS = {ColumnKind.TEXT: 9, ColumnKind.DATE: 11}
_FLAG_WORDS = (("yes", ""), ("no", ""))


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a form: its columns, and lines that it begins with.

    `is_fields`: one line, drawn as fields with labels, those of `folded` in a fold; `link`: the
    column that names the line of the part before it; `known`: codes of a column with their words.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    shown: tuple[Cells, ...]
    noun: str
    caption: str = ""
    label: str = ""
    link: str = ""
    is_fields: bool = False
    folded: tuple[str, ...] = ()
    fold: str = ""
    has_ids: bool = False
    known: Mapping[str, Sequence[tuple[str, str]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Grid:
    """A form under a key of its own, which must be another one whenever `shown` of a part is.

    `document` and `revision` say which draft it holds: what the server did not confirm is taken
    over by a form of the same two.
    """

    key: str
    parts: tuple[Part, ...]
    document: str = ""
    revision: int = 0

    def typed(self) -> dict[str, list[Cells]]:
        """Return the lines of every part as they stand with what was typed so far."""
        given = _state(self.key).get("lines")
        lines = given if isinstance(given, dict) else {}
        return {part.name: _lines_of(part, lines.get(part.name)) for part in self.parts}


def is_drawn(key: str) -> bool:
    """Whether a form of this key was drawn in the run before, and so holds what was typed."""
    return key in st.session_state


def _state(key: str) -> dict[str, Any]:
    """Return what the browser sent last; a message may be forged, so nothing is taken as given."""
    found = (st.session_state.get(key) or {}).get(_TYPED)
    return found if isinstance(found, dict) else {}


def _lines_of(part: Part, given: Any) -> list[Cells]:
    if not isinstance(given, list):
        return [dict(cells) for cells in part.shown]
    names = {column.name for column in part.columns}
    # One more than a text may have: the checks then say that it is too long.
    return [
        filled({name: str(text)[: TEXT_CEILING + 1] for name, text in one.items() if name in names})
        if isinstance(one, dict)
        else {}
        for one in given[:LINES]
    ]


@dataclass(frozen=True, slots=True)
class Beside:
    """What stands beside the lines of a part: words of the checks, ids made by rule, findings."""

    checks: Mapping[int, str] = field(default_factory=dict)
    becomes: Mapping[int, str] = field(default_factory=dict)
    found: Iterable[Placed] = ()


@lru_cache(maxsize=1)
def _texts() -> dict[str, str]:
    return {kind: (_FOLDER / f"grid.{kind}").read_text("utf-8") for kind in ("js", "css")}


def draw(grid: Grid, beside: Mapping[str, Beside], *, is_kept: bool = True) -> None:
    """Draw a form with what stands beside the lines of its parts, and whether its draft is kept."""
    mount = component("blackmouth.grid", isolate_styles=False, **_texts())
    seq = _state(grid.key).get("seq")
    data = {
        "key": grid.key,
        "doc": grid.document,
        "revision": grid.revision,
        "seq": seq if isinstance(seq, int) else 0,
        "trouble": "" if is_kept else say(_NOT_KEPT),
        "said": {name: say(text) for name, text in _SAID.items()},
        "most": LINES,
        "parts": [_spec(part) for part in grid.parts],
        "lines": grid.typed(),
        "beside": {part.name: _beside(part, beside[part.name]) for part in grid.parts},
    }
    mount(key=grid.key, data=data, on_typed_change=_nothing)


def _nothing() -> None:
    """Answer a change: what was typed is read by the page."""


def _spec(part: Part) -> dict[str, Any]:
    return {
        "name": part.name,
        "title": part.title,
        "noun": part.noun,
        "caption": part.caption,
        "label": part.label or part.title,
        "link": part.link,
        "is_fields": part.is_fields,
        "fold": part.fold,
        "becomes": part.has_ids,
        "columns": [_column(part, column) for column in part.columns],
    }


def _column(part: Part, column: Column) -> dict[str, Any]:
    rule = cell_rule(column)
    named = [(word, "") for word in column.allowed]
    if column.kind is ColumnKind.FLAG:
        named = list(_FLAG_WORDS)
    words = head(column)
    return {
        "name": column.name,
        "head": words,
        "label": capitalised(words),
        "words": help_of(column),
        "known": [*part.known.get(column.name, named)][:_KNOWN],
        "width": _WIDTHS.get(column.kind, 5),
        "placeholder": say("YYYY-MM-DD") if column.kind is ColumnKind.DATE else "",
        "is_folded": column.name in part.folded,
        "rule": asdict(rule),
    }


def _beside(part: Part, beside: Beside) -> dict[str, Any]:
    """Return words of lines and cells, by line; of a cell the worst finding."""
    faults: dict[int, dict[str, str]] = {}
    for one in beside.found:
        if one.is_error:
            line = 1 if part.is_fields else one.line
            column = column_of(part.columns, one.finding)
            words = f"{SIGNS[one.finding.severity]} {one.finding.allowed}"
            faults.setdefault(line, {}).setdefault(column, words)
    return {"checks": beside.checks, "becomes": beside.becomes, "faults": faults}


def help_of(column: Column) -> str:
    """Return what a column means and may hold, in words."""
    parts = [
        column.meaning,
        say("Allowed: {allowed}.", allowed=cell_rule(column).words),
        say("Must be filled.") if column.filled else say("Leave it empty where not recorded."),
    ]
    if column.default:
        parts.append(say("Empty means {value}.", value=column.default))
    return " ".join(parts)
