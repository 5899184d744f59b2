"""Season tables: seasons, holidays, limits and rates edited in a grid, stored with a reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.data.store import REASON
from analytics.documents.paper_form import head
from analytics.errors import BlackmouthError
from analytics.people import Action
from analytics.precision import DASH
from analytics.wording import numbers
from dashboard import filters, html_tables, notices, page_frame, people, store_access, url_state
from dashboard.catalogue import phrase, say, say_n
from dashboard.desk.batches import receipt_words
from dashboard.forms import drafts, grid, table_edit
from dashboard.forms.grid import Beside, beside, findings_table
from dashboard.forms.table_edit import EDITED, CheckedTable

if TYPE_CHECKING:
    from pathlib import Path

    import pyarrow as pa

    from analytics.data.store import Store
    from dashboard.forms.table_edit import Editing

_RECEIPT = "season-tables-receipt"
_LISTED = 40
#: Stands in the preview for a cell at fault.
_UNREAD = phrase("cannot be read")
_CAUTION = phrase(
    "These tables steer the estimates; they are no regulation. Before you give a rule or a limit "
    "to others, compare it with the agency's own text."
)


def show() -> None:
    """Draw the page, or say in words why it cannot be drawn."""
    url_state.follow("small_tables")
    st.title(say("Season tables"))
    notices.invented()
    people.require(Action.DRAFT)
    try:
        store = store_access.store()
        if store is None:
            page_frame.lead(say(notices.NO_STORE))
            return
        name = filters.pick(
            say("Table"), list(EDITED), key="table", words=lambda one: say(EDITED[one])
        )
        _table(name, store)
    except BlackmouthError as error:
        st.error(numbers.sentence(str(error)))
    url_state.write()


def _table(name: str, store: Store) -> None:
    stored = table_edit.stored_table(store, name)
    folder = store_access.desk("tables")
    editing = _editing(name, stored, folder)
    # From the start: a link that changes while cells are typed would draw the page anew.
    url_state.note("draft", editing.name)
    drawn = table_edit.grid_of(editing, stored)
    if grid.is_drawn(drawn.key):
        with editing.lock:
            if table_edit.read_typed(editing, drawn):
                table_edit.keep(editing, folder)
    elif editing.lines != editing.shown:
        editing.renew(editing.lines)
        drawn = table_edit.grid_of(editing, stored)
    checked = table_edit.check_table(editing.lines, name, store)
    top = st.container()
    st.caption(TABLES[name].meaning)
    filled = [n for n, cells in enumerate(editing.lines, start=1) if cells]
    sound = () if checked.n_errors else filled
    marks = {name: Beside(beside(checked.found, sound), found=checked.found)}
    grid.draw(drawn, marks, is_kept=not editing.fault)
    with st.container():
        if checked.found:
            st.html(findings_table(checked.found))
    with top:
        _answer(name, editing, checked, stored)
        _drafts(name, editing, folder)
    _preview(name, checked, store)
    _end(name, editing, checked, store, stored)
    st.caption(say(_CAUTION))


def _editing(name: str, stored: pa.Table, folder: Path) -> Editing:
    """Return this tab's edit of a table; that of the link's draft where there is one."""
    held = table_edit.held()
    asked = st.query_params.get("draft", "")
    mine = held.get(name)
    is_other = mine is None or asked not in {one.name for one in held.values()}
    if asked and is_other and drafts.is_there(folder, asked):
        generation = mine.generation + 1 if mine else 0
        held[name] = table_edit.taken(drafts.load(folder, asked), name, generation=generation)
    elif mine is None:
        held[name] = table_edit.begin(name, table_edit.as_lines(stored))
    return held[name]


def _drafts(name: str, editing: Editing, folder: Path) -> None:
    """Say whether the edit is kept, and offer those of this table that were not stored."""
    if editing.fault:
        st.error(numbers.sentence(editing.fault))
    elif editing.is_changed and editing.saved_utc:
        st.caption(say(drafts.KEPT, time=editing.saved_utc[11:16]))
    others, damaged = table_edit.listed(folder, name, but=editing.name)
    for file in damaged:
        st.warning(numbers.plain(say(drafts.DAMAGED, file=file)))
    if others and not editing.is_changed:
        title = say("Edits of this table not stored yet ({n})", n=len(others))
        with st.expander(title, expanded=True):
            for one in others[:_LISTED]:
                at = numbers.instant_words(one.saved_utc)
                words = say("Continue the edit kept {time}{by}", time=at, by=one.by_words)
                st.button(
                    numbers.plain(words),
                    on_click=_go_on,
                    args=(one.name,),
                    key=f"draft-{one.name}",
                )


def _go_on(name: str) -> None:
    st.query_params["draft"] = name


def _is_elsewhere(editing: Editing, stored: pa.Table) -> bool:
    """Whether the table was changed in the store since this edit began."""
    return table_edit.as_lines(stored) != editing.base


def _answer(name: str, editing: Editing, checked: CheckedTable, stored: pa.Table) -> None:
    """Draw where the edit stands in a sentence, and what another tab stored meanwhile."""
    receipt = st.session_state.pop(_RECEIPT, "")
    if receipt:
        st.success(receipt)
    found = checked.changes
    if found.is_empty and not found.gone and not checked.n_errors:
        page_frame.lead(
            say_n(
                len(editing.base),
                "{n} row as stored. Change a cell, or add a row on an empty line.",
                "{n} rows as stored. Change a cell, or add a row on an empty line.",
            )
        )
    else:
        faults = ""
        if n := checked.n_errors:
            faults = say_n(n, "; {n} error to correct", "; {n} errors to correct")
        page_frame.lead(
            say(
                "**{rows}** added, **{changed:,}** changed{faults}. Nothing is stored yet.",
                rows=say_n(len(found.added), "{n} row", "{n} rows"),
                changed=found.n_changed,
                faults=faults,
            )
        )
    if _is_elsewhere(editing, stored):
        st.warning(
            say(
                "This table was changed in the store since you began. What you typed is still here "
                "and nothing was overwritten. Merge what was stored: cells that you did not change "
                "follow the store, those that you changed stay as you typed them."
            )
        )
        st.button(say("Merge what was stored"), on_click=_take_in, args=(name,), key="take-in")
    for one in editing.clashes[:_LISTED]:
        said = say(
            "Changed here and elsewhere: {row}, {column}: yours is {mine}, stored is {theirs}. "
            "Yours is kept in the grid.",
            row=" ".join(one.key),
            column=one.column,
            mine=one.mine or DASH,
            theirs=one.theirs or DASH,
        )
        st.warning(numbers.plain(said))


def _take_in(name: str) -> None:
    people.require(Action.DRAFT)
    store = store_access.store()
    editing = table_edit.held()[name]
    if store is None:
        return
    theirs = table_edit.as_lines(table_edit.stored_table(store, name))
    lines, editing.clashes = table_edit.merge(editing.base, editing.lines, theirs, name=name)
    editing.base = theirs
    editing.renew(lines)
    table_edit.keep(editing, store_access.desk("tables"))


def _preview(name: str, checked: CheckedTable, store: Store) -> None:
    """Draw what would change in the store, and what to do about rows that were emptied."""
    found = checked.changes
    if found.is_empty and not found.gone:
        return
    st.header(say("What changes"), anchor=False)
    heads = (say("Row"), say("Field"), say("Before"), say("After"))
    lines = [
        html_tables.line(heads, " ".join(key), [say("all"), DASH, say("new row")])
        for key in found.added
    ]
    columns = {one.name: one for one in TABLES[name].columns}
    # A cell that cannot be read is no value: it was not emptied.
    unread = {one.finding.column for one in checked.found if one.is_error}
    lines += [
        html_tables.line(
            heads,
            " ".join(one.key),
            [
                head(columns[one.column]),
                one.before or DASH,
                one.after or (say(_UNREAD) if one.column in unread else DASH),
            ],
        )
        for one in found.changed
    ]
    if len(lines) > _LISTED:
        more = say("and {n:,} more", n=len(lines) - _LISTED)
        lines = [*lines[:_LISTED], html_tables.words_line(heads, more)]
    if lines:
        st.html(html_tables.table(heads, lines))
    batches = table_edit.batches_of(store, name, found.gone)
    for key in found.gone[:_LISTED]:
        st.warning(
            numbers.plain(
                say(
                    "Row {row} is not in the grid any more, and stays in the store: rows are never "
                    "deleted by a change. It came in with batch {batch}; to take it out, withdraw "
                    "that batch on the page Data desk and put its other rows in again, or give the "
                    "row values under which it counts for nothing, such as an earlier close_date.",
                    row=" ".join(key),
                    batch=batches.get(key, DASH),
                )
            )
        )


def _end(
    name: str, editing: Editing, checked: CheckedTable, store: Store, stored: pa.Table
) -> None:
    st.header(say("Store the change"), anchor=False)
    reason = st.text_input(
        say("Reason for the change (required; kept with the batch)"),
        key=f"reason-{name}-{editing.generation}",
        placeholder=say("such as: area closes two weeks early, notice of 3 February"),
        max_chars=500,
    )
    why = ""
    if checked.n_errors:
        why = say_n(checked.n_errors, "Correct {n} error first.", "Correct {n} errors first.")
    elif checked.changes.is_empty:
        why = say("Nothing changes yet.")
    elif _is_elsewhere(editing, stored):
        why = say("Merge first what was stored elsewhere.")
    elif not reason.strip():
        why = say("Write the reason first.")
    label = say("Store the change")
    if st.button(label, type="primary", disabled=bool(why), key="store-table"):
        people.require(Action.STORE)
        about = importing.about_reason(reason)
        receipt = importing.store_checked(checked.checked, store, about=about, who=people.who())
        st.session_state[_RECEIPT] = say(
            "{receipt} Reason: {reason}. Figures follow once a bulletin is made anew.",
            receipt=numbers.plain(receipt_words(receipt)),
            reason=numbers.plain(about[REASON]),
        )
        table_edit.drop(editing, store_access.desk("tables"))
        lines = table_edit.as_lines(table_edit.stored_table(store, name))
        table_edit.held()[name] = table_edit.begin(name, lines, generation=editing.generation + 1)
        st.query_params.pop("draft", None)
        st.rerun()
    if why:
        st.caption(why)


show()
