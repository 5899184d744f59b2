"""Lengths of measured fish and the share that would be legal, in words, tables and figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.codes import sentences
from analytics.precision import DASH
from analytics.propagation import power_mean
from analytics.quantities import capitalised
from analytics.units import Length, Units, both_lengths, length_number, length_words, weight_words
from analytics.wording import numbers
from analytics.wording.numbers import NumberKind
from dashboard import filters, html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts import bars, curves
from dashboard.released.records import head, start, when

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.numbers import Measurement
    from dashboard.filters import Choice
    from dashboard.released.records import Line, Released

#: Sources of measured fish with their words.
SOURCES = {
    "test_fishing": phrase("Test fishing: fish met"),
    "dockside": phrase("Dockside: fish kept"),
}
BY_AREA = phrase(
    "Test fishing by area; each panel has its own scale. Choose an area to see fish kept there too."
)
_HEADS = (phrase("Test fishing"), phrase("Dockside"))
_SHARE_HEADS = (
    phrase("Minimum length"),
    phrase("Share that would be legal"),
    phrase("Legal of measured"),
)
#: Lines of the table of legal shares are this far apart, and up to this far from the minimum in
#: force, in millimetres; the download has all.
STEP_MM, REACH_MM = 50, 150
#: Why a domain has no legal shares, where its lines do not say.
_NO_FISH = phrase("no fish of test fishing there")
#: How far from the rule the answer looks, in millimetres.
AWAY_MM = 40
ONLY_MET = phrase(
    "Only test fishing meets small fish: at the landing site all but kept fish are missing, so "
    "the legal share comes from test fishing alone. Fish on the line count as legal."
)


def bins(released: Released, area: str | None, *, source: str, week: str | None) -> list[Line]:
    """Return the bins of a domain added up, in order; `week` None is the season so far."""
    found: dict[float, Line] = {}
    for line in released.lines["lengths"]:
        is_here = area is None or line["area"] == area
        if line["source"] != source or not is_here or week not in (None, line["week"]):
            continue
        counts = ("fish", "marked", "converted")
        place = {name: line[name] for name in ("bin_low_mm", "bin_mm")}
        mine = found.setdefault(line["bin_low_mm"], place | dict.fromkeys(counts, 0))
        for name in counts:
            mine[name] += line[name] or 0
    return [found[low] for low in sorted(found)]


def weeks(released: Released) -> list[str]:
    """Return the weeks with a measured fish, the last first."""
    return sorted(
        {line["week"] for line in released.lines["lengths"] if line["week"]}, reverse=True
    )


def rules(released: Released, area: str | None) -> list[float]:
    """Return the legal minimum lengths of a domain."""
    found = {
        line["min_length_mm"]
        for line in released.lines["lengths"]
        if (area is None or line["area"] == area) and line["min_length_mm"] is not None
    }
    return sorted(found)


def span(released: Released) -> tuple[float, float]:
    """Return the ends of the length axis, the same for every figure."""
    lows = [line["bin_low_mm"] for line in released.lines["lengths"]]
    ends = [line["bin_low_mm"] + line["bin_mm"] for line in released.lines["lengths"]]
    return (min(lows) - 10, max(ends) + 10) if lows else (0.0, 1000.0)


def mean_weight(released: Released, mm: float) -> float | None:
    """Return the mean weight of fish of a total length, g, by the fish weighed; None without."""
    weighed = ("weight_g", "total_length_mm", "power")
    for line in released.lines["conversions"]:
        if (line["target"], line["given"], line["form"]) == weighed:
            of = {name: line[name] for name in ("intercept", "slope", "residual_sd")}
            return None if None in of.values() else float(power_mean(mm, **of))
    return None


def legal_answer(
    index: BulletinIndex,
    released: Released,
    areas: Sequence[str | None],
    unit: Length = Length.MM,
) -> str:
    """Return which share of the fish met is legal, in sentences (Markdown)."""
    if not released.lines["lengths"] and not released.lines["legal_share"]:
        return say("There are no lengths to show: no fish was measured this season.")
    return "\n\n".join(_answer_of(index, released, area, unit) for area in areas)


def _answer_of(index: BulletinIndex, released: Released, area: str | None, unit: Length) -> str:
    place, lines = start(index, area), shares(released, area)
    rule = next((one for one in lines if one["is_rule"]), None)
    if rule is None or rule["share"] is None:
        reason = next((one["reason"] for one in lines if one["reason"]), "")
        why = (rule["reason"] if rule else "") or reason
        why = numbers.plain(why or say("no fish of test fishing was measured"))
        return say("{where} no share of legal fish can be given: {why}.", where=place, why=why)
    share = share_of(rule)
    words = say(
        "{where}, **{share}** of the {n_fish:,} fish measured in test fishing were of legal "
        "length, {length} or more {range}",
        where=place,
        share=share.words,
        n_fish=rule["n_fish"],
        length=both_lengths(rule["min_length_mm"], unit),
        range=numbers.plain(share.bracket(rule["ci_level"])),
    )
    others = [_near(lines, rule["min_length_mm"] + off) for off in (-AWAY_MM, AWAY_MM)]
    parts = [
        say(
            "{share} at {length}",
            share=share_of(one).words,
            length=length_words(one["min_length_mm"], unit),
        )
        for one in others
        if one is not None and one is not rule
    ]
    if not parts:
        return f"{words}."
    return say("{now}; it would be {others}.", now=words, others=say(" and ").join(parts))


def _near(lines: Sequence[Line], length: float) -> Line | None:
    """Return the line at a minimum length, within half a step of the grid."""
    known = [one for one in lines if one["share"] is not None]
    nearest = min(known, key=lambda one: abs(one["min_length_mm"] - length), default=None)
    return nearest if nearest and abs(nearest["min_length_mm"] - length) <= 6 else None


def shares(released: Released, area: str | None) -> list[Line]:
    """Return the legal shares of a domain by minimum length."""
    found = released.of("legal_share", area)
    return sorted(found, key=lambda one: one["min_length_mm"] or 0.0)


def share_of(line: Line) -> Measurement:
    """Return a legal share with its interval."""
    return numbers.of_line(line, "share", NumberKind.SHARE)


def table(test: Sequence[Line], dockside: Sequence[Line], released: Released, units: Units) -> str:
    """Return fish by length as an HTML table, with their mean weight where fish were weighed."""
    heads = [say("Total length, {unit}", unit=units.length), *map(say, _HEADS)]
    if mean_weight(released, 1.0) is not None:
        heads.append(say("Weight in the middle, about"))
    by_low = [{one["bin_low_mm"]: one for one in found} for found in (test, dockside)]
    lines = []
    for low in sorted({*by_low[0], *by_low[1]}):
        ones = [found.get(low) for found in by_low]
        width = next(one["bin_mm"] for one in ones if one)
        ends = (length_number(end, units.length) for end in (low, low + width))
        name = say("{low} to under {high}", **dict(zip(("low", "high"), ends, strict=True)))
        cells = [_count(one) for one in ones]
        weight = mean_weight(released, low + width / 2)
        cells += [] if weight is None else [weight_words(weight, units.weight)]
        lines.append(html_tables.line(heads, name, cells))
    return html_tables.table(heads, lines)


def _count(one: Line | None) -> str:
    if one is None or not one["fish"]:
        return "0"
    marked = say("{marked:,} clipped", **one)
    return f"{one['fish']:,}" + html_tables.small(marked)


def curve_words(lines: Sequence[Line], *, place: str, unit: Length = Length.MM) -> str:
    """Return a sentence that stands for a figure of legal shares where it cannot be seen."""
    first, last = lines[0], lines[-1]
    return say(
        "Share of the fish met in test fishing that would be legal, {where}: from {first} at "
        "{low} to {last} at {high}.",
        where=place,
        first=share_of(first).figure(),
        low=length_words(first["min_length_mm"], unit),
        last=share_of(last).figure(),
        high=length_words(last["min_length_mm"], unit),
    )


def shares_table(lines: Sequence[Line], *, head: str, unit: Length = Length.MM) -> str:
    """Return the legal share at some minimum lengths as an HTML table, the rule among them."""
    parts = [html_tables.group(_SHARE_HEADS, head)]
    rule = next((one["min_length_mm"] for one in lines if one["is_rule"]), None)
    for one in lines:
        length = one["min_length_mm"]
        if not (one["is_rule"] or _is_shown(length, rule)):
            continue
        name = "–" if length is None else both_lengths(length, unit)
        name += say(", the minimum in force") if one["is_rule"] else ""
        measured = DASH
        if one["n_legal"] is not None and one["n_fish"] is not None:
            measured = say("{n_legal:,} of {n_fish:,}", **one)
        share = share_of(one)
        values = (html_tables.amount(share, why=one["reason"] or ""), measured)
        parts.append(html_tables.line(_SHARE_HEADS, name, values, is_all=one["is_rule"]))
    return html_tables.table(_SHARE_HEADS, parts)


def _is_shown(length: float | None, rule: float | None) -> bool:
    if length is None or length % STEP_MM:
        return False
    return rule is None or abs(length - rule) <= REACH_MM


def histogram_words(
    found: Sequence[Line], *, source: str, place: str, unit: Length = Length.MM
) -> str:
    """Return a sentence that stands for a figure of lengths where it cannot be seen."""
    if not found:
        named = {"source": say(SOURCES[source]), "where": place}
        return say("{source}, {where}: no fish measured.", **named)
    most = max(found, key=lambda one: one["fish"])
    low, high = most["bin_low_mm"], most["bin_low_mm"] + most["bin_mm"]
    return say(
        "{source}, {where}: {all:,} fish by length, most ({most:,}) from {low} to under {high}.",
        source=say(SOURCES[source]),
        where=place,
        all=sum(one["fish"] for one in found),
        most=most["fish"],
        low=length_number(low, unit),
        high=length_words(high, unit),
    )


def histogram_title(found: Sequence[Line], *, source: str, unit: Length = Length.MM) -> str:
    """Return the finding of a figure of lengths: where most of the fish are."""
    count = sum(one["fish"] for one in found)
    known = {"source": say(SOURCES[source]), "n": count}
    if not found:
        return say("{source}, {n:,} measured", **known)
    most = max(found, key=lambda one: one["fish"])
    low = most["bin_low_mm"]
    return say(
        "{source}, {n:,} measured, most from {low} to under {high}",
        low=length_number(low, unit),
        high=length_words(low + most["bin_mm"], unit),
        **known,
    )


def curve_title(lines: Sequence[Line], *, where: str, unit: Length = Length.MM) -> str:
    """Return the finding of a figure of legal shares: the share at the minimum in force."""
    rule = next((one for one in lines if one["is_rule"]), None)
    if rule is None:
        return say("{where}: share legal by minimum length", where=where)
    return say(
        "{where}: {share} of fish met are legal at {length}, the minimum in force",
        where=where,
        share=share_of(rule).words,
        length=length_words(rule["min_length_mm"], unit),
    )


def conversion_words(released: Released) -> list[str]:
    """Return in a sentence each how a length or a weight was calculated from another measure."""
    return [_conversion(line) for line in released.lines["conversions"]]


_MEASURES = {
    "total_length_mm": phrase("total length"),
    "fork_length_mm": phrase("fork length"),
    "weight_g": phrase("weight"),
}


def _conversion(line: Line) -> str:
    target, given = (say(_MEASURES.get(line[name]) or line[name]) for name in ("target", "given"))
    target = capitalised(target)
    start = say("{target} from {given}", target=target, given=given)
    source = sentences(line["source"])
    if line["slope"] is None:
        return f"{start}: {source or say('no conversion known')}."
    if line["form"] == "power":
        formula = say("logarithms on a straight line, exponent {slope:.3f}", **line)
    elif line["intercept"]:
        sign = "−" if line["intercept"] < 0 else "+"
        formula = f"{line['slope']:.4f} × {given} {sign} {abs(line['intercept']):.1f} mm"
    else:
        formula = f"{line['slope']:.4g} × {given}"
    if line["form"] == "stated factor" and line["target"] == "weight_g":
        formula = say("a stated condition factor of {slope:.4g}", **line)
    behind = []
    fish = say("{n_fish:,} fish", **line) if line["n_fish"] else ""
    behind += [fish] if fish and fish not in source else []
    if line["r_squared"] is not None:
        behind.append(f"R² {line['r_squared']:.3f}")
    if line["residual_sd"] is not None and line["form"] == "linear":
        behind.append(say("residual standard deviation {residual_sd:.1f} mm", **line))
    behind += [source] if source else []
    return f"{start}: {formula} ({'; '.join(behind)})." if behind else f"{start}: {formula}."


# The part of the page.


def draw(choice: Choice, released: Released) -> None:
    """Draw fish by length with the legal line, and the legal share at other lines."""
    top = st.container()
    left, right, _ = st.columns([2, 1, 2])
    with right:
        units = filters.pick_units()
    with top:
        page_frame.lead(legal_answer(choice.index, released, choice.domains, units.length))
    if released.lines["lengths"]:
        with left:
            week = filters.span(weeks(released))
        name = say("the season so far") if week is None else when(choice.index, week)
        st.header(say("Fish by length, {when}", when=name), anchor=False)
        page_frame.signs(bars.SIGNS, bars.HUES)
        for area in choice.domains:
            _draw_sources(choice, released, area, week=week, units=units)
        _draw_areas(choice, released, week=week, unit=units.length)
        page_frame.downloads(choice, lengths=say("the lengths"))
    if released.lines["legal_share"]:
        _draw_legal(choice, released, units.length)
    for words in conversion_words(released):
        st.caption(numbers.plain(words))
    page_frame.downloads(choice, conversions=say("the conversions"))


def _draw_sources(
    choice: Choice, released: Released, area: str | None, *, week: str | None, units: Units
) -> None:
    found = {source: bins(released, area, source=source, week=week) for source in SOURCES}
    st.markdown(f"**{numbers.plain(head(choice.index, area))}**")
    for place, (source, lines) in zip(st.columns(2), found.items(), strict=True):
        with place:
            title = histogram_title(lines, source=source, unit=units.length)
            st.markdown(f"**{numbers.plain(title)}**")
            _draw_bars(choice, released, area, lines, source=source, unit=units.length)
    if any(found.values()):
        with st.expander(say("The numbers, {area}", area=numbers.plain(choice.index.name(area)))):
            st.html(table(found["test_fishing"], found["dockside"], released, units))


def _draw_bars(
    choice: Choice,
    released: Released,
    area: str | None,
    lines: Sequence[Line],
    *,
    source: str,
    unit: Length,
) -> None:
    if lines:
        limits, ends, palette = rules(released, area), span(released), page_frame.colours()
        figure = bars.lengths(lines, rules=limits, span=ends, palette=palette, unit=unit)
        alt = histogram_words(lines, source=source, place=choice.index.name(area), unit=unit)
        page_frame.chart(figure, key=f"released-lengths-{source}-{area or 'all'}", alt=alt)


def _draw_areas(choice: Choice, released: Released, *, week: str | None, unit: Length) -> None:
    source, areas = "test_fishing", [] if choice.areas else choice.index.areas
    every = {area: bins(released, area, source=source, week=week) for area in areas}
    found = {area: lines for area, lines in every.items() if lines}
    if not found:
        return
    st.caption(say(BY_AREA))

    def panel(area: str) -> None:
        count = sum(one["fish"] for one in found[area])
        name = numbers.plain(choice.index.name(area))
        st.markdown(say("**{area}**, {n:,} measured", area=name, n=count))
        _draw_bars(choice, released, area, found[area], source=source, unit=unit)

    page_frame.grid(list(found), panel)


def _draw_legal(choice: Choice, released: Released, unit: Length) -> None:
    st.header(say("Share that would be legal at other minimum lengths"), anchor=False)
    lines = {area: shares(released, area) for area in choice.domains}
    known = {area: [one for one in of if one["share"] is not None] for area, of in lines.items()}
    plotted = {area: of for area, of in known.items() if len(of) > 1}
    if plotted:
        page_frame.signs(curves.LEGAL_SIGNS, curves.LEGAL_HUES)
    for area, of in plotted.items():
        figure = curves.legal(of, unit=unit, palette=page_frame.colours())
        alt = curve_words(of, place=choice.index.name(area), unit=unit)
        key = f"released-legal-{area or 'all'}"
        said = curve_title(of, where=head(choice.index, area), unit=unit)
        page_frame.panel(said, figure, key=key, alt=alt)
    st.caption(say(ONLY_MET))
    for area, of in lines.items():
        name = head(choice.index, area)
        if area not in plotted:
            why = next((one["reason"] for one in of if one["reason"]), say(_NO_FISH))
            st.markdown(f"{numbers.plain(name)}: {numbers.plain(why)}.")
            continue
        words = next((one["reason"] for one in of if one["is_rule"]), "")
        if words:
            st.caption(say("At the minimum in force: {words}.", words=numbers.plain(words)))
        st.html(shares_table(of, head=name, unit=unit))
    page_frame.downloads(choice, legal_share=say("the legal shares"))
