"""Which catch rate suits which trips: a fishery of four trip lengths (recomputed).

Hoenig et al. (1997) and Pollock et al. (1997), both from memory: the ratio of means for complete
trips, the mean of ratios for incomplete ones, trips under half an hour dropped.
"""

from __future__ import annotations

import numpy as np
import pytest

from analytics.survey.trip_rates import mean_of_ratios, ratio_of_means

HOURS = np.array([1.0, 2.0, 4.0, 8.0])
RATE = np.array([1.0, 0.5, 0.25, 0.25])
#: Moments of the fishing day at which a boat may be met, evenly over every trip.
STEPS = 1000


def met_on_the_water():
    """Return catch and hours so far: each trip is met as often as it is long, at every stage."""
    stage = (np.arange(STEPS) + 0.5) / STEPS
    hours = np.concatenate([np.tile(long * stage, int(long)) for long in HOURS])
    rate = np.repeat(RATE, (STEPS * HOURS).astype(int))
    return rate * hours, hours


def test_at_the_ramp_the_ratio_of_means_is_the_true_rate():
    assert ratio_of_means(RATE * HOURS, HOURS).rate == pytest.approx(0.3333, abs=5e-5)


def test_on_the_water_the_ratio_of_means_tends_to_another_number():
    catch, hours = met_on_the_water()
    assert ratio_of_means(catch, hours).rate == pytest.approx(0.270588, abs=5e-7)


def test_on_the_water_the_mean_of_ratios_is_the_true_rate():
    catch, hours = met_on_the_water()
    assert mean_of_ratios(catch, hours, hours, shortest=0).rate == pytest.approx(0.3333, abs=5e-5)


def test_the_half_hour_rule_takes_off_that_much_of_every_trip():
    # Trips are then met as often as they are long beyond half an hour.
    catch, hours = met_on_the_water()
    beyond = HOURS - 0.5
    found = mean_of_ratios(catch, hours, hours)
    assert found.rate == pytest.approx((beyond @ RATE) / beyond.sum(), abs=5e-4)
    assert found.n_trips == pytest.approx(STEPS * beyond.sum(), abs=len(hours) / STEPS)


def test_a_short_trip_with_a_fish_would_swamp_the_mean_of_ratios():
    catch, hours = [0.0, 0.0, 1.0], [2.0, 3.0, 0.05]
    assert mean_of_ratios(catch, hours, hours, shortest=0).rate == pytest.approx(20 / 3)
    assert mean_of_ratios(catch, hours, hours).rate == 0
