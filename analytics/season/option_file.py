"""Sets of options as files and links: TOML in, TOML out, and a short form for an address.

`analytics.season.option_example` documents every key.
"""

from __future__ import annotations

import base64
import binascii
import re
import tomllib
import zlib
from dataclasses import dataclass
from typing import Any

from analytics.errors import WrongUse
from analytics.season.option import AtLimit, Change, Option
from analytics.season.option_keys import (
    CHANGE_KEYS,
    OPTION_KEYS,
    RATE_KEYS,
    SET_KEYS,
    Faults,
    array_of_tables,
    read_keys,
)
from analytics.season.option_toml import key_lines

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
    `analytics.season.weigh` checks them against a season.

    Parameters
    ----------
    text : str or bytes
        Bytes are UTF-8, with or without a byte-order mark.

    Returns
    -------
    OptionSet

    Raises
    ------
    WrongUse
        If the text is not TOML, has unknown keys, or has values that cannot be taken: every fault
        with its place, what was seen, what is allowed and what to do.
    """
    table = _parsed(_decoded(text))
    faults = Faults()
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
    WrongUse
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
    WrongUse
        If it would be longer than `LONGEST_LINK`, or as `write_options`.
    """
    packed = zlib.compress(write_options(options).encode(), level=9)
    link = _MARK + base64.urlsafe_b64encode(packed).decode().rstrip("=")
    if len(link) > LONGEST_LINK:
        raise WrongUse(
            f"these options make a link of {len(link):,} characters; allowed: {LONGEST_LINK:,}; "
            "pass them on as a file"
        )
    return link


def from_link(link: str) -> OptionSet:
    """Return the options of a link that `to_link` made.

    Raises
    ------
    WrongUse
        If it is cut short or changed, or unpacks to more than a file may have, or as
        `read_options`.
    """
    broken = WrongUse("the options of this link cannot be read: it was cut short or changed")
    if len(link) > LONGEST_LINK:
        raise WrongUse(f"a link of {len(link):,} characters; allowed: {LONGEST_LINK:,}")
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
        raise WrongUse(f"{len(text):,} characters of options; allowed: at most {LONGEST_TEXT:,}")
    if not text.strip("\ufeff \t\r\n"):
        raise WrongUse("an empty file; write at least one [[option]] with a name")
    return text.removeprefix("\ufeff")


def _from_utf8(content: bytes) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        at = content.count(b"\n", 0, error.start) + 1
        byte = f"0x{content[error.start]:02X}"
        raise WrongUse(f"line {at}: the byte {byte} is not UTF-8; save the file as UTF-8") from None


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise WrongUse("brackets within brackets, too deep to be options") from None
    except tomllib.TOMLDecodeError as error:
        told = _PLACE.match(str(error))
        fault, at = (told[1], told[2]) if told else (str(error), None)
        where = "at its end"
        if at is not None:
            seen = text.splitlines()[int(at) - 1 : int(at)]
            where = f"in line {at}" + (f", {seen[0].strip()[:60]!r}" if seen else "")
        raise WrongUse(
            f"not TOML {where}: {fault[:1].lower()}{fault[1:]}; text and weekdays stand in double "
            "quotes, dates such as 2036-03-01 without; a key stands once in its table"
        ) from None
    except ValueError:  # of a number that Python will not read
        raise WrongUse("a number of thousands of digits; mend it") from None


def _option(table: dict[str, Any], at: int, faults: Faults) -> Option:
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


def _change(table: dict[str, Any], place: str, faults: Faults) -> Change:
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


def _require_unlike(names: list[object], faults: Faults) -> None:
    seen: dict[str, int] = {}
    for at, name in enumerate(names, start=1):
        if not isinstance(name, str):
            continue
        first = seen.setdefault(name.casefold(), at)
        if first != at:
            faults.add(f'option {at} "{name[:40]}"', f"has the name of option {first}; rename one")
