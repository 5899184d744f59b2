"""Encounters by class from test fishing: pools, ratios, their errors, and what the rows say."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.codes import coded, has_code, parse
from analytics.errors import UsageError
from analytics.estimates import estimate as estimates
from analytics.estimates.alternative_estimates import divided_reports
from analytics.estimates.season_survey import prepare_survey
from analytics.fish.composition_sample import CompositionSample, Rule, class_ratios, pools_of
from analytics.fish.mark_composition import CLASSES
from analytics.intervals import t_quantile
from analytics.released.composition import composition_tables, draw_classes
from tests.class_cases import boat, drawn, fish_of, sampled_survey, seasons
from tests.tables import MONDAY, SiteDay, figures, interview


def estimate_snapshot(snapshot, **given):
    """Return result rows on the sampled basis where no other is named."""
    return estimates.estimate_snapshot(snapshot, **{"basis": "sampled"} | given)


def ratios_of(n, member, base):
    """Return the ratios of area-weeks that all have the one minimum length."""
    of_class = np.broadcast_to(np.eye(4, dtype=bool), (len(base), 4, 4))
    return class_ratios(n, member, base, of_class)


MARKED_BASE = np.array([[True, False, False, False]])
LEGAL_BASE = np.array([[True, True, False, False]])
LM, LU, SM, SU = CLASSES


def pooled(cells, area, week, *, areas=3, near=True, base=MARKED_BASE):
    """Return the pool of one area-week; `cells` maps (area, week) to the fish of each class."""
    place = np.arange(areas, dtype=float)
    distance = np.abs(place[:, None] - place) if near else np.full((areas, areas), np.nan)
    sample = CompositionSample(
        np.array([a for a, _ in cells]),
        np.array([w for _, w in cells]),
        np.array(list(cells.values()), dtype=float),
        distance,
        {(area, week): 0},
    )
    found = pools_of(
        sample,
        area=np.array([area]),
        week=np.array([week]),
        base=base,
        names=("A", "B", "C")[:areas],
    )
    members = {one for one, held in zip(cells, found.member[0], strict=True) if held}
    return members, found.rule[0], found.words[0]


MANY, FEW = (10, 2, 10, 3), (2, 1, 4, 1)


class TestPools:
    def test_enough_fish_of_its_own_need_no_pool(self):
        assert pooled({(0, 1): MANY, (0, 2): MANY}, 0, 1) == ({(0, 1)}, Rule.OWN, "")

    def test_adjacent_weeks_come_first_as_many_before_as_after(self):
        cells = {(0, week): FEW for week in range(9)}
        members, rule, words = pooled(cells, 0, 4)
        assert members == {(0, week) for week in range(3, 6)}
        assert (rule, words) == (Rule.WEEKS, coded("test_fish_weeks", n=1))

    def test_a_week_without_test_fishing_is_told_by_its_neighbours(self):
        members, _, words = pooled({(0, 0): FEW, (0, 3): MANY, (0, 7): MANY}, 0, 5)
        assert members == {(0, 3), (0, 7)}
        assert words == coded("test_fish_weeks", n=2)

    def test_where_few_are_of_the_base_more_weeks_are_asked_for(self):
        # 48 fish of which 1 in 12 is of the base: 5 are expected in 60, so in five weeks.
        cells = {(0, week): (1, 1, 9, 1) for week in range(11)}
        members, _, words = pooled(cells, 0, 5)
        assert len(members) == 5
        assert words == coded("test_fish_weeks", n=2)

    def test_then_the_whole_season_of_the_area(self):
        members, rule, words = pooled({(0, 0): FEW, (0, 9): MANY, (1, 9): MANY}, 0, 0)
        assert members == {(0, 0), (0, 9)}
        assert (rule, words) == (Rule.SEASON, coded("test_fish_season"))

    def test_then_the_nearest_areas_one_after_the_other(self):
        members, rule, words = pooled({(0, 0): FEW, (1, 0): FEW, (2, 5): MANY}, 0, 0)
        assert len(members) == 3
        assert (rule, words) == (
            Rule.NEAR_AREAS,
            coded("test_fish_nearest", areas=("B", "C")),
        )
        assert pooled({(0, 0): FEW, (1, 0): MANY, (2, 0): MANY}, 0, 0)[0] == {(0, 0), (1, 0)}

    def test_without_positions_all_areas_are_taken_together(self):
        members, rule, _ = pooled({(0, 0): FEW, (1, 0): MANY, (2, 0): MANY}, 0, 0, near=False)
        assert len(members) == 3
        assert rule == Rule.ALL_AREAS

    def test_fewer_fish_in_everything_still_serve(self):
        members, rule, _ = pooled({(0, 0): FEW}, 0, 0)
        assert (members, rule) == ({(0, 0)}, Rule.SEASON)

    def test_no_fish_of_the_base_anywhere_serve_nothing(self):
        members, rule, words = pooled({(0, 0): (0, 5, 30, 9), (1, 0): (0, 1, 3, 3)}, 0, 0)
        assert (members, rule) == (set(), Rule.NONE)
        assert words == ""


FISH = st.integers(min_value=1, max_value=200)


class TestRatios:
    @given(st.integers(20, 300), FISH, FISH, FISH)
    def test_one_pool_is_the_closed_form(self, n_lm, n_lu, n_sm, n_su):
        n = np.array([[n_lm, n_lu, n_sm, n_su]], dtype=float)
        found = ratios_of(n, np.array([[True]]), MARKED_BASE)
        weight = np.array([[200.0]])
        value, spread = weight @ found.value, found.covariance(weight)[0]
        assert value[0, 0] == 200
        assert spread[0, 0] == 0
        # E_j = K n_j/n_LM with v = E_j² (1/n_j + 1/n_LM); all: K/p with E² (1 - p)/(n p).
        for column, n_j in enumerate((n_lu, n_sm, n_su), start=1):
            fish = 200 * n_j / n_lm
            assert value[0, column] == pytest.approx(fish)
            assert spread[column, column] == pytest.approx(fish**2 * (1 / n_j + 1 / n_lm))
        n_all = int(n.sum())
        p = n_lm / n_all
        assert value[0, 4] == pytest.approx(200 / p)
        assert spread[4, 4] == pytest.approx((200 / p) ** 2 * (1 - p) / (n_all * p), abs=1e-9)

    @given(st.integers(1, 19), FISH)
    def test_a_damped_pool_has_the_unbiased_variance(self, b, a):
        found = ratios_of(np.array([[b, 0, a, 0.0]]), np.array([[True]]), MARKED_BASE)
        assert found.value[0, 2] == pytest.approx(a / (b + 1))
        by_hand = (a / (b + 1)) ** 2 - a * (a - 1) / ((b + 1) * (b + 2))
        assert found.covariance(np.ones((1, 1)))[0, 2, 2] == pytest.approx(by_hand)

    @given(FISH, FISH, FISH, FISH)
    def test_the_classes_of_a_base_of_legal_fish_are_its_shares(self, n_lm, n_lu, n_sm, n_su):
        n = np.array([[n_lm, n_lu, n_sm, n_su]], dtype=float)
        found = ratios_of(n, np.array([[True]]), LEGAL_BASE)
        p = n_lm / (n_lm + n_lu)
        assert found.value[0, :2].sum() == pytest.approx(1)
        assert found.value[0, 0] == pytest.approx(p)
        spread = found.covariance(np.ones((1, 1)))[0]
        assert spread[0, 0] == pytest.approx(p * (1 - p) / (n_lm + n_lu))
        assert spread[0, 1] == pytest.approx(-spread[0, 0])

    def test_shared_pools_by_brute_force(self):
        rng = np.random.default_rng(8)
        mean = np.array([[60.0, 30, 150, 80], [80, 50, 120, 70], [50, 40, 160, 60]])
        member = np.array([[1, 1, 0], [0, 1, 1], [0, 0, 1]], dtype=bool)
        weight = np.array([[100.0, 40, 70], [100, 0, 0], [0, 40, 0]])
        base = np.repeat(MARKED_BASE, 3, axis=0)
        said = ratios_of(mean, member, base).covariance(weight)
        values = np.array(
            [weight @ ratios_of(n, member, base).value for n in rng.poisson(mean, (4000, 3, 4))]
        )
        for domain in range(3):
            seen = np.cov(values[:, domain].T)
            assert np.diag(said[domain])[1:] == pytest.approx(np.diag(seen)[1:], rel=0.12)
            assert said[domain][1:, 1:] == pytest.approx(seen[1:, 1:], rel=0.25)
        # Pools that share a week err together: the sum is less sure than independent ones.
        apart = ratios_of(mean, np.eye(3, dtype=bool), base).covariance(np.diag(weight[0]))
        assert said[0, 2, 2] > 0
        assert not np.isclose(said[0, 2, 2], apart[:, 2, 2].sum(), rtol=0.05)

    def test_fish_sized_by_two_lines_err_together_by_brute_force(self):
        rng = np.random.default_rng(4)
        # Kinds: over both lines, between them, under both; each marked and unmarked.
        mean = np.array([[80.0, 40, 50, 30, 90, 60], [60, 30, 70, 40, 120, 50]])
        sample = CompositionSample(
            np.array([0, 1]), np.array([1, 1]), mean, np.zeros((2, 2)), {(0, 1): 1, (1, 1): 0}
        )
        of_class = sample.classes_of(sample.lines_of(sample.area, sample.week))
        assert of_class[0, 2].tolist() == [False, False, True, False, True, False]
        assert of_class[1, 0].tolist() == [True, False, True, False, False, False]
        member, base = np.ones((2, 2), dtype=bool), np.repeat(MARKED_BASE, 2, axis=0)
        weight = np.array([[100.0, 70.0]])
        said = class_ratios(mean, member, base, of_class).covariance(weight)[0]
        values = [
            (weight @ class_ratios(n, member, base, of_class).value)[0]
            for n in rng.poisson(mean, (4000, 2, 6))
        ]
        assert np.diag(said)[1:] == pytest.approx(np.diag(np.cov(np.array(values).T))[1:], rel=0.1)
        drawn_ = draw_classes(
            class_ratios(mean, member, base, of_class), weight, np.zeros((1, 5)), seed=3
        )
        assert drawn_.std(axis=0, ddof=1)[0, 1:] == pytest.approx(
            np.sqrt(np.diag(said)[1:]), rel=0.05
        )

    def test_damped_totals_of_many_small_pools_are_unbiased(self):
        rng = np.random.default_rng(3)
        mean = np.tile([9.0, 4, 20, 10], (12, 1))
        every = np.repeat(MARKED_BASE, 12, axis=0)
        values, spreads = [], []
        for _ in range(1500):
            n = rng.poisson(mean).astype(float)
            found = ratios_of(n, np.eye(12, dtype=bool), every)
            values.append((np.ones((1, 12)) @ found.value)[0])
            spreads.append(np.diag(found.covariance(np.ones((1, 12)))[0]))
        seen = np.array(values)[:, 2]
        assert seen.mean() == pytest.approx(12 * 20 / 9, rel=0.01)
        assert np.mean(spreads, axis=0)[2] == pytest.approx(seen.var(ddof=1), rel=0.12)


class TestDraws:
    N = np.array([[400.0, 250, 900, 500], [350, 300, 800, 450]])

    def drawn(self, seed=5, n=None, **given):
        n = self.N if n is None else n
        found = ratios_of(n, np.array([[1, 1], [0, 1]], bool), np.repeat(MARKED_BASE, 2, 0))
        weight = np.array([[500.0, 300.0]])
        cv = np.full((1, 5), 0.1)
        return found, weight, draw_classes(found, weight, cv, seed=seed, **given)

    def test_large_samples_agree_with_the_standard_error(self):
        found, weight, drawn_ = self.drawn()
        value = (weight @ found.value)[0]
        spread = np.diag(found.covariance(weight)[0]) + (0.1 * value) ** 2
        assert drawn_.mean(axis=0)[0] == pytest.approx(value, rel=0.01)
        assert drawn_.std(axis=0, ddof=1)[0] == pytest.approx(np.sqrt(spread), rel=0.04)
        half = 1.959964 * np.sqrt(spread) / value
        low, high = np.quantile(drawn_[:, 0], [0.025, 0.975], axis=0)
        assert low == pytest.approx(value * np.exp(-half), rel=0.02)
        assert high == pytest.approx(value * np.exp(half), rel=0.02)

    def test_draws_of_a_small_sample_keep_the_estimate_as_their_mean(self):
        small = np.array([[2.0, 2, 9, 5], [4, 3, 10, 4]])
        found, weight, drawn_ = self.drawn(n=small, n_draws=40_000)
        assert found.is_damped.all()
        assert drawn_.mean(axis=0)[0] == pytest.approx((weight @ found.value)[0], rel=0.02)

    def test_the_seed_is_all_of_the_chance(self):
        first, again, other = (self.drawn(seed, n_draws=500)[2] for seed in (5, 5, 6))
        assert (first == again).all()
        assert (first != other).all()


def week_days(*weeks):
    """Return two site-days of one boat each in each week, with the fish given."""
    return [
        SiteDay(
            1,
            [boat(kept, area=area)],
            site="r1" if area == "A" else "r2",
            date=MONDAY + dt.timedelta(days=7 * week + day),
        )
        for week, area, fish in weeks
        for day, kept in enumerate(fish)
    ]


def total(rows, quantity):
    return rows.loc[rows["quantity"] == quantity, "estimate"].sum()


class TestRows:
    def test_domains_add_up(self):
        days = week_days((0, "A", (3, 5)), (1, "A", (2, 6)), (0, "B", (4, 4)), (2, "B", (1, 7)))
        fish = [
            row
            for week, area, many in ((0, "A", MANY), (1, "A", FEW), (0, "B", FEW), (3, "B", MANY))
            for row in fish_of(many, area=area, week=week)
        ]
        snapshot = sampled_survey(
            days, fish, seasons=seasons("A", "B"), sites={"r1": "A", "r2": "B"}
        )
        levels = [("area", "week"), ("area",), ("week",), ("season",)]
        tables = [estimate_snapshot(snapshot, by=by, basis="sampled") for by in levels]
        for quantity in CLASSES:
            sums = [total(rows, quantity) for rows in tables]
            assert sums[0] > 0
            assert sums == pytest.approx([sums[0]] * 4)

    def test_kept_fish_and_legal_releases_make_the_base(self):
        boats = [boat(4, released_legal=2, released_legal_marked=1), boat(6)]
        row = figures(
            estimate_snapshot(sampled_survey(drawn(*boats), fish_of((20, 10, 40, 10)))), SM
        )
        assert row["estimate"] == pytest.approx(10 / 2 * (4 + 1 + 6) * 40 / 20)

    def test_legal_releases_whose_marks_nobody_reads_count_as_unmarked(self):
        boats = [boat(4, released_legal=2, released_legal_marked=None), boat(6)]
        row = figures(
            estimate_snapshot(sampled_survey(drawn(*boats), fish_of((20, 10, 40, 10)))), SM
        )
        assert row["estimate"] == pytest.approx(10 / 2 * (4 + 6) * 40 / 20)
        assert "releases_as_unmarked(areas=A)" in row["method"]

    def test_where_no_mark_is_read_at_the_ramp_all_legal_fish_are_the_base(self):
        boats = [interview(kept=4, released_legal=2), interview(kept=6)]
        rows = estimate_snapshot(sampled_survey(drawn(*boats), fish_of((20, 10, 45, 15))))
        legal = 10 / 2 * 12
        found = [figures(rows, name)["estimate"] for name in CLASSES]
        assert found == pytest.approx([legal * n / 30 for n in (20, 10, 45, 15)])
        words = "base_all_legal(areas=A)"
        assert words in figures(rows, SM)["method"]

    def test_sampled_rows_do_not_rest_on_sublegal_reports(self):
        boats = [boat(4, released_sublegal=10), boat(6, released_sublegal=3)]
        snapshot = sampled_survey(drawn(*boats), fish_of(MANY))
        plain, divided = (
            estimate_snapshot(one, basis="sampled")
            for one in (snapshot, divided_reports(snapshot, 2.2))
        )
        for name in CLASSES:
            assert figures(plain, name)["estimate"] == figures(divided, name)["estimate"]

    def test_the_user_names_the_method(self):
        boats = [boat(4, released_sublegal=10), boat(6, released_sublegal=3)]
        snapshot = sampled_survey(drawn(*boats), fish_of(MANY))
        found = {
            word: figures(estimate_snapshot(snapshot, basis=word), SU)
            for word in ("sampled", "reported")
        }
        assert found["sampled"]["method"].startswith("sampled_composition; ")
        assert found["reported"]["method"].startswith("reported_marks")
        assert found["reported"]["estimate"] == pytest.approx(10 / 2 * 13)
        with pytest.raises(UsageError, match="allowed are reported or sampled"):
            estimate_snapshot(snapshot, basis="guessed")

    def test_site_days_all_alike_leave_no_error_though_the_sample_has_one(self):
        row = figures(estimate_snapshot(sampled_survey(drawn(boat(5), boat(5)), fish_of(MANY))), SM)
        assert row["estimate"] > 0
        assert math.isnan(row["se"])
        assert row["method"].endswith("units_alike(unit=site-day)")

    def test_a_class_never_met_leaves_the_others_their_errors(self):
        boats = [boat(kept) for kept in (28, 12, 24, 16, 20)]
        rows = estimate_snapshot(sampled_survey(drawn(*boats), fish_of((30, 0, 42, 30))))
        found = {name: figures(rows, name) for name in CLASSES}
        assert found[LM]["se"] == pytest.approx(20)
        for name, n in ((SM, 42), (SU, 30)):
            cv2 = 0.1**2 + 1 / n + 1 / 30
            assert found[name]["se"] == pytest.approx(found[name]["estimate"] * math.sqrt(cv2))
        assert (found[LU]["estimate"], found[LU]["status"]) == (0, "zero_total")
        assert math.isnan(found[LU]["se"])

    def test_degrees_of_freedom_join_site_days_and_sampled_fish(self):
        boats = [boat(kept) for kept in (28, 12, 24, 16, 20)]
        rows = estimate_snapshot(sampled_survey(drawn(*boats), fish_of((30, 18, 42, 30))))
        assert figures(rows, LM)["df"] == 4
        survey, sample = 0.1**2, 1 / 42 + 1 / 30
        by_hand = (survey + sample) ** 2 / (survey**2 / 4 + sample**2 / 119)
        assert figures(rows, SM)["df"] == pytest.approx(by_hand)

    def test_lent_fish_are_sized_by_the_line_of_the_borrower(self):
        # A has no sample and a longer minimum than B, where 18 fish of 540 mm are legal.
        lengths = [540] * 18 + [600] * 6
        fish = [
            fish_of((1, 0, 0, 0), area="B")[0] | {"fish_id": f"b{k}", "total_length_mm": float(mm)}
            for k, mm in enumerate(lengths)
        ]
        opening = seasons("A") + seasons("B", min_length_mm=520.0)
        days = week_days((0, "A", (3, 5)), (0, "B", (4, 6)))
        sites = {"r1": "A", "r2": "B"}
        rows = estimate_snapshot(
            sampled_survey(days, fish, seasons=opening, sites=sites), by=("area",)
        )
        # A pool of 6 of the base is damped: 18/(6 + 1) sublegal for each legal fish.
        legal, sublegal = (figures(rows, name, area="A")["estimate"] for name in (LM, SM))
        assert sublegal / legal == pytest.approx(18 / 7)
        assert figures(rows, SM, area="B")["estimate"] == 0
        assert figures(rows, SM, area="A")["se"] > 0

    def test_an_area_without_a_minimum_has_no_sampled_classes(self):
        opening = seasons("A", min_length_mm=None) + seasons("B")
        days = week_days((0, "A", (3, 5)), (0, "B", (4, 6)))
        snapshot = sampled_survey(
            days, fish_of(MANY, area="B"), seasons=opening, sites={"r1": "A", "r2": "B"}
        )
        rows = estimate_snapshot(snapshot, by=("area",), basis="sampled")
        row = figures(rows, SM, area="A")
        assert math.isnan(row["estimate"])
        assert row["method"] == "no_minimum_length_in(areas=A)"
        assert figures(rows, SM, area="B")["estimate"] > 0

    def test_rules_and_bases_are_those_of_the_domain(self):
        days = week_days((0, "A", (3, 5)), (1, "A", (2, 6)), (0, "B", (4, 4)))
        for day in days[-2:]:
            day.interviews[0].update(kept_marked=None)
        fish = fish_of(MANY) + fish_of((5, 1, 2, 1), week=1) + fish_of(MANY, area="B")
        snapshot = sampled_survey(
            days, fish, seasons=seasons("A", "B"), sites={"r1": "A", "r2": "B"}
        )
        rows = estimate_snapshot(snapshot, by=("area",))
        first, second = (figures(rows, SM, area=area)["method"] for area in "AB")
        assert "base_legal_marked; sample_fish(n=34); " in first
        assert has_code(first, "test_fish_of_cells")
        assert "base_all_legal" not in first
        assert "base_all_legal(areas=B)" in second
        assert not has_code(second, "base_legal_marked")
        week = figures(estimate_snapshot(snapshot), SM, area="A", week="2031-W03")["method"]
        assert "test_fish_season" in week


def words_of(fish, *, boats=None, quantity=SM, **tables):
    """Return the row of a class as sampled, and as reported."""
    boats = boats or [boat(4, released_sublegal=2), boat(6, released_sublegal=1)]
    snapshot = sampled_survey(drawn(*boats), fish, **tables)
    return tuple(
        figures(estimate_snapshot(snapshot, by=("season",), basis=word), quantity)
        for word in ("sampled", "reported")
    )


DOCKSIDE = [row | {"source": "dockside"} for row in fish_of(MANY)]


@pytest.mark.parametrize(
    ("fish", "given", "why"),
    [
        (DOCKSIDE, {}, "no_test_fishing"),
        (
            fish_of(MANY),
            {"seasons": seasons("A", min_length_mm=None)},
            coded("no_minimum_length", n=25),
        ),
        (
            fish_of(MANY, marked=None),
            {},
            "no_mark_on_test_fish(n=25)",
        ),
        (
            fish_of((0, 4, 10, 3)),
            {},
            coded("none_legal_marked_sampled", n=17),
        ),
        (
            fish_of(MANY),
            {"boats": [boat(released_sublegal=2), boat(released_sublegal=1)]},
            coded("no_legal_fish"),
        ),
        (
            fish_of(MANY, week=30),
            {},
            "no_test_fishing_on_open_day(through=2031-W02)",
        ),
    ],
)
def test_what_cannot_be_sampled_is_said_in_words(fish, given, why):
    sampled, reported = words_of(fish, **given)
    assert (sampled["status"], sampled["method"]) == ("no_sample", why)
    assert math.isnan(sampled["estimate"])
    assert reported["estimate"] == pytest.approx(10 / 2 * 0)
    assert reported["method"].startswith("reported_marks")


def test_fish_of_unknown_length_or_mark_are_left_out_and_counted():
    fish = (
        fish_of(MANY)
        + fish_of((3, 0, 0, 0), total_length_mm=None)
        + fish_of((0, 2, 0, 0), marked=None, method="troll")
    )
    row = words_of(fish)[0]
    assert row["estimate"] == pytest.approx(50 * 10 / 11)
    assert coded("unknown_left_out", n=5) in map(str, parse(row["method"]))


def test_fish_without_a_place_are_counted_where_they_are_missed():
    lost = (
        fish_of((3, 0, 0, 0), area=None)
        + fish_of((0, 2, 0, 0), date=None)
        + fish_of((0, 0, 4, 0), week=-1)
    )
    row = words_of(fish_of(MANY) + lost)[0]
    assert row["estimate"] == pytest.approx(50 * 10 / 11)
    missed = [
        coded("no_area_left_out", n=3),
        coded("no_day_left_out", n=2),
        coded("outside_openings_left_out", n=4),
    ]
    assert "; ".join(missed) in row["method"]
    sampled, _ = words_of(lost)
    why = "; ".join([coded("no_test_fishing_on_open_day", through="2031-W02"), *missed])
    assert sampled["method"] == why


def test_releases_of_unknown_size_are_outside_the_base_and_counted():
    boats = [boat(4, released_unknown=3), boat(6, released_unknown=None)]
    row = words_of(fish_of(MANY), boats=boats)[0]
    assert row["estimate"] == pytest.approx(50 * 10 / 11)
    assert coded("unknown_size_not_in_base", n=15) in map(str, parse(row["method"]))


def test_the_ratio_of_all_met_counts_releases_of_unknown_size():
    # Unknown releases follow kept fish in every boat: the interviews' error cancels in the ratio.
    boats = [boat(kept, released_unknown=3 * kept) for kept in (28, 12, 24, 16, 20)]
    snapshot = sampled_survey(drawn(*boats), fish_of((30, 18, 42, 30)))
    _, compared = composition_tables(prepare_survey(snapshot), n_draws=20)
    rows = compared.to_pandas()
    row = figures(rows[rows["area"].isna() & rows["week"].isna()], "encounter_fish")
    assert row["ratio"] == pytest.approx(120 / 30 / 4)
    half = t_quantile(0.95, 119) * math.sqrt((1 - 0.25) / (120 * 0.25))
    assert row["ci_low"] == pytest.approx(row["ratio"] * math.exp(-half))
    assert row["ci_high"] == pytest.approx(row["ratio"] * math.exp(half))
