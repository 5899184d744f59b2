"""Codes: what a cell of a table says of its figure, and the one registry of them.

A cell of `status`, `method`, `reason`, `rule` or `note` holds codes joined by ``; ``, each a name
with arguments in brackets: ``imputed; without_never_sampled(areas=SOR|KET)``. Programs write codes
with `coded` and compare their names with `has_code`; they never read a sentence. The registry,
``codes.toml``, gives every code one sentence for people, in which an argument stands in braces;
`sentence` fills it in, for the commands and the pages alone. A part that is no code, such as what
an older version of the program kept, stays as it is.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from datetime import date
from functools import cache, lru_cache
from importlib.resources import files
from string import Formatter
from typing import TYPE_CHECKING
from urllib.parse import unquote

from analytics.quantities import QUANTITIES, capitalised
from analytics.units import day_words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

#: What stands between the codes of a cell, and between the items of an argument.
JOINED_BY, ITEMS_BY = "; ", "|"
#: Characters that separate, written as in a URL within an argument.
_SEPARATORS = re.compile(r"[%;(),=|]")
_WRITTEN = re.compile(r"([a-z][a-z0-9_]*)(?:\(([^()]*)\))?")
#: Codes about a limit of the season.
_ABOUT_LIMITS = ("limit_not_projected", "limit_in_part")
#: Arguments that hold codes of areas, for which a page has names.
_OF_AREAS = ("area", "areas")
#: Arguments whose items the registry has words for, such as ``kept``.
_OF_WORDS = ("basis", "donor", "of", "part", "parts", "span")
_WORDS = "Words of arguments"
_NO_ERROR, _NO_ERROR_OF_SUM = "Why there is no error", "Errors and intervals that are lacking"
_LEFT_OUT, _ESTIMATORS = "What a figure leaves out", "Estimators"
#: Kinds of fish in an argument: ``sublegal:released:trolling`` is a size, a fate and methods.
_OF_FISH = "fish"
_SIZES = {"legal": "legal fish", "sublegal": "sublegal fish", "unknown": "fish of unknown size"}
_FATES = {"drop_off": "lost to drop-off"}
#: Arguments whose items are an area and a week or stratum of it, such as ``SOR:2031-W05``.
_OF_PLACES = ("area_weeks", "donors", "stratum_of")
#: Arguments whose items are totals by name, and whose items are a name with its per cent.
_OF_TOTALS, _OF_SHARES = ("total", "totals"), ("mix",)

#: Arguments that hold a day, and how it is written.
_OF_DAYS, _DAY = ("day", "first", "last"), re.compile(r"\d{4}-\d{2}-\d{2}")
#: Arguments that hold a cell of codes.
_OF_CODES = ("rule",)

#: Items of a long list that a sentence names.
FEW = 3

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


def coded(name: str, **arguments: Value | Iterable[Value]) -> str:
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
    return _written(name, tuple((key, _items(value)) for key, value in arguments.items()))


@lru_cache(maxsize=10_000)
def _written(name: str, arguments: tuple[tuple[str, tuple[str, ...]], ...]) -> str:
    """Return a code as `coded` does, from its items as text; a table repeats few of them often."""
    if {key for key, _ in arguments} != arguments_of(name):
        raise KeyError(f"code {name} has arguments {sorted(arguments_of(name))}")
    return str(Code(name, arguments))


def error_code(error: object) -> str:
    """Return the reason that an error or a note of a fit gives, as a code."""
    text = str(error)
    is_coded = text and all(isinstance(one, Code) for one in parse(text))
    return text if is_coded or not text else coded("fit_failed", error=text)


def parse(cell: str | None) -> tuple[Code | str, ...]:
    """Return the codes of a cell; a part that is no code of the registry comes as its text."""
    return tuple(_parsed(part) for part in (cell or "").split(JOINED_BY) if part)


def join_codes(parts: Iterable[str | None]) -> str:
    """Return a cell of several codes, what is empty left out, each once."""
    return JOINED_BY.join(dict.fromkeys(filter(None, parts)))


def has_code(cell: str | None, *names: str) -> bool:
    """Return whether a cell holds a code of one of these names."""
    return any(isinstance(one, Code) and one.name in names for one in parse(cell))


def select(cell: str | None, names: Iterable[str]) -> str:
    """Return the codes of a cell that have one of these names, as a cell."""
    chosen = set(names)
    return join_codes(
        str(one) for one in parse(cell) if isinstance(one, Code) and one.name in chosen
    )


def exclude(cell: str | None, names: Iterable[str]) -> str:
    """Return a cell without the codes of these names."""
    dropped = set(names)
    return join_codes(
        str(one) for one in parse(cell) if isinstance(one, str) or one.name not in dropped
    )


def why_no_error(cell: str | None) -> str:
    """Return the codes of a cell that say why there is no error or no interval, as a cell."""
    return select(cell, (*sections()[_NO_ERROR], *sections()[_NO_ERROR_OF_SUM]))


def without_no_error(cell: str | None) -> str:
    """Return a cell without the codes that say why there is no error or no interval."""
    return exclude(cell, (*sections()[_NO_ERROR], *sections()[_NO_ERROR_OF_SUM]))


def left_out(cell: str | None) -> str:
    """Return the codes of a cell that say what a figure leaves out, as a cell."""
    return select(cell, sections()[_LEFT_OUT])


def without_estimators(cell: str | None) -> str:
    """Return a cell without the names of estimators: the reservations alone."""
    return exclude(cell, sections()[_ESTIMATORS])


@cache
def _registry_file() -> dict[str, dict[str, str]]:
    return tomllib.loads((files("analytics") / "codes.toml").read_text(encoding="utf-8"))


@cache
def sections() -> Mapping[str, Mapping[str, str]]:
    """Return the registry: the sentence of every code by its name, in named sections."""
    return {title: codes for title, codes in _registry_file().items() if title != _WORDS}


def section_of(cell: str) -> str:
    """Return the title of the section that holds the first code of a cell; empty for a text."""
    first = next(iter(parse(cell)), "")
    name = first if isinstance(first, str) else first.name
    return next((title for title, codes in sections().items() if name in codes), "")


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


def with_area_names(cell: str | None, area_name: Callable[[str], str]) -> str:
    """Return a cell in which the arguments that hold areas hold their names."""
    if not cell:
        return ""
    return join_codes(
        str(Code(one.name, tuple(_of_names(one, area_name)))) if isinstance(one, Code) else one
        for one in parse(cell)
    )


def _of_names(one: Code, area_name: Callable[[str], str]) -> Iterator[tuple[str, tuple[str, ...]]]:
    for argument, items in one.arguments:
        if argument in _OF_AREAS:
            yield argument, tuple(map(area_name, items))
        elif argument in _OF_PLACES:
            pairs = (item.partition(":") for item in items)
            yield argument, tuple(f"{area_name(area)}{colon}{rest}" for area, colon, rest in pairs)
        elif argument in _OF_CODES:
            yield argument, tuple(with_area_names(item, area_name) for item in items)
        else:
            yield argument, items


def with_limit_names(cell: str, names: Mapping[str, str]) -> str:
    """Return a cell in which the codes about a limit hold its name in the place of its id."""
    return join_codes(
        coded(one.name, **dict(one.arguments) | {"limit": names.get(one["limit"], one["limit"])})
        if isinstance(one, Code) and one.name in _ABOUT_LIMITS
        else str(one)
        for one in parse(cell)
    )


def sentence(one: Code | str, area_name: Callable[[str], str] = str, *, brief: bool = False) -> str:
    """Return a code in words for people; a text that is no code as it is.

    Parameters
    ----------
    one : Code or str
    area_name : callable, optional
        What an area is called, for the arguments that hold areas.
    brief : bool
        Leave out that no error follows, where it goes without saying.
    """
    if isinstance(one, str):
        return one
    given = dict(one.arguments)
    words = []
    for text, field, form, _ in Formatter().parse(registry()[one.name]):
        words.append(text)
        if field:
            is_cell = field in _OF_CODES
            named = tuple(
                sentences(item, area_name) if is_cell else _named(field, item, area_name)
                for item in given[field]
            )
            words.append(_shown(named, form or ""))
    if one.name in sections()[_NO_ERROR] and not brief:
        words.append(": no error can be estimated")
    return "".join(words)


def sentences(cell: str | None, area_name: Callable[[str], str] = str) -> str:
    """Return a cell in words for people: its parts joined by semicolons, or as full sentences."""
    words = ""
    for part in (sentence(one, area_name) for one in parse(cell)):
        if words.endswith("."):
            words += f" {capitalised(part)}"
        else:
            words += (JOINED_BY if words else "") + part
    return words


def _named(argument: str, item: str, area_name: Callable[[str], str]) -> str:
    """Return an item of an argument in words, an area in it by its name."""
    if argument in _OF_AREAS:
        return area_name(item)
    if argument in _OF_WORDS:
        return _registry_file()[_WORDS].get(item, item)
    if argument in _OF_TOTALS and item in QUANTITIES:
        label = QUANTITIES[item].label
        return label if label.startswith("Chinook") else label.lower()
    if argument in _OF_SHARES:
        return "{0} {2} %".format(*item.rpartition(":"))
    if argument == _OF_FISH and ":" in item:
        return _kind_of_fish(*item.split(":"))
    if argument in _OF_DAYS and _DAY.fullmatch(item):
        item = day_words(date.fromisoformat(item))
    area, colon, rest = item.partition(":")
    return f"{area_name(area)} {rest}" if colon and argument in _OF_PLACES else item


def _kind_of_fish(size: str, fate: str, *methods: str) -> str:
    """Return a kind of fish in words, such as ``sublegal fish released by trolling``."""
    known = " or ".join(one for one in methods if one)
    by = [f"by {known}"] * bool(known) + ["by a method not reported"] * ("" in methods)
    return " ".join([_SIZES.get(size, "fish"), _FATES.get(fate, fate), " or ".join(by)]).rstrip()


def _shown(items: tuple[str, ...], form: str) -> str:
    """Return an argument in a sentence.

    The form ``boat,boats`` writes the number with the word that fits it, ``~is,are`` the word
    alone; a list counts its items. ``few`` names the first items of a list and counts the rest;
    ``text`` names them all, a number among them as it is; ``and`` and ``or`` join the last item.
    """
    words = form.removeprefix("~").split(",")
    if len(words) == 2:
        # A mean such as 7.0 is a number too, and no list of one.
        is_number = len(items) == 1 and items[0].replace(".", "", 1).isdecimal()
        n = items[0] if is_number else str(len(items))
        word = words[n != "1"]
        return word if form.startswith("~") else f"{_number(n)} {word}"
    is_text = form in ("few", "text")
    shown = list(items) if is_text else [_number(item) for item in items]
    if form == "few":
        rest = [f"{len(shown) - FEW} more"] if len(shown) > FEW else []
        shown, form = [*shown[:FEW], *rest], "and" if rest else ""
    if form in ("and", "or") and len(shown) > 1:
        return f"{', '.join(shown[:-1])} {form} {shown[-1]}"
    return ", ".join(shown)


def _number(text: str) -> str:
    """Return a number with separators of thousands; another text as it is."""
    digits, point, rest = text.partition(".")
    is_number = (
        digits.isdecimal() and not digits.startswith("0") and rest.isdecimal() == bool(point)
    )
    return f"{int(digits):,}{point}{rest}" if is_number else text


def _items(value: Value | Iterable[Value]) -> tuple[str, ...]:
    return (str(value),) if isinstance(value, (str, int, float)) else tuple(map(str, value))


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
