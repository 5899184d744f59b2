"""Which catch rate suits which trips: a fishery of four trip lengths, through result rows.

Hoenig et al. (1997) and Pollock et al. (1997), both from memory: the ratio of means for complete
trips, the mean of ratios for incomplete ones, trips under half an hour dropped. Lengths of 1, 2, 4
and 8 hours with rates of 1, 0.5, 0.25 and 0.25 have a true rate of 5/15; the ratio of means of
trips met on the water tends to 23/85 = 0.270588 (recomputed).
"""

from __future__ import annotations

import datetime as dt

import pytest

from analytics.estimates.estimate import estimate_snapshot
from tests.tables import MONDAY, SiteDay, figures, interview, survey
from tests.unit.test_counted_effort import COUNTS, SEASON, counts

#: Rates are times a thousand, so that trips that were met early have fish to count.
LENGTHS, RATES = (1, 2, 4, 8), (1000, 500, 250, 250)
TRUE = 1000 * 5 / 15


def rate_of(snapshot):
    """Return fish kept per boat-hour of a season whose effort was counted."""
    rows = estimate_snapshot(snapshot, by=("season",), effort="counts", day_hours=10.0)
    fish, hours = (figures(rows, name)["estimate"] for name in ("kept_fish", "angler_hours"))
    return fish / hours  # one angler a boat


def at_the_ramp(day):
    """Return a site-day at which a boat of each length ends its trip."""
    boats = [
        interview(hours_fished=float(hours), kept=rate * hours)
        for hours, rate in zip(LENGTHS, RATES, strict=True)
    ]
    return SiteDay(len(boats), boats, date=MONDAY + dt.timedelta(days=day))


def on_the_water(*, shortest=0.5, with_short=False):
    """Return interviews of boats met at the middle of each hour of their trips."""
    met = [
        (hour + 0.5, int(rate * (hour + 0.5)))
        for length, rate in zip(LENGTHS, RATES, strict=True)
        for hour in range(length)
        if hour + 0.5 >= shortest
    ]
    if with_short:
        met.append((0.05, 1000))
    return [
        interview(hours_fished=hours, kept=fish, trip_complete=False)
        | {"interview_id": f"w{place}", "site": "r1", "date": MONDAY + dt.timedelta(place % 5)}
        for place, (hours, fish) in enumerate(met)
    ]


def met_on_the_water(**given):
    return survey(
        [SiteDay(0, [], date=MONDAY)],
        seasons=[SEASON],
        boat_counts=counts(COUNTS),
        interviews=on_the_water(**given),
    )


def test_at_the_ramp_the_ratio_of_means_is_the_true_rate():
    days = [at_the_ramp(day) for day in (0, 2, 5)]
    found = rate_of(survey(days, seasons=[SEASON], boat_counts=counts(COUNTS)))
    assert found == pytest.approx(TRUE, rel=1e-12)


def test_on_the_water_the_mean_of_ratios_is_the_true_rate():
    assert rate_of(met_on_the_water()) == pytest.approx(TRUE, rel=1e-12)


def test_on_the_water_the_ratio_of_means_would_be_another_number():
    trips = on_the_water()
    ratio = sum(one["kept"] for one in trips) / sum(one["hours_fished"] for one in trips)
    assert ratio == pytest.approx(270.588, abs=5e-4)
    assert rate_of(met_on_the_water()) > 1.2 * ratio


def test_a_short_trip_with_fish_does_not_swamp_the_mean_of_ratios():
    assert rate_of(met_on_the_water(with_short=True)) == pytest.approx(TRUE, rel=1e-12)


def test_the_half_hour_rule_keeps_trips_of_half_an_hour():
    late = met_on_the_water(shortest=1.0)
    # Without the first hour each trip is met once less: (0.5 + 3 * 0.25 + 7 * 0.25) / 11.
    assert rate_of(late) == pytest.approx(1000 * 3.0 / 11, rel=1e-12)
