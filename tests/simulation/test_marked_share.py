"""The marked share of legal fish from 273 fish read at the dock and 32 met in test fishing.

Fish of one site-day, and of one test trip, are alike: each has a share of its own around the true
one. The draws of the product are held against those of either source alone.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from analytics.estimates.season_survey import prepare_survey
from analytics.outlook import parts_to_date
from tests.class_cases import boat, sampled_survey, seasons
from tests.simulation.seasons import binomial_bounds
from tests.sizes import n_sized
from tests.tables import MONDAY, SiteDay

SEED, N_SEASONS, N_DRAWS = 83, n_sized(14, 400), 1_000
SHARES = (0.65, 0.93)
#: Site-days with boats, boats of each, and kept fish of a boat on average: 273 fish in all.
DAYS, BOATS, PER_BOAT = 26, 7, 1.5
TEST_TRIPS, TEST_FISH = 8, 32
#: Beta distributed share of a site-day or test trip: size a + b.
ALIKE = 20.0
#: The part of the product that is left out, and what it then says.
SOURCES = {
    "interviews": ("_marks_test_fished", np.zeros((1, 2))),
    "test fishing": ("_marks_interviewed", (np.zeros((1, 2)), np.inf)),
    "both": None,
}


def one_snapshot(share, rng):
    """Return a season of 5 weeks in one area, every kept fish read, with test fishing."""
    own = rng.beta(share * ALIKE, (1 - share) * ALIKE, size=DAYS + TEST_TRIPS)
    days = []
    for place in range(DAYS):
        kept = rng.poisson(PER_BOAT, size=BOATS)
        boats = [boat(int(one), int(rng.binomial(one, own[place]))) for one in kept]
        date = MONDAY + dt.timedelta(days=place + place // 5 * 2)
        days.append(SiteDay(2 * BOATS, boats, date=date, stratum="all", frame=150))
    trip = np.arange(TEST_FISH) % TEST_TRIPS
    fish = [
        {
            "fish_id": f"t{place}",
            "source": "test_fishing",
            "area": "A",
            "date": MONDAY + dt.timedelta(days=int(one)),
            "kept": False,
            "total_length_mm": 600.0,
            "marked": bool(rng.random() < own[DAYS + one]),
            "test_trip_id": f"trip{one}",
        }
        for place, one in enumerate(trip)
    ]
    return sampled_survey(days, fish, seasons=seasons("A", weeks=6))


def one_season(number, share, patch):
    """Return mean and ends of the draws of each source and of both."""
    rng = np.random.default_rng([SEED, number, int(100 * share)])
    season, rows = prepare_survey(one_snapshot(share, rng)), []
    for source, left_out in SOURCES.items():
        with patch.context() as only:
            if left_out:
                name, nothing = left_out
                only.setattr(parts_to_date, name, lambda _, nothing=nothing: nothing)
            drawn = parts_to_date.marked_draws(season, np.random.default_rng(number), N_DRAWS)[:, 0]
        low, high = np.quantile(drawn, [0.025, 0.975])
        held = low <= share <= high
        rows.append(
            {
                "share": share,
                "source": source,
                "error": drawn.mean() - share,
                "width": high - low,
                "held": held,
            }
        )
    return rows


def several(patch, shares=SHARES):
    rows = [one_season(n, share, patch) for share in shares for n in range(N_SEASONS)]
    return pd.DataFrame([row for of_season in rows for row in of_season])


@pytest.fixture(scope="module")
def rows():
    with pytest.MonkeyPatch.context() as patch:
        return several(patch)


def of(rows, share, source):
    return rows[(rows["share"] == share) & (rows["source"] == source)]


def holds(mine):
    least, most = (
        binomial_bounds(N_SEASONS, prop=prop, alpha=0.02)[end]
        for end, prop in enumerate((0.93, 0.97))
    )
    return least <= mine["held"].mean() <= most


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("source", SOURCES)
def test_draws_hold_the_true_share(rows, share, source, record_property):
    mine = of(rows, share, source)
    sem = mine["error"].sem()
    record_property(
        f"marked share {share:g} by {source}",
        f"{mine['held'].mean():.1%} of {N_SEASONS} intervals hold the truth, mean error "
        f"{mine['error'].mean():+.4f} (± {sem:.4f}), mean width {mine['width'].mean():.3f}",
    )
    if source == "both":
        assert holds(mine)
        # Jeffreys' half a fish of each kind draws the mean to a half, by 0.5 - p over n + 1.
        assert abs(mine["error"].mean()) < 3 * sem + 0.5 / 100


@pytest.mark.parametrize("share", SHARES)
def test_both_are_narrower_than_either(rows, share):
    width = {source: of(rows, share, source)["width"].mean() for source in SOURCES}
    assert width["both"] < 0.97 * width["interviews"]
    assert width["both"] < 0.6 * width["test fishing"]


def test_fish_taken_as_independent_would_be_seen(monkeypatch):
    """Planted: each expanded fish counts as one."""
    monkeypatch.setattr(parts_to_date, "design_effect", lambda *_: 1.0)
    broken = several(monkeypatch, SHARES[:1])
    assert not holds(of(broken, SHARES[0], "both"))
