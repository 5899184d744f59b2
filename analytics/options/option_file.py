"""Sets of options as files and links: TOML in, TOML out, and a short form for an address.

`analytics.options.option_file` documents every key.
"""

from __future__ import annotations

import base64
import binascii
import difflib
import json
import math
import re
import tomllib
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from datetime import date, datetime
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any

from analytics.data.schema import TABLES
from analytics.errors import UsageError
from analytics.options.option import AtLimit, Change, Option

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence


# An option file with every key, each explained; it can be read as it stands.

#: Areas, dates and fishing methods are those of the demo season.
EXAMPLE = """\
# Options to weigh: what may change in the rest of a season.
#
#   blackmouth options FILE.toml --store DIR --out DIR
#
# This is TOML: text in double quotes, dates YYYY-MM-DD without quotes, true or false, and a decimal
# point. A key that is left out leaves today's rule as it is. Today's rule is always weighed, too;
# every option is compared with it. At most 50 options; an unknown key is refused. An option that
# the season cannot weigh, such as of an area that it does not have, is told, and the others are
# weighed.

title = "Rules for March"           # heads the answer
notes = "Asked by the board."       # printed with the answer, may have several lines


# Each option begins with [[option]]; its changes follow, each with [[option.change]].
[[option]]
name = "Close Velmark on 1 March"   # every option has a name of its own
elasticity = 0.0                    # per cent of trips gained on an open day for each per cent of
                                    # kept fish per trip gained (0 to 5; 0: anglers do not respond)
to_other_areas_prop = 0.3           # of the trips on days that an option closes, the share that
                                    # goes to the areas open that day (0 to 1)
to_other_days_prop = 0.2            # and to the open days of the same area and week (0 to 1; both
                                    # together at most 1, the rest stays at home)

[[option.change]]
areas = ["VEL"]                     # areas as in the store; left out: all areas
close_from = 2036-03-01             # closed from this day on


[[option]]
name = "Rest in March, then longer"

[[option.change]]
areas = ["OMB", "KET"]
close_from = 2036-03-01             # closed from this day on ...
reopen_from = 2036-03-22            # ... open again from this day on ...
open_through = 2036-05-04           # ... and through this day, past the planned close


[[option]]
name = "Weekends, one fish, 580 mm"
elasticity = 0.4

# Changes apply in their order. first_day and last_day bound what one change does.
[[option.change]]
first_day = 2036-02-24              # left out: the first day to come
last_day = 2036-03-31               # left out: the last
open_weekdays = "67"                # ISO digits of the open days, 1 is Monday

[[option.change]]
daily_limit_fish = 1                # Chinook an angler may keep a day
at_limit = "go_on"                  # anglers at their limit "go_on" fishing, or "stop"
min_length_mm = 580                 # legal minimum total length


[[option]]
name = "Marked fish, single barbless hooks"

[[option.change]]
mark_selective = true               # only marked (adipose-clipped) fish may be kept
effort_factor = 0.9                 # trips of an open day over today's (0 to 10)
method_mix = {trolling = 0.3, mooching = 0.3, jigging = 0.4}  # shares of trips, summing to 1

# Rates of death after release in the days to come: columns of the table release_rates, in the
# place of the rows of the same size class, method and wound class. Another gear is told this way.
[[option.change.release_rates]]
size_class = "sublegal"             # legal, sublegal or any
method = "any"                      # a fishing method, or any
wound_class = "any"                 # any, shallow or deep
rate_prop = 0.15                    # share of released fish that die
rate_se = 0.04                      # its standard error; left out: none
source = "assumed here"             # where the rate comes from
"""


# The few forms of TOML that a set of options needs, written by hand for a fixed layout.

_BARE = re.compile(r"[0-9A-Za-z_-]+")


def key_lines(holder: Any, keys: Sequence[Key]) -> list[str]:
    """Return the lines ``key = value`` of a dataclass or a row, without what is its default.

    Parameters
    ----------
    holder : dataclass instance or mapping
    keys : sequence of Key

    Raises
    ------
    UsageError
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
    raise UsageError(f"an option cannot hold {value!r}")


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


# Single values of an option file: each read as what it must be, or told why it is not.

#: Shares that should sum to 1 may miss it by this much (rounding of typed numbers).
SHARE_SLACK = 1e-6
_YEARS = (1900, 2199)
_SEEN = 60
_WEEKDAYS = re.compile("[1-7]+")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


class InvalidValue(ValueError):  # noqa: N818 - reads as a sentence
    """A value that cannot be taken: what is allowed, and advice."""

    def __init__(self, allowed: str, advice: str = "") -> None:
        super().__init__(allowed)
        self.allowed, self.advice = allowed, advice


def shown(value: object) -> str:
    """Return a value of TOML as it may stand in a message, cut short."""
    if isinstance(value, dict):
        return _option_values_table(value)
    if isinstance(value, list):
        return f"an array of {len(value)}"
    if isinstance(value, str | bool):
        text = json.dumps(value, ensure_ascii=_CONTROL.search(str(value)) is not None)
    elif isinstance(value, int) and abs(value) >= 10**15:
        text = "a whole number of 16 digits or more"
    else:
        text = str(value)
    return text if len(text) <= _SEEN else text[:_SEEN] + "…"


def _option_values_table(value: Mapping[str, object]) -> str:
    """Return a table of numbers, such as shares, as it was written; others are not told."""
    if not value or not all(isinstance(one, int | float) for one in value.values()):
        return "a table"
    bare = re.compile(r"[0-9A-Za-z_-]+")
    parts = [
        f"{name if bare.fullmatch(name) else shown(name)} = {shown(one)}"
        for name, one in value.items()
    ]
    text = "{" + ", ".join(parts) + "}"
    return text if len(text) <= 2 * _SEEN else text[: 2 * _SEEN] + "…"


def flag(value: object) -> bool:
    """Return true or false."""
    if not isinstance(value, bool):
        raise InvalidValue("true or false, without quotes")
    return value


def whole(low: int, high: int) -> Callable[[object], int]:
    """Return a reader of whole numbers within bounds, both included."""

    def read(value: object) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise InvalidValue(f"a whole number from {low:,} to {high:,}", _unquoted(value))
        return value

    return read


def real(low: float, high: float) -> Callable[[object], float]:
    """Return a reader of finite numbers within bounds, both included."""

    def read(value: object) -> float:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not low <= value <= high:  # type: ignore[operator]
            percent = "10 % is written 0.1" if (low, high) == (0, 1) else ""
            raise InvalidValue(f"a number from {low:,g} to {high:,g}", _unquoted(value) or percent)
        return float(value)  # type: ignore[arg-type]

    return read


def day(value: object) -> date:
    """Return a civil date."""
    advice = ""
    if isinstance(value, str):
        advice = "write it without quotes"
    elif isinstance(value, datetime):
        advice = "leave the time of day out"
    elif isinstance(value, date) and _YEARS[0] <= value.year <= _YEARS[1]:
        return value
    raise InvalidValue(f"a date of {_YEARS[0]} to {_YEARS[1]} such as 2036-03-01", advice)


def line(longest: int) -> Callable[[object], str]:
    """Return a reader of text on one line that can stand in a table."""

    def read(value: object) -> str:
        allowed = f"text on one line, of 1 to {longest} characters, in double quotes"
        if not isinstance(value, str) or not 1 <= len(value) <= longest:
            raise InvalidValue(allowed)
        if value[0] in "=+-@":
            raise InvalidValue(
                f"{allowed}, that does not begin with = + - or @",
                "a spreadsheet would run it as a formula",
            )
        if value != value.strip() or _CONTROL.search(value):
            raise InvalidValue(f"{allowed}, without spaces at its ends or control characters")
        return value

    return read


def prose(longest: int) -> Callable[[object], str]:
    """Return a reader of text that may have several lines, or none."""

    def read(value: object) -> str:
        allowed = f"text of at most {longest:,} characters in double quotes"
        if not isinstance(value, str) or len(value) > longest:
            raise InvalidValue(allowed)
        if _CONTROL.search(value.replace("\n", "").replace("\t", "")):
            raise InvalidValue(f"{allowed}, without control characters but line breaks and tabs")
        return value

    return read


def one_of(allowed: Collection[str]) -> Callable[[object], str]:
    """Return a reader of one of some words."""

    def read(value: object) -> str:
        if not isinstance(value, str) or value not in allowed:
            raise InvalidValue(" or ".join(f'"{one}"' for one in allowed))
        return value

    return read


def weekdays(value: object) -> str:
    """Return ISO digits of days of the week, each once."""
    if not isinstance(value, str) or not _WEEKDAYS.fullmatch(value) or len(set(value)) < len(value):
        quoted = f'write "{value}"' if type(value) is int else ""
        raise InvalidValue(
            'digits 1 (Monday) to 7 (Sunday), each once, in quotes, such as "4567"', quoted
        )
    return value


def names(longest: int, most: int) -> Callable[[object], tuple[str, ...]]:
    """Return a reader of an array of names, each once."""
    read_name = line(longest)

    def read(value: object) -> tuple[str, ...]:
        allowed = f'an array of 1 to {most} names, each once, such as ["AB", "CD"]'
        if not isinstance(value, list) or not 1 <= len(value) <= most:
            raise InvalidValue(allowed, "leave the key out for all areas" if value == [] else "")
        found = tuple(read_name(one) for one in value)
        if len(set(found)) < len(found):
            raise InvalidValue(allowed, "one stands twice")
        return found

    return read


def shares(longest: int, most: int) -> Callable[[object], dict[str, float]]:
    """Return a reader of shares by name that sum to 1."""
    read_name, read_share = line(longest), real(0, 1)

    def read(value: object) -> dict[str, float]:
        allowed = (
            f"shares of 1 to {most} fishing methods that sum to 1, "
            "such as {trolling = 0.4, jigging = 0.6}"
        )
        if not isinstance(value, dict) or not 1 <= len(value) <= most:
            raise InvalidValue(allowed)
        found = {}
        for name, share in value.items():
            found[read_name(name)] = _share_of(name, share, read_share)
        total = math.fsum(found.values())
        if abs(total - 1) > SHARE_SLACK:
            raise InvalidValue(allowed, f"they sum to {total:.6g}")
        return found

    return read


def _share_of(name: str, value: object, read: Callable[[object], float]) -> float:
    try:
        return read(value)
    except InvalidValue as fault:
        raise InvalidValue(
            f"{fault.allowed} for each method", f"{name} has {shown(value)}"
        ) from None


def _unquoted(value: object) -> str:
    """Return advice where a number was written as text."""
    return "write it without quotes" if isinstance(value, str) else ""


# The keys of an option file: what each is called, which field it fills, how it is read.

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
        read: Callable[[object], Any] = line(_LONGEST_NAME)
        if column.allowed:
            read = one_of(column.allowed)
        elif column.name.startswith("rate_"):
            read = real(0, 1)
        elif column.name == "source":
            read = line(500)
        keys.append(Key(column.name, column.name, read, required=bool(column.filled)))
    return tuple(keys)


SET_KEYS = (
    Key("title", "title", line(_LONGEST_NAME)),
    Key("notes", "notes", prose(5_000)),
)
OPTION_KEYS = (
    Key("name", "name", line(_LONGEST_NAME), required=True),
    Key("elasticity", "elasticity", real(0, 5)),
    Key("to_other_areas_prop", "to_other_areas_prop", real(0, 1)),
    Key("to_other_days_prop", "to_other_days_prop", real(0, 1)),
)
CHANGE_KEYS = (
    Key("areas", "areas", names(_LONGEST_NAME, _MOST_NAMES)),
    Key("first_day", "first", day),
    Key("last_day", "last", day),
    Key("close_from", "close", day),
    Key("open_through", "open", day),
    Key("reopen_from", "reopen", day),
    Key("open_weekdays", "weekdays", weekdays),
    Key("daily_limit_fish", "daily_limit_fish", whole(0, 100)),
    Key("at_limit", "at_limit", one_of([one.value for one in AtLimit])),
    Key("min_length_mm", "min_length_mm", real(0, 1_500)),
    Key("mark_selective", "mark_selective", flag),
    Key("method_mix", "method_mix", shares(_LONGEST_NAME, _MOST_NAMES)),
    Key("effort_factor", "effort_factor", real(0, 10)),
)
RATE_KEYS = _of_rates()
#: Tables that hold each other, outermost first: a key of an outer one goes above the inner.
_LEVELS: tuple[tuple[str, tuple[Key, ...]], ...] = (
    ("the set", SET_KEYS),
    ("the option", OPTION_KEYS),
    ("the change", CHANGE_KEYS),
    ("the release rate", RATE_KEYS),
)


class ValidationErrors:
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
        UsageError
            With the faults, a line each.
        """
        if not self._words:
            return
        rest = len(self._words) - _SHOWN
        told = self._words[:_SHOWN] + ([f"... and {rest} more"] if rest > 0 else [])
        raise UsageError("\n".join(told))


def read_keys(
    table: Mapping[str, Any],
    keys: Sequence[Key],
    place: str,
    faults: ValidationErrors,
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
    faults : ValidationErrors
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
        except InvalidValue as fault:
            seen = f"{key.name}: {shown(table[key.name])}; allowed: {fault.allowed}"
            faults.add(place, "; ".join(part for part in (seen, fault.advice) if part))
    return found


def array_of_tables(
    table: Mapping[str, Any], name: str, place: str, faults: ValidationErrors, *, most: int
) -> list[dict[str, Any]]:
    """Return the tables of an array, none where there is none or it is something else."""
    rows = table.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        inner = {"option": "option", "change": "option.change"}.get(name, f"option.change.{name}")
        faults.add(place, f"{name}: {shown(rows)}; allowed: tables that begin with [[{inner}]]")
        return []
    if len(rows) > most:
        faults.add(place, f"{name}: {len(rows)} of them; allowed: at most {most}")
        return []
    return rows


def _unknown(name: str, keys: Sequence[Key], tables: tuple[str, ...]) -> str:
    allowed = [*(key.name for key in keys), *tables]
    words = f"unknown key {shown(name)}"
    for holder, others in _LEVELS:
        if name in {key.name for key in others}:
            return f"{words}: it belongs to {holder}; move it there"
    close = difflib.get_close_matches(name.lower(), allowed, n=1, cutoff=0.6)
    hint = f"; did you mean {close[0]}?" if close else ""
    return f"{words}{hint}; allowed: {', '.join(allowed)}"


#: Most options of a set, and most changes of an option.
MOST_OPTIONS, MOST_CHANGES = 50, 50
#: Most characters of a file, and of a link.
LONGEST_TEXT, LONGEST_LINK = 200_000, 8_000
#: Begins every link; another form of them would begin otherwise.
_MARK = "1."
_LINK = re.compile(r"[0-9A-Za-z_-]+")
_PLACE = re.compile(r"^(.*) \(at (?:line (\d+), column \d+|end of document)\)$", re.DOTALL)


@dataclass(frozen=True, slots=True)
class OptionSet:
    """Options with a title.

    Parameters
    ----------
    title : str
        Empty where the file has none.
    options : tuple of Option
        In the order of the file, names unlike each other.
    notes : str
        What else should be read with the answer; may have several lines.
    """

    title: str
    options: tuple[Option, ...]
    notes: str = ""


def read_options(text: str | bytes) -> OptionSet:
    """Return the options of a TOML text.

    Areas, fishing methods and what today's rules make of a change are not known here:
    `analytics.options.compare` checks them against a season.

    Parameters
    ----------
    text : str or bytes
        Bytes are UTF-8, with or without a byte-order mark.

    Returns
    -------
    OptionSet

    Raises
    ------
    UsageError
        If the text is not TOML, has unknown keys, or has values that cannot be taken: every fault
        with its place, what was seen, what is allowed and what to do.
    """
    table = _parsed(_decoded(text))
    faults = ValidationErrors()
    found = read_keys(table, SET_KEYS, "", faults, tables=("option",))
    rows = array_of_tables(table, "option", "", faults, most=MOST_OPTIONS)
    if not rows and table.get("option", []) == []:
        faults.add("", "no option; write [[option]] with a name, and [[option.change]] below it")
    options = tuple(_option(row, at, faults) for at, row in enumerate(rows, start=1))
    _require_unlike([row.get("name") for row in rows], faults)
    faults.require_none()
    return OptionSet(found.get("title", ""), options, found.get("notes", ""))


def write_options(options: OptionSet) -> str:
    """Return a set of options as TOML, which `read_options` reads as the same set.

    Values that are today's rule, or no response of anglers, are left out.

    Raises
    ------
    UsageError
        If the set could not be read again, such as one with a name twice.
    """
    lines = key_lines(options, SET_KEYS)
    for option in options.options:
        lines += ["", "[[option]]", *key_lines(option, OPTION_KEYS)]
        for change in option.changes:
            lines += ["", "[[option.change]]", *key_lines(change, CHANGE_KEYS)]
            for rate in change.release_rates:
                lines += ["", "[[option.change.release_rates]]", *key_lines(rate, RATE_KEYS)]
    text = "\n".join(lines).lstrip("\n") + "\n"
    read_options(text)
    return text


def to_link(options: OptionSet) -> str:
    """Return a set of options in characters that an address may carry.

    Raises
    ------
    UsageError
        If it would be longer than `LONGEST_LINK`, or as `write_options`.
    """
    packed = zlib.compress(write_options(options).encode(), level=9)
    link = _MARK + base64.urlsafe_b64encode(packed).decode().rstrip("=")
    if len(link) > LONGEST_LINK:
        raise UsageError(
            f"these options make a link of {len(link):,} characters; allowed: {LONGEST_LINK:,}; "
            "pass them on as a file"
        )
    return link


def from_link(link: str) -> OptionSet:
    """Return the options of a link that `to_link` made.

    Raises
    ------
    UsageError
        If it is cut short or changed, or unpacks to more than a file may have, or as
        `read_options`.
    """
    broken = UsageError("the options of this link cannot be read: it was cut short or changed")
    if len(link) > LONGEST_LINK:
        raise UsageError(f"a link of {len(link):,} characters; allowed: {LONGEST_LINK:,}")
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


def _decoded(text: str | bytes) -> str:
    if isinstance(text, bytes):
        text = _from_utf8(text)
    if len(text) > LONGEST_TEXT:
        raise UsageError(f"{len(text):,} characters of options; allowed: at most {LONGEST_TEXT:,}")
    if not text.strip("\ufeff \t\r\n"):
        raise UsageError("an empty file; write at least one [[option]] with a name")
    return text.removeprefix("\ufeff")


def _from_utf8(content: bytes) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        at = content.count(b"\n", 0, error.start) + 1
        byte = f"0x{content[error.start]:02X}"
        raise UsageError(
            f"line {at}: the byte {byte} is not UTF-8; save the file as UTF-8"
        ) from None


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise UsageError("brackets within brackets, too deep to be options") from None
    except tomllib.TOMLDecodeError as error:
        told = _PLACE.match(str(error))
        fault, at = (told[1], told[2]) if told else (str(error), None)
        where = "at its end"
        if at is not None:
            seen = text.splitlines()[int(at) - 1 : int(at)]
            where = f"in line {at}" + (f", {seen[0].strip()[:60]!r}" if seen else "")
        raise UsageError(
            f"not TOML {where}: {fault[:1].lower()}{fault[1:]}; text and weekdays stand in double "
            "quotes, dates such as 2036-03-01 without; a key stands once in its table"
        ) from None
    except ValueError:  # of a number that Python will not read
        raise UsageError("a number of thousands of digits; mend it") from None


def _option(table: dict[str, Any], at: int, faults: ValidationErrors) -> Option:
    place = f"option {at}"
    if isinstance(table.get("name"), str):
        place += f' "{table["name"][:40]}"'
    found = read_keys(table, OPTION_KEYS, place, faults, tables=("change",))
    moved = ("to_other_areas_prop", "to_other_days_prop")
    total = sum(found.get(name, 0.0) for name in moved)
    if total > 1 + 1e-9:
        faults.add(place, f"{' and '.join(moved)} sum to {total:g}; allowed: at most 1")
    rows = array_of_tables(table, "change", place, faults, most=MOST_CHANGES)
    changes = tuple(
        _change(row, f"{place}, change {number}", faults) for number, row in enumerate(rows, 1)
    )
    return Option(**{"name": "", **found}, changes=changes)


def _change(table: dict[str, Any], place: str, faults: ValidationErrors) -> Change:
    found = read_keys(table, CHANGE_KEYS, place, faults, tables=("release_rates",))
    for early, late, least, rule in (
        ("first", "last", 0, "last_day comes before first_day"),
        ("close", "reopen", 1, "reopen_from does not come after close_from"),
    ):
        if {early, late} <= set(found) and (found[late] - found[early]).days < least:
            faults.add(place, f"{rule}: {found[late]} and {found[early]}; mend one of them")
    rows = array_of_tables(table, "release_rates", place, faults, most=100)
    rates = [
        read_keys(row, RATE_KEYS, f"{place}, release rate {number}", faults)
        for number, row in enumerate(rows, 1)
    ]
    keys = [
        tuple(rate.get(one) for one in ("size_class", "method", "wound_class")) for rate in rates
    ]
    if len(set(keys)) < len(keys):
        faults.add(place, "release_rates: two rows of one size class, method and wound class")
    filled = tuple({key.field: rate.get(key.field) for key in RATE_KEYS} for rate in rates)
    if "at_limit" in found:
        found["at_limit"] = AtLimit(found["at_limit"])
    return Change(**found, release_rates=filled)


def _require_unlike(names: list[object], faults: ValidationErrors) -> None:
    seen: dict[str, int] = {}
    for at, name in enumerate(names, start=1):
        if not isinstance(name, str):
            continue
        first = seen.setdefault(name.casefold(), at)
        if first != at:
            faults.add(f'option {at} "{name[:40]}"', f"has the name of option {first}; rename one")
