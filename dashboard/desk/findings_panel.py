"""Findings on the page: the table, the row of the one that is chosen, its cells to correct."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import streamlit as st

from analytics.data.importing import Correction, findings_csv
from analytics.findings import Severity
from analytics.people import Action
from analytics.wording import numbers
from dashboard import people
from dashboard.catalogue import say
from dashboard.desk import findings_table as tables

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.findings import Finding
    from dashboard.desk.checking import CheckedUpload
    from dashboard.desk.findings_table import CellRow
    from dashboard.desk.uploads import Upload

    Correct = Callable[[Upload, Correction], None]

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
            if tables.VALUE in edit
            if (written := (edit[tables.VALUE] or "").strip()) != text
        ]
    return [(shown.upload, one) for one in made]


def draw(found: CheckedUpload, correct: Correct) -> None:
    """Draw the findings of an upload; `correct` takes a row out of it."""
    if not found.findings:
        return
    st.header(say("Findings"), anchor=False)
    shown = _of_severity(found)
    frame = tables.frame_of(shown)
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
            tables.HEADS,
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
    words = {str(one): tables.severity_words(found.findings, one) for one in there}
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
    parts = [f"**{numbers.plain(tables.place_words(one))}** – "]
    parts[0] += say("seen: {seen}.", seen=numbers.plain(one.seen))
    if one.allowed:
        parts.append(say("Allowed: {allowed}.", allowed=numbers.plain(one.allowed)))
    if one.advice:
        parts.append(say("**What to do:** {advice}.", advice=numbers.plain(one.advice)))
    st.markdown(" ".join(parts))
    line = tables.line_of(found, one)
    cells = tables.row_of(found, one)
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
    line = tables.line_of(found, one)
    if line is None and tables.row_of(found, one) is None:
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
        disabled=[tables.NAME, tables.ALLOWED],
        height=height(len(row.cells), most=2 * _MOST_LINES),
        placeholder="",
        column_config=columns(
            (tables.NAME, tables.VALUE, tables.ALLOWED),
            {
                tables.NAME: st.column_config.TextColumn(width="medium"),
                tables.VALUE: st.column_config.TextColumn(
                    width="medium", help=say("Double-click a cell, or choose it and type.")
                ),
                tables.ALLOWED: st.column_config.TextColumn(width="large"),
            },
        ),
    )
    st.session_state[_SHOWN] = _Shown(found.upload, key, row.file, row.row, row.cells)


def _key(found: CheckedUpload, one: Finding) -> str:
    return f"{found.upload.upload}-{found.upload.revision}-{one.file}-{one.table}-{one.row}"
