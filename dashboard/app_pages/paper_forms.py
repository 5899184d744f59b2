"""Paper forms: keying a day's forms, checked as one types, kept as drafts, stored as a batch."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

from analytics.data import importing
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.errors import BlackmouthError
from analytics.findings import Severity, number_of
from analytics.people import Action
from analytics.wording import numbers
from dashboard import notices, page_frame, people, store_access, url_state
from dashboard.catalogue import phrase, say, say_n
from dashboard.desk.batches import receipt_words
from dashboard.forms import day_form, drafts, work
from dashboard.forms.grid import SIGNS, findings_table
from dashboard.forms.work import COMPARING, KEYING, SECOND, Work

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.forms.day_form import CheckedForm
    from dashboard.forms.grid import Placed

_RECEIPT = "paper-form-receipt"
#: The form, as it was when warnings were shown that only all of the store gives rise to.
_WARNED = "paper-form-warned"
_LATER = phrase(
    "Lines are compared with each other and with the store once site and date are there and every "
    "cell can be read."
)
_NEXT = phrase(
    "Next: the next form, or the bulletin made anew on the page *New bulletin*. A mistake is taken "
    "back on the page *Data desk*, where the batch stands in the history."
)


# Of the path alone: who may have it is asked before.
@st.cache_resource(max_entries=2, show_spinner=False)
def _store(path: str) -> Store:
    return Store(Path(path))


def show() -> None:
    """Draw the page, or say in words why it cannot be drawn."""
    url_state.follow("paper_forms")
    st.title(say("Paper forms"))
    notices.invented()
    people.require(Action.DRAFT)
    try:
        path = store_access.store_path()
        if path is None:
            page_frame.lead(say(notices.NO_STORE))
            return
        store, folder = _store(str(path)), store_access.desk("drafts")
        under_way = work.current(folder, st.query_params.get("draft", ""))
        work.keep_typed(under_way, folder)
        _page(under_way, store, folder)
    except BlackmouthError as error:
        st.error(numbers.sentence(str(error)))
        st.button(say("Begin a new form"), on_click=work.begin_anew, key="begin-after-fault")
    url_state.write()


def _page(under_way: Work, store: Store, folder: Path) -> None:
    # From the start: a link that changes while cells are typed would draw the page anew.
    url_state.note("draft", under_way.name)
    snapshot = store.snapshot() if store.exists else Snapshot.of({})
    # What comes and goes stands in a part that is always there: a form that moves is drawn anew.
    top, listed = st.container(), st.container()
    with listed:
        work.list_drafts(under_way, folder)
    if under_way.stage == COMPARING:
        _compare(under_way, folder)
        return
    checked = day_form.check_form(under_way.form, store)
    with top:
        _answer(under_way, checked)
    work.keyed_form(under_way, checked, snapshot)
    st.header(say("Check and store"), anchor=False)
    if under_way.stage == SECOND:
        _end_second(under_way)
    else:
        _end(under_way, checked, store, folder)


def _answer(under_way: Work, checked: CheckedForm) -> None:
    """Draw where the form stands in a sentence, and what happened to its draft."""
    receipt = st.session_state.pop(_RECEIPT, "")
    if receipt:
        st.success(receipt)
    form = under_way.form
    if under_way.stage == SECOND:
        page_frame.lead(
            say(
                "Second keying: type the same form again without looking at the first. Differences "
                "are shown at the end, cell by cell."
            )
        )
    elif form.is_empty:
        new = say(
            "A new form. Begin with the site and the date; then one line a boat, its fish "
            "and other species below, each with the line of its boat."
        )
        gone = say("The draft of this link was stored or dropped.") if under_way.is_gone else ""
        page_frame.lead(f"{gone} {new}".strip())
    else:
        page_frame.lead(_held_words(under_way, checked))
        if checked.n_errors or not checked.sample:
            st.caption(say(_LATER))
        else:
            sample = numbers.plain(checked.sample)
            st.caption(
                say("Becomes site-day {sample}; boats are numbered after it.", sample=sample)
            )
    work.draft_state(under_way)


def _held_words(under_way: Work, checked: CheckedForm) -> str:
    """Return what a form holds, and how much of it is to be corrected (Markdown)."""
    boats, fish, others = (_n_lines(under_way, part) for part in day_form.LINED)
    state = say("nothing to correct")
    if n := checked.n_errors:
        state = say_n(n, "{n} error to correct", "{n} errors to correct")
    return say(
        "**{form}**: {boats}, {fish}, {others}; {state}.",
        form=numbers.plain(day_form.title_words(under_way.form)),
        boats=say_n(boats, "{n} boat", "{n} boats"),
        fish=say_n(fish, "{n} fish measured", "{n} fish measured"),
        others=say_n(others, "{n} line of other species", "{n} lines of other species"),
        state=state,
    )


def _n_lines(under_way: Work, part: str) -> int:
    return sum(map(bool, under_way.form.lines(part)))


# The end of a form: a second keying, the store's own row, and the batch.


def _end(under_way: Work, checked: CheckedForm, store: Store, folder: Path) -> None:
    snapshot = store.snapshot() if store.exists else Snapshot.of({})
    form = under_way.form
    if under_way.n_decided is not None:
        st.caption(
            say_n(
                under_way.n_decided,
                "Keyed twice; {n} difference decided.",
                "Keyed twice; {n} differences decided.",
            )
        )
    is_confirmed = _ask(under_way, checked, snapshot)
    why = ""
    if form.is_empty:
        why = say("The form is empty.")
    elif not checked.sample:
        why = say("Fill in the site and the date first.")
    elif checked.n_errors:
        why = say_n(
            checked.n_errors,
            "Correct {n} error first; warnings may stay.",
            "Correct {n} errors first; warnings may stay.",
        )
    elif not is_confirmed:
        why = say("Say first that the stored site-day is to be replaced.")
    elif under_way.elsewhere is not None:
        why = say("Choose first how to continue this draft.")
    left, middle, _ = st.columns([1, 1, 1])
    label = say("Store the form")
    if left.button(label, type="primary", disabled=bool(why), key="store-form", width="stretch"):
        _store_form(under_way, checked, store, folder)
    middle.button(
        say("Key it a second time"),
        on_click=_to,
        args=(SECOND,),
        disabled=form.is_empty or under_way.elsewhere is not None,
        help=say("Optional: the same form keyed again, differences shown cell by cell."),
        key="key-again",
        width="stretch",
    )
    if why:
        st.caption(why)


def _ask(under_way: Work, checked: CheckedForm, snapshot: Snapshot) -> bool:
    """Ask whether a site-day of the store is to be replaced; True where there is none."""
    found = day_form.stored_day(checked, snapshot) if checked.sample else None
    if found is None:
        return True
    gone = ""
    if found.not_on_form:
        listed = ", ".join(found.not_on_form[:6]) + (" ..." if len(found.not_on_form) > 6 else "")
        gone = say_n(
            len(found.not_on_form),
            "{n} row of the store is not on this form and stays: {rows}.",
            "{n} rows of the store are not on this form and stay: {rows}.",
            rows=listed,
        )
    there = say(
        "The store has site-day {sample} already, with {boats}. Storing this form adds {new} and "
        "replaces {old}; what was there stays in the history.",
        sample=checked.sample,
        boats=say_n(found.n_boats, "{n} boat", "{n} boats"),
        new=say_n(found.n_added, "{n} row", "{n} rows"),
        old=say_n(found.n_changed, "{n} row", "{n} rows"),
    )
    st.warning(numbers.plain(f"{SIGNS[Severity.WARNING]} {there} {gone}".strip()))
    if not any(under_way.form.lines(part) for part in day_form.LINED):
        st.button(
            say("Load it into the form to correct it"),
            on_click=_load_stored,
            args=(snapshot, checked.sample),
            key="load-stored",
        )
    return st.checkbox(
        say("Replace the stored rows of {sample}", sample=numbers.plain(checked.sample)),
        key=f"replace-{under_way.name}-{checked.sample}",
    )


def _load_stored(snapshot: Snapshot, sample: str) -> None:
    url_state.read_in_language()
    under_way: Work = st.session_state["paper-form"]
    form = day_form.as_form(snapshot, sample)
    if form is None:
        st.session_state[_RECEIPT] = say(
            "The store's rows of this site-day have other ids than a form makes: correct them as "
            "a file on the page *Data desk*."
        )
        return
    under_way.first = form
    under_way.renew()
    work.keep(under_way, store_access.desk("drafts"))


def _is_warned(form: day_form.DayForm, warnings: Sequence[Placed]) -> bool:
    """Draw warnings that were not there while the form was typed; True where they stood before."""
    key = json.dumps(day_form.to_json(form), sort_keys=True)
    if not warnings or st.session_state.get(_WARNED) == key:
        return True
    st.session_state[_WARNED] = key
    st.html(findings_table(warnings))
    st.warning(
        say(
            "Beside all of the store the form has these warnings. If it is right as it stands, "
            "press *Store the form* again."
        )
    )
    return False


def _store_form(under_way: Work, typed: CheckedForm, store: Store, folder: Path) -> None:
    """Check the form against all of the store and store it as one batch."""
    people.require(Action.STORE)
    checked = day_form.check_whole(under_way.form, store)
    if checked.n_errors:
        for found in checked.found.values():
            if found:
                st.html(findings_table([one for one in found if one.is_error]))
        return
    if not _is_warned(under_way.form, checked.beyond(typed)):
        return
    about = {}
    if under_way.n_decided is not None:
        # Kept with the batch for every reader, so not said in the language of this one.
        decided = number_of(under_way.n_decided, "difference")
        about = importing.about_reason(f"keyed twice, {decided} decided")
    receipt = importing.store_checked(checked.checked, store, about=about, who=people.who())
    if under_way.revision:
        drafts.remove(folder, under_way.name, revision=under_way.revision)
    st.session_state[_RECEIPT] = f"{numbers.plain(receipt_words(receipt))} {say(_NEXT)}"
    work.begin_anew()
    st.rerun()


def _to(stage: str) -> None:
    """Turn to another stage of the form and keep that with the draft."""
    under_way: Work = st.session_state["paper-form"]
    under_way.stage = stage
    under_way.renew()
    work.keep(under_way, store_access.desk("drafts"))


def _end_second(under_way: Work) -> None:
    left, right, _ = st.columns([1, 1, 1])
    left.button(
        say("Compare the two keyings"),
        type="primary",
        on_click=_to,
        args=(COMPARING,),
        disabled=under_way.second.is_empty,
        key="compare",
        width="stretch",
    )
    label = say("Back to the first keying")
    right.button(label, on_click=_to, args=(KEYING,), key="back", width="stretch")


def _compare(under_way: Work, folder: Path) -> None:
    """Draw every difference with both texts to choose from, one by one."""
    found = day_form.differences(under_way.first, under_way.second)
    left = day_form.undecided(found, under_way.chosen)
    title = numbers.plain(day_form.title_words(under_way.first))
    if found:
        words = say_n(
            len(found),
            "**{form}** was keyed twice: {n} cell differs, {left} to decide. Look at the paper and "
            "choose what stands there.",
            "**{form}** was keyed twice: {n} cells differ, {left} to decide. Look at the paper and "
            "choose what stands there.",
            form=title,
            left=len(left),
        )
    else:
        words = say("**{form}** was keyed twice: the two are the same in every cell.", form=title)
    page_frame.lead(words)
    work.draft_state(under_way)
    for one in found:
        work.choice(under_way, one, folder)
    forth, back, _ = st.columns([1, 1, 1])
    forth.button(
        say("Use these choices") if found else say("Go on to store it"),
        type="primary",
        on_click=_decide,
        disabled=bool(left),
        key="decide",
        width="stretch",
    )
    label = say("Back to the second keying")
    back.button(label, on_click=_to, args=(SECOND,), key="to-second", width="stretch")


def _decide() -> None:
    under_way: Work = st.session_state["paper-form"]
    found = day_form.differences(under_way.first, under_way.second)
    under_way.n_decided = len(found)
    under_way.first = day_form.decided(under_way.first, under_way.second, under_way.chosen)
    under_way.second, under_way.chosen = day_form.DayForm(), {}
    _to(KEYING)


show()
