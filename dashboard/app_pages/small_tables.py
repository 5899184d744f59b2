"""Season tables: seasons, holidays, limits and rates edited in a grid, stored with a reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.data.store import REASON
from analytics.documents.form_layout import head
from analytics.errors import BlackmouthError
from analytics.findings import number_of
from analytics.people import Action
from analytics.rounding import DASH
from analytics.wording import numbers
from dashboard import filters, html_tables, notices, page_frame, people, store_access, url_state
from dashboard.desk.batches import receipt_words
from dashboard.forms import drafts, grid, table_drafts, table_edit
from dashboard.forms.grid import Beside
from dashboard.forms.placed import beside, findings_table
from dashboard.forms.table_edit import EDITED, CheckedTable

if TYPE_CHECKING:
    from pathlib import Path

    import pyarrow as pa

    from analytics.data.store import Store
    from dashboard.forms.table_drafts import Editing

ADDRESS = "season_tables"
_RECEIPT = "season-tables-receipt"
_LISTED = 40
#: Stands in the preview for a cell at fault.
_UNREAD = "cannot be read"
_CAUTION = (
    "These tables steer the estimates; they are no regulation. Before you give a rule or a limit "
    "to others, compare it with the agency's own text."
)


def show() -> None:
    """Draw the page, or say in words why it cannot be drawn."""
    st.title("Season tables")
    notices.invented()
    url_state.follow(ADDRESS)
    people.require(Action.DRAFT)
    try:
        store = store_access.store()
        if store is None:
            page_frame.lead("No store is open. Start with `blackmouth open --store DIR`.")
            return
        name = filters.pick("Table", list(EDITED), key="table", words=EDITED.__getitem__)
        _table(name, store)
    except BlackmouthError as error:
        st.error(numbers.plain(f"{str(error)[:1].upper()}{str(error)[1:]}."))
    url_state.write()


def _table(name: str, store: Store) -> None:
    stored = table_edit.stored_table(store, name)
    folder = store_access.desk("tables")
    editing = _editing(name, stored, folder)
    # From the start: a link that changes while cells are typed would draw the page anew.
    url_state.note("draft", editing.name)
    drawn = table_drafts.grid_of(editing, stored)
    if grid.is_drawn(drawn.key):
        with editing.lock:
            if table_drafts.read_typed(editing, drawn):
                table_drafts.keep(editing, folder)
    elif editing.lines != editing.shown:
        editing.renew(editing.lines)
        drawn = table_drafts.grid_of(editing, stored)
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
    st.caption(_CAUTION)


def _editing(name: str, stored: pa.Table, folder: Path) -> Editing:
    """Return this tab's edit of a table; that of the link's draft where there is one."""
    held = table_drafts.held()
    asked = st.query_params.get("draft", "")
    mine = held.get(name)
    is_other = mine is None or asked not in {one.name for one in held.values()}
    if asked and is_other and drafts.is_there(folder, asked):
        generation = mine.generation + 1 if mine else 0
        held[name] = table_drafts.taken(drafts.load(folder, asked), name, generation=generation)
    elif mine is None:
        held[name] = table_drafts.begin(name, table_edit.as_lines(stored))
    return held[name]


def _drafts(name: str, editing: Editing, folder: Path) -> None:
    """Say whether the edit is kept, and offer those of this table that were not stored."""
    if editing.fault:
        st.error(numbers.plain(f"{editing.fault[:1].upper()}{editing.fault[1:]}."))
    elif editing.is_changed and editing.saved_utc:
        at = editing.saved_utc[11:16]
        st.caption(f"Kept as a draft at {at} UTC. You may close the browser and go on later.")
    others, damaged = table_drafts.listed(folder, name, but=editing.name)
    for file in damaged:
        st.warning(numbers.plain(f"The draft file {file} is damaged; it is left as it is."))
    if others and not editing.is_changed:
        with st.expander(f"Edits of this table not stored yet ({len(others)})", expanded=True):
            for one in others[:_LISTED]:
                at = one.saved_utc[:16].replace("T", " ")
                st.button(
                    numbers.plain(f"Continue the edit kept {at} UTC{one.by_words}"),
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
        rows = number_of(len(editing.base), "row")
        page_frame.lead(f"{rows} as stored. Change a cell, or add a row on an empty line.")
    else:
        faults = f"; {number_of(checked.n_errors, 'error')} to correct" if checked.n_errors else ""
        page_frame.lead(
            f"**{number_of(len(found.added), 'row')}** added, **{found.n_changed:,}** changed"
            f"{faults}. Nothing is stored yet."
        )
    if _is_elsewhere(editing, stored):
        st.warning(
            "This table was changed in the store since you began. What you typed is still here "
            "and nothing was overwritten. Merge what was stored: cells that you did not change "
            "follow the store, those that you changed stay as you typed them."
        )
        st.button("Merge what was stored", on_click=_take_in, args=(name,), key="take-in")
    for one in editing.clashes[:_LISTED]:
        said = (
            f"Changed here and elsewhere: {' '.join(one.key)}, {one.column}: yours is "
            f"{one.mine or DASH}, stored is {one.theirs or DASH}. Yours is kept in the grid."
        )
        st.warning(numbers.plain(said))


def _take_in(name: str) -> None:
    people.require(Action.DRAFT)
    store = store_access.store()
    editing = table_drafts.held()[name]
    if store is None:
        return
    theirs = table_edit.as_lines(table_edit.stored_table(store, name))
    lines, editing.clashes = table_edit.merge(editing.base, editing.lines, theirs, name=name)
    editing.base = theirs
    editing.renew(lines)
    table_drafts.keep(editing, store_access.desk("tables"))


def _preview(name: str, checked: CheckedTable, store: Store) -> None:
    """Draw what would change in the store, and what to do about rows that were emptied."""
    found = checked.changes
    if found.is_empty and not found.gone:
        return
    st.header("What changes", anchor=False)
    heads = ("Row", "Field", "Before", "After")
    lines = [
        html_tables.line(heads, " ".join(key), ["all", DASH, "new row"]) for key in found.added
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
                one.after or (_UNREAD if one.column in unread else DASH),
            ],
        )
        for one in found.changed
    ]
    if len(lines) > _LISTED:
        more = f"and {len(lines) - _LISTED:,} more"
        lines = [*lines[:_LISTED], html_tables.words_line(heads, more)]
    if lines:
        st.html(html_tables.table(heads, lines))
    batches = table_edit.batches_of(store, name, found.gone)
    for key in found.gone[:_LISTED]:
        st.warning(
            numbers.plain(
                f"Row {' '.join(key)} is not in the grid any more, and stays in the store: rows "
                f"are never deleted by a change. It came in with batch {batches.get(key, DASH)}; "
                "to take it out, withdraw that batch on the page Data desk and put its other rows "
                "in again, or give the row values under which it counts for nothing, such as an "
                "earlier close_date."
            )
        )


def _end(
    name: str, editing: Editing, checked: CheckedTable, store: Store, stored: pa.Table
) -> None:
    st.header("Store the change", anchor=False)
    reason = st.text_input(
        "Reason for the change (required; kept with the batch)",
        key=f"reason-{name}-{editing.generation}",
        placeholder="such as: area closes two weeks early, notice of 3 February",
        max_chars=500,
    )
    why = ""
    if checked.n_errors:
        why = f"Correct {number_of(checked.n_errors, 'error')} first."
    elif checked.changes.is_empty:
        why = "Nothing changes yet."
    elif _is_elsewhere(editing, stored):
        why = "Merge first what was stored elsewhere."
    elif not reason.strip():
        why = "Write the reason first."
    if st.button("Store the change", type="primary", disabled=bool(why), key="store-table"):
        people.require(Action.STORE)
        about = importing.about_reason(reason)
        receipt = importing.store_checked(checked.checked, store, about=about, who=people.who())
        said = f"{numbers.plain(receipt_words(receipt))} Reason: {numbers.plain(about[REASON])}. "
        st.session_state[_RECEIPT] = f"{said}Figures follow once a bulletin is made anew."
        table_drafts.drop(editing, store_access.desk("tables"))
        lines = table_edit.as_lines(table_edit.stored_table(store, name))
        table_drafts.held()[name] = table_drafts.begin(
            name, lines, generation=editing.generation + 1
        )
        st.query_params.pop("draft", None)
        st.rerun()
    if why:
        st.caption(why)


show()
