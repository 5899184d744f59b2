"""The choices of a page: season, bulletin, week, areas; each stands in the link.

A link holds every choice, also those that are the default today, because tomorrow's default is
another week. Only the newest bulletin of a season goes without saying.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import streamlit as st

from dashboard import data, text

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from analytics.bulletin.shelf import Card
    from dashboard.book import Book

T = TypeVar("T", bound=str)


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """What the reader chose.

    Parameters
    ----------
    book : Book
        The chosen bulletin.
    newest : bool
        No later bulletin of the season is on the shelf.
    week : str
        ISO week.
    areas : tuple of str
        Chosen areas; empty means all of them.
    """

    book: Book
    newest: bool
    week: str
    areas: tuple[str, ...]

    @property
    def shown(self) -> tuple[str, ...]:
        """The areas that figures show."""
        return self.areas or self.book.areas

    @property
    def domains(self) -> tuple[str | None, ...]:
        """The domains with a figure of their own: all areas together, or each chosen area."""
        return self.areas or (None,)


def choose(folder: Path, cards: Sequence[Card]) -> Choice:
    """Draw the filters and return the choices.

    Parameters
    ----------
    folder : Path
        The shelf.
    cards : sequence of Card
        Its cards, at least one.
    """
    left, middle, right = st.columns([2, 3, 4])
    seasons = list(dict.fromkeys(card.season for card in reversed(cards)))
    with left:
        season = pick("Season", seasons, key="season")
    mine = [card for card in reversed(cards) if card.season == season]
    card = _bulletin(mine, place=right)
    book = data.book(folder, card)
    weeks = list(reversed(book.weeks)) or [card.through]
    with middle:
        week = pick("Week", weeks, key="week", words=_week_words)
    with right:
        areas = _areas(book)
    return Choice(book=book, newest=card == mine[0], week=week, areas=areas)


def pick(
    label: str,
    options: Sequence[T],
    *,
    key: str,
    words: Callable[[str], str] = str,
    hidden: bool = False,
) -> T:
    """Draw a select box whose value starts from the link, and write it back to the link."""
    seed(key, options)
    visibility = "collapsed" if hidden else "visible"
    value = st.selectbox(label, options, key=key, format_func=words, label_visibility=visibility)
    write_link(key, value)
    return value


def switch(label: str, options: Sequence[T], *, key: str, words: Callable[[str], str]) -> T:
    """Draw a row of buttons, one of them chosen, tied to the link in the same way."""
    seed(key, options)
    value = st.segmented_control(
        label,
        options,
        key=key,
        format_func=words,
        required=True,
        label_visibility="collapsed",
    )
    write_link(key, value)
    return value


def seed(key: str, options: Sequence[str]) -> None:
    """Give a widget a valid value before it is drawn: the last choice, the link, the first."""
    held = st.session_state.get(key, st.query_params.get(key))
    st.session_state[key] = held if held in options else options[0]


def write_link(key: str, value: str | list[str] | None) -> None:
    """Put a choice into the link, or take it out where it goes without saying."""
    if not value:
        st.query_params.pop(key, None)
    elif (value if isinstance(value, list) else [value]) != st.query_params.get_all(key):
        st.query_params[key] = value


def _bulletin(mine: Sequence[Card], *, place: st.delta_generator.DeltaGenerator) -> Card:
    by_name = {card.bulletin: card for card in mine}
    if len(mine) == 1:
        write_link("bulletin", None)
        return mine[0]
    seed("bulletin", list(by_name))
    with place:
        name = st.selectbox(
            "Bulletin",
            list(by_name),
            key="bulletin",
            format_func=lambda one: _card_words(by_name[one], newest=one == mine[0].bulletin),
            help="Each bulletin is kept as it was made, from one version of the data.",
        )
    write_link("bulletin", None if name == mine[0].bulletin else name)
    return by_name[name]


def _areas(book: Book) -> tuple[str, ...]:
    held = st.session_state.get("area", st.query_params.get_all("area"))
    st.session_state["area"] = [area for area in held if area in book.areas]
    chosen = st.multiselect(
        "Areas",
        book.areas,
        key="area",
        format_func=book.name,
        placeholder="All areas",
        help="Leave empty for all areas together.",
    )
    write_link("area", list(chosen))
    return tuple(area for area in book.areas if area in chosen)


def _week_words(week: str) -> str:
    return f"{week} · {text.week_dates(week)}"


def _card_words(card: Card, *, newest: bool) -> str:
    words = f"through {card.through}, version {card.version}"
    return f"{words} (newest)" if newest else words
