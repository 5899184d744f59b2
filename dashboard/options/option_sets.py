"""The options of a reader: kept between runs, given by the link, read from a file; their changes.

Each kind of change that the form offers is here; a field left as it is changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import streamlit as st

from analytics.documents.rules_in_words import TodaysRules
from analytics.errors import UsageError
from analytics.options.option import Change, Option, OptionSet
from analytics.options.option_file import from_link, read_options, to_link
from dashboard import url_state
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    from analytics.options.baseline import Baseline
    from analytics.wording.bulletin_index import BulletinIndex


class ChangeKind(StrEnum):
    """What a change may be about, in the order of the form."""

    DATES = "dates"
    WEEKDAYS = "weekdays"
    DAILY = "daily"
    LENGTH = "length"
    MARKED = "marked"
    METHODS = "methods"
    DEATHS = "deaths"
    EFFORT = "effort"
    SPAN = "span"


LABELS = {
    ChangeKind.DATES: phrase("Opening and closing"),
    ChangeKind.WEEKDAYS: phrase("Days of the week"),
    ChangeKind.DAILY: phrase("Daily limit"),
    ChangeKind.LENGTH: phrase("Minimum length"),
    ChangeKind.MARKED: phrase("Marked fish only"),
    ChangeKind.METHODS: phrase("Fishing methods"),
    ChangeKind.DEATHS: phrase("Deaths of released fish"),
    ChangeKind.EFFORT: phrase("Effort"),
    ChangeKind.SPAN: phrase("Date window"),
}
#: Fields of a change that belong to each kind.
FIELDS = {
    ChangeKind.DATES: ("close_from", "reopen_from", "open_through"),
    ChangeKind.WEEKDAYS: ("open_weekdays",),
    ChangeKind.DAILY: ("daily_limit_fish", "at_limit"),
    ChangeKind.LENGTH: ("min_length_mm",),
    ChangeKind.MARKED: ("mark_selective",),
    ChangeKind.METHODS: ("method_mix",),
    ChangeKind.DEATHS: ("release_rates",),
    ChangeKind.EFFORT: ("effort_factor",),
    ChangeKind.SPAN: ("first_day", "last_day"),
}
_NONE = Change()


def kinds_of(change: Change) -> list[ChangeKind]:
    """Return what a change is about."""
    return [
        kind
        for kind, names in FIELDS.items()
        if any(getattr(change, name) != getattr(_NONE, name) for name in names)
    ]


def without(change: Change, kind: ChangeKind) -> Change:
    """Return a change with today's rule for a kind."""
    return replace(change, **{name: getattr(_NONE, name) for name in FIELDS[kind]})


def only(change: Change, kind: ChangeKind) -> Change:
    """Return a change in its areas and days that is about one kind alone."""
    for other in (one for one in ChangeKind if one not in (kind, ChangeKind.SPAN)):
        change = without(change, other)
    return change


@dataclass(frozen=True, slots=True, eq=False)
class FormContext:
    """What the widgets of a form offer."""

    index: BulletinIndex
    baseline: Baseline

    def today(self, change: Change) -> TodaysRules:
        """Return today's rules over the areas of a change."""
        return TodaysRules(self.baseline, change.areas, self.index.name)


#: Most options beside today's rule.
MOST = 10
#: The choice in the link, and what is held beside it: the set itself, its link, the form's number.
KEY = "set"
SET, _LINKED, _FORM, _FILE = "_set", "_set_linked", "_set_form", "_set_file"
TOO_LONG = phrase("These options are too long for a link: save them as a file to pass them on.")
KEPT = phrase("The file was not taken, and the options stay as they were:")
#: How long before the median date the first example closes, and, where no limit is reached with an
#: even chance, how long before the planned close: our choice, no source.
BEFORE, EARLY = timedelta(days=7), timedelta(days=14)
STARTS_FROM = phrase(
    "The option to start from closes the areas of the limit that is reached first, a week before "
    "the day by which it is exceeded with a probability of 50 %, or at once where that day is "
    "nearer. Where no limit is likely to be exceeded it closes two weeks before the planned close."
)


@dataclass(frozen=True, slots=True)
class FirstLimit:
    """The limit that is reached first: its areas, and the day by which it likely is, if any."""

    areas: tuple[str, ...]
    half: date | None


def held(baseline: Baseline, first: FirstLimit | None = None) -> tuple[OptionSet, list[str]]:
    """Return the set of this reader, or of the link, or an example, and what could not be had."""
    state = st.session_state
    if KEY in state and SET in state and state[KEY] == state.get(_LINKED):
        return state[SET], []
    asked = [state[KEY]] if state.get(KEY) else st.query_params.get_all(KEY)[-1:]
    if not asked:
        take(example(baseline, first))
        return state[SET], []
    try:
        found = from_link(asked[0])
    except UsageError as error:
        take(example(baseline, first))
        return state[SET], [say("{error}; an example stands in its place", error=error)]
    take(found)
    return state[SET], _over(found)


def take(found: OptionSet) -> None:
    """Hold another set than the form shows: the form is drawn anew."""
    state = st.session_state
    state[_FORM] = form() + 1
    hold(replace(found, options=found.options[:MOST]))


def hold(found: OptionSet) -> str:
    """Hold what the form shows now; return why it has no link, empty where it has one."""
    state = st.session_state
    why = ""
    if state.get(SET) != found or KEY not in state:
        try:
            state[_LINKED] = to_link(found)
        except UsageError as error:
            state[_LINKED] = ""
            why = str(error)
    elif not state.get(_LINKED):
        why = say(TOO_LONG)
    state[SET], state[KEY] = found, state[_LINKED]
    return why


def note() -> None:
    """Write the set into the link; call it after the form."""
    url_state.note(KEY, st.session_state[KEY])


def form() -> int:
    """Return the number of the form: another one has other widgets."""
    return int(st.session_state.get(_FORM, 0))


def uploaded(
    file: Any, check: Callable[[OptionSet], Sequence[str]] = lambda found: ()
) -> list[str] | None:
    """Take the set of a file that was not taken yet; one with a fault leaves the set as it was."""
    if file is None or st.session_state.get(_FILE) == file.file_id:
        return None
    st.session_state[_FILE] = file.file_id
    try:
        found = read_options(file.getvalue())
    except UsageError as error:
        return [say(KEPT), *str(error).splitlines()]
    faults = list(check(found))
    if faults:
        return [say(KEPT), *faults]
    take(found)
    return _over(found)


def _over(found: OptionSet) -> list[str]:
    n = len(found.options)
    if n <= MOST:
        return []
    return [
        say(
            "{n} options were given and the first {most} are shown; the command "
            "`blackmouth options` compares them all",
            n=n,
            most=MOST,
        )
    ]


def example(baseline: Baseline, first: FirstLimit | None = None) -> OptionSet:
    """Return the set that a reader starts from, by the rule in `STARTS_FROM`."""
    areas = () if first is None or set(first.areas) >= set(baseline.areas) else first.areas
    close = last_open(baseline, areas) - EARLY
    if first is not None and first.half is not None:
        close = first.half - BEFORE
    change = Change(areas=areas, close_from=max(close, first_day(baseline)))
    return OptionSet("", (Option(say("Close early"), (change,)),))


def added(found: OptionSet, one: Option) -> OptionSet:
    """Return a set with an option more, under a name of its own."""
    return named(replace(found, options=(*found.options, one)))


def named(found: OptionSet) -> OptionSet:
    """Return a set in which every option has a name, unlike those before it."""
    seen: set[str] = set()
    options = []
    for number, one in enumerate(found.options, start=1):
        start = one.name.strip() or say("Option {n}", n=number)
        name, again = start, 1
        while name.casefold() in seen:
            again += 1
            name = f"{start} ({again})"
        seen.add(name.casefold())
        options.append(replace(one, name=name))
    return replace(found, options=tuple(options))


def first_day(baseline: Baseline) -> date:
    """Return the first day to come."""
    day: date = baseline.days[0].astype(object)
    return day


def last_day(baseline: Baseline) -> date:
    """Return the last day of the horizon."""
    day: date = baseline.days[-1].astype(object)
    return day


def last_open(baseline: Baseline, areas: Sequence[str] = ()) -> date:
    """Return the last day that is open under today's rules; the first to come where none is."""
    rows = [at for at, area in enumerate(baseline.areas) if not areas or area in areas]
    is_open = np.flatnonzero(baseline.rules.is_open[rows].any(axis=0))
    day: date = baseline.days[is_open[-1] if is_open.size else 0].astype(object)
    return day
