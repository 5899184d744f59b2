"""The form of the page Compare rule changes: widgets that make options, one shown at a time."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import streamlit as st

from analytics.options.option import Change, Option
from dashboard.catalogue import phrase, say
from dashboard.options import fields, option_sets
from dashboard.options.option_sets import ChangeKind, FormContext

if TYPE_CHECKING:
    from analytics.options.option import OptionSet

#: Most changes of an option that the form adds; a file may have more, and they are shown.
MOST_CHANGES = 4
CHOSEN = "_set_chosen"
ABOUT = phrase(
    "Today's rules are always compared too. Each option says what it would change, from the day "
    "after the data end; a field left empty changes nothing."
)


def draw(found: OptionSet, ground: FormContext) -> OptionSet:
    """Draw the form and return the set as it stands in it; a pressed button starts a new run."""
    at = _choose(found)
    with st.container(border=True, key="option-box"):
        one = _option(found.options[at], ground, at=at)
    options = (*found.options[:at], one, *found.options[at + 1 :])
    made = option_sets.named(replace(found, options=options))
    _buttons(made, at)
    return made


def _choose(found: OptionSet) -> int:
    """Return which option the form shows."""
    n = len(found.options)
    if n == 1:
        st.empty()  # keeps the place of what follows, so that its folds stay as they are
        return 0
    key = fields.key("option")
    fields.seed(key, min(int(st.session_state.get(CHOSEN, 0)), n - 1))
    at = st.segmented_control(
        say("Option to change"),
        range(n),
        key=key,
        format_func=lambda one: f"{one + 1} · {found.options[one].name}",
        required=True,
        wrap=True,
    )
    st.session_state[CHOSEN] = int(at or 0)
    return int(at or 0)


def _option(one: Option, ground: FormContext, *, at: int) -> Option:
    start = f"{at}"
    name = fields.words(say("Name of the option"), one.name, f"{start}-name")
    changes = [
        _change(change, ground, start=f"{start}-{number}", number=number, of=len(one.changes))
        for number, change in enumerate(one.changes)
    ]
    with st.expander(say("How anglers respond")):
        response = _response(one, start)
    return replace(one, name=name, changes=tuple(changes), **response)  # type: ignore[arg-type]


def _change(change: Change, ground: FormContext, *, start: str, number: int, of: int) -> Change:
    """Draw a change: its areas, what it is about, and a row of widgets for each of that."""
    if of > 1:
        st.markdown(say("**Change {n}**", n=number + 1))
    left, right = st.columns([1, 2])
    with left:
        areas = fields.areas(change.areas, ground, start)
    with right:
        chosen = fields.kinds(option_sets.kinds_of(change), start)
    change = replace(change, areas=areas)
    for kind in ChangeKind:
        if kind in chosen:
            change = fields.draw(kind, change, ground, start)
        else:
            change = option_sets.without(change, kind)
    return change


def _response(one: Option, start: str) -> dict[str, float]:
    st.caption(
        say(
            "The data do not tell any of this: it is what you assume, and it is printed with the "
            "answer."
        )
    )
    places = st.columns(3)
    with places[0]:
        label = say("Trips of closed days that go to open areas")
        areas = fields.percent(label, one.to_other_areas_prop, f"{start}-areas")
    with places[1]:
        label = say("Trips of closed days that go to open days of the same area and week")
        days = fields.percent(label, one.to_other_days_prop, f"{start}-days")
    with places[2]:
        elasticity = fields.slide(
            say("Per cent more trips for 1 % more fish kept per trip"),
            one.elasticity,
            f"{start}-elasticity",
            ends=(0.0, 2.0),
            step=0.1,
        )
    if areas + days > 1:
        st.warning(
            say(
                "More than all trips of closed days are moved ({moved:.0f} %): those to open days "
                "are taken as {days:.0f} %.",
                moved=100 * (areas + days),
                days=100 * (1 - areas),
            )
        )
        days = round(1 - areas, 10)
    return {"to_other_areas_prop": areas, "to_other_days_prop": days, "elasticity": elasticity}


def _buttons(made: OptionSet, at: int) -> None:
    one, n = made.options[at], len(made.options)
    with st.container(horizontal=True, key="option-buttons"):
        if _pressed(say("Add an option"), "add", is_shut=n >= option_sets.MOST):
            turn(option_sets.added(made, Option(say("Option {n}", n=n + 1), (Change(),))), n)
        if _pressed(say("Copy this option"), "copy", is_shut=n >= option_sets.MOST):
            turn(option_sets.added(made, one), n)
        if _pressed(say("Add a change to it"), "more", is_shut=len(one.changes) >= MOST_CHANGES):
            turn(_with(made, at, replace(one, changes=(*one.changes, Change()))), at)
        is_bare = len(one.changes) < 2
        if _pressed(say("Drop its last change"), "less", is_shut=is_bare):
            turn(_with(made, at, replace(one, changes=one.changes[:-1])), at)
        if _pressed(say("Remove this option"), "remove", is_shut=n < 2):
            options = (*made.options[:at], *made.options[at + 1 :])
            turn(replace(made, options=options), max(at - 1, 0))


def _pressed(words: str, name: str, *, is_shut: bool) -> bool:
    return st.button(words, key=fields.key(f"press-{name}"), disabled=is_shut)


def _with(made: OptionSet, at: int, one: Option) -> OptionSet:
    return replace(made, options=(*made.options[:at], one, *made.options[at + 1 :]))


def turn(made: OptionSet, at: int) -> None:
    """Hold a set that the form does not show yet, and draw the page anew."""
    option_sets.take(made)
    st.session_state[CHOSEN] = at
    st.rerun()
