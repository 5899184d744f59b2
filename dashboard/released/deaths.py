"""Deaths of the season by group of fish, in words, dots and tables."""

from __future__ import annotations

import math
from itertools import product
from typing import TYPE_CHECKING, Any

import streamlit as st

from analytics.codes import has_code
from analytics.precision import DASH, percent
from analytics.wording import numbers
from analytics.wording.numbers import Measurement, NumberKind
from dashboard import html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts.forest import ForestRow, known_rows
from dashboard.released import classes
from dashboard.released.classes import HUE
from dashboard.released.records import REPORTED, SAMPLED, SAMPLED_DEATHS, head, start, when

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.filters import Choice
    from dashboard.released.records import Line, Released


_SIZES = {"unknown": phrase("size unknown"), "any": "", None: ""}
_WOUNDS = {"deep": phrase("deep"), "shallow": phrase("not deep")}
#: Order of the fates, and the words of one without further detail.
FATES = {
    "kept": phrase("kept"),
    "released": phrase("released"),
    "drop_off": phrase("drop-off"),
    "all": phrase("all together"),
}
#: The fates of a sum in words, as the answer tells them.
DIED = {
    "kept": phrase("kept"),
    "released": phrase("dead after release"),
    "drop_off": phrase("drop-off"),
}
NO_ERROR = phrase("neither the fish nor the rates have an error")


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
        return f"({say(NO_ERROR)})"
    return numbers.plain(deaths_of(line).bracket(line["ci_level"]))


def deaths_answer(index: BulletinIndex, released: Released, areas: Sequence[str | None]) -> str:
    """Return what the season cost, in sentences (Markdown)."""
    if not released.lines["deaths"]:
        return say(
            "There are no deaths to show: no release rates were imported (table `release_rates`), "
            "or no fish was met."
        )
    return "\n\n".join(_answer_of(index, released, area) for area in areas)


def _answer_of(index: BulletinIndex, released: Released, area: str | None) -> str:
    line, place = total(released, area), f"{start(index, area)}, {when(index)}"
    if line is None or line["deaths"] is None:
        why = (line["reason"] if line else None) or say("the bulletin has no such line")
        words = say(
            "{where}: no total of deaths by the releases that anglers reported ({why}).",
            where=place,
            why=numbers.plain(why),
        )
        return words + beside(released, area)
    words = say(
        "{where}, by the releases that anglers reported: **{fish}** Chinook died "
        "{range}{parts}.{ends}",
        where=place,
        fish=deaths_of(line).words,
        range=bracket(line),
        parts=_parts(released, area),
        ends=_ends(released, line),
    )
    if line["catch_variance_prop"] is not None and has_rate_error(released, area):
        words += say(
            " Of the error, {share} comes from counting the fish, the rest from the rates.",
            share=percent(line["catch_variance_prop"]),
        )
    return words + beside(released, area)


def beside(released: Released, area: str | None) -> str:
    """Return the same total by the sample, where the bulletin has it."""
    line = total(released, area, table=SAMPLED_DEATHS)
    if line is None:
        return ""
    if line["deaths"] is None:
        why = line["reason"] or say("the bulletin does not say why")
        return say(
            " Using the composition of test fishing, there is no total ({why}).",
            why=numbers.plain(why),
        )
    return say(
        " Using the composition of test fishing, the total is **{fish}** {range}.",
        fish=deaths_of(line).words,
        range=bracket(line),
    )


def _parts(released: Released, area: str | None) -> str:
    """Return the deaths by how the fish died."""
    lines = {one["fate"]: one for one in totals(groups(released, area))}
    known = [
        f"**{deaths_of(line).words}** {say(words)}"
        for fate, words in DIED.items()
        if (line := lines.get(fate)) and line["deaths"] is not None
    ]
    return f": {', '.join(known)}" if len(known) > 1 else ""


def _ends(released: Released, line: Line) -> str:
    """Return the deaths at either end of the rates, or that the rates have none."""
    deaths, (low, high) = deaths_of(line), span_of(line)
    if low is not None and high is not None:
        return say(
            " With every rate at its low end it is {low}, at its high end {high}.",
            low=deaths.shown(low),
            high=deaths.shown(high),
        )
    if not _rated(released, line["area"]):
        return ""
    if has_rate_error(released, line["area"]):
        return say(" Some of the rates have no error, so low and high ends are not given.")
    return say(" The rates have no error.")


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
        return say(FATES[fate])
    if is_sum(line):
        return say("{fate}, all together", fate=say(FATES.get(fate) or fate))
    parts: list[Any] = [_SIZES.get(size, size)]
    if fate != "released" or not (short and parts[0]):
        parts.insert(0, FATES.get(fate, fate))
    parts += [method, _WOUNDS.get(line["wound_class"])]
    return ", ".join(say(part) for part in parts if part)


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
    ("sea", phrase("using the composition of test fishing")),
    ("copper", phrase("releases as anglers reported them")),
    ("bar", phrase("interval, from the fish and the rate")),
    ("thin", phrase("the same fish at the low and the high end of the rate")),
)
_BASES = {SAMPLED_DEATHS: SAMPLED, "deaths": REPORTED}


def sums(released: Released, area: str | None) -> list[ForestRow]:
    """Return kept, released, dropped off and all deaths of a domain, by sample and by reports."""
    found = []
    for (fate, usual), (table, basis) in product(FATES.items(), _BASES.items()):
        every = groups(released, area, table=table)
        mine = [one for one in totals(every) if one["fate"] == fate]
        for one in mine:
            name = say(DIED.get(fate, usual)) if len(mine) == 1 else label(one)
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


def title(line: Line | None, *, where: str) -> str:
    """Return the finding of a figure: how many died in all."""
    if line is None or line["deaths"] is None:
        return say("{where}: no total of deaths by releases as reported", where=where)
    fish = deaths_of(line).words
    return say("{where}: {fish} Chinook died, by releases as reported", where=where, fish=fish)


def areas_title(index: BulletinIndex, released: Released) -> str:
    """Return the finding of the figure of areas: where most died, by reports."""
    lines = {area: total(released, area) for area in index.areas}
    known = {area: one for area, one in lines.items() if one and one["deaths"] is not None}
    if not known:
        return say("All deaths, by area")
    most = max(known, key=lambda area: known[area]["deaths"])
    return say(
        "Most died in {area}: {fish}, as reported",
        area=index.name(most),
        fish=deaths_of(known[most]).words,
    )


def groups_title(released: Released, area: str | None, *, where: str) -> str:
    """Return the finding of the figure of groups: which has the most deaths, by reports."""
    every = [
        one
        for one in groups(released, area)
        if one["deaths"] is not None and one["fate"] != "all" and not is_sum(one)
    ]
    if not every:
        return say("{where}: deaths by group, as reported", where=where)
    most = max(every, key=lambda one: one["deaths"])
    return say(
        "{where}: most deaths, {group}, {fish}, as reported",
        where=where,
        group=label(most),
        fish=deaths_of(most).words,
    )


def _dot(name: str, line: Line, every: Sequence[Line], *, basis: str) -> ForestRow:
    lines = [line["evidence"], line["reason"]]
    if line["fish"] is not None and line["rate_prop"] is not None:
        fish = f"{fish_of(line).words} {out_of(line, every)}"
        lines.insert(0, say("{fish}, at a rate of {rate}", fish=fish, rate=rate_of(line).words))
    words = "\n".join(one for one in lines if one)
    return ForestRow(name, deaths_of(line), thin=span_of(line), hue=HUE[basis], words=words)


# Deaths of the season by group of fish, as tables.

_HEADS = (
    phrase("Fish"),
    phrase("Out of"),
    phrase("Rate"),
    phrase("Deaths"),
    phrase("Rates low to high"),
    phrase("Source and notes"),
)
SMALL = phrase(
    "Deep: hooked in gills, throat or gut, or bleeding. Groups with under 1 % of the deaths stand "
    "in the table alone."
)
ALL_RATES = phrase(
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
        lines += [] if of_domain else [html_tables.words_line(heads, say("no fish met"))]
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
        "deaths": say("{area}, releases as reported", area=name),
        SAMPLED_DEATHS: say("{area}, using the composition of test fishing", area=name),
    }


def _values(line: Line, every: Sequence[Line], *, shared: Sequence[str]) -> list[str]:
    fish, rate, deaths = fish_of(line), rate_of(line), deaths_of(line)
    cells = [DASH] * 4
    if fish.value is not None:
        error = f"± {fish.shown(line['fish_se'])}" if line["fish_se"] else ""
        cells[0] = f"{fish.words} {out_of(line, every)}" + html_tables.small(error)
    if rate.value is not None and line["fate"] != "kept":
        cells[1] = rate.words + html_tables.small(rate.limits or say("no error given"))
    if deaths.value is not None:
        certain = deaths.words + html_tables.small(say("no error"))
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
        st.header(say("Deaths, the season so far"), anchor=False)
        page_frame.forest_signs([row for rows in (*found.values(), areas) for row in rows], NAMES)
    for area, rows in found.items():
        said, key = (
            title(total(released, area), where=head(index, area)),
            f"released-deaths-{area or 'all'}",
        )
        page_frame.forest_panel(rows, title=said, key=key, of=say("Deaths"), names=NAMES)
    if areas:
        said, key = areas_title(index, released), "released-deaths-areas"
        page_frame.forest_panel(areas, title=said, key=key, of=say("Deaths"), names=NAMES)
    st.caption(say(ALL_RATES))
    _draw_table(choice, released, choice.domains, is_short=True)
    with st.expander(say("Each group of fish, with its rate and where that is from")):
        for area in choice.domains:
            if rows := by_group(released, area):
                said = groups_title(released, area, where=head(index, area))
                key = f"released-groups-{area or 'all'}"
                page_frame.forest_panel(rows, title=said, key=key, of=say("Deaths by group"))
        st.caption(say(SMALL))
        _draw_table(choice, released, choice.domains)
    if not choice.areas:
        with st.expander(say("The same by area")):
            _draw_table(choice, released, index.areas, is_short=True)
    page_frame.downloads(choice, deaths=say("the deaths"))


def _draw_table(
    choice: Choice, released: Released, areas: Sequence[str | None], *, is_short: bool = False
) -> None:
    """Draw a table of deaths, and below it once what its lines share."""
    st.html(table(choice.index, released, areas, is_short=is_short))
    classes.draw_shared(shared_notes(released, areas, is_short=is_short))
