"""Pieces that every part of the page Released fish is drawn with."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import streamlit as st

from dashboard import html_tables, numbers
from dashboard.charts import forest as dotted
from dashboard.charts.theme import palette
from dashboard.revisions import tables as move_tables
from dashboard.style import is_dark

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import plotly.graph_objects as go
    import pyarrow as pa

    from dashboard.charts.forest import ForestRow
    from dashboard.filters import Choice

T = TypeVar("T")

PLOT = {"displayModeBar": False, "responsive": True}
COLUMNS = 3
OWN_SCALE = "Each panel has its own scale, from zero."


def answer(words: str) -> None:
    """Draw the answer of a part, in the large print of answers."""
    with st.container(key="answer"):
        st.markdown(words)


def chart(figure: go.Figure, *, key: str, alt: str) -> None:
    """Draw a figure; its key begins with ``released-``, by which the tests find it."""
    st.plotly_chart(figure, theme=None, config=PLOT, key=f"released-{key}", alt=alt)


def grid(items: Sequence[T], draw: Callable[[T], None]) -> None:
    """Draw small panels, three across; one alone has the whole width."""
    across = COLUMNS if len(items) > 1 else 1
    for start in range(0, len(items), across):
        for place, one in zip(st.columns(across), items[start : start + across], strict=False):
            with place:
                draw(one)


def legend(found: Sequence[ForestRow], named: Sequence[tuple[str, str]]) -> None:
    """Draw the signs of a figure of dots with their words."""
    hues = dict(dotted.HUES)
    drawn = {dot.hue for dot in found}
    if len(drawn) == 1 and drawn != {"sea"}:
        hues |= dict.fromkeys(dotted.BARS, drawn.pop())
    st.html(move_tables.signs(dotted.signs(found, named), hues=hues))


def dots(
    found: Sequence[ForestRow],
    *,
    title: str,
    key: str,
    of: str,
    names: Sequence[tuple[str, str]] = (),
    guide: float | None = None,
) -> None:
    """Draw a panel of dots under its title.

    Parameters
    ----------
    found : sequence of ForestRow
        One or more.
    title : str
        As it stands in the data; escaped here.
    key : str
        Name of the panel, unique on the page.
    of : str
        What the numbers are, for those who cannot see the figure.
    names : sequence of (str, str)
        Words of each hue, said with the numbers where there is more than one.
    guide : float, optional
        A number to compare with.
    """
    st.markdown(f"**{numbers.plain(title)}**")
    figure = dotted.figure(found, palette=palette(dark=is_dark()), guide=guide)
    chart(figure, key=key, alt=dotted.description(found, of=f"{of}, {title}", names=names))


def download(words: str, table: pa.Table, choice: Choice, name: str) -> None:
    """Offer a table as CSV, rows of the chosen areas; all where none is chosen."""
    if "area" in table.schema.names:
        table = move_tables.of_areas(table, areas=choice.areas)
    st.download_button(
        f"Download {words} (CSV)",
        html_tables.csv(table),
        file_name=f"{choice.book.card.bulletin}.{name}.csv",
        mime="text/csv",
        on_click="ignore",
        key=f"download-{name}",
    )
