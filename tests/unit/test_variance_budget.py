"""A variance and its parts: they add up, and each is what it is called."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from analytics.estimates.estimate import result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.estimates.variance_components import variance_budget
from analytics.settings import EstimationSettings
from tests.documents import demo_snapshot
from tests.tables import MONDAY, interview, survey
from tests.unit.test_replicate_weights import THIN
from tests.unit.test_site_day_design import day, one_week

RATES = [
    {
        "size_class": "legal",
        "method": "any",
        "wound_class": "any",
        "rate_prop": 0.1,
        "rate_se": 0.02,
        "source": "made up",
    },
    {
        "size_class": "sublegal",
        "method": "any",
        "wound_class": "any",
        "rate_prop": 0.2,
        "rate_se": 0.05,
        "source": "made up",
    },
]


def budget_and_rows(snapshot, basis="reported"):
    settings = EstimationSettings.of(basis=basis)
    prepared = prepare_survey(snapshot, settings=settings)
    budget = variance_budget(prepared).to_pandas()
    rows = [
        row
        for by in (("season",), ("area",))
        for row in result_rows(prepared, by=by, level=0.95)
        if row["se"]
    ]
    return budget, pd.DataFrame(rows)


def assert_adds_up(snapshot, basis="reported"):
    budget, rows = budget_and_rows(snapshot, basis)
    key = ["area", "quantity"]
    rows["area"] = rows["area"].fillna("")
    budget["area"] = budget["area"].fillna("")
    sums = budget.pivot_table("variance", key, "split", "sum")
    se = rows.set_index(key)["se"]
    assert set(sums.index) == set(se.index)
    for split in ("part", "landing_area", "week"):
        assert sums[split].to_numpy() == pytest.approx(se[sums.index].to_numpy() ** 2, rel=1e-9)
    strata = sums["stratum"].dropna()
    assert set(strata.index) == {one for one in se.index if not one[0]}
    assert strata.to_numpy() == pytest.approx(se[strata.index].to_numpy() ** 2, rel=1e-9)
    shares = budget.groupby([*key, "split"])["share"].sum()
    assert shares.to_numpy() == pytest.approx(1, rel=1e-9)
    return budget


def by_part(budget, quantity):
    rows = budget[(budget["quantity"] == quantity) & (budget["split"] == "part")]
    return rows[rows["area"] == ""].set_index("part")["variance"].to_dict()


@pytest.mark.parametrize("days", THIN.values(), ids=THIN)
def test_parts_of_thin_surveys_add_up(days):
    assert_adds_up(survey(days))


def test_both_stages_by_hand():
    days = [day(0, [1, 3], boats=4), day(1, [0, 2], boats=4), day(5, [5]), day(6, [7])]
    parts = by_part(assert_adds_up(one_week(days)), "kept_fish")
    assert parts["between_units"] == pytest.approx(25 * (1 - 2 / 5) * ((8 - 4) ** 2 / 2) / 2)
    assert parts["within_units"] == pytest.approx(5 / 2 * 2 * 16 * (1 - 2 / 4) * 2 / 2)
    assert set(parts) == {"between_units", "within_units"}


def test_strata_without_a_sample_have_what_they_add():
    days = [*THIN["imputed"], day(19, [6]), day(20, [2])]
    filled = by_part(assert_adds_up(survey(days)), "kept_fish")
    # Open in the sampled weeks alone, the same days have the rest.
    rest = by_part(assert_adds_up(survey(days, seasons=_open_weeks())), "kept_fish")
    assert set(filled) == {"between_units", "imputed_strata"}
    assert set(rest) == {"between_units"}
    assert filled["between_units"] == pytest.approx(rest["between_units"], rel=1e-12)


def test_a_stratum_with_one_day_is_collapsed():
    assert "collapsed_strata" in by_part(assert_adds_up(survey(THIN["collapsed"])), "kept_fish")


def test_rates_have_their_part_of_deaths():
    boats = [interview(kept=1, released_legal=n, released_sublegal=3 * n) for n in range(6)]
    days = [day(0, [1]), day(1, [2])]
    for place, one in enumerate(days):
        one.interviews.extend(boats[3 * place : 3 * place + 3])
    days = [type(one)(len(one.interviews), one.interviews, date=one.date) for one in days]
    budget = assert_adds_up(survey(days, release_rates=RATES))
    deaths = by_part(budget, "release_deaths_fish")
    assert 0 < deaths["mortality_rates"] < sum(deaths.values())
    assert "mortality_rates" not in by_part(budget, "kept_fish")


def test_parts_of_the_demo_add_up():
    budget = assert_adds_up(demo_snapshot())
    assert {"between_units", "within_units", "mortality_rates"} <= set(budget["part"].dropna())


def test_parts_of_the_demo_add_up_on_the_sampled_basis():
    parts = by_part(assert_adds_up(demo_snapshot(), "sampled"), "encounter_sublegal_marked_fish")
    assert set(parts) == {"interviews", "test_fishing"}
    assert all(one > 0 for one in parts.values())


def _open_weeks():
    return [
        {
            "season": "2030-31",
            "area": "A",
            "open_date": MONDAY + dt.timedelta(days=first),
            "close_date": MONDAY + dt.timedelta(days=first + 6),
        }
        for first in (0, 14)
    ]
