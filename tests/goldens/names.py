"""The map of names that changed on purpose, and of differences that are accepted."""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

_SECTIONS = {"tables", "columns", "values", "words", "text", "accepted"}


@dataclass(frozen=True, slots=True)
class Names:
    """Renamed tables, columns, values and words, columns of text, and accepted differences.

    Parameters
    ----------
    tables, columns : dict
        New name by old name; a column may be given as ``table.column`` (old names).
    values : dict
        By old column name: new value by old value, of cells as they stand.
    words : dict
        By old column name, or ``output`` for what commands print: new word by old word.
    text : dict
        By old column name, ``ignore``, or ``nulls`` where only null or not null is compared.
    accepted : list of dict
        `where` (a pattern of places), `column` (a pattern, default all), `reason`, and `rtol`
        where only deviations up to it are accepted.
    used : collections.Counter
        Entries that were of use, so that the others can be named.
    """

    tables: dict[str, str] = field(default_factory=dict)
    columns: dict[str, str] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    text: dict[str, str] = field(default_factory=dict)
    accepted: list[dict[str, Any]] = field(default_factory=list)
    used: Counter[str] = field(default_factory=Counter)

    def column(self, table: str, column: str) -> str:
        """Return the new name of a column of a table, both by their old names."""
        return self._of(self.columns, "columns", table, column) or column

    def text_rule(self, table: str, column: str) -> str | None:
        """Return ``ignore``, ``nulls`` or None."""
        return self._of(self.text, "text", table, column)

    def path(self, path: Path) -> Path:
        """Return the new path of a file, whose stem may name a table."""
        if path.stem not in self.tables:
            return path
        self.used[f"tables.{path.stem}"] += 1
        return path.with_name(self.tables[path.stem] + path.suffix)

    def cell(self, table: str, column: str, value: Any) -> Any:
        """Return what a cell of text holds under new names."""
        if not isinstance(value, str):
            return value
        for key in (f"{table}.{column}", column):
            new = self.values.get(key, {}).get(value)
            if new is not None:
                self.used[f"values.{key}.{value}"] += 1
                return new
            value = self.phrase(key, value)
        return value

    def phrase(self, key: str, text: str) -> str:
        """Return a text with the words of a column, or of ``output``, under new names."""
        for old, new in self.words.get(key, {}).items():
            if old in text:
                self.used[f"words.{key}.{old}"] += 1
                text = text.replace(old, new)
        return text

    def is_accepted(self, where: str, column: str, relative: float | None) -> bool:
        """Return whether a difference is accepted; `relative` is None where it has no size."""
        for number, entry in enumerate(self.accepted):
            within = "rtol" not in entry or (relative is not None and relative <= entry["rtol"])
            if (
                fnmatchcase(where, entry["where"])
                and fnmatchcase(column, entry.get("column", "*"))
                and within
            ):
                self.used[f"accepted[{number}] {entry['where']}"] += 1
                return True
        return False

    def unused(self) -> list[str]:
        """Return the entries that no table or output needed: slips, or out of date."""
        entries = [
            *(f"tables.{name}" for name in self.tables),
            *(f"columns.{name}" for name in self.columns),
            *(f"text.{name}" for name in self.text),
            *(f"values.{key}.{old}" for key, of in self.values.items() for old in of),
            *(f"words.{key}.{old}" for key, of in self.words.items() for old in of),
            *(f"accepted[{n}] {entry['where']}" for n, entry in enumerate(self.accepted)),
        ]
        return [entry for entry in entries if entry not in self.used]

    def _of(self, names: dict[str, str], kind: str, table: str, column: str) -> str | None:
        for key in (f"{table}.{column}", column):
            if key in names:
                self.used[f"{kind}.{key}"] += 1
                return names[key]
        return None


def read_names(path: Path) -> Names:
    """Return the map of a TOML file.

    Raises
    ------
    ValueError
        If it has an unknown section, or an accepted difference without its reason.
    """
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    if unknown := content.keys() - _SECTIONS:
        raise ValueError(f"{path}: unknown sections {sorted(unknown)}")
    for entry in content.get("accepted", []):
        if not entry.get("where") or not entry.get("reason"):
            raise ValueError(f"{path}: an accepted difference needs `where` and `reason`: {entry}")
    return Names(**content)
