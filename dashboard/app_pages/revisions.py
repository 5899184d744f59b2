"""Revisions: which figures already reported changed since the bulletin before, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.quantities import QUANTITIES
from dashboard import data, filters, html_tables, numbers
from dashboard.charts import moved as chart
from dashboard.charts.theme import palette
from dashboard.page_frame import Chosen, framed
from dashboard.revisions import moves as moved
from dashboard.revisions import tables as move_tables
from dashboard.style import is_dark
from dashboard.week import sentences

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.bulletin.archive import BulletinMetadata
    from dashboard.filters import Choice
    from dashboard.revisions.moves import Move

FIGURES = (sentences.MET, sentences.KEPT, sentences.EFFORT, sentences.RATE, sentences.SHARE)
PLOT = {"displayModeBar": False, "responsive": True}
#: Lines of the table in sight; the rest unfold.
LINES = 10


def show() -> None:
    """Draw the page, or say in words why it cannot be drawn."""
    framed(
        "Revisions",
        "moved",
        load=lambda folder, choice: data.moves(folder, choice.book.card),
        body=_body,
        with_week=False,
    )


def _body(chosen: Chosen, moves: Sequence[Move]) -> None:
    _page(chosen.choice, moves, before=_called(chosen.choice.book.card, chosen.cards))


def _called(card: BulletinMetadata, cards: Sequence[BulletinMetadata]) -> str:
    """Return what the bulletin before is called; empty where there is none."""
    for one in cards:
        if card.since == one.bulletin:
            return f"the bulletin through week {one.through} (version {one.version} of the data)"
    return f"the bulletin {card.since}" if card.since else ""


def _page(choice: Choice, moves: Sequence[Move], *, before: str) -> None:
    card = choice.book.card
    if not before:
        with st.container(key="answer"):
            st.markdown(_nothing_before(card))
        return
    quantity = filters.switch("Figure", FIGURES, key="show", words=_label)
    with st.container(key="answer"):
        st.markdown(
            moved.answer(choice.book, moves, areas=choice.areas, quantity=quantity, before=before)
        )
    st.caption(
        f"Through week {card.through}, as of version {card.version} of the data. A later "
        "form, a correction or a batch taken out can move a week long reported, and a "
        "week's neighbours where they borrow from it."
    )
    mine = moved.chosen(moves, areas=choice.areas, quantity=quantity)
    _figure(choice, mine, quantity=quantity)
    _table(choice, moves, quantity=quantity, mine=mine)


def _nothing_before(card: BulletinMetadata) -> str:
    if "moved" not in card.tables:
        return (
            "This bulletin was kept before bulletins told what moved. Make it again from the store "
            "with `blackmouth bulletin`, and it will."
        )
    return (
        f"This is the first bulletin of season {numbers.plain(card.season)} on the shelf: there is "
        "nothing before it to compare with, so nothing can have moved. The next one, made after "
        "more data or a correction came in, will show here what it changed."
    )


def _figure(choice: Choice, mine: Sequence[Move], *, quantity: str) -> None:
    drawn = chart.drawn(mine)
    if not drawn:
        return
    st.header(f"{_label(quantity)}: before and now", anchor=False)
    signs = [*chart.SIGNS, *([chart.CUT] if chart.is_cut(drawn) else [])]
    signs += [chart.STEPS] if chart.span(drawn).is_log else []
    st.html(move_tables.signs(signs))
    figure = chart.dumbbells(drawn, book=choice.book, palette=palette(dark=is_dark()))
    words = chart.description(drawn, book=choice.book, label=_label(quantity))
    st.plotly_chart(figure, theme=None, config=PLOT, key="moved-chart", alt=words)
    many = sum(move.kind == moved.REVISED for move in mine)
    if many > len(drawn):
        st.caption(f"The {len(drawn)} largest of {many}, by their error before; the table has all.")


def _table(choice: Choice, moves: Sequence[Move], *, quantity: str, mine: Sequence[Move]) -> None:
    book = choice.book
    told = [move for move in mine if move.kind != moved.NEW]
    if told:
        st.header(f"{_label(quantity)}: what moved", anchor=False)
        st.html(move_tables.moves_table(told[:LINES], book=book))
        if len(told) > LINES:
            with st.expander(f"{len(told) - LINES} more, smaller moves"):
                st.html(move_tables.moves_table(told[LINES:], book=book))
    whole = moved.chosen(moves, areas=choice.areas)
    others = move_tables.counts(move for move in whole if move.kind == moved.REVISED)
    if others:
        with st.expander("How many weekly figures of each quantity moved"):
            st.html(others)
    st.download_button(
        "Download every move (CSV)",
        html_tables.csv(move_tables.of_areas(book.bulletin.moved, areas=choice.areas)),
        file_name=f"{book.card.bulletin}.moved.csv",
        mime="text/csv",
        on_click="ignore",
    )


def _label(quantity: str) -> str:
    return QUANTITIES[quantity].label


show()
