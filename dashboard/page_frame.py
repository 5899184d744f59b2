"""What every page does around its own part: title, choice of bulletin, errors in words, foot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import streamlit as st

from analytics.errors import BlackmouthError
from dashboard import data, filters, notices, url_state

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from analytics.bulletin.archive import BulletinMetadata
    from dashboard.filters import Choice

Loaded = TypeVar("Loaded")


@dataclass(frozen=True, slots=True, eq=False)
class Chosen:
    """What a reader chose, and the cards it was chosen from."""

    choice: Choice
    cards: Sequence[BulletinMetadata]


def framed(
    title: str,
    address: str,
    *,
    load: Callable[[Path, Choice], Loaded],
    body: Callable[[Chosen, Loaded], None],
    with_week: bool = True,
) -> None:
    """Draw a page, or say in words why it cannot be drawn.

    Parameters
    ----------
    title : str
    address : str
        The page's name in links.
    load : callable
        Reads what the page needs beyond the chosen bulletin.
    body : callable
        Draws the page's own part.
    with_week : bool
        Whether the reader chooses a week too.
    """
    st.title(title)
    notices.invented()
    url_state.follow(address)
    try:
        folder = data.shelf_folder()
        cards = data.cards(folder) if folder else []
        notices.damaged(data.damaged(folder) if folder else [])
        if folder is None or not cards:
            notices.empty_shelf(folder)
            return
        choice = filters.choose(folder, cards, with_week=with_week)
        loaded = load(folder, choice)
    except BlackmouthError as error:
        notices.unreadable(error)
        return
    wishes = st.container()
    body(Chosen(choice, cards), loaded)
    notices.foot()
    with wishes:
        notices.unmet(url_state.unmet())
    url_state.write()
