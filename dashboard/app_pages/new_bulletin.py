"""The page New bulletin: make it from what the store holds, see what changed, add a note."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.bulletin.notes import LONGEST, add_note, notes
from analytics.bulletin.step_record import STEP
from analytics.errors import BlackmouthError, NotAStoreError, StoreError
from analytics.people import Action
from analytics.quantities import capitalised
from analytics.settings import FishBasis
from analytics.wording import numbers
from analytics.wording import week as sentences
from dashboard import (
    data,
    document_buttons,
    filters,
    new_bulletin,
    notices,
    people,
    store_access,
    url_state,
)
from dashboard.catalogue import phrase, say, say_n
from dashboard.new_bulletin import StoreState, read_state, standing_words
from dashboard.page_frame import lead
from dashboard.revisions import moves

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.bulletin.notes import Note

BASES = {
    FishBasis.REPORTED: phrase("As interviews report"),
    FishBasis.SAMPLED: phrase("As test fishing shows"),
}
NEWEST = "newest"
#: Lines of the table of what changed.
LINES = 6
#: How often a page asks how far the process is.
EVERY_SECONDS = 1.0
EMPTY = phrase(
    "The store holds no site-days or interviews yet. Bring the week's files to the *Data desk* "
    "first; the bulletin is made from what is accepted there."
)


def _page() -> None:
    url_state.follow("new_bulletin")
    st.title(say("New bulletin"))
    notices.invented()
    people.require(Action.NOTE)
    folder = store_access.desk("bulletin")
    store = store_access.store()
    assert store is not None  # the desk is its folder
    state = read_state(store)
    if not state.seasons:
        lead(say(EMPTY))
        return
    archive = data.archive_folder() or store.path / "bulletins"
    cards, _ = data.kept_bulletins(archive)
    season = st.session_state.get("season", state.seasons[0])
    season = season if season in state.weeks else state.seasons[0]
    lead(standing_words(state, cards, season))
    now = new_bulletin.progress(folder)
    _wishes(state, folder, store.path, is_busy=now.is_busy)
    _progress(now, folder)
    _outcome(now, archive, [card for card in cards if card.season == season])
    url_state.write()


def _wishes(state: StoreState, folder: Path, store: Path, *, is_busy: bool) -> None:
    """Draw what can be asked for and the button."""
    columns = st.columns([2, 4, 4], vertical_alignment="bottom")
    with columns[0]:
        season = filters.pick(say("Season"), state.seasons, key="season")
    with columns[1]:
        through = filters.pick(
            say("Through week"), (NEWEST, *state.weeks[season]), key="through", words=_week_words
        )
    with columns[2]:
        basis = filters.pick(say("Released fish"), tuple(BASES), key="basis", words=_basis_words)
    is_mine = people.may(Action.MAKE_BULLETIN)
    asked = st.button(
        say("Make the bulletin"),
        type="primary",
        disabled=is_busy or not is_mine,
        help=None if is_mine else say("Analysts make bulletins."),
        key="make",
    )
    if asked:
        people.require(Action.MAKE_BULLETIN)
        options = ["--season", season, "--basis", str(basis)]
        options += [] if through == NEWEST else ["--through", through]
        try:
            with st.spinner(say("Starting")):
                new_bulletin.start(folder, store, options, who=people.who())
        except BlackmouthError as error:
            st.error(numbers.plain(error))
        else:
            st.rerun()


def _progress(now: new_bulletin.Progress, folder: Path) -> None:
    """Draw how far the process is, asked again and again as long as it runs."""
    if now.is_busy:
        st.fragment(_follow, run_every=EVERY_SECONDS)(folder)
    elif now.has_failed:
        st.error(numbers.plain(say("The bulletin was not made: {error}", error=now.error)))


def _follow(folder: Path) -> None:
    url_state.read_in_language()
    people.require(Action.SEE_STORE)
    now = new_bulletin.progress(folder)
    if not now.is_busy:
        st.rerun()
    steps = [one for one in now.record.steps if one.kind == STEP]
    here = steps[-1].words if steps else say("starting")
    doing = f"{capitalised(here)} …"
    if now.part is None:  # a bar that stays empty would look as if nothing went on
        st.markdown(doing)
    else:
        st.progress(now.part, text=doing)
    words = say(
        "The bulletin is made in a process of its own: this page can be left, and the bulletin "
        "will be there."
    )
    st.caption(f"{say('Step {n}.', n=len(steps))} {words}" if steps else words)


def _outcome(now: new_bulletin.Progress, archive: Path, cards: Sequence[BulletinMetadata]) -> None:
    """Draw the bulletin of a season made last: what changed, and its note."""
    record = now.record
    if now.is_busy or not cards:
        return
    made = [one for one in cards if one.bulletin == record.bulletin]
    card = made[0] if made else cards[-1]
    st.header(say("Bulletin through week {week}", week=card.through), anchor=False)
    words = say(
        "Season {season}, version {version} of the data, made {day}",
        season=numbers.plain(card.season),
        version=card.version,
        day=numbers.instant_words(card.made_utc),
    )
    if made and card.made_utc >= record.steps[0].at_utc[:19]:
        words += say(" in {seconds:.0f} s", seconds=record.seconds[-1])
        words += say(", asked for by {who}", who=numbers.plain(now.who)) if now.who else ""
    elif made:
        words += say("; the same data give the same bulletin, so it is left as it was")
    st.caption(f"{words}.")
    document_buttons.bulletin_buttons(card, key="new")
    st.page_link(
        "app_pages/week.py",
        label=say("Open it on This week"),
        icon=":material/arrow_forward:",
        query_params={"season": card.season, "bulletin": card.bulletin},
    )
    _changes(card, cards)
    _note(archive, card)


def _changes(card: BulletinMetadata, cards: Sequence[BulletinMetadata]) -> None:
    st.subheader(say("What changed since the bulletin before"), anchor=False)
    before = next((one for one in cards if one.bulletin == card.since), None)
    if before is None:
        st.markdown(say("It is the first bulletin of its season here: nothing to compare it with."))
        return
    archive = data.archive_folder()
    assert archive is not None
    index = data.bulletin_index(archive, card)
    found = data.view("moves", card)
    words = say(
        "the bulletin through week {week} (version {version} of the data)",
        week=before.through,
        version=before.version,
    )
    st.markdown(
        moves.revisions_answer(index, found, areas=(), quantity=sentences.MET, before=words)
    )
    met = moves.chosen(found, areas=(), quantity=sentences.MET)
    own = [move for move in met if move.kind == moves.REVISED and not move.is_pooled]
    if own:
        st.html(moves.moves_table(own[:LINES], index=index))
    st.page_link(
        "app_pages/revisions.py",
        label=say("Every revision"),
        icon=":material/arrow_forward:",
        query_params={"season": card.season, "bulletin": card.bulletin},
    )


def _note(archive: Path, card: BulletinMetadata) -> None:
    """Draw the analyst's note with its earlier versions, and the form for the next."""
    st.subheader(say("The analyst's note"), anchor=False)
    try:
        kept = notes(archive, card.bulletin)
    except StoreError:
        return  # said above, with the documents
    with st.form("note", border=False):
        text = st.text_area(
            say(
                "What a reader should know that the figures do not say: weather, a ramp closed, a "
                "sampler ill, a batch still to come"
            ),
            value=kept[-1].text if kept else "",
            max_chars=LONGEST,
            key=f"note-{card.bulletin}",
        )
        columns = st.columns([3, 2], vertical_alignment="bottom")
        name = people.who()
        if name is None:
            author = columns[0].text_input(
                say("Your name or initials (shown with the note)"),
                value=kept[-1].author if kept else "",
                max_chars=60,
                key=f"author-{card.bulletin}",
            )
        else:
            author = name
            columns[0].caption(
                say("Kept and shown under your name, {name}.", name=numbers.plain(name))
            )
        if columns[1].form_submit_button(say("Keep the note")):
            people.require(Action.NOTE)
            try:
                add_note(archive, card.bulletin, text, author=author)
            except BlackmouthError as error:
                st.error(numbers.plain(error))
            else:
                st.rerun()
    if kept:
        st.caption(_note_words(kept[-1]))
    if len(kept) > 1:
        head = say_n(
            len(kept) - 1, "{n} earlier version of the note", "{n} earlier versions of the note"
        )
        with st.expander(head):
            for one in reversed(kept[:-1]):
                st.text(one.text or say("(taken back)"))
                st.caption(_note_words(one))


def _note_words(note: Note) -> str:
    day = numbers.instant_words(note.at_utc)
    if not note.author:
        return say("Kept {day}.", day=day) if note.text else say("Taken back {day}.", day=day)
    # The time stands last: initials end with a dot of their own.
    who = numbers.plain(note.author)
    if note.text:
        return say("Kept by {author}, {day}.", author=who, day=day)
    return say("Taken back by {author}, {day}.", author=who, day=day)


def _week_words(week: str) -> str:
    return say("All weeks sampled") if week == NEWEST else filters.week_words(week)


def _basis_words(basis: str) -> str:
    return say(BASES[FishBasis(basis)])


try:
    _page()
except NotAStoreError as error:
    st.error(numbers.plain(error))
except BlackmouthError as error:
    notices.unreadable(error)
notices.foot()
