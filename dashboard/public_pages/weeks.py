"""Weeks: a figure of one week area by area, for the public."""

from __future__ import annotations

import streamlit as st

from dashboard.public_pages import drawing
from dashboard.public_pages.drawing import Published, published


def draw(shown: Published) -> None:
    """Draw the page."""
    drawing.head(shown, "Weeks")
    weeks: list[str | None] = [*reversed(shown.weeks), None]
    left, right = st.columns(2)
    with left:
        week = st.selectbox("Week", weeks, format_func=drawing.when_words, key="week")
    with right:
        labels = shown.labels
        quantity = st.selectbox(
            "Figure", list(labels), format_func=labels.__getitem__, key="figure", index=3
        )
    areas: list[str | None] = [None, *shown.areas]
    keys = [(area, week, str(quantity)) for area in areas]
    drawing.table(
        shown,
        ("week", week, quantity),
        keys,
        "Area",
        [shown.areas.get(a, a) if a else "All areas" for a in areas],
    )
    drawing.foot()


if found := published():
    draw(found)
