"""The sublegal share by area and week, in words and tables: the survey beside the pooled line."""

from __future__ import annotations

import math
from statistics import median
from typing import TYPE_CHECKING

import streamlit as st

from analytics.rounding import percent
from dashboard import html_tables, numbers, page_frame, reasons
from dashboard.charts import series, theme
from dashboard.released.records import POOLED, SURVEY, where
from dashboard.week.sentences import SHARE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.bulletin_index import BulletinIndex, Row
    from dashboard.filters import Choice
    from dashboard.released.records import Released

_HEADS = (
    *("Area", "Latest week, survey", "Latest week, pooled line"),
    *("Season, survey", "Season, pooled line", "Rests on"),
)
_WEEK_HEADS = ("Week", "Survey", "Pooled line", "Rests on")
#: Below this the intervals are given as hardly wider than for fish drawn one by one.
_HARDLY = 1.1
#: Below this a correlation is given as none.
_NONE = 0.0005
LEAN = (
    "Points are the survey alone: sublegal fish reported released, divided by all fish met, with "
    "the interval of the sampling design. The pooled line comes from a model in which weeks and "
    "areas lend to each other: a week with few fish leans on its neighbours, a week with many "
    "keeps its own. It reads the same interviews, so it is no second sample, and it cannot correct "
    "reports that are wrong."
)
DESIGN_EFFECT = (
    "Design effect: the variance of the survey’s share over that of as many fish drawn one by one; "
    "over 1 where fish of one boat or day are alike, under 1 where much of the fleet was "
    "interviewed."
)


def latest(told: Released, area: str | None) -> str | None:
    """Return the last week in which an area has a share on either basis."""
    weeks = [
        week
        for (_, at, week), one in told.shares.items()
        if at == area and week is not None and one.row.estimate is not None
    ]
    return max(weeks, default=None)


def share_answer(book: BulletinIndex, told: Released, areas: Sequence[str]) -> str:
    """Return what share of the fish met is sublegal, in sentences (Markdown)."""
    if not told.shares:
        return (
            "There is no sublegal share to show: no interview of this season says how many fish "
            "were met and how many of them were sublegal."
        )
    parts = [_of_area(book, told, area) for area in areas] if areas else [_of_all(book, told)]
    return "\n\n".join([*parts, alike(told, areas)])


def _of_all(book: BulletinIndex, told: Released) -> str:
    weeks = [found for area in book.areas if (found := latest(told, area))]
    if not weeks:
        return f"No area has a sublegal share: {numbers.plain(_why(told))}."
    week = max(weeks)
    row = book.row(None, week, SHARE)
    start = f"In week {week} no share can be given over all areas."
    if row is not None and row.estimate is not None:
        start = (
            f"In week {week}, over all areas, **{numbers.value(row)}** of the fish met were "
            f"sublegal {numbers.plain(numbers.bracket(row))} by the survey."
        )
    lines = [
        (one, area) for area in book.areas if _has(one := told.share(POOLED, area, week)) and one
    ]
    lines.sort(key=lambda pair: pair[0].estimate or 0.0)
    if not lines:
        return f"{start} There is no pooled line for that week."
    if len(lines) == 1:
        return f"{start} The pooled line says {_said(book, *lines[0])}; no other area has one."
    return (
        f"{start} By area, the pooled line runs from {_said(book, *lines[0])} to "
        f"{_said(book, *lines[-1])}."
    )


def _said(book: BulletinIndex, row: Row, area: str) -> str:
    limits = numbers.plain(numbers.bracket(row, full=False))
    return f"**{numbers.value(row)}** in {numbers.plain(book.name(area))} {limits}"


def _why(told: Released) -> str:
    """Return the reason that most rows without a share give."""
    found = [reasons.why_no_estimate(one.row) for one in told.shares.values()]
    return max(set(found), key=found.count, default="no reason is given")


def _of_area(book: BulletinIndex, told: Released, area: str) -> str:
    week = latest(told, area)
    place = where(book, area)
    if week is None:
        rows = [one.row for (_, at, _), one in told.shares.items() if at == area]
        why = reasons.why_no_estimate(rows[0] if rows else None)
        return f"There is no sublegal share {place}: {numbers.plain(why)}."
    survey, pooled = (told.share(basis, area, week) for basis in (SURVEY, POOLED))
    start = f"In week {week}, {place}, "
    if survey is not None and survey.estimate is not None:
        start += (
            f"**{numbers.value(survey)}** of the fish met were sublegal by the survey "
            f"{numbers.plain(numbers.bracket(survey))}"
        )
    else:
        start += f"the survey gives no share ({numbers.plain(reasons.why_no_estimate(survey))})"
    if pooled is None or pooled.estimate is None:
        why = numbers.plain(reasons.why_no_estimate(pooled)) if pooled else "none was calculated"
        return f"{start}; there is no pooled line ({why})."
    return f"{start}; the pooled line says **{numbers.value(pooled)}** {_limits(pooled)}."


def _limits(row: Row) -> str:
    return numbers.plain(numbers.bracket(row, full=False))


def alike(told: Released, areas: Sequence[str]) -> str:
    """Return in plain words what design effect and overdispersion say (Markdown)."""
    effects = [
        one.more["design_effect"]
        for (basis, area, week), one in told.shares.items()
        if basis == SURVEY and week and (not areas or area in areas) and one.more["design_effect"]
    ]
    rho = next(
        (
            one.more["overdispersion"]
            for one in told.shares.values()
            if one.more["overdispersion"] is not None
        ),
        None,
    )
    if not effects and rho is None:
        return "How much fish of one ramp and day are alike cannot be given from so few."
    parts = [_wider(median(effects))] if effects else []
    parts += [_correlation(rho)] if rho is not None else []
    return " ".join(f"{part[:1].upper()}{part[1:]}." for part in parts)


def _wider(effect: float) -> str:
    times = math.sqrt(effect)
    size = f"{times:.1f} times as wide as" if times >= _HARDLY else "no wider than"
    if _HARDLY > times > 1:
        size = "hardly wider than"
    return (
        f"in the median area and week the survey’s interval is {size} that of as many fish drawn "
        f"one by one (design effect {effect:.1f})"
    )


def _correlation(rho: float) -> str:
    if rho < _NONE:
        return "the pooled line finds no correlation between two fish of a day and ramp"
    shown = numbers.number(rho, place=-3 if rho < 0.1 else -2)
    return f"between two fish of a day and ramp the pooled line finds a correlation of {shown}"


def model_words(told: Released) -> str:
    """Return what most rows of the pooled line say of their model; empty where there is none."""
    found = [
        "; ".join(reasons.notes(one.row))
        for (basis, _, _), one in told.shares.items()
        if basis == POOLED and one.row.estimate is not None
    ]
    return max(set(found), key=found.count, default="")


def table(book: BulletinIndex, told: Released, areas: Sequence[str]) -> str:
    """Return the share by area, latest week and season, as an HTML table."""
    lines = []
    for area in areas or book.areas:
        week = latest(told, area)
        found = [told.share(basis, area, week) if week else None for basis in (SURVEY, POOLED)]
        season = [told.share(basis, area, None) for basis in (SURVEY, POOLED)]
        values = [_cell(row, with_week=True) for row in found] + [_cell(row) for row in season]
        lines.append(html_tables.line(_HEADS, book.name(area), [*values, _rests(told, area, None)]))
    return html_tables.table(_HEADS, lines)


def weeks_table(book: BulletinIndex, told: Released, area: str) -> str:
    """Return the weeks of an area as an HTML table."""
    lines = []
    for week in book.axis:
        found = [told.share(basis, area, week) for basis in (SURVEY, POOLED)]
        if found != [None, None]:
            values = [*map(_cell, found), _rests(told, area, week)]
            lines.append(html_tables.line(_WEEK_HEADS, week, values))
    lines = lines or [html_tables.words_line(_WEEK_HEADS, "no open week")]
    return html_tables.table(_WEEK_HEADS, lines)


def _cell(row: Row | None, *, with_week: bool = False) -> str:
    if row is None:
        return numbers.DASH
    return html_tables.cell(row) + (html_tables.small(row.week or "") if with_week else "")


def _rests(told: Released, area: str, week: str | None) -> str:
    one = told.shares.get((SURVEY, area, week)) or told.shares.get((POOLED, area, week))
    if one is None:
        return numbers.DASH
    fish, sublegal, effect = (one.more[name] for name in ("n_fish", "n_sublegal", "design_effect"))
    lines = []
    if fish is not None:
        lines.append(f"{sublegal or 0:,} sublegal of {fish:,} fish reported")
    if effect is not None:
        lines.append(f"design effect {effect:.1f}")
    return html_tables.small(*lines) or numbers.DASH


def _has(row: Row | None) -> bool:
    return row is not None and row.estimate is not None


# The part of the page.


def draw(choice: Choice, told: Released) -> None:
    """Draw the sublegal share by area and week."""
    book = choice.book
    page_frame.lead(share_answer(book, told, choice.areas))
    if not told.shares:
        return
    shown = [area for area in choice.shown if latest(told, area)]
    if shown:
        st.header("Sublegal share, week by week", anchor=False)
        rows = [told.share(SURVEY, area, week) for area in shown for week in book.axis]
        signs = [(one.glyph, one.words) for one in theme.legend(row for row in rows if row)]
        page_frame.signs([*signs, *series.SHARE_SIGNS], series.SHARE_HUES)
        rows += [told.share(POOLED, area, week) for area in shown for week in book.axis]
        span = series.share_axis(rows)
        page_frame.grid(shown, lambda area: _share_panel(choice, told, area, span=span))
        st.caption(
            f"Every panel runs from {percent(max(span[0], 0))} to {percent(min(span[1], 1))}."
        )
    st.caption(f"{LEAN} {DESIGN_EFFECT}")
    st.html(table(book, told, choice.areas))
    for area in choice.areas:
        with st.expander(f"Every week in {numbers.plain(book.name(area))}"):
            st.html(weeks_table(book, told, area))
    if not choice.areas:
        st.caption("Choose an area to read its weeks in a table; the download has them all.")
    words = model_words(told)
    if words:
        st.caption(f"The model, in the words of the bulletin: {numbers.plain(words)}.")
    kept = html_tables.with_precision(book.bulletin.table("shares"))
    page_frame.download("the shares", kept, choice, "shares")


def _share_panel(choice: Choice, told: Released, area: str, *, span: tuple[float, float]) -> None:
    book, weeks = choice.book, choice.book.axis
    survey, pooled = (
        [told.share(basis, area, week) for week in weeks] for basis in (SURVEY, POOLED)
    )
    st.markdown(f"**{numbers.plain(book.name(area))}**")
    figure = series.share_panel(
        survey, pooled, weeks=weeks, span=span, palette=page_frame.colours()
    )
    words = series.share_description(survey, pooled, weeks=weeks, area=book.name(area))
    page_frame.chart(figure, key=f"released-share-{area}", alt=words)
