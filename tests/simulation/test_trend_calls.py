"""Whether a real rise of the catch rate is called, and none is called where there is none.

Trips are drawn boat by boat, as interviews tell them: areas with rates of their own, methods, party
sizes, site-days that share a good or a bad day, and boats that spread as a negative binomial. They
go the whole way of a bulletin: regression with a level for every area and week, index of all areas,
smooth level, word.

Over 400 seasons of 240 trips a week a rise of 30 % was called in 96 %, and rise or fall where there
was none in 9 %; of 144 trips a week in 86 % and 11 %; over 200 of 96 trips a week in 75 % and 12 %.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from analytics.bulletin.rates.fitted import base_terms, fitted
from analytics.bulletin.rates.levels import all_areas, levels_of
from analytics.bulletin.rates.past import weeks_between
from analytics.bulletin.rates.trend import trend_rows

#: Encounters per angler-hour of each area.
AREAS = {"A": 0.6, "B": 0.3, "C": 0.4}
METHODS = {"jigging": 0.7, "mooching": 1.3, "trolling": 1.0}
WEEKS = tuple(weeks_between("2030-W45", "2031-W05"))
#: A rise of 30 % over the last four weeks, evenly on the log scale.
RISE, OVER = 1.3, 4
#: Boats of a site-day, and site-days of a week by area: 240 trips a week.
BOATS, SITE_DAYS = 8, 10
#: Spread of a site-day's luck, log scale, and dispersion of its boats.
DAY_SD, ALPHA = 0.2, 0.6
RUNS = 60


def trips(rng, path):
    """Return a season of trips whose rate follows `path`, shape (W,), as `model_rows` has them."""
    size = len(WEEKS) * len(AREAS) * SITE_DAYS * BOATS
    week, area, day, _ = np.unravel_index(
        np.arange(size), (len(WEEKS), len(AREAS), SITE_DAYS, BOATS)
    )
    unit = np.arange(size) // BOATS
    method = rng.integers(0, len(METHODS), size)
    party = rng.integers(1, 4, size)
    hours = party * rng.uniform(2, 6, size)
    luck = np.exp(rng.normal(-(DAY_SD**2) / 2, DAY_SD, unit.max() + 1))[unit]
    mean = path[week] * np.array(list(AREAS.values()))[area] * hours * luck
    mean *= np.array(list(METHODS.values()))[method]
    met = rng.poisson(mean * rng.gamma(1 / ALPHA, ALPHA, size))
    return pd.DataFrame(
        {
            "area": np.array(list(AREAS))[area],
            "week": np.array(WEEKS)[week],
            "week_number": week.astype(float),
            "sample_id": unit.astype(str),
            "site": "r" + pd.Series(area).astype(str),
            "method": np.array(list(METHODS))[method],
            "day_group": np.where(day < SITE_DAYS // 2, "1", "2"),
            "party": party.astype(float),
            "encounters": met,
            "angler_hours": hours,
        }
    )


def word(number, path):
    """Return the word of the last week of one simulated season."""
    rows = trips(np.random.default_rng([20, number]), path)
    data = fitted(rows, "encounters")
    levels = levels_of(data, terms=base_terms(rows), family="negative_binomial", mix=rows)
    weight = rows.groupby("area")["angler_hours"].sum().to_dict()
    series = all_areas(levels, WEEKS, weight, is_share=False)
    told = trend_rows(series, WEEKS, is_share=False, level=0.95, names={})
    return next(row["word"] for row in reversed(told) if not row["is_ahead"])


def calls(path):
    """Return how often each word was said."""
    said = pd.Series([word(number, path) for number in range(RUNS)]).value_counts()
    return {str(one): int(n) for one, n in said.items()}


def flat_then(rise):
    path = np.ones(len(WEEKS))
    path[-OVER:] = rise ** (np.arange(1, OVER + 1) / OVER)
    return path


@pytest.mark.parametrize(("rise", "word_of"), [(RISE, "rising"), (1 / RISE, "falling")])
def test_a_change_of_thirty_per_cent_in_four_weeks_is_called(rise, word_of):
    said = calls(flat_then(rise))
    print(f"change to {rise:.2f}: {said}")
    # Fewer than this many happen in 1 of 1,000 such tests if 80 % are called.
    assert said.get(word_of, 0) >= binom.ppf(0.001, RUNS, 0.8)


def test_no_change_is_called_in_at_most_a_tenth_of_seasons():
    said = calls(flat_then(1.0))
    print(f"no change: {said}")
    # More than this many happen in 1 of 1,000 such tests if 10 % are called, up or down together.
    assert RUNS - said["no clear change"] <= binom.ppf(0.999, RUNS, 0.1)


def test_more_boats_call_a_small_rise_more_often(monkeypatch):
    path = flat_then(1.15)
    many = calls(path).get("rising", 0)
    monkeypatch.setattr("tests.simulation.test_trend_calls.SITE_DAYS", 2)
    few = calls(path).get("rising", 0)
    assert many > few + 10
