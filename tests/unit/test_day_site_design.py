"""The three-stage design, days then sites then boats, against figures worked out by hand."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pytest

from analytics.codes import has_code
from analytics.errors import DataRejected
from analytics.estimates.estimate import estimate_snapshot
from tests.tables import MONDAY, SiteDay, figures, interview, survey

SITES = dict.fromkeys(("r1", "r2", "r3", "r4"), "A")
WEIGHTS = {"r1": 50.0, "r2": 25.0, "r3": 15.0, "r4": 10.0}


def season(**given):
    plain = {
        "season": "2030-31",
        "area": "A",
        "open_date": MONDAY,
        "close_date": MONDAY + dt.timedelta(days=6),
        "day_groups": "1234567",
        "design": "day_site",
    }
    return plain | given


def day(offset: int, site: str, kept: list[int], *, boats: int | None = None, **given) -> SiteDay:
    return SiteDay(
        len(kept) if boats is None else boats,
        [interview(kept=fish) for fish in kept],
        site=site,
        date=MONDAY + dt.timedelta(days=offset),
        **given,
    )


def row(days, quantity="kept_fish", *, openings=None, planned_site_days=(), **given):
    snapshot = survey(
        days,
        sites=given.pop("sites", SITES),
        weights=WEIGHTS,
        seasons=openings or [season()],
        planned_site_days=planned_site_days,
    )
    return figures(estimate_snapshot(snapshot, by=["season"], **given), quantity)


def test_two_sites_a_day_by_murthy_days_by_simple_random_sampling():
    found = row([day(0, "r1", [60]), day(0, "r2", [25]), day(2, "r1", [40]), day(2, "r3", [14])])

    def murthy(y1, p1, y2, p2):
        below = 2 - p1 - p2
        total = ((1 - p2) * y1 / p1 + (1 - p1) * y2 / p2) / below
        between = (1 - p1) * (1 - p2) * (1 - p1 - p2) / below**2
        return total, between * (y1 / p1 - y2 / p2) ** 2

    (one, v_one), (two, v_two) = murthy(60, 0.5, 25, 0.25), murthy(40, 0.5, 14, 0.15)
    s2 = (one - two) ** 2 / 2
    assert found["estimate"] == pytest.approx(7 * (one + two) / 2)
    variance = 49 * (1 - 2 / 7) * s2 / 2 + 7 / 2 * (v_one + v_two)
    assert found["se"] == pytest.approx(math.sqrt(variance))
    assert (found["n_psu"], found["n_psu_frame"], found["df"]) == (2, 7, 1)
    assert found["method"].startswith("three_stage_total; two_sites_murthy")


def test_boats_within_a_site_add_their_own_variance():
    whole = [day(0, "r1", [6]), day(0, "r2", [2]), day(2, "r1", [4]), day(2, "r2", [3])]
    part = [day(0, "r1", [2, 4], boats=2), *whole[1:]]
    short = [day(0, "r1", [2, 4], boats=5), *whole[1:]]
    full, thin = row(part), row(short)
    # 5 boats of which 2 said 2 and 4: t = 15 instead of 6, with variance 25 (1 - 2/5) 2/2 = 15.
    weight = (1 - 0.25) / (0.5 * 1.25)
    assert thin["estimate"] - full["estimate"] == pytest.approx(7 / 2 * weight * (15 - 6))
    form = (0.5 * 0.75 * 0.25 / 1.25**2) / 0.5**2  # a of r1 in Murthy's variance
    days = {key: [murthy_total(y) for y in pairs] for key, pairs in TOTALS.items()}
    first = {key: (a - b) ** 2 / 2 * 49 * (1 - 2 / 7) / 2 for key, (a, b) in days.items()}
    sites = {key: 7 / 2 * sum(map(murthy_variance, pairs)) for key, pairs in TOTALS.items()}
    inside = 7 / 2 * (weight**2 - form) * 15
    assert full["se"] ** 2 == pytest.approx(first["full"] + sites["full"])
    assert thin["se"] ** 2 == pytest.approx(first["thin"] + sites["thin"] + inside)


TOTALS = {"full": [(6, 2), (4, 3)], "thin": [(15, 2), (4, 3)]}


def murthy_total(pair):
    return (0.75 * pair[0] / 0.5 + 0.5 * pair[1] / 0.25) / 1.25


def murthy_variance(pair):
    return 0.75 * 0.5 * 0.25 / 1.25**2 * (pair[0] / 0.5 - pair[1] / 0.25) ** 2


def test_one_site_a_day_has_its_spread_told_by_the_days_without_a_finite_term():
    found = row([day(0, "r1", [60]), day(2, "r3", [14]), day(5, "r2", [30])])
    totals = [60 / 0.5, 14 / 0.15, 30 / 0.25]
    mean = sum(totals) / 3
    s2 = sum((one - mean) ** 2 for one in totals) / 2
    assert found["estimate"] == pytest.approx(7 * mean)
    assert found["se"] == pytest.approx(7 * math.sqrt(s2 / 3))
    assert "one_site_drawn" in found["method"]


def test_three_sites_a_day_use_exact_inclusion_probabilities():
    found = row([day(k, site, [4]) for k in (0, 2) for site in ("r1", "r2", "r3")])
    assert "sites_horvitz_thompson" in found["method"]
    # Probabilities of three of four by successive draws: one minus that of being the one left.
    p = [0.5, 0.25, 0.15, 0.1]
    orders = [
        (a, b, c) for a in range(4) for b in range(4) for c in range(4) if len({a, b, c}) == 3
    ]
    chance = {o: p[o[0]] * p[o[1]] / (1 - p[o[0]]) for o in orders}
    chance = {o: v * p[o[2]] / (1 - p[o[0]] - p[o[1]]) for o, v in chance.items()}
    single = [sum(v for o, v in chance.items() if site in o) for site in range(3)]
    assert found["estimate"] == pytest.approx(7 * sum(4 / one for one in single), rel=1e-9)


def test_every_site_of_a_day_leaves_the_days_alone_to_vary():
    sites = {"r1": "A", "r2": "A"}
    days = [day(k, site, [fish]) for k, site, fish in ((0, "r1", 3), (0, "r2", 4), (1, "r1", 5))]
    found = row([*days, day(1, "r2", [2])], sites=sites)
    assert found["estimate"] == pytest.approx(7 * 7)
    assert math.isnan(found["se"])  # both days gave 7: nothing varies
    assert "alike" in found["method"]


def test_a_week_of_sampled_days_at_every_site_is_a_census():
    days = [day(k, "r1", [k]) for k in range(7)]
    found = row(days, sites={"r1": "A"})
    assert (found["status"], found["se"], found["estimate"]) == ("census", 0, 21)
    one_site = row(days, sites={"r1": "A", "r2": "A"})
    assert one_site["status"] != "census"
    assert one_site["se"] > 0


def test_a_certain_day_with_one_site_drawn_borrows_a_spread():
    openings = [season(day_groups="1234|5|6|7")]
    days = [day(k, site, [9 + k]) for k, site in ((0, "r1"), (2, "r2"), (4, "r1"), (5, "r1"))]
    found = row([*days, day(6, "r2", [4])], openings=openings)
    assert found["status"] == "collapsed"
    # Fri borrows from Mon-Thu, Sat from Fri, Sun from Sat; no finite term on any of them.
    t = np.array([9 / 0.5, 11 / 0.25, 13 / 0.5, 14 / 0.5, 4 / 0.25])
    spreads = [t[[0, 1, 2]].var(ddof=1), t[[2, 3]].var(ddof=1), t[[3, 4]].var(ddof=1)]
    assert found["estimate"] == pytest.approx(4 * t[:2].mean() + t[2:].sum())
    assert found["se"] ** 2 == pytest.approx(16 * t[:2].var(ddof=1) / 2 + sum(spreads))


def test_a_drawn_site_that_said_nothing_counts_by_its_boats():
    days = [day(0, "r1", [6]), day(0, "r2", [], boats=3), day(2, "r1", [4]), day(2, "r2", [3])]
    found = row([*days, day(4, "r1", [5]), day(4, "r2", [1])])
    # Weights of r1 and r2 are the same every day; the mean per boat goes by them.
    r1, r2 = murthy_total((1, 0)), murthy_total((0, 1))
    per_boat = (r1 * (6 + 4 + 5) + r2 * (3 + 1)) / (3 * r1 + 2 * r2)
    totals = [murthy_total(pair) for pair in ((6, 3 * per_boat), (4, 3), (5, 1))]
    assert found["n_psu"] == 3
    assert found["estimate"] == pytest.approx(7 * sum(totals) / 3)
    assert has_code(found["method"], "missed_days")


def test_a_day_of_which_a_drawn_site_was_not_counted_leaves_the_sample():
    days = [day(0, "r1", [6]), day(0, "r2", []), day(2, "r1", [4]), day(2, "r2", [3])]
    days[1] = replace(days[1], boats=None)
    found = row([*days, day(4, "r1", [5]), day(4, "r2", [1])])
    totals = [murthy_total(pair) for pair in ((4, 3), (5, 1))]
    assert found["n_psu"] == 2
    assert found["estimate"] == pytest.approx(7 * sum(totals) / 2)


def test_stated_probabilities_win_and_the_others_share_the_rest():
    stated = row([day(0, "r1", [6], draw_probability=0.4), day(2, "r1", [9], draw_probability=0.2)])
    assert stated["estimate"] == pytest.approx(7 * (6 / 0.4 + 9 / 0.2) / 2)
    one_stated = [day(k, "r1", [6], draw_probability=0.4) for k in (0, 2)]
    both = row(
        [
            one
            for k, first in zip((0, 2), one_stated, strict=True)
            for one in (first, day(k, "r2", [2]))
        ]
    )
    p2 = 0.6 * 25 / 50  # what is left, shared by r2, r3, r4 as 25 : 15 : 10
    total = ((1 - p2) * 6 / 0.4 + 0.6 * 2 / p2) / (2 - 0.4 - p2)
    assert both["estimate"] == pytest.approx(7 * total)


def test_a_visit_without_a_probability_takes_that_of_its_plan():
    visits = [day(0, "r1", [6]), day(2, "r1", [9], draw_probability=0.2)]
    plan = [
        # The second visit states its own.
        {"sample_id": "s00000", "site": "r1", "date": visits[0].date, "draw_probability": 0.4},
        {"sample_id": "s00001", "site": "r1", "date": visits[1].date, "draw_probability": 0.9},
    ]
    planned = row(visits, planned_site_days=plan)
    assert planned["estimate"] == pytest.approx(7 * (6 / 0.4 + 9 / 0.2) / 2)
    plan[0]["date"] += dt.timedelta(days=1)
    elsewhere = row(visits, planned_site_days=plan)
    assert elsewhere["estimate"] == pytest.approx(7 * (6 / 0.5 + 9 / 0.2) / 2)


def test_an_inclusion_probability_is_no_draw_probability():
    visits = [day(0, "r1", [6]), day(2, "r1", [9])]
    plan = [{"sample_id": "s00000", "site": "r1", "date": visits[0].date, "inclusion_prob": 0.1}]
    assert row(visits, planned_site_days=plan)["estimate"] == row(visits)["estimate"]


def test_stated_frames_count_days():
    days = [day(k, "r1", [fish], stratum="x", frame=30) for k, fish in ((0, 2), (2, 6))]
    found = row(days)
    assert found["estimate"] == pytest.approx(30 * (2 / 0.5 + 6 / 0.5) / 2)
    assert found["n_psu_frame"] == 30


@pytest.mark.parametrize(
    ("days", "words"),
    [
        ([day(0, "r1", [1], draw_probability=0.7), day(0, "r2", [1], draw_probability=0.6)], "1.3"),
        ([day(0, "r1", [1]), day(0, "r1", [2])], "twice"),
        ([day(0, "r1", [1], draw_probability=0.0)], "draw probability is 0"),
    ],
)
def test_draws_that_cannot_be_are_refused_in_words(days, words):
    with pytest.raises(DataRejected, match=words):
        row(days)


def test_areas_of_both_designs_stand_side_by_side():
    sites = {"r1": "A", "r2": "A", "q1": "B"}
    openings = [season(), season(area="B", design="site_day")]
    days = [day(0, "r1", [4]), day(0, "r2", [2]), day(1, "r1", [6]), day(1, "r2", [1])]
    days += [
        SiteDay(1, [interview(kept=fish, area="B")], site="q1", date=MONDAY + dt.timedelta(days=k))
        for k, fish in ((0, 3), (3, 5))
    ]
    snapshot = survey(days, sites=sites, weights=WEIGHTS, seasons=openings)
    rows = estimate_snapshot(snapshot, by=["area"])
    assert figures(rows, "kept_fish", area="A")["estimate"] == pytest.approx(7 * 6.5)
    of_b = figures(rows, "kept_fish", area="B")
    assert of_b["estimate"] == pytest.approx(7 * 4)
    assert of_b["method"].startswith("two_stage_total")
    whole = figures(estimate_snapshot(snapshot, by=["season"]), "kept_fish")
    assert whole["estimate"] == pytest.approx(7 * 10.5)
