"""A small table under edit: what was typed and is not stored yet is kept as a draft."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import RLock
from typing import TYPE_CHECKING, Any

import streamlit as st

from analytics.errors import StoreError
from analytics.people import Action
from dashboard import people
from dashboard.catalogue import say
from dashboard.forms import drafts, table_edit
from dashboard.forms.drafts import DraftChanged
from dashboard.forms.grid import KEYS, Grid, Part

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    import pyarrow as pa

    from dashboard.forms.drafts import Draft
    from dashboard.forms.placed import Cells
    from dashboard.forms.table_edit import Clash

_KEY = "season-tables"


@dataclass(slots=True)
class Editing:
    """A table under edit in a tab.

    `base` are the store's lines that the edit began with, `shown` those that the grid was given,
    `lines` what stands there now; `generation` numbers the grids. `revision` is that of the draft
    this tab wrote or read last, 0 before the first; `fault` says why it could not be kept. `lock`:
    a run of the page that is stopped goes on for a moment beside the next one.
    """

    table: str
    base: list[Cells]
    shown: list[Cells]
    lines: list[Cells]
    name: str = field(default_factory=drafts.new_name)
    revision: int = 0
    saved_utc: str = ""
    generation: int = 0
    clashes: list[Clash] = field(default_factory=list)
    fault: str = ""
    lock: AbstractContextManager[Any] = field(default_factory=RLock, compare=False, repr=False)

    @property
    def is_changed(self) -> bool:
        """Whether anything was typed that the store does not have."""
        return self.lines != self.base

    def renew(self, lines: list[Cells]) -> None:
        """Give a new grid these lines."""
        self.shown = self.lines = lines
        self.generation += 1


def begin(table: str, lines: list[Cells], *, generation: int = 0) -> Editing:
    """Return a new edit of a table that stands as the store has it."""
    return Editing(table, lines, lines, lines, generation=generation)


def held() -> dict[str, Editing]:
    """Return the edits of this tab by table."""
    return st.session_state.setdefault(_KEY, {})


def grid_of(editing: Editing, stored: pa.Table) -> Grid:
    """Return the grid of an edit."""
    name = editing.table
    part = Part(
        name,
        say("Rows"),
        table_edit.columns_of(stored, name),
        tuple(editing.shown),
        caption=say(KEYS),
        label=say("{table}, one row a line", table=name),
        noun=say("Row"),
    )
    key = f"table-{name}-{editing.generation}"
    return Grid(key, (part,), f"{name}-{editing.name}", editing.revision)


def read_typed(editing: Editing, drawn: Grid) -> bool:
    """Take what was typed in a grid since the run before; return whether that changed the edit."""
    lines = drawn.typed()[editing.table]
    last = max((n for n, cells in enumerate(lines, start=1) if cells), default=0)
    is_changed = lines[:last] != editing.lines
    editing.lines = lines[:last]
    return is_changed


def keep(editing: Editing, folder: Path) -> None:
    """Keep an edit as a draft; one that another tab changed too is kept under a name of its own.

    An edit that went back to what is stored leaves no draft.
    """
    people.require(Action.DRAFT)
    save(editing, folder)


def save(editing: Editing, folder: Path) -> None:
    """Keep an edit as `keep` does, without asking who is there."""
    with editing.lock:
        _save(editing, folder)


def _save(editing: Editing, folder: Path) -> None:
    try:
        if not editing.is_changed:
            drop(editing, folder)
            return
        content = {"table": editing.table, "base": editing.base, "lines": editing.lines}
        content |= drafts.by(people.who())
        try:
            saved = drafts.save(folder, editing.name, content, revision=editing.revision)
        except DraftChanged:
            editing.name = drafts.new_name()
            saved = drafts.save(folder, editing.name, content, revision=0)
    except StoreError as error:
        editing.fault = str(error)
    else:
        editing.revision, editing.saved_utc, editing.fault = saved.revision, saved.saved_utc, ""


def drop(editing: Editing, folder: Path) -> None:
    """Remove the draft of an edit, unless another tab changed it since; a new one may follow."""
    if editing.revision:
        try:
            drafts.remove(folder, editing.name, revision=editing.revision)
        except DraftChanged:
            editing.name = drafts.new_name()
    editing.revision, editing.saved_utc, editing.fault = 0, "", ""


def taken(draft: Draft, table: str, *, generation: int) -> Editing:
    """Return the edit that a draft holds; `StoreError` where it holds none of this table."""
    content = draft.content
    try:
        base, lines = (_lines(content[part]) for part in ("base", "lines"))
        is_this = content["table"] == table
    except (TypeError, ValueError, AttributeError, KeyError) as error:
        raise _not_an_edit(draft, table) from error
    if not is_this:
        raise _not_an_edit(draft, table)
    return Editing(
        table, base, lines, lines, draft.name, draft.revision, draft.saved_utc, generation
    )


def listed(folder: Path, table: str, *, but: str) -> tuple[list[Draft], list[str]]:
    """Return the drafts of a table but one, the newest first, and the files of damaged drafts."""
    found, damaged = drafts.listed(folder)
    return [one for one in found if one.content.get("table") == table and one.name != but], damaged


def _lines(found: Sequence[dict[str, Any]]) -> list[Cells]:
    return [{str(name): str(text) for name, text in cells.items()} for cells in found]


def _not_an_edit(draft: Draft, table: str) -> StoreError:
    return StoreError(
        say(
            "the draft {draft} holds no edit of {table}; it is left as it is: open it in a text "
            "editor to see what was typed",
            draft=draft.name,
            table=table,
        )
    )
