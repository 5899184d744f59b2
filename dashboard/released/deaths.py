"""Deaths of the season by group of fish: what their lines say, and the answer in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from dashboard import text
from dashboard.amounts import Amount, Sort
from dashboard.digits import percent
from dashboard.released.index import SAMPLED_DEATHS, where

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.book import Book
    from dashboard.released.index import Line, Released

_SIZES = {"unknown": "size unknown", "any": "", None: ""}
_WOUNDS = {"deep": "deep", "shallow": "not deep"}
#: Order of the fates, and the words of one without further detail.
FATES = {
    "kept": "kept",
    "released": "released",
    "lost": "lost at the hook",
    "all": "all together",
}
#: What the rate of a fate is of.
_OF = {"kept": "kept", "released": "released"}
#: The fates of a sum in words, as the answer tells them.
DIED = {"kept": "kept", "released": "dead after release", "lost": "lost at the hook"}
NO_ERROR = "neither the fish nor the rates carry an error"


def total(told: Released, area: str | None, *, table: str = "deaths") -> Line | None:
    """Return the line of all deaths of a domain."""
    return next((one for one in told.of(table, area) if one["fate"] == "all"), None)


def deaths_of(line: Line) -> Amount:
    """Return the deaths of a line with their interval; one without width is none."""
    low, high = line["ci_low"], line["ci_high"]
    return Amount(line["deaths"]) if low == high else Amount(line["deaths"], low, high)


def rate_of(line: Line) -> Amount:
    """Return the rate of a line with its interval, as far as it has one."""
    low, high = (line.get(end) for end in ("rate_low", "rate_high"))
    if low == high:
        low, high = None, None
    return Amount(line["rate_prop"], low, high, Sort.SHARE)


def is_certain(line: Line) -> bool:
    """Return whether the deaths of a line are without error: the fish counted, the rates too."""
    low, high = line["ci_low"], line["ci_high"]
    return line["se"] == 0 or (low is not None and low == high)


def bracket(line: Line) -> str:
    """Return the interval of the deaths of a line in brackets, or why it has none (Markdown)."""
    if is_certain(line):
        return f"({NO_ERROR})"
    return text.plain(deaths_of(line).bracket(line["ci_level"]))


def answer(book: Book, told: Released, areas: Sequence[str | None]) -> str:
    """Return what the season cost, in sentences (Markdown)."""
    if not told.lines["deaths"]:
        return (
            "There are no deaths to show: no release rates were imported (table `release_rates`), "
            "or no fish was met."
        )
    return "\n\n".join(_answer_of(book, told, area) for area in areas)


def _answer_of(book: Book, told: Released, area: str | None) -> str:
    place, line = where(book, area), total(told, area)
    start = f"{place[:1].upper()}{place[1:]}, season through week {book.card.through}"
    if line is None or line["deaths"] is None:
        why = (line["reason"] if line else None) or "the bulletin has no such line"
        words = f"{start}: no total of deaths by the releases that anglers reported"
        return f"{words} ({text.plain(why)}).{beside(told, area)}"
    words = (
        f"{start}, by the releases that anglers reported: **{deaths_of(line).words}** Chinook "
        f"died {bracket(line)}{_parts(told, area)}.{_ends(told, line)}"
    )
    if line["from_fish_prop"] is not None and has_rate_error(told, area):
        words += (
            f" Of the error, {percent(line['from_fish_prop'])} comes from counting the fish, the "
            "rest from the rates."
        )
    return words + beside(told, area)


def beside(told: Released, area: str | None) -> str:
    """Return the same total by the sample, where the bulletin has it."""
    line = total(told, area, table=SAMPLED_DEATHS)
    if line is None:
        return ""
    if line["deaths"] is None:
        why = line["reason"] or "the bulletin does not say why"
        return f" At the composition of test fishing there is no total ({text.plain(why)})."
    return (
        f" At the composition of test fishing the total is **{deaths_of(line).words}** "
        f"{bracket(line)}."
    )


def _parts(told: Released, area: str | None) -> str:
    """Return the deaths by how the fish died."""
    lines = {one["fate"]: one for one in totals(groups(told, area))}
    known = [
        f"**{deaths_of(lines[fate]).words}** {words}"
        for fate, words in DIED.items()
        if fate in lines and lines[fate]["deaths"] is not None
    ]
    return f": {', '.join(known)}" if len(known) > 1 else ""


def _ends(told: Released, line: Line) -> str:
    """Return the deaths at either end of the rates, or that the rates have none."""
    low, high = span_of(line)
    if low is not None and high is not None:
        deaths = deaths_of(line)
        return (
            f" With every rate at its low end it is {deaths.shown(low)}, at its high end "
            f"{deaths.shown(high)}."
        )
    rates = [one for one in told.of("deaths", line["area"]) if _has_rate(one)]
    if not rates:
        return ""
    if has_rate_error(told, line["area"]):
        return " Some of the rates carry no error, so low and high ends are not given."
    return " The rates carry no error."


def has_rate_error(told: Released, area: str | None) -> bool:
    """Return whether any rate of a domain has an error."""
    return any(one["rate_se"] for one in told.of("deaths", area) if _has_rate(one))


def _has_rate(line: Line) -> bool:
    return line["rate_prop"] is not None and line["fate"] in ("released", "lost")


def label(line: Line, *, short: bool = False) -> str:
    """Return the group of fish of a line in a few words; `short` for the axis of a figure."""
    fate, size, method = line["fate"], line["size_class"], line["method"]
    if fate in ("all", "kept"):
        return FATES[fate]
    if is_sum(line):
        return f"{FATES.get(fate, fate)}, all together"
    parts = [_SIZES.get(size, size)]
    if fate != "released" or not (short and parts[0]):
        parts.insert(0, FATES.get(fate, fate))
    parts += [method, _WOUNDS.get(line["wound_class"])]
    return ", ".join(part for part in parts if part)


def is_sum(line: Line) -> bool:
    """Return whether a line adds up groups, so that it has no rate of its own."""
    lacks = line["rate_prop"] is None and line["method"] is None
    return lacks and line["fate"] != "kept" and line["size_class"] == "any"


def groups(told: Released, area: str | None, *, table: str = "deaths") -> list[Line]:
    """Return the lines of a domain: kept, released, lost, all together."""
    order = list(FATES)
    found = told.of(table, area)
    return sorted(found, key=lambda one: order.index(one["fate"]) if one["fate"] in order else 9)


def totals(lines: Sequence[Line]) -> list[Line]:
    """Return of the lines of a domain the sums, and the groups of a fate that has no sum."""
    summed = {one["fate"] for one in lines if is_sum(one)}
    return [one for one in lines if is_sum(one) or one["fate"] not in summed]


def span_of(line: Line) -> tuple[float | None, float | None]:
    """Return the deaths at the low and the high end of the rate; none where they are one."""
    low, high = line["deaths_low"], line["deaths_high"]
    return (None, None) if low == high else (low, high)


def out_of(line: Line, lines: Sequence[Line]) -> str:
    """Return what the fish of a line are: kept, released, or met where hooked fish are lost.

    `lines` are all lines of its domain: fish lost at the hook are counted of the fish kept where
    the line says so, or where the two agree.
    """
    if line["fate"] in _OF:
        return _OF[line["fate"]]
    if "of kept" in (line["reason"] or ""):
        return "kept"
    if "of encounters" in (line["reason"] or ""):
        return "met"
    lost = sum(one["fish"] or 0.0 for one in lines if one["fate"] == "lost" and not is_sum(one))
    kept = sum(one["fish"] or 0.0 for one in lines if one["fate"] == "kept")
    return "kept" if lost and math.isclose(lost, kept) else "met"


def fish_of(line: Line) -> Amount:
    """Return the fish of a line, in the digits that their error allows."""
    return Amount(line["fish"], *_about(line["fish"], line["fish_se"]))


def _about(value: float | None, se: float | None) -> tuple[float | None, float | None]:
    """Return a standard error to either side, which decides the digits of a number."""
    return (None, None) if value is None or not se else (value - se, value + se)
