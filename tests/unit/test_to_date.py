"""Totals so far as draws: means and errors of the result rows, and what moves together."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from analytics.catch_limits import TOTALS
from analytics.codes import coded, has_code, parse, sentences
from analytics.estimates.season_survey import prepare_survey
from analytics.fish.mark_composition import CLASSES
from analytics.outlook.season_days import AFTER_CLOSE, season_calendar
from analytics.outlook.to_date_draws import (
    PART_QUANTITIES,
    area_rows,
    joint_parts,
    rows_by_area,
    to_date_draws,
)
from analytics.propagation import (
    FURTHEST,
    log_covariance,
    normal_draws,
    scaled_exp,
    tail_draws,
)
from tests.tables import MONDAY, SiteDay, interview, survey
from tests.unit.test_standing import limit, season_of

N_DRAWS = 20_000


@pytest.fixture(scope="module")
def made():
    snapshot = season_of([limit()])
    season = prepare_survey(snapshot)
    rows = rows_by_area(area_rows(season))
    drawn = to_date_draws(season, rng=np.random.default_rng(3), n_draws=N_DRAWS)
    return snapshot, season, rows, drawn


def wider(rows, area) -> float:
    """Return by how much Student's t of an area is wider than the normal law."""
    df = rows[area, "encounter_fish"]["df"]
    return float(np.sqrt(df / (df - 2)))


class TestJointParts:
    def test_each_area_has_the_total_and_error_of_its_row(self, made):
        _, season, rows, _ = made
        joint = joint_parts(season)
        for place, area in enumerate(joint.areas):
            for part, name in enumerate(PART_QUANTITIES):
                row = rows[area, name]
                assert joint.total[place, :, part].sum() == pytest.approx(row["estimate"])
                if row["se"] is not None:
                    found = joint.by_area[place, part, place, part]
                    assert found == pytest.approx(row["se"] ** 2)

    def test_all_areas_have_the_error_of_the_season(self, made):
        _, season, rows, _ = made
        joint = joint_parts(season)
        for part, name in enumerate(PART_QUANTITIES[:4]):
            found = joint.by_area[:, part, :, part].sum()
            assert found == pytest.approx(rows[None, name]["se"] ** 2)

    def test_boats_of_one_site_day_in_two_areas_move_against_each_other(self, made):
        _, season, _, _ = made
        joint = joint_parts(season)
        assert joint.by_area[0, 0, 1, 0] < 0

    def test_methods_are_apart_and_one_not_told_is_the_empty_string(self):
        boats = [
            interview(method="trolling", kept=2),
            interview(method=None, kept=1, released_deep_hooked=0),
            interview(method="mooching", kept=1, released_legal=4, released_deep_hooked=1),
        ]
        days = [SiteDay(3, boats, date=MONDAY), SiteDay(3, boats, date=MONDAY.replace(day=8))]
        snapshot = survey(days)
        season = prepare_survey(snapshot)
        joint = joint_parts(season)
        assert set(joint.methods) == {"", "mooching", "trolling"}
        kept = dict(zip(joint.methods, joint.total[0, :, 1], strict=True))
        assert kept["trolling"] == pytest.approx(2 * kept["mooching"])
        assert kept["trolling"] == pytest.approx(2 * kept[""])
        at = joint.methods.index("mooching")
        assert joint.deep[0, at] / joint.known[0, at] == pytest.approx(0.25)
        drawn = to_date_draws(season, rng=np.random.default_rng(1), n_draws=50)
        assert drawn.deep_hook_share[:, 0, at] == pytest.approx(0.25)
        assert np.isnan(drawn.deep_hook_share[:, 0, joint.methods.index("trolling")]).all()


class TestDraws:
    @pytest.mark.parametrize("quantity", TOTALS)
    def test_means_are_those_of_the_rows(self, made, quantity):
        _, _, rows, drawn = made
        for place, area in enumerate(drawn.areas):
            found = drawn.to_date[quantity][:, place].mean()
            assert found == pytest.approx(rows[area, quantity]["estimate"])

    @pytest.mark.parametrize("quantity", TOTALS)
    def test_spreads_are_the_errors_of_the_rows(self, made, quantity):
        # Student's t is wider than the normal by the root of df/(df - 2); 20,000 draws tell a
        # spread to 1 %, and the log of the total to a few.
        _, _, rows, drawn = made
        for place, area in enumerate(drawn.areas):
            widening = wider(rows, area)
            row, spread = rows[area, quantity], drawn.to_date[quantity][:, place].std()
            if row["se"] is None:  # none was seen
                assert (row["estimate"], spread) == (0.0, 0.0)
                continue
            # The rates of death are not wider; a class with less error than its part has that of
            # its part.
            low = 0.93 / widening if "deaths" in quantity else 0.93
            high = 1.25 if quantity in CLASSES else 1.07
            assert low < spread / (row["se"] * widening) < high

    @pytest.mark.parametrize("quantity", ["angler_trips", "kept_fish", "total_deaths_fish"])
    def test_areas_together_have_the_error_of_the_season(self, made, quantity):
        _, _, rows, drawn = made
        found = drawn.to_date[quantity].sum(axis=1).std()
        apart = [(rows[area, quantity]["se"], wider(rows, area)) for area in drawn.areas]
        widening = np.sqrt(
            sum((se * one) ** 2 for se, one in apart) / sum(se**2 for se, _ in apart)
        )
        assert found == pytest.approx(rows[None, quantity]["se"] * widening, rel=0.07)

    def test_parts_add_up_draw_by_draw(self, made):
        *_, drawn = made
        whole = drawn.by_method.sum(axis=2)
        for place, name in enumerate(PART_QUANTITIES):
            assert drawn.to_date[name] == pytest.approx(whole[..., place])
        assert drawn.to_date["encounter_fish"] == pytest.approx(whole[..., 1:].sum(axis=-1))
        assert drawn.to_date["total_deaths_fish"] == pytest.approx(
            sum(
                drawn.to_date[one]
                for one in ("kept_fish", "release_deaths_fish", "drop_off_deaths_fish")
            )
        )

    def test_one_rate_kills_in_all_areas_alike(self, made):
        *_, drawn = made
        per_fish = drawn.to_date["drop_off_deaths_fish"] / drawn.to_date["encounter_fish"]
        assert per_fish.std(axis=0) == pytest.approx(0.01, rel=0.05)
        # Each area's mean is that of its row: the same rate but for the luck of the draws.
        assert per_fish[:, 0] == pytest.approx(per_fish[:, 1], rel=1e-3)

    def test_marked_and_unmarked_fish_together_have_the_error_of_their_part(self, made):
        *_, drawn = made
        legal = drawn.to_date["kept_fish"] + drawn.to_date["released_legal_fish"]
        both = sum(drawn.to_date[name] for name in list(CLASSES)[:2])
        assert both.mean(axis=0) == pytest.approx(legal.mean(axis=0))
        assert both.std(axis=0) == pytest.approx(legal.std(axis=0), rel=0.15)

    def test_the_same_seed_gives_the_same_draws(self, made):
        _, season, _, drawn = made
        again = to_date_draws(season, rng=np.random.default_rng(3), n_draws=N_DRAWS)
        for name in TOTALS:
            np.testing.assert_array_equal(drawn.to_date[name], again.to_date[name])


class TestGaps:
    @staticmethod
    def drawn(snapshot):
        season = prepare_survey(snapshot)
        found = to_date_draws(season, rng=np.random.default_rng(1), n_draws=200)
        return found, rows_by_area(area_rows(season))

    def test_a_quantity_nobody_recorded_has_no_draws_and_a_reason(self):
        boats = [interview(kept=1, released_legal=None, released_sublegal=None) for _ in range(3)]
        days = [SiteDay(5, boats, date=MONDAY.replace(day=day)) for day in (6, 7, 8)]
        found, _ = self.drawn(survey(days))
        assert np.isnan(found.to_date["released_legal_fish"]).all()
        assert np.isnan(found.to_date["encounter_fish"]).all()
        assert has_code(found.missing["A", "released_legal_fish"], "not_recorded")
        assert found.to_date["kept_fish"].mean() > 0

    def test_no_rates_no_deaths(self):
        days = [SiteDay(5, [interview(kept=1)] * 3, date=MONDAY.replace(day=d)) for d in (6, 7, 8)]
        found, _ = self.drawn(survey(days))
        assert np.isnan(found.to_date["release_deaths_fish"]).all()
        assert has_code(found.missing["A", "release_deaths_fish"], "no_release_rates")
        why = "no_release_rates; no_drop_off_rates"
        total = coded("total_not_given", areas=["A"], totals=["total_deaths_fish"], rule=why)
        assert total in found.assumed

    def test_an_estimate_without_an_error_is_drawn_without_one_and_said(self):
        found, rows = self.drawn(survey([SiteDay(5, [interview(kept=1)] * 3)]))
        assert rows["A", "kept_fish"]["se"] is None
        kept = found.to_date["kept_fish"][:, 0]
        assert kept == pytest.approx(rows["A", "kept_fish"]["estimate"])
        (code,) = parse(next(one for one in found.assumed if has_code(one, "drawn_without_error")))
        assert code["area"] == "A" and "kept_fish" in code["totals"].split("|")

    @pytest.mark.parametrize("told_deep", [0, 3])
    def test_areas_that_do_not_add_up_to_all_areas_are_told(self, told_deep):
        boats = {  # Told of half of the releases in A, of all in B.
            "r1": [interview(released_sublegal=4, released_deep_hooked=None)],
            "r2": [interview(area="B", released_sublegal=4, released_deep_hooked=0)],
        }
        boats["r1"].append(interview(released_sublegal=4, released_deep_hooked=told_deep))
        days = [
            SiteDay(len(mine), mine, site=site, date=MONDAY + dt.timedelta(days=n))
            for n in (0, 1)
            for site, mine in boats.items()
        ]
        rates = [
            {"size_class": "any", "method": "any", "wound_class": wound, "rate_prop": prop}
            for wound, prop in (("shallow", 0.1), ("deep", 0.6), ("any", 0.2))
        ]
        snapshot = survey(days, sites={"r1": "A", "r2": "B"}, release_rates=rates)
        found, rows = self.drawn(snapshot)
        cells = [one for one in found.assumed if has_code(one, "draws_sum_areas")]
        name = "release_deaths_fish"
        parts = found.to_date[name].sum(axis=1).mean()
        assert parts == pytest.approx(sum(rows[area, name]["estimate"] for area in "AB"))
        if told_deep:
            whole = rows[None, name]["estimate"]
            codes = {one["total"]: one for one in parse(cells[0])[1:]}
            assert codes[name]["areas_sum"] == f"{parts:.1f}"
            assert codes[name]["of_all"] == f"{whole:.1f}"
            assert "Release deaths: " in sentences(cells[0])
            assert whole != pytest.approx(parts, rel=0.01)
        else:
            assert cells == []

    def test_no_fish_at_all_is_no_fish_in_every_draw(self):
        days = [SiteDay(5, [interview()] * 3, date=MONDAY.replace(day=day)) for day in (6, 7, 8)]
        found, _ = self.drawn(survey(days))
        for name in ("kept_fish", "encounter_fish", "encounter_legal_marked_fish"):
            assert (found.to_date[name] == 0).all()
        assert all(np.isnan(one).all() for one in found.class_per_fish.values())


class TestLognormal:
    def test_means_and_covariance_come_back(self):
        mean, cov = np.array([100.0, 40.0, 0.0]), np.zeros((3, 3))
        cov[:2, :2] = [[400.0, -60.0], [-60.0, 64.0]]
        rng = np.random.default_rng(2)
        drawn = scaled_exp(normal_draws(log_covariance(mean, cov), rng=rng, n_draws=400_000), mean)
        assert drawn.mean(axis=0) == pytest.approx(mean)
        assert np.cov(drawn[:, :2].T) == pytest.approx(cov[:2, :2], rel=0.02)
        assert (drawn[:, 2] == 0).all()

    def test_a_covariance_that_cannot_be_keeps_its_variances(self):
        cov = np.array([[1.0, 0.9, -0.9], [0.9, 1.0, 0.9], [-0.9, 0.9, 1.0]])
        found = log_covariance(np.full(3, 10.0), cov)
        assert np.linalg.eigvalsh(found).min() > -1e-12
        assert np.diag(found) == pytest.approx(np.log1p(np.full(3, 0.01)))

    def test_few_degrees_of_freedom_widen_and_never_beyond_the_furthest(self):
        rng = np.random.default_rng(4)
        spread = np.array([[0.3**2]])
        tail = tail_draws(1.0, rng=rng, n_draws=20_000)
        wide = normal_draws(spread, rng=rng, n_draws=20_000) * tail[:, None]
        assert np.quantile(np.abs(wide), 0.9) > 2 * 0.3
        drawn = scaled_exp(wide, np.array([100.0]))
        assert drawn.max() / drawn.min() <= FURTHEST**2 * (1 + 1e-9)
        assert drawn.mean() == pytest.approx(100.0)


class TestHorizon:
    @staticmethod
    def horizon(snapshot, through, areas=("A",)):
        return season_calendar(snapshot, season="2030-31", through=through, areas=areas)

    def test_it_runs_from_the_day_after_to_a_sunday_past_the_last_close(self):
        found = self.horizon(survey([]), "2031-W04")
        assert str(found.through) == "2031-01-26"
        assert str(found.days[0]) == "2031-01-27"
        last = found.days[-1].astype(object)
        close = found.planned_close(("A",))
        assert last.isoweekday() == 7
        assert AFTER_CLOSE <= (last - close).days < AFTER_CLOSE + 7
        assert found.weeks[0] == "2031-W05"
        assert (np.diff(found.week) >= 0).all()
        assert found.rules.is_open[0].sum() == (close - found.through).days

    def test_it_is_a_year_at_most(self):
        opening = {"season": "2030-31", "area": "A", "open_date": MONDAY}
        weeks = {}
        for n_days in (280, 700):
            seasons = [opening | {"close_date": MONDAY + dt.timedelta(days=n_days - 1)}]
            found = self.horizon(survey([], seasons=seasons), "2031-W02")
            weeks[n_days] = len(found.weeks)
        # 40 weeks, of which one is over, and four past the close.
        assert weeks == {280: 43, 700: 53}

    def test_rules_are_those_of_the_opening_or_of_the_nearest(self):
        opens = [(6, 12, 2, True), (25, 31, 1, None)]
        seasons = [
            {
                "season": "2030-31",
                "area": "A",
                "open_date": MONDAY.replace(day=one),
                "close_date": MONDAY.replace(day=other),
                "daily_limit_fish": most,
                "mark_selective": marks,
                "min_length_mm": None,
            }
            for one, other, most, marks in opens
        ]
        found = self.horizon(survey([], seasons=seasons), "2031-W02", areas=("A", "Z"))
        limits = found.rules.daily_limit_fish[0]
        assert limits[:6].tolist() == [2.0] * 6  # 13 to 18 January: nearer to the first
        assert limits[6:25].tolist() == [1.0] * 19
        assert found.rules.is_mark_selective[0, 0]
        assert not found.rules.is_mark_selective[0, 12]
        assert np.isnan(found.rules.min_length_mm).all()
        assert found.rules.is_open[0, :19].tolist() == [False] * 12 + [True] * 7
        assert found.rules_to_date.daily_limit_fish[:, 0].tolist()[0] == 2.0
        assert not found.rules.is_open[1].any()
        assert np.isnan(found.rules.daily_limit_fish[1]).all()

    @pytest.mark.parametrize(
        ("begins", "is_running"), [(4, True), (13, True), (14, False), (18, False)]
    )
    def test_an_opening_of_weekends_runs_from_its_own_first_day(self, begins, is_running):
        opening = {
            "season": "2030-31",
            "area": "A",
            "open_date": MONDAY.replace(day=begins),
            "close_date": MONDAY.replace(month=3, day=30),
            "open_weekdays": "67",
        }
        found = self.horizon(survey([], seasons=[opening]), "2031-W02")  # through 12 January
        assert np.flatnonzero(found.rules.is_open[0]).tolist()[:3] == [5, 6, 12]
        assert found.rules_to_date.is_open[0, 0] == is_running


@pytest.mark.parametrize("seed", range(5))
def test_draws_follow_a_change_of_the_last_digit_by_as_much(seed):
    rng = np.random.default_rng(seed)
    half = rng.standard_normal((12, 5))
    # Alike eigenvalues, and as many of none.
    cov = 0.04 * np.linalg.qr(half)[0] @ np.linalg.qr(half)[0].T
    other = cov * (1 + 1e-15 * rng.standard_normal(cov.shape))
    one, two = (
        normal_draws((each + each.T) / 2, rng=np.random.default_rng(1), n_draws=500)
        for each in (cov, other)
    )
    np.testing.assert_allclose(one, two, atol=1e-9)
    assert np.cov(one.T) == pytest.approx(cov, abs=0.03)
    # Vectors times roots of eigenvalues alone give the same covariance, but not the same draws.
    parts = [np.linalg.eigh((each + each.T) / 2) for each in (cov, other)]
    roots = [vectors * np.sqrt(np.maximum(size, 0)) for size, vectors in parts]
    assert np.abs(roots[0] - roots[1]).max() > 1e-3
