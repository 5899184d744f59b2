"""The few forms of TOML that a set of options needs, written by hand for a fixed layout."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import date
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any

from analytics.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.season.option_keys import Key

_BARE = re.compile(r"[0-9A-Za-z_-]+")


def key_lines(holder: Any, keys: Sequence[Key]) -> list[str]:
    """Return the lines ``key = value`` of a dataclass or a row, without what is its default.

    Parameters
    ----------
    holder : dataclass instance or mapping
    keys : sequence of Key

    Raises
    ------
    WrongUse
        If a value has no form in the file.
    """
    lines = []
    for key in keys:
        value = _held(holder, key.field)
        is_empty = isinstance(value, str | tuple | list | Mapping) and not value
        if value is not None and not is_empty:
            lines.append(f"{key.name} = {_value(value)}")
    return lines


def _held(holder: Any, field: str) -> Any:
    """Return a value, None where it is the default of its field."""
    if not is_dataclass(holder):
        return holder.get(field)
    value = getattr(holder, field)
    default = next(one.default for one in fields(holder) if one.name == field)
    return None if default is not MISSING and value == default else value


def _value(value: object) -> str:
    for kinds, written in _FORMS:
        if isinstance(value, kinds):
            return written(value)
    raise WrongUse(f"an option cannot hold {value!r}")


def _table(value: Mapping[str, object]) -> str:
    return "{" + ", ".join(f"{_key(name)} = {_value(one)}" for name, one in value.items()) + "}"


def _array(value: Iterable[object]) -> str:
    return "[" + ", ".join(map(_value, value)) + "]"


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _text(name)


def _text(text: str) -> str:
    """Return a basic string; JSON escapes as TOML does, but for the character DEL."""
    return json.dumps(str(text), ensure_ascii=False).replace("\x7f", "\\u007F")


#: How a value of each kind is written; true and false come before the whole numbers they are.
_FORMS: tuple[tuple[type | tuple[type, ...], Callable[[Any], str]], ...] = (
    (bool, lambda flag: "true" if flag else "false"),
    (str, _text),
    (date, date.isoformat),
    (Integral, lambda whole: str(int(whole))),
    (Real, lambda number: repr(float(number))),
    (Mapping, _table),
    ((tuple, list), _array),
)
