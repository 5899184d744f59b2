"""What is asked for on the page Sampling plan, and the plan, kept by all of it."""

from __future__ import annotations

import json
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import streamlit as st

from analytics.data.store import Store
from analytics.errors import UsageError
from analytics.planning.make_plan import Objective, PlanRequest
from analytics.planning.samplers import FIELDS, SHIFT_HOURS, samplers_of
from analytics.planning.schedule import MOST_SEED, draw_schedule
from analytics.planning.season_plan import plan_week, ready_season
from analytics.settings import Paper
from analytics.weeks import week_of
from analytics.wording import numbers
from dashboard import data, filters, url_state
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.data.snapshot import Snapshot
    from analytics.planning.plan import Plan
    from analytics.planning.schedule import Schedule
    from analytics.planning.season_plan import ReadySeason

T = TypeVar("T")
OBJECTIVES = {
    Objective.SUM: phrase("All areas alike"),
    Objective.WORST: phrase("The least precise area first"),
    Objective.ALL_AREAS: phrase("All areas together"),
}
#: What each objective means, for the reader who chooses.
MEANINGS = phrase(
    "*All areas alike*: the sum of squared relative errors of the areas is made least. *The least "
    "precise area first*: the greatest relative error of any area is made least. *All areas "
    "together*: the figure of all areas is made most precise, whatever single areas get. Each is "
    "for kept fish and encounters at once. In simulated seasons the last made its figure more "
    "precise than an even spread does; *All areas alike* came out about as the even spread, since "
    "single weeks differ so much, and *The least precise area first* left that area no better, and "
    "in one of two fisheries worse. *Methods and cautions* has the numbers, under *Sampling plan*."
)
SHIFTS, TARGET = "shifts", "target"
#: What the link says of a week alone, and of all weeks to come.
_ONE_WEEK, _TO_THE_END = "week", "end"
_N_WEEKS = "sampling-plan-weeks"
#: Seconds of planning after which it is said how far it is.
_QUIET = 0.5
_BY = {SHIFTS: phrase("Number of shifts"), TARGET: phrase("Wanted precision")}
#: Wanted percent standard errors that can be chosen.
_TARGETS = ("5", "10", "15", "20", "25", "30", "35", "40", "50")
_FIRST_TARGET = "30"
#: Half-widths of intervals that can be wanted, in points.
_WIDTHS, _FIRST_WIDTH = ("3", "5", "7", "10", "15", "20"), "10"
_PAPERS = {Paper.A4: phrase("A4"), Paper.LETTER: phrase("Letter")}
_MOST_SHIFTS, _FIRST_SHIFTS, _FIRST_SEED = 2000, 24, 1


class Ask(NamedTuple):
    """What is asked for; `target` in percent. Exactly one of `shifts` and `target` is given.

    `through`: the last week, `week` itself for one alone; shifts are of all of them together.
    """

    week: str
    through: str
    shifts: int | None
    target: str | None
    objective: str
    not_covered: tuple[str, ...] = ()
    samplers: str = ""
    shift_hours: float = SHIFT_HOURS

    @property
    def key(self) -> str:
        """All of it as one text, by which plans are kept."""
        return json.dumps(self)

    def of_week(self, week: str, shifts: int | None) -> Ask:
        """Return the same of one week alone, with its shifts."""
        return self._replace(week=week, through=week, shifts=shifts)

    @classmethod
    def of_key(cls, key: str) -> Ask:
        """Return what a text asks for."""
        found = cls(*json.loads(key))
        return found._replace(not_covered=tuple(found.not_covered))


class Draw(NamedTuple):
    """How the schedule is drawn and printed: its seed, and the paper."""

    seed: int
    paper: str


def ask(weeks: tuple[str, ...], sites: Mapping[str, str], *, shifts_now: int) -> Ask:
    """Draw what can be asked of a plan and return what is; the shifts begin with those of now.

    `sites`: names of the landing sites by code.
    """
    columns = st.columns([6, 6, 5, 4, 6], vertical_alignment="bottom")
    with columns[0]:
        week = filters.pick(say("Week"), weeks, key="week", words=filters.week_words)
    with columns[1]:
        through = _ask_through(weeks[weeks.index(week) :])
    with columns[2]:
        by = filters.pick(say("Plan by"), tuple(_BY), key="by", words=lambda one: say(_BY[one]))
    with columns[3]:
        shifts, target = None, None
        if by == SHIFTS:
            n_weeks = weeks.index(through) - weeks.index(week) + 1
            # One site-day of a stratum has no error of its own, and cannot be planned.
            now = max(shifts_now, 2) if shifts_now else _FIRST_SHIFTS
            shifts = _ask_shifts(now, n_weeks)
        else:
            st.session_state.setdefault("target", st.query_params.get("target", _FIRST_TARGET))
            label = say("PSE of every area")
            target = filters.pick(label, _TARGETS, key="target", words=_percent)
    with columns[4]:
        objective = filters.pick(
            say("Objective"),
            tuple(map(str, OBJECTIVES)),
            key="objective",
            words=lambda one: say(OBJECTIVES[Objective(one)]),
        )
    return Ask(week, through, shifts, target, objective, *_ask_bounds(sites))


def _ask_shifts(a_week: int, n_weeks: int) -> int:
    """Draw the number of shifts and return it; for other weeks it begins anew with that of now."""
    if n_weeks == 1:
        return _number(say("Shifts"), "shifts", first=a_week, least=1, most=_MOST_SHIFTS)
    first = min(a_week * n_weeks, _MOST_SHIFTS)
    if st.session_state.setdefault(_N_WEEKS, n_weeks) != n_weeks:
        st.session_state[_N_WEEKS] = n_weeks
        st.session_state["all_shifts"] = first
    label = say("Shifts of all weeks")
    return _number(label, "all_shifts", first=first, least=1, most=_MOST_SHIFTS)


def _ask_through(weeks: tuple[str, ...]) -> str:
    """Draw the choice of the last week and return it; the link says ``end`` for the last of all."""
    known = (_ONE_WEEK, *weeks[1:-1], *([_TO_THE_END] if len(weeks) > 1 else []))

    def said(choice: str) -> str:
        if choice == _ONE_WEEK:
            return say("this week only")
        if choice == _TO_THE_END:
            return say("the planned close, {week}", week=numbers.week_dates(weeks[-1]))
        return filters.week_words(choice)

    chosen = filters.pick(say("Through"), known, key="through", words=said)
    return {_ONE_WEEK: weeks[0], _TO_THE_END: weeks[-1]}.get(chosen, chosen)


def _ask_bounds(sites: Mapping[str, str]) -> tuple[tuple[str, ...], str, float]:
    """Draw what bounds a plan: sites that nobody can visit, samplers as written, their hours."""
    is_asked = any(key in st.query_params for key in ("not_covered", "samplers"))
    with st.expander(say("Sites that cannot be covered, samplers"), expanded=is_asked):
        url_state.seed_many("not_covered", list(sites))
        lost = st.multiselect(
            say("Sites that nobody can visit"),
            list(sites),
            key="not_covered",
            format_func=lambda one: f"{sites[one]} ({one})",
            placeholder=say("none"),
        )
        url_state.note("not_covered", lost)
        left, right = st.columns([9, 3])
        with left:
            key = "samplers"
            st.session_state.setdefault(key, st.query_params.get(key, ""))
            samplers = st.text_area(
                say("Samplers, one a line; none for anybody"),
                key=key,
                height=110,
                placeholder=" | ".join(FIELDS),
                help=say(
                    "Only the name must be there: Ada | SOR KET | Tue Wed | 4 | 38 | 2 | 1. Hours "
                    "are of the week; travel is to and fro, a shift; rest days are of the week. A "
                    "CSV table pasted with its first line (sampler, areas, days_off, …) is read, "
                    "too."
                ),
            )
            url_state.note(key, samplers)
        with right:
            label, first = say("Hours of a shift"), int(SHIFT_HOURS)
            hours = _number(label, "shift_hours", first=first, least=1, most=13)
    return tuple(lost), samplers, float(hours)


def pick_week(plans: Sequence[Plan]) -> Plan:
    """Draw the choice of one of several planned weeks and return its plan."""
    with st.columns([4, 8])[0]:
        by_week = {one.week: one for one in plans}
        week = filters.pick(say("Look at"), tuple(by_week), key="look", words=filters.week_words)
    return by_week[week]


def ask_half_width() -> float:
    """Draw the choice of a wanted interval and return its half-width, 0 to 1."""
    st.session_state.setdefault("width", st.query_params.get("width", _FIRST_WIDTH))
    with st.columns([3, 9])[0]:
        width = filters.pick(
            say("Wanted interval"),
            _WIDTHS,
            key="width",
            words=lambda one: say("± {points} points", points=one),
        )
    return int(width) / 100


def ask_draw() -> Draw:
    """Draw what a schedule depends on and return what is chosen."""
    left, right, _ = st.columns([3, 3, 6])
    with left:
        seed = _number(say("Seed of the draw"), "seed", first=_FIRST_SEED, least=0, most=MOST_SEED)
    with right:
        sizes = tuple(map(str, Paper))
        label = say("Paper of the sheets")
        paper = filters.pick(label, sizes, key="paper", words=lambda one: say(_PAPERS[Paper(one)]))
    return Draw(seed, paper)


def _number(label: str, key: str, *, first: int, least: int, most: int) -> int:
    """Draw a field of a whole number whose value starts from the link and stands in it."""
    if key not in st.session_state:
        asked = st.query_params.get(key, "")
        is_number = asked.isascii() and asked.isdecimal() and len(asked) < 17
        found = int(asked) if is_number else first
        st.session_state[key] = min(max(found, least), most)
    value = int(st.number_input(label, min_value=least, max_value=most, step=1, key=key))
    url_state.note(key, str(value))
    return value


def plans_of(card: BulletinMetadata, asked: Ask, path: str) -> tuple[Plan, ...]:
    """Return the plan of each week for what was asked, from the draws of a bulletin, made once.

    Raises
    ------
    UsageError
        If there is no plan for it, with what is allowed; or the bulletin has no draws.
    """
    source = _source(card, path)
    doing = phrase("Planning {week} …")
    return _week_by_week(doing, source, asked, lambda key: _plan(source, key))


def _week_by_week(
    doing: str, source: tuple[str, ...], asked: Ask, make: Callable[[str], T]
) -> tuple[T, ...]:
    """Return what is made of each week by its key, with a bar where several take long."""
    with st.spinner(say("Reading the season so far …")):
        _ready(source)
    with st.spinner(say("Dividing the shifts between weeks …")):
        shares = _divided(source, asked.key)
    begun, found, bar = perf_counter(), [], st.empty()
    for done, (week, shifts) in enumerate(shares):
        if len(shares) > 1 and perf_counter() - begun > _QUIET:
            bar.progress(done / len(shares), say(doing, week=week))
        with st.spinner(say(doing, week=week)):
            found.append(make(asked.of_week(week, shifts).key))
    bar.empty()
    return tuple(found)


def _source(card: BulletinMetadata, path: str) -> tuple[str, ...]:
    """Return a store's folder, that of its bulletins, a bulletin and when it was made."""
    return path, str(data.archive_folder()), card.bulletin, card.made_utc


def _request(asked: Ask, week: str) -> PlanRequest:
    return PlanRequest(
        week=week,
        shifts=asked.shifts,
        target_pse=None if asked.target is None else float(asked.target) / 100,
        objective=Objective(asked.objective),
        not_covered=asked.not_covered,
        samplers=samplers_of(asked.samplers, week=week, shift_hours=asked.shift_hours),
    )


def _card(source: tuple[str, ...]) -> BulletinMetadata:
    _, folder, bulletin, _ = source
    return next(one for one in data.kept_bulletins(Path(folder))[0] if one.bulletin == bulletin)


@st.cache_resource(max_entries=2, show_spinner=False)
def _ready(source: tuple[str, ...]) -> ReadySeason | None:
    """Return the season of a bulletin, which every plan of it starts from."""
    card = _card(source)
    on = data.view("inputs", card)
    if on is None:
        raise UsageError(
            say(
                "the bulletin holds no simulations of the weeks to come, so no week can be "
                "planned; make it anew on the page New bulletin"
            )
        )
    snapshot = Store(source[0]).snapshot(as_of=card.version)
    return ready_season(snapshot, season=card.season, known=(on.baseline, on.limits))


@st.cache_data(max_entries=24, show_spinner=False)
def _divided(source: tuple[str, ...], key: str) -> list[tuple[str, int | None]]:
    """Return the weeks to plan with the shifts of each; none where a target is planned for."""
    ready, asked = _ready(source), Ask.of_key(key)
    if ready is None or asked.through == asked.week:
        return [(asked.week, asked.shifts)]
    requests = [_request(asked, week) for week in ready.weeks(asked.week, asked.through)]
    return [(one.week, one.shifts) for one in ready.divided(requests)]


@st.cache_resource(max_entries=64, show_spinner=False)
def _plan(source: tuple[str, ...], key: str) -> Plan:
    """Return the plan of one week."""
    ready, asked = _ready(source), Ask.of_key(key)
    request = _request(asked, asked.week)
    if ready is not None:
        return ready.plan(request)
    card = _card(source)
    return plan_week(Store(source[0]).snapshot(as_of=card.version), request, season=card.season)


def schedules_of(card: BulletinMetadata, asked: Ask, path: str, seed: int) -> tuple[Schedule, ...]:
    """Return the schedule of each week's plan by its seed and samplers, drawn once.

    Raises
    ------
    UsageError
        If the samplers cannot do one, with what is allowed; and as `plans_of`.
    """
    source = _source(card, path)
    doing = phrase("Drawing {week} …")
    return _week_by_week(doing, source, asked, lambda key: _drawn(source, key, seed))


@st.cache_resource(max_entries=64, show_spinner=False)
def _drawn(source: tuple[str, ...], key: str, seed: int) -> Schedule:
    plan, asked = _plan(source, key), Ask.of_key(key)
    samplers = _request(asked, plan.week).samplers
    return draw_schedule(plan.strata, season=plan.season, seed=seed, samplers=samplers)


def shifts_of_week(snapshot: Snapshot, week: str) -> int:
    """Return how many site-days of a week have a count of boats."""
    rows = snapshot["site_days"].select(["date", "boats_returned"]).to_pylist()
    return sum(row["boats_returned"] is not None and week_of(row["date"]) == week for row in rows)


def weeks_ahead(card: BulletinMetadata) -> tuple[str, ...]:
    """Return the weeks to come of a bulletin's season that have an open day."""
    on = data.view("inputs", card)
    if on is None:
        return ()
    is_open = on.baseline.rules.is_open.any(axis=0)
    known = {int(week) for week in on.baseline.week[is_open]}
    return tuple(week for at, week in enumerate(on.baseline.weeks) if at in known)


def _percent(target: str) -> str:
    return f"{target} %"
