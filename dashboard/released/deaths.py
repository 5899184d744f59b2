"""Deaths of the season by group of fish, and what the mix of methods does, in words and tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard import cells, text
from dashboard.amounts import Amount, Sort
from dashboard.charts.dots import Dot
from dashboard.digits import percent
from dashboard.released.index import head, where

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.book import Book
    from dashboard.released.index import Line, Released

_HEADS = ("Fish", "How many", "Rate", "Deaths", "Rates low to high", "Where the rate is from")
_SIZES = {"unknown": "size unknown", "any": "", None: ""}
_WOUNDS = {"deep": "deep", "shallow": "not deep"}
#: Groups with a smaller part of all deaths stand in the table alone.
LEAST_PART = 0.01
#: Order of the fates, and the words of one without further detail.
_FATES = {
    "kept": "kept",
    "released": "released",
    "lost": "lost at the hook",
    "all": "all together",
}
NAMES = (
    ("sea", "deaths"),
    ("bar", "interval, from the fish and the rate"),
    ("thin", "the same fish at the low and the high end of the rate"),
)
SMALL = (
    "Deep: hooked in gills, throat or gut, or bleeding. Groups with under 1 % of the deaths stand "
    "in the table alone."
)
ALL_RATES = (
    "Low and high in the line of all together take every rate at its low end, or every rate at "
    "its high end, at once: a wider span than chance alone would give, and no interval."
)


def total(told: Released, area: str | None) -> Line | None:
    """Return the line of all deaths of a domain."""
    return next((one for one in told.of("deaths", area) if one["fate"] == "all"), None)


def deaths_of(line: Line) -> Amount:
    """Return the deaths of a line with their interval."""
    return Amount(line["deaths"], line["ci_low"], line["ci_high"])


def rate_of(line: Line) -> Amount:
    """Return the rate of a line with its interval, as far as it has one."""
    low, high = (line.get(end) for end in ("rate_low", "rate_high"))
    return Amount(line["rate_prop"], low, high, Sort.SHARE)


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
        return f"{start}: no total of deaths ({text.plain(why)})."
    deaths = deaths_of(line)
    words = (
        f"{start}: **{deaths.words}** Chinook died {text.plain(deaths.bracket(line['ci_level']))}"
        f"{_parts(book, area)}."
    )
    span = deaths.between(line["deaths_low"], line["deaths_high"])
    if span:
        low, high = span.split("–")
        words += f" With every rate at its low end it is {low}, at its high end {high}."
    if line["from_fish_prop"] is not None:
        words += (
            f" Of the error, {percent(line['from_fish_prop'])} comes from counting the fish, the "
            "rest from the rates."
        )
    return words


def _parts(book: Book, area: str | None) -> str:
    """Return the deaths by how the fish died, as far as the result rows have them."""
    words = {
        "kept_fish": "kept",
        "release_deaths_fish": "dead after release",
        "drop_off_deaths_fish": "lost at the hook",
    }
    rows = {name: book.row(area, None, name) for name in words}
    known = [
        f"**{text.value(row)}** {words[name]}"
        for name, row in rows.items()
        if row is not None and row.estimate is not None
    ]
    return f": {', '.join(known)}" if len(known) > 1 else ""


def label(line: Line, *, short: bool = False) -> str:
    """Return the group of fish of a line in a few words; `short` for the axis of a figure."""
    fate, size, method = line["fate"], line["size_class"], line["method"]
    if fate in ("all", "kept"):
        return _FATES[fate]
    if is_sum(line):
        return f"{_FATES.get(fate, fate)}, all together"
    parts = [_SIZES.get(size, size)]
    if fate != "released" or not (short and parts[0]):
        parts.insert(0, _FATES.get(fate, fate))
    parts += [method, _WOUNDS.get(line["wound_class"])]
    return ", ".join(part for part in parts if part)


def is_sum(line: Line) -> bool:
    """Return whether a line adds up groups, so that it has no rate of its own."""
    return line["fate"] != "kept" and line["rate_prop"] is None and line["method"] is None


def groups(told: Released, area: str | None) -> list[Line]:
    """Return the lines of a domain: kept, released, lost, all together."""
    order = list(_FATES)
    found = told.of("deaths", area)
    return sorted(found, key=lambda one: order.index(one["fate"]) if one["fate"] in order else 9)


def dots(told: Released, area: str | None) -> list[Dot]:
    """Return the deaths of a domain, a dot for each group of fish; small groups are left out."""
    whole = total(told, area)
    least = LEAST_PART * ((whole["deaths"] if whole else None) or 0.0)
    return [
        Dot(label(line, short=True), deaths_of(line), thin=span_of(line), words=_hover(line))
        for line in groups(told, area)
        if line["deaths"] is None or line["deaths"] >= least
    ]


def area_dots(book: Book, told: Released) -> list[Dot]:
    """Return all deaths together, a dot for each area."""
    found = [(area, total(told, area)) for area in book.areas]
    return [
        Dot(book.name(area), deaths_of(line), thin=span_of(line), words=line["reason"] or "")
        for area, line in found
        if line is not None
    ]


def span_of(line: Line) -> tuple[float | None, float | None]:
    """Return the deaths at the low and the high end of the rate."""
    return line["deaths_low"], line["deaths_high"]


def _hover(line: Line) -> str:
    lines = []
    if line["fish"] is not None and line["rate_prop"] is not None:
        fish = Amount(line["fish"])
        lines.append(f"{fish.words} fish at a rate of {rate_of(line).words}")
    lines += [one for one in (line["standing"], line["reason"]) if one]
    return "\n".join(lines)


def table(
    book: Book, told: Released, areas: Sequence[str | None], *, is_short: bool = False
) -> str:
    """Return deaths as an HTML table, a domain after the other; `is_short` leaves out parts."""
    lines = []
    for area in areas:
        lines.append(cells.group(_HEADS, head(book, area)))
        shown = groups(told, area)
        summed = {one["fate"] for one in shown if is_sum(one)}
        if is_short:
            shown = [one for one in shown if is_sum(one) or one["fate"] not in summed]
        lines += [_line(one) for one in shown] or [cells.words_line(_HEADS, "no fish met")]
    return cells.table(_HEADS, lines, kind="bm-rates")


def _line(line: Line) -> str:
    fish = Amount(line["fish"], *_about(line["fish"], line["fish_se"]))
    deaths = deaths_of(line)
    has_none = line["rate_prop"] is None or line["fate"] == "kept"
    error = "" if line["fish_se"] is None else f"± {fish.shown(line['fish_se'])}"
    values = (
        text.DASH if fish.value is None else fish.words + cells.small(error),
        text.DASH if has_none else _rate(rate_of(line)),
        text.DASH if deaths.value is None else cells.amount(deaths),
        _between(deaths, line),
        source_of(line),
    )
    return cells.line(_HEADS, label(line), values, is_all=is_sum(line))


def _between(deaths: Amount, line: Line) -> str:
    """Return the deaths at either end of the rate; a dash where the rate has no ends."""
    low, high = span_of(line)
    return text.DASH if low == high else deaths.between(low, high) or text.DASH


def _about(value: float | None, se: float | None) -> tuple[float | None, float | None]:
    """Return a standard error to either side, which decides the digits of a number."""
    return (None, None) if value is None or se is None else (value - se, value + se)


def _rate(rate: Amount) -> str:
    return rate.words + cells.small(rate.limits or "no error given")


def source_of(line: Line) -> str:
    """Return where a rate is from, how far to trust it, and what is to be noted, as HTML."""
    parts = [line["source"] or "", line["standing"] or ""]
    if (line["standing"] or "") in (line["source"] or ""):
        parts = parts[:1]
    return cells.small(*parts, line["reason"] or "")
