"""Deaths of the season by group of fish, and what the mix of methods does, in words and tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard import cells, text
from dashboard.amounts import Amount, Sort
from dashboard.charts.dots import Dot
from dashboard.digits import percent
from dashboard.released import head, where

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.book import Book
    from dashboard.released import Line, Released

_HEADS = ("Fish", "How many", "Rate", "Deaths", "Rates low to high", "Where the rate is from")
_MIX_HEADS = ("Case", "Sublegal releases", "Rate", "Deaths", "Where the rate is from")
_SIZES = {"unknown": "of unknown size", "any": "", None: ""}
_WOUNDS = {"deep": "hooked deep", "shallow": "not hooked deep"}
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
MIX_NAMES = (
    ("sea", "rates of the fishery"),
    ("copper", "rates in print, of other fisheries"),
    ("bar", "interval, from the fish and the rate"),
    ("thin", "the same fish at the low and the high end of the rate"),
)
#: How the case begins that takes the rates the user gave.
_GIVEN = "rates as given"
NO_MIX = (
    "What mooching or trolling does to the deaths cannot be told: neither was written down as the "
    "fishing method of a boat that released sublegal fish."
)
OTHER_FISHERIES = (
    "Rates in print are of other fisheries and other waters: drift mooching 42.2 % of fish under "
    "660 mm (Grover et al. 2002, Am. Fish. Soc. Symp. 30), ocean trolling 24.5 % of sublegal fish "
    "(Wertheimer 1988). They show how far the answer moves with the method, not which is right."
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


def label(line: Line) -> str:
    """Return the group of fish of a line in a few words."""
    fate = line["fate"]
    if fate in ("all", "kept"):
        return _FATES[fate]
    size = _SIZES.get(line["size_class"], line["size_class"])
    parts = [" ".join(one for one in (size, _FATES.get(fate, fate)) if one)]
    if line["size_class"] == "unknown":
        parts = [f"{_FATES.get(fate, fate)}, {size}"]
    parts += [line["method"]] if line["method"] else []
    parts += [_WOUNDS[line["wound_class"]]] if line["wound_class"] in _WOUNDS else []
    return ", ".join(parts)


def groups(told: Released, area: str | None) -> list[Line]:
    """Return the lines of a domain: kept, released, lost, all together."""
    order = list(_FATES)
    found = told.of("deaths", area)
    return sorted(found, key=lambda one: order.index(one["fate"]) if one["fate"] in order else 9)


def dots(told: Released, area: str | None) -> list[Dot]:
    """Return the deaths of a domain, a dot for each group of fish."""
    return [
        Dot(label(line), deaths_of(line), thin=_span(line), words=_hover(line))
        for line in groups(told, area)
    ]


def area_dots(book: Book, told: Released) -> list[Dot]:
    """Return all deaths together, a dot for each area."""
    found = [(area, total(told, area)) for area in book.areas]
    return [
        Dot(book.name(area), deaths_of(line), thin=_span(line), words=line["reason"] or "")
        for area, line in found
        if line is not None
    ]


def _span(line: Line) -> tuple[float | None, float | None]:
    return line["deaths_low"], line["deaths_high"]


def _hover(line: Line) -> str:
    lines = []
    if line["fish"] is not None and line["rate_prop"] is not None:
        fish = Amount(line["fish"])
        lines.append(f"{fish.words} fish at a rate of {rate_of(line).words}")
    lines += [one for one in (line["standing"], line["reason"]) if one]
    return "\n".join(lines)


def table(book: Book, told: Released, areas: Sequence[str | None]) -> str:
    """Return deaths by group as an HTML table, a domain after the other."""
    lines = []
    for area in areas:
        lines.append(cells.group(_HEADS, head(book, area)))
        found = [_line(one) for one in groups(told, area)]
        lines += found or [cells.words_line(_HEADS, "no fish met")]
    return cells.table(_HEADS, lines)


def _line(line: Line) -> str:
    fish = Amount(line["fish"], *_about(line["fish"], line["fish_se"]))
    deaths = deaths_of(line)
    error = "" if line["fish_se"] is None else f"standard error {fish.shown(line['fish_se'])}"
    values = (
        text.DASH if fish.value is None else fish.words + cells.small(error),
        text.DASH if line["rate_prop"] is None else _rate(rate_of(line)),
        cells.amount(deaths, why=line["reason"] or ""),
        _between(deaths, line),
        _source(line, is_told=deaths.value is None),
    )
    return cells.line(_HEADS, label(line), values, is_all=line["fate"] == "all")


def _between(deaths: Amount, line: Line) -> str:
    """Return the deaths at either end of the rate; a dash where the rate has no ends."""
    low, high = _span(line)
    return text.DASH if low == high else deaths.between(low, high) or text.DASH


def _about(value: float | None, se: float | None) -> tuple[float | None, float | None]:
    """Return a standard error to either side, which decides the digits of a number."""
    return (None, None) if value is None or se is None else (value - se, value + se)


def _rate(rate: Amount) -> str:
    return rate.words + cells.small(rate.limits or "no error given")


def _source(line: Line, *, is_told: bool = False) -> str:
    parts = [line["source"] or "", line["standing"] or ""]
    if (line["standing"] or "") in (line["source"] or ""):
        parts = parts[:1]
    return cells.small(*parts, "" if is_told else line["reason"] or "")


def mix_answer(book: Book, told: Released, areas: Sequence[str | None]) -> str:
    """Return what the mix of methods does to deaths of sublegal fish (Markdown)."""
    return "\n\n".join(_mix_of(book, told, area) for area in areas)


def _mix_of(book: Book, told: Released, area: str | None) -> str:
    place = where(book, area)
    start = f"{place[:1].upper()}{place[1:]}"
    found = mix_totals(told, area)
    known = [one for one in found if one["deaths"] is not None]
    if not known:
        why = next((one["reason"] for one in told.of("method_mix", area) if one["reason"]), "")
        return f"{start}: {text.plain(why or 'no fishing method was told with a release')}."
    parts = [f"{text.plain(one['case'])} **{deaths_of(one).words}**" for one in known]
    words = f"{start}, deaths of released sublegal fish: {', '.join(parts)}"
    low, high = (pick(known, key=lambda one: one["deaths"]) for pick in (min, max))
    if low["deaths"] > 0 and low is not high:
        times = high["deaths"] / low["deaths"]
        words += (
            f". From the lowest to the highest the answer changes {times:.1f} times by the rates "
            "alone, the fish being the same"
        )
    return f"{words}."


def mix_totals(told: Released, area: str | None) -> list[Line]:
    """Return the line of all methods of each case."""
    return [one for one in told.of("method_mix", area) if one["method"] is None and one["case"]]


def mix_dots(told: Released, area: str | None) -> list[Dot]:
    """Return the deaths of each case, all methods together."""
    return [
        Dot(
            one["case"],
            deaths_of(one),
            thin=_span(one),
            hue="sea" if one["case"].startswith(_GIVEN) else "copper",
            words=one["reason"] or "",
        )
        for one in mix_totals(told, area)
    ]


def mix_table(told: Released, area: str | None) -> str:
    """Return the cases with the part of each method as an HTML table."""
    lines, case = [], None
    for one in told.of("method_mix", area):
        if one["case"] != case:
            case = one["case"]
            lines.append(cells.group(_MIX_HEADS, case or "no case"))
        deaths = deaths_of(one)
        values = (
            Amount(one["fish"]).words,
            text.DASH if one["rate_prop"] is None else _mix_rate(one),
            cells.amount(deaths, below=_mix_span(deaths, one), why=one["reason"] or ""),
            _source(one, is_told=deaths.value is None),
        )
        is_all = one["method"] is None
        lines.append(cells.line(_MIX_HEADS, one["method"] or "all methods", values, is_all=is_all))
    return cells.table(_MIX_HEADS, lines)


def _mix_rate(one: Line) -> str:
    rate = rate_of(one)
    se = one["rate_se"]
    return rate.words + cells.small("no error given" if se is None else f"± {100 * se:.1f} points")


def _mix_span(deaths: Amount, one: Line) -> tuple[str, ...]:
    span = deaths.between(*_span(one))
    return (f"{span} by the rate alone",) if span else ()
