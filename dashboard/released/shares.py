"""The sublegal share by area and week, in words and tables: design-based and by a model."""

from __future__ import annotations

import math
from statistics import median
from typing import TYPE_CHECKING

import streamlit as st

from analytics.precision import DASH, number, percent
from analytics.quantities import capitalised
from analytics.wording import numbers, reasons
from analytics.wording.week import SHARE
from dashboard import html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts import series
from dashboard.charts import shares as chart
from dashboard.released.records import POOLED, SURVEY, where

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex, Row
    from dashboard.filters import Choice
    from dashboard.released.records import Released

_BASES = (SURVEY, POOLED)
_HEADS = (
    *(phrase("Area"), phrase("Latest week, design-based"), phrase("Latest week, model")),
    *(phrase("Season, design-based"), phrase("Season, model"), phrase("Sample size")),
)
_WEEK_HEADS = (phrase("Week"), phrase("Design-based"), phrase("Model"), phrase("Sample size"))
#: Below this the intervals are given as hardly wider than for fish sampled one by one.
_HARDLY = 1.1
#: Below this a correlation is given as none.
_NONE = 0.0005
LEAN = phrase(
    "Points are design-based: sublegal fish reported released, divided by all fish met, with the "
    "interval of the sampling design. The line is a model estimate by partial pooling: weeks and "
    "areas share information, so that a week with few fish moves towards its neighbours and a week "
    "with many keeps its own value. It uses the same interviews, so it is no second sample, and it "
    "cannot correct reports that are wrong."
)
DESIGN_EFFECT = phrase(
    "Design effect: the variance of the design-based share over that of as many fish sampled one "
    "by one; over 1 where fish of one boat or day resemble each other, under 1 where much of the "
    "fleet was interviewed."
)


def latest(released: Released, area: str | None) -> str | None:
    """Return the last week in which an area has a share on either basis."""
    weeks = [
        week
        for (_, at, week), one in released.shares.items()
        if at == area and week is not None and one.row.estimate is not None
    ]
    return max(weeks, default=None)


def share_answer(index: BulletinIndex, released: Released, areas: Sequence[str]) -> str:
    """Return what share of the fish met is sublegal, in sentences (Markdown)."""
    if not released.shares:
        return say(
            "There is no sublegal share to show: no interview of this season says how many fish "
            "were met and how many of them were sublegal."
        )
    parts = [_of_area(index, released, area) for area in areas] or [_of_all(index, released)]
    return "\n\n".join([*parts, alike(released, areas)])


def _of_all(index: BulletinIndex, released: Released) -> str:
    week = max((found for area in index.areas if (found := latest(released, area))), default=None)
    if week is None:
        why = [reasons.why_no_estimate(one.row) for one in released.shares.values()]
        return say(
            "No area has a sublegal share: {why}.",
            why=numbers.plain(_most(why, say("no reason is given"))),
        )
    row = index.row(None, week, SHARE)
    start = say("In week {week} no share can be given over all areas.", week=week)
    if row is not None and row.estimate is not None:
        start = say(
            "In week {week}, over all areas, **{share}** of the fish met were sublegal {range} by "
            "the survey.",
            week=week,
            share=numbers.value(row),
            range=numbers.plain(numbers.bracket(row)),
        )
    rows = [(area, released.share(POOLED, area, week)) for area in index.areas]
    known = [(row, area) for area, row in rows if row is not None and row.estimate is not None]
    if not known:
        return f"{start} {say('There is no model estimate for that week.')}"
    known.sort(key=lambda pair: pair[0].estimate or 0.0)
    low, high = known[0], known[-1]
    if len(known) == 1:
        only = say(
            "The model estimate is {share}; no other area has one.", share=_said(index, *low)
        )
        return f"{start} {only}"
    ends = {"low": _said(index, *low), "high": _said(index, *high)}
    return f"{start} {say('By area, the model estimate ranges from {low} to {high}.', **ends)}"


def _said(index: BulletinIndex, row: Row, area: str | None = None) -> str:
    place = "" if area is None else say(" in {area}", area=numbers.plain(index.name(area)))
    return f"**{numbers.value(row)}**{place} {numbers.plain(numbers.bracket(row, full=False))}"


def _most(words: Sequence[str], default: str = "") -> str:
    """Return the words that stand most often."""
    return max(dict.fromkeys(words), key=words.count, default=default)


def _of_area(index: BulletinIndex, released: Released, area: str) -> str:
    week = latest(released, area)
    place = where(index, area)
    if week is None:
        rows = [one.row for (_, at, _), one in released.shares.items() if at == area]
        why = reasons.why_no_estimate(rows[0] if rows else None)
        why = numbers.plain(why)
        return say("There is no sublegal share {where}: {why}.", where=place, why=why)
    survey, pooled = (released.share(basis, area, week) for basis in _BASES)
    known = {"week": week, "where": place}
    if survey is not None and survey.estimate is not None:
        start = say(
            "In week {week}, {where}, **{share}** of the fish met were sublegal by the survey "
            "{range}",
            share=numbers.value(survey),
            range=numbers.plain(numbers.bracket(survey)),
            **known,
        )
    else:
        why = numbers.plain(reasons.why_no_estimate(survey))
        start = say("In week {week}, {where}, the survey gives no share ({why})", why=why, **known)
    if pooled is None or pooled.estimate is None:
        none = say("none was calculated")
        why = numbers.plain(reasons.why_no_estimate(pooled)) if pooled else none
        return say("{survey}; there is no model estimate ({why}).", survey=start, why=why)
    model = _said(index, pooled)
    return say("{survey}; the model estimate is {model}.", survey=start, model=model)


def alike(released: Released, areas: Sequence[str]) -> str:
    """Return in plain words what design effect and overdispersion say (Markdown)."""
    effects = [
        one.more["design_effect"]
        for (basis, area, week), one in released.shares.items()
        if basis == SURVEY and week and (not areas or area in areas) and one.more["design_effect"]
    ]
    rhos = (one.more["overdispersion"] for one in released.shares.values())
    rho = next((one for one in rhos if one is not None), None)
    if not effects and rho is None:
        return say(
            "How much fish of one site-day resemble each other cannot be estimated from so few."
        )
    parts = [_wider(median(effects))] if effects else []
    if rho is not None:
        shown = number(rho, place=-3 if rho < 0.1 else -2)
        parts.append(
            say("the model finds no correlation between two fish of a site-day")
            if rho < _NONE
            else say("between two fish of a site-day the model finds a correlation of {r}", r=shown)
        )
    return " ".join(f"{capitalised(part)}." for part in parts)


def _wider(effect: float) -> str:
    times = math.sqrt(effect)
    if times >= _HARDLY:
        text = phrase(
            "in the median area and week the survey’s interval is {times:.1f} times as wide as "
            "that of as many fish sampled one by one (design effect {effect:.1f})"
        )
    elif times > 1:
        text = phrase(
            "in the median area and week the survey’s interval is hardly wider than that of as "
            "many fish sampled one by one (design effect {effect:.1f})"
        )
    else:
        text = phrase(
            "in the median area and week the survey’s interval is no wider than that of as many "
            "fish sampled one by one (design effect {effect:.1f})"
        )
    return say(text, times=times, effect=effect)


def table(index: BulletinIndex, released: Released, areas: Sequence[str]) -> str:
    """Return the share by area, latest week and season, as an HTML table."""
    lines: list[str] = []
    for area in areas or index.areas:
        week = latest(released, area)
        found = [released.share(basis, area, week) if week else None for basis in _BASES]
        cells: list[str] = [
            _cell(row) + html_tables.small((row and row.week) or "") for row in found
        ]
        cells += [_cell(released.share(basis, area, None)) for basis in _BASES]
        cells.append(_rests(released, area, None))
        lines.append(html_tables.line(_HEADS, index.name(area), cells))
    return html_tables.table(_HEADS, lines)


def weeks_table(index: BulletinIndex, released: Released, area: str) -> str:
    """Return the weeks of an area as an HTML table."""
    lines = []
    for week in index.axis:
        found = [released.share(basis, area, week) for basis in _BASES]
        if found != [None, None]:
            values = [*map(_cell, found), _rests(released, area, week)]
            lines.append(html_tables.line(_WEEK_HEADS, week, values))
    lines = lines or [html_tables.words_line(_WEEK_HEADS, say("no open week"))]
    return html_tables.table(_WEEK_HEADS, lines)


def _cell(row: Row | None) -> str:
    return DASH if row is None else html_tables.cell(row)


def _rests(released: Released, area: str, week: str | None) -> str:
    one = released.shares.get((SURVEY, area, week)) or released.shares.get((POOLED, area, week))
    if one is None:
        return DASH
    fish, sublegal, effect = (one.more[name] for name in ("n_fish", "n_sublegal", "design_effect"))
    words = ""
    if fish is not None:
        counts = {"sublegal": sublegal or 0, "fish": fish}
        words = say("{sublegal:,} sublegal of {fish:,} fish reported", **counts)
    below = "" if effect is None else say("design effect {effect:.1f}", effect=effect)
    return html_tables.small(words, below) or DASH


# The part of the page.


def draw(choice: Choice, released: Released) -> None:
    """Draw the sublegal share by area and week."""
    index = choice.index
    page_frame.lead(share_answer(index, released, choice.areas))
    if not released.shares:
        return
    shown = [area for area in choice.shown if latest(released, area)]
    if shown:
        st.header(say("Sublegal share, week by week"), anchor=False)
        rows = [released.share(SURVEY, area, week) for area in shown for week in index.axis]
        signs = [*numbers.signs(rows), *chart.SIGNS]
        signs += [series.CUT] if series.is_cut(rows, top=1.0) else []
        rows += [released.share(POOLED, area, week) for area in shown for week in index.axis]
        low, high = chart.axis(rows)
        _weeks(index, released, shown, span=(low, high))
        page_frame.on_demand(html_tables.signs(signs, hues=chart.HUES))
        st.caption(
            say(
                "Every axis goes from {low} to {high}.",
                low=percent(round(low, 1)),
                high=percent(round(high, 1)),
            )
        )
    st.caption(f"{say(LEAN)} {say(DESIGN_EFFECT)}")
    st.html(table(index, released, choice.areas))
    for area in choice.areas:
        with st.expander(say("Every week in {area}", area=numbers.plain(index.name(area)))):
            st.html(weeks_table(index, released, area))
    if not choice.areas:
        st.caption(say("Choose an area to read its weeks in a table; the download has them all."))
    # What most rows of the model estimate say of their model.
    words = _most(
        [
            "; ".join(reasons.notes(one.row))
            for (basis, _, _), one in released.shares.items()
            if basis == POOLED and one.row.estimate is not None
        ]
    )
    if words:
        st.caption(say("The model: {notes}.", notes=numbers.plain(words)))
    page_frame.downloads(choice, shares=say("the shares"))


def _weeks(
    index: BulletinIndex, released: Released, areas: Sequence[str], *, span: tuple[float, float]
) -> None:
    names = {area: index.name(area) for area in areas}
    lines = {
        area: (
            [released.share(SURVEY, area, week) for week in index.axis],
            [released.share(POOLED, area, week) for week in index.axis],
        )
        for area in areas
    }
    figure = chart.panels(
        lines, weeks=index.axis, span=span, names=names, palette=page_frame.colours()
    )
    title = chart.title(lines, names=names)
    said = [
        chart.description(*two, weeks=index.axis, area=names[area]) for area, two in lines.items()
    ]
    page_frame.panel(title, figure, key="released-share", alt=" ".join([f"{title}.", *said]))
