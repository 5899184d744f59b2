"""The page Sampling plan: where samplers go next, what it promises, and what became of shifts."""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import partial
from typing import TYPE_CHECKING, Any

import pandas as pd
import streamlit as st

from analytics.codes import sentences
from analytics.csv_text import table_csv
from analytics.data import importing
from analytics.errors import BlackmouthError
from analytics.people import Action
from analytics.planning.plan import expected_of
from analytics.planning.planned_shifts import Cause, Standing, miss, progress_of
from analytics.planning.sample_sizes import likeness_codes, needs_of, needs_table
from analytics.planning.schedule import planned_site_days
from analytics.planning.season_plan import other_plan
from analytics.quantities import QUANTITIES, capitalised
from analytics.wording import numbers
from dashboard import (
    data,
    filters,
    notices,
    page_frame,
    people,
    store_access,
    url_state,
)
from dashboard.catalogue import phrase, say
from dashboard.charts import curves, forest
from dashboard.desk.batches import receipt_words
from dashboard.page_frame import colours, lead
from dashboard.sampling_plan import asking, tables, words

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import pyarrow as pa

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.data.snapshot import Snapshot
    from analytics.planning.plan import Plan
    from analytics.planning.planned_shifts import Progress
    from analytics.planning.schedule import Schedule

_NO_BULLETIN = phrase(
    "A plan rests on the newest bulletin: on how site-days differed so far, and on what is to "
    "come. Make one on the page *New bulletin* first. Before the first week of a season is sampled "
    "there is none: the command `blackmouth plan --week WEEK --shifts N` then spreads shifts by "
    "the frame, and promises no precision."
)
#: All areas together, as the link says it.
ALL = "all"
_RECEIPT, _MISSED = "sampling-plan-receipt", "missed-shift-receipt"
_SAFETY = phrase(
    "A plan never says that it is safe to go. Storm, ice and cold water come first; local rules "
    "and your own crew's instructions decide."
)


def _page() -> None:
    url_state.follow("sampling_plan")
    st.title(say("Sampling plan"))
    notices.invented()
    people.require(Action.SEE_STORE)
    store = store_access.store()
    if store is None:
        lead(say(notices.NO_STORE))
        return
    archive = data.archive_folder() or store.path / "bulletins"
    cards = data.kept_bulletins(archive)[0] if archive.is_dir() else []
    if not cards:
        lead(say(_NO_BULLETIN))
        return
    with st.columns([3, 9])[0]:
        seasons = data.seasons_of(cards)
        season = filters.pick(say("Season"), seasons, key="season")
    card = next(one for one in reversed(cards) if one.season == season)
    snapshot = store.snapshot()
    _plan_part(card, snapshot, str(store.path))
    _became(snapshot, season)
    url_state.write()


def _plan_part(card: BulletinMetadata, snapshot: Snapshot, path: str) -> None:
    """Draw the plan of a week to come, or why there is none."""
    weeks = asking.weeks_ahead(card)
    if not weeks:
        season = numbers.plain(card.season)
        if data.view("inputs", card) is None:
            lead(
                say(
                    "No week of season {season} can be planned: its bulletin has no totals and no "
                    "simulations of the days to come.",
                    season=season,
                )
            )
        else:
            lead(say("No open week of season {season} is still to come.", season=season))
        return
    with st.container(key="plan-wishes"):
        now = asking.shifts_of_week(snapshot, card.through)
        asked = asking.ask(weeks, _names(snapshot, "sites", "site", "site_name"), shifts_now=now)
    answer = st.container()
    try:
        with answer:
            plans = asking.plans_of(card, asked, path)
    except BlackmouthError as error:
        with answer:
            _say(error)
        return
    names = _names(snapshot, "areas", "area", "area_name")

    def name(area: str) -> str:
        return names.get(area) or area

    plan = plans[0]
    with answer:
        if len(plans) > 1:
            lead(words.weeks_answer(plans, name))
            st.caption(numbers.plain(_full(sentences(plan.rule, name))))
            st.html(tables.weeks(plans, name))
            st.caption(say(words.LATER))
            plan = asking.pick_week(plans)
            st.markdown(words.answer(plan, name))
        else:
            lead(words.answer(plan, name))
            st.caption(numbers.plain(_full(sentences(plan.rule, name))))
    page_frame.part(_precision, plan, name)
    _allocation(plan, name)
    page_frame.part(_boats_and_fish, plan, name)
    _call(plan, name)
    draw = partial(asking.schedules_of, card, asked, path)
    page_frame.part(_schedule, plan, plans, draw, snapshot, name)


def _say(error: BlackmouthError) -> None:
    st.error(numbers.plain(_full(str(error))))


def _full(text: str) -> str:
    return capitalised(text) + ("" if text.endswith(".") else ".")


def _names(snapshot: Snapshot, table: str, key: str, named: str) -> dict[str, str]:
    rows = snapshot[table].select([key, named]).to_pylist()
    return {row[key]: row[named] or row[key] for row in rows}


def _holidays(snapshot: Snapshot) -> dict[date, str]:
    rows = snapshot["holidays"].to_pylist()
    return {row["date"]: row["holiday"] or "holiday" for row in rows}


def _precision(plan: Plan, name: Callable[[str], str]) -> None:
    """Draw planned and present precision of a quantity by area, and the table of all."""
    people.require(Action.SEE_STORE)
    st.header(say("Precision"), anchor=False)
    quantities = words.quantities_of(plan)
    quantity = filters.switch(
        say("Quantity"), quantities, key="quantity", words=lambda one: QUANTITIES[one].label
    )
    rows = [one for one in plan.expected if one.quantity == quantity]
    dots = forest.known_rows(tables.forest_rows(rows, name))
    if dots:
        title = say(
            "{quantity}, percent standard error (PSE): {finding}",
            quantity=QUANTITIES[quantity].label,
            finding=words.precision_finding(rows, name),
        )
        page_frame.forest_signs(dots, tables.NAMES)
        alt = forest.description(dots, of=title, names=tables.NAMES)
        page_frame.panel(
            title, forest.figure(dots, palette=colours()), key="season-plan-pse", alt=alt
        )
    else:
        st.markdown(f"{words.precision_finding(rows, name)}.")
    with st.expander(say("All figures, now and planned")):
        st.html(tables.precision(plan, name))
        st.caption(say(tables.SMALL_PRINT))
    _curve(plan, quantity, name)


def _curve(plan: Plan, quantity: str, name: Callable[[str], str]) -> None:
    """Draw what more site-days would buy for one figure, in its own uncertainty."""
    known = {one.area for one in plan.curve if one.quantity == quantity}
    areas = [area or ALL for area in dict.fromkeys(one.area for one in plan.expected)]
    areas = sorted(
        (one for one in areas if (None if one == ALL else one) in known), key=lambda one: one != ALL
    )
    if not areas:
        return
    with st.columns([3, 9])[0]:
        chosen = filters.pick(say("More site-days"), areas, key="curve", words=_of_curve(name))
    area = None if chosen == ALL else chosen
    lines = tables.curve_lines(plan, area, quantity)
    rows = [one for one in plan.expected if (one.area, one.quantity) == (area, quantity)]
    here = next((one.pse_planned for one in rows), None)
    point = None if here is None else {"site_days": plan.n_site_days, "pse": here}
    title = words.curve_finding(lines, words.where_words(area, name), quantity)
    page_frame.signs(curves.PRECISION_SIGNS, curves.PRECISION_HUES)
    page_frame.panel(
        title,
        curves.precision(lines, point, palette=colours()),
        key="season-plan-curve",
        alt=title,
    )


def _of_curve(name: Callable[[str], str]) -> Callable[[str], str]:
    return lambda area: words.area_words(None if area == ALL else area, name)


def _boats_and_fish(plan: Plan, name: Callable[[str], str]) -> None:
    """Draw how many boats to interview and fish to measure for a wanted interval."""
    people.require(Action.SEE_STORE)
    if plan.like is None or not plan.samples:
        return
    st.header(say("Boats to interview, fish to measure"), anchor=False)
    half_width = asking.ask_half_width()
    needs = needs_of(plan.like, plan.samples, half_width)
    st.markdown(words.needs_finding(needs, name))
    st.html(tables.boats_and_fish(needs, name))
    for one in likeness_codes(plan.like, half_width):
        st.caption(numbers.plain(_full(sentences(one))))
    people.offer(
        say("Boats and fish (CSV)"),
        lambda: table_csv(needs_table(needs)).encode(),
        file_name=f"plan.{plan.season}.{plan.week}.sample_sizes.csv",
        mime="text/csv",
        key="plan-sample_sizes.csv",
    )


def _allocation(plan: Plan, name: Callable[[str], str]) -> None:
    st.header(say("Where the shifts go"), anchor=False)
    st.markdown(words.allocation_finding(plan, name))
    for note in plan.notes:
        st.markdown(numbers.plain(_full(sentences(note, name))))
    st.html(tables.allocation(plan, name))
    page_frame.reading(say(asking.MEANINGS), say(words.HOW_TO_READ))


def _call(plan: Plan, name: Callable[[str], str]) -> None:
    """Draw the plan that serves the call on the limit reached first, beside this one."""
    decision = plan.decision
    if decision is None:
        return
    st.header(say("The plan that serves the call on a limit"), anchor=False)
    st.markdown(words.call_words(plan, name))
    if words.is_settled(plan):
        return
    st.html(tables.call(plan, name))
    st.caption(" ".join(numbers.plain(_full(sentences(one, name))) for one in decision.notes))


# The schedule and its files.


def _schedule(
    plan: Plan,
    plans: Sequence[Plan],
    draw: Callable[[int], tuple[Schedule, ...]],
    snapshot: Snapshot,
    name: Callable[[str], str],
) -> None:
    """Draw the schedule by its seed and samplers, and offer the files of all weeks planned."""
    people.require(Action.SEE_STORE)
    st.header(say("Schedule"), anchor=False)
    drawing = asking.ask_draw()
    try:
        every = draw(drawing.seed)
    except BlackmouthError as error:
        _say(error)
        return
    drawn = every[list(plans).index(plan)]
    st.markdown(words.schedule_words(drawn))
    sites, holidays = _names(snapshot, "sites", "site", "site_name"), _holidays(snapshot)
    with st.expander(say("The drawn shifts")):
        st.html(tables.schedule(drawn, sites, name, holidays))
    with st.expander(say("The reserve, in its order")):
        st.html(tables.reserve(drawn, sites, name, holidays))
    st.caption(say(_SAFETY))
    _files(plan, plans, every, snapshot, drawing.paper)
    _keep(plan, plans, drawn, snapshot)


def _files(
    plan: Plan,
    plans: Sequence[Plan],
    every: Sequence[Schedule],
    snapshot: Snapshot,
    paper: str,
) -> None:
    """Offer the files of a plan: each holds all its weeks, the sheets that of `plan` alone."""
    stem = of_week = f"plan.{plan.season}.{plan.week}"
    if len(plans) > 1:
        stem = f"plan.{plan.season}.{plans[0].week}-{plans[-1].week}"
    drawn = every[list(plans).index(plan)]
    made: dict[str, tuple[str, str, Callable[[], bytes]]] = {
        "planned_site_days.csv": (
            say("Schedule (CSV)"),
            "text/csv",
            lambda: table_csv(_planned(every)).encode(),
        ),
        "expected.csv": (
            say("Precision (CSV)"),
            "text/csv",
            lambda: table_csv(expected_of(plans)).encode(),
        ),
        "schedule.ics": (say("Calendar"), "text/calendar", lambda: _calendar(every, snapshot)),
        "sheets.pdf": (
            say("Sheets (PDF)"),
            "application/pdf",
            lambda: _sheets([drawn], snapshot, paper),
        ),
    }
    with st.container(key="downloads"):
        for column, (file_name, (label, mime, make)) in zip(
            st.columns(len(made)), made.items(), strict=True
        ):
            name = f"{of_week if file_name == 'sheets.pdf' else stem}.{file_name}"
            with column:
                people.offer(label, make, file_name=name, mime=mime, key=f"plan-{file_name}")
    if len(plans) > 1:
        st.markdown(words.files_words(plans))
        people.offer(
            say("Sheets of all weeks (PDF)"),
            lambda: _sheets(every, snapshot, paper),
            file_name=f"{stem}.sheets.pdf",
            mime="application/pdf",
            key="plan-all-sheets.pdf",
        )


def _planned(every: Sequence[Schedule]) -> pa.Table:
    import pyarrow as pa  # noqa: PLC0415 - on a click

    return pa.concat_tables([planned_site_days(one) for one in every])


def _keep(plan: Plan, plans: Sequence[Plan], drawn: Schedule, snapshot: Snapshot) -> None:
    """Draw the button that stores a schedule, with what the store has of that week already."""
    table = planned_site_days(drawn)
    beside = other_plan(snapshot["planned_site_days"], table, season=plan.season, week=plan.week)
    if beside:
        st.warning(numbers.plain(_full(sentences(beside))))
    if receipt := st.session_state.pop(_RECEIPT, ""):
        st.success(receipt)
    pressed = st.button(
        words.store_words(plan, plans),
        disabled=not people.may(Action.STORE),
        help=say("As one batch, to be taken out again on the Data desk. No estimate reads it."),
        key="store-plan",
    )
    store = store_access.store()
    if not pressed or store is None:
        return
    people.require(Action.STORE)
    rows = {at: _texts(row) for at, row in enumerate(table.to_pylist(), 2)}
    try:
        reading = importing.read_rows({"planned_site_days": rows}, source="sampling plan")
        receipt = importing.store_checked(importing.check(reading, store), store, who=people.who())
    except BlackmouthError as error:
        _say(error)
        return
    st.session_state[_RECEIPT] = numbers.plain(receipt_words(receipt))
    st.rerun()


def _texts(row: dict[Any, Any]) -> dict[str, str]:
    return {name: str(value) for name, value in row.items() if not pd.isna(value)}


def _shifts(every: Sequence[Schedule], snapshot: Snapshot) -> Any:
    from analytics.documents.shifts import shifts_of  # noqa: PLC0415 - loads Typst

    return shifts_of(
        _planned(every).to_pylist(),
        sites=snapshot["sites"].to_pylist(),
        area_names=_names(snapshot, "areas", "area", "area_name"),
        holidays=snapshot["holidays"].to_pylist(),
    )


def _calendar(every: Sequence[Schedule], snapshot: Snapshot) -> bytes:
    from analytics.documents.shifts import schedule_ics, zone_of_environment  # noqa: PLC0415

    shifts = _shifts(every, snapshot)
    return schedule_ics(shifts, made=datetime.now(UTC), zone=zone_of_environment())


def _sheets(every: Sequence[Schedule], snapshot: Snapshot, paper: str) -> bytes:
    from analytics.documents.shifts import sheets_pdf  # noqa: PLC0415

    return sheets_pdf(_shifts(every, snapshot), paper=paper)


# What became of shifts that were planned before.


def _became(snapshot: Snapshot, season: str) -> None:
    st.header(say("Planned, done and missed"), anchor=False)
    found = progress_of(snapshot, season)
    st.markdown(words.progress_words(found))
    said = words.busyness_words(found.busyness, words.n_lost(found))
    if said:
        st.markdown(said)
    if receipt := st.session_state.pop(_MISSED, ""):
        st.success(receipt)
    sites = _names(snapshot, "sites", "site", "site_name")
    if len(found.shifts) > found.count(Standing.RESERVE):
        with st.expander(say("Shift by shift")):
            st.html(tables.progress(found.shifts, sites))
    if people.may(Action.STORE):
        _record(found, snapshot, sites)


def _record(found: Progress, snapshot: Snapshot, sites: Mapping[str, str]) -> None:
    """Draw the form that records a missed shift, and do by rule what follows."""
    is_open = found.shifts["standing"].isin([Standing.AHEAD, Standing.NOT_SEEN])
    shifts = {one["sample_id"]: one for one in found.shifts[is_open].to_dict("records")}
    if not shifts:
        return
    with st.expander(say("Record a missed shift")):
        st.markdown(say(words.HOW_TO_RECORD))
        with st.form("missed-shift"):
            sample = st.selectbox(
                say("Shift"),
                list(shifts),
                key="missed-sample",
                format_func=lambda one: words.shift_words(shifts[one], sites),
            )
            cause = st.selectbox(
                say("Why"),
                list(Cause),
                key="missed-cause",
                format_func=lambda one: say(words.CAUSES[one]),
            )
            label = say("Known since")
            known_on = st.date_input(label, "today", key="missed-known", format="YYYY-MM-DD")
            pressed = st.form_submit_button(say("Record it"))
        if pressed and sample and cause and isinstance(known_on, date):
            _store_missed(snapshot, sample, Cause(cause), known_on)


def _store_missed(snapshot: Snapshot, sample: str, cause: Cause, known_on: date) -> None:
    """Store what follows from a missed shift as one batch, with who said so."""
    who = people.require(Action.STORE).name
    store = store_access.store()
    if store is None:
        return
    plan = snapshot["planned_site_days"].to_pandas()
    try:
        outcome = miss(plan, sample, cause=cause, who=who, known_on=known_on)
        said = words.outcome_words(outcome)
        if len(outcome.rows):
            rows = {at: _texts(row) for at, row in enumerate(outcome.rows.to_dict("records"), 2)}
            reading = importing.read_rows({"planned_site_days": rows}, source="missed shift")
            importing.store_checked(importing.check(reading, store), store, who=people.who())
    except BlackmouthError as error:
        _say(error)
        return
    st.session_state[_MISSED] = numbers.plain(said)
    st.rerun()


_page()
