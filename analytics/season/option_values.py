"""Single values of an option file: each read as what it must be, or told why it is not.

A reader takes what TOML gave and returns the value, or raises `Unfit` with what is allowed.
"""

from __future__ import annotations

import json
import math
import re
from datetime import date, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping

#: Shares that should sum to 1 may miss it by this much (rounding of typed numbers).
SHARE_SLACK = 1e-6
_YEARS = (1900, 2199)
_SEEN = 60
_WEEKDAYS = re.compile("[1-7]+")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


class Unfit(ValueError):  # noqa: N818 - reads as a sentence
    """A value that cannot be taken: what is allowed, and advice."""

    def __init__(self, allowed: str, advice: str = "") -> None:
        super().__init__(allowed)
        self.allowed, self.advice = allowed, advice


def shown(value: object) -> str:
    """Return a value of TOML as it may stand in a message, cut short."""
    if isinstance(value, dict):
        return _table(value)
    if isinstance(value, list):
        return f"an array of {len(value)}"
    if isinstance(value, str | bool):
        text = json.dumps(value, ensure_ascii=_CONTROL.search(str(value)) is not None)
    elif isinstance(value, int) and abs(value) >= 10**15:
        text = "a whole number of 16 digits or more"
    else:
        text = str(value)
    return text if len(text) <= _SEEN else text[:_SEEN] + "…"


def _table(value: Mapping[str, object]) -> str:
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
        raise Unfit("true or false, without quotes")
    return value


def whole(low: int, high: int) -> Callable[[object], int]:
    """Return a reader of whole numbers within bounds, both included."""

    def read(value: object) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise Unfit(f"a whole number from {low:,} to {high:,}", _unquoted(value))
        return value

    return read


def real(low: float, high: float) -> Callable[[object], float]:
    """Return a reader of finite numbers within bounds, both included."""

    def read(value: object) -> float:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not low <= value <= high:  # type: ignore[operator]
            percent = "10 % is written 0.1" if (low, high) == (0, 1) else ""
            raise Unfit(f"a number from {low:,g} to {high:,g}", _unquoted(value) or percent)
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
    raise Unfit(f"a date of {_YEARS[0]} to {_YEARS[1]} such as 2036-03-01", advice)


def line(longest: int) -> Callable[[object], str]:
    """Return a reader of text on one line that can stand in a table."""

    def read(value: object) -> str:
        allowed = f"text on one line, of 1 to {longest} characters, in double quotes"
        if not isinstance(value, str) or not 1 <= len(value) <= longest:
            raise Unfit(allowed)
        if value[0] in "=+-@":
            raise Unfit(
                f"{allowed}, that does not begin with = + - or @",
                "a spreadsheet would run it as a formula",
            )
        if value != value.strip() or _CONTROL.search(value):
            raise Unfit(f"{allowed}, without spaces at its ends or control characters")
        return value

    return read


def prose(longest: int) -> Callable[[object], str]:
    """Return a reader of text that may have several lines, or none."""

    def read(value: object) -> str:
        allowed = f"text of at most {longest:,} characters in double quotes"
        if not isinstance(value, str) or len(value) > longest:
            raise Unfit(allowed)
        if _CONTROL.search(value.replace("\n", "").replace("\t", "")):
            raise Unfit(f"{allowed}, without control characters but line breaks and tabs")
        return value

    return read


def one_of(allowed: Collection[str]) -> Callable[[object], str]:
    """Return a reader of one of some words."""

    def read(value: object) -> str:
        if not isinstance(value, str) or value not in allowed:
            raise Unfit(" or ".join(f'"{one}"' for one in allowed))
        return value

    return read


def weekdays(value: object) -> str:
    """Return ISO digits of days of the week, each once."""
    if not isinstance(value, str) or not _WEEKDAYS.fullmatch(value) or len(set(value)) < len(value):
        quoted = f'write "{value}"' if type(value) is int else ""
        raise Unfit('digits 1 (Monday) to 7 (Sunday), each once, in quotes, such as "4567"', quoted)
    return value


def names(longest: int, most: int) -> Callable[[object], tuple[str, ...]]:
    """Return a reader of an array of names, each once."""
    read_name = line(longest)

    def read(value: object) -> tuple[str, ...]:
        allowed = f'an array of 1 to {most} names, each once, such as ["AB", "CD"]'
        if not isinstance(value, list) or not 1 <= len(value) <= most:
            raise Unfit(allowed, "leave the key out for all areas" if value == [] else "")
        found = tuple(read_name(one) for one in value)
        if len(set(found)) < len(found):
            raise Unfit(allowed, "one stands twice")
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
            raise Unfit(allowed)
        found = {}
        for name, share in value.items():
            found[read_name(name)] = _share_of(name, share, read_share)
        total = math.fsum(found.values())
        if abs(total - 1) > SHARE_SLACK:
            raise Unfit(allowed, f"they sum to {total:.6g}")
        return found

    return read


def _share_of(name: str, value: object, read: Callable[[object], float]) -> float:
    try:
        return read(value)
    except Unfit as fault:
        raise Unfit(f"{fault.allowed} for each method", f"{name} has {shown(value)}") from None


def _unquoted(value: object) -> str:
    """Return advice where a number was written as text."""
    return "write it without quotes" if isinstance(value, str) else ""
