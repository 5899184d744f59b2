"""Lines of the tables put on the axis of a figure: this season's weeks, past seasons behind."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import streamlit as st

from analytics.weeks import weeks_between
from dashboard.bulletin_index import monday
from dashboard.catch_rates import records as modelled
from dashboard.catch_rates.records import ENCOUNTERS
from dashboard.charts.rates import Panel, Past

#: What bulletins did not do before they had the tables of these pages.
MODELLED = "modelled catch rates"

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from dashboard.bulletin_index import BulletinIndex
    from dashboard.catch_rates.records import Line, Rates


def panel(book: BulletinIndex, rates: Rates, area: str | None, *, response: str) -> Panel | None:
    """Return what a panel of an area shows; None where no week has an index or a level."""
    index = rates.index.get((response, area), ())
    trend = rates.trend.get((response, area), ())
    known = [one["index"] for one in index] + [one["level"] for one in trend]
    if all(one is None for one in known):
        return None
    weeks = [*book.axis, *(one["week"] for one in (*index, *trend))]
    axis = weeks_between(min(weeks), max(weeks))
    past = _past(rates, area, axis) if response == ENCOUNTERS else ()
    closed = _closed(axis, index, trend)
    return Panel(axis, index, trend, past, closed, modelled.sort_of(response))


def _closed(axis: Sequence[str], index: Sequence[Line], trend: Sequence[Line]) -> tuple[int, ...]:
    """Return the places of closed weeks: those the trend calls so, or that have no index line."""
    is_shut = {one["week"]: one.get("is_closed") for one in trend}
    open_weeks = {one["week"] for one in index}
    first_ahead = min((one["week"] for one in trend if one["is_projected"]), default="9999")
    return tuple(
        at
        for at, week in enumerate(axis)
        if is_shut.get(week)
        or (is_shut.get(week) is None and week not in open_weeks and week < first_ahead)
    )


def _past(rates: Rates, area: str | None, axis: tuple[str, ...]) -> tuple[Past, ...]:
    """Return past seasons on the weeks of this one, by the day that timing counts them from."""
    start = start_of(rates, area)
    if start is None:
        return ()
    found = []
    for season in rates.seasons(area):
        known = {}
        for one in rates.timing[season, area]:
            if one["day"] is not None:
                # The day ends a week: its Monday is six days before.
                first = start + timedelta(days=one["day"] - 6)
                known[(first - monday(axis[0])).days // 7] = one["index"]
        inside = [at for at, value in known.items() if 0 <= at < len(axis) and value is not None]
        if inside:
            # A week without a line was closed: None breaks the line there.
            places = range(min(inside), max(inside) + 1)
            found.append(Past(season, tuple((at, known.get(at)) for at in places)))
    return tuple(found)


def start_of(rates: Rates, area: str | None) -> date | None:
    """Return the day that days of timing count from in this season; None where no line tells.

    Of an area without a line of its own, that of all areas together: days count alike.
    """
    found = (modelled.origin(rates.timing.get((rates.season, one), ())) for one in (area, None))
    return next((start for start in found if start is not None), None)


# What the pages of catch rates and of the seasonal pattern draw alike.


def reading(*paragraphs: str) -> None:
    """Draw what a reader may want to know of the figures, folded."""
    with st.expander("How to read this page"):
        for words in paragraphs:
            st.markdown(words)
