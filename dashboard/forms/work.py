"""The form under way in a browser tab: typed, kept as a draft at each change, one tab at a time.

What the page of paper forms draws of it: drafts, the site-day, a grid a part, choices.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import RLock
from typing import TYPE_CHECKING, Any

import streamlit as st

from analytics.documents.paper_form import FIRST_FIELDS, LINE, PARTS, blank_form, head, interview_id
from analytics.errors import StoreError
from analytics.people import Action
from analytics.wording import numbers
from dashboard import people, store_access
from dashboard.catalogue import phrase, say, say_n
from dashboard.forms import day_form, drafts, grid
from dashboard.forms.day_form import DayForm
from dashboard.forms.drafts import Draft, DraftChanged
from dashboard.forms.grid import Beside, Grid, beside, findings_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    from analytics.data.snapshot import Snapshot
    from dashboard.forms.day_form import CheckedForm, Difference

    #: Codes of a column, each with its words.
    Known = Sequence[tuple[str, str]]


_KEY = "paper-form"
_KEYS = phrase(
    "Ctrl+Enter begins a fish of this boat, or the next one, Ctrl+Shift+Enter a line of another "
    "species; Escape then goes back to the boat."
)
_NOUNS = {
    "site_day": phrase("Line"),
    "boats": phrase("Boat"),
    "fish": phrase("Fish"),
    "bycatch": phrase("Other"),
}
#: What is done with a form: keyed, keyed a second time, or both keyings compared.
KEYING, SECOND, COMPARING = "keying", "second", "comparing"


@dataclass(slots=True)
class Work:
    """A form under way.

    `revision` is that of the draft this tab wrote or read last; `generation` numbers the widgets,
    which are made anew whenever something else than typing changed the form. `elsewhere` is set
    where another tab changed the draft; `fault` says why it could not be kept; `is_gone` where a
    link named a draft that is not there. `lock`: a run of the page that is stopped goes on for a
    moment beside the next one, and both would keep the draft.
    """

    name: str
    revision: int = 0
    saved_utc: str = ""
    stage: str = KEYING
    first: DayForm = field(default_factory=DayForm)
    second: DayForm = field(default_factory=DayForm)
    chosen: dict[str, str] = field(default_factory=dict)
    n_decided: int | None = None
    generation: int = 0
    shown: DayForm = field(default_factory=DayForm)
    elsewhere: DraftChanged | None = None
    fault: str = ""
    is_gone: bool = False
    lock: AbstractContextManager[Any] = field(default_factory=RLock, compare=False, repr=False)

    @property
    def form(self) -> DayForm:
        """The keying that is shown."""
        return self.second if self.stage == SECOND else self.first

    def renew(self) -> None:
        """Give the widgets the form as it stands now."""
        self.generation += 1
        self.shown = self.form

    def content(self) -> dict[str, Any]:
        """Return what a draft holds of it."""
        return {
            "stage": self.stage,
            "first": day_form.to_json(self.first),
            "second": day_form.to_json(self.second),
            "chosen": dict(self.chosen),
            "n_decided": self.n_decided,
        }

    def take(self, draft: Draft) -> None:
        """Take what a draft holds; `StoreError` where that is no form."""
        content = draft.content
        try:
            first, second = (
                day_form.from_json(content.get(part) or {}) for part in ("first", "second")
            )
            chosen = {str(key): str(one) for key, one in (content.get("chosen") or {}).items()}
        except (TypeError, ValueError, AttributeError) as error:
            raise StoreError(
                say(
                    "the draft {draft} holds no form; it is left as it is: open it in a text "
                    "editor to see what was typed",
                    draft=draft.name,
                )
            ) from error
        stage = content.get("stage")
        self.name, self.revision, self.saved_utc = draft.name, draft.revision, draft.saved_utc
        self.first, self.second, self.chosen = first, second, chosen
        self.stage = stage if stage in (SECOND, COMPARING) else KEYING
        self.n_decided = content.get("n_decided")
        self.elsewhere, self.fault = None, ""
        self.renew()


def current(folder: Path, name: str) -> Work:
    """Return this tab's work; another draft than before is read first (`StoreError` if it cannot).

    A name without a draft, as that of one that was stored, begins a new form.
    """
    work: Work | None = st.session_state.get(_KEY)
    if work is None or (name and name != work.name):
        work = Work(name or drafts.new_name(), generation=work.generation + 1 if work else 0)
        if name and drafts.is_there(folder, name):
            work.take(drafts.load(folder, name))
        elif name:
            work.is_gone = True
        st.session_state[_KEY] = work
    return work


def begin() -> Work:
    """Begin a new form in this tab; the one before stays as a draft."""
    before: Work | None = st.session_state.get(_KEY)
    work = Work(drafts.new_name(), generation=before.generation + 1 if before else 0)
    st.session_state[_KEY] = work
    return work


def held() -> Work | None:
    """Return the form of this tab; None where there is none."""
    return st.session_state.get(_KEY)


def keep(work: Work, folder: Path) -> None:
    """Keep the work as a draft, unless another tab changed it: then nothing is written."""
    people.require(Action.DRAFT)
    save(work, folder)


def save(work: Work, folder: Path) -> None:
    """Keep the work as `keep` does, without asking who is there."""
    by = drafts.by(people.who())
    with work.lock:
        if work.elsewhere is not None:
            return
        try:
            saved = drafts.save(folder, work.name, work.content() | by, revision=work.revision)
        except DraftChanged as changed:
            work.elsewhere = changed
        except StoreError as error:
            work.fault = str(error)
        else:
            work.revision, work.saved_utc, work.fault = saved.revision, saved.saved_utc, ""


# What is typed in the fields of a form, read before they are drawn again.


def grid_of(work: Work, known: Mapping[str, Known] | None = None) -> Grid:
    """Return the form as it is keyed; `known` are codes of columns with their words."""
    parts = []
    for number, part in enumerate(PARTS.values(), start=1):
        is_fields = not part.lines
        names = [column.name for column in part.columns]
        parts.append(
            grid.Part(
                part.name,
                f"{number} · {part.title}",
                part.columns,
                work.shown.lines(part.name),
                caption=f"{say(grid.KEYS)} {say(_KEYS)}" if part.name == "boats" else "",
                label=say("{part}, one a line", part=part.title),
                noun=say(_NOUNS[part.name]),
                link=LINE.name if LINE in part.columns else "",
                is_fields=is_fields,
                folded=tuple(name for name in names if is_fields and name not in FIRST_FIELDS),
                fold=say("Fields that some designs need"),
                has_ids=part.name == "boats",
                known=known or {},
            )
        )
    key = f"form-{work.generation}-{work.stage}"
    return Grid(key, tuple(parts), f"{work.name}-{work.stage}", work.revision)


def read_typed(work: Work) -> bool:
    """Take what was typed since the run before; return whether that changed the form."""
    with work.lock:
        return _read_typed(work)


def _read_typed(work: Work) -> bool:
    stage, drawn = work.stage, grid_of(work)
    if not grid.is_drawn(drawn.key):
        # The reader comes back from another page: the form is drawn anew from what was typed.
        if work.shown != work.form:
            work.renew()
        return False
    form = work.shown
    for part, lines in drawn.typed().items():
        form = form.with_lines(part, lines)
    if form == work.form:
        return False
    if stage == SECOND:
        work.second = form
    else:
        work.first = form
    return True


_LISTED, _LONGEST = 30, 60


def begin_anew() -> None:
    """Begin a new form; the one before stays as a draft."""
    begin()
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
    keep(under_way, store_access.desk("drafts"))
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
    grid.draw(grid_of(under_way, _known(snapshot)), marks, is_kept=is_kept)
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
        is_changed = read_typed(under_way)
        if is_changed:
            keep(under_way, folder)
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
        keep(under_way, folder)
        st.rerun()


def _text_words(keying: str, text: str) -> str:
    shown = numbers.plain(text or say("(empty)"))
    if keying == day_form.FIRST_KEYING:
        return say("first: {text}", text=shown)
    return say("second: {text}", text=shown)
