"""Deaths of the season by group of fish: what their lines say, and the answer in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analytics.codes import has_code
from analytics.rounding import percent
from dashboard import html_tables, numbers
from dashboard.charts.forest import ForestRow
from dashboard.numbers import Measurement, NumberKind
from dashboard.released import classes
from dashboard.released.classes import HUE
from dashboard.released.records import REPORTED, SAMPLED, SAMPLED_DEATHS, head, where

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.bulletin_index import BulletinIndex
    from dashboard.released.records import Line, Released


_SIZES = {"unknown": "size unknown", "any": "", None: ""}
_WOUNDS = {"deep": "deep", "shallow": "not deep"}
#: Order of the fates, and the words of one without further detail.
FATES = {
    "kept": "kept",
    "released": "released",
    "drop_off": "lost at the hook",
    "all": "all together",
}
#: What the rate of a fate is of.
_OF = {"kept": "kept", "released": "released"}
#: The fates of a sum in words, as the answer tells them.
DIED = {"kept": "kept", "released": "dead after release", "drop_off": "lost at the hook"}
NO_ERROR = "neither the fish nor the rates carry an error"


def total(told: Released, area: str | None, *, table: str = "deaths") -> Line | None:
    """Return the line of all deaths of a domain."""
    return next((one for one in told.of(table, area) if one["fate"] == "all"), None)


def deaths_of(line: Line) -> Measurement:
    """Return the deaths of a line with their interval; one without width is none."""
    low, high = line["ci_low"], line["ci_high"]
    return Measurement(line["deaths"]) if low == high else Measurement(line["deaths"], low, high)


def rate_of(line: Line) -> Measurement:
    """Return the rate of a line with its interval, as far as it has one."""
    low, high = (line.get(end) for end in ("rate_low", "rate_high"))
    if low == high:
        low, high = None, None
    return Measurement(line["rate_prop"], low, high, NumberKind.SHARE)


def is_certain(line: Line) -> bool:
    """Return whether the deaths of a line are without error: the fish counted, the rates too."""
    low, high = line["ci_low"], line["ci_high"]
    return line["se"] == 0 or (low is not None and low == high)


def bracket(line: Line) -> str:
    """Return the interval of the deaths of a line in brackets, or why it has none (Markdown)."""
    if is_certain(line):
        return f"({NO_ERROR})"
    return numbers.plain(deaths_of(line).bracket(line["ci_level"]))


def deaths_answer(book: BulletinIndex, told: Released, areas: Sequence[str | None]) -> str:
    """Return what the season cost, in sentences (Markdown)."""
    if not told.lines["deaths"]:
        return (
            "There are no deaths to show: no release rates were imported (table `release_rates`), "
            "or no fish was met."
        )
    return "\n\n".join(_answer_of(book, told, area) for area in areas)


def _answer_of(book: BulletinIndex, told: Released, area: str | None) -> str:
    place, line = where(book, area), total(told, area)
    start = f"{place[:1].upper()}{place[1:]}, season through week {book.card.through}"
    if line is None or line["deaths"] is None:
        why = (line["reason"] if line else None) or "the bulletin has no such line"
        words = f"{start}: no total of deaths by the releases that anglers reported"
        return f"{words} ({numbers.plain(why)}).{beside(told, area)}"
    words = (
        f"{start}, by the releases that anglers reported: **{deaths_of(line).words}** Chinook "
        f"died {bracket(line)}{_parts(told, area)}.{_ends(told, line)}"
    )
    if line["catch_variance_prop"] is not None and has_rate_error(told, area):
        words += (
            f" Of the error, {percent(line['catch_variance_prop'])} comes from counting the fish, "
            "the rest from the rates."
        )
    return words + beside(told, area)


def beside(told: Released, area: str | None) -> str:
    """Return the same total by the sample, where the bulletin has it."""
    line = total(told, area, table=SAMPLED_DEATHS)
    if line is None:
        return ""
    if line["deaths"] is None:
        why = line["reason"] or "the bulletin does not say why"
        return f" At the composition of test fishing there is no total ({numbers.plain(why)})."
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
    return line["rate_prop"] is not None and line["fate"] in ("released", "drop_off")


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
    if has_code(line.get("reason_codes"), "of_kept"):
        return "kept"
    if has_code(line.get("reason_codes"), "of_encounters"):
        return "met"
    lost = sum(one["fish"] or 0.0 for one in lines if one["fate"] == "drop_off" and not is_sum(one))
    kept = sum(one["fish"] or 0.0 for one in lines if one["fate"] == "kept")
    return "kept" if lost and math.isclose(lost, kept) else "met"


def fish_of(line: Line) -> Measurement:
    """Return the fish of a line, in the digits that their error allows."""
    return Measurement(line["fish"], *_about(line["fish"], line["fish_se"]))


def _about(value: float | None, se: float | None) -> tuple[float | None, float | None]:
    """Return a standard error to either side, which decides the digits of a number."""
    return (None, None) if value is None or not se else (value - se, value + se)


# Deaths as dots: the totals by reports and by the sample, the groups, the areas.

#: Groups with a smaller part of all deaths stand in the table alone.
LEAST_PART = 0.01
NAMES = (
    ("sea", "at the composition of test fishing"),
    ("copper", "releases as anglers reported them"),
    ("bar", "interval, from the fish and the rate"),
    ("thin", "the same fish at the low and the high end of the rate"),
)
_BASES = {SAMPLED_DEATHS: SAMPLED, "deaths": REPORTED}


def sums(told: Released, area: str | None) -> list[ForestRow]:
    """Return kept, released, lost and all deaths of a domain, by the sample and by reports."""
    found = []
    for fate, usual in FATES.items():
        for table, basis in _BASES.items():
            every = groups(told, area, table=table)
            mine = [one for one in totals(every) if one["fate"] == fate]
            names = [DIED.get(fate, usual)] if len(mine) == 1 else [label(one) for one in mine]
            found += [
                _dot(name, one, every, basis=basis) for name, one in zip(names, mine, strict=True)
            ]
    return known(found)


def by_group(told: Released, area: str | None) -> list[ForestRow]:
    """Return reported deaths, a dot for each group of fish; small groups are left out."""
    whole = total(told, area)
    least = LEAST_PART * ((whole["deaths"] if whole else None) or 0.0)
    every = groups(told, area)
    return known(
        [
            _dot(label(line, short=True), line, every, basis=REPORTED)
            for line in every
            if line["deaths"] is None or line["deaths"] >= least
        ]
    )


def by_area(book: BulletinIndex, told: Released) -> list[ForestRow]:
    """Return all deaths together, by the sample and by reports, for each area."""
    found = []
    for area in book.areas:
        for table, basis in _BASES.items():
            line = total(told, area, table=table)
            if line is not None:
                found.append(_dot(book.name(area), line, (), basis=basis))
    return known(found)


def known(dots: list[ForestRow]) -> list[ForestRow]:
    """Return the dots of a figure; none where not one of them has a number."""
    return dots if any(dot.amount.value is not None for dot in dots) else []


def _dot(name: str, line: Line, every: Sequence[Line], *, basis: str) -> ForestRow:
    lines = []
    if line["fish"] is not None and line["rate_prop"] is not None:
        fish = f"{fish_of(line).words} {out_of(line, every)}"
        lines.append(f"{fish}, at a rate of {rate_of(line).words}")
    lines += [one for one in (line["evidence"], line["reason"]) if one]
    words = "\n".join(lines)
    return ForestRow(name, deaths_of(line), thin=span_of(line), hue=HUE[basis], words=words)


# Deaths of the season by group of fish, as tables.

_HEADS = ("Fish", "Out of", "Rate", "Deaths", "Rates low to high", "Source and notes")
SMALL = (
    "Deep: hooked in gills, throat or gut, or bleeding. Groups with under 1 % of the deaths stand "
    "in the table alone."
)
ALL_RATES = (
    "Low and high in the line of all together take every rate at its low end, or every rate at "
    "its high end, at once: a wider span than chance alone would give, and no interval."
)


def table(
    book: BulletinIndex, told: Released, areas: Sequence[str | None], *, is_short: bool = False
) -> str:
    """Return deaths as an HTML table, a domain after the other; `is_short` leaves out parts.

    Notes that several lines share are left out: `shared_notes` has them.
    """
    shared = _shared(told, areas, is_short=is_short)
    parts: list[tuple[str, list[tuple[Line, list[str]]]]] = []
    for area in areas:
        for basis, name in _headings(book, told, area).items():
            every = groups(told, area, table=basis)
            shown = totals(every) if is_short else every
            parts.append((name, [(one, _values(one, every, shared=shared)) for one in shown]))
    used = _used([values for _, of_domain in parts for _, values in of_domain])
    heads = (_HEADS[0], *(_HEADS[1 + at] for at in used))
    lines = []
    for name, of_domain in parts:
        lines.append(html_tables.group(heads, name))
        lines += [
            html_tables.line(heads, label(one), [values[at] for at in used], is_all=is_sum(one))
            for one, values in of_domain
        ]
        lines += [] if of_domain else [html_tables.words_line(heads, "no fish met")]
    return html_tables.table(heads, lines, kind="bm-rates")


def _used(lines: Sequence[Sequence[str]]) -> list[int]:
    """Return the columns in which some line has more than a dash."""
    return [
        at
        for at in range(len(_HEADS) - 1)
        if not lines or any(values[at] != numbers.DASH for values in lines)
    ]


def shared_notes(told: Released, areas: Sequence[str | None], *, is_short: bool = False) -> str:
    """Return the notes that several lines of `table` share, once; empty where there are none."""
    return classes.sentence(_shared(told, areas, is_short=is_short))


def _shared(told: Released, areas: Sequence[str | None], *, is_short: bool) -> list[str]:
    found = [
        groups(told, area, table=basis) for area in areas for basis in ("deaths", SAMPLED_DEATHS)
    ]
    return classes.shared(
        [one for lines in found for one in (totals(lines) if is_short else lines)]
    )


def _headings(book: BulletinIndex, told: Released, area: str | None) -> dict[str, str]:
    """Return the heading of a domain for each table that has lines: reports, then the sample."""
    name = head(book, area)
    if not told.of(SAMPLED_DEATHS, area):
        return {"deaths": name}
    return {
        "deaths": f"{name}, releases as reported",
        SAMPLED_DEATHS: f"{name}, at the composition of test fishing",
    }


def _values(line: Line, every: Sequence[Line], *, shared: Sequence[str]) -> list[str]:
    fish = fish_of(line)
    deaths = deaths_of(line)
    has_none = line["rate_prop"] is None or line["fate"] == "kept"
    error = f"± {fish.shown(line['fish_se'])}" if line["fish_se"] else ""
    return [
        numbers.DASH
        if fish.value is None
        else f"{fish.words} {out_of(line, every)}" + html_tables.small(error),
        numbers.DASH if has_none else _rate(rate_of(line)),
        _deaths(line, deaths),
        numbers.DASH if deaths.value is None else deaths.between(*span_of(line)) or numbers.DASH,
        source_of(line, shared=shared),
    ]


def _deaths(line: Line, deaths: Measurement) -> str:
    if deaths.value is None:
        return numbers.DASH
    if is_certain(line):
        return deaths.words + html_tables.small("no error")
    return html_tables.amount(deaths)


def _rate(rate: Measurement) -> str:
    return rate.words + html_tables.small(rate.limits or "no error given")


def source_of(line: Line, *, shared: Sequence[str] = ()) -> str:
    """Return where a rate is from, how far to trust it, and its own notes, as HTML."""
    parts = [line["source"] or "", line["evidence"] or ""]
    if (line["evidence"] or "") in (line["source"] or ""):
        parts = parts[:1]
    return html_tables.small(*parts, classes.own(line, shared=shared)) or numbers.DASH
