"""Pooled shares on simulated fisheries: intervals hold the truth, and thin cells gain."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit
from scipy.stats import t as student_t

from analytics.models.partial_pooling import pool_shares
from tests.sizes import n_sized, sized

N_AREAS, N_WEEKS = 6, 12
#: Truths as the model has them, and one whose weeks follow a trend and whose areas are two kinds.
CASES = {
    "many site-days": {"cells": 8, "fish": 15, "rho": 0.08},
    "thin cells": {"cells": 2, "fish": 4, "rho": 0.08},
    "no overdispersion": {"cells": 4, "fish": 8, "rho": 0.0},
    "trend and two kinds": {"cells": 4, "fish": 8, "rho": 0.05, "is_normal": False},
}
SEED, RUNS = 11, n_sized(12, 40)


def truth(rng, *, is_normal=True):
    area, week = np.repeat(np.arange(N_AREAS), N_WEEKS), np.tile(np.arange(N_WEEKS), N_AREAS)
    if not is_normal:
        return area, week, expit(np.where(area % 2, 1.0, -0.2) - 0.06 * week)
    of_area, of_week = rng.normal(0, 0.5, N_AREAS), rng.normal(0, 0.3, N_WEEKS)
    return area, week, expit(0.5 + of_area[area] + of_week[week] + rng.normal(0, 0.2, len(area)))


def fishery(rng, *, cells, fish, rho, is_normal=True):
    area, week, share = truth(rng, is_normal=is_normal)
    group = np.repeat(np.arange(len(area)), rng.poisson(cells, len(area)))
    m = rng.poisson(rng.gamma(2, fish / 2, len(group)))
    p = share[group]
    if rho:
        p = rng.beta(p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho)
    return area, week, share, group, m, rng.binomial(m, p)


def run(case, seed):
    """Return, over many fisheries, whether intervals held, and errors of pooled and raw shares."""
    rng = np.random.default_rng(seed)
    held, pooled_off, raw_off = [], [], []
    for _ in range(RUNS):
        area, week, share, group, m, s = fishery(rng, **case)
        found = pool_shares(s, m, group, area=area, week=week)
        half = student_t.ppf(0.975, found.df) * np.sqrt(np.diag(found.cov))
        held.append(np.abs(logit(share) - found.logit) < half)
        fish = np.bincount(group, m, len(share))
        some = (fish > 0) & (fish < 60)
        raw = np.bincount(group, s, len(share))[some] / fish[some]
        pooled_off.append(found.share[some] - share[some])
        raw_off.append(raw - share[some])
    return np.concatenate(held), np.concatenate(pooled_off), np.concatenate(raw_off)


@pytest.fixture(scope="module", params=CASES)
def outcome(request):
    return request.param, *run(CASES[request.param], seed=SEED)


def test_intervals_hold_the_truth_as_often_as_they_say(outcome, record_property):
    case, held, _, _ = outcome
    record_property(case, f"{held.mean():.1%} of {len(held):,} intervals hold the truth")
    assert len(held) == RUNS * N_AREAS * N_WEEKS
    assert 0.90 <= held.mean() <= sized(0.99, 0.98)


def test_thin_cells_are_nearer_the_truth_than_their_raw_shares(outcome):
    case, _, pooled_off, raw_off = outcome
    pooled, raw = (np.sqrt(np.mean(off**2)) for off in (pooled_off, raw_off))
    assert pooled < (0.6 if case == "thin cells" else 0.85) * raw


def test_the_bounds_would_not_pass_intervals_a_third_too_narrow():
    rng = np.random.default_rng(3)
    held = []
    for _ in range(n_sized(4, 10)):
        area, week, share, group, m, s = fishery(rng, **CASES["many site-days"])
        found = pool_shares(s, m, group, area=area, week=week)
        half = 2 / 3 * 1.96 * np.sqrt(np.diag(found.cov))
        held.append(np.abs(logit(share) - found.logit) < half)
    assert np.mean(held) < 0.90
