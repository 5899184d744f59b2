"""What was typed last in a login that has ended meanwhile: kept as a draft, once, and never stored.

The last cell arrives with the run that finds the login ended. It was typed by the person of this
session, so it is kept where a draft would be; nothing else is written and nothing is shown.
"""

from __future__ import annotations

from contextlib import suppress

import streamlit as st

from analytics.data.store import Store
from analytics.errors import BlackmouthError
from analytics.people import Action, Person
from dashboard import store_access
from dashboard.desk import findings_panel
from dashboard.desk.uploads import Uploads
from dashboard.forms import grid, table_edit, work

_DONE = "typed-last"
#: Texts that have no draft: notes on bulletins and reasons of changes, by the keys of their fields.
_TEXTS = ("note-", "reason-")


def keep(person: Person) -> tuple[bool, tuple[str, ...]]:
    """Keep what was typed last; return whether a draft was written, and the texts without one."""
    if not person.might(Action.NOTE) or store_access.store_path() is None:
        return False, ()
    if _DONE not in st.session_state:
        texts = tuple(
            text
            for key, text in st.session_state.items()
            if str(key).startswith(_TEXTS) and isinstance(text, str) and text.strip()
        )
        is_kept = False
        if person.might(Action.DRAFT):
            for step in (_form, _tables, _corrections):
                with suppress(BlackmouthError):
                    is_kept = step() or is_kept
        st.session_state[_DONE] = is_kept, texts
    return st.session_state[_DONE]


def _form() -> bool:
    """Keep the paper form of this tab."""
    under_way = work.held()
    if under_way is None or not work.read_typed(under_way):
        return False
    work.save(under_way, store_access.desk_folder("drafts"))
    return not under_way.fault and under_way.elsewhere is None


def _tables() -> bool:
    """Keep the season tables that are under edit in this tab."""
    path = store_access.store_path()
    changed = []
    for name, editing in table_edit.held().items():
        stored = table_edit.stored_table(Store(path), name) if path else None
        drawn = table_edit.grid_of(editing, stored) if stored is not None else None
        if drawn is None or not grid.is_drawn(drawn.key):
            continue
        if table_edit.read_typed(editing, drawn):
            table_edit.save(editing, store_access.desk_folder("tables"))
            changed.append(not editing.fault)
    return bool(changed) and all(changed)


def _corrections() -> bool:
    """Keep what was written into the row of a finding."""
    made = findings_panel.taken()
    uploads = Uploads(store_access.desk_folder("uploads"))
    for seen, one in made:
        uploads.correct(seen, one)
    return bool(made)
