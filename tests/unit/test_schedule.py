"""A week's schedule: the draw by the design, its probabilities, samplers, and the table of it."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from analytics.data.schema import TABLES
from analytics.documents.paper_form import sample_id
from analytics.errors import UsageError
from analytics.estimates.estimate import estimate_snapshot
from analytics.planning.allocation import Bounded
from analytics.planning.plan import PlannedStratum
from analytics.planning.samplers import (
    Sampler,
    assign,
    can_be_done,
    caps_of,
    require_areas,
    require_samplers_for,
    samplers_of,
)
from analytics.planning.schedule import (
    REDRAWS,
    draw_schedule,
    generator_of,
    inclusion_of,
    planned_site_days,
    redraw,
)
from analytics.planning.week_ahead import covered
from tests.tables import SiteDay, interview, survey

WEEK = "2031-W02"
DAYS = tuple(dt.date(2031, 1, 6) + dt.timedelta(days=k) for k in range(7))


def stratum(area="A", n=3, *, sites=3, single=None, n_days=5, sites_a_day=1):
    p = tuple(single or [1 / sites] * sites)
    dates = DAYS[:n_days]
    return PlannedStratum(
        area=area,
        week=WEEK,
        day_group=0,
        weekdays="Mon–Fri",
        design="day_site" if single else "site_day",
        dates=dates,
        sites=tuple(f"{area}{k + 1}" for k in range(len(p))),
        draw_probability=p,
        frame_size=n_days * (1 if single else len(p)),
        n=n,
        sites_a_day=sites_a_day,
    )


def drawn(*strata, seed=7, **how):
    return draw_schedule(strata, season="2030-31", seed=seed, **how)


def cells_of(one):
    return [(site, day) for site in one.sites for day in one.dates]


def places(schedule):
    return [(one.site, one.date, one.order) for _, found in schedule.strata for one in found]


def test_the_same_seed_draws_the_same_and_another_area_does_not_move_it():
    north, south = stratum("N"), stratum("S", 5, sites=4)
    alone = drawn(north)
    assert places(alone) == places(drawn(north))
    assert places(drawn(north, south))[: north.frame_size] == places(alone)
    assert places(drawn(north, seed=8)) != places(alone)


def test_the_first_are_planned_and_the_rest_is_the_reserve_in_order():
    north = stratum("N", 4)
    ((_, found),) = drawn(north).strata
    assert [one.order for one in found] == list(range(1, 16))
    assert [one.is_reserve for one in found] == [False] * 4 + [True] * 11
    assert {one.inclusion_prob for one in found} == {4 / 15}
    # The frame is ordered by site and date and permuted: seed and frame give the draw again.
    order = generator_of(north, 7).permutation(15)
    assert [(one.site, one.date) for one in found] == [cells_of(north)[at] for at in order]


def test_inclusion_probabilities_of_successive_draws_are_those_by_enumeration():
    two = inclusion_of(stratum(n=5, single=[0.5, 0.3, 0.2], sites_a_day=2))
    assert two == pytest.approx([0.83928571, 0.675, 0.48571429], abs=5e-9)
    three = inclusion_of(stratum(n=5, single=[0.4, 0.3, 0.2, 0.1], sites_a_day=3))
    assert three == pytest.approx([0.92222222, 0.87023810, 0.75873016, 0.44880952], abs=5e-9)
    half = inclusion_of(stratum(n=2, n_days=4, single=[0.5, 0.3, 0.2], sites_a_day=2))
    assert half == pytest.approx(two / 2)


@pytest.mark.parametrize(
    "one",
    [stratum(n=4), stratum(n=2, single=[0.5, 0.3, 0.2], sites_a_day=2)],
    ids=["site_day", "day_site"],
)
def test_redraws_take_every_site_day_as_often_as_its_probability_says(one):
    sampled = redraw(one, np.random.default_rng(5), n_draws=REDRAWS)
    expected = inclusion_of(one)[:, None]
    # The largest of 15 such errors is over 4 of them once in a thousand tests.
    error = np.sqrt(expected * (1 - expected) / REDRAWS)
    assert (np.abs(sampled.mean(axis=0) - expected) < 4 * error).all()
    assert set(sampled.sum(axis=(1, 2)).tolist()) == {one.n_site_days}


def test_pairs_of_sites_come_as_successive_drawing_has_them():
    day = stratum(n=1, n_days=1, single=[0.5, 0.3, 0.2], sites_a_day=2)
    sampled = redraw(day, np.random.default_rng(6), n_draws=REDRAWS)[:, :, 0]
    joint = [sampled[:, list(pair)].all(axis=1).mean() for pair in combinations(range(3), 2)]
    assert joint == pytest.approx([0.51428571, 0.325, 0.16071429], abs=0.014)


def test_days_are_drawn_first_where_the_design_says_so():
    days = stratum(n=2, single=[0.5, 0.3, 0.2, 0.0], sites_a_day=2)
    ((_, found),) = drawn(days).strata
    planned = [one for one in found if not one.is_reserve]
    assert len({one.date for one in planned}) == 2
    assert len(planned) == 4
    by_site = dict(zip(days.sites, days.draw_probability, strict=True))
    assert all(one.single_draw == by_site[one.site] for one in found)
    # The site that is never drawn is in neither the plan nor the reserve.
    assert {one.order for one in found} == set(range(1, 16))


def test_samplers_are_one_a_date_within_reach_and_rest():
    north, south = stratum("N", 1, sites=2), stratum("S", 1, sites=2)
    who = [
        Sampler("Ada", areas=frozenset("N")),
        Sampler("Bo", areas=frozenset("S"), off=frozenset({DAYS[0]})),
        Sampler("Cy", most_shifts=2),
    ]
    # One shift a stratum: with Cy, who reaches both and may go twice, every draw can be done.
    found = drawn(north, south, samplers=who)
    assert len(found.assigned) == 2
    assert found.feasible_prop == 1
    for one in found.planned:
        going = next(each for each in who if each.name == found.assigned[one.site, one.date])
        assert going.can_go(one.site[0], one.date)


def test_a_schedule_that_samplers_cannot_do_is_drawn_anew_and_counted():
    north, who = stratum("N", 2, sites=2), [Sampler("Ada")]
    found = [drawn(north, seed=seed, samplers=who) for seed in range(0, 120, 8)]
    # Two of 10 site-days fall on one date with probability 1/9.
    assert all(one.feasible_prop == pytest.approx(8 / 9, abs=0.01) for one in found)
    assert all(len({shift.date for shift in one.planned}) == 2 for one in found)
    assert max(one.tries for one in found) > 1
    assert all(one.seed == 8 * at + one.tries - 1 for at, one in enumerate(found))


def test_too_few_samplers_are_refused_in_words():
    with pytest.raises(UsageError, match=r"of random schedules can be done .* fewer shifts"):
        drawn(stratum("N", 5), samplers=[Sampler("Ada")])


def test_a_day_off_that_bends_the_probabilities_is_refused():
    off = frozenset({DAYS[2]})
    who = [Sampler("Ada", off=off), Sampler("Bo", off=off)]
    with pytest.raises(UsageError, match="2031-01-08 in area N would be drawn with a chance"):
        drawn(stratum("N", 2, sites=4), samplers=who)


def test_who_goes_is_found_where_the_obvious_choice_fails():
    # Ada reaches both areas, Bo only N: Ada must leave N to Bo.
    who = [Sampler("Ada"), Sampler("Bo", areas=frozenset("N"))]
    shifts = [("N1", "N", DAYS[0]), ("S1", "S", DAYS[0])]
    assert assign(shifts, who) == {("N1", DAYS[0]): "Bo", ("S1", DAYS[0]): "Ada"}
    assert assign([*shifts, ("S2", "S", DAYS[0])], who) is None
    rested = [Sampler("Ada", most_shifts=1)]
    assert assign([("N1", "N", DAYS[0]), ("N1", "N", DAYS[1])], rested) is None


def test_what_can_be_done_is_what_a_flow_of_each_draw_finds():
    """By sets of areas, by a rule, and by flows for the rest: each decides some of these draws."""
    rng, n_draws, answers = np.random.default_rng(5), 40, []
    for _ in range(25):
        days = DAYS[: rng.integers(1, 4)]
        who = [
            Sampler(
                f"s{at}",
                areas=frozenset(area for area in "ABC" if rng.random() < 0.6),
                off=frozenset(day for day in days if rng.random() < 0.2),
                most_shifts=None if rng.random() < 0.4 else int(rng.integers(1, len(days) + 1)),
            )
            for at in range(rng.integers(1, 5))
        ]
        places = [(area, day) for area in "ABC" for day in days]
        wanted = rng.integers(0, 3, (n_draws, len(places)))
        wanted *= rng.random(wanted.shape) < 0.4
        found = can_be_done(dict(zip(places, wanted.T, strict=True)), who)
        for row, can in zip(wanted.tolist(), found.tolist(), strict=True):
            shifts = [
                (f"{area}{at}", area, day)
                for (area, day), n in zip(places, row, strict=True)
                for at in range(n)
            ]
            assert (assign(shifts, who) is not None) == can
        answers += found.tolist()
    assert 0.1 < np.mean(answers) < 0.9


@pytest.mark.parametrize(
    ("who", "words"),
    [
        ([Sampler("Ada"), Sampler("Ada")], "named twice"),
        ([Sampler(" ")], "without a name"),
        ([Sampler("Ada", areas=frozenset("Q"))], "no area Q; there are: N"),
        ([Sampler("Ada", most_shifts=0)], "0 shifts; allowed: 1 or more"),
    ],
)
def test_samplers_are_checked_in_words(who, words):
    with pytest.raises(UsageError, match=words):
        require_areas(who, ["N"])


def test_where_there_is_no_area_a_sampler_of_any_is_refused():
    require_areas([Sampler("Ada")], [])
    with pytest.raises(UsageError, match="no area Q; there are: none"):
        require_areas([Sampler("Ada", areas=frozenset("Q"))], [])


def test_samplers_are_read_as_people_write_them():
    found = samplers_of("Ada\n\n Bo | N, S | Tue wed | 4 \n", week=WEEK)
    assert found == (
        Sampler("Ada"),
        Sampler("Bo", frozenset("NS"), frozenset({DAYS[1], DAYS[2]}), 4),
    )
    for text, words in (
        ("Bo | N | Tue | 4 | 50 | 1 | 1 | x", "8 parts"),
        ("Bo || someday", "no weekday 'som'"),
        ("Bo ||| few", "'few' shifts"),
    ):
        with pytest.raises(UsageError, match=words):
            samplers_of(text, week=WEEK)


def test_samplers_of_a_csv_table_and_hours_and_rest():
    text = (
        "\ufeffsampler,areas,days_off,most_shifts,most_hours,travel_hours,rest_days\n"
        "Ada,N;S,Tue Wed,4,,,\n\nBo,,,,38,1,\nCy,,,6,,,2\n"
    )
    ada, bo, cy = samplers_of(text, week=WEEK)
    assert (ada.areas, ada.off, ada.most_shifts) == ({"N", "S"}, {DAYS[1], DAYS[2]}, 4)
    assert bo.most_shifts == 3  # 38 h hold three shifts of 9 h and 1 h of travel
    assert cy.most_shifts == 5  # two days of rest
    assert samplers_of("Bo | | | | 38 | 1", week=WEEK) == (bo,)
    assert samplers_of("Bo | | | | 38 | 1", week=WEEK, shift_hours=8.5)[0].most_shifts == 4


@pytest.mark.parametrize(
    ("text", "hours", "words"),
    [
        ("sampler,shoes\nAda,3", 9, "column 'shoes'"),
        ("sampler,sampler\nAda,Bo", 9, "named twice"),
        ("sampler,areas\nAda,N,S", 9, "3 cells"),
        ("sampler,most_hours\nAda,many", 9, "most_hours"),
        ("Ada | | | | 8", 9, "hold no shift"),
        ("Ada | | | | | | 7", 9, "rest_days"),
        ("Ada | | | | | 5", 9, "before the next day"),
        ("Ada", 0, "hours"),
    ],
)
def test_faults_of_samplers_are_said(text, hours, words):
    with pytest.raises(UsageError, match=words):
        samplers_of(text, week=WEEK, shift_hours=hours)


def test_caps_are_what_samplers_can_do_and_too_few_are_refused():
    weekdays, weekend = stratum(), replace(stratum(), dates=DAYS[5:], day_group=1)
    other = stratum("B")
    strata = (weekdays, weekend, other)
    who = (
        Sampler("Ada", areas=frozenset("A"), most_shifts=4),
        Sampler("Bo", off=frozenset(DAYS[:3])),
    )
    caps = {tuple(group.tolist()): most for group, most in caps_of(strata, who)}
    assert caps == {
        (True, True, True): 4 + 4,
        (True, False, True): 4 + 2,  # Monday to Friday in both areas
        (False, True, False): 2 + 2,
        (True, True, False): 4 + 4,
        (True, False, False): 4 + 2,
        (False, False, True): 2,
    }
    size, one = np.full(3, 2), np.ones(3)
    bounds = Bounded(size, np.array([15, 6, 15]), one, caps_of(strata, who))
    require_samplers_for(strata, bounds, 8)
    with pytest.raises(UsageError, match="can do 8 in the week"):
        require_samplers_for(strata, bounds, 9)
    few = replace(bounds, caps=caps_of(strata, who[:1]))
    with pytest.raises(UsageError, match="two a stratum take"):
        require_samplers_for(strata, few, None)


def test_sites_that_nobody_visits_leave_the_frame_and_their_probability():
    plain, days = covered((stratum(), stratum("D", single=(0.5, 0.3, 0.2), sites_a_day=3)), ["A2"])
    assert (plain.sites, plain.frame_size) == (("A1", "A3"), 10)
    assert days.frame_size == 5
    (left,) = covered((replace(days, n=2),), ["D1"])
    assert left.draw_probability == pytest.approx((0.6, 0.4))
    assert (left.frame_size, left.sites_a_day) == (5, 2)
    both = (stratum(), stratum("B"))
    assert covered(both, ["A1", "A2", "A3"])[0].frame_size == 0
    for wrong in (["X"], [site for one in both for site in one.sites]):
        with pytest.raises(UsageError, match="site"):
            covered(both, wrong)


@pytest.mark.parametrize(
    ("one", "seed", "words"),
    [
        (stratum(n=16), 7, "16 drawn in stratum A 2031-W02 Mon–Fri; allowed: 0 to 15"),
        (stratum(n=-1), 7, "-1 drawn"),
        (stratum(sites_a_day=0), 7, "0 sites a day"),
        (stratum(), -1, "seed -1; allowed"),
    ],
)
def test_what_cannot_be_drawn_is_said(one, seed, words):
    with pytest.raises(UsageError, match=words):
        drawn(one, seed=seed)


def test_the_table_of_a_schedule_is_that_of_the_store():
    plain, days = stratum("N", 2), stratum("S", 2, single=[0.5, 0.3, 0.2])
    table = planned_site_days(drawn(plain, days, stratum("E", 0)))
    assert table.schema == TABLES["planned_site_days"].arrow_schema
    rows = table.to_pylist()
    assert {row["stratum_name"] for row in rows} == {"N 2031-W02 Mon–Fri", "S 2031-W02 Mon–Fri"}
    assert all(row["sample_id"] == sample_id(row["site"], str(row["date"])) for row in rows)
    assert {row["frame_size"] for row in rows} == {15, 5}
    assert {row["draw_probability"] for row in rows} == {None, 0.5, 0.3, 0.2}
    assert {row["seed"] for row in rows} == {7}


def test_importing_a_whole_plan_changes_no_estimate():
    visits = [SiteDay(2, [interview(kept=2)]), SiteDay(3, [interview(kept=1)], date=DAYS[1])]
    ahead = tuple(day + dt.timedelta(days=7) for day in DAYS[:5])
    coming = replace(stratum(n=2, sites=1), week="2031-W03", dates=ahead, sites=("r1",))
    plan = planned_site_days(drawn(coming))
    assert plan.num_rows == 5
    found = [
        estimate_snapshot(survey(visits, **more))
        for more in ({}, {"planned_site_days": plan.to_pylist()})
    ]
    pd.testing.assert_frame_equal(*found)
