"""Deaths of the season by group of fish, in words, dots and tables."""

from __future__ import annotations

import math
from itertools import product
from typing import TYPE_CHECKING

import streamlit as st

from analytics.codes import has_code
from analytics.rounding import DASH, percent
from analytics.wording import numbers
from analytics.wording.numbers import Measurement, NumberKind
from dashboard import html_tables, page_frame
from dashboard.charts.forest import ForestRow, known_rows
from dashboard.released import classes
from dashboard.released.classes import HUE
from dashboard.released.records import REPORTED, SAMPLED, SAMPLED_DEATHS, head, start, when

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.filters import Choice
    from dashboard.released.records import Line, Released


_SIZES = {"unknown": "size unknown", "any": "", None: ""}
_WOUNDS = {"deep": "deep", "shallow": "not deep"}
#: Order of the fates, and the words of one without further detail.
FATES = {"kept": "kept", "released": "released", "drop_off": "drop-off", "all": "all together"}
#: The fates of a sum in words, as the answer tells them.
DIED = {"kept": "kept", "released": "dead after release", "drop_off": "drop-off"}
NO_ERROR = "neither the fish nor the rates have an error"


def total(released: Released, area: str | None, *, table: str = "deaths") -> Line | None:
    """Return the line of all deaths of a domain."""
    return next((one for one in released.of(table, area) if one["fate"] == "all"), None)


def deaths_of(line: Line) -> Measurement:
    """Return the deaths of a line with their interval; one without width is none."""
    return _without_width(numbers.of_line(line, "deaths"))


def rate_of(line: Line) -> Measurement:
    """Return the rate of a line with its interval, as far as it has one."""
    ends = ("rate_low", "rate_high")
    return _without_width(numbers.of_line(line, "rate_prop", NumberKind.SHARE, ends=ends))


def _without_width(one: Measurement) -> Measurement:
    return Measurement(one.value, sort=one.sort) if one.low == one.high else one


def is_certain(line: Line) -> bool:
    """Return whether the deaths of a line are without error: the fish counted, the rates too."""
    return line["se"] == 0 or (line["ci_low"] is not None and line["ci_low"] == line["ci_high"])


def bracket(line: Line) -> str:
    """Return the interval of the deaths of a line in brackets, or why it has none (Markdown)."""
    if is_certain(line):
        return f"({NO_ERROR})"
    return numbers.plain(deaths_of(line).bracket(line["ci_level"]))


def deaths_answer(index: BulletinIndex, released: Released, areas: Sequence[str | None]) -> str:
    """Return what the season cost, in sentences (Markdown)."""
    if not released.lines["deaths"]:
        return (
            "There are no deaths to show: no release rates were imported (table `release_rates`), "
            "or no fish was met."
        )
    return "\n\n".join(_answer_of(index, released, area) for area in areas)


def _answer_of(index: BulletinIndex, released: Released, area: str | None) -> str:
    line, place = total(released, area), f"{start(index, area)}, {when(index)}"
    if line is None or line["deaths"] is None:
        why = (line["reason"] if line else None) or "the bulletin has no such line"
        words = f"{place}: no total of deaths by the releases that anglers reported"
        return f"{words} ({numbers.plain(why)}).{beside(released, area)}"
    words = (
        f"{place}, by the releases that anglers reported: **{deaths_of(line).words}** Chinook "
        f"died {bracket(line)}{_parts(released, area)}.{_ends(released, line)}"
    )
    if line["catch_variance_prop"] is not None and has_rate_error(released, area):
        words += (
            f" Of the error, {percent(line['catch_variance_prop'])} comes from counting the fish, "
            "the rest from the rates."
        )
    return words + beside(released, area)


def beside(released: Released, area: str | None) -> str:
    """Return the same total by the sample, where the bulletin has it."""
    line = total(released, area, table=SAMPLED_DEATHS)
    if line is None:
        return ""
    if line["deaths"] is None:
        why = line["reason"] or "the bulletin does not say why"
        return f" Using the composition of test fishing, there is no total ({numbers.plain(why)})."
    return (
        f" Using the composition of test fishing, the total is **{deaths_of(line).words}** "
        f"{bracket(line)}."
    )


def _parts(released: Released, area: str | None) -> str:
    """Return the deaths by how the fish died."""
    lines = {one["fate"]: one for one in totals(groups(released, area))}
    known = [
        f"**{deaths_of(line).words}** {words}"
        for fate, words in DIED.items()
        if (line := lines.get(fate)) and line["deaths"] is not None
    ]
    return f": {', '.join(known)}" if len(known) > 1 else ""


def _ends(released: Released, line: Line) -> str:
    """Return the deaths at either end of the rates, or that the rates have none."""
    deaths, (low, high) = deaths_of(line), span_of(line)
    if low is not None and high is not None:
        return (
            f" With every rate at its low end it is {deaths.shown(low)}, at its high end "
            f"{deaths.shown(high)}."
        )
    if not _rated(released, line["area"]):
        return ""
    if has_rate_error(released, line["area"]):
        return " Some of the rates have no error, so low and high ends are not given."
    return " The rates have no error."


def has_rate_error(released: Released, area: str | None) -> bool:
    """Return whether any rate of a domain has an error."""
    return any(one["rate_se"] for one in _rated(released, area))


def _rated(released: Released, area: str | None) -> list[Line]:
    return [
        one
        for one in released.of("deaths", area)
        if one["rate_prop"] is not None and one["fate"] in ("released", "drop_off")
    ]


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


def groups(released: Released, area: str | None, *, table: str = "deaths") -> list[Line]:
    """Return the lines of a domain: kept, released, drop-off, all together."""
    order = list(FATES)
    found = released.of(table, area)
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
    """Return what the fish of a line are: kept, released, or met for drop-off.

    `lines` are all lines of its domain: fish drop-off are counted of the fish kept where
    the line says so, or where the two agree.
    """
    if line["fate"] in ("kept", "released"):
        return str(line["fate"])
    for code, words in (("of_kept", "kept"), ("of_encounters", "met")):
        if has_code(line.get("reason_codes"), code):
            return words
    dropped = sum(
        one["fish"] or 0.0 for one in lines if one["fate"] == "drop_off" and not is_sum(one)
    )
    kept = sum(one["fish"] or 0.0 for one in lines if one["fate"] == "kept")
    return "kept" if dropped and math.isclose(dropped, kept) else "met"


def fish_of(line: Line) -> Measurement:
    """Return the fish of a line; a standard error to either side decides their digits."""
    fish, se = line["fish"], line["fish_se"]
    return Measurement(fish, *((None, None) if fish is None or not se else (fish - se, fish + se)))


# Deaths as dots: the totals by reports and by the sample, the groups, the areas.

#: Groups with a smaller part of all deaths stand in the table alone.
LEAST_PART = 0.01
NAMES = (
    ("sea", "using the composition of test fishing"),
    ("copper", "releases as anglers reported them"),
    ("bar", "interval, from the fish and the rate"),
    ("thin", "the same fish at the low and the high end of the rate"),
)
_BASES = {SAMPLED_DEATHS: SAMPLED, "deaths": REPORTED}


def sums(released: Released, area: str | None) -> list[ForestRow]:
    """Return kept, released, dropped off and all deaths of a domain, by sample and by reports."""
    found = []
    for (fate, usual), (table, basis) in product(FATES.items(), _BASES.items()):
        every = groups(released, area, table=table)
        mine = [one for one in totals(every) if one["fate"] == fate]
        for one in mine:
            name = DIED.get(fate, usual) if len(mine) == 1 else label(one)
            found.append(_dot(name, one, every, basis=basis))
    return known_rows(found)


def by_group(released: Released, area: str | None) -> list[ForestRow]:
    """Return reported deaths, a dot for each group of fish; small groups are left out."""
    every, of_all = groups(released, area), total(released, area)
    least = LEAST_PART * ((of_all["deaths"] if of_all else None) or 0.0)
    return known_rows(
        [
            _dot(label(line, short=True), line, every, basis=REPORTED)
            for line in every
            if line["deaths"] is None or line["deaths"] >= least
        ]
    )


def by_area(index: BulletinIndex, released: Released) -> list[ForestRow]:
    """Return all deaths together, by the sample and by reports, for each area."""
    return known_rows(
        [
            _dot(index.name(area), line, (), basis=basis)
            for area, (table, basis) in product(index.areas, _BASES.items())
            if (line := total(released, area, table=table)) is not None
        ]
    )


def title(line: Line | None, *, where: str, by: str = "by releases as reported") -> str:
    """Return the finding of a figure: how many died in all."""
    if line is None or line["deaths"] is None:
        return f"{where}: no total of deaths {by}"
    return f"{where}: {deaths_of(line).words} Chinook died, {by}"


def areas_title(index: BulletinIndex, released: Released) -> str:
    """Return the finding of the figure of areas: where most died, by reports."""
    lines = {area: total(released, area) for area in index.areas}
    known = {area: one for area, one in lines.items() if one and one["deaths"] is not None}
    if not known:
        return "All deaths, by area"
    most = max(known, key=lambda area: known[area]["deaths"])
    return f"Most died in {index.name(most)}: {deaths_of(known[most]).words}, as reported"


def groups_title(released: Released, area: str | None, *, where: str) -> str:
    """Return the finding of the figure of groups: which has the most deaths, by reports."""
    every = [
        one
        for one in groups(released, area)
        if one["deaths"] is not None and one["fate"] != "all" and not is_sum(one)
    ]
    if not every:
        return f"{where}: deaths by group, as reported"
    most = max(every, key=lambda one: one["deaths"])
    return f"{where}: most deaths, {label(most)}, {deaths_of(most).words}, as reported"


def _dot(name: str, line: Line, every: Sequence[Line], *, basis: str) -> ForestRow:
    lines = [line["evidence"], line["reason"]]
    if line["fish"] is not None and line["rate_prop"] is not None:
        fish = f"{fish_of(line).words} {out_of(line, every)}"
        lines.insert(0, f"{fish}, at a rate of {rate_of(line).words}")
    words = "\n".join(one for one in lines if one)
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
    index: BulletinIndex, released: Released, areas: Sequence[str | None], *, is_short: bool = False
) -> str:
    """Return deaths as an HTML table, a domain after the other; `is_short` leaves out parts.

    Notes that several lines share are left out: `shared_notes` has them.
    """
    shared = shared_notes(released, areas, is_short=is_short)
    parts: list[tuple[str, list[tuple[Line, list[str]]]]] = []
    for area in areas:
        for basis, name in _headings(index, released, area).items():
            every = groups(released, area, table=basis)
            shown = totals(every) if is_short else every
            parts.append((name, [(one, _values(one, every, shared=shared)) for one in shown]))
    # Columns in which no line has more than a dash are left out.
    all_values = [values for _, of_domain in parts for _, values in of_domain]
    used = [
        at
        for at in range(len(_HEADS) - 1)
        if not all_values or any(values[at] != DASH for values in all_values)
    ]
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


def shared_notes(
    released: Released, areas: Sequence[str | None], *, is_short: bool = False
) -> list[str]:
    """Return the notes that several lines of `table` share, each once."""
    both = product(areas, ("deaths", SAMPLED_DEATHS))
    found = [groups(released, area, table=basis) for area, basis in both]
    return classes.shared([one for of in found for one in (totals(of) if is_short else of)])


def _headings(index: BulletinIndex, released: Released, area: str | None) -> dict[str, str]:
    """Return the heading of a domain for each table that has lines: reports, then the sample."""
    name = head(index, area)
    if not released.of(SAMPLED_DEATHS, area):
        return {"deaths": name}
    return {
        "deaths": f"{name}, releases as reported",
        SAMPLED_DEATHS: f"{name}, using the composition of test fishing",
    }


def _values(line: Line, every: Sequence[Line], *, shared: Sequence[str]) -> list[str]:
    fish, rate, deaths = fish_of(line), rate_of(line), deaths_of(line)
    cells = [DASH] * 4
    if fish.value is not None:
        error = f"± {fish.shown(line['fish_se'])}" if line["fish_se"] else ""
        cells[0] = f"{fish.words} {out_of(line, every)}" + html_tables.small(error)
    if rate.value is not None and line["fate"] != "kept":
        cells[1] = rate.words + html_tables.small(rate.limits or "no error given")
    if deaths.value is not None:
        certain = deaths.words + html_tables.small("no error")
        cells[2] = certain if is_certain(line) else html_tables.amount(deaths)
        cells[3] = deaths.between(*span_of(line)) or DASH
    return [*cells, source_of(line, shared=shared)]


def source_of(line: Line, *, shared: Sequence[str] = ()) -> str:
    """Return where a rate is from, how far to trust it, and its own notes, as HTML."""
    parts = [line["source"] or "", line["evidence"] or ""]
    if (line["evidence"] or "") in (line["source"] or ""):
        parts = parts[:1]
    return html_tables.small(*parts, classes.own(line, shared=shared)) or DASH


# The part of the page.


def draw(choice: Choice, released: Released) -> None:
    """Draw deaths by how the fish died, by group of fish and by area."""
    index = choice.index
    page_frame.lead(deaths_answer(index, released, choice.domains))
    if not released.lines["deaths"]:
        return
    found = {area: rows for area in choice.domains if (rows := sums(released, area))}
    areas = [] if choice.areas else by_area(index, released)
    if found or areas:
        st.header("Deaths, the season so far", anchor=False)
        page_frame.forest_signs([row for rows in (*found.values(), areas) for row in rows], NAMES)
    for area, rows in found.items():
        said, key = (
            title(total(released, area), where=head(index, area)),
            f"released-deaths-{area or 'all'}",
        )
        page_frame.forest_panel(rows, title=said, key=key, of="Deaths", names=NAMES)
    if areas:
        said, key = areas_title(index, released), "released-deaths-areas"
        page_frame.forest_panel(areas, title=said, key=key, of="Deaths", names=NAMES)
    st.caption(ALL_RATES)
    _draw_table(choice, released, choice.domains, is_short=True)
    with st.expander("Each group of fish, with its rate and where that is from"):
        for area in choice.domains:
            if rows := by_group(released, area):
                said = groups_title(released, area, where=head(index, area))
                key = f"released-groups-{area or 'all'}"
                page_frame.forest_panel(rows, title=said, key=key, of="Deaths by group")
        st.caption(SMALL)
        _draw_table(choice, released, choice.domains)
    if not choice.areas:
        with st.expander("The same by area"):
            _draw_table(choice, released, index.areas, is_short=True)
    page_frame.downloads(choice, deaths="the deaths")


def _draw_table(
    choice: Choice, released: Released, areas: Sequence[str | None], *, is_short: bool = False
) -> None:
    """Draw a table of deaths, and below it once what its lines share."""
    st.html(table(choice.index, released, areas, is_short=is_short))
    classes.draw_shared(shared_notes(released, areas, is_short=is_short))
