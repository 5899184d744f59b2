"""A small table edited as text: checked as an import, compared, merged, kept as a draft.

What rows would change in the store: new keys, changed cells, stored rows left out.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from threading import RLock
from typing import TYPE_CHECKING, Any

import streamlit as st

from analytics.data.importing import Incoming, check, read_rows
from analytics.data.schema import TABLES, Column, ColumnKind
from analytics.data.store import BATCH
from analytics.errors import StoreError
from analytics.findings import Severity
from analytics.people import Action
from dashboard import people
from dashboard.catalogue import phrase, say
from dashboard.forms import drafts
from dashboard.forms.drafts import DraftChanged
from dashboard.forms.grid import KEYS, Cells, Grid, Part, Placed, filled

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    import pyarrow as pa

    from analytics.data.importing import Checked
    from analytics.data.store import Store
    from dashboard.forms.drafts import Draft


Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CellChange:
    """A cell of a stored row before and after, as text; empty for an empty cell."""

    key: Key
    column: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Changes:
    """How rows compare with the stored ones of a table."""

    added: tuple[Key, ...]
    changed: tuple[CellChange, ...]
    gone: tuple[Key, ...]

    @property
    def n_changed(self) -> int:
        """How many rows have a changed cell."""
        return len({one.key for one in self.changed})

    @property
    def is_empty(self) -> bool:
        """Whether storing the rows would change nothing."""
        return not self.added and not self.changed


def changes(rows: pa.Table, stored: pa.Table, *, table: str) -> Changes:
    """Compare typed rows with stored ones of a table by its key."""
    new, old = by_key(rows, table), by_key(stored, table)
    changed = [
        CellChange(key, column, text_of(old[key][column]), text_of(cells[column]))
        for key, cells in new.items()
        if key in old
        for column in TABLES[table].arrow_schema.names
        if cells[column] != old[key][column]
    ]
    return Changes(
        tuple(key for key in new if key not in old),
        tuple(changed),
        tuple(key for key in old if key not in new),
    )


def by_key(rows: pa.Table, table: str) -> dict[Key, dict[str, Any]]:
    """Return the rows of a table by their key as text."""
    key = TABLES[table].key
    names = TABLES[table].arrow_schema.names
    return {
        tuple(text_of(row[name]) for name in key): row for row in rows.select(names).to_pylist()
    }


def text_of(value: Any) -> str:
    """Return a stored value as it would be typed; an empty text for none."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, dt.date):
        return value.isoformat()
    return str(value)


#: The tables that are edited, with what each says.
EDITED = {
    "seasons": phrase("Seasons: what is open, when, and under which rules"),
    "holidays": phrase("Holidays: days that count with day 7 of the week"),
    "limits": phrase("Limits: what a season may cost"),
    "release_rates": phrase("Release rates: deaths after release"),
    "drop_off": phrase("Drop-off: deaths of fish lost before the boat"),
    "areas": phrase("Areas"),
    "sites": phrase("Sites: where boats land"),
}
_OWN = phrase("A column of your own, kept as it is.")


def columns_of(table: pa.Table, name: str) -> tuple[Column, ...]:
    """Return the columns of the schema, then the extra ones of the store's rows as text."""
    known = TABLES[name].arrow_schema.names
    extra = (one for one in table.column_names if one not in known)
    return (
        *TABLES[name].columns,
        *(Column(name=one, kind=ColumnKind.TEXT, meaning=say(_OWN)) for one in extra),
    )


def stored_table(store: Store, name: str) -> pa.Table:
    """Return the current rows of a table, none where there is no store yet."""
    return store.read(name) if store.exists else TABLES[name].arrow_schema.empty_table()


def as_lines(table: pa.Table) -> list[Cells]:
    """Return stored rows as lines of text."""
    rows = table.to_pylist()
    return [filled({name: text_of(value) for name, value in row.items()}) for row in rows]


def key_of(line: Cells, name: str) -> Key:
    """Return the key of a line as text."""
    return tuple(line.get(column, "") for column in TABLES[name].key)


@dataclass(frozen=True, slots=True, eq=False)
class CheckedTable:
    """A table as edited, after the checks: what would change, and findings at their lines."""

    checked: Checked
    found: tuple[Placed, ...]
    changes: Changes

    @property
    def n_errors(self) -> int:
        """How many errors forbid storing it."""
        return sum(one.is_error for one in self.found)


def check_table(lines: Sequence[Cells], name: str, store: Store) -> CheckedTable:
    """Check a table as edited against all of the store; lines left empty are no rows."""
    rows = {n + 1: cells for n, cells in enumerate(lines, start=1) if cells}
    checked = check(read_rows({name: rows}, source=f"{name}, edited"), store)
    typed = checked.reading.tables.get(name)
    stored = stored_table(store, name)
    rows_typed = typed.data if isinstance(typed, Incoming) else stored.slice(0, 0)
    found = tuple(
        Placed(
            0 if one.row is None or one.table != name else one.row - 1,
            (one.column or "").replace("_", " "),
            one,
        )
        for one in checked.findings
        if one.severity is not Severity.NOTE
    )
    return CheckedTable(checked, found, changes(rows_typed, stored, table=name))


def batches_of(store: Store, name: str, keys: Sequence[Key]) -> dict[Key, str]:
    """Return the newest batch, still in the store, that each row of some keys came in with."""
    if not keys:
        return {}
    shown = [one.batch for one in store.batches() if one.withdrawn_version is None]
    rank = {batch: place for place, batch in enumerate(shown)}
    rows = store.every_row(name, TABLES[name].key).to_pylist()
    found: dict[Key, str] = {}
    for row in sorted(rows, key=lambda row: rank.get(row[BATCH], -1)):
        key = tuple(text_of(row[column]) for column in TABLES[name].key)
        if key in set(keys) and row[BATCH] in rank:
            found[key] = row[BATCH]
    return found


# Two tabs on one table: what the other stored comes in, what was typed here stays.


@dataclass(frozen=True, slots=True)
class Clash:
    """A cell that both changed: what stands here and what was stored elsewhere."""

    key: Key
    column: str
    mine: str
    theirs: str


def merge(
    base: Sequence[Cells], mine: Sequence[Cells], theirs: Sequence[Cells], *, name: str
) -> tuple[list[Cells], list[Clash]]:
    """Return the lines of `mine` with what was stored elsewhere since `base`, and the clashes.

    A cell that was changed here stays as it was typed here; every other one is as stored now.
    """
    before, now = _by_key(base, name), _by_key(theirs, name)
    lines: list[Cells] = []
    clashes: list[Clash] = []
    for line in mine:
        key = key_of(line, name)
        if key not in before:
            lines.append(dict(line))
        elif key in now:
            merged, found = _merged(key, before[key], line, now[key])
            lines.append(merged)
            clashes += found
        elif line != before[key]:
            lines.append(dict(line))
    here = {key_of(line, name) for line in mine} | before.keys()
    return [*lines, *(line for key, line in now.items() if key not in here)], clashes


def _by_key(lines: Sequence[Cells], name: str) -> dict[Key, Cells]:
    return {key_of(line, name): line for line in lines if line}


def _merged(
    key: Key, base: Mapping[str, str], mine: Mapping[str, str], theirs: Mapping[str, str]
) -> tuple[Cells, list[Clash]]:
    cells: Cells = {}
    clashes = []
    for column in dict.fromkeys([*theirs, *mine, *base]):
        was, here, there = (one.get(column, "") for one in (base, mine, theirs))
        cells[column] = there if here == was else here
        if here not in (was, there) and there != was:
            clashes.append(Clash(key, column, here, there))
    return filled(cells), clashes


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
        columns_of(stored, name),
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
