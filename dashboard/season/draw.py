"""Pieces that the pages of the season are drawn with."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

if TYPE_CHECKING:
    import plotly.graph_objects as go

PLOT = {"displayModeBar": False, "responsive": True}
OLDER = (
    "This bulletin was kept before bulletins told where a season stands against its limits. Make "
    "it again from the store with `blackmouth bulletin`, and it will."
)


def chart(figure: go.Figure, *, key: str, alt: str) -> None:
    """Draw a figure; its key begins with ``season-``, by which the tests find it."""
    st.plotly_chart(figure, theme=None, config=PLOT, key=f"season-{key}", alt=alt)
