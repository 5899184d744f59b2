"""What the page of paper forms draws: drafts, the site-day, a grid a part, choices."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.documents.paper_form import PARTS, blank_form, head, interview_id
from analytics.people import Action
from analytics.wording import numbers
from dashboard import people, store_access
from dashboard.catalogue import phrase, say, say_n
from dashboard.forms import day_form, drafts, grid, work
from dashboard.forms.grid import Beside
from dashboard.forms.placed import beside, findings_table

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.data.snapshot import Snapshot
    from dashboard.forms.day_form import CheckedForm, Difference
    from dashboard.forms.work import Work

_LISTED, _LONGEST = 30, 60


def begin_anew() -> None:
    """Begin a new form; the one before stays as a draft."""
    work.begin()
    st.query_params.pop("draft", None)


def draft_state(under_way: Work) -> None:
    """Say whether the draft is kept, and what another tab did to it."""
    if under_way.fault:
        st.error(numbers.sentence(under_way.fault))
    elif under_way.elsewhere is not None:
        _told_of_elsewhere(under_way)
    elif under_way.saved_utc:
        st.caption(say(drafts.KEPT, time=under_way.saved_utc[11:16]))


def _told_of_elsewhere(under_way: Work) -> None:
    """Say that another tab changed the draft, and offer both ways on; nothing is overwritten."""
    newer = under_way.elsewhere.current if under_way.elsewhere else None
    if newer is None:
        words = say(
            "This draft was stored or dropped in another tab. What you typed here is not kept. "
            "Choose how to go on:"
        )
    else:
        words = say(
            "This draft was changed in another tab at {time} UTC. What you typed here since is on "
            "this page only, and nothing was overwritten. Choose how to go on:",
            time=newer.saved_utc[11:16],
        )
    st.warning(words)
    left, right, _ = st.columns([1, 1, 1])
    label = say("Keep mine as a draft of its own")
    left.button(label, on_click=_keep_apart, key="keep-mine", width="stretch")
    if newer is not None:
        right.button(
            say("Go on with the other tab's form"),
            on_click=under_way.take,
            args=(newer,),
            key="take-newer",
            width="stretch",
        )


def _keep_apart() -> None:
    people.require(Action.DRAFT)
    under_way = st.session_state["paper-form"]
    under_way.name, under_way.revision, under_way.elsewhere = drafts.new_name(), 0, None
    work.keep(under_way, store_access.desk("drafts"))
    st.query_params["draft"] = under_way.name


def list_drafts(under_way: Work, folder: Path) -> None:
    """Offer the drafts to go on with, and a new form."""
    found, unreadable = drafts.listed(folder)
    others = [one for one in found if one.name != under_way.name]
    for name in unreadable:
        st.warning(numbers.plain(say(drafts.DAMAGED, file=name)))
    people.offer(
        say("Printable blank form (PDF)"),
        blank_form,
        file_name="site_day_form.pdf",
        mime="application/pdf",
        key="blank-form",
    )
    if under_way.form.is_empty and not others:
        return
    title = say("Drafts to continue ({n}), or a new form", n=len(others))
    with st.expander(title, expanded=under_way.form.is_empty):
        if not under_way.form.is_empty:
            st.button(say("Begin a new form"), on_click=begin_anew, key="begin-new")
        for one in others[:_LISTED]:
            words = say(
                "{form}, kept {time}{by}",
                form=_draft_words(one),
                time=numbers.instant_words(one.saved_utc),
                by=one.by_words,
            )
            st.button(
                numbers.plain(words),
                on_click=_go_on,
                args=(one.name,),
                key=f"draft-{one.name}",
            )
        if len(others) > _LISTED:
            more = len(others) - _LISTED
            st.caption(say("and {n:,} older ones in the store's folder desk/drafts", n=more))


def _draft_words(draft: drafts.Draft) -> str:
    try:
        form = day_form.from_json(draft.content.get("first") or {})
    except (TypeError, ValueError, AttributeError):
        return say("draft {draft}", draft=draft.name)
    title = day_form.title_words(form)
    boats = say_n(sum(map(bool, form.boats)), "{n} boat", "{n} boats")
    return f"{title if len(title) <= _LONGEST else f'{title[: _LONGEST - 3]}...'} ({boats})"


def _go_on(name: str) -> None:
    st.query_params["draft"] = name


# The form: the site-day first, then the parts with lines.


def keyed_form(under_way: Work, checked: CheckedForm, snapshot: Snapshot) -> None:
    """Draw the form to key, and below it what was found."""
    marks = {}
    for name in PARTS:
        lines = under_way.form.lines(name)
        filled = [n for n, cells in enumerate(lines, start=1) if cells]
        # With a cell that cannot be read, rows are not compared yet: none is called in order.
        sound = filled if checked.sample and not checked.n_errors else ()
        made = {n: interview_id(checked.sample, n) for n in filled} if name == "boats" else {}
        found = () if under_way.form.is_empty else checked.found[name]
        marks[name] = Beside(beside(found, sound), made, found)
    is_kept = not under_way.fault and under_way.elsewhere is None
    grid.draw(work.grid_of(under_way, _known(snapshot)), marks, is_kept=is_kept)
    # In a part that is always there: a form that moves in the page is drawn anew.
    with st.container():
        for name, part in PARTS.items():
            if marks[name].found:
                st.subheader(part.title, anchor=False)
                noun = phrase("line") if part.lines else phrase("site-day")
                st.html(findings_table(list(marks[name].found), noun=noun))


def _known(snapshot: Snapshot) -> dict[str, list[tuple[str, str]]]:
    """Return the codes that the store has: sites and areas with their names, methods, species."""
    named = {
        name: list(
            zip(
                snapshot[f"{name}s"][name].to_pylist(),
                (one or "" for one in snapshot[f"{name}s"][f"{name}_name"].to_pylist()),
                strict=True,
            )
        )
        for name in ("site", "area")
    }
    for table, name in (("interviews", "method"), ("bycatch", "species")):
        some = (one for one in snapshot[table][name].unique().to_pylist() if one)
        named[name] = [(one, "") for one in sorted(some)]
    return named


def keep_typed(under_way: Work, folder: Path) -> bool:
    """Keep what was typed since the run before; return whether anything was."""
    with under_way.lock:
        is_changed = work.read_typed(under_way)
        if is_changed:
            work.keep(under_way, folder)
    return is_changed


def choice(under_way: Work, one: Difference, folder: Path) -> None:
    """Draw both texts of a difference to choose from, and keep the choice."""
    part = PARTS[one.part]
    line = one.boat or one.number
    where = part.title if not part.lines else say("{part}, line {n}", part=part.title, n=line)
    if one.boat:
        of = {"part": part.title, "boat": one.boat, "n": one.number}
        where = say("{part}, boat line {boat}, no. {n}", **of)
    texts = {day_form.FIRST_KEYING: one.first, day_form.SECOND_KEYING: one.second}
    chosen = under_way.chosen.get(one.address)
    key = f"choice-{under_way.generation}-{one.address}"
    picked = st.radio(
        numbers.plain(f"{where}: {head(part.column(one.column))}"),
        list(texts),
        index=list(texts).index(chosen) if chosen in texts else None,
        format_func=lambda keying: _text_words(keying, texts[keying]),
        horizontal=True,
        key=key,
    )
    if picked and picked != chosen:
        under_way.chosen[one.address] = picked
        work.keep(under_way, folder)
        st.rerun()


def _text_words(keying: str, text: str) -> str:
    shown = numbers.plain(text or say("(empty)"))
    if keying == day_form.FIRST_KEYING:
        return say("first: {text}", text=shown)
    return say("second: {text}", text=shown)
