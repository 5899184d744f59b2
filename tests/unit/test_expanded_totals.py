"""Totals expanded by on-water coverage, worked out by hand."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

from analytics.codes import has_code
from analytics.errors import UsageError
from analytics.estimates.estimate import estimate_snapshot
from analytics.survey.coverage import coverage_factors
from tests.tables import MONDAY, SiteDay, figures, interview, survey

AREAS = {"r1": "A", "q1": "B"}
CONTACTS = {"A": {0: (10, 8), 2: (6, 3), 5: (8, 7)}, "B": {1: (5, 4), 3: (4, 2)}}


def opening(area):
    return {
        "season": "2030-31",
        "area": area,
        "open_date": MONDAY,
        "close_date": MONDAY + dt.timedelta(days=13),
        "day_groups": "1234567",
    }


def contacts(by_area):
    return [
        {
            "area": area,
            "date": MONDAY + dt.timedelta(days=day),
            "boats_contacted": asked,
            "boats_to_listed_sites": listed,
        }
        for area, days in by_area.items()
        for day, (asked, listed) in days.items()
    ]


def days_of(site, area, kept_by_day):
    return [
        SiteDay(
            len(kept) + 1,
            [interview(area=area, kept=fish) for fish in kept],
            site=site,
            date=MONDAY + dt.timedelta(days=day),
        )
        for day, kept in kept_by_day.items()
    ]


DAYS = [
    *days_of("r1", "A", {0: [2, 1], 2: [0, 3], 4: [1, 1], 8: [4, 0], 10: [1, 2]}),
    *days_of("q1", "B", {1: [1, 0], 3: [2, 2], 9: [0, 5], 11: [1, 1]}),
]


def snapshot_of(by_area=CONTACTS, days=DAYS, **tables):
    openings = [opening(area) for area in "AB"]
    return survey(days, sites=AREAS, seasons=openings, coverage=contacts(by_area), **tables)


def both(snapshot, quantity="kept_fish", by=("season",), **domain):
    return [
        figures(estimate_snapshot(snapshot, by=by, expand=expand), quantity, **domain)
        for expand in (False, True)
    ]


def factor_of(area):
    """Return Beale's quotient of boats contacted to boats for listed sites, and its variance."""
    y, x = np.array(list(CONTACTS[area].values()), dtype=float).T
    n, joint = len(y), np.cov(y, x)
    value = (x.mean() * y.mean() + joint[0, 1] / n) / (x.mean() ** 2 + joint[1, 1] / n)
    residual = y - y.sum() / x.sum() * x
    return value, (residual**2).sum() / (n * (n - 1)) / x.mean() ** 2


def test_an_area_is_expanded_with_goodmans_variance():
    plain, wide = both(snapshot_of(), by=("area", "week"), area="A", week="2031-W02")
    factor, v_factor = factor_of("A")
    variance = factor**2 * plain["se"] ** 2 + (plain["estimate"] ** 2 - plain["se"] ** 2) * v_factor
    assert wide["estimate"] == pytest.approx(factor * plain["estimate"])
    assert wide["se"] == pytest.approx(math.sqrt(variance))
    assert wide["method"].startswith(f"expanded_total; expanded(factor={factor:.3f})")
    assert has_code(wide["method"], "expanded")
    assert wide["n_psu"] == plain["n_psu"]


def test_the_error_of_the_factor_is_shared_by_the_weeks_of_an_area():
    snapshot = snapshot_of()
    factor, v_factor = factor_of("A")
    plain, wide = both(snapshot, by=("area",), area="A")
    total, se = plain["estimate"], plain["se"]
    assert wide["se"] ** 2 == pytest.approx(factor**2 * se**2 + (total**2 - se**2) * v_factor)
    weeks = estimate_snapshot(snapshot, by=["area", "week"], expand=True)
    parts = weeks[(weeks["quantity"] == "kept_fish") & (weeks["area"] == "A")]
    assert wide["estimate"] == pytest.approx(parts["estimate"].sum())
    assert wide["se"] ** 2 > (parts["se"] ** 2).sum()


def test_areas_with_their_own_contacts_add_up_with_their_variances():
    rows = estimate_snapshot(snapshot_of(), by=["area"], expand=True)
    parts = rows[rows["quantity"] == "kept_fish"]
    whole = both(snapshot_of())[1]
    assert whole["estimate"] == pytest.approx(parts["estimate"].sum())
    assert whole["se"] ** 2 == pytest.approx((parts["se"] ** 2).sum())


def test_areas_that_share_a_factor_share_its_error():
    thin = {"A": CONTACTS["A"], "B": {}}  # all contacts are of A: its factor is the pool's
    rows = estimate_snapshot(snapshot_of(thin), by=["area"], expand=True)
    parts = rows[rows["quantity"] == "kept_fish"].set_index("area")
    assert has_code(parts.loc["B", "method"], "contacts_pooled")
    nothing = {"C": CONTACTS["A"]}  # both areas take the pool's factor
    for snapshot in (snapshot_of(nothing), snapshot_of(thin)):
        plain, wide = both(snapshot)
        factor, v_factor = factor_of("A")
        by_area = estimate_snapshot(snapshot, by=["area"])
        variances = by_area.query("quantity == 'kept_fish'")["se"] ** 2
        expected = factor**2 * plain["se"] ** 2 + v_factor * plain["estimate"] ** 2
        assert wide["se"] ** 2 == pytest.approx(expected - v_factor * variances.sum())


def test_factors_of_areas_err_together_by_their_common_days():
    rng = np.random.default_rng(5)
    drawn, covariances = [], []
    for _ in range(600):
        asked = rng.integers(3, 15, 10)
        bound = rng.binomial(asked, rng.beta(6, 4, 10))
        bound[0] = max(bound[0], 1)
        by_day = dict(enumerate(zip(asked.tolist(), bound.tolist(), strict=True)))
        found = coverage_factors(
            pd.DataFrame(contacts({"A": by_day, "B": {3: (9, 5)}})), areas=("A", "B")
        )
        assert found.is_pooled.tolist() == [False, True]
        drawn.append(found.factor)
        covariances.append(found.covariance)
    spread, said = np.cov(np.array(drawn).T), np.mean(covariances, axis=0)
    assert said[0, 1] == pytest.approx(spread[0, 1], rel=0.2)
    assert said[0, 1] > 0.8 * np.sqrt(said[0, 0] * said[1, 1])


def test_a_factor_of_all_areas_is_refused_on_request():
    snapshot = snapshot_of({"A": CONTACTS["A"], "B": {}})
    rows = estimate_snapshot(snapshot, by=["area"], expand=True, thin="refuse")
    assert figures(rows, "kept_fish", area="A")["estimate"] > 0
    lone = figures(rows, "kept_fish", area="B")
    assert (lone["status"], math.isnan(lone["estimate"])) == ("no_sample", True)
    assert has_code(lone["method"], "factor_refused")


def test_shares_and_rates_of_one_area_stay_as_they_are():
    plain, wide = both(snapshot_of(), "kept_per_angler_trip", by=("area",), area="A")
    assert wide["estimate"] == pytest.approx(plain["estimate"])
    assert wide["se"] == pytest.approx(plain["se"])


def test_a_season_without_contacts_is_refused_in_words():
    with pytest.raises(UsageError, match="no boat was contacted in any area; import the table cov"):
        estimate_snapshot(snapshot_of({}), expand=True)


def test_every_boat_at_listed_sites_changes_nothing_but_the_words():
    full = {area: dict.fromkeys(days, (9, 9)) for area, days in CONTACTS.items()}
    plain, wide = both(snapshot_of(full))
    assert wide["estimate"] == pytest.approx(plain["estimate"])
    assert wide["se"] == pytest.approx(plain["se"])
