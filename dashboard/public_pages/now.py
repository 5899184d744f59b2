"""Now: the newest week of all areas and the season so far, for the public."""

from __future__ import annotations

import streamlit as st

from dashboard.public_pages import drawing
from dashboard.public_pages.drawing import Published, published


def _answer(shown: Published) -> str:
    week = shown.about["through"]
    kept = shown.figures.get((None, week, "kept_fish"))
    trips = shown.figures.get((None, week, "angler_trips"))
    when = drawing.week_dates(week)
    if kept is None or kept.estimate is None:
        return f"Fish kept in the week {when}: {drawing.value_words(kept)}."
    said = f"In the week {when} about **{drawing.value_words(kept)}** Chinook were kept"
    if trips is not None and trips.estimate is not None:
        said += f" on about **{drawing.value_words(trips)}** angler trips"
    return said + "."


def draw(shown: Published) -> None:
    """Draw the page."""
    drawing.head(shown, "Now")
    with st.container(key="answer"):
        st.markdown(_answer(shown))
    names = [shown.labels[one] for one in drawing.HEADLINE]
    week = shown.about["through"]
    for when in (week, None):
        st.subheader("The newest week" if when else "The season so far", anchor=False)
        keys = [(None, when, one) for one in drawing.HEADLINE]
        drawing.table(shown, ("now", when), keys, "All areas", names)
    drawing.trend(shown, None, "kept_fish", key="now-kept")
    drawing.foot()


if found := published():
    draw(found)
