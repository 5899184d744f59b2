"""The widgets of a change, each seeded from the option it changes; keys end with their run."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import streamlit as st

from analytics.catch_limits import join_words
from analytics.options.option import AtLimit
from analytics.options.option_checks import idle_areas
from analytics.units import MM_AN_INCH, Length, amount, at_least, both_lengths
from analytics.wording import numbers
from dashboard import filters
from dashboard.catalogue import phrase, say, say_n
from dashboard.options import option_sets
from dashboard.options.option_sets import LABELS, ChangeKind, kinds_of, only

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.options.option import Change
    from dashboard.options.option_sets import FormContext

DAYS = {
    "1": phrase("Mon"),
    "2": phrase("Tue"),
    "3": phrase("Wed"),
    "4": phrase("Thu"),
    "5": phrase("Fri"),
    "6": phrase("Sat"),
    "7": phrase("Sun"),
}
AT_LIMIT = {
    AtLimit.GO_ON: phrase("go on fishing and release what they catch"),
    AtLimit.STOP: phrase("stop and go home"),
}
_AS_TODAY = phrase("as today")
MARKED = {
    "": _AS_TODAY,
    "marked": phrase("only marked fish"),
    "all": phrase("marked and unmarked fish"),
}
_MARKED = {None: "", True: "marked", False: "all"}
#: What today's rule of a kind is called in `analytics.documents.rules_in_words.RULES`.
RULES = {
    ChangeKind.DATES: "close",
    ChangeKind.WEEKDAYS: "weekdays",
    ChangeKind.DAILY: "daily_limit",
    ChangeKind.LENGTH: "min_length",
    ChangeKind.MARKED: "marked",
}
WOUNDS = {
    "any": phrase("any hook wound"),
    "shallow": phrase("shallow hooks"),
    "deep": phrase("deep hooks"),
}
SIZES = {
    "sublegal": phrase("sublegal fish"),
    "legal": phrase("legal fish"),
    "any": phrase("all fish"),
}


def key(name: str) -> str:
    """Return the key of a widget of the form that is shown now."""
    return f"weigh-{option_sets.form()}-{name}"


def seed(name: str, value: Any) -> None:
    """Give a widget its value before it is drawn for the first time."""
    if name not in st.session_state:
        st.session_state[name] = value


def words(label: str, value: str, name: str) -> str:
    """Draw a line of text."""
    seed(key(name), value)
    return str(st.text_input(label, key=key(name), max_chars=80)).strip()


def slide(label: str, value: float, name: str, *, ends: tuple[float, float], step: float) -> float:
    """Draw a slider, long enough for its value."""
    low, high = min(ends[0], value), max(ends[1], value)
    seed(key(name), float(value))
    return float(st.slider(label, low, high, step=step, key=key(name), format="%g"))


def percent(label: str, part: float, name: str, *, most: int = 100) -> float:
    """Draw a slider in percent and return the part."""
    shown = slide(label, round(100 * part, 6), name, ends=(0.0, float(most)), step=1.0)
    kept = round(100 * part, 6) == shown
    return part if kept else shown / 100


def areas(chosen: Sequence[str], ground: FormContext, start: str) -> tuple[str, ...]:
    """Draw the areas of a change; none is all of them."""
    known = ground.baseline.areas
    options = [*known, *(one for one in chosen if one not in known)]
    name = key(f"{start}-areas")
    seed(name, list(chosen))

    def said(one: str) -> str:
        if one in known:
            return ground.index.name(one)
        return say("{area} (not in this season)", area=one)

    label, every = say("Where"), say("All areas")
    found = st.multiselect(label, options, key=name, format_func=said, placeholder=every)
    return tuple(one for one in options if one in found)


def kinds(chosen: Sequence[ChangeKind], start: str) -> list[ChangeKind]:
    """Draw what a change is about."""
    name = key(f"{start}-kinds")
    seed(name, list(chosen))
    found = st.pills(
        say("What changes"),
        list(ChangeKind),
        selection_mode="multi",
        key=name,
        format_func=lambda one: say(LABELS[one]),
        wrap=True,
    )
    return [ChangeKind(one) for one in found or []]


def draw(kind: ChangeKind, change: Change, ground: FormContext, start: str) -> Change:
    """Draw the widgets of one kind, today's rule below, and return the change as they tell it."""
    made: Change = _DRAWN[kind](change, ground, f"{start}-{kind}")
    said = [*_today(kind, made, ground), *_idle(kind, made, ground)]
    if said:
        st.caption(numbers.plain(" ".join(said)))
    return made


def _today(kind: ChangeKind, change: Change, ground: FormContext) -> list[str]:
    """Return today's rule over the areas of a change, the areas named where it differs."""
    if kind not in RULES:
        return []
    rule = ground.today(change).words(RULES[kind], are_named=True)
    return [say("Today: {rule}.", rule=rule)]


def _idle(kind: ChangeKind, change: Change, ground: FormContext) -> list[str]:
    """Return in which areas a change of a kind leaves the rules as they are."""
    mine = only(change, kind)
    if kind not in kinds_of(mine) or kind is ChangeKind.SPAN:
        return []
    same = idle_areas(ground.baseline, mine)
    if not same:
        return []
    names = join_words([ground.index.name(area) for area in same])
    return [say("Nothing changes in {areas}: it is today's rule there.", areas=names)]


def _dates(change: Change, ground: FormContext, start: str) -> Change:
    close, reopen, open_ = st.columns(3)
    with close:
        closed = _day(say("Closed from"), change.close_from, ground, f"{start}-close")
    with reopen:
        again = _day(say("Open again from"), change.reopen_from, ground, f"{start}-reopen")
    with open_:
        longer = _day(say("Open longer, through"), change.open_through, ground, f"{start}-open")
    return replace(change, close_from=closed, reopen_from=again, open_through=longer)


def _span(change: Change, ground: FormContext, start: str) -> Change:
    left, right, _ = st.columns(3)
    with left:
        first = _day(say("Changed from"), change.first_day, ground, f"{start}-first")
    with right:
        last = _day(say("Changed through"), change.last_day, ground, f"{start}-last")
    return replace(change, first_day=first, last_day=last)


def _day(label: str, value: date | None, ground: FormContext, name: str) -> date | None:
    ends = [option_sets.first_day(ground.baseline), option_sets.last_day(ground.baseline)]
    ends += [value] if value else []
    seed(key(name), value)
    return st.date_input(
        label, min_value=min(ends), max_value=max(ends), key=key(name), format=filters.day_format()
    )


def _weekdays(change: Change, _: FormContext, start: str) -> Change:
    name = key(f"{start}-days")
    seed(name, [one for one in DAYS if one in change.open_weekdays])
    found = st.pills(
        say("Open on"),
        list(DAYS),
        selection_mode="multi",
        key=name,
        format_func=lambda one: say(DAYS[one]),
    )
    if not found:
        st.caption(
            say("No day is chosen, so the days stay as they are; to close, choose a day above.")
        )
    return replace(change, open_weekdays="".join(one for one in DAYS if one in (found or [])))


def _daily(change: Change, ground: FormContext, start: str) -> Change:
    left, right = st.columns([1, 2])
    with left:
        fish = _number(say("Fish a day"), change.daily_limit_fish, f"{start}-fish", most=100)
    if fish is None:
        return replace(change, daily_limit_fish=None, at_limit=AtLimit.GO_ON)
    with right:
        name = key(f"{start}-at")
        seed(name, change.at_limit)
        label = say("Anglers with their limit")
        at = st.radio(label, list(AT_LIMIT), key=name, format_func=_at_words)
    return replace(change, daily_limit_fish=int(fish), at_limit=AtLimit(at))


def _at_words(one: AtLimit) -> str:
    return say(AT_LIMIT[AtLimit(one)])


def _number(
    label: str, value: float | None, name: str, *, most: float, unsaid: str = ""
) -> float | None:
    """Draw a number that may be left out, which changes nothing; `most` is whole or not."""
    seed(key(name), value)
    kind = type(most)
    return st.number_input(
        label,
        min_value=kind(0),
        max_value=most,
        value=None,
        step=kind(1),
        format="%d" if kind is int else "%g",
        key=key(name),
        placeholder=unsaid or say(_AS_TODAY),
    )


def _length(change: Change, _: FormContext, start: str) -> Change:
    unit, now = filters.units().length, change.min_length_mm
    left, right = st.columns([1, 2], vertical_alignment="bottom")
    with left:
        name, label = f"{start}-{unit}", say("Minimum length in {unit}", unit=unit)
        begun = None if now is None else at_least(now, unit)
        shown = _number(label, begun, name, most=float(round(amount(1500.0, unit))))
    if shown != begun:
        now = None if shown is None else _in_mm(shown, unit)
    if now:
        with right:
            st.caption(both_lengths(now, unit))
    return replace(change, min_length_mm=now)


def _in_mm(length: float, unit: Length) -> float:
    """Return a length as rules have it: inches in whole mm, so that 22 in is 559 mm."""
    if unit is Length.IN:
        return float(round(length * MM_AN_INCH))
    return length * 10 if unit is Length.CM else length


def _marked(change: Change, _: FormContext, start: str) -> Change:
    name = key(f"{start}-marked")
    seed(name, _MARKED[change.mark_selective])
    found = st.radio(
        say("Anglers may keep"),
        list(MARKED),
        key=name,
        format_func=lambda one: say(MARKED[one]),
        horizontal=True,
    )
    return replace(change, mark_selective={"marked": True, "all": False}.get(found or ""))


def _methods(change: Change, ground: FormContext, start: str) -> Change:
    now = ground.today(change).mix()
    mix = dict(change.method_mix or now)
    known = [one for one in ground.baseline.methods if one]
    names = [*known, *(one for one in mix if one not in known)]
    if not names:
        st.caption(say("No method was recorded in this season, so none can be changed."))
        return replace(change, method_mix=None)
    begun, shown = whole({at: mix.get(at, 0.0) for at in names}), {}
    for at, place in zip(names, st.columns(max(len(names), 2)), strict=False):
        with place:
            name = key(f"{start}-{at}")
            seed(name, begun[at])
            label = say("{method}, parts of trips", method=at)
            shown[at] = int(st.slider(label, 0, 100, step=1, key=name))
    total = sum(shown.values())
    if not total:
        st.caption(say("All shares are 0, so the methods stay as they are."))
        return replace(change, method_mix=None)
    used = whole({at: value / total for at, value in shown.items()})
    parts = ", ".join(f"{at} {value} %" for at, value in used.items())
    st.caption(say("Used: {parts} of trips.", parts=parts))
    if shown == begun:
        return change
    if shown == whole({at: now.get(at, 0.0) for at in names}):
        return replace(change, method_mix=None)
    return replace(change, method_mix={at: value / total for at, value in shown.items() if value})


def whole(mix: Mapping[str, float]) -> dict[str, int]:
    """Return shares in whole per cent that sum to 100: the largest remainders are rounded up."""
    floors = {name: int(100 * part) for name, part in mix.items()}
    rest = sorted(mix, key=lambda name: floors[name] - 100 * mix[name])
    for name in rest[: 100 - sum(floors.values())]:
        floors[name] += 1
    return floors


#: The row of rates that the form begins with; without a rate it changes nothing.
ROW = {"size_class": "sublegal", "method": "any", "wound_class": "any"}
ROW |= {"source": "stated for this option"}


def _deaths(change: Change, ground: FormContext, start: str) -> Change:
    given, *others = change.release_rates or (ROW,)
    row = dict[str, Any](given)
    sizes, methods, wounds, rates, errors = st.columns([2, 2, 2, 3, 3])
    with sizes:
        size = _pick(say("Released"), list(SIZES), row["size_class"], f"{start}-size", SIZES)
    with methods:
        known = ["any", *(one for one in ground.baseline.methods if one)]
        said = {"any": phrase("any method")}
        method = _pick(say("By"), known, row["method"], f"{start}-method", said)
    with wounds:
        hooked = row.get("wound_class") or "any"
        wound = _pick(say("Hooked"), list(WOUNDS), str(hooked), f"{start}-wound", WOUNDS)
    row |= {"size_class": size, "method": method, "wound_class": wound}
    now = ground.today(change).rate(row)
    with rates:
        label, unsaid = say("Die of it, %"), say("now {rate}", rate=now)
        rate = _percent_or_none(label, row.get("rate_prop"), f"{start}-rate", unsaid)
    with errors:
        label = say("Standard error, %")
        error = percent(label, float(row.get("rate_se") or 0), f"{start}-se", most=20)
    if others:
        st.caption(
            say_n(
                len(others),
                "{n} more row of rates came with the option and holds too.",
                "{n} more rows of rates came with the option and hold too.",
            )
        )
    if rate is None:
        return replace(change, release_rates=change.release_rates if others else ())
    rows: Any = (row | {"rate_prop": rate, "rate_se": error}, *others)
    return replace(change, release_rates=rows)


def _percent_or_none(label: str, part: Any, name: str, unsaid: str) -> float | None:
    """Draw a part in percent that may be left out."""
    begun = None if part is None else round(100 * float(part), 6)
    shown = _number(label, begun, name, most=100.0, unsaid=unsaid)
    if shown is None:
        return None
    return part if shown == begun else shown / 100


def _pick(label: str, options: list[str], value: str, name: str, said: dict[str, str]) -> str:
    options = options if value in options else [*options, value]
    seed(key(name), value)

    def words_of(one: str) -> str:
        return say(said[one]) if one in said else one

    return str(st.selectbox(label, options, key=key(name), format_func=words_of))


def _effort(change: Change, _: FormContext, start: str) -> Change:
    label = say("Trips of an open day, % of today's")
    part = percent(label, change.effort_factor, f"{start}-factor", most=200)
    return replace(change, effort_factor=part)


_DRAWN: dict[ChangeKind, Any] = {
    ChangeKind.DATES: _dates,
    ChangeKind.WEEKDAYS: _weekdays,
    ChangeKind.DAILY: _daily,
    ChangeKind.LENGTH: _length,
    ChangeKind.MARKED: _marked,
    ChangeKind.METHODS: _methods,
    ChangeKind.DEATHS: _deaths,
    ChangeKind.EFFORT: _effort,
    ChangeKind.SPAN: _span,
}
