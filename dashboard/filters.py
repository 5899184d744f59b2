"""The choices of a page: season, bulletin, week, areas; each stands in the link."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import streamlit as st

from analytics.units import DEFAULT_UNITS, Units, read_units
from analytics.wording import numbers
from dashboard import data, html_tables, url_state
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.wording.bulletin_index import BulletinIndex

T = TypeVar("T", bound=str)


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """What the reader chose; no area means all of them."""

    index: BulletinIndex
    newest: bool
    week: str
    areas: tuple[str, ...]

    @property
    def shown(self) -> tuple[str, ...]:
        """The areas that figures show."""
        return self.areas or self.index.areas

    @property
    def domains(self) -> tuple[str | None, ...]:
        """The domains with a figure of their own: all areas together, or each chosen area."""
        return self.areas or (None,)

    @property
    def area_names(self) -> tuple[str, ...]:
        """The names of the chosen areas; none where all are meant."""
        return tuple(self.index.name(area) for area in self.areas)


def choose(folder: Path, cards: Sequence[BulletinMetadata], *, with_week: bool = True) -> Choice:
    """Draw the filters and return the choices from at least one bulletin of an archive.

    Without `with_week` the page is about the season, and the last week of the bulletin stands in
    the choice.
    """
    with st.container(key="filters-box"):
        fold = st.container(key="fold")
        with st.container(key="filters"):
            choice = _filters(folder, cards, with_week=with_week)
        with fold:
            _fold(choice, with_week=with_week)
    return choice


def _filters(folder: Path, cards: Sequence[BulletinMetadata], *, with_week: bool) -> Choice:
    first, *middle, last = st.columns([2, 4, 4, 3] if with_week else [2, 5, 4])
    seasons = data.seasons_of(cards)
    with first:
        season = pick(say("Season"), seasons, key="season")
    mine = [card for card in reversed(cards) if card.season == season]
    with last:
        card = _bulletin(mine)
    index = data.bulletin_index(folder, card)
    week = card.through
    if with_week:
        with middle[0]:
            weeks = list(reversed(index.weeks)) or [card.through]
            week = pick(say("Week"), weeks, key="week", words=week_words)
    with middle[-1]:
        areas = _areas(index)
    return Choice(index=index, newest=card == mine[0], week=week, areas=areas)


def _fold(choice: Choice, *, with_week: bool) -> None:
    """Draw what a phone shows in the place of the filters: the choice, and a button to change it.

    The style sheet hides the filters of a narrow screen until it is pressed. The button is a piece
    of its own whose words never change, so that it stays open while choices are made.
    """
    areas = ", ".join(choice.index.name(area) for area in choice.domains)
    at = choice.week if with_week else say("through {week}", week=choice.index.card.through)
    words = f"{choice.index.card.season} · {at} · {areas}"
    st.html(html_tables.block("bm-choice", words))
    st.html(
        f"<details class='bm-fold'><summary aria-label='{say('Change the choices of the page')}'>"
        f"{say('Change')}</summary></details>"
    )


def pick(label: str, options: Sequence[T], *, key: str, words: Callable[[str], str] = str) -> T:
    """Draw a select box whose value starts from the link and stands in it."""
    url_state.seed(key, options)
    value = st.selectbox(label, options, key=key, format_func=words)
    url_state.note(key, value)
    return value


def switch(label: str, options: Sequence[T], *, key: str, words: Callable[[str], str]) -> T:
    """Draw a row of buttons, one of them chosen, tied to the link in the same way."""
    url_state.seed(key, options)
    value = st.segmented_control(
        label, options, key=key, format_func=words, required=True, label_visibility="collapsed"
    )
    assert value is not None  # one is always chosen
    url_state.note(key, value)
    return value


def _bulletin(mine: Sequence[BulletinMetadata]) -> BulletinMetadata:
    by_name = {card.bulletin: card for card in mine}
    url_state.seed("bulletin", list(by_name))
    name = st.selectbox(
        say("Bulletin"),
        list(by_name),
        key="bulletin",
        format_func=lambda one: _card_words(by_name[one], newest=one == mine[0].bulletin),
    )
    url_state.note("bulletin", name, is_unsaid=name == mine[0].bulletin)
    return by_name[name]


def _areas(index: BulletinIndex) -> tuple[str, ...]:
    url_state.seed_many("area", index.areas)
    chosen = st.multiselect(
        say("Areas"), index.areas, key="area", format_func=index.name, placeholder=say("All areas")
    )
    url_state.note("area", list(chosen))
    return tuple(area for area in index.areas if area in chosen)


def week_words(week: str) -> str:
    """Return a week and its dates, as choices show it."""
    return f"{week} · {numbers.week_dates(week)}"


def _card_words(card: BulletinMetadata, *, newest: bool) -> str:
    known = {"week": card.through, "version": card.version}
    if newest:
        return say("{week}, version {version} (newest)", **known)
    return say("{week}, version {version}", **known)


#: The choice of the season so far among weeks.
_SEASON = "season"


def span(weeks: Sequence[str]) -> str | None:
    """Draw the choice between the season so far and one week; return None for the season."""

    def words(one: str) -> str:
        return say("The season so far") if one == _SEASON else f"{one} · {numbers.week_dates(one)}"

    chosen = pick(say("Time"), [_SEASON, *weeks], key="span", words=words)
    return None if chosen == _SEASON else chosen


#: Choices of units that a page offers; a link may hold any other.
UNITS = ("in.lb.dmy", "in.lb.mdy", "cm.kg.dmy", "cm.kg.ymd", "mm.g.dmy")
_ORDERS = {
    "dmy": phrase("day month"),
    "mdy": phrase("month day"),
    "ymd": phrase("year-month-day"),
}


def pick_units(first: str = DEFAULT_UNITS.code) -> Units:
    """Draw the choice of units, which the link keeps for all pages; `first` goes without saying."""
    asked = st.session_state.get("units") or st.query_params.get("units", "")
    options = list(dict.fromkeys([first, *UNITS]))
    if asked and asked not in options and read_units(asked):
        options.append(asked)
    url_state.seed("units", options)
    code = st.selectbox(say("Units"), options, key="units", format_func=_units_words)
    url_state.note("units", code, is_unsaid=code == first)
    return read_units(code) or DEFAULT_UNITS


def units() -> Units:
    """Return the units that the link has for all pages."""
    asked = url_state.noted().get("units", [""])[-1]
    return read_units(asked) or DEFAULT_UNITS


#: How a field of a day is typed; by numbers where the link says nothing, for all to read alike.
_TYPED = {"dmy": "DD/MM/YYYY", "mdy": "MM/DD/YYYY", "ymd": "YYYY-MM-DD"}


def day_format() -> str:
    """Return how a field of a day is typed."""
    return _TYPED[units().dates if "units" in url_state.noted() else "ymd"]


def _units_words(code: str) -> str:
    found = read_units(code) or DEFAULT_UNITS
    length = say("inches") if found.length == "in" else str(found.length)
    return f"{length}, {found.weight}, {say(_ORDERS[found.dates])}"
