"""Deaths of simulated seasons at rates given with honest error: do the intervals hold the truth?

The truth is what every crew would have told, at the true rates of the simulator by wound: so that
releases told too high, which no rate can correct, stay out of it. The rates given are the true ones
plus a normal error of the standard error that is given with them.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
import pytest

from analytics.data.snapshot import Snapshot
from analytics.estimates.estimate import estimate_snapshot
from analytics.simulation.fishery import simulate_population
from analytics.simulation.reference_tables import table_of
from analytics.simulation.sampling import draw_sample
from tests.simulation.seasons import (
    RESULT,
    SAMPLE,
    SEASON,
    binomial_bounds,
    default_processes,
    in_processes,
    place,
)
from tests.sizes import n_sized, sized

SEED, N_SEASONS, N_BROKEN = 41, n_sized(20, 200), n_sized(14, 40)
QUANTITIES = ("release_deaths_fish", "drop_off_deaths_fish", "total_deaths_fish")
#: Standard errors of the rates given, by size class and wound, and of drop-off.
ERRORS = {
    ("legal", "shallow"): 0.012,
    ("legal", "deep"): 0.05,
    ("sublegal", "shallow"): 0.02,
    ("sublegal", "deep"): 0.06,
}
DROP_OFF_ERROR = 0.008


def true_rates(habits):
    wounds = {"legal": habits.legal_wound_death_prop, "sublegal": habits.sublegal_wound_death_prop}
    return {
        (size, wound): props[place]
        for size, props in wounds.items()
        for place, wound in enumerate(("shallow", "deep"))
    }


def truth_of(population, habits):
    """Return deaths as reported: all releases told, each class at its true rate."""
    told, rates = population.reported, true_rates(habits)
    released = told.legal + told.sublegal + told.unknown
    deaths = 0.0
    for method in range(len(habits.method_deep_prop)):
        mine = population.trips.method == method
        deep = population.deep_hooked[mine].sum() / released[mine].sum()
        # Fish of unknown size take the sublegal rates, as the estimate says of itself.
        for size, fish in (("legal", told.legal), ("sublegal", told.sublegal + told.unknown)):
            prop = (1 - deep) * rates[size, "shallow"] + deep * rates[size, "deep"]
            deaths += prop * fish[mine].sum()
    lost = habits.drop_off_prop * (told.kept + released).sum()
    return dict(zip(QUANTITIES, (deaths, lost, told.kept.sum() + deaths + lost), strict=True))


def given_rates(habits, rng, *, with_error):
    """Return the tables of rates: the true ones with an error, drawn within 0 and 1."""
    releases = [
        {
            "size_class": size,
            "method": "any",
            "wound_class": wound,
            "rate_prop": float(np.clip(rng.normal(prop, ERRORS[size, wound]), 0.0, 1.0)),
            "rate_se": ERRORS[size, wound] if with_error else 0.0,
            "source": "drawn about the truth",
        }
        for (size, wound), prop in true_rates(habits).items()
    ]
    lost = {
        "method": "any",
        "rate_prop": float(np.clip(rng.normal(habits.drop_off_prop, DROP_OFF_ERROR), 0.0, 1.0)),
        "rate_se": DROP_OFF_ERROR if with_error else 0.0,
        "base": "encounters",
        "source": "drawn about the truth",
    }
    return {
        "release_rates": table_of("release_rates", releases),
        "drop_off": table_of("drop_off", [lost]),
    }


def seasons_of_deaths(seed, numbers, *, with_error=True):
    sound, frame, reference = place("small")
    parts = []
    for number in numbers:
        rng = np.random.default_rng([seed, number])
        population = simulate_population(sound, frame, rng=rng)
        sample = draw_sample(sound, population, rng=rng, options=SAMPLE)
        rates = given_rates(sound.habits, rng, with_error=with_error)
        snapshot = Snapshot.of({**reference, **sample.tables, **rates})
        rows = estimate_snapshot(snapshot, season=SEASON, by=("season",))
        rows = rows.loc[rows["quantity"].isin(QUANTITIES), list(RESULT)]
        parts.append(rows.assign(truth=rows["quantity"].map(truth_of(population, sound.habits))))
    return pd.concat(parts)


def held_prop(rows, quantity):
    mine = rows[rows["quantity"] == quantity]
    return ((mine["ci_low"] <= mine["truth"]) & (mine["truth"] <= mine["ci_high"])).mean()


@pytest.fixture(scope="module")
def seasons():
    return in_processes(partial(seasons_of_deaths, SEED), N_SEASONS, default_processes())


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_intervals_of_deaths_hold_the_truth(seasons, quantity, record_property):
    low, high = binomial_bounds(N_SEASONS)
    held = held_prop(seasons, quantity)
    record_property(quantity, f"{held:.1%} of {N_SEASONS} intervals hold the truth")
    assert max(low, sized(0, 0.90)) <= held <= min(high, sized(1, 0.98))


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_deaths_are_right_on_average(seasons, quantity):
    mine = seasons[seasons["quantity"] == quantity]
    error = mine["estimate"] / mine["truth"] - 1
    assert abs(error.mean()) < 4 * error.std() / np.sqrt(len(error))


def test_without_the_error_of_the_rates_the_intervals_would_fail():
    rows = seasons_of_deaths(SEED, range(N_BROKEN), with_error=False)
    # Drop-off rests on one rate, whose error is most of its own.
    assert held_prop(rows, "drop_off_deaths_fish") < binomial_bounds(N_BROKEN)[0]
