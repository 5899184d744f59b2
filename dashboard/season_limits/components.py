"""Pieces that the pages of the season are drawn with."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import numbers
from dashboard.released.components import download

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from dashboard.filters import Choice
    from dashboard.season_limits.records import Standings

PLOT = {"displayModeBar": False, "responsive": True}
OLDER = (
    "This bulletin was kept before bulletins told where a season stands against its limits. Make "
    "it again from the store with `blackmouth bulletin`, and it will."
)


def chart(figure: go.Figure, *, key: str, alt: str) -> None:
    """Draw a figure; its key begins with ``season-``, by which the tests find it."""
    st.plotly_chart(figure, theme=None, config=PLOT, key=f"season-{key}", alt=alt)


def assumed(choice: Choice, found: Standings, title: str) -> None:
    """Draw, folded, what every number ahead rests on; nothing where the bulletin keeps none."""
    if not found.assumed:
        return
    with st.expander(title):
        for topic, lines in found.assumed.items():
            st.markdown(f"**{numbers.plain(topic[:1].upper() + topic[1:])}**" if topic else "")
            st.markdown("\n".join(f"- {numbers.plain(one)}" for one in lines))
        download("what was assumed", choice.book.bulletin.table("assumed"), choice, "assumed")
