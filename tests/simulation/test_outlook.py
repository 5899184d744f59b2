"""Whether projections hold the true end of a season, and beat a plain rule.

The kernels of the projection are fed weekly estimates of simulated seasons, with their sampling
errors, and past seasons that are known from samples alone (`outlook_seasons`). The truth is the sum
over all site-days, also of those that were not sampled. Two unlike fisheries: in one, departures
from a common course come back; in the other, levels drift and rules change in mid-season, in a week
that varies. At a quarter, a half and three quarters of the weeks the interval of the season's total
is compared with its truth, and what is still to come is scored beside the plain rule "to date over
past seasons' share by this date" on the same seasons.

At full size all is as in a bulletin: each past season of each season is projected from the others,
and its errors give the factor of all widths ahead and the weight of the mixture. That takes six
times as long, so that the few seasons of every commit have the factor 1 and equal weights; what
past errors ask for is looked at on fewer still.

The bounds let the true shares be 76 to 84 % and 92 to 98 %; chance goes beyond them in 5 % of
tables. Widths, means and a course that are wrong on purpose must fail.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
import pytest

from analytics.outlook.calibration import (
    PastErrors,
    fair_crps,
    interval_score,
    log_error,
    mixed,
    plain_rule,
)
from analytics.outlook.projection import project_weekly
from analytics.outlook.weekly_series import Patterns
from tests.simulation import outlook_seasons as made
from tests.simulation.seasons import binomial_bounds, default_processes, in_processes
from tests.sizes import IS_FULL, n_sized

N_SEASONS, N_DRAWS, SEED = n_sized(40, 1_000), 400, 83
CUTS = (4, 8, 12)
QUANTITIES = ("angler_trips", "encounter_fish", "released_sublegal_fish")
#: The least and most of intervals of a level that may truly hold the end.
TRUE_SHARES = {0.8: (0.76, 0.84), 0.95: (0.92, 0.98)}
#: The mean error that is allowed, and how much worse than the plain rule a score may be.
MEAN_ERROR, WORSE = 0.04, 0.02
METHODS = ("model", "plain", "mixture")
#: The quantity and the cut at which the estimate to date is least sure.
EARLY = ("encounter_fish", CUTS[0])


def ahead_and_total(sample, week, past, patterns, rng, *, width=1.0, keeps_median=False):
    """Return draws of what is to come and of the season's total, by quantity."""
    to_date = sample.to_date(week, rng, N_DRAWS, keeps_median=keeps_median)
    found = project_weekly(
        sample.through(week),
        past,
        to_date,
        {},
        days=made.DAYS[7 * week :],
        weeks=made.WEEKS[week:],
        rng=rng,
        patterns=patterns,
    ).widened(width)
    is_open = sample.season.is_open[:, week:].reshape(made.N_AREAS, -1)
    of_week = np.repeat(np.arange(made.N_WEEKS - week), 7)
    trips = found.effort.astype(float) * is_open
    met = trips * found.rate[:, :, of_week]
    parts = (trips, met, met * found.sublegal[:, :, of_week])
    ahead = {name: one.sum(axis=(1, 2)) for name, one in zip(QUANTITIES, parts, strict=True)}
    so_far = {name: to_date[name].sum(axis=1) for name in QUANTITIES}
    return ahead, {name: ahead[name] + so_far[name] for name in QUANTITIES}


def plain_draws(sample, week, past, quantity):
    """Return the plain rule's draws of what is to come."""
    value, variance = sample.estimate(0, week)
    shares = [one.estimate(0, week)[0][quantity] / one.estimate(0)[0][quantity] for one in past]
    cv2 = variance[quantity] / value[quantity] ** 2
    return plain_rule(value[quantity], np.array(shares), cv2=cv2).draws(N_DRAWS)


def errors_of(past, weekly, rng):
    """Return the errors of past seasons, each projected from the others, as a bulletin has them."""
    shape = (len(past), len(CUTS), len(QUANTITIES))
    model, sd, plain = (np.full(shape, np.nan) for _ in range(3))
    for k, one in enumerate(past):
        others, patterns = [each for each in past if each is not one], Patterns()
        known = [each for each in weekly if each is not weekly[k]]
        for c, week in enumerate(CUTS):
            ahead, _ = ahead_and_total(one, week, known, patterns, rng)
            came, variance = one.estimate(week)
            for q, name in enumerate(QUANTITIES):
                model[k, c, q], of_draws = log_error(ahead[name], came[name])
                sd[k, c, q] = np.sqrt(of_draws**2 + np.log1p(variance[name] / came[name] ** 2))
                rule = plain_draws(one, week, others, name)
                plain[k, c, q] = np.log(came[name] / np.median(rule))
    return PastErrors(*(each.reshape(len(past), -1) for each in (model, sd, plain)))


def scored(draws, came):
    ends = np.quantile(draws, [0.025, 0.1, 0.9, 0.975])
    return {
        "mean": draws.mean(),
        "crps": float(fair_crps(draws, came)),
        "score_80": float(interval_score(ends[1], ends[2], came, level=0.8)),
        "in_80": bool(ends[1] <= came <= ends[2]),
        "in_95": bool(ends[0] <= came <= ends[3]),
    }


def one_season(fishery, number):
    """Return how one season was projected, one row a cut, quantity and method."""
    rng = np.random.default_rng([SEED, number, list(made.FISHERIES).index(fishery)])
    past, now = made.seasons_of(made.FISHERIES[fishery], rng)
    weekly, patterns, rows = [one.through(made.N_WEEKS) for one in past], Patterns(), []
    truth = now.season.truth_after(0)
    width, weight = asked(errors_of(past, weekly, rng)) if IS_FULL else (1.0, 0.5)
    for week in CUTS:
        ahead, total = ahead_and_total(now, week, weekly, patterns, rng, width=width)
        came = now.season.truth_after(week)
        for quantity in QUANTITIES:
            plain = plain_draws(now, week, past, quantity)
            draws = (ahead[quantity], plain, mixed(ahead[quantity], plain, weight))
            ends = np.quantile(total[quantity], [0.025, 0.1, 0.9, 0.975])
            names = {"fishery": fishery, "number": number, "week": week, "quantity": quantity}
            of_total = {
                "total": truth[quantity],
                "total_mean": total[quantity].mean(),
                **dict(zip(("low_95", "low_80", "high_80", "high_95"), ends, strict=True)),
            }
            for method, one in zip(METHODS, draws, strict=True):
                scores = scored(one, came[quantity])
                rows.append(
                    {**names, **of_total, "method": method, "came": came[quantity]} | scores
                )
    return rows


def several(numbers):
    return pd.DataFrame(
        [row for number in numbers for name in made.FISHERIES for row in one_season(name, number)]
    )


@pytest.fixture(scope="module")
def rows():
    return in_processes(partial(several), N_SEASONS, default_processes())


def of_totals(rows):
    """Return the intervals of the total, once a cut and quantity."""
    return rows[rows["method"] == "model"]


def inside(rows, level):
    low, high = (rows[f"{end}_{round(100 * level)}"] for end in ("low", "high"))
    return (low <= rows["total"]) & (rows["total"] <= high)


def check_intervals(rows):
    """Hold the intervals of each fishery, cut and quantity against bounds of chance."""
    keys = [rows[name] for name in ("fishery", "week", "quantity")]
    for level, (least, most) in TRUE_SHARES.items():
        low, _ = binomial_bounds(N_SEASONS, prop=least, alpha=0.05 / 18)
        _, high = binomial_bounds(N_SEASONS, prop=most, alpha=0.05 / 18)
        share = inside(rows, level).groupby(keys).mean()
        assert len(share) == 18
        assert share.between(low, high).all(), (level, share)


def check_means(rows):
    """Hold the mean error of the total to 4 %, beyond what chance adds (four errors)."""
    keys = ["fishery", "week", "quantity"]
    error = (rows["total_mean"] - rows["total"]) / rows.groupby(keys)["total"].transform("mean")
    of_cells = error.groupby([rows[name] for name in keys])
    slack = 4 * of_cells.std() / np.sqrt(N_SEASONS)
    assert (of_cells.mean().abs() < MEAN_ERROR + slack).all(), of_cells.mean()


def score_ratio(rows, column="crps", method="model"):
    """Return a method's mean score over the plain rule's by fishery and cut, and its error."""
    size = rows.groupby(["fishery", "week", "quantity"])["came"].transform("mean")
    scores = (rows[column] / size).groupby(
        [rows[name] for name in ("fishery", "week", "method", "number")]
    )
    mean = scores.mean()
    ours, plain = (mean.xs(one, level="method") for one in (method, "plain"))
    off = (ours - plain).groupby(level=[0, 1])
    plain = plain.groupby(level=[0, 1]).mean()
    return 1 + off.mean() / plain, off.std() / np.sqrt(N_SEASONS) / plain


def check_scores(rows, method="model"):
    """Hold the score to 2 % over that of the plain rule, beyond what chance adds."""
    ratio, error = score_ratio(rows, method=method)
    assert (ratio < 1 + WORSE + 3 * error).all(), ratio


def test_intervals_of_the_total_hold_its_truth(rows, record_property):
    mine = of_totals(rows)
    for (fishery, week, quantity), cell in mine.groupby(["fishery", "week", "quantity"]):
        held = ", ".join(
            f"{inside(cell, level).mean():.1%} at {level:.0%}" for level in TRUE_SHARES
        )
        low, high = (
            (cell["total"] < cell["low_80"]).mean(),
            (cell["total"] > cell["high_80"]).mean(),
        )
        record_property(
            f"{fishery}, week {week} of {made.N_WEEKS}, {quantity}",
            f"total held in {held} of {len(cell)} seasons; {low:.1%} below, {high:.1%} above 80%",
        )
    check_intervals(mine)


def test_the_mean_is_not_far_off(rows, record_property):
    for (fishery, week), cell in of_totals(rows).groupby(["fishery", "week"]):
        words = []
        for quantity, one in cell.groupby("quantity"):
            ahead = (one["mean"] - one["came"]).mean() / one["came"].mean()
            total = (one["total_mean"] - one["total"]).mean() / one["total"].mean()
            words.append(f"{quantity} {total:+.1%} (to come {ahead:+.1%})")
        record_property(f"{fishery}, week {week}, mean error of the total", "; ".join(words))
    check_means(of_totals(rows))


@pytest.mark.parametrize("method", ["model", "mixture"])
def test_scores_are_no_worse_than_the_plain_rules(rows, method, record_property):
    for column in ("crps", "score_80"):
        ratio, error = score_ratio(rows, column, method)
        for (fishery, week), one in ratio.items():
            record_property(
                f"{fishery}, week {week}, {column} of the {method} over the plain rule",
                f"{one:.3f} (± {error[fishery, week]:.3f})",
            )
    check_scores(rows, method)


@pytest.mark.parametrize("factor", [0.7, 1.5] if N_SEASONS > 100 else [0.5, 2.5])
def test_intervals_too_narrow_or_too_wide_are_seen(rows, factor):
    mine = of_totals(rows)
    ends = {
        name: mine["total_mean"] + factor * (mine[name] - mine["total_mean"])
        for name in ("low_80", "high_80", "low_95", "high_95")
    }
    with pytest.raises(AssertionError, match=r"angler_trips"):
        check_intervals(mine.assign(**ends))


def test_a_mean_that_runs_high_is_seen(rows):
    mine = of_totals(rows)
    with pytest.raises(AssertionError, match=r"angler_trips"):
        check_means(mine.assign(total_mean=mine["total_mean"] * n_factor()))


def n_factor():
    return 1.12 if N_SEASONS > 100 else 1.3


def test_a_score_worse_than_the_plain_rules_is_seen(rows):
    worse = rows.assign(crps=rows["crps"] * np.where(rows["method"] == "model", 1.5, 1.0))
    with pytest.raises(AssertionError, match=r"drifting"):
        check_scores(worse)


def test_past_errors_ask_for_little(record_property):
    """Errors of five past seasons, each projected from the others, leave widths near their own."""
    for at, fishery in enumerate(made.FISHERIES):
        found = []
        for number in range(n_sized(3, 40)):
            rng = np.random.default_rng([SEED, number, 10 + at])
            past, _ = made.seasons_of(made.FISHERIES[fishery], rng)
            weekly = [one.through(made.N_WEEKS) for one in past]
            found.append(errors_of(past, weekly, rng))
        width, weight = (np.array(each) for each in zip(*map(asked, found), strict=True))
        record_property(
            f"{fishery}, width factor and weight of the model, {len(found)} seasons",
            f"{width.mean():.3f} (sd {width.std():.3f}), {weight.mean():.2f}",
        )
        assert np.isfinite([each.model for each in found]).all()
        assert 0.85 < width.mean() < 1.15 and 0.3 < weight.mean() < 0.9
        # Errors half again as large are seen.
        larger = [PastErrors(1.5 * one.model, one.model_sd, one.plain) for one in found]
        assert np.mean([one.width() for one in larger]) > width.mean() + 0.05


def asked(errors):
    return errors.width(), errors.weight()


def test_past_seasons_course_is_needed(rows):
    """Without the course the same seasons score worse than the plain rule, and are seen."""
    n = n_sized(12, 40)
    flat = []
    for number in range(n):
        rng = np.random.default_rng([SEED, number, 0])
        _, now = made.seasons_of(made.FISHERIES["returning"], rng)
        ahead, _ = ahead_and_total(now, CUTS[1], [], {}, rng)
        came = now.season.truth_after(CUTS[1])["encounter_fish"]
        flat.append(float(fair_crps(ahead["encounter_fish"], came)))
    mine = rows[
        (rows["fishery"] == "returning")
        & (rows["week"] == CUTS[1])
        & (rows["quantity"] == "encounter_fish")
        & (rows["number"] < n)
    ]
    known = mine[mine["method"] == "model"].sort_values("number")["crps"].to_numpy()
    off = np.array(flat) - known
    assert off.mean() > 2 * off.std() / np.sqrt(n)


def of_total(fishery, number, *, keeps_median):
    """Return the mean of a season's total, its truth, and whether the 80 % interval holds it."""
    at, (quantity, week) = list(made.FISHERIES).index(fishery), EARLY
    rng = np.random.default_rng([SEED, number, 20 + at])
    past, now = made.seasons_of(made.FISHERIES[fishery], rng)
    weekly = [one.through(made.N_WEEKS) for one in past]
    _, total = ahead_and_total(now, week, weekly, Patterns(), rng, keeps_median=keeps_median)
    drawn, truth = total[quantity], now.season.truth_after(0)[quantity]
    low, high = np.quantile(drawn, [0.1, 0.9])
    return drawn.mean(), truth, low <= truth <= high


@pytest.mark.parametrize("fishery", made.FISHERIES)
def test_totals_so_far_keep_the_mean_of_their_estimate(fishery, record_property):
    """With the estimate as the median of its draws the season's total runs higher."""
    n = n_sized(5, 400)
    mean, median = (
        np.array([of_total(fishery, number, keeps_median=kept) for number in range(n)])
        for kept in (False, True)
    )
    words = (
        f"{label} {drawn / truth - 1:+.1%} off, {held:.1%} held at 80%"
        for label, (drawn, truth, held) in (
            ("mean", mean.mean(axis=0)),
            ("median", median.mean(axis=0)),
        )
    )
    record_property(
        f"{fishery}, week {EARLY[1]}, {EARLY[0]}, the estimate to date as mean or median of draws",
        f"{'; '.join(words)}; {n} seasons",
    )
    further = (median[:, 0] - mean[:, 0]) / mean[:, 1]
    assert further.mean() > 3 * further.std() / np.sqrt(n)
