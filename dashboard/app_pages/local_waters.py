"""Local waters: what fishing is like in one area, what may be kept, how to treat the fish."""

from __future__ import annotations

import os
from datetime import date
from html import escape
from typing import TYPE_CHECKING

import streamlit as st

from analytics.errors import BlackmouthError
from analytics.wording import numbers
from analytics.wording.bulletin_index import before_words, monday
from analytics.wording.regulations import rules_on
from dashboard import catalogue, data, filters, notices, page_frame, url_state
from dashboard.catalogue import say
from dashboard.charts import area_map, series
from dashboard.local_waters import facts as local
from dashboard.local_waters import text
from dashboard.page_frame import colours

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from streamlit.delta_generator import DeltaGenerator

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.regulations import AreaRules, Opening
    from dashboard.charts.area_map import MapArea
    from dashboard.local_waters.facts import LocalFacts
    from dashboard.local_waters.text import Words

PAGE = "local_waters"
_LANGUAGES = {"en": "English", "es": "Español"}
_MAP, _MAP_HEIGHT = "local-map", 340
#: What the map was pressed for; the select box takes it up before it is drawn.
_PRESSED = "_local_pressed"


#: On paper the page is one sheet: small letters, and columns that may be cut.
_ON_PAPER = (
    "<style>@media print {html {font-size: 10px !important;} .stColumn {break-inside: auto "
    "!important;} .st-key-local-map .svg-container {max-height: 240px; margin: 0 auto;} "
    "h3 {padding: .2rem 0 !important;}}</style>"
)


def draw() -> None:
    """Draw the page, or say in words why it cannot be drawn."""
    st.html(_ON_PAPER)
    url_state.follow(PAGE)
    top = st.container()
    with st.container(key="local-choices"):
        where, how = st.columns([3, 2])
        with how:
            words = _reader()
    with top:
        st.title(say("Local waters"))
        if os.environ.get(notices.DEMO_VARIABLE) == "1":
            st.caption(say("Invented demonstration data: Ondrell Sound and its fish do not exist."))
    try:
        if not _has_bulletin():
            every, names = data.store_openings()
            if every:
                _rules_alone(words, every, names, where)
                return
        folder, cards = _archive(words)
        if folder is None:
            return
        card = _card(cards)
        index = data.bulletin_index(folder, card)
        rates = data.view("rates", card)
    except BlackmouthError as error:
        if words.language == catalogue.ENGLISH:
            notices.unreadable(error)
        else:
            st.error(text.unreadable())
        return

    def ahead() -> Sequence[Opening]:
        return local.openings_after(index, data.store_openings()[0]) if card == cards[-1] else ()

    with where:
        label = say("Area: choose it here or on the map")
        area = _area(label, local.areas(index), index.name)
    wishes = st.container()
    if area is None:
        page_frame.lead(say("This bulletin has no area yet."))
    else:
        page_frame.tab_title(say("Local waters"), index.name(area))
        _body(words, index, local.local_facts(index, rates, area, ahead=ahead))
    with wishes:
        _unmet(words)
    url_state.write()


def _unmet(words: Words) -> None:
    if words.language == catalogue.ENGLISH:
        notices.unmet(url_state.unmet())
    elif unmet := url_state.wishes():
        st.warning(numbers.plain(text.unmet(unmet)))


def _has_bulletin() -> bool:
    """Whether there is a bulletin, one that cannot be read included: that has to be said."""
    folder = data.archive_folder()
    return folder is not None and any(one for one in data.kept_bulletins(folder))


def _rules_alone(
    words: Words, every: Sequence[Opening], names: Mapping[str, str], where: DeltaGenerator
) -> None:
    """Draw what the store knows before the first bulletin: what is open, rules, cautions."""
    areas = tuple(sorted({one.area for one in every}))
    today = date.today()
    rules = {area: rules_on(every, area=area, day=today) for area in areas}
    with where:
        area = _area(say("Area"), areas, lambda one: before_words(names.get(one, one)))
    page_frame.tab_title(say("Local waters"), before_words(names.get(area or "", "")))
    _unmet(words)
    page_frame.lead(text.no_bulletin())
    left, right = st.columns(2, gap="medium")
    with left:
        if area is not None:
            _keep(words, rules[area], has_bulletin=False)
        _head(say("Where is it open?"))
        lines = [
            f"- **{numbers.plain(before_words(names.get(one, one)))}**: "
            f"{text.open_words(words, of)}"
            for one, of in rules.items()
        ]
        st.markdown("\n".join(lines))
    with right:
        _release()
    _care(has_bulletin=False)
    url_state.write()


def _archive(words: Words) -> tuple[Path | None, Sequence[BulletinMetadata]]:
    """Return the folder of bulletins and their cards, and say in the language what is wrong.

    In English it is said as on every page, with the steps for whoever runs the program.
    """
    if words.language == catalogue.ENGLISH:
        return page_frame.open_archive()
    folder = data.archive_folder()
    cards, damaged = data.kept_bulletins(folder) if folder else ([], [])
    if damaged:
        st.warning(text.left_out(words, len(damaged)))
    if folder is None or not cards:
        st.markdown(text.nothing())
        return None, []
    return folder, cards


def _card(cards: Sequence[BulletinMetadata]) -> BulletinMetadata:
    """Return the bulletin that the link or another page asks for; else the newest."""
    seasons = data.seasons_of(cards)
    url_state.seed("season", seasons)
    season = st.session_state["season"]
    mine = {card.bulletin: card for card in reversed(cards) if card.season == season}
    url_state.seed("bulletin", list(mine))
    name = st.session_state["bulletin"]
    url_state.note("season", season)
    url_state.note("bulletin", name, is_unsaid=name == next(iter(mine)))
    return mine[name]


def _reader() -> Words:
    """Draw the choices of language and units, folded, and return the words of the page."""
    languages = catalogue.languages(PAGE)
    catalogue.read_in(PAGE, st.session_state.get("lang") or st.query_params.get("lang", ""))
    with st.expander(say("Language and units")):
        url_state.seed("lang", languages)
        language = st.selectbox(
            say("Language"),
            languages,
            key="lang",
            format_func=lambda one: _LANGUAGES.get(one, one),
        )
        url_state.note("lang", language, is_unsaid=language == catalogue.ENGLISH)
        return text.Words(language, filters.pick_units(filters.UNITS[0]))


def _area(label: str, areas: Sequence[str], name: Callable[[str], str]) -> str | None:
    """Draw the choice of an area by name; one that was pressed on the map comes first."""
    if not areas:
        return None
    pressed = st.session_state.pop(_PRESSED, None)
    if pressed in areas:
        st.session_state["area"] = pressed
    url_state.seed("area", areas)
    area = st.selectbox(
        label,
        areas,
        key="area",
        format_func=name,
    )
    url_state.note("area", area)
    return str(area)


def _body(words: Words, index: BulletinIndex, facts: LocalFacts) -> None:
    left, right = st.columns([7, 5], gap="medium")
    with left:
        page_frame.lead(text.lately(words, facts, index.name(facts.area)))
        st.markdown(text.trend(words, facts))
        _recent(words, index, facts)
    with right:
        _map(words, index, facts)
    left, right = st.columns(2, gap="medium")
    with left:
        _keep(words, facts.rules)
        _limits(words, index, facts)
    with right:
        _release()
    _care()


def _release() -> None:
    _head(say("Let them go well"))
    st.markdown("\n".join(f"- {line}" for line in text.release_lines()))
    st.caption(text.release_source())


def _care(*, has_bulletin: bool = True) -> None:
    _head(say("On the water in winter"))
    st.markdown("\n".join(f"- {line}" for line in text.care_lines()))
    st.caption(text.no_regulation(has_bulletin=has_bulletin))


def _head(words: str) -> None:
    st.subheader(words, anchor=False)


def _recent(words: Words, index: BulletinIndex, facts: LocalFacts) -> None:
    weeks = local.recent_weeks(index)
    points = text.points(words, index, [(facts.area, week) for week in weeks])
    if not any(one.value is not None for one in points):
        return
    labels = [words.day(monday(week)) for week in weeks]
    title = say("Chinook met on a trip, week by week")
    st.markdown(f"**{title}**")
    figure = series.recent(points, weeks=weeks, labels=labels, palette=colours())
    known = "; ".join(f"{labels[int(one.at)]}: {one.words}" for one in points)
    page_frame.chart(figure, key="local-recent", alt=f"{title}. {known}.")


def _map(words: Words, index: BulletinIndex, facts: LocalFacts) -> None:
    """Draw the map, which can be pressed, and the same figures as a table."""
    week = facts.week or index.card.through
    areas = _map_areas(words, index, week)
    of = say("Chinook met on a trip, by area")
    st.markdown(f"**{of}**")
    ramps = local.ramps(index)
    figure = area_map.figure(
        areas,
        palette=colours(),
        chosen=facts.area,
        ramps=ramps,
        height=_MAP_HEIGHT,
    )
    pressed = page_frame.chart(
        figure,
        key=_MAP,
        alt=f"{of}. {'; '.join(f'{one.name}: {one.words}' for one in areas)}.",
        on_select="rerun",
        selection_mode="points",
    )
    codes = [str(one.get("customdata")) for one in pressed["selection"]["points"]]
    if codes and codes[0] in local.areas(index) and codes[0] != st.session_state.get("_local_last"):
        st.session_state["_local_last"] = codes[0]
        st.session_state[_PRESSED] = codes[0]
        st.rerun()
    signs = say(
        "Week of {week}. Stripes and !: few boats were asked. Dots: closed, or too few to say.",
        week=text.week_words(words, week),
    )
    if ramps and area_map.is_drawn_to_scale(areas):
        signs += " " + say("Triangles: ramps.")
    st.caption(signs)
    with st.expander(say("The map as a table")):
        st.html(_table(areas))


def _map_areas(words: Words, index: BulletinIndex, week: str) -> list[MapArea]:
    outlines = local.outlines(index)
    found = []
    for area, row in local.area_figures(index, week).items():
        sure = local.certainty(row)
        (point,) = text.points(words, index, [(area, week)])
        value = row.estimate if row else None
        none = say("closed") if local.is_closed(index, area, week) else say("too few")
        label = none if value is None else words.number(value, 1)
        found.append(
            area_map.MapArea(
                area=area,
                name=index.name(area),
                outline=outlines.get(area, ""),
                value=value,
                label=area_map.SIGNS[sure] + label,
                certainty=sure,
                words=point.words,
            )
        )
    return found


def _table(areas: Sequence[MapArea]) -> str:
    lines = "".join(
        f"<tr><th scope='row'>{escape(one.name)}</th><td>{escape(one.words)}</td></tr>"
        for one in areas
    )
    heads = (say("Area"), say("Chinook met on a trip"))
    top = "".join(f"<th scope='col'>{escape(one)}</th>" for one in heads)
    caption = escape(say("Chinook met on a trip, by area"))
    return (
        f"<table class='bm-table'><caption>{caption}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{lines}</tbody></table>"
    )


def _keep(words: Words, rules: AreaRules, *, has_bulletin: bool = True) -> None:
    _head(say("What you may keep"))
    st.markdown(text.open_words(words, rules))
    lines = text.keep_lines(words, rules)
    if lines:
        st.markdown("\n".join(f"- {name}: **{value}**" for name, value in lines))
    st.markdown(text.check_rules(has_bulletin=has_bulletin))


def _limits(words: Words, index: BulletinIndex, facts: LocalFacts) -> None:
    _head(say("How near is the season to its limits?"))
    st.markdown("\n".join(f"- {line}" for line in text.limit_lines(words, index, facts)))
    _head(say("When do the fish come?"))
    st.markdown(text.usual(words, facts))


draw()
