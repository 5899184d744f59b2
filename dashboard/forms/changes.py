"""What rows would change in the store: new keys, changed cells, stored rows left out."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analytics.data.schema import TABLES

if TYPE_CHECKING:
    import pyarrow as pa

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
