"""Standing against limits: which total, which error, which limit binds, and words for the rest."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest

from analytics.catch_limits import FISH_TOTALS, TOTALS, split_list, why_no_sum
from analytics.codes import coded, has_code, sections
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.intervals import log_t
from analytics.options.baseline_io import from_table
from analytics.outlook.build import limit_tables, with_binding
from analytics.outlook.limit_totals import NOT_OPEN_YET, LimitTotals
from analytics.outlook.schemas import OUTLOOK_SCHEMAS, TOPICS
from analytics.outlook.to_date_draws import area_rows, rows_by_area
from analytics.settings import EstimationSettings, FishBasis
from tests.class_cases import fish_of
from tests.tables import MONDAY, SiteDay, interview, survey

N_WEEKS = 3
SEASON_DAYS = 70
SITES = {"r1": "A", "r2": "B"}
RATES = [
    {
        "size_class": "legal",
        "method": "any",
        "wound_class": "any",
        "rate_prop": 0.1,
        "rate_se": 0.02,
    },
    {
        "size_class": "sublegal",
        "method": "any",
        "wound_class": "any",
        "rate_prop": 0.2,
        "rate_se": 0.04,
    },
]
DROP_OFF = [{"method": "any", "rate_prop": 0.05, "rate_se": 0.01, "base": "encounters"}]


def limit(name="L1", areas="A", quantity="kept_fish", fish=100.0, season="2030-31"):
    return {
        "limit_id": name,
        "season": season,
        "areas": areas,
        "quantity": quantity,
        "limit_fish": fish,
    }


def season_of(limits, *, last=SEASON_DAYS - 1, more=(), sites=None):
    """Return a season of two areas, three weeks of it sampled; boats of r1 fish in both."""
    rng = np.random.default_rng(7)
    days = []
    for number in range(7 * N_WEEKS):
        if number % 7 not in (0, 2, 5, 6):
            continue
        for site, area in SITES.items():
            boats = [
                interview(
                    area=rng.choice(["A", "B"]) if site == "r1" else area,
                    anglers=int(rng.integers(1, 4)),
                    hours_fished=5.0,
                    kept=int(rng.poisson(1.0)),
                    kept_marked=0,
                    released_legal=int(rng.poisson(0.5)),
                    released_legal_marked=0,
                    released_sublegal=int(rng.poisson(3.0)),
                    released_sublegal_marked=0,
                    method="trolling",
                )
                for _ in range(4)
            ]
            for boat in boats:
                for part in ("kept", "released_legal", "released_sublegal"):
                    boat[f"{part}_marked"] = int(rng.binomial(boat[part], 0.6))
            day = MONDAY + dt.timedelta(days=number)
            days.append(SiteDay(int(rng.integers(5, 12)), boats, site=site, date=day))
    close = MONDAY + dt.timedelta(days=last)
    seasons = [
        {
            "season": "2030-31",
            "area": area,
            "open_date": MONDAY,
            "close_date": close,
            "daily_limit_fish": 2,
            "min_length_mm": 559.0,
            "mark_selective": False,
        }
        for area in ("A", "B")
    ]
    return survey(
        days,
        sites=sites or SITES,
        seasons=[*seasons, *more],
        limits=limits,
        release_rates=[one | {"source": None} for one in RATES],
        drop_off=[one | {"source": None} for one in DROP_OFF],
    )


@pytest.fixture(scope="module")
def prepared():
    snapshot = season_of([limit()])
    season = prepare_survey(snapshot)
    rows = rows_by_area(area_rows(season))
    return season, rows, LimitTotals(season, rows, level=0.95)


def tables_of(limits, **given):
    snapshot = season_of(limits, **given)
    found = limit_tables(prepare_survey(snapshot), {}, level=0.95, n_draws=400)
    assert {name: table.schema for name, table in found.items()} == OUTLOOK_SCHEMAS
    return found, {row["limit_id"]: row for row in found["limit_status"].to_pylist()}


class TestSums:
    @pytest.mark.parametrize("quantity", TOTALS)
    @pytest.mark.parametrize("areas", [("A",), ("A", "B")], ids=["one area", "all areas"])
    def test_one_quantity_of_one_area_or_all_is_its_result_row(self, prepared, quantity, areas):
        _, rows, sums = prepared
        row = rows[None if len(areas) > 1 else "A", quantity]
        found = sums.of(areas, (quantity,))
        for name in ("estimate", "se", "ci_low", "ci_high", "df", "status", "method"):
            assert getattr(found, name) == row[name]

    @pytest.mark.parametrize("quantity", ["kept_fish", "angler_trips", "total_deaths_fish"])
    def test_a_sum_over_all_areas_has_the_error_of_the_season_row(self, prepared, quantity):
        _, rows, sums = prepared
        found = sums._sum(("A", "B"), (quantity,))
        assert found.estimate == pytest.approx(rows[None, quantity]["estimate"], rel=1e-9)
        assert found.se == pytest.approx(rows[None, quantity]["se"], rel=1e-6)
        apart = math.hypot(rows["A", quantity]["se"], rows["B", quantity]["se"])
        if quantity == "total_deaths_fish":  # areas share their rates
            assert found.se > apart

    def test_parts_of_encounters_sum_to_the_row_of_encounters(self, prepared):
        _, rows, sums = prepared
        parts = ("kept_fish", "released_fish")
        found, row = sums.of(("A",), parts), rows["A", "encounter_fish"]
        for name in ("estimate", "se"):
            assert getattr(found, name) == pytest.approx(row[name], rel=1e-9)
        # A row of an area borrows from all strata; a sum has its own error alone.
        ends = log_t(row["estimate"], row["se"], df=found.df, level=0.95)
        assert (found.ci_low, found.ci_high) == pytest.approx(ends, rel=1e-9)

    def test_parts_of_deaths_sum_to_the_row_of_deaths(self, prepared):
        _, rows, sums = prepared
        parts = ("kept_fish", "release_deaths_fish", "drop_off_deaths_fish")
        found, row = sums.of(("A",), parts), rows["A", "total_deaths_fish"]
        for name in ("estimate", "se"):
            assert getattr(found, name) == pytest.approx(row[name], rel=1e-9)
        # A row of an area borrows from all strata; a sum has its own error alone.
        ends = log_t(row["estimate"], row["se"], df=found.df, level=0.95)
        assert (found.ci_low, found.ci_high) == pytest.approx(ends, rel=1e-9)

    def test_all_classes_sum_to_encounters_of_known_size(self, prepared):
        _, rows, sums = prepared
        names = tuple(one for one in FISH_TOTALS if one.startswith("encounter_") and "legal" in one)
        found, row = sums.of(("A",), names), rows["A", "encounter_fish"]
        assert found.estimate == pytest.approx(row["estimate"], rel=1e-9)
        assert found.se == pytest.approx(row["se"], rel=1e-6)

    def test_a_mix_without_a_joint_error_says_so(self, prepared):
        _, rows, sums = prepared
        found = sums.of(("A",), ("released_legal_fish", "drop_off_deaths_fish"))
        assert found.se is None
        assert found.ci_low is None
        assert has_code(found.method, "no_joint_error")
        both = rows["A", "released_legal_fish"], rows["A", "drop_off_deaths_fish"]
        assert found.estimate == pytest.approx(sum(row["estimate"] for row in both))

    def test_an_area_not_open_yet_holds_no_fish_and_says_so(self, prepared):
        _, _, sums = prepared
        found = sums.of(("Z",), ("kept_fish",))
        assert (found.estimate, found.method) == (0.0, NOT_OPEN_YET)
        assert sums.of(("A", "Z"), ("kept_fish",)) == sums.of(("A",), ("kept_fish",))

    def test_a_withheld_area_is_named_and_the_rest_told(self, prepared):
        season, rows, _ = prepared
        withheld = rows["B", "kept_fish"] | {
            "estimate": None,
            "se": None,
            "status": "no_sample",
            "method": "why",
        }
        # A third area keeps the two from being all of the season.
        third = {("C", name): rows["A", name] for name in TOTALS}
        sums = LimitTotals(season, rows | third | {("B", "kept_fish"): withheld}, level=0.95)
        found = sums.of(("A", "B"), ("kept_fish",))
        assert found.estimate == rows["A", "kept_fish"]["estimate"]
        assert found.status == "no_sample"
        assert found.method.endswith("; without_total(areas=B); why")
        alone = sums.of(("B",), ("kept_fish",))
        assert (alone.estimate, alone.reason) == (None, "why")


class TestTables:
    def test_a_limit_is_told_with_outlook_and_fan(self):
        found, rows = tables_of([limit(fish=400), limit("L2", "A;B", "total_deaths_fish", 1e6)])
        row = rows["L1"]
        assert row["is_binding"] and not rows["L2"]["is_binding"]
        assert row["is_preliminary"]
        assert row["through"] == MONDAY + dt.timedelta(days=7 * N_WEEKS - 1)
        assert row["planned_close"] == MONDAY + dt.timedelta(days=SEASON_DAYS - 1)
        assert row["share_used"] == row["estimate"] / 400
        assert row["projected_total_low"] < row["projected_total"] < row["projected_total_high"]
        assert row["estimate"] < row["projected_total"]
        assert rows["L2"]["prob_exceeded_by_close"] == 0
        assert rows["L2"]["exceedance_date_p10"] is None
        fan = [one for one in found["limit_paths"].to_pylist() if one["limit_id"] == "L1"]
        past = [one for one in fan if not one["is_projected"]]
        assert len(past) == N_WEEKS
        assert past[-1]["estimate"] == pytest.approx(row["estimate"])
        assert past[-1]["day"] == row["through"]
        ahead = [one for one in fan if one["is_projected"]]
        assert ahead[0]["day"] == row["through"] + dt.timedelta(days=7)
        assert ahead[-1]["estimate"] == pytest.approx(row["projected_total"], rel=1e-5)
        for one in ahead:
            names = ("q025", "q10", "q25", "q50", "q75", "q90", "q975")
            assert sorted(one[name] for name in names) == [one[name] for name in names]

    def test_draws_come_back_as_the_ground_of_options(self):
        found, rows = tables_of([limit()])
        baseline = from_table(found["draws"])
        assert baseline.through == rows["L1"]["through"]
        assert baseline.to_date["kept_fish"][:, 0].mean() == pytest.approx(
            rows["L1"]["estimate"], rel=1e-5
        )

    def test_a_season_that_is_over_is_final_and_has_no_days_to_come(self):
        found, rows = tables_of([limit(fish=100)], last=7 * N_WEEKS - 3)
        row = rows["L1"]
        assert not row["is_preliminary"]
        assert row["through"] == row["planned_close"] == MONDAY + dt.timedelta(days=7 * N_WEEKS - 3)
        assert row["prob_exceeded_by_close"] == row["prob_exceeded_to_date"]
        assert row["projected_total"] == pytest.approx(row["estimate"], rel=1e-5)
        assert not any(one["is_projected"] for one in found["limit_paths"].to_pylist())
        assert len(from_table(found["draws"]).days) == 0

    def test_a_limit_of_0_is_passed_by_the_first_fish_and_has_no_share(self):
        _, rows = tables_of([limit(fish=0), limit("L2", fish=1e6)])
        row = rows["L1"]
        assert (row["share_used"], row["prob_exceeded_to_date"], row["is_binding"]) == (
            None,
            1.0,
            True,
        )
        assert row["fish_remaining"] == -row["estimate"]
        assert has_code(row["method"], "limit_of_zero")

    def test_what_cannot_be_told_is_told_in_words(self):
        areas = {"r1": "A", "r2": "B", "r3": "C", "r4": "D"}
        opens = MONDAY + dt.timedelta(days=28)
        later = {"season": "2030-31", "area": "D", "open_date": opens}
        later["close_date"] = opens + dt.timedelta(days=20)
        limits = [
            limit("never", "C"),
            limit("some", "A;C"),
            limit("ratio", quantity="sublegal_prop"),
            limit("later", "D"),
            limit("elsewhere", season="2029-30"),
            limit("unread", quantity="released_unknown_fish"),
        ]
        _, rows = tables_of(limits, sites=areas, more=[later])
        assert "elsewhere" not in rows
        never = coded("areas_never_open", areas="C", season="2030-31")
        assert rows["never"]["reason"] == never
        assert rows["never"]["estimate"] is None
        assert never in rows["some"]["method"].split("; ")
        assert rows["some"]["prob_exceeded_by_close"] is not None
        assert has_code(rows["ratio"]["reason"], "no_total")
        assert (rows["later"]["estimate"], rows["later"]["se"]) == (0.0, None)
        assert rows["later"]["method"] == NOT_OPEN_YET
        assert rows["later"]["planned_close"] == opens + dt.timedelta(days=20)
        assert rows["later"]["reason"] == "no_outlook; nothing_to_come(areas=D)"
        assert rows["unread"]["estimate"] == 0
        for row in rows.values():
            assert bool(row["reason"]) == (
                row["estimate"] is None or row["prob_exceeded_by_close"] is None
            )
            assert not any(isinstance(one, float) and math.isnan(one) for one in row.values())

    @pytest.mark.parametrize(
        ("boats", "boat", "opening", "estimate", "said"),
        [
            (5, {"kept": 1}, {"design": "opportunistic"}, None, "no_totals_from_convenience"),
            (0, None, {}, 0.0, "nothing_to_come(areas=A)"),
            (4, None, {}, None, "not_recorded(columns=kept)"),
            (5, {"kept": 1, "anglers": None}, {}, 35.0, "nothing_to_come(areas=A)"),
            (5, {"kept": 1, "released_legal": None}, {}, 35.0, "nothing_to_come(areas=A)"),
        ],
        ids=["convenience", "no boats", "boats and no interview", "no anglers", "no releases"],
    )
    def test_a_season_that_tells_little_says_why(self, boats, boat, opening, estimate, said):
        told = [] if boat is None else [interview(**boat)] * 3
        days = [SiteDay(boats, told, date=MONDAY + dt.timedelta(days=one)) for one in range(3)]
        close = MONDAY + dt.timedelta(days=9)
        seasons = [{"season": "2030-31", "area": "A", "open_date": MONDAY, "close_date": close}]
        seasons = [one | opening for one in seasons]
        snapshot = survey(days, seasons=seasons, limits=[limit(fish=40)])
        found = limit_tables(prepare_survey(snapshot), {}, level=0.95, n_draws=50)
        (row,) = found["limit_status"].to_pylist()
        # Five fish a day over the seven days of the week that was sampled.
        assert row["estimate"] == estimate
        assert row["prob_exceeded_by_close"] is None
        assert said in row["reason"].split("; ")

    def test_a_season_without_limits_keeps_its_draws(self):
        found, rows = tables_of([])
        assert not rows
        assert found["limit_paths"].num_rows == 0
        assert from_table(found["draws"]).areas == ("A", "B")


class TestBinding:
    @staticmethod
    def row(**given):
        plain = {
            "estimate": 1.0,
            "exceedance_date_p50": None,
            "prob_exceeded_by_close": 0.0,
            "share_used": 0.1,
        }
        return plain | {"prob_exceeded_to_date": 0.0} | given

    def names(self, **rows):
        found = with_binding([row | {"limit_id": name} for name, row in rows.items()])
        return [row["limit_id"] for row in found if row["is_binding"]]

    def test_the_earliest_date_comes_before_chance_and_share(self):
        early = self.row(
            exceedance_date_p50=dt.date(2031, 2, 1), prob_exceeded_by_close=0.5, share_used=0.1
        )
        late = self.row(
            exceedance_date_p50=dt.date(2031, 3, 1), prob_exceeded_by_close=0.9, share_used=0.9
        )
        chance = self.row(prob_exceeded_by_close=0.49, share_used=2.0)
        assert self.names(late=late, early=early, chance=chance) == ["early"]
        assert self.names(late=late, chance=chance) == ["late"]

    def test_the_highest_chance_comes_before_the_share(self):
        assert self.names(
            a=self.row(prob_exceeded_by_close=0.1, share_used=0.9),
            b=self.row(prob_exceeded_by_close=0.2),
        ) == ["b"]

    def test_the_share_decides_where_none_is_passed(self):
        assert self.names(a=self.row(share_used=0.2), b=self.row(share_used=0.3)) == ["b"]

    def test_no_total_never_binds(self):
        assert self.names(a=self.row(estimate=None, share_used=None)) == []


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("kept_fish", ""),
        ("encounter_legal_unmarked_fish;encounter_sublegal_unmarked_fish", ""),
        ("kept_fish;release_deaths_fish", ""),
        ("", "no_quantity_named"),
        ("fish", "quantity_unknown(quantity=fish)"),
        ("sublegal_prop", "no_total(quantity=sublegal_prop)"),
        ("angler_trips;kept_fish", "not_in_fish(quantity=angler_trips)"),
        (
            "encounter_fish;encounter_legal_marked_fish",
            "counted_twice(quantities=encounter_fish|encounter_legal_marked_fish)",
        ),
        (
            "released_fish;total_deaths_fish",
            "counted_twice(quantities=released_fish|total_deaths_fish)",
        ),
    ],
)
def test_what_may_be_summed(text, code):
    assert why_no_sum(split_list(text)) == code


def test_topics_are_codes_for_every_section_of_assumptions():
    titles = {one for one in sections() if one.startswith("Assumptions: ")}
    assert set(TOPICS.values()) == titles
    found, _ = tables_of([limit()])
    assert set(found["assumptions"]["topic"].to_pylist()) <= set(TOPICS)


def test_on_the_sampled_basis_projections_are_of_reports_and_say_so():
    limits = [limit("kept"), limit("back", quantity="released_sublegal_fish", fish=900.0)]
    plain = season_of(limits)
    fish = [row for area in ("A", "B") for row in fish_of((12, 8, 30, 20), area=area)]
    tables = {name: plain[name] for name in plain.tables}
    tables["fish"] = pa.Table.from_pylist(fish, TABLES["fish"].arrow_schema)
    sampled = EstimationSettings(basis=FishBasis.SAMPLED)
    season = prepare_survey(Snapshot.of(tables), settings=sampled)
    found = {
        basis: limit_tables(replace(season, basis=basis), {}, level=0.95, n_draws=100)
        for basis in FishBasis
    }
    of_reports, of_samples = found[FishBasis.REPORTED], found[FishBasis.SAMPLED]
    for name in ("projections", "draws"):
        assert repr(of_samples[name].to_pylist()) == repr(of_reports[name].to_pylist())
    assert set(of_samples["projections"]["basis"].to_pylist()) == {"reported"}
    one, other = (
        {row["limit_id"]: row for row in tables["limit_status"].to_pylist()}
        for tables in (of_reports, of_samples)
    )
    # The totals differ, and what is given of the reports is not given of the sample.
    assert other["back"]["basis"] == "sampled"
    assert other["back"]["estimate"] != one["back"]["estimate"]
    assert one["back"]["prob_exceeded_by_close"] is not None
    assert other["back"]["prob_exceeded_by_close"] is None
    assert has_code(other["back"]["reason"], "reports_projected_alone")
    name = "prob_exceeded_by_close"
    assert other["kept"][name] == one["kept"][name] is not None
    codes = of_samples["assumptions"]["assumption"].to_pylist()
    assert coded("projected_as_reported") in codes
    assert coded("projected_as_reported") not in of_reports["assumptions"]["assumption"].to_pylist()
