"""Lengths of measured fish and the share that would be legal, in words, tables and figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.codes import sentences
from analytics.rounding import DASH
from analytics.units import both_lengths
from analytics.wording import numbers
from analytics.wording.numbers import NumberKind
from dashboard import filters, html_tables, page_frame
from dashboard.charts import bars as bar_charts
from dashboard.charts import curves
from dashboard.released.records import head, start, when

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.numbers import Measurement
    from dashboard.filters import Choice
    from dashboard.released.records import Line, Released

#: Sources of measured fish with their words.
SOURCES = {"test_fishing": "Test fishing: fish met", "dockside": "Dockside: fish kept"}
BY_AREA = (
    "Test fishing by area; each panel has its own scale. Choose an area to see fish kept there too."
)
_HEADS = ("Total length, mm", "Test fishing", "Dockside")
_SHARE_HEADS = ("Minimum length", "Share that would be legal", "Legal of measured")
#: Lines of the table of legal shares are this far apart, and up to this far from the minimum in
#: force, in millimetres; the download has all.
STEP_MM, REACH_MM = 50, 150
#: Why a domain has no legal shares, where its lines do not say.
_NO_FISH = "no fish of test fishing there"
#: How far from the rule the answer looks, in millimetres.
AWAY_MM = 40
ONLY_MET = (
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


def legal_answer(index: BulletinIndex, released: Released, areas: Sequence[str | None]) -> str:
    """Return which share of the fish met is legal, in sentences (Markdown)."""
    if not released.lines["lengths"] and not released.lines["legal_share"]:
        return "There are no lengths to show: no fish was measured this season."
    return "\n\n".join(_answer_of(index, released, area) for area in areas)


def _answer_of(index: BulletinIndex, released: Released, area: str | None) -> str:
    place, lines = start(index, area), shares(released, area)
    rule = next((one for one in lines if one["is_rule"]), None)
    if rule is None or rule["share"] is None:
        reason = next((one["reason"] for one in lines if one["reason"]), "")
        why = (rule["reason"] if rule else "") or reason or "no fish of test fishing was measured"
        return f"{place} no share of legal fish can be given: {numbers.plain(why)}."
    share = share_of(rule)
    words = (
        f"{place}, **{share.words}** of the {rule['n_fish']:,} fish measured in test fishing were "
        f"of legal length, {both_lengths(rule['min_length_mm'])} or more "
        f"{numbers.plain(share.bracket(rule['ci_level']))}"
    )
    others = [_near(lines, rule["min_length_mm"] + off) for off in (-AWAY_MM, AWAY_MM)]
    parts = [
        f"{share_of(one).words} at {one['min_length_mm']:,.0f} mm"
        for one in others
        if one is not None and one is not rule
    ]
    return f"{words}; it would be {' and '.join(parts)}." if parts else f"{words}."


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


def table(test: Sequence[Line], dockside: Sequence[Line]) -> str:
    """Return fish by length as an HTML table."""
    by_low = [{one["bin_low_mm"]: one for one in found} for found in (test, dockside)]
    lines = []
    for low in sorted({*by_low[0], *by_low[1]}):
        ones = [found.get(low) for found in by_low]
        width = next(one["bin_mm"] for one in ones if one)
        name = f"{low:,.0f} to under {low + width:,.0f}"
        lines.append(html_tables.line(_HEADS, name, [_count(one) for one in ones]))
    return html_tables.table(_HEADS, lines)


def _count(one: Line | None) -> str:
    if one is None or not one["fish"]:
        return "0"
    marked = f"{one['marked']:,} clipped"
    return f"{one['fish']:,}" + html_tables.small(marked)


def curve_words(lines: Sequence[Line], *, place: str) -> str:
    """Return a sentence that stands for a figure of legal shares where it cannot be seen."""
    first, last = lines[0], lines[-1]
    return (
        f"Share of the fish met in test fishing that would be legal, {place}: from "
        f"{share_of(first).figure()} at {first['min_length_mm']:,.0f} mm to "
        f"{share_of(last).figure()} at {last['min_length_mm']:,.0f} mm."
    )


def shares_table(lines: Sequence[Line], *, head: str) -> str:
    """Return the legal share at some minimum lengths as an HTML table, the rule among them."""
    parts = [html_tables.group(_SHARE_HEADS, head)]
    rule = next((one["min_length_mm"] for one in lines if one["is_rule"]), None)
    for one in lines:
        length = one["min_length_mm"]
        if not (one["is_rule"] or _is_shown(length, rule)):
            continue
        name = "–" if length is None else both_lengths(length)
        name += ", the minimum in force" if one["is_rule"] else ""
        measured = DASH
        if one["n_legal"] is not None and one["n_fish"] is not None:
            measured = f"{one['n_legal']:,} of {one['n_fish']:,}"
        share = share_of(one)
        values = (html_tables.amount(share, why=one["reason"] or ""), measured)
        parts.append(html_tables.line(_SHARE_HEADS, name, values, is_all=one["is_rule"]))
    return html_tables.table(_SHARE_HEADS, parts)


def _is_shown(length: float | None, rule: float | None) -> bool:
    if length is None or length % STEP_MM:
        return False
    return rule is None or abs(length - rule) <= REACH_MM


def histogram_words(found: Sequence[Line], *, source: str, place: str) -> str:
    """Return a sentence that stands for a figure of lengths where it cannot be seen."""
    if not found:
        return f"{SOURCES[source]}, {place}: no fish measured."
    most = max(found, key=lambda one: one["fish"])
    low, high = most["bin_low_mm"], most["bin_low_mm"] + most["bin_mm"]
    return (
        f"{SOURCES[source]}, {place}: {sum(one['fish'] for one in found):,} fish by length, most "
        f"({most['fish']:,}) from {low:,.0f} to under {high:,.0f} mm."
    )


def histogram_title(found: Sequence[Line], *, source: str) -> str:
    """Return the finding of a figure of lengths: where most of the fish are."""
    count = sum(one["fish"] for one in found)
    start = f"{SOURCES[source]}, {count:,} measured"
    if not found:
        return start
    most = max(found, key=lambda one: one["fish"])
    ends = most["bin_low_mm"], most["bin_low_mm"] + most["bin_mm"]
    return f"{start}, most from {ends[0]:,.0f} to under {ends[1]:,.0f} mm"


def curve_title(lines: Sequence[Line], *, where: str) -> str:
    """Return the finding of a figure of legal shares: the share at the minimum in force."""
    rule = next((one for one in lines if one["is_rule"]), None)
    if rule is None:
        return f"{where}: share legal by minimum length"
    at = f"{rule['min_length_mm']:,.0f} mm"
    return f"{where}: {share_of(rule).words} of fish met are legal at {at}, the minimum in force"


def conversion_words(released: Released) -> list[str]:
    """Return in a sentence each how a length or a weight was calculated from another measure."""
    return [_conversion(line) for line in released.lines["conversions"]]


_MEASURES = {
    "total_length_mm": "total length",
    "fork_length_mm": "fork length",
    "weight_g": "weight",
}


def _conversion(line: Line) -> str:
    target, given = (_MEASURES.get(line[name]) or line[name] for name in ("target", "given"))
    start = f"{target[:1].upper()}{target[1:]} from {given}"
    source = sentences(line["source"])
    if line["slope"] is None:
        return f"{start}: {source or 'no conversion known'}."
    if line["form"] == "power":
        formula = f"logarithms on a straight line, exponent {line['slope']:.3f}"
    elif line["intercept"]:
        sign = "−" if line["intercept"] < 0 else "+"
        formula = f"{line['slope']:.4f} × {given} {sign} {abs(line['intercept']):.1f} mm"
    else:
        formula = f"{line['slope']:.4g} × {given}"
    if line["form"] == "stated factor" and line["target"] == "weight_g":
        formula = f"a stated condition factor of {line['slope']:.4g}"
    behind = []
    fish = f"{line['n_fish']:,} fish" if line["n_fish"] else ""
    behind += [fish] if fish and fish not in source else []
    if line["r_squared"] is not None:
        behind.append(f"R² {line['r_squared']:.3f}")
    if line["residual_sd"] is not None and line["form"] == "linear":
        behind.append(f"residual standard deviation {line['residual_sd']:.1f} mm")
    behind += [source] if source else []
    return f"{start}: {formula} ({'; '.join(behind)})." if behind else f"{start}: {formula}."


# The part of the page.


def draw(choice: Choice, released: Released) -> None:
    """Draw fish by length with the legal line, and the legal share at other lines."""
    page_frame.lead(legal_answer(choice.index, released, choice.domains))
    if released.lines["lengths"]:
        week = filters.span(weeks(released))
        name = "the season so far" if week is None else when(choice.index, week)
        st.header(f"Fish by length, {name}", anchor=False)
        page_frame.signs(bar_charts.SIGNS, bar_charts.HUES)
        for area in choice.domains:
            _draw_sources(choice, released, area, week=week)
        _draw_areas(choice, released, week=week)
        page_frame.downloads(choice, lengths="the lengths")
    if released.lines["legal_share"]:
        _draw_legal(choice, released)
    for words in conversion_words(released):
        st.caption(numbers.plain(words))
    page_frame.downloads(choice, conversions="the conversions")


def _draw_sources(
    choice: Choice, released: Released, area: str | None, *, week: str | None
) -> None:
    found = {source: bins(released, area, source=source, week=week) for source in SOURCES}
    st.markdown(f"**{numbers.plain(head(choice.index, area))}**")
    for place, (source, lines) in zip(st.columns(2), found.items(), strict=True):
        with place:
            st.markdown(f"**{numbers.plain(histogram_title(lines, source=source))}**")
            _draw_bars(choice, released, area, lines, source=source)
    if any(found.values()):
        with st.expander(f"The numbers, {numbers.plain(choice.index.name(area))}"):
            st.html(table(found["test_fishing"], found["dockside"]))


def _draw_bars(
    choice: Choice, released: Released, area: str | None, lines: Sequence[Line], *, source: str
) -> None:
    if lines:
        limits, ends = rules(released, area), span(released)
        figure = bar_charts.lengths(lines, rules=limits, span=ends, palette=page_frame.colours())
        alt = histogram_words(lines, source=source, place=choice.index.name(area))
        page_frame.chart(figure, key=f"released-lengths-{source}-{area or 'all'}", alt=alt)


def _draw_areas(choice: Choice, released: Released, *, week: str | None) -> None:
    source, areas = "test_fishing", [] if choice.areas else choice.index.areas
    every = {area: bins(released, area, source=source, week=week) for area in areas}
    found = {area: lines for area, lines in every.items() if lines}
    if not found:
        return
    st.caption(BY_AREA)

    def panel(area: str) -> None:
        count = sum(one["fish"] for one in found[area])
        st.markdown(f"**{numbers.plain(choice.index.name(area))}**, {count:,} measured")
        _draw_bars(choice, released, area, found[area], source=source)

    page_frame.grid(list(found), panel)


def _draw_legal(choice: Choice, released: Released) -> None:
    st.header("Share that would be legal at other minimum lengths", anchor=False)
    lines = {area: shares(released, area) for area in choice.domains}
    known = {area: [one for one in of if one["share"] is not None] for area, of in lines.items()}
    plotted = {area: of for area, of in known.items() if len(of) > 1}
    if plotted:
        page_frame.signs(curves.LEGAL_SIGNS, curves.LEGAL_HUES)
    for area, of in plotted.items():
        figure = curves.legal(of, palette=page_frame.colours())
        alt = curve_words(of, place=choice.index.name(area))
        key = f"released-legal-{area or 'all'}"
        said = curve_title(of, where=head(choice.index, area))
        page_frame.panel(said, figure, key=key, alt=alt)
    st.caption(ONLY_MET)
    for area, of in lines.items():
        name = head(choice.index, area)
        if area not in plotted:
            why = next((one["reason"] for one in of if one["reason"]), _NO_FISH)
            st.markdown(f"{numbers.plain(name)}: {numbers.plain(why)}.")
            continue
        words = next((one["reason"] for one in of if one["is_rule"]), "")
        if words:
            st.caption(f"At the minimum in force: {numbers.plain(words)}.")
        st.html(shares_table(of, head=name))
    page_frame.downloads(choice, legal_share="the legal shares")
