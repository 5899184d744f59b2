"""Boats to interview and fish to measure: likeness from a season, and needs by their laws."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from analytics.codes import has_code
from analytics.errors import UsageError
from analytics.planning.plan import AreaSample, Likeness
from analytics.planning.sample_sizes import (
    COMPOSITION,
    SHARE,
    half_width_of_share,
    likeness_codes,
    likeness_of,
    needs_of,
    needs_table,
)
from analytics.survey.reduction import Moments

ALIKE = Likeness(0.03, 0.08, 1.5)
AREA = AreaSample(
    *("SOR", 0.76, 5.0, 9.0, 2.5),
    uneven_days=1.3,
    uneven_boats=2.0,
    site_days=12,
    frame=30,
    df=inf,
    measured=20.0,
)


def clustered(rng, *, day: float, boat: float, n_domains: int = 60) -> tuple:
    """Return moments of domains of 5 site-days with 6 boats each, and what they stand for.

    The chance of a fish is a mean plus a step of its day and one of its boat, up or down.
    """
    p, shape = 0.6, (n_domains, 5, 6)
    v = p * (1 - p)
    up = np.sqrt([day * v, boat * v])
    at = p + up[0] * rng.choice([-1, 1], (*shape[:2], 1)) + up[1] * rng.choice([-1, 1], shape)
    fish = rng.integers(0, 9, shape)
    y, x = rng.binomial(fish, at).astype(float), fish.astype(float)
    cells = n_domains * 5
    sums = np.stack([y, x], axis=-1).reshape(cells, 6, 2).sum(axis=1)
    products = [(a * b).reshape(cells, 6).sum(axis=1) for a, b in ((y, y), (y, x), (x, x))]
    unit, domain = np.arange(cells), np.repeat(np.arange(n_domains), 5)
    shares = y.sum(axis=(1, 2)) / x.sum(axis=(1, 2))
    moments = Moments(
        unit, domain, np.full(cells, 6.0), sums, np.array([[0, 0], [0, 1], [1, 1]]), products
    )
    return shares, moments, domain


@pytest.mark.parametrize(("day", "boat"), [(0.05, 0.1), (0.0, 0.1), (0.08, 0.0), (0.0, 0.0)])
def test_likeness_is_found_where_it_was_planted(day, boat):
    found = np.array(
        [
            likeness_of(*clustered(np.random.default_rng([5, k]), day=day, boat=boat))
            for k in range(40)
        ]
    )
    # Estimates below 0 are set to 0, which lifts their mean a little where nothing is there.
    assert found.mean(axis=0) == pytest.approx([day, boat], abs=0.009)


def test_domains_of_one_site_day_say_nothing():
    shares, moments, _ = clustered(np.random.default_rng(1), day=0.1, boat=0.1, n_domains=2)
    assert likeness_of(np.full(10, 0.5), moments, np.arange(10)) == (0.0, 0.0)
    assert likeness_of(np.zeros(2), moments, np.repeat([0, 1], 5)) == (0.0, 0.0)
    assert len(shares) == 2


def needs(half_width=0.1, area=AREA, like=ALIKE):
    return {one.quantity: one for one in needs_of(like, (area,), half_width)}


def test_the_boats_needed_are_the_fewest_that_reach_the_width():
    found = needs(0.09)[SHARE]
    assert found.boats_needed is not None

    def width(boats: int) -> float:
        return half_width_of_share(
            AREA.share,
            site_days=AREA.site_days / AREA.uneven_days,
            boats=boats / AREA.uneven_boats,
            fish=boats * AREA.fish,
            correlation_day=ALIKE.day,
            correlation_boat=ALIKE.boat,
        )[0]

    assert width(found.boats_needed) <= 0.09 < width(found.boats_needed - 1)
    assert found.half_width_planned == pytest.approx(width(60))
    assert found.design_effect > 1


def test_a_narrower_interval_never_takes_less():
    widths = (0.3, 0.2, 0.15, 0.1, 0.09)
    many = [needs(one) for one in widths]
    boats = [one[SHARE].boats_needed for one in many]
    days = [one[SHARE].site_days_needed for one in many]
    fish = [one[COMPOSITION].fish_needed for one in many]
    assert boats == sorted(boats)
    assert days == sorted(days)
    assert fish == sorted(fish)
    # With day-to-day likeness no number of boats at few site-days does.
    few = needs(0.03)[SHARE]
    assert (few.boats_needed, few.site_days_needed) == (None, None)
    assert needs(0.06, replace(AREA, returning=5.0))[SHARE].boats_needed is None


def test_fewer_site_days_and_more_likeness_take_more_boats():
    plain = needs()[SHARE].boats_needed
    assert needs(area=replace(AREA, site_days=9))[SHARE].boats_needed > plain
    assert needs(like=replace(ALIKE, day=0.04))[SHARE].boats_needed > plain
    assert needs(area=replace(AREA, df=12.0))[SHARE].boats_needed > plain
    assert needs(area=replace(AREA, site_days=0))[SHARE].boats_needed is None


def test_classes_by_the_worst_case_of_four():
    found = needs()[COMPOSITION]
    assert found.fish_needed == int(np.ceil(1.1697249 * 1.5 / 0.01))
    assert found.half_width_planned == pytest.approx((1.1697249 * 1.5 / 20) ** 0.5)
    assert needs(area=replace(AREA, measured=0.0))[COMPOSITION].half_width_planned is None


def test_likeness_in_codes_and_a_table():
    assert has_code(likeness_codes(ALIKE, 0.1)[1], "samples_classes")
    alone = likeness_codes(replace(ALIKE, trip=None), 0.1)
    assert has_code(alone[1], "samples_classes_singly")
    table = needs_table(needs_of(ALIKE, (AREA,), 0.1))
    assert table.num_rows == 2
    assert table["boats_needed"].null_count == 1


def test_small_shares_are_judged_on_the_logit_scale():
    small = replace(AREA, share=0.04)
    wide = needs(0.05, small)[SHARE]
    assert wide.boats_needed is None or wide.boats_needed > 0
    assert needs(0.49, replace(AREA, share=0.95))[SHARE].expected == 0.95


@pytest.mark.parametrize("half_width", [0, -0.1, 0.5, 2, float("nan")])
def test_a_half_width_that_is_none_is_refused(half_width):
    with pytest.raises(UsageError, match="allowed"):
        needs_of(None, (), half_width)
