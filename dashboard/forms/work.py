"""The form under way in a browser tab: typed, kept as a draft at each change, one tab at a time."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import RLock
from typing import TYPE_CHECKING, Any

import streamlit as st

from analytics.documents.paper_form import FIRST_FIELDS, LINE, PARTS
from analytics.errors import StoreError
from analytics.people import Action
from dashboard import people
from dashboard.catalogue import phrase, say
from dashboard.forms import day_form, drafts, grid
from dashboard.forms.day_form import DayForm
from dashboard.forms.drafts import Draft, DraftChanged
from dashboard.forms.grid import Grid

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

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
