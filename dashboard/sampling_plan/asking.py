"""What is asked for on the page Sampling plan, and the plan, kept by all of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import streamlit as st

from analytics.data.store import Store
from analytics.errors import UsageError
from analytics.planning.make_plan import Objective, PlanRequest
from analytics.planning.samplers import FIELDS, SHIFT_HOURS, samplers_of
from analytics.planning.schedule import MOST_SEED
from analytics.planning.season_plan import plan_week
from analytics.settings import Paper
from analytics.weeks import week_of
from analytics.wording import numbers
from dashboard import data, filters, url_state

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.data.snapshot import Snapshot
    from analytics.planning.plan import Plan

OBJECTIVES = {
    Objective.WORST: "The least precise area first",
    Objective.SUM: "All areas alike",
    Objective.ALL_AREAS: "All areas together",
}
#: What each objective means, for the reader who chooses.
MEANINGS = (
    "*The least precise area first*: the greatest relative error of any area is made least. "
    "*All areas alike*: the sum of squared relative errors of the areas is made least. *All areas "
    "together*: the figure of all areas is made most precise, whatever single areas get. Each is "
    "for kept fish and encounters at once."
)
SHIFTS, TARGET = "shifts", "target"
_BY = {SHIFTS: "Number of shifts", TARGET: "Wanted precision"}
#: Wanted percent standard errors that can be chosen.
_TARGETS = ("5", "10", "15", "20", "25", "30", "35", "40", "50")
_FIRST_TARGET = "30"
#: Half-widths of intervals that can be wanted, in points.
_WIDTHS, _FIRST_WIDTH = ("3", "5", "7", "10", "15", "20"), "10"
_MOST_SHIFTS, _FIRST_SHIFTS, _FIRST_SEED = 2000, 24, 1


class Ask(NamedTuple):
    """What is asked for; `target` in percent. Exactly one of `shifts` and `target` is given."""

    week: str
    shifts: int | None
    target: str | None
    objective: str
    not_covered: tuple[str, ...] = ()
    samplers: str = ""
    shift_hours: float = SHIFT_HOURS


class Draw(NamedTuple):
    """How the schedule is drawn and printed: its seed, and the paper."""

    seed: int
    paper: str


def ask(weeks: tuple[str, ...], sites: Mapping[str, str], *, shifts_now: int) -> Ask:
    """Draw what can be asked of a plan and return what is; the shifts begin with those of now.

    `sites`: names of the landing sites by code.
    """
    columns = st.columns([3, 3, 2, 4], vertical_alignment="bottom")
    with columns[0]:
        week = filters.pick("Week", weeks, key="week", words=_week_words)
    with columns[1]:
        by = filters.pick("Plan by", tuple(_BY), key="by", words=_BY.__getitem__)
    with columns[2]:
        shifts, target = None, None
        if by == SHIFTS:
            shifts = _number(
                "Shifts", "shifts", first=shifts_now or _FIRST_SHIFTS, least=1, most=_MOST_SHIFTS
            )
        else:
            st.session_state.setdefault("target", st.query_params.get("target", _FIRST_TARGET))
            target = filters.pick("PSE of every area", _TARGETS, key="target", words=_percent)
    with columns[3]:
        objective = filters.pick(
            "Objective",
            tuple(map(str, OBJECTIVES)),
            key="objective",
            words=lambda one: OBJECTIVES[Objective(one)],
        )
    return Ask(week, shifts, target, objective, *_ask_bounds(sites))


def _ask_bounds(sites: Mapping[str, str]) -> tuple[tuple[str, ...], str, float]:
    """Draw what bounds a plan: sites that nobody can visit, samplers as written, their hours."""
    is_asked = any(key in st.query_params for key in ("not_covered", "samplers"))
    with st.expander("Sites that cannot be covered, samplers", expanded=is_asked):
        url_state.seed_many("not_covered", list(sites))
        lost = st.multiselect(
            "Sites that nobody can visit",
            list(sites),
            key="not_covered",
            format_func=lambda one: f"{sites[one]} ({one})",
            placeholder="none",
        )
        url_state.note("not_covered", lost)
        left, right = st.columns([9, 3])
        with left:
            key = "samplers"
            st.session_state.setdefault(key, st.query_params.get(key, ""))
            samplers = st.text_area(
                "Samplers, one a line; none for anybody",
                key=key,
                height=110,
                placeholder=" | ".join(FIELDS),
                help="Only the name must be there: Ada | SOR KET | Tue Wed | 4 | 38 | 2 | 1. Hours "
                "are of the week; travel is to and fro, a shift; rest days are of the week. A CSV "
                "table pasted with its first line (sampler, areas, days_off, …) is read, too.",
            )
            url_state.note(key, samplers)
        with right:
            hours = _number(
                "Hours of a shift", "shift_hours", first=int(SHIFT_HOURS), least=1, most=13
            )
    return tuple(lost), samplers, float(hours)


def ask_half_width() -> float:
    """Draw the choice of a wanted interval and return its half-width, 0 to 1."""
    st.session_state.setdefault("width", st.query_params.get("width", _FIRST_WIDTH))
    with st.columns([3, 9])[0]:
        width = filters.pick("Wanted interval", _WIDTHS, key="width", words="± {} points".format)
    return int(width) / 100


def ask_draw() -> Draw:
    """Draw what a schedule depends on and return what is chosen."""
    left, right, _ = st.columns([3, 3, 6])
    with left:
        seed = _number("Seed of the draw", "seed", first=_FIRST_SEED, least=0, most=MOST_SEED)
    with right:
        sizes = tuple(map(str, Paper))
        paper = filters.pick("Paper of the sheets", sizes, key="paper", words=str.title)
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


def plan_of(card: BulletinMetadata, asked: Ask, path: str) -> Plan:
    """Return the plan for what was asked, from the draws of a bulletin, made once.

    Raises
    ------
    UsageError
        If there is no plan for it, with what is allowed; or the bulletin has no draws.
    """
    folder = str(data.archive_folder())
    return _plan(path, folder, card.bulletin, card.made_utc, **asked._asdict())


@st.cache_resource(max_entries=24, show_spinner="Planning the week …")
def _plan(
    path: str,
    folder: str,
    bulletin: str,
    made_utc: str,
    *,
    week: str,
    shifts: int | None,
    target: str | None,
    objective: str,
    not_covered: tuple[str, ...],
    samplers: str,
    shift_hours: float,
) -> Plan:
    cards, _ = data.kept_bulletins(Path(folder))
    card = next(one for one in cards if one.bulletin == bulletin)
    on = data.view("inputs", card)
    if on is None:
        raise UsageError(
            "the bulletin holds no simulations of the weeks to come, so no week can be planned; "
            "make it anew on the page New bulletin"
        )
    request = PlanRequest(
        week=week,
        shifts=shifts,
        target_pse=None if target is None else float(target) / 100,
        objective=Objective(objective),
        not_covered=not_covered,
        samplers=samplers_of(samplers, week=week, shift_hours=shift_hours),
    )
    snapshot = Store(path).snapshot(as_of=card.version)
    known = (on.baseline, on.limits)
    return plan_week(snapshot, request, season=card.season, known=known)


def shifts_of_week(snapshot: Snapshot, week: str) -> int:
    """Return how many site-days of a week have a count of boats."""
    rows = snapshot["site_days"].select(["date", "boats_returned"]).to_pylist()
    return sum(row["boats_returned"] is not None and week_of(row["date"]) == week for row in rows)


def weeks_ahead(card: BulletinMetadata) -> tuple[str, ...]:
    """Return the weeks to come of a bulletin's season."""
    on = data.view("inputs", card)
    return () if on is None else tuple(on.baseline.weeks)


def _week_words(week: str) -> str:
    return f"{week} · {numbers.week_dates(week)}"


def _percent(target: str) -> str:
    return f"{target} %"
