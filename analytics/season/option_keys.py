"""The keys of an option file: what each is called, which field it fills, how it is read."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analytics.data.schema import TABLES
from analytics.errors import WrongUse
from analytics.season import option_values as values
from analytics.season.option import AtLimit

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

#: Faults shown of one file; the rest are counted.
_SHOWN = 20
_LONGEST_NAME, _MOST_NAMES = 80, 100


@dataclass(frozen=True, slots=True)
class Key:
    """A key of a table of the file.

    Parameters
    ----------
    name : str
        As written.
    field : str
        Of the dataclass that it fills.
    read : callable
        Reader of its value.
    required : bool
    """

    name: str
    field: str
    read: Callable[[object], Any]
    required: bool = False


def _of_rates() -> tuple[Key, ...]:
    """Return the columns of the table of release rates as keys, with what they may hold."""
    keys = []
    for column in TABLES["release_rates"].columns:
        read: Callable[[object], Any] = values.line(_LONGEST_NAME)
        if column.allowed:
            read = values.one_of(column.allowed)
        elif column.name.startswith("rate_"):
            read = values.real(0, 1)
        elif column.name == "source":
            read = values.line(500)
        keys.append(Key(column.name, column.name, read, required=bool(column.filled)))
    return tuple(keys)


SET_KEYS = (
    Key("title", "title", values.line(_LONGEST_NAME)),
    Key("notes", "notes", values.prose(5_000)),
)
OPTION_KEYS = (
    Key("name", "name", values.line(_LONGEST_NAME), required=True),
    Key("elasticity", "elasticity", values.real(0, 5)),
    Key("to_other_areas_prop", "to_other_areas_prop", values.real(0, 1)),
    Key("to_other_days_prop", "to_other_days_prop", values.real(0, 1)),
)
CHANGE_KEYS = (
    Key("areas", "areas", values.names(_LONGEST_NAME, _MOST_NAMES)),
    Key("first_day", "first", values.day),
    Key("last_day", "last", values.day),
    Key("close_from", "close", values.day),
    Key("open_through", "open", values.day),
    Key("reopen_from", "reopen", values.day),
    Key("open_weekdays", "weekdays", values.weekdays),
    Key("daily_limit_fish", "daily_limit_fish", values.whole(0, 100)),
    Key("at_limit", "at_limit", values.one_of([one.value for one in AtLimit])),
    Key("min_length_mm", "min_length_mm", values.real(0, 1_500)),
    Key("mark_selective", "mark_selective", values.flag),
    Key("method_mix", "method_mix", values.shares(_LONGEST_NAME, _MOST_NAMES)),
    Key("effort_factor", "effort_factor", values.real(0, 10)),
)
RATE_KEYS = _of_rates()
#: Tables that hold each other, outermost first: a key of an outer one goes above the inner.
_LEVELS: tuple[tuple[str, tuple[Key, ...]], ...] = (
    ("the set", SET_KEYS),
    ("the option", OPTION_KEYS),
    ("the change", CHANGE_KEYS),
    ("the release rate", RATE_KEYS),
)


class Faults:
    """What stands against a file, in its order."""

    def __init__(self) -> None:
        self._words: list[str] = []

    def add(self, place: str, words: str) -> None:
        """Add a fault with its place, empty for the file as a whole."""
        self._words.append(f"{place}: {words}" if place else words)

    def require_none(self) -> None:
        """Refuse the file where there is a fault.

        Raises
        ------
        WrongUse
            With the faults, a line each.
        """
        if not self._words:
            return
        rest = len(self._words) - _SHOWN
        told = self._words[:_SHOWN] + ([f"... and {rest} more"] if rest > 0 else [])
        raise WrongUse("\n".join(told))


def read_keys(
    table: Mapping[str, Any],
    keys: Sequence[Key],
    place: str,
    faults: Faults,
    *,
    tables: tuple[str, ...] = (),
) -> dict[str, Any]:
    """Return the values of a table by field, without those that are absent or cannot be taken.

    Parameters
    ----------
    table : mapping
        As TOML gave it.
    keys : sequence of Key
        Those it may have.
    place : str
        For messages.
    faults : Faults
        Takes what is wrong.
    tables : tuple of str
        Tables that it may hold, read elsewhere.
    """
    known = {key.name: key for key in keys}
    for name in table:
        if name not in known and name not in tables:
            faults.add(place, _unknown(name, keys, tables))
    found: dict[str, Any] = {}
    for key in keys:
        if key.name not in table:
            if key.required:
                faults.add(place, f"no {key.name}; add the key")
            continue
        try:
            found[key.field] = key.read(table[key.name])
        except values.Unfit as fault:
            seen = f"{key.name}: {values.shown(table[key.name])}; allowed: {fault.allowed}"
            faults.add(place, "; ".join(part for part in (seen, fault.advice) if part))
    return found


def array_of_tables(
    table: Mapping[str, Any], name: str, place: str, faults: Faults, *, most: int
) -> list[dict[str, Any]]:
    """Return the tables of an array, none where there is none or it is something else."""
    rows = table.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        inner = {"option": "option", "change": "option.change"}.get(name, f"option.change.{name}")
        faults.add(
            place, f"{name}: {values.shown(rows)}; allowed: tables that begin with [[{inner}]]"
        )
        return []
    if len(rows) > most:
        faults.add(place, f"{name}: {len(rows)} of them; allowed: at most {most}")
        return []
    return rows


def _unknown(name: str, keys: Sequence[Key], tables: tuple[str, ...]) -> str:
    allowed = [*(key.name for key in keys), *tables]
    words = f"unknown key {values.shown(name)}"
    for holder, others in _LEVELS:
        if name in {key.name for key in others}:
            return f"{words}: it belongs to {holder}; move it there"
    close = difflib.get_close_matches(name.lower(), allowed, n=1, cutoff=0.6)
    hint = f"; did you mean {close[0]}?" if close else ""
    return f"{words}{hint}; allowed: {', '.join(allowed)}"
