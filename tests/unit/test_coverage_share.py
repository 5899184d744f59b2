"""Coverage by hand, its small bias over every sample of days, and the rules for thin areas."""

from __future__ import annotations

import datetime as dt
import itertools
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from analytics.codes import has_code
from analytics.survey.coverage import corrected_quotient, coverage_factors, season_contacts
from tests.tables import MONDAY, SiteDay, survey


def contacts(**days):
    """Return contacts by area: one (contacted, for a listed site) a day from the first Monday."""
    rows = [
        {
            "area": area,
            "date": pd.Timestamp(MONDAY + dt.timedelta(days=number)),
            "boats_contacted": met,
            "boats_to_listed_sites": listed,
        }
        for area, pairs in days.items()
        for number, (met, listed) in enumerate(pairs)
    ]
    return pd.DataFrame(rows)


def test_a_factor_by_hand():
    found = coverage_factors(contacts(A=[(10, 8), (6, 3), (8, 7)]), areas=["A"])
    # ȳ 8, x̄ 6, s_xy (2·2 + 2·3 + 0·1)/2 = 5, s_x² (4 + 9 + 1)/2 = 7; r = 4/3.
    assert found.factor[0] == pytest.approx((48 + 5 / 3) / (36 + 7 / 3))
    residuals = [10 - 4 / 3 * 8, 6 - 4 / 3 * 3, 8 - 4 / 3 * 7]
    assert found.variance[0] == pytest.approx(sum(e**2 for e in residuals) / (3 * 2 * 36))
    assert (found.df[0], found.n_days[0], found.boats[0]) == (2, 3, 24)
    assert found.share[0] == pytest.approx(0.75)
    off = [8 - 7.5, 3 - 4.5, 7 - 6]
    se = math.sqrt(sum(e**2 for e in off) / (3 * 2)) / 8
    assert found.share_se[0] == pytest.approx(se)
    wanted = stats.t(2, loc=math.log(3), scale=se / 0.1875).interval(0.95)
    ends = np.array([found.share_low[0], found.share_high[0]])
    np.testing.assert_allclose(np.log(ends / (1 - ends)), wanted)
    assert found.method == ("corrected_quotient",)


#: Boats contacted and for listed sites, day by day: unequal days, shares far apart.
DAYS = np.array([(4, 4), (9, 3), (2, 2), (12, 11), (7, 2), (15, 9), (5, 5)], dtype=float)


@pytest.mark.parametrize("n", [2, 3, 4])
def test_the_corrected_quotient_is_less_biased_than_the_plain_one_over_every_sample(n):
    truth = DAYS[:, 0].sum() / DAYS[:, 1].sum()
    drawn = [DAYS[list(ids)] for ids in itertools.combinations(range(len(DAYS)), n)]
    plain = np.mean([days[:, 0].sum() / days[:, 1].sum() for days in drawn]) - truth
    found = [corrected_quotient(days[:, 0], days[:, 1], len(DAYS)).value for days in drawn]
    assert plain > 0.01
    assert abs(np.mean(found) - truth) < 0.5 * plain


def test_the_correction_without_a_frame_serves_days_drawn_again_and_again():
    truth = DAYS[:, 0].sum() / DAYS[:, 1].sum()
    drawn = [DAYS[list(ids)] for ids in itertools.product(range(len(DAYS)), repeat=4)]
    plain = np.mean([days[:, 0].sum() / days[:, 1].sum() for days in drawn]) - truth
    found = [corrected_quotient(days[:, 0], days[:, 1]) for days in drawn]
    bias = np.mean([one.value for one in found]) - truth
    assert abs(bias) < 0.5 * plain


def test_the_variance_is_about_right_over_many_seasons():
    chance = np.random.default_rng(5)
    shares = chance.beta(16, 4, size=(4000, 40))
    met = chance.poisson(12, size=shares.shape) + 1
    listed = chance.binomial(met, shares)
    found = [corrected_quotient(m, x) for m, x in zip(met, listed, strict=True)]
    values = np.array([one.value for one in found])
    # 4000 values tell a variance to about 2 %; linearising may take as much again.
    assert np.mean([one.variance for one in found]) == pytest.approx(values.var(), rel=0.08)
    assert values.mean() == pytest.approx(1 / 0.8, rel=0.003)


def test_everyone_at_listed_sites_is_a_factor_of_exactly_one_and_says_so():
    found = coverage_factors(contacts(A=[(7, 7), (3, 3), (11, 11)]), areas=["A"])
    assert found.factor[0] == 1
    assert found.variance[0] == 0
    assert found.share[0] == 1
    assert found.share_se[0] == 0
    assert math.isnan(found.share_low[0])
    assert has_code(found.method[0], "no_spread")


def test_a_day_without_a_contact_carries_nothing():
    plain = coverage_factors(contacts(A=[(10, 8), (6, 3), (8, 7)]), areas=["A"])
    more = coverage_factors(contacts(A=[(10, 8), (6, 3), (8, 7), (0, 0)]), areas=["A"])
    for name in ("factor", "variance", "df", "n_days", "boats"):
        assert getattr(more, name) == getattr(plain, name)


@pytest.mark.parametrize(
    ("thin", "words"),
    [
        ([], "pooled_no_contact"),
        ([(0, 0), (0, 0)], "pooled_no_contact"),
        ([(4, 2)], "pooled_one_day"),
        (
            [(4, 0), (5, 0)],
            "pooled_none_listed",
        ),
    ],
)
def test_a_thin_area_takes_the_factor_of_all_by_the_day(thin, words):
    rows = contacts(A=[(10, 8), (6, 3), (8, 7)], B=thin)
    found = coverage_factors(rows, areas=["A", "B"])
    met, listed = np.array([10, 6, 8]), np.array([8, 3, 7])
    for day, (more, more_listed) in enumerate(thin):
        met[day] += more
        listed[day] += more_listed
    pooled = corrected_quotient(met, listed)
    assert found.factor[1] == pytest.approx(pooled.value)
    assert found.variance[1] == pytest.approx(pooled.variance)
    assert found.df[1] == 2
    assert found.boats[1] == met.sum()
    assert found.method[1] == f"corrected_quotient; {words}"
    assert found.method[0] == "corrected_quotient"


def test_areas_not_asked_for_count_in_the_pool():
    rows = contacts(A=[(10, 8), (6, 3)], C=[(9, 9), (9, 1)])
    found = coverage_factors(rows, areas=["B"])
    assert found.factor[0] == pytest.approx(corrected_quotient([19, 15], [17, 4]).value)


def test_without_contacts_there_is_no_factor():
    for rows in (contacts(A=[(0, 0)]), contacts(A=[(0, 0)]).iloc[:0]):
        found = coverage_factors(rows, areas=["A", "B"])
        assert np.isnan(found.factor).all()
        assert np.isnan(found.variance).all()
        assert set(found.method) == {"no_contact"}


def test_without_a_boat_for_a_listed_site_there_is_no_factor():
    found = coverage_factors(contacts(A=[(4, 0), (2, 0)]), areas=["A"])
    assert math.isnan(found.factor[0])
    assert found.method == ("no_contact_for_listed",)


def test_one_day_in_all_has_a_factor_without_error():
    found = coverage_factors(contacts(A=[(8, 6)]), areas=["A"])
    assert found.factor[0] == pytest.approx(8 / 6)
    assert math.isnan(found.variance[0])
    assert math.isnan(found.share_se[0])
    assert found.df[0] == 0
    assert found.method[0].endswith("one_contact_day")


days = st.lists(
    st.integers(1, 30).flatmap(lambda met: st.tuples(st.just(met), st.integers(0, met))),
    min_size=2,
    max_size=9,
)


@given(days, st.integers(2, 5), st.randoms(use_true_random=False))
def test_laws_of_the_factor(pairs, times, chance):
    assume(any(listed for _, listed in pairs))
    found = coverage_factors(contacts(A=pairs), areas=["A"])
    assert found.factor[0] >= 1 - 1e-12
    assert found.variance[0] >= 0
    assert 0 < found.share[0] <= 1
    mixed = chance.sample(pairs, len(pairs))
    scaled = [(times * met, times * listed) for met, listed in mixed]
    again = coverage_factors(contacts(A=scaled), areas=["A"])
    np.testing.assert_allclose(again.factor, found.factor)
    np.testing.assert_allclose(again.variance, found.variance, atol=1e-15)
    np.testing.assert_allclose(again.share_se, found.share_se, atol=1e-15)
    wide = coverage_factors(contacts(A=pairs), areas=["A"], level=0.99)
    if not math.isnan(wide.share_low[0]):
        assert wide.share_low[0] <= found.share_low[0]
        assert wide.share_high[0] >= found.share_high[0]


@given(st.integers(1, 6), st.integers(0, 6), st.lists(st.integers(1, 9), min_size=2, max_size=9))
def test_an_equal_share_every_day_has_that_factor_and_no_spread(listed, more, sizes):
    pairs = [(size * (listed + more), size * listed) for size in sizes]
    found = coverage_factors(contacts(A=pairs), areas=["A"])
    assert found.factor[0] == (listed + more) / listed
    assert found.variance[0] == 0
    assert found.share_se[0] == 0


def test_contacts_of_a_season_are_those_of_its_open_days():
    def row(area, date):
        return {"area": area, "date": date, "boats_contacted": 5, "boats_to_listed_sites": 4}

    def opening(season, opens, closes):
        return {"season": season, "area": "A", "open_date": opens, "close_date": closes}

    week = dt.timedelta(days=7)
    snapshot = survey(
        [SiteDay(0, [])],
        seasons=[
            opening("2030-31", MONDAY, MONDAY + week),
            opening("2030-31", MONDAY + 3 * week, MONDAY + 4 * week),
            opening("2031-32", MONDAY + 50 * week, MONDAY + 52 * week),
        ],
        coverage=[
            row("A", MONDAY),
            row("A", MONDAY + 2 * week),  # closed in between
            row("A", MONDAY + 4 * week),
            row("A", MONDAY + 50 * week),  # the next season
            row("Z", MONDAY + week),  # an area without a season of its own
            row("Z", MONDAY + 2 * week),
        ],
    )
    found = season_contacts(snapshot, season="2030-31")
    dates = [(area, date.date()) for area, date in zip(found["area"], found["date"], strict=True)]
    assert dates == [("A", MONDAY), ("A", MONDAY + 4 * week), ("Z", MONDAY + week)]
    early = season_contacts(snapshot, season="2030-31", through="2031-W03")
    assert list(early["area"]) == ["A", "Z"]
