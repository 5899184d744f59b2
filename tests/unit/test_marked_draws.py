"""The marked share of legal fish: all fish whose mark was read, by effective counts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.codes import has_code, parse
from analytics.estimates.season_survey import prepare_survey
from analytics.intervals import design_effect
from analytics.options.baseline import (
    LEGAL_MARKED,
    LEGAL_UNMARKED,
    BaselineArrays,
    marked_shares,
)
from analytics.options.baseline_io import from_table, to_table
from analytics.options.compare import compare_options
from analytics.options.option import Change, Option
from analytics.outlook.parts_to_date import marked_draws
from analytics.settings import EstimationSettings, FishBasis
from tests.class_cases import boat, drawn, fish_of, sampled_survey, seasons
from tests.season_cases import small_baseline
from tests.tables import SiteDay, survey

N_DRAWS = 40_000
N_SMALL = len(small_baseline().uncapped_size)
#: Site-days of one boat each: 4 of 5, 1 of 3, 3 of 4 and 4 of 4 kept fish are marked.
KEPT, MARKED = np.array([5, 3, 4, 4]), np.array([4, 1, 3, 4])


def days():
    return drawn(*(boat(int(n), int(x)) for n, x in zip(KEPT, MARKED, strict=True)))


def draws(snapshot, **given):
    return marked_draws(prepare_survey(snapshot, **given), np.random.default_rng(5), N_DRAWS)


def beta_of(x, rest):
    a, b = x + 0.5, rest + 0.5
    return a / (a + b), (a * b / (a + b) ** 2 / (a + b + 1)) ** 0.5


def drawn_moments(counted, beside=(0, 0)):
    """Return mean and sd where the effective fish of 4 site-days are known by chi-square of 3."""
    known = np.random.default_rng(9).chisquare(3, size=400_000)[:, None] / 3
    mean, sd = beta_of(*(known * counted + beside).T)
    return mean.mean(), np.sqrt((sd**2).mean() + mean.var())


def by_interviews():
    """Return the effective counts of the site-days by hand: n fish over their design effect.

    Without the finite population correction: the fish to come are of other days.
    """
    n, frame = len(KEPT), 10
    share = MARKED.sum() / KEPT.sum()
    residual = MARKED - share * KEPT
    of_total = frame**2 * residual.var(ddof=1) / n
    fish = KEPT.sum() * frame / n
    variance = of_total / fish**2
    effect = variance / (share * (1 - share) / fish)
    assert effect == pytest.approx(
        design_effect(np.array([share]), np.array([variance]), np.array([fish]))
    )
    return fish / effect * np.array([share, 1 - share])


def test_interviews_alone_are_beta_by_their_effective_fish():
    found = draws(sampled_survey(days(), []))[:, 0]
    mean, sd = drawn_moments(by_interviews())
    assert found.mean() == pytest.approx(mean, abs=4 * sd / N_DRAWS**0.5)
    assert found.std() == pytest.approx(sd, rel=0.02)


def test_fish_of_test_fishing_count_beside_them_and_sublegal_ones_do_not():
    found = draws(sampled_survey(days(), fish_of((20, 12, 30, 1))))[:, 0]
    mean, sd = drawn_moments(by_interviews(), (20, 12))
    assert found.mean() == pytest.approx(mean, abs=4 * sd / N_DRAWS**0.5)
    assert found.std() == pytest.approx(sd, rel=0.02)


def test_marks_that_nobody_read_leave_test_fishing_alone():
    unread = drawn(*(boat(3) | {"kept_marked": None} for _ in range(4)))
    found = draws(sampled_survey(unread, fish_of((20, 12, 0, 0))))[:, 0]
    assert found.mean() == pytest.approx(20.5 / 33, abs=0.002)


def test_both_bases_have_the_same_share():
    snapshot = sampled_survey(days(), fish_of((20, 12, 3, 1)))
    assert np.array_equal(
        draws(snapshot), draws(snapshot, settings=EstimationSettings(basis=FishBasis.SAMPLED))
    )


def test_an_area_without_fish_takes_all_areas_and_none_at_all_is_unknown():
    other = [SiteDay(1, [boat() | {"area": "B"}], stratum="b", frame=9, site="r2")] * 2
    places = {"sites": {"r1": "A", "r2": "B"}, "seasons": seasons("A", "B", weeks=1)}
    found = draws(survey([*days(), *other], **places))
    assert found[:, 1].mean() == pytest.approx(found[:, 0].mean(), abs=0.005)
    assert np.isnan(draws(survey(other, **places))).all()


def test_fish_all_marked_leave_a_share_of_unmarked_ones():
    found = draws(sampled_survey(drawn(*(boat(2) for _ in range(4))), []))[:, 0]
    mean, _ = beta_of(4, 0)  # a site-day counts as one fish where all are alike
    assert found.mean() == pytest.approx(mean, abs=0.005)


class TestOptions:
    pooled = np.full((N_SMALL, 2), 0.7, dtype=np.float32)

    def base(self):
        return replace(small_baseline(), marked_prop=self.pooled)

    def test_the_share_is_kept_with_the_draws(self):
        again = from_table(to_table(self.base()))
        assert np.array_equal(again.marked_prop, self.pooled)

    def test_draws_kept_without_it_take_the_share_of_the_classes(self):
        old = from_table(to_table(small_baseline()))
        assert old.marked_prop is None
        one, other = old.class_per_fish[LEGAL_MARKED], old.class_per_fish[LEGAL_UNMARKED]
        assert marked_shares(old) == pytest.approx(one / (one + other))

    def test_marked_fish_only_keeps_that_share_and_says_so(self):
        marked = Option("marked", (Change(areas=("OMB",), mark_selective=True),))
        found = compare_options(self.base(), [marked], ()).assumptions.to_pylist()
        cells = [row["assumption"] for row in found if row["option"] == "marked"]
        said = [one for cell in cells for one in parse(cell) if has_code(cell, "marks_pooled")]
        assert [(one["area"], one["percent"]) for one in said] == [("OMB", "70")]
        assert (BaselineArrays(self.base()).marked(0) == self.pooled[:, 0]).all()
