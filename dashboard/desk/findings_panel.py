"""Findings on the page: as a table, the row of the one that is chosen, its cells to correct."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import pandas as pd
import streamlit as st

from analytics.data.importing import Correction, allowed_of, cell_text, findings_csv
from analytics.data.schema import TABLES
from analytics.findings import Severity
from analytics.people import Action
from analytics.wording import numbers
from dashboard import people
from dashboard.catalogue import phrase, say, say_n

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.data.importing import Raw
    from analytics.data.schema import Column
    from analytics.findings import Finding
    from dashboard.desk.checking import CheckedUpload
    from dashboard.desk.uploads import Upload

    Correct = Callable[[Upload, Correction], None]


HEADS = (
    phrase("Severity"),
    phrase("File"),
    phrase("Row"),
    phrase("Column"),
    phrase("Seen"),
    phrase("Allowed"),
    phrase("What to do"),
)
#: Columns of the row of a finding; the second is written in.
NAME, VALUE, ALLOWED = phrase("Column"), phrase("Value"), phrase("Allowed")
FAULT = "● "


@dataclass(frozen=True, slots=True)
class CellRow:
    """The cells of one row of a file: column, text, what it may hold and whether it is at fault."""

    file: str
    row: int
    cells: tuple[tuple[str, str, str, bool], ...]

    def frame(self) -> pd.DataFrame:
        """Return the cells one below the other, those at fault first."""
        return pd.DataFrame(
            {
                NAME: [FAULT * is_bad + name for name, _, _, is_bad in self.cells],
                VALUE: [text for _, text, _, _ in self.cells],
                ALLOWED: [allowed for _, _, allowed, _ in self.cells],
            },
            dtype="string",
        )


def frame_of(findings: Sequence[Finding]) -> pd.DataFrame:
    """Return findings as a table, one row each, in the order given."""
    rows = [
        (str(one.severity), one.file or one.table, one.row, one.column or "", *_texts(one))
        for one in findings
    ]
    frame = pd.DataFrame(rows, columns=list(HEADS))
    return frame.astype({"Row": "Int64"})


def place_words(one: Finding) -> str:
    """Return where a finding stands, such as ``interviews.csv, row 14, hours_fished``."""
    parts = [one.file or say("{table} in the store", table=one.table)]
    parts += [say("row {row}", row=one.row)] if one.row is not None else []
    return ", ".join([*parts, *([one.column] if one.column else [])])


def severity_words(findings: Sequence[Finding], severity: Severity) -> str:
    """Return how many findings there are of a severity, such as ``2 errors``."""
    n = sum(one.times for one in findings if one.severity is severity)
    if severity is Severity.ERROR:
        return say_n(n, "{n} error", "{n} errors")
    if severity is Severity.WARNING:
        return say_n(n, "{n} warning", "{n} warnings")
    return numbers.count(n, str(severity))


def row_of(found: CheckedUpload, one: Finding) -> CellRow | None:
    """Return the row that a finding is about, cells at fault first; None where there is none."""
    raw = found.raw_of(one)
    if raw is None or one.row is None or one.row == 1 or one.row not in raw.row:
        return None
    bad = {
        other.column
        for other in found.findings
        if (other.file, other.table, other.row) == (one.file, one.table, one.row)
    }
    table = TABLES[raw.table]
    known = {column.name: column for column in table.columns}
    cells = [
        (
            name,
            cell_text(raw, one.row, name) or "",
            _allowed(known.get(name)),
            name in bad,
        )
        for name in raw.data.column_names
    ]
    return CellRow(raw.file, one.row, tuple(sorted(cells, key=lambda cell: not cell[3])))


def line_of(found: CheckedUpload, one: Finding) -> str | None:
    """Return the line of a finding about a number of cells; None where it is about none."""
    raw: Raw | None = found.raw_of(one)
    return raw.ragged.get(one.row) if raw is not None and one.row is not None else None


def _allowed(column: Column | None) -> str:
    if column is None:
        return say("text; the column is kept and ignored")
    if column.refers_to:
        table, _, name = column.refers_to.partition(".")
        if name[0] in "aeiou":
            return say("an {column} of the table {table}", column=name, table=table)
        return say("a {column} of the table {table}", column=name, table=table)
    return allowed_of(column)


def _texts(one: Finding) -> tuple[str, str, str]:
    return one.seen, one.allowed, one.advice


_MOST_LINES = 9
_SHOWN = "desk-shown"
_EVERY = "all"


@dataclass(frozen=True, slots=True)
class _Shown:
    """The row that was shown: its upload, the key of its widget, and what stood in it."""

    upload: Upload
    key: str
    file: str
    row: int
    cells: tuple[tuple[str, str, str, bool], ...]
    line: str | None = None


def height(n_lines: int, *, most: int) -> int:
    """Return the pixels of a table that shows its lines, at most so many of them."""
    return 35 * (min(n_lines, most) + 1) + 2


def columns(heads: Sequence[str], more: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Return how columns are drawn that have English names: each under its head in the language.

    `more` has what else is said of a column, by its name.
    """
    found = dict(more or {})
    labels = {head: say(head) for head in heads}
    changed = {head: label for head, label in labels.items() if label != head}
    return found | {head: {**found.get(head, {}), "label": changed[head]} for head in changed}


def taken() -> list[tuple[Upload, Correction]]:
    """Return what was written into the row shown last, each with the upload that was shown.

    It is taken before the page looks at the upload again: another window may have changed it.
    """
    shown: _Shown | None = st.session_state.pop(_SHOWN, None)
    if shown is None or shown.key not in st.session_state:
        return []
    state = st.session_state[shown.key]
    if shown.line is not None:
        same = state == shown.line or state is None
        made = [] if same else [Correction(shown.file, shown.row, "", shown.line, state)]
    else:
        made = [
            Correction(shown.file, shown.row, name, text, written)
            for at, edit in state.get("edited_rows", {}).items()
            for name, text, *_ in (shown.cells[int(at)],)
            if VALUE in edit
            if (written := (edit[VALUE] or "").strip()) != text
        ]
    return [(shown.upload, one) for one in made]


def draw(found: CheckedUpload, correct: Correct) -> None:
    """Draw the findings of an upload; `correct` takes a row out of it."""
    if not found.findings:
        return
    st.header(say("Findings"), anchor=False)
    shown = _of_severity(found)
    frame = frame_of(shown)
    event = st.container(key="desk-findings").dataframe(
        frame,
        key=f"findings-{found.upload.revision}-{len(shown)}",
        hide_index=True,
        on_select="rerun",
        selection_mode="single-row",
        selection_default={"selection": {"rows": [0], "columns": [], "cells": []}},
        height=height(len(shown), most=_MOST_LINES),
        placeholder="",
        column_config=columns(
            HEADS,
            {
                "Row": st.column_config.NumberColumn(format="%d", width="small"),
                "Severity": st.column_config.TextColumn(width="small"),
                "What to do": st.column_config.TextColumn(width="large"),
            },
        ),
        alt=say(
            "Findings: severity, file, row, column, what was seen, what is allowed, what to do"
        ),
    )
    rows = [row for row in event["selection"]["rows"] if row < len(shown)]
    if rows:
        _one(found, shown[rows[0]])
    else:
        st.caption(say("Choose a finding to see the row that it is about."))
    with st.container(horizontal=True):
        if rows:
            _leave_out(found, shown[rows[0]], correct)
        people.offer(
            say("Download all findings (CSV)"),
            partial(findings_csv, found.findings),
            file_name="findings.csv",
            mime="text/csv",
            key="download-findings",
            action=Action.SEE_STORE,
        )


def _of_severity(found: CheckedUpload) -> Sequence[Finding]:
    """Draw the choice of severities, where there is one; return the findings chosen."""
    there = [one for one in Severity if any(f.severity is one for f in found.findings)]
    if len(there) == 1:
        return found.findings
    words = {str(one): severity_words(found.findings, one) for one in there}
    chosen = st.segmented_control(
        say("Show"),
        [*words, _EVERY],
        default=next(iter(words)),
        format_func=lambda one: words.get(one, say("all")),
        key=f"severity-{found.upload.upload}-{'-'.join(words)}",
        label_visibility="collapsed",
    )
    return [one for one in found.findings if chosen in (None, _EVERY, str(one.severity))]


def _one(found: CheckedUpload, one: Finding) -> None:
    """Draw a finding in words, then its row or line to correct."""
    parts = [f"**{numbers.plain(place_words(one))}** – "]
    parts[0] += say("seen: {seen}.", seen=numbers.plain(one.seen))
    if one.allowed:
        parts.append(say("Allowed: {allowed}.", allowed=numbers.plain(one.allowed)))
    if one.advice:
        parts.append(say("**What to do:** {advice}.", advice=numbers.plain(one.advice)))
    st.markdown(" ".join(parts))
    line = line_of(found, one)
    cells = row_of(found, one)
    if line is not None:
        _line(found, one, line)
    elif cells is not None:
        _cells(found, one, cells)
    elif one.file and one.severity is Severity.ERROR:
        st.caption(
            say(
                "Correct the file and drop it here again under the same name: it takes this one's "
                "place. Or take the file out of the upload, in the list of files above."
            )
        )


def _leave_out(found: CheckedUpload, one: Finding, correct: Correct) -> None:
    line = line_of(found, one)
    if line is None and row_of(found, one) is None:
        return
    st.button(
        say("Leave this row out"),
        key=f"out-{_key(found, one)}",
        help=say("The row is not stored; the file stays as it came, and this can be undone."),
        on_click=correct,
        args=(found.upload, Correction(one.file, one.row or 0, "", line or "", "")),
    )


def _line(found: CheckedUpload, one: Finding, line: str) -> None:
    key = f"line-{_key(found, one)}"
    st.text_input(say("The line as it is to be read"), line, key=key)
    st.session_state[_SHOWN] = _Shown(found.upload, key, one.file, one.row or 0, (), line)


def _cells(found: CheckedUpload, one: Finding, row: CellRow) -> None:
    """Draw the row's cells one below the other; what is written in one is its correction."""
    key = f"cells-{_key(found, one)}"
    st.container(key="desk-row").data_editor(
        row.frame(),
        key=key,
        hide_index=True,
        disabled=[NAME, ALLOWED],
        height=height(len(row.cells), most=2 * _MOST_LINES),
        placeholder="",
        column_config=columns(
            (NAME, VALUE, ALLOWED),
            {
                NAME: st.column_config.TextColumn(width="medium"),
                VALUE: st.column_config.TextColumn(
                    width="medium", help=say("Double-click a cell, or choose it and type.")
                ),
                ALLOWED: st.column_config.TextColumn(width="large"),
            },
        ),
    )
    st.session_state[_SHOWN] = _Shown(found.upload, key, row.file, row.row, row.cells)


def _key(found: CheckedUpload, one: Finding) -> str:
    return f"{found.upload.upload}-{found.upload.revision}-{one.file}-{one.table}-{one.row}"
