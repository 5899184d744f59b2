"""Pieces that the pages of catch rates and run timing are drawn with."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import data
from dashboard.catch_rates.records import has_tables
from dashboard.page_frame import framed
from dashboard.released.components import answer, download

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import plotly.graph_objects as go

    from dashboard.catch_rates.records import Rates
    from dashboard.filters import Choice
    from dashboard.page_frame import Chosen

PLOT = {"displayModeBar": False, "responsive": True}
OLDER = (
    "This bulletin was kept before bulletins modelled catch rates. Make it again from the store "
    "with `blackmouth bulletin`, and it will."
)


def page(
    title: str, address: str, *, needs: Sequence[str], body: Callable[[Choice, Rates], None]
) -> None:
    """Draw a page of modelled catch rates, or say in words why it cannot be drawn.

    Parameters
    ----------
    title, address : str
        Of the page, as in `dashboard.page_frame.framed`.
    needs : sequence of str
        Tables without which a bulletin is too old for the page.
    body : callable
        Draws the page's own part.
    """

    def drawn(chosen: Chosen, rates: Rates) -> None:
        if has_tables(chosen.choice.book, *needs):
            body(chosen.choice, rates)
        else:
            answer(OLDER)

    framed(
        title,
        address,
        load=lambda folder, choice: data.rates(folder, choice.book.card),
        body=drawn,
        with_week=False,
    )


def chart(figure: go.Figure, *, key: str, alt: str) -> None:
    """Draw a figure; its key begins with ``rates-``, by which the tests find it."""
    st.plotly_chart(figure, theme=None, config=PLOT, key=f"rates-{key}", alt=alt)


def reading(*paragraphs: str) -> None:
    """Draw what a reader may want to know of the figures, folded."""
    with st.expander("How to read this page"):
        for words in paragraphs:
            st.markdown(words)


def downloads(choice: Choice, named: Sequence[tuple[str, str]]) -> None:
    """Offer tables by name and words; those without a line are left out."""
    for name, said in named:
        table = choice.book.bulletin.table(name)
        if table.num_rows:
            download(said, table, choice, name)
