"""Holding trials: rates, what handling explains of them, survival, the rate of a season."""

from __future__ import annotations

import math
from itertools import product
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from scipy.special import logit
from scipy.stats import binom

from analytics.codes import coded, has_code, join_codes, parse
from analytics.data.snapshot import Snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.fish.holding_trials import (
    HeldFish,
    HeldGroup,
    Rate,
    died_rate,
    group_rate,
    handling_corrected,
    mix_effect,
    mix_errors,
    mixed_rate,
    ratio_limits,
    trial_rates,
)
from analytics.intervals import t_quantile, wilson
from analytics.models.holding_survival import hooking_mortality, kaplan_meier
from analytics.released.holding_trials import (
    survival_rows,
    survival_table,
    trial_table,
    wound_mix_table,
)
from analytics.released.schemas import HOLDING_RATE_SCHEMA, SURVIVAL_SCHEMA, WOUND_MIX_SCHEMA
from tests.tables import MONDAY, SiteDay, interview, survey

DEMO = Path(__file__).parents[2] / "demo_parquet"


def trial(group, held, died, *, trial_id="t1", hours=96.0):
    return {"trial_id": trial_id, "group": group, "held": held, "died": died, "hours": hours}


def made(*trials, table=trial_table):
    return table(survey([], holding_trials=trials), level=0.95).to_pylist()


def one(rows, **wanted):
    (row,) = [row for row in rows if all(row[name] == value for name, value in wanted.items())]
    return row


class TestRates:
    def test_a_group_is_corrected_by_the_control_of_its_trial(self):
        rows = made(
            trial("jaw", 100, 10),
            trial("Control", 50, 2),
            trial("control", 50, 20, trial_id="t2"),
        )
        row = one(rows, trial_id="t1", group="jaw")
        assert row["rate_prop"] == 0.1
        assert row["corrected_prop"] == pytest.approx((0.1 - 0.04) / 0.96)
        expected = handling_corrected(
            Rate(0.1, math.sqrt(0.09 / 100)), Rate(0.04, math.sqrt(0.04 * 0.96 / 50))
        )
        assert row["corrected_se"] == pytest.approx(expected.rate_se)
        assert row["corrected_low"] == 0
        assert row["corrected_prop"] < row["corrected_high"]
        assert row["reason"] == coded("cut_at_zero")
        assert one(rows, trial_id="t1", group="control")["is_control"]

    def test_all_trials_together_take_all_controls(self):
        rows = made(
            trial("jaw", 100, 10),
            trial("control", 50, 2),
            trial("jaw", 60, 12, trial_id="t2", hours=48.0),
            trial("control", 50, 4, trial_id="t2", hours=48.0),
        )
        row = one(rows, trial_id=None, group="jaw")
        assert (row["held"], row["died"], row["hours"]) == (160, 22, None)
        assert row["corrected_prop"] == pytest.approx((22 / 160 - 0.06) / 0.94)
        assert has_code(row["reason"], "different_hours")

    def test_a_trial_without_control_takes_all_controls_and_says_so(self):
        rows = made(trial("jaw", 100, 20), trial("control", 50, 2, trial_id="t2"))
        row = one(rows, trial_id="t1", group="jaw")
        assert row["corrected_prop"] == pytest.approx((0.2 - 0.04) / 0.96)
        assert row["reason"] == coded("all_controls")

    def test_a_control_without_fish_is_none(self):
        rows = made(
            trial("jaw", 100, 20), trial("control", 0, 0), trial("control", 50, 2, trial_id="t2")
        )
        row = one(rows, trial_id="t1", group="jaw")
        assert row["corrected_prop"] == pytest.approx((0.2 - 0.04) / 0.96)
        assert has_code(row["reason"], "all_controls")

    def test_writings_of_one_group_are_one(self):
        rows = made(
            trial("jaw", 30, 10),
            trial("Jaw ", 20, 5),
            trial("JAW", 50, 5, trial_id="t2"),
            trial("Deep gut", 5, 4),
            trial("deep_gut", 5, 3, trial_id="t2"),
        )
        assert [(row["trial_id"], row["group"], row["held"], row["died"]) for row in rows] == [
            ("t1", "deep_gut", 5, 4),
            ("t1", "jaw", 50, 15),
            ("t2", "deep_gut", 5, 3),
            ("t2", "jaw", 50, 5),
            (None, "deep_gut", 10, 7),
            (None, "jaw", 100, 20),
        ]

    def test_trials_with_unlike_controls_are_said_to_be_pooled(self):
        parts = [trial("jaw", 100, 20), trial("control", 50, 2)]
        alike = [trial("jaw", 50, 9, trial_id="t2"), trial("control", 25, 1, trial_id="t2")]
        assert one(made(*parts, *alike), trial_id=None, group="jaw")["reason"] == ""
        for unlike in (alike[:1], [alike[0], trial("control", 50, 1, trial_id="t2")]):
            row = one(made(*parts, *unlike), trial_id=None, group="jaw")
            assert has_code(row["reason"], "uneven_controls")
            assert row["corrected_prop"] is not None

    def test_an_effect_below_0_is_told_and_its_limits_end_at_0(self):
        row = one(made(trial("jaw", 40, 1), trial("control", 40, 20)), trial_id="t1", group="jaw")
        assert row["corrected_prop"] == pytest.approx((0.025 - 0.5) / 0.5)
        assert (row["corrected_low"], row["corrected_high"]) == (0, 0)
        assert str(parse(row["reason"])[0]) == coded("below_control")

    def test_no_control_anywhere(self):
        row = one(made(trial("jaw", 100, 10)), trial_id="t1")
        assert row["corrected_prop"] is None
        assert row["rate_prop"] == 0.1
        assert has_code(row["reason"], "no_control")

    def test_nobody_held(self):
        row = one(made(trial("jaw", 0, 0), trial("control", 9, 0)), trial_id="t1", group="jaw")
        assert row["rate_prop"] is None
        assert row["wilson_low"] is None
        assert row["reason"] == coded("no_fish_held")

    def test_none_died_and_all_died(self):
        rows = made(trial("jaw", 20, 0), trial("gills", 20, 20), trial("control", 50, 2))
        jaw, gills = (one(rows, trial_id="t1", group=group) for group in ("jaw", "gills"))
        assert jaw["corrected_prop"] == pytest.approx(-0.04 / 0.96)
        assert jaw["corrected_se"] > 0
        assert has_code(jaw["reason"], "below_control")
        assert gills["corrected_prop"] == pytest.approx(1)
        assert gills["corrected_high"] == pytest.approx(1)
        assert 0.7 < gills["corrected_low"] < 1
        assert has_code(gills["reason"], "none_or_all_died")

    def test_every_control_died(self):
        row = one(made(trial("jaw", 20, 5), trial("control", 3, 3)), trial_id="t1", group="jaw")
        assert row["corrected_prop"] is None
        assert has_code(row["reason"], "controls_died")

    def test_no_trial_is_an_empty_table(self):
        table = trial_table(survey([]), level=0.95)
        assert table.num_rows == 0
        assert table.schema == HOLDING_RATE_SCHEMA


def test_corrected_intervals_hold_the_truth():
    """Every outcome of small trials: the chance that the interval holds the true rate."""
    for held, controls, rate, handling in ((40, 30, 0.15, 0.05), (30, 20, 0.6, 0.1)):
        seen = 1 - (1 - rate) * (1 - handling)
        p = binom.pmf(np.arange(held + 1), held, seen)
        q = binom.pmf(np.arange(controls + 1), controls, handling)
        held_prop = 0.0
        for died, lost in product(range(held + 1), range(controls)):
            if p[died] * q[lost] < 1e-7:
                continue
            found = group_rate(
                HeldGroup("t", "jaw", held, died, 96.0),
                HeldGroup("t", "control", controls, lost, 96.0),
                level=0.95,
            )
            low, high = found.corrected_limits
            held_prop += p[died] * q[lost] * (low is not None and low <= rate <= high)
        assert 0.93 < held_prop < 0.98


def test_a_ratio_to_an_exact_base_has_the_limits_of_its_top():
    assert ratio_limits((0.5, 0.6, 0.7), (1.0, 1.0, 1.0)) == pytest.approx((0.5, 0.7))
    assert ratio_limits((0.5, 0.6, 0.7), (0.0, 0.1, 0.4)) is None


class TestSurvival:
    def test_deaths_stand_at_the_hour_of_the_check(self):
        rows = made(
            trial("jaw", 10, 2, hours=24.0),
            trial("jaw", 10, 3, trial_id="t2", hours=96.0),
            table=survival_table,
        )
        assert [row["hours"] for row in rows] == [0, 24, 96]
        # 20 under watch, 2 die at 24 h and 8 leave alive then; 3 of 10 die at 96 h.
        assert [row["at_risk"] for row in rows] == [20, 20, 10]
        assert [row["alive_prop"] for row in rows] == pytest.approx([1, 0.9, 0.63])
        assert rows[2]["ci_low"] < 0.63 < rows[2]["ci_high"] < 1

    def test_nobody_and_everybody_died(self):
        rows = made(trial("jaw", 10, 0), trial("gills", 5, 5), table=survival_table)
        last = {row["group"]: row for row in rows}
        assert last["jaw"]["alive_prop"] == 1
        assert last["gills"]["alive_prop"] == 0
        assert last["gills"]["ci_low"] is None

    def test_trials_without_hours_are_left_out(self):
        assert made(trial("jaw", 10, 2, hours=None), table=survival_table) == []

    def test_no_trial_is_an_empty_table(self):
        assert survival_table(survey([]), level=0.95).schema == SURVIVAL_SCHEMA

    def test_counts_are_the_same_as_fish_by_fish(self):
        hours, died = np.array([5.0, 5.0, 9.0, 9.0]), np.array([True, False, True, False])
        counted = kaplan_meier(hours, died, np.array([2, 1, 3, 4]), level=0.9)
        single = kaplan_meier(
            np.repeat(hours, [2, 1, 3, 4]), np.repeat(died, [2, 1, 3, 4]), level=0.9
        )
        assert counted.alive_prop == pytest.approx(single.alive_prop)
        assert counted.low[1:] == pytest.approx(single.low[1:])

    def test_no_fish_is_refused(self):
        with pytest.raises(ValueError, match="no fish"):
            kaplan_meier(np.zeros(0), np.zeros(0, dtype=bool), level=0.95)


def fish(sites):
    return [
        {"fish_id": str(at), "source": "test_fishing", "area": "A", "date": MONDAY}
        | {"wound_site": site, "total_length_mm": 500.0}
        for at, site in enumerate(sites)
    ]


def mix(sites, *trials):
    tables = {"holding_trials": trials} if trials else {}
    days = [SiteDay(1, [interview()], stratum="all", frame=2)] * 2
    snapshot = survey(days, fish=fish(sites), **tables)
    return wound_mix_table(prepare_survey(snapshot), level=0.95)


class TestWoundMix:
    TRIALS = (trial("jaw", 100, 10), trial("gills", 40, 28), trial("control", 50, 2))

    def test_the_mix_by_hand(self):
        rows = mix(["jaw"] * 30 + ["Gills "] * 10 + [None] * 5, *self.TRIALS).to_pylist()
        whole = one(rows, wound_site=None)
        assert whole["n_fish"] == 40
        seen = 0.75 * 0.1 + 0.25 * 0.7
        assert whole["rate_prop"] == pytest.approx((seen - 0.04) / 0.96)
        from_mix = math.sqrt((0.75 * 0.01 + 0.25 * 0.49 - seen**2) / 40) / 0.96
        rates = (0.75 * math.sqrt(0.09 / 100)) ** 2 + (0.25 * math.sqrt(0.21 / 40)) ** 2
        control = math.sqrt(0.04 * 0.96 / 50) * (1 - seen) / 0.96**2
        assert whole["se_from_mix"] == pytest.approx(from_mix)
        assert whole["se_from_rates"] == pytest.approx(math.hypot(math.sqrt(rates) / 0.96, control))
        assert whole["rate_se"] == pytest.approx(
            math.hypot(whole["se_from_mix"], whole["se_from_rates"])
        )
        assert whole["ci_low"] < whole["rate_prop"] < whole["ci_high"]
        # Without rounding, the mix of corrected rates is the corrected mix.
        parts = [row for row in rows if row["wound_site"]]
        summed = sum(row["share"] * row["rate_prop"] for row in parts)
        assert summed == pytest.approx(whole["rate_prop"])

    def test_a_site_nobody_held_is_told(self):
        rows = mix(["jaw", "eye"], *self.TRIALS).to_pylist()
        assert one(rows, wound_site="eye")["reason"] == coded("wound_not_held")
        whole = one(rows, wound_site=None)
        assert whole["rate_prop"] is None
        assert whole["reason"] == coded("wounds_not_held", wounds=["eye"])

    def test_no_wound_site_and_no_trial_are_told(self):
        nothing = one(mix([None], *self.TRIALS).to_pylist())
        assert str(parse(nothing["reason"])[0]) == coded("no_wound_sites")
        rows = mix(["jaw"]).to_pylist()
        assert one(rows, wound_site=None)["rate_prop"] is None

    def test_without_a_control_the_rate_holds_deaths_by_handling(self):
        whole = one(mix(["jaw"] * 4, trial("jaw", 100, 10)).to_pylist(), wound_site=None)
        assert whole["rate_prop"] == pytest.approx(0.1)
        assert has_code(whole["reason"], "no_control_in_rate")

    def test_fish_kept_on_the_dock_are_no_releases(self):
        kept = {"source": "dockside", "kept": True, "wound_site": "gills"}
        days = [SiteDay(1, [interview()], stratum="all", frame=2)] * 2
        measured = fish(["jaw"] * 6 + ["gills"] * 3)
        measured[-2:] = [one | kept for one in measured[-2:]]
        measured[-3] |= {"source": "dockside", "kept": False}
        measured = [{"kept": None} | one for one in measured]
        snapshot = survey(days, fish=measured, holding_trials=self.TRIALS)
        rows = wound_mix_table(prepare_survey(snapshot), level=0.95).to_pylist()
        assert one(rows, wound_site="gills")["n_fish"] == 1
        whole = one(rows, wound_site=None)
        assert whole["n_fish"] == 7
        assert coded("kept_left_out", n=2) in map(str, parse(whole["reason"]))
        assert has_code(whole["reason"], "fish_alike_in_trip")

    def test_a_control_that_died_whole_is_said_in_every_row(self):
        rows = mix(["jaw"] * 4, trial("Jaw", 100, 10), trial("control", 5, 5)).to_pylist()
        for row in rows:
            assert row["rate_prop"] == pytest.approx(0.1)
        whole, of_site = one(rows, wound_site=None), one(rows, wound_site="jaw")
        assert has_code(whole["reason"], "controls_died_in_rate")
        assert has_code(of_site["reason"], "controls_died")
        assert has_code(of_site["reason"], "handling_in_rate")

    def test_a_mix_below_0_shows_no_effect(self):
        rows = mix(["jaw"] * 4, trial("jaw", 100, 10), trial("control", 50, 20)).to_pylist()
        whole = one(rows, wound_site=None)
        assert whole["rate_prop"] < 0
        assert has_code(whole["reason"], "no_effect_of_hook")

    def test_fish_of_one_trip_widen_the_error_of_the_mix(self):
        sites, trips = ["jaw"] * 6 + ["gills"] * 6, ["a"] * 3 + ["b"] * 3 + ["c"] * 3 + ["d"] * 3
        days = [SiteDay(1, [interview()], stratum="all", frame=2)] * 2
        measured = fish(sites)
        by_trip = [one | {"test_trip_id": at} for one, at in zip(measured, trips, strict=True)]
        alone, alike = (
            one(
                wound_mix_table(
                    prepare_survey(survey(days, fish=rows, holding_trials=self.TRIALS)), level=0.95
                ).to_pylist(),
                wound_site=None,
            )
            for rows in (measured, by_trip)
        )
        # Three fish a trip, all of one site: 4/3 x 3 fish, and a quarter of the fish are left.
        assert has_code(alone["reason"], "fish_alike_in_trip")
        assert coded("test_trips_alike", effect="4.00", trips=4) in alike["reason"]
        assert alike["se_from_mix"] == pytest.approx(2 * alone["se_from_mix"])
        assert alike["rate_prop"] == pytest.approx(alone["rate_prop"])
        assert alike["se_from_rates"] == pytest.approx(alone["se_from_rates"])

    def test_the_error_of_a_mix_of_trips_is_the_one_between_trips(self):
        """Known truth: trips whose fish share their wound site more often than by chance."""
        rng, rate, found, held = np.random.default_rng(19), np.array([0.1, 0.6]), [], {}
        for _ in range(600):
            gills = rng.beta(2.0, 4.0, size=15)
            trip = np.repeat(np.arange(15), rng.integers(2, 9, size=15))
            of_fish = rate[(rng.random(len(trip)) < gills[trip]).astype(int)]
            effect = mix_effect(trip.tolist(), of_fish)
            found.append((of_fish.mean(), of_fish.std() / len(trip) ** 0.5, effect**0.5))
        mean, alone, root = np.array(found).T
        truth = 0.1 + 0.5 / 3
        for name, se in (("one by one", alone), ("by trip", alone * root)):
            held[name] = float((np.abs(mean - truth) < 1.96 * se).mean())
        assert held["one by one"] < 0.87
        assert 0.9 < held["by trip"] < 0.97

    def test_errors_of_the_mix_add_up(self):
        share, rates = {"a": 0.4, "b": 0.6}, {"a": Rate(0.1, 0.02), "b": Rate(0.5, 0.05)}
        parts = mix_errors(share, rates, n_fish=80)
        assert math.hypot(*parts) == pytest.approx(mixed_rate(share, rates, n_fish=80).rate_se)
        assert mix_errors(share, rates, n_fish=None) is None


def held(died, trip, group=None):
    """Return fish of one trial, watched for 96 hours or dead at 10."""
    died = np.asarray(died, dtype=bool)
    group = ["jaw"] * len(died) if group is None else group
    return HeldFish(
        np.array(["t1"] * len(died), dtype=object),
        np.array(group, dtype=object),
        np.full(len(died), np.nan),
        np.where(died, 10.0, 96.0),
        died,
        None if trip is None else np.array(trip, dtype=object),
    )


class TestHeldFishOfOneTrip:
    died, trips = [True] * 3 + [False] * 9, ["a"] * 3 + ["b"] * 3 + ["c"] * 3 + ["d"] * 3

    def test_the_effect_by_hand(self):
        # Share 1/4; trips are off by 3 - 3/4 and three times -3/4: 4/3 x 6.75 over 12 x 3/16.
        fish = held(self.died, self.trips)
        assert fish.effect == pytest.approx(4.0)
        (rate,) = [one for one in trial_rates(fish.groups(), level=0.95) if one.fish.trial_id]
        assert rate.rate_prop == 0.25
        assert coded("held_fish_alike", effect="4.00") in rate.reason
        assert rate.wilson == pytest.approx(wilson(0.25, 3, level=0.95))
        assert died_rate(rate.fish).rate_se == pytest.approx((0.25 * 0.75 / 3) ** 0.5)

    def test_fish_without_trip_and_fish_apart_count_one_by_one(self):
        assert held(self.died, None).effect == 1
        assert held(self.died, [None] * 12).effect == 1
        assert held(self.died, list("abcdefghijkl")).effect == pytest.approx(12 / 11)

    def test_the_curve_takes_the_trips(self):
        fish = held(self.died, [*self.trips[:9], None, None, None])
        assert fish.trip_code.tolist() == [0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 4, 5]
        assert held(self.died, None).trip_code is None
        group, code = fish.group.tolist(), fish.trip_code
        by_trip, alone = (
            survival_rows(group, fish.hours, fish.died, trip=trip, level=0.95).to_pylist()[1]
            for trip in (code, None)
        )
        assert by_trip["alive_prop"] == alone["alive_prop"]
        assert by_trip["ci_low"] < alone["ci_low"]
        assert by_trip["ci_high"] > alone["ci_high"]

    def test_groups_of_one_trip_are_not_compared_with_each_other(self):
        """Gills kill and jaws do not: that is no likeness of trips."""
        group = (["jaw"] * 2 + ["gills"] * 2) * 6
        died = [False, True, True, True] * 3 + [True, False, False, True] * 3
        one_trip_each = [at // 4 for at in range(24)]
        assert held(died, one_trip_each, group).effect < 2

    def test_intervals_hold_the_true_share(self):
        """Known truth: every trip has a share of its own around the true one."""
        rng, share, found = np.random.default_rng(23), 0.3, {"alone": [], "by trip": []}
        for _ in range(300):
            trip = np.repeat(np.arange(25), 8)
            died = rng.random(len(trip)) < rng.beta(1.5, 3.5, size=25)[trip]
            for name, of in (("alone", None), ("by trip", trip)):
                (rate,) = (
                    one
                    for one in trial_rates(held(died, of).groups(), level=0.95)
                    if one.fish.trial_id is None
                )
                low, high = rate.wilson
                found[name].append(low <= share <= high)
        assert np.mean(found["alone"]) < 0.85
        assert 0.905 < np.mean(found["by trip"]) < 0.98


class TestDemo:
    def test_every_table_of_the_demo_is_whole(self):
        snapshot = Snapshot.of({file.stem: pq.read_table(file) for file in DEMO.glob("*.parquet")})
        season = prepare_survey(snapshot, season="2035-36")
        tables = {
            HOLDING_RATE_SCHEMA: trial_table(snapshot, level=0.95),
            SURVIVAL_SCHEMA: survival_table(snapshot, level=0.95),
            WOUND_MIX_SCHEMA: wound_mix_table(season, level=0.95),
        }
        for schema, table in tables.items():
            assert table.schema == schema
            assert table.num_rows > 0
            for name in table.schema.names:
                if table.schema.field(name).type == pa.float64():
                    assert not pc.any(pc.is_nan(table[name])).as_py(), name

    def test_trials_of_the_demo_come_near_its_truth(self):
        truth = pq.read_table(DEMO / "truth" / "parameters.parquet").to_pandas()
        known = dict(zip(truth["parameter"], truth["value"], strict=True))
        rows = pq.read_table(DEMO / "holding_trials.parquet").to_pylist()
        groups = [HeldGroup(**row) for row in rows]
        for found in trial_rates(groups, level=0.99):
            if found.fish.trial_id is None and found.corrected:
                low, high = found.corrected_limits
                assert low < known[f"hooking_death_prop {found.fish.group}"] < high


class TestModel:
    GROUP = ("jaw",) * 60 + ("gills",) * 40

    def fish(self):
        rng = np.random.default_rng(4)
        length = rng.uniform(300, 800, 100)
        odds = -2 + 3 * (np.array(self.GROUP) == "gills") - 0.005 * (length - 550)
        return rng.random(100) < 1 / (1 + np.exp(-odds)), length

    def test_a_length_that_was_not_measured_leaves_the_fish_out(self):
        died, length = self.fish()
        length[:3] = np.nan
        model = hooking_mortality(died, self.GROUP, length, level=0.95)
        assert model.n == 97
        assert coded("fish_without_length", n=3) in model.notes
        assert [one.term for one in model.terms] == [
            "intercept",
            "group gills",
            "total_length_100mm",
        ]

    def test_one_group_is_refused(self):
        died, length = self.fish()
        model = hooking_mortality(died, ["jaw"] * 100, length, level=0.95)
        assert model.terms == ()
        assert model.reason == coded("one_group_of_fish", group="jaw")

    def test_too_few_deaths_are_refused(self):
        died, length = self.fish()
        died[np.flatnonzero(died)[4:]] = False
        model = hooking_mortality(died, self.GROUP, length, level=0.95)
        assert has_code(model.reason, "few_deaths")

    def test_a_group_where_all_died_is_refused(self):
        died, length = self.fish()
        died[60:] = True
        model = hooking_mortality(died, self.GROUP, length, level=0.95)
        assert model.reason == coded("group_of_one_fate", groups=["gills"])

    def test_a_length_that_sets_the_dead_apart_is_refused(self):
        _, length = self.fish()
        model = hooking_mortality(length < 500, self.GROUP, length, level=0.95)
        assert model.terms == ()
        assert model.reason == coded("dead_set_apart")

    def test_no_fish_at_all(self):
        model = hooking_mortality(np.zeros(0, dtype=bool), [], np.zeros(0), level=0.95)
        assert model.reason == coded("few_deaths", died=0, n=0, terms=1, needed=5)

    def test_few_deaths_a_coefficient_are_said(self):
        died, length = self.fish()
        keep = np.r_[0:40, 60:75]
        group = [self.GROUP[at] for at in keep]
        model = hooking_mortality(died[keep], group, length[keep], level=0.95)
        assert model.terms
        assert has_code(join_codes(model.notes), "rough_odds")


class TestModelByTrip:
    """Fish of one trip that share their fate: 24 trips of 10 fish, whose chance is low or high."""

    GROUP = np.tile(np.repeat(["jaw", "gills"], [6, 4]), 24)
    TRIP = np.repeat(np.arange(24), 10)
    NO_LENGTH = np.full(240, np.nan)

    def died(self, seed):
        rng = np.random.default_rng(seed)
        is_rough = rng.random(24) < 0.5
        chance = np.where(self.GROUP == "gills", 0.4, 0.1) + 0.4 * is_rough[self.TRIP]
        return rng.random(240) < chance

    def model(self, died, trip):
        return hooking_mortality(died, self.GROUP, self.NO_LENGTH, trip=trip, level=0.95)

    def test_errors_are_the_sandwich_of_trips(self):
        died = self.died(1)
        found = self.model(died, self.TRIP)
        design = np.c_[np.ones(240), self.GROUP == "gills"]
        chance = 1 / (1 + np.exp(-design @ [one.estimate for one in found.terms]))
        bread = np.linalg.inv(design.T @ (design * (chance * (1 - chance))[:, None]))
        scores = (design * (died - chance)[:, None]).reshape(24, 10, 2).sum(axis=1)
        cov = bread @ scores.T @ scores @ bread * 24 / 23 * 239 / 238
        between = np.sqrt(np.diag(cov))
        alone = np.sqrt(np.diag(bread))
        assert between[0] > 1.3 * alone[0]  # else this tries nothing
        assert [one.se for one in found.terms] == pytest.approx(np.maximum(between, alone))
        first = found.terms[0]
        assert np.log(first.ci_high) - first.estimate == pytest.approx(
            t_quantile(0.95, 23) * first.se
        )
        assert coded("odds_by_trip", trips=24) in found.notes

    def test_trips_move_no_coefficient(self):
        died = self.died(2)
        by_trip, alone = (self.model(died, trip) for trip in (self.TRIP, None))
        assert [one.estimate for one in by_trip.terms] == [one.estimate for one in alone.terms]
        assert all(a.se >= b.se for a, b in zip(by_trip.terms, alone.terms, strict=True))

    def test_no_more_trips_than_coefficients_count_fish_by_fish(self):
        died = self.died(2)
        found = self.model(died, self.TRIP // 12)
        assert coded("odds_by_fish", trips=2, terms=2) in found.notes
        alone = self.model(died, None)
        assert [one.se for one in found.terms] == [one.se for one in alone.terms]

    def test_intervals_by_trip_hold_and_those_of_single_fish_do_not(self, record_property):
        true = {"intercept": logit(0.3), "group gills": logit(0.6) - logit(0.3)}
        holds = np.zeros((2, 200, 2), dtype=bool)
        for at in range(200):
            died = self.died(100 + at)
            for k, trip in enumerate((self.TRIP, None)):
                found = self.model(died, trip).terms
                holds[k, at] = [
                    np.log(one.ci_low) < true[one.term] < np.log(one.ci_high) for one in found
                ]
        record_property("by trip, fish by fish", f"{holds.mean(axis=1)}")
        low, _ = binom.interval(0.999, 200, 0.93)
        assert (holds[0].sum(axis=0) >= low).all()
        assert holds[1, :, 0].sum() < low
