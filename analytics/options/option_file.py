"""Sets of options as files and links: TOML in, TOML out, and a short form for an address.

`example` is a file with every key, each explained; what a value may be is declared in
`analytics.options.option`.
"""

from __future__ import annotations

import base64
import binascii
import difflib
import json
import re
import tomllib
import zlib
from dataclasses import dataclass, fields
from datetime import datetime
from importlib import resources
from typing import TYPE_CHECKING, Any, get_args, get_type_hints

import numpy as np
import tomli_w
from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from analytics.errors import UsageError
from analytics.options.option import Change, Option, OptionSet, ReleaseRate, Solve
from analytics.quantities import uncapitalised

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

#: Most characters of a file, and of a link.
LONGEST_TEXT, LONGEST_LINK = 200_000, 8_000
#: Begins every link; another form of them would begin otherwise.
_MARK = "1."
_LINK = re.compile(r"[0-9A-Za-z_-]+")
_BARE = re.compile(r"[0-9A-Za-z_-]+")
_PLACE = re.compile(r"^(.*) \(at (?:line (\d+), column \d+|end of document)\)$", re.DOTALL)
#: Characters shown of a value, and faults shown of a file; the rest are counted.
_SEEN, _SHOWN = 60, 20
#: Tables that hold each other, outermost first: key, what is in one, in words.
_LEVELS = {"": OptionSet, "option": Option, "change": Change, "release_rates": ReleaseRate}
_WORDS = {"": "set", "option": "option", "change": "change", "release_rates": "release rate"}
#: Every table, those of one row too.
_TABLES = _LEVELS | {"solve": Solve}
_SET: TypeAdapter[OptionSet] = TypeAdapter(OptionSet)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that stands against an option.

    Parameters
    ----------
    code : str
        Type of the fault; those of single values are pydantic's.
    place : str
        Such as ``option 2 "Rest", change 1``; empty for the set.
    seen : str
        What stands there.
    allowed, hint : str
        What may stand there, and what to do.
    """

    code: str
    place: str
    seen: str
    allowed: str = ""
    hint: str = ""

    def __str__(self) -> str:
        """Return the fault in words."""
        allowed = f"allowed: {self.allowed}" if self.allowed else ""
        words = "; ".join(part for part in (self.seen, allowed, self.hint) if part)
        return f"{self.place}: {words}" if self.place else words


class InvalidOptionsError(UsageError):
    """Options that cannot be taken.

    Parameters
    ----------
    faults : iterable of Fault
        Every fault, in the order of the file.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        lines = [str(one) for one in self.faults[:_SHOWN]]
        rest = len(self.faults) - _SHOWN
        super().__init__("\n".join([*lines, f"... and {rest} more"] if rest > 0 else lines))


def refusal(code: str, words: str, *, place: str = "") -> InvalidOptionsError:
    """Return one fault as an error."""
    return InvalidOptionsError([Fault(code, place, words)])


def example() -> str:
    """Return an option file with every key, each explained; its areas are those of the demo."""
    return (resources.files("analytics.options") / "example.toml").read_text(encoding="utf-8")


def keys_of(level: str) -> list[str]:
    """Return the keys of a table of the file, without the tables that it holds.

    Parameters
    ----------
    level : {"", "option", "change", "release_rates", "solve"}
    """
    named = get_type_hints(_TABLES[level])
    held = ("options", "changes", "release_rates", "solve")
    return [name for name in named if name not in held]


def read_options(text: str | bytes) -> OptionSet:
    """Return the options of a TOML text.

    Areas, fishing methods and what today's rules make of a change are not known here:
    `analytics.options.option_checks` checks them against a season.

    Parameters
    ----------
    text : str or bytes
        Bytes are UTF-8, with or without a byte-order mark.

    Raises
    ------
    InvalidOptionsError
        If the text is not TOML, has unknown keys, or has values that cannot be taken: every fault
        with its place, what was seen, what is allowed and what to do.
    """
    return _validated({"option": [], **_parsed(_decoded(text))})


def require_valid(options: OptionSet) -> None:
    """Refuse options made in code that a file could not hold.

    Raises
    ------
    InvalidOptionsError
        As `read_options`.
    """
    _validated(_table(options))


def write_options(options: OptionSet) -> str:
    """Return a set of options as TOML, which `read_options` reads as the same set.

    Values that are today's rule, or no response of anglers, are left out.

    Raises
    ------
    InvalidOptionsError
        If the set could not be read again, such as one with a name twice.
    """
    table = _table(options)
    _validated(table)
    return "".join(_toml(table)).lstrip("\n")


def to_link(options: OptionSet) -> str:
    """Return a set of options in characters that an address may carry.

    Raises
    ------
    InvalidOptionsError
        If it would be longer than `LONGEST_LINK`, or as `write_options`.
    """
    packed = zlib.compress(write_options(options).encode(), level=9)
    link = _MARK + base64.urlsafe_b64encode(packed).decode().rstrip("=")
    if len(link) > LONGEST_LINK:
        raise refusal(
            "link_too_long",
            f"these options make a link of {len(link):,} characters; allowed: {LONGEST_LINK:,}; "
            "pass them on as a file",
        )
    return link


def from_link(link: str) -> OptionSet:
    """Return the options of a link that `to_link` made.

    Raises
    ------
    InvalidOptionsError
        If it is cut short or changed, or unpacks to more than a file may have, or as
        `read_options`.
    """
    broken = refusal(
        "broken_link", "the options of this link cannot be read: it was cut short or changed"
    )
    if len(link) > LONGEST_LINK:
        raise refusal(
            "link_too_long", f"a link of {len(link):,} characters; allowed: {LONGEST_LINK:,}"
        )
    if not link.startswith(_MARK) or not _LINK.fullmatch(body := link[len(_MARK) :]):
        raise broken
    unpacking = zlib.decompressobj()
    try:
        packed = base64.urlsafe_b64decode(body + "=" * (-len(body) % 4))
        text = unpacking.decompress(packed, LONGEST_TEXT + 1)
    except (binascii.Error, zlib.error):
        raise broken from None
    if len(text) <= LONGEST_TEXT and (not unpacking.eof or unpacking.unused_data):
        raise broken
    return read_options(text)


def shown(value: object) -> str:
    """Return a value of TOML as it may stand in a message, cut short."""
    longest = _SEEN
    if isinstance(value, dict):
        if not value or not all(isinstance(one, int | float) for one in value.values()):
            return "a table"
        pairs = ((k if _BARE.fullmatch(k) else shown(k), shown(v)) for k, v in value.items())
        text = "{" + ", ".join(f"{name} = {part}" for name, part in pairs) + "}"
        longest = 2 * _SEEN
    elif isinstance(value, list | tuple):
        text = f"an array of {len(value)}"
    elif isinstance(value, str | bool):
        text = json.dumps(value, ensure_ascii=not str(value).isprintable())
    elif isinstance(value, int) and abs(value) >= 10**15:
        text = "a whole number of 16 digits or more"
    else:
        text = str(value)
    return text if len(text) <= longest else text[:longest] + "…"


# Out: what a set states, as tables of TOML.


def _table(holder: Any) -> dict[str, Any]:
    """Return what a class states beside its defaults, by key of the file."""
    if not isinstance(holder, OptionSet | Option | Change | Solve):
        return {k: v for k, v in holder.items() if v is not None}
    found = {}
    for field in fields(holder):
        value = getattr(holder, field.name)
        if field.name in ("options", "changes", "release_rates"):
            value = [_table(one) for one in value]
        elif isinstance(value, Solve):
            value = _table(value)
        is_empty = isinstance(value, str | tuple | list | dict) and not value
        if value is None or is_empty or value == field.default:
            continue
        key = field.name.removesuffix("s") if field.name in ("options", "changes") else field.name
        found[key] = value.item() if isinstance(value, np.generic) else value
    return found if not isinstance(holder, OptionSet) else {"option": [], **found}


def _toml(table: Mapping[str, Any], path: str = "") -> Iterator[str]:
    """Yield the blocks of a table, each under its header; tomli-w puts short ones in a line."""
    inner = {key: value for key, value in table.items() if key in (*_TABLES, "method_mix")}
    yield tomli_w.dumps({key: value for key, value in table.items() if key not in inner})
    for key in ("method_mix", "solve"):
        if one := inner.pop(key, None):
            yield f"\n[{path}{key}]\n" + tomli_w.dumps(one)
    for key, rows in inner.items():
        for row in rows:
            yield f"\n[[{path}{key}]]\n"
            yield from _toml(row, f"{path}{key}.")


# In: bytes to a table, a table to options, and faults in words.


def _decoded(text: str | bytes) -> str:
    if isinstance(text, bytes):
        try:
            text = text.decode("utf-8")
        except UnicodeDecodeError as error:
            at = error.object.count(b"\n", 0, error.start) + 1
            byte = f"0x{error.object[error.start]:02X}"
            raise refusal(
                "not_utf8", f"line {at}: the byte {byte} is not UTF-8; save the file as UTF-8"
            ) from None
    if len(text) > LONGEST_TEXT:
        raise refusal(
            "text_too_long",
            f"{len(text):,} characters of options; allowed: at most {LONGEST_TEXT:,}",
        )
    if not text.strip("\ufeff \t\r\n"):
        raise refusal("empty_file", "an empty file; write at least one [[option]] with a name")
    return text.removeprefix("\ufeff")


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise refusal("too_deep", "brackets within brackets, too deep to be options") from None
    except tomllib.TOMLDecodeError as error:
        said = _PLACE.match(str(error))
        fault, at = (said[1], said[2]) if said else (str(error), None)
        where = "at its end"
        if at is not None:
            seen = text.splitlines()[int(at) - 1 : int(at)]
            where = f"in line {at}" + (f", {seen[0].strip()[:60]!r}" if seen else "")
        raise refusal(
            "not_toml",
            f"not TOML {where}: {uncapitalised(fault)}; text and weekdays stand in double "
            "quotes, dates such as 2036-03-01 without; a key stands once in its table",
        ) from None
    except ValueError:  # of a number that Python will not read
        raise refusal("long_number", "a number of thousands of digits; correct it") from None


def _validated(table: dict[str, Any]) -> OptionSet:
    try:
        return _SET.validate_python(table)
    except ValidationError as error:
        found = [_Translated(table, one) for one in error.errors(include_url=False)]
        # The first of each key: a table with a bad value also counts as too short.
        first: dict[tuple[str, str], _Translated] = {}
        for one in found:
            first.setdefault((one.place, one.key), one)
        faults = sorted(first.values(), key=lambda one: (one.order, one.code != "unknown_key"))
        raise InvalidOptionsError([one.fault() for one in faults]) from None


class _Translated:
    """One error of pydantic in our words."""

    def __init__(self, table: Mapping[str, Any], error: Any) -> None:
        self.code, self.seen, self.message = error["type"], error["input"], error["msg"]
        if self.code in ("unexpected_keyword_argument", "extra_forbidden"):
            self.code = "unknown_key"
        loc, self.context = error["loc"], error.get("ctx", {})
        if self.code in ("dataclass_type", "dict_type") and isinstance(loc[-1], int):
            loc, self.code = loc[:-1], "tuple_type"
        self.level, self.place = "", ""
        self.order: tuple[int, ...] = ()
        value: Any = table
        while len(loc) > 1 and loc[0] in _LEVELS and isinstance(loc[1], int):
            self.level, value = loc[0], value[loc[0]][loc[1]]
            self.order += (loc[1],)
            self.place += f"{', ' if self.place else ''}{_WORDS[loc[0]]} {loc[1] + 1}"
            if loc[0] == "option" and isinstance(value.get("name"), str):
                self.place += f' "{value["name"][:40]}"'
            loc = loc[2:]
        if len(loc) > 1 and loc[0] == "solve" and isinstance(value.get("solve"), dict):
            self.level, self.place, value = "solve", f"{self.place}, solve", value["solve"]
            loc = loc[1:]
        self.key = loc[0] if loc else ""
        self.inside = loc[1:]
        self.value = value.get(self.key, self.seen)

    def fault(self) -> Fault:
        """Return what was seen, what is allowed, and a hint."""
        if self.code == "missing":
            return self._fault(f"no {self.key}", hint="add the key")
        if self.code == "unknown_key":
            return self._unknown()
        if not self.key or self.code in ("same_name", "no_option"):
            return self._fault(self.message)
        if self.key in _LEVELS:
            return self._of_tables()
        return self._fault(f"{self.key}: {shown(self.value)}", self._allowed(), self._hint())

    def _fault(self, seen: str, allowed: str = "", hint: str = "") -> Fault:
        return Fault(self.code, self.place, seen, allowed, hint)

    def _of_tables(self) -> Fault:
        if self.code == "too_long":
            most = f"at most {self.context['max_length']}"
            return self._fault(f"{self.key}: {len(self.value)} of them", most)
        if self.code != "tuple_type":
            return self._fault(f"{self.key}: {self.message}")
        levels = list(_LEVELS)[1:]
        path = ".".join(levels[: levels.index(self.key) + 1])
        return self._fault(f"{self.key}: {shown(self.value)}", f"tables that begin with [[{path}]]")

    def _allowed(self) -> str:
        """Return the words of the key's type."""
        held = [get_type_hints(_TABLES[self.level], include_extras=True)[self.key]]
        while held:
            one = held.pop(0)
            if isinstance(one, FieldInfo) and one.description:
                return one.description
            held += get_args(one) or getattr(one, "__metadata__", ())
        return ""

    def _hint(self) -> str:
        is_number = isinstance(self.seen, int | float) and not isinstance(self.seen, bool)
        if self.inside:
            name = self.inside[0]
            if self.inside[-1] == "[key]":
                return f"{shown(name)} is no name on one line"
            return f"{name if isinstance(name, str) else name + 1} has {shown(self.seen)}"
        if isinstance(self.seen, str) and self.code in ("int_type", "float_type", "date_type"):
            return "write it without quotes"
        is_empty = self.key == "areas" and not self.value
        hints = {
            "leave the time of day out": isinstance(self.seen, datetime),
            f'write "{self.seen}"': self.key == "open_weekdays" and is_number,
            "leave the key out for the limit's areas": is_empty and self.level == "solve",
            "leave the key out for all areas": is_empty,
            "leave the key out for all limits together": self.key == "limit" and not self.value,
            "10 % is written 0.1": is_number and self._is_share(),
            self.message: self.code in _OWN,
        }
        near = _near(str(self.seen), re.findall(r'"(\w+)"', self._allowed()))
        return next((words for words, holds in hints.items() if holds), near)

    def _is_share(self) -> bool:
        """Return whether a number may be meant in per cent."""
        is_risk = self.key == "risk" and self.seen >= 1
        return is_risk or self._allowed() == "a number from 0 to 1"

    def _unknown(self) -> Fault:
        seen = f"unknown key {shown(self.key)}"
        for level, words in _WORDS.items():
            if self.key in keys_of(level):
                return self._fault(f"{seen}: it belongs to the {words}", hint="move it there")
        inner = {"": ["option"], "option": ["change", "solve"], "change": ["release_rates"]}
        tables = inner.get(self.level, [])
        allowed = [*keys_of(self.level), *tables]
        return self._fault(seen, ", ".join(allowed), _near(self.key, allowed))


def _near(word: str, allowed: Sequence[str]) -> str:
    """Return a hint to the word that may be meant."""
    near = difflib.get_close_matches(word.lower(), allowed, n=1, cutoff=0.6)
    return f"did you mean {near[0]}?" if near else ""


#: Codes of the rules that `analytics.options.option` adds; their messages are hints.
_OWN = ("formula", "not_plain", "repeated", "shares_sum")
