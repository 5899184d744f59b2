"""The link holds every choice of the page, so that a pasted one opens the same view.

Also choices that are the default today stand in it, because tomorrow's default is another week.
Streamlit's own binding leaves defaults out and writes an area's name in the place of its code.
"""

from __future__ import annotations

import html
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import streamlit as st

from analytics.units import DEFAULT_UNITS, read_units, say_dates_in
from dashboard import catalogue
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

#: How much of a wish is said back.
LONGEST = 60
_NOT_THERE = {
    "season": phrase("there is no bulletin of season {asked}"),
    "bulletin": phrase("there is no such bulletin: {asked}"),
    "week": phrase("the bulletin has no week {asked}"),
    "area": phrase("the bulletin has no area {asked}"),
}
_NO_VALUE = phrase("{key} has no choice {asked}")
_NO_CHOICE = phrase("there is no choice called {key}")
#: Choices of a reader that every page keeps in the link, whether it draws them or not.
CARRIED = ("lang", "units")
_WRITTEN = "_link_written"
_OPENED = "_link_opened"
_SHOWN = "_link_shown"
_NOTED = "_link_noted"
_UNMET = "_link_unmet"
_PAGE = "_link_page"
_KNOWN = "_link_known"
_IS_WHOLE = "_link_is_whole"


def follow(page: str) -> None:
    """Take the choices of the link anew where the reader went back or forward; call it first.

    From here on the texts of the page, by the name of its script, are said in the link's language.
    A run in which a widget moved keeps the widget's value: its link may not have arrived yet. A
    reader who turned to this page from another of the menu comes without a link and keeps the
    choices that both pages have.
    """
    state = st.session_state
    shown: dict[str, str | list[str]] = state.get(_SHOWN, {})
    known = state.get(_KNOWN, {}) | shown
    is_other = _WRITTEN in state and _query() not in (state[_WRITTEN], state[_OPENED])
    carried: dict[str, list[str]] = _query()
    if state.get(_PAGE, page) != page and not _query():
        carried = state.get(_NOTED, {})
        for key, value in known.items():
            state[key] = value
    elif is_other and all(state.get(key, value) == value for key, value in shown.items()):
        for key in known:
            state.pop(key, None)
    elif state.get(_PAGE) == page:
        # One that moved on this page counts from its start on.
        carried |= {key: [state[key]] for key in CARRIED if key in shown and state.get(key)}
    state[_PAGE], state[_KNOWN] = page, known
    state[_NOTED], state[_SHOWN], state[_UNMET] = {}, {}, []
    state[_IS_WHOLE] = False
    for key in CARRIED:
        if asked := carried.get(key):
            note(key, asked[-1])
    read_in_language()


def read_in_language(page: str = "") -> None:
    """Say the texts of a page in the language of the link, and days in its order.

    Texts are those of the page that was last drawn where none is named.

    What runs without the page calls it: the menu, a part that is drawn alone, a step.
    """
    catalogue.read_in(page or st.session_state.get(_PAGE, catalogue.FRAME), language())
    say_dates_in((read_units(_carried("units")) or DEFAULT_UNITS).dates)


def language() -> str:
    """Return the language of the link, English if it names none."""
    return _carried("lang") or catalogue.ENGLISH


def _carried(key: str) -> str:
    """Return a choice that every page keeps in the link; empty where it names none."""
    state = st.session_state
    asked = state[_NOTED] if _NOTED in state else _query()
    return asked.get(key, [""])[-1]


def seed(key: str, options: Sequence[str]) -> None:
    """Give a widget a valid value before it is drawn: the last choice, the link, the first."""
    held = _held(key, st.query_params.get_all(key)[-1:], options)
    st.session_state[key] = held[0] if held else options[0]


def seed_many(key: str, options: Sequence[str]) -> None:
    """Give a widget of several values the valid ones of the last choice or of the link."""
    st.session_state[key] = _held(key, st.query_params.get_all(key), options)


def unmet() -> list[str]:
    """Return in words what the link asked for and cannot be had; call it after the last widget.

    A choice that is drawn later in the page is known only then, and so is a name that no widget
    bears.
    """
    return [
        say(_NO_CHOICE if asked is None else _NOT_THERE.get(key, _NO_VALUE), key=key, asked=asked)
        for key, asked in wishes()
    ]


def wishes() -> list[tuple[str, str | None]]:
    """Return what `unmet` says as keys and what was asked of them, None of no such key."""
    drawn = st.session_state[_SHOWN]
    unknown = [(key, None) for key in st.query_params if key not in drawn]
    return [*st.session_state[_UNMET], *unknown]


def note(key: str, value: str | list[str], *, is_unsaid: bool = False) -> None:
    """Remember a choice for the link; one that goes without saying stays out of it."""
    st.session_state[_SHOWN][key] = value
    if value and not is_unsaid:
        st.session_state[_NOTED][key] = value if isinstance(value, list) else [value]
    else:
        st.session_state[_NOTED].pop(key, None)


def noted() -> dict[str, list[str]]:
    """Return the choices noted so far, for links to other pages."""
    return dict(st.session_state[_NOTED])


def write() -> None:
    """Write the noted choices into the link at once; call it after the last widget.

    Written by Streamlit, the first link of a visit would be an entry of its own in the browser's
    history; so it is given to the script of the page, which later ones find there. Until one is
    written by Streamlit it takes the link that was opened for that of the page.
    """
    state, choices = st.session_state, noted()
    if _WRITTEN not in state:
        state[_OPENED] = _query()
        st.html(_given(choices))
    elif _query() != choices:
        st.query_params.from_dict(choices)
        state[_OPENED] = None
    state[_WRITTEN], state[_IS_WHOLE] = choices, True


def write_part() -> None:
    """Write the link after a part of a page was drawn anew alone; else the page's end does."""
    if st.session_state.get(_IS_WHOLE):
        write()


def send_on(page: str) -> None:
    """Let the browser open another page by this link, in the place of this one."""
    st.html(_given(_query(), page=page))


def _given(choices: Mapping[str, list[str]], *, page: str = "") -> str:
    """Return a link for the script of the page, as a mark that nobody sees."""
    query = html.escape(urlencode(choices, doseq=True), quote=True)
    return f"<div class='bm-link' data-page='{page}' data-query='{query}'></div>"


def _held(key: str, asked: list[str], options: Sequence[str]) -> list[str]:
    """Return the last choice of a widget, or what the link asks for, as far as it can be had."""
    state = st.session_state
    if key in state:
        asked = state[key] if isinstance(state[key], list) else [state[key]]
    else:
        state[_UNMET] += [(key, one[:LONGEST]) for one in asked if one not in options]
    return [one for one in asked if one in options]


def _query() -> dict[str, list[str]]:
    return {key: st.query_params.get_all(key) for key in st.query_params}
