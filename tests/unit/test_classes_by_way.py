"""Sampled classes where totals are expanded by coverage or rest on counted boats; the command."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from analytics.cli import main
from analytics.codes import parse
from analytics.estimates import estimate as estimates
from analytics.fish.mark_composition import CLASSES
from tests.class_cases import boat, fish_of, sampled_survey, seasons
from tests.field_week import field_week, write_week
from tests.tables import MONDAY, SiteDay, figures

LM, LU, SM, SU = CLASSES
SAMPLE = (30, 18, 42, 30)
KEPT = {0: (2, 5), 2: (4, 3), 3: (1, 6), 5: (3, 3)}
DAYS = [
    SiteDay(2, [boat(kept, hours_fished=5.0) for kept in both], date=MONDAY + dt.timedelta(day))
    for day, both in KEPT.items()
]
CONTACTS = [
    {
        "area": "A",
        "date": MONDAY + dt.timedelta(days=day),
        "boats_contacted": asked,
        "boats_to_listed_sites": listed,
    }
    for day, asked, listed in ((0, 10, 8), (2, 6, 3), (5, 8, 7))
]
COUNTS = [
    {
        "count_id": f"{day}-{place}",
        "area": "A",
        "date": MONDAY + dt.timedelta(days=day),
        "time": dt.time(9 + place),
        "boats": boats,
    }
    for day, seen in {0: (4, 8), 3: (10, 6)}.items()
    for place, boats in enumerate(seen)
]
WAYS = {
    "drawn": {},
    "all boats": {"expand": True},
    "boats counted": {"effort": "counts", "day_hours": 10.0},
}


def estimate_snapshot(snapshot, **given):
    """Return result rows on the sampled basis where no other is named."""
    return estimates.estimate_snapshot(snapshot, **{"basis": "sampled"} | given)


@pytest.fixture(scope="module")
def snapshot():
    opening = seasons("A", weeks=1, day_groups="1234567")
    return sampled_survey(
        DAYS, fish_of(SAMPLE), seasons=opening, coverage=CONTACTS, boat_counts=COUNTS
    )


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("by", [("area", "week"), ("season",)])
def test_one_pool_adds_its_own_error_to_that_of_any_way(snapshot, way, by):
    rows = estimate_snapshot(snapshot, by=by, **WAYS[way])
    base = figures(rows, LM)
    assert base["estimate"] == pytest.approx(figures(rows, "kept_fish")["estimate"])
    for quantity, n in zip((LU, SM, SU), SAMPLE[1:], strict=True):
        row = figures(rows, quantity)
        assert row["estimate"] == pytest.approx(base["estimate"] * n / 30)
        cv2 = (base["se"] / base["estimate"]) ** 2 + 1 / n + 1 / 30
        assert (row["se"] / row["estimate"]) ** 2 == pytest.approx(cv2)


@pytest.mark.parametrize(
    ("way", "words"),
    [("all boats", "expanded_total"), ("boats counted", "counted_effort_times_rate")],
)
def test_the_method_names_the_sample_and_the_way(snapshot, way, words):
    row = figures(estimate_snapshot(snapshot, by=("season",), **WAYS[way]), SM)
    assert row["method"].startswith("sampled_composition; ")
    assert words in row["method"]
    plain = figures(estimate_snapshot(snapshot, by=("season",), basis="reported", **WAYS[way]), SM)
    assert plain["method"].startswith("reported_marks; ")


def test_where_interviews_are_of_convenience_there_are_no_encounters():
    opening = seasons("A", weeks=1, design="opportunistic")
    snapshot = sampled_survey(DAYS, fish_of(SAMPLE), seasons=opening)
    row = figures(estimate_snapshot(snapshot, by=("season",)), SM)
    assert row["status"] == "no_design"


def released(kept, read, *, week):
    """Return two site-days of legal releases of which some marks were read, or none."""
    return [
        SiteDay(
            2,
            [boat(kept, hours_fished=5.0, released_legal=5 + day, released_legal_marked=read)],
            date=MONDAY + dt.timedelta(7 * week + 2 * day),
        )
        for day in (0, 1)
    ]


@pytest.mark.parametrize("by", [("area", "week"), ("season",)])
def test_shares_that_weeks_borrow_keep_their_error_when_expanded(by):
    days = released(3, 2, week=0) + released(4, None, week=1)
    all_listed = [
        one | {"boats_contacted": 10, "boats_to_listed_sites": 10, "date": day.date}
        for day in days
        for one in CONTACTS[:1]
    ]
    opening = seasons("A", weeks=2, day_groups="1234567")
    snapshot = sampled_survey(days, fish_of(SAMPLE), seasons=opening, coverage=all_listed)
    plain, expanded = (
        estimate_snapshot(snapshot, by=by, expand=one, through="2031-W03") for one in (False, True)
    )
    week = {"week": "2031-W03"} if "week" in by else {}
    for name in (LM, SM):
        one, other = (figures(rows, name, **week) for rows in (plain, expanded))
        assert other["estimate"] == pytest.approx(one["estimate"])
        # Every boat lands at a listed site: the factor is 1 without error. Where weeks add up the
        # mean share of a domain stands for those of its weeks.
        assert other["se"] == pytest.approx(one["se"], rel=1e-6 if week else 0.1)
    method = figures(expanded, SM, **week)["method"]
    donors = [
        one["donor"] for one in parse(method) if "donor" in dict(getattr(one, "arguments", ()))
    ]
    assert "area_season" in donors or not week


def test_a_season_of_unlike_bases_has_an_error_when_expanded():
    unread = [boat(kept, hours_fished=5.0, area="B") | {"kept_marked": None} for kept in (3, 6)]
    other = [
        SiteDay(2, [one], site="r2", date=MONDAY + dt.timedelta(day))
        for day, one in enumerate(unread)
    ]
    contacts = CONTACTS + [one | {"area": "B"} for one in CONTACTS]
    snapshot = sampled_survey(
        DAYS + other,
        fish_of(SAMPLE) + fish_of(SAMPLE, area="B"),
        seasons=seasons("A", "B", weeks=1, day_groups="1234567"),
        sites={"r1": "A", "r2": "B"},
        coverage=contacts,
    )
    areas = estimate_snapshot(snapshot, by=("area",), expand=True)
    whole = figures(estimate_snapshot(snapshot, by=("season",), expand=True), SM)
    parts = [figures(areas, SM, area=area) for area in "AB"]
    assert whole["estimate"] == pytest.approx(sum(one["estimate"] for one in parts))
    bounds = [float(np.hypot(*(one["se"] for one in parts))), sum(one["se"] for one in parts)]
    assert 0.8 * bounds[0] < whole["se"] < bounds[1]


def said_by(capsys, *args):
    """Return exit status, standard output and standard error of a command."""
    with pytest.raises(SystemExit) as ended:
        main([str(arg) for arg in args])
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    return int(ended.value.code or 0), said.out, said.err


def test_the_command_takes_the_users_choice(tmp_path, capsys):
    week = field_week()
    week["fish"] = fish_of((4, 2, 9, 3))
    store = tmp_path / "store"
    status, _, err = said_by(
        capsys, "import", write_week(week, tmp_path / "week"), "--store", store
    )
    assert status == 0, err
    asked = ("estimate", "--store", store, "--by", "season", "--out", "-")
    for word, method in (("sampled", "sampled_composition"), ("reported", "reported_marks")):
        status, out, err = said_by(capsys, *asked, "--basis", word)
        assert status == 0, err
        assert method in next(line for line in out.splitlines() if SM in line)
    usual = said_by(capsys, *asked)[1]
    assert usual == said_by(capsys, *asked, "--basis", "reported")[1]
    assert "sampled_composition" not in usual
    status, _, err = said_by(capsys, *asked, "--basis", "guess")
    assert status == 2
    assert "sampled" in err
