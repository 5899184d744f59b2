"""Revisions: which figures already reported changed since the bulletin before, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.quantities import label_of
from analytics.wording import numbers
from analytics.wording import week as sentences
from dashboard import filters, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts import revisions as chart
from dashboard.page_frame import Chosen, colours, draw_page, lead
from dashboard.revisions import moves as move_tables
from dashboard.revisions import moves as moved
from dashboard.revisions import season_effect

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.bulletin.archive import BulletinMetadata
    from dashboard.filters import Choice
    from dashboard.revisions.moves import Move
    from dashboard.revisions.season_effect import SeasonEffect

FIGURES = (sentences.MET, sentences.KEPT, sentences.EFFORT, sentences.RATE, sentences.SHARE)
FIRST = phrase(
    "This is the first bulletin of season {season} in the archive: there is nothing before it to "
    "compare with, so nothing can be revised. The next one, made after more data or a correction "
    "came in, will show here what it changed."
)
#: Lines of the table in sight; the rest unfold.
LINES = 10


def _body(chosen: Chosen, moves: Sequence[Move]) -> None:
    choice, card = chosen.choice, chosen.choice.index.card
    before = _called(card, chosen.cards)
    if not before:
        lead(say(FIRST, season=numbers.plain(card.season)))
        return
    found = season_effect.effects(choice.index, moves, choice.domains)
    words = (
        season_effect.effect_answer(choice.index, found, area, before=before)
        for area in choice.domains
    )
    lead("\n\n".join(words))
    st.caption(
        say(
            "Through week {week}, as of version {version} of the data. A later form, a correction "
            "or a batch taken out can change a week reported long ago, and a week's neighbours "
            "where they borrow from it.",
            week=card.through,
            version=card.version,
        )
    )
    _season(choice, moves, found)
    page_frame.part(lambda: _quantity(choice, moves, before=before))
    page_frame.download(say("all revisions"), choice.index.bulletin.revisions, choice, "revisions")


def _season(choice: Choice, moves: Sequence[Move], found: Sequence[SeasonEffect]) -> None:
    """Draw the season's headline figures before and now, then those of areas that moved."""
    st.header(say("The season, weeks already reported"), anchor=False)
    if not found:
        st.markdown(say("No week has a figure on both sides."))
        return
    st.html(season_effect.effect_table(choice.index, found))
    st.caption(say(season_effect.MEANING))
    if choice.areas:
        return
    by_area = season_effect.effects(choice.index, moves, choice.index.areas)
    moved = [one for one in by_area if one.n_revised]
    if moved:
        with st.expander(say("By area, what was revised")):
            st.html(season_effect.effect_table(choice.index, moved))


def _quantity(choice: Choice, moves: Sequence[Move], *, before: str) -> None:
    """Draw the areas and weeks of one quantity, which the reader chooses."""
    st.header(say("By area and week"), anchor=False)
    quantity = filters.switch(say("Figure"), FIGURES, key="show", words=label_of)
    st.markdown(
        moved.revisions_answer(
            choice.index, moves, areas=choice.areas, quantity=quantity, before=before
        )
    )
    mine = moved.chosen(moves, areas=choice.areas, quantity=quantity)
    _figure(choice, mine, quantity=quantity)
    _table(choice, moves, mine=mine)


def _called(card: BulletinMetadata, cards: Sequence[BulletinMetadata]) -> str:
    """Return what the bulletin before is called; empty where there is none."""
    for one in cards:
        if card.since == one.bulletin:
            return say(
                "the bulletin through week {week} (version {version} of the data)",
                week=one.through,
                version=one.version,
            )
    return say("the bulletin {name}", name=card.since) if card.since else ""


def _figure(choice: Choice, mine: Sequence[Move], *, quantity: str) -> None:
    drawn = chart.plotted(mine)
    if not drawn:
        return
    most = f"{moved.where(drawn[0], index=choice.index)}: {moved.shift(drawn[0])}"
    st.markdown(
        say(
            "**{quantity}, the most important in {scale}**",
            quantity=numbers.plain(label_of(quantity)),
            scale=numbers.plain(most),
        )
    )
    signs = [*chart.SIGNS, *([chart.CUT] if chart.is_cut(drawn) else [])]
    signs += [chart.STEPS] if chart.span(drawn).is_log else []
    page_frame.signs(signs)
    figure = chart.dumbbells(drawn, index=choice.index, palette=colours())
    words = chart.description(drawn, index=choice.index, label=label_of(quantity))
    page_frame.chart(figure, key="moved-chart", alt=words)
    many = sum(move.kind == moved.REVISED for move in mine)
    if many > len(drawn):
        st.caption(
            say("The {n} most important of {many}; the table has all.", n=len(drawn), many=many)
        )


def _table(choice: Choice, moves: Sequence[Move], *, mine: Sequence[Move]) -> None:
    index = choice.index
    changed = [move for move in mine if move.kind != moved.NEW]
    own = [move for move in changed if not move.is_pooled]
    pooled = [move for move in changed if move.is_pooled]
    if own:
        st.html(move_tables.moves_table(own[:LINES], index=index))
    for rest, words in (
        (own[LINES:], say("more revisions of less importance")),
        (pooled, say("changed by pooling alone: no new data of their own area and week")),
    ):
        if rest:
            with st.expander(f"{len(rest)} {words}"):
                st.html(move_tables.moves_table(rest, index=index))
    of_areas = moved.chosen(moves, areas=choice.areas)
    others = move_tables.counts(move for move in of_areas if move.kind == moved.REVISED)
    if others:
        with st.expander(say("How many weekly figures of each quantity were revised")):
            st.html(others)


draw_page(
    phrase("Revisions"),
    "revisions",
    view="moves",
    body=_body,
    needs=("revisions",),
    older=phrase("This bulletin was kept before bulletins showed revisions."),
)
