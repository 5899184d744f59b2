"""Names of the terms of a regression for people: what is given against what, as a ratio."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from dashboard import html_tables, numbers
from dashboard.catch_rates.records import SHARE
from dashboard.charts.forest import ForestRow
from dashboard.numbers import NumberKind

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dashboard.bulletin_index import BulletinIndex
    from dashboard.catch_rates.records import Line, Rates
    from dashboard.numbers import Measurement

HEADS = ("Of the trips", "Against", "Ratio")
#: A level of a factor, written ``method[mooching]``.
_LEVEL = re.compile(r"(?P<column>[^\[\]]+)\[(?P<level>.*)\]")
_ZERO = "zero: "
INTERCEPT = "intercept"
#: One step of each number, and what it is given against.
_STEPS = {
    "party": ("each angler more in the boat", "one angler fewer"),
    "daylight_hours": ("each hour of daylight more", "one hour less"),
    "moon": ("full moon", "new moon"),
    "tide_range_m": ("each metre of tide range more", "one metre less"),
    "week_number": ("each week later", "the week before"),
}
#: Columns in a list of terms.
_COLUMNS = {
    "week_number": "week",
    "day_group": "days of the week",
    "party": "party size",
    "daylight_hours": "daylight",
    "tide_range_m": "tide range",
    "area_week": "area by week",
}
#: Days that make a week's end, and weekdays alone, in the names of strata.
_WEEKEND = re.compile(r"\b(Sat|Sun)\b")


def listed(terms: str) -> str:
    """Return the terms of a regression as a list for people; smooths by their number of columns."""
    return ", ".join(_term(one) for one in re.split(r" \+ |, ", terms) if one)


def _term(term: str) -> str:
    parts = [_COLUMNS.get(one.partition("~")[0], one.partition("~")[0]) for one in term.split(":")]
    columns = re.search(r"~(\d+)", term)
    words = " by ".join(reversed(parts)) if len(parts) > 1 else parts[0]
    return f"{words} (smooth, {columns[1]} columns)" if columns else words


def names(index: BulletinIndex, lines: Sequence[Line]) -> dict[str, tuple[str, str]]:
    """Return what each term of the lines of ``coefficients`` is about and what it is given against.

    Methods and strata of the bulletin give the base of a factor.
    """
    found = [line["term"] for line in lines if is_ratio(line)]
    bases = _bases(index, found)
    return {term: _name(term, bases) for term in found}


def is_ratio(line: Line) -> bool:
    """Return whether a line is a ratio: an intercept is a level."""
    return line["ratio"] is not None and not line["term"].endswith(INTERCEPT)


def _name(term: str, bases: Mapping[str, tuple[str, Mapping[str, str]]]) -> tuple[str, str]:
    plain = term.removeprefix(_ZERO)
    part = "chance of a trip without fish: " if plain != term else ""
    level = _LEVEL.fullmatch(plain)
    if level is None:
        this, base = _STEPS.get(plain, (f"{plain}, one more", "one less"))
        return part + this, base
    base, words = bases.get(level["column"], ("the base", {}))
    if not words:
        column = _COLUMNS.get(level["column"], level["column"])
        words = {level["level"]: f"{column} {level['level']}"}
    return part + words.get(level["level"], level["level"]), base


def _bases(index: BulletinIndex, terms: Sequence[str]) -> dict[str, tuple[str, dict[str, str]]]:
    """Return the base of each factor in words, and the words of its other levels."""
    levels: dict[str, list[str]] = {}
    for term in terms:
        found = _LEVEL.fullmatch(term.removeprefix(_ZERO))
        if found and found["level"] not in levels.setdefault(found["column"], []):
            levels[found["column"]].append(found["level"])
    bases = {}
    if "method" in levels:
        bases["method"] = (_method(index, levels["method"]), {one: one for one in levels["method"]})
    if "day_group" in levels:
        bases["day_group"] = _days(index, levels["day_group"])
    for name in ("area", "site"):
        if name in levels:
            words = {one: index.name(one) if name == "area" else one for one in levels[name]}
            bases[name] = (f"the first {name}", words)
    return bases


def _method(index: BulletinIndex, others: Sequence[str]) -> str:
    """Return the method that has no coefficient; the base is the first by name."""
    lines = index.bulletin.table("method_mix_deaths").to_pylist()
    rest = {line["method"] for line in lines if line["method"]} - {*others}
    first = min(rest, default="")
    return first if len(rest) == 1 and first < min(others) else "the first method by name"


def _days(index: BulletinIndex, others: Sequence[str]) -> tuple[str, dict[str, str]]:
    """Return the base among groups of days: weekdays, where the second holds every weekend day."""
    seen = {(one.landing_area, (one.stratum or "").partition(" ")[2]) for one in index.strata}
    days = {words for _, words in seen}
    ends = {words for words in days if _WEEKEND.search(words)}
    is_week = bool(ends) and all("Sun" in words for words in ends) and len(days) > len(ends)
    if is_week and list(others) == ["2"]:
        return "weekdays", {"2": "weekend days"}
    return "days of group 1", {one: f"days of group {one}" for one in others}


def dots(index: BulletinIndex, rates: Rates, response: str) -> list[ForestRow]:
    """Return the coefficients of the chosen regression as ratios with their intervals.

    Intercepts are levels and no ratios; they stand in the download.
    """
    return [ForestRow(this, _amount(line)) for this, _, line in _ratios(index, rates, response)]


def table(index: BulletinIndex, rates: Rates, response: str) -> str:
    """Return the same as an HTML table, each ratio with what it is given against."""
    lines = []
    for this, base, line in _ratios(index, rates, response):
        found, why = _amount(line), line.get("reason") or "no interval"
        ratio = found.words + html_tables.small(found.limits or why)
        lines.append(html_tables.line(HEADS, this[:1].upper() + this[1:], [base, ratio]))
    return html_tables.table(HEADS, lines)


def _ratios(index: BulletinIndex, rates: Rates, response: str) -> list[tuple[str, str, Line]]:
    """Return the ratios of a response: each with what it is of, against what, and its line."""
    lines = rates.of("coefficients", response)
    named = names(index, lines)
    return [(*named[one["term"]], one) for one in lines if is_ratio(one)]


def _amount(line: Line) -> Measurement:
    return numbers.of_line(line, "ratio", NumberKind.RATIO)


def ratio_words(response: str) -> str:
    """Return what the ratios of a response are."""
    return (
        f"{'Odds of a sublegal fish' if response == SHARE else 'Catch per angler-hour'}, as ratios"
    )
