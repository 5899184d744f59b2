"""Codes: what a cell of a table says of its figure, and the one registry of them.

A cell of `status`, `method`, `reason`, `rule` or `note` holds codes joined by ``; ``, each a name
with arguments in brackets: ``imputed; without_never_sampled(areas=SOR|KET)``. Programs write codes
with `code` and compare their names with `has`; they never read a sentence. The registry,
``codes.toml``, gives every code one sentence for people, in which an argument stands in braces;
`sentence` fills it in, for the commands and the pages alone. A part that is no code, such as what
an older version of the program kept, stays as it is.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from string import Formatter
from typing import TYPE_CHECKING
from urllib.parse import unquote

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

#: What stands between the codes of a cell, and between the items of an argument.
JOINED_BY, ITEMS_BY = "; ", "|"
#: Characters that separate, written as in a URL within an argument.
_SEPARATORS = re.compile(r"[%;(),=|]")
_WRITTEN = re.compile(r"([a-z][a-z0-9_]*)(?:\(([^()]*)\))?")
#: Arguments that hold codes of areas, for which a page has names.
_OF_AREAS = ("area", "areas")

Value = str | int | float


@dataclass(frozen=True, slots=True)
class Code:
    """A code with its arguments.

    Parameters
    ----------
    name : str
        A name of the registry.
    arguments : tuple of (str, tuple of str)
        Names of arguments and their items as text.
    """

    name: str
    arguments: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def __str__(self) -> str:
        """Return the code as it stands in a table."""
        if not self.arguments:
            return self.name
        written = (f"{key}={ITEMS_BY.join(map(_quoted, items))}" for key, items in self.arguments)
        return f"{self.name}({', '.join(written)})"

    def __getitem__(self, argument: str) -> str:
        """Return an argument as text."""
        return ITEMS_BY.join(dict(self.arguments)[argument])


def code(name: str, **arguments: Value | Iterable[Value]) -> str:
    """Return a code of the registry as it stands in a table.

    Parameters
    ----------
    name : str
    **arguments : str, number, or iterable of them
        An iterable is a list of items, at least one.

    Raises
    ------
    KeyError
        If the registry has no such code, or the code has other arguments.
    """
    if arguments.keys() != arguments_of(name):
        raise KeyError(f"code {name} has arguments {sorted(arguments_of(name))}")
    items = ((key, _items(value)) for key, value in arguments.items())
    return str(Code(name, tuple(items)))


def parse(cell: str | None) -> tuple[Code | str, ...]:
    """Return the codes of a cell; a part that is no code of the registry comes as its text."""
    return tuple(_parsed(part) for part in (cell or "").split(JOINED_BY) if part)


def join(parts: Iterable[str | None]) -> str:
    """Return a cell of several codes, what is empty left out, each once."""
    return JOINED_BY.join(dict.fromkeys(part for part in parts if part))


def has(cell: str | None, *names: str) -> bool:
    """Return whether a cell holds a code of one of these names."""
    return any(isinstance(one, Code) and one.name in names for one in parse(cell))


def select(cell: str | None, names: Iterable[str]) -> str:
    """Return the codes of a cell that have one of these names, as a cell."""
    chosen = set(names)
    return join(str(one) for one in parse(cell) if isinstance(one, Code) and one.name in chosen)


def exclude(cell: str | None, names: Iterable[str]) -> str:
    """Return a cell without the codes of these names."""
    dropped = set(names)
    return join(str(one) for one in parse(cell) if isinstance(one, str) or one.name not in dropped)


@cache
def sections() -> dict[str, dict[str, str]]:
    """Return the registry: the sentence of every code by its name, in named sections."""
    text = (files("analytics") / "codes.toml").read_text(encoding="utf-8")
    return {title: dict(codes) for title, codes in tomllib.loads(text).items()}


@cache
def registry() -> Mapping[str, str]:
    """Return the sentence of every code by its name.

    Raises
    ------
    ValueError
        If a name stands in two sections.
    """
    found: dict[str, str] = {}
    for codes in sections().values():
        if twice := found.keys() & codes.keys():
            raise ValueError(f"codes that stand twice: {', '.join(sorted(twice))}")
        found |= codes
    return found


@cache
def arguments_of(name: str) -> frozenset[str]:
    """Return the names of the arguments of a code.

    Raises
    ------
    KeyError
        If the registry has no such code.
    """
    return frozenset(field for _, field, _, _ in Formatter().parse(registry()[name]) if field)


def sentence(one: Code | str, area_name: Callable[[str], str] = str) -> str:
    """Return a code in words for people; a text that is no code as it is.

    Parameters
    ----------
    one : Code or str
    area_name : callable, optional
        What an area is called, for the arguments that hold areas.
    """
    if isinstance(one, str):
        return one
    given = dict(one.arguments)
    words = []
    for text, field, form, _ in Formatter().parse(registry()[one.name]):
        words.append(text)
        if field:
            items = given[field]
            named = [area_name(item) for item in items] if field in _OF_AREAS else items
            words.append(_shown(tuple(named), form or ""))
    return "".join(words)


def sentences(cell: str | None, area_name: Callable[[str], str] = str) -> str:
    """Return a cell in words for people, its parts joined by semicolons."""
    return JOINED_BY.join(sentence(one, area_name) for one in parse(cell))


def _shown(items: tuple[str, ...], form: str) -> str:
    """Return an argument in a sentence.

    The form ``boat,boats`` writes the number with the word that fits it, ``~is,are`` the word
    alone; a list counts its items. ``and`` and ``or`` join the last item of a list.
    """
    words = form.removeprefix("~").split(",")
    if len(words) == 2:
        n = items[0] if len(items) == 1 and items[0].isdecimal() else str(len(items))
        word = words[n != "1"]
        return word if form.startswith("~") else f"{_number(n)} {word}"
    shown = [_number(item) for item in items]
    if form and len(shown) > 1:
        return f"{', '.join(shown[:-1])} {form} {shown[-1]}"
    return ", ".join(shown)


def _number(text: str) -> str:
    return f"{int(text):,}" if text.isdecimal() and not text.startswith("0") else text


def _items(value: Value | Iterable[Value]) -> tuple[str, ...]:
    return (str(value),) if isinstance(value, Value) else tuple(map(str, value))


def _quoted(item: str) -> str:
    return _SEPARATORS.sub(lambda found: f"%{ord(found[0]):02X}", item)


def _parsed(part: str) -> Code | str:
    """Return a written code, or the text where it is none of the registry."""
    found = _WRITTEN.fullmatch(part)
    if found is None or found[1] not in registry():
        return part
    arguments = tuple(_read(found[2])) if found[2] is not None else ()
    is_known = {key for key, _ in arguments} == arguments_of(found[1])
    return Code(found[1], arguments) if is_known else part


def _read(written: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    for pair in written.split(", "):
        key, _, value = pair.partition("=")
        yield key, tuple(unquote(item) for item in value.split(ITEMS_BY))
