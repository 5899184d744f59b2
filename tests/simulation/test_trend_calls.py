"""Whether a real rise of the catch rate is called, and none is called where there is none.

Trips are drawn boat by boat, as interviews tell them: areas with rates of their own, methods, party
sizes, site-days that share a good or a bad day, and boats that spread as a negative binomial. They
go the whole way of a bulletin: regression with a level for every area and week, index of all areas,
smooth level, word. Size and spread are the demo season's: 150 trips a week (159 there), six boats a
site-day, five site-days an area and week, a variance by site-day 1.4 times that of single boats
(1.6 there).

The bounds at full size are the promise itself: of 200 seasons, 160 or more with a change of 30 %
are called, and 20 or fewer without one. A rate of calls of 73 % passes the first with a chance of
1 %, one of 16 % the second with 1 % (exact binomial; a test checks both). On commit there are 60
seasons; there the bounds are those that the promised rates miss once in a thousand times, and
limits that call too much or too little must fail them. The limit of 0.92 was compared with other
seeds: over 600 seasons a rise was called in 83 % (95 % interval 79 to 86 %), and where there was
none something in 7 % (5 to 9 %); with few site-days and closures in 8 %.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from analytics.catch_rates import index
from analytics.catch_rates.standardised_levels import all_areas, levels_of
from analytics.catch_rates.trips import fitted
from analytics.weeks import weeks_between
from tests.sizes import n_sized

WEEKS = weeks_between("2030-W44", "2031-W07")
#: Encounters per angler-hour of each area; each method's rate over the mean, and its share.
AREAS = {"A": 0.29, "B": 0.40, "C": 0.16, "D": 0.46, "E": 0.51}
METHODS = {"jigging": 0.7, "mooching": 1.3, "trolling": 1.0}
USED = (0.20, 0.33, 0.47)
#: Spread of a site-day's luck, log scale, and dispersion of its boats.
DAY_SD, ALPHA = 0.25, 0.6
#: A rise of 30 % over the last four weeks, evenly on the log scale.
RISE, OVER = 1.3, 4
RUNS, N_SMALL, SEED = n_sized(40, 200), n_sized(20, 30), 43
LEAST_CALLED = n_sized(round(binom.ppf(0.001, RUNS, 0.8)), 160)
MOST_CALLED = n_sized(round(binom.ppf(0.999, RUNS, 0.1)), 20)
#: Site-days of an area and week, and boats of each.
DEMO, THIN = (5, 6), (2, 5)


def closures():
    """Return which areas are closed in which weeks: in the middle, at the start, near the end."""
    closed = np.zeros((len(AREAS), len(WEEKS)), dtype=bool)
    closed[1, 6:10] = closed[4, :5] = closed[0, 13:15] = True
    return closed


def trips(rng, path, *, size, closed=None):
    """Return a season of trips whose rate follows `path`, shape (W,), as `model_rows` has them."""
    shape = (len(WEEKS), len(AREAS), *size)
    places = np.unravel_index(np.arange(math.prod(shape)), shape)
    unit = np.arange(math.prod(shape)) // size[1]
    if closed is not None:
        is_open = ~closed[places[1], places[0]]
        places, unit = tuple(one[is_open] for one in places), unit[is_open]
    week, area, day, _ = places
    n = len(week)
    method = rng.choice(len(METHODS), n, p=USED)
    party = rng.integers(1, 4, n)
    hours = party * rng.uniform(3, 8, n)
    luck = np.exp(rng.normal(-(DAY_SD**2) / 2, DAY_SD, unit.max() + 1))[unit]
    mean = path[week] * np.array(list(AREAS.values()))[area] * hours * luck
    mean *= np.array(list(METHODS.values()))[method]
    met = rng.poisson(mean * rng.gamma(1 / ALPHA, ALPHA, n))
    return pd.DataFrame(
        {
            "area": np.array(list(AREAS))[area],
            "week": np.array(WEEKS)[week],
            "week_number": week.astype(float),
            "sample_id": unit.astype(str),
            "site": np.array(list(AREAS))[area],
            "method": np.array(list(METHODS))[method],
            "day_group": np.where(day < size[0] / 2, "1", "2"),
            "party": party.astype(float),
            "encounters": met,
            "angler_hours": hours,
        }
    )


def last_week(number, path, **given):
    """Return the row of the last week of one simulated season."""
    rows = trips(np.random.default_rng([SEED, number]), path, **given)
    terms = ("method", "day_group", "party")
    levels = levels_of(
        fitted(rows, "encounters"), terms=terms, family="negative_binomial", mix=rows
    )
    weight = rows.groupby("area")["angler_hours"].sum().to_dict()
    series = all_areas(levels, WEEKS, weight, is_share=False)
    rows_of_trend = index.trend_rows(series, WEEKS, is_share=False, level=0.95, names={})
    return next(row for row in reversed(rows_of_trend) if not row["is_projected"])


def flat_then(rise):
    path = np.ones(len(WEEKS))
    path[-OVER:] = rise ** (np.arange(1, OVER + 1) / OVER)
    return path


def last_weeks(paths, *, runs=RUNS, **given):
    """Return the last weeks of some seasons, each of the paths in turn."""
    return [last_week(number, paths[number % len(paths)], **given) for number in range(runs)]


def called(paths, **given):
    """Return the words of some seasons, each of the paths in turn."""
    return [row["direction"] for row in last_weeks(paths, **given)]


def n_called(said):
    return sum(one != "no_clear_change" for one in said)


def n_right(said):
    return sum(one == ("rising", "falling")[number % 2] for number, one in enumerate(said))


@pytest.fixture(scope="module")
def moving():
    """Seasons that rise and fall in turn."""
    return last_weeks([flat_then(RISE), flat_then(1 / RISE)], size=DEMO)


@pytest.fixture(scope="module")
def flat():
    return last_weeks([flat_then(1.0)], size=DEMO)


def test_bounds_mean_what_they_say():
    assert binom.sf(159, 200, 0.73) < 0.015
    assert binom.cdf(20, 200, 0.16) < 0.015
    assert binom.sf(LEAST_CALLED - 1, RUNS, n_sized(41, 73) / 100) < 0.015
    assert binom.cdf(MOST_CALLED, RUNS, n_sized(46, 16) / 100) < 0.015


def test_a_change_of_thirty_per_cent_is_called_in_four_seasons_of_five(moving, record_property):
    said = [row["direction"] for row in moving]
    wrong = sum(one == ("falling", "rising")[number % 2] for number, one in enumerate(said))
    words = f"called in {n_right(said)} of {RUNS} seasons, the wrong way in {wrong}"
    record_property("a change of 30 % in four weeks", words)
    assert n_right(said) >= LEAST_CALLED
    assert wrong == 0


def test_no_change_is_called_in_at_most_a_tenth_of_seasons(flat, record_property):
    said = [row["direction"] for row in flat]
    record_property("no change", f"something called in {n_called(said)} of {RUNS} seasons")
    assert n_called(said) <= MOST_CALLED


def test_the_bounds_would_not_pass_another_limit(flat, moving, monkeypatch):
    monkeypatch.setattr(index, "CALLED", 0.65)
    assert n_called([index.word_of(row["prob_increase_4_weeks"]) for row in flat]) > MOST_CALLED
    monkeypatch.setattr(index, "CALLED", 0.999)
    assert n_right([index.word_of(row["prob_increase_4_weeks"]) for row in moving]) < LEAST_CALLED


def test_few_site_days_and_closures_call_no_more_of_nothing(record_property):
    said = called([flat_then(1.0)], size=THIN, closed=closures())
    record_property(
        "no change, few site-days and closures",
        f"something called in {n_called(said)} of {RUNS} seasons",
    )
    assert n_called(said) <= MOST_CALLED


def test_more_boats_call_a_small_rise_more_often():
    path = [flat_then(1.15)]
    many, few = (called(path, runs=N_SMALL, size=size).count("rising") for size in ((10, 6), THIN))
    assert many > few + N_SMALL / 6
