"""What boats would keep, from what they kept under a daily limit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from analytics.errors import UsageError
from analytics.models import censored_catch
from analytics.models.censored_catch import fit_censored_catch

MEANS = {"OMB": 0.9, "VEL": 0.4}
SIZE = 0.8


def boats(n, *, seed=3, size=SIZE, limit=2.0, goes_over=False):
    """Return kept, anglers, limit and area of n boats of known truth."""
    rng = np.random.default_rng(seed)
    area = rng.choice(list(MEANS), n)
    anglers = rng.integers(1, 5, n)
    mean = anglers * np.array([MEANS[one] for one in area])
    would = rng.poisson(mean if math.isinf(size) else mean * rng.gamma(size, 1 / size, n))
    kept = would if goes_over else np.minimum(would, anglers * limit)
    return kept, anglers, np.full(n, limit), area


def test_known_truth_is_found_behind_the_limit():
    found = fit_censored_catch(*boats(20_000))
    errors = np.sqrt(np.diag(found.cov))
    off = np.log(found.mean / [MEANS[area] for area in found.areas]) / errors[:-1]
    assert np.abs(off).max() < 3
    assert abs(math.log(SIZE / found.size) / errors[-1]) < 3
    assert errors.max() < 0.1
    # Taking what was kept for what was wanted would be far off.
    kept, anglers, _, area = boats(20_000)
    plain = fit_censored_catch(kept, anglers, np.full(len(kept), np.nan), area)
    assert plain.mean[0] < 0.85 * MEANS["OMB"]


def test_intervals_of_the_mean_and_of_the_size_hold():
    held = np.zeros(3)
    runs = 200
    for seed in range(runs):
        found = fit_censored_catch(*boats(400, seed=seed))
        truth = np.log([*MEANS.values(), 1 / SIZE])
        seen = np.log([*found.mean, 1 / found.size])
        held += np.abs(seen - truth) < 1.96 * np.sqrt(np.diag(found.cov))
    low, high = stats.binom.ppf([0.001, 0.999], runs, 0.95)
    assert (held >= low).all()
    assert (held <= high).all()


def test_the_top_is_that_of_a_plain_search():
    kept, anglers, limit, area = boats(500)

    def deviance(params):
        mean = anglers * np.exp(params[(area == "VEL").astype(int)])
        size = np.exp(-params[2])
        law = stats.nbinom(size, size / (size + mean))
        cap = anglers * limit
        each = np.where(kept >= cap, law.logsf(cap - 1), law.logpmf(kept))
        return -each.sum()

    plain = optimize.minimize(deviance, np.zeros(3), method="Nelder-Mead", tol=1e-12)
    found = fit_censored_catch(kept, anglers, limit, area)
    assert found.log_likelihood == pytest.approx(-plain.fun, abs=1e-6)
    assert np.log(found.mean) == pytest.approx(plain.x[:2], abs=1e-4)
    assert math.log(1 / found.size) == pytest.approx(plain.x[2], abs=1e-4)


def test_the_derivatives_are_those_of_the_value():
    kept, anglers, limit, area = boats(300)
    place = (area == "VEL").astype(int)
    made = censored_catch._Boats.of(
        kept.astype(float), anglers.astype(float), anglers * limit, place, place >= 0
    )
    law, at, step = censored_catch._Censored(made), np.array([-0.3, -1.2, 0.4]), 1e-5
    for number, one in enumerate(np.eye(3) * step):
        slope = (law.value(at + one) - law.value(at - one)) / (2 * step)
        assert law.score(at)[number] == pytest.approx(slope, rel=1e-6, abs=1e-6)
        curve = (law.score(at + one) - law.score(at - one)) / (2 * step)
        assert law.hessian(at)[number] == pytest.approx(curve, rel=1e-5, abs=1e-5)


def test_poisson_boats_have_a_large_size():
    for seed in range(12):
        found = fit_censored_catch(*boats(1500, seed=seed, size=math.inf))
        assert found.size > 10
        assert found.mean[0] == pytest.approx(MEANS["OMB"], rel=0.1)
    sizes, spread = found.draws(np.random.default_rng(1), 50)
    assert np.isfinite(sizes).all()
    assert (spread > 0).all()


def test_fish_over_the_limit_say_no_more_than_fish_at_it():
    cut, over = boats(2000), boats(2000, goes_over=True)
    assert fit_censored_catch(*cut).mean == pytest.approx(fit_censored_catch(*over).mean)


def test_an_area_that_cannot_be_told_leaves_the_others():
    kept, anglers, limit, area = boats(500)
    more = np.array(["NUL"] * 30 + ["TOP"] * 5)
    found = fit_censored_catch(
        np.append(kept, [0] * 30 + [2] * 5),
        np.append(anglers, [1] * 35),
        np.append(limit, [2.0] * 35),
        np.append(area, more),
    )
    by_area = dict(zip(found.areas, found.mean, strict=True))
    assert by_area["NUL"] == 0
    assert math.isnan(by_area["TOP"])
    alone = fit_censored_catch(kept, anglers, limit, area)
    assert by_area["OMB"] == pytest.approx(alone.mean[0])
    assert set(found.reasons) == {"NUL", "TOP"}


def test_boats_without_a_fish_are_no_error():
    found = fit_censored_catch([0, 0], [1, 2], [2, 2], ["A", "A"])
    assert found.mean.tolist() == [0.0]
    assert math.isinf(found.size)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (([2, 4], [1, 2], [2, 2], ["A", "A"]), "all_boats_at_limit"),
        (([], [], [], []), "no_boat_with_catch"),
        (([-1], [1], [2], ["A"]), "below 0"),
        (([1], [0], [2], ["A"]), "without anglers"),
    ],
)
def test_what_cannot_be_fitted_is_refused_in_words(given, words):
    with pytest.raises(UsageError, match=words):
        fit_censored_catch(*given)


def test_draws_have_the_errors_of_the_fit():
    found = fit_censored_catch(*boats(2000))
    mean, size = found.draws(np.random.default_rng(2), 20_000)
    drawn = np.column_stack([np.log(mean), -np.log(size)])
    assert np.cov(drawn.T) == pytest.approx(found.cov, abs=0.02 * found.cov.max())
