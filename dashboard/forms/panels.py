"""What the page of paper forms draws: drafts, the site-day, a grid a part, choices."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import streamlit as st

from analytics.documents.form_layout import FIRST_FIELDS, PARTS, head, interview_id
from analytics.findings import number_of
from analytics.people import Action
from analytics.wording import numbers
from dashboard import people, store_access
from dashboard.forms import day_form, drafts, grid, second_keying, work
from dashboard.forms.grid import Beside
from dashboard.forms.placed import beside, findings_table

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.data.schema import Column
    from analytics.data.snapshot import Snapshot
    from dashboard.forms.day_form import CheckedForm
    from dashboard.forms.second_keying import Difference
    from dashboard.forms.work import Work

#: Lines of a grid in sight.
_VISIBLE = {"boats": 10, "fish": 8, "bycatch": 5}
_LISTED = 30
_METHODS = 12
#: Checks wait for a pause in the typing; the next cell ends the wait.
_PAUSE_SECONDS = 0.4


def begin_anew() -> None:
    """Begin a new form; the one before stays as a draft."""
    work.begin()
    st.query_params.pop("draft", None)


def draft_state(under_way: Work) -> None:
    """Say whether the draft is kept, and what another tab did to it."""
    if under_way.fault:
        st.error(numbers.plain(f"{under_way.fault[:1].upper()}{under_way.fault[1:]}."))
    elif under_way.elsewhere is not None:
        _told_of_elsewhere(under_way)
    elif under_way.saved_utc:
        at = under_way.saved_utc[11:16]
        st.caption(f"Kept as a draft at {at} UTC. You may close the browser and go on later.")


def _told_of_elsewhere(under_way: Work) -> None:
    """Say that another tab changed the draft, and offer both ways on; nothing is overwritten."""
    newer = under_way.elsewhere.current if under_way.elsewhere else None
    if newer is None:
        words = "This draft was stored or dropped in another tab. What you typed here is not kept."
    else:
        words = (
            f"This draft was changed in another tab at {newer.saved_utc[11:16]} UTC. What you "
            "typed here since is on this page only, and nothing was overwritten."
        )
    st.warning(f"{words} Choose how to go on:")
    left, right, _ = st.columns([1, 1, 1])
    left.button(
        "Keep mine as a draft of its own", on_click=_keep_apart, key="keep-mine", width="stretch"
    )
    if newer is not None:
        right.button(
            "Go on with the other tab's form",
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


def _blank_form() -> bytes:
    from analytics.documents.blank_form import blank_form  # noqa: PLC0415 - loads Typst

    return blank_form()


def list_drafts(under_way: Work, folder: Path) -> None:
    """Offer the drafts to go on with, and a new form."""
    found, unreadable = drafts.listed(folder)
    others = [one for one in found if one.name != under_way.name]
    for name in unreadable:
        st.warning(numbers.plain(f"The draft file {name} is damaged; it is left as it is."))
    people.offer(
        "Printable blank form (PDF)",
        _blank_form,
        file_name="site_day_form.pdf",
        mime="application/pdf",
        key="blank-form",
    )
    if under_way.form.is_empty and not others:
        return
    with st.expander(
        f"Drafts to continue ({len(others)}), or a new form", expanded=under_way.form.is_empty
    ):
        if not under_way.form.is_empty:
            st.button("Begin a new form", on_click=begin_anew, key="begin-new")
        for one in others[:_LISTED]:
            words, at = _draft_words(one), one.saved_utc[:16].replace("T", " ")
            st.button(
                numbers.plain(f"{words}, kept {at} UTC{one.by_words}"),
                on_click=_go_on,
                args=(one.name,),
                key=f"draft-{one.name}",
            )
        if len(others) > _LISTED:
            st.caption(f"and {len(others) - _LISTED} older ones in the store's folder desk/drafts")


def _draft_words(draft: drafts.Draft) -> str:
    try:
        form = day_form.from_json(draft.content.get("first") or {})
    except (TypeError, ValueError, AttributeError):
        return f"draft {draft.name}"
    title = form.title if len(form.title) <= 60 else f"{form.title[:57]}..."
    return f"{title} ({number_of(sum(map(bool, form.boats)), 'boat')})"


def _go_on(name: str) -> None:
    st.query_params["draft"] = name


# The form: the site-day first, then the parts with lines.


def site_day(under_way: Work, checked: CheckedForm, snapshot: Snapshot) -> None:
    """Draw the fields of the site-day with what was found in them."""
    part = PARTS["site_day"]
    st.header("1 · Site-day", anchor=False)
    sites = dict(
        zip(
            snapshot["sites"]["site"].to_pylist(),
            snapshot["sites"]["site_name"].to_pylist(),
            strict=True,
        )
    )
    first = [part.column(name) for name in FIRST_FIELDS]
    rest = [column for column in part.columns if column.name not in FIRST_FIELDS]
    for place, column in zip(st.columns(len(first)), first, strict=True):
        with place:
            _field(under_way, column, sites if column.name == "site" else None)
    shown = under_way.form.site_day
    is_open = any(column.name in shown for column in rest)
    with st.expander("Fields that some designs need", expanded=is_open):
        for place, column in zip(st.columns(len(rest)), rest, strict=True):
            with place:
                _field(under_way, column)
    # In a part that is always there: a grid that moves is made anew and loses what is typed then.
    with st.container():
        if checked.sample:
            st.caption(
                f"Becomes site-day {numbers.plain(checked.sample)}; boats are numbered after it."
            )
        found = [] if under_way.form.is_empty else checked.found["site_day"]
        if found:
            st.html(findings_table(found, noun="site-day"))


def _field(under_way: Work, column: Column, known: dict[str, str | None] | None = None) -> None:
    """Draw a field of the site-day; the site may be one of the store's, or typed."""
    key = work.field_key(under_way, column.name)
    value = under_way.shown.site_day.get(column.name)
    label = head(column).capitalize()
    if known is None:
        hint = "YYYY-MM-DD" if column.name == "date" else None
        # No sign of help stands between the fields: it would stop the Tab key.
        st.text_input(label, value or "", key=key, placeholder=hint, max_chars=500)
        return
    typed = st.session_state.get(key, value)
    options = [*known, *([typed] if typed and typed not in known else [])]
    st.selectbox(
        label,
        options,
        index=options.index(value) if value in options else None,
        key=key,
        format_func=lambda one: f"{one} · {known[one]}" if known.get(one) else str(one),
        placeholder="type a code or a name",
        accept_new_options=True,
    )


def lined_parts(under_way: Work, checked: CheckedForm, snapshot: Snapshot) -> None:
    """Draw the grid of every part that has lines, and what was found under it."""
    areas = [str(one) for one in snapshot["areas"]["area"].to_pylist()]
    methods = sorted({one for one in snapshot["interviews"]["method"].unique().to_pylist() if one})
    words = {"area": areas, "method": methods[:_METHODS]}
    for number, name in enumerate(work.LINED, start=2):
        part = PARTS[name]
        st.header(f"{number} · {part.title}", anchor=False)
        if name == "boats":
            st.caption(grid.KEYS)
            known = [f"{noun}s {', '.join(some)}" for noun, some in words.items() if some]
            if known:
                st.caption(numbers.plain(f"Known {'; '.join(known)}."))
        filled = [n for n, cells in enumerate(under_way.form.lines(name), start=1) if cells]
        made = {n: interview_id(checked.sample, n) for n in filled} if name == "boats" else None
        # With a cell that cannot be read, rows are not compared yet: none is called in order.
        sound = filled if checked.sample and not checked.n_errors else ()
        marks = Beside(beside(checked.found[name], sound), made, words)
        with st.container(key=f"keying-{name}"):
            grid.draw(work.grid_of(under_way, name), marks, visible=_VISIBLE[name])
        with st.container():
            if checked.found[name]:
                st.html(findings_table(checked.found[name]))
            else:
                st.caption("No findings.")


def keep_typed(under_way: Work, folder: Path) -> bool:
    """Keep what was typed since the run before; return whether anything was."""
    is_changed = work.read_typed(under_way)
    if is_changed:
        work.keep(under_way, folder)
    return is_changed


def pause() -> None:
    """Wait for a pause in the typing: the next cell ends the wait with the run."""
    time.sleep(_PAUSE_SECONDS)


def choice(under_way: Work, one: Difference, folder: Path) -> None:
    """Draw both texts of a difference to choose from, and keep the choice."""
    part = PARTS[one.part]
    line = one.boat or one.number
    where = part.title if not part.lines else f"{part.title}, line {line}"
    if one.boat:
        where = f"{part.title}, boat line {one.boat}, no. {one.number}"
    texts = {second_keying.FIRST: one.first, second_keying.SECOND: one.second}
    chosen = under_way.chosen.get(one.address)
    key = f"choice-{under_way.generation}-{one.address}"
    picked = st.radio(
        numbers.plain(f"{where}: {head(part.column(one.column))}"),
        list(texts),
        index=list(texts).index(chosen) if chosen in texts else None,
        format_func=lambda keying: f"{keying}: {numbers.plain(texts[keying] or '(empty)')}",
        horizontal=True,
        key=key,
    )
    if picked and picked != chosen:
        under_way.chosen[one.address] = picked
        work.keep(under_way, folder)
        st.rerun()
