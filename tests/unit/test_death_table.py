"""Deaths by class: the rows add up to the result rows, low and high ends, and the method mix."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from analytics.codes import coded, has_code
from analytics.data.snapshot import Snapshot
from analytics.estimates.estimate import result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.fish.mortality_rates import MOOCHING, RATES_IN_PRINT, TROLLING, evidence_of
from analytics.fish.release_mortality import has_no_sizes
from analytics.intervals import logit_t
from analytics.released.deaths import death_sums, death_table, mix_table, printed_rate
from analytics.released.schemas import DEATH_SCHEMA, METHOD_MIX_SCHEMA
from tests.tables import MONDAY, SiteDay, interview, survey
from tests.unit.test_release_deaths import PAIR, TOLD, drop, rate, sample

DEMO = Path(__file__).parents[2] / "demo_parquet"
TOTALS = {
    "released": "release_deaths_fish",
    "drop_off": "drop_off_deaths_fish",
    "all": "total_deaths_fish",
}


def made(days, table=death_table, *, level=0.95, **tables):
    snapshot = survey(days, **tables)
    return table(prepare_survey(snapshot), level=level)


def rows(table, **wanted):
    return [
        row
        for row in table.to_pylist()
        if all(row[name] == value for name, value in wanted.items())
    ]


def one(table, **wanted):
    (row,) = rows(table, **wanted)
    return row


def total_of(table, fate, area=None):
    return one(table, fate=fate, size_class="any", method=None, area=area)


def has_nan(table):
    floats = [name for name in table.schema.names if table.schema.field(name).type == pa.float64()]
    return any(pc.any(pc.is_nan(table[name])).as_py() for name in floats)


@pytest.fixture(scope="module")
def demo():
    snapshot = Snapshot.of({file.stem: pq.read_table(file) for file in DEMO.glob("*.parquet")})
    season = prepare_survey(snapshot, season="2035-36")
    sums = death_sums(season)
    return {
        "season": season,
        "deaths": death_table(season, level=0.95, sums=sums),
        "mix": mix_table(season, level=0.95, sums=sums),
    }


class TestDemo:
    def test_totals_are_the_rows_of_the_contract(self, demo):
        for by in (("area",), ("season",)):
            for row in result_rows(demo["season"], by=by, level=0.95):
                fates = [fate for fate, name in TOTALS.items() if name == row["quantity"]]
                for fate in fates:
                    mine = total_of(demo["deaths"], fate, row["area"])
                    assert mine["deaths"] == pytest.approx(row["estimate"])
                    assert mine["se"] == pytest.approx(row["se"])
                    assert mine["ci_low"] == row["ci_low"]
                    assert mine["ci_high"] == row["ci_high"]

    def test_groups_add_up_to_their_totals(self, demo):
        for area in [None, "VEL", "SOR"]:
            parts = {
                fate: [
                    row
                    for row in rows(demo["deaths"], fate=fate, area=area)
                    if row["method"] is not None or fate == "kept"
                ]
                for fate in ("kept", "released", "drop_off")
            }
            for fate in ("released", "drop_off"):
                whole = total_of(demo["deaths"], fate, area)
                for column in ("fish", "deaths", "deaths_low", "deaths_high"):
                    summed = sum(row[column] for row in parts[fate])
                    assert summed == pytest.approx(whole[column])
            everything = total_of(demo["deaths"], "all", area)
            summed = sum(row["deaths"] for part in parts.values() for row in part)
            assert summed == pytest.approx(everything["deaths"])
            assert everything["deaths_low"] < everything["deaths"] < everything["deaths_high"]

    def test_fish_of_the_groups_are_the_releases_of_the_season(self, demo):
        found = {
            row["quantity"]: row["estimate"]
            for row in result_rows(demo["season"], by=("season",), level=0.95)
        }
        for size in ("legal", "sublegal"):
            fish = sum(row["fish"] for row in rows(demo["deaths"], size_class=size, area=None))
            assert fish == pytest.approx(found[f"released_{size}_fish"])
        kept = one(demo["deaths"], fate="kept", area=None)
        assert kept["deaths"] == pytest.approx(found["kept_fish"])

    def test_every_table_is_in_its_schema_without_nan(self, demo):
        assert demo["deaths"].schema == DEATH_SCHEMA
        assert demo["mix"].schema == METHOD_MIX_SCHEMA
        assert not has_nan(demo["deaths"])
        assert not has_nan(demo["mix"])

    def test_low_and_high_are_the_fish_at_the_ends_of_the_rate(self, demo):
        row = one(
            demo["deaths"], size_class="sublegal", method="mooching", wound_class="deep", area=None
        )
        low, high = logit_t(0.5, 0.08, df=1e9, level=0.95)
        assert (row["rate_low"], row["rate_high"]) == pytest.approx((low, high))
        assert row["deaths_low"] == pytest.approx(row["fish"] * low)
        assert row["deaths_high"] == pytest.approx(row["fish"] * high)

    def test_the_error_comes_from_fish_and_rate(self, demo):
        row = one(
            demo["deaths"], size_class="legal", method="trolling", wound_class="shallow", area=None
        )
        fish, se = row["fish"], row["fish_se"]
        from_fish = (0.06 * se) ** 2
        assert row["se"] ** 2 == pytest.approx(from_fish + 0.02**2 * (fish**2 - se**2))
        assert row["catch_variance_prop"] == pytest.approx(from_fish / row["se"] ** 2)

    def test_standing_comes_from_the_source(self, demo):
        assert one(demo["deaths"], fate="drop_off", method="trolling", area=None)["evidence"] == (
            "common_practice"
        )
        deep = rows(demo["deaths"], wound_class="deep", area=None)
        assert {row["evidence"] for row in deep} == {"own"}

    def test_the_mix_by_hand(self, demo):
        def part(case, method):
            return one(demo["mix"], case=case, method=method, area=None)

        mooched = part("as_given", "mooching")["fish"]
        trolled = part("as_given", "trolling")["fish"]
        jigged = part("as_given", "jigging")
        fished = part("published_as_fished", None)
        assert fished["deaths"] == pytest.approx(
            0.422 * mooched + 0.245 * trolled + jigged["deaths"]
        )
        everything = mooched + trolled + jigged["fish"]
        for case, prop in (("all_mooching", 0.422), ("all_trolling", 0.245)):
            whole = part(case, None)
            assert whole["deaths"] == pytest.approx(prop * everything)
            assert whole["rate_prop"] == prop
            assert "another fishery" in whole["source"]
        assert part("all_mooching", None)["deaths_low"] == pytest.approx(0.342 * everything)

    def test_the_mix_as_given_is_the_table_of_deaths(self, demo):
        deaths = sum(
            row["deaths"] for row in rows(demo["deaths"], size_class="sublegal", area="SOR")
        )
        given = one(demo["mix"], case="as_given", method=None, area="SOR")
        assert given["deaths"] == pytest.approx(deaths)


class TestByHand:
    def test_rows_by_wound_of_each_method(self):
        table = made(TOLD, release_rates=PAIR, drop_off=[drop(0.05, 0.01, base="kept")])
        deep = one(table, method="mooching", wound_class="deep", area="A")
        assert deep["fish"] == pytest.approx(10 / 4 * 18 * 4 / 16)
        shallow = one(table, method="mooching", wound_class="shallow", area="A")
        assert shallow["fish"] == pytest.approx(10 / 4 * 18 * 12 / 16)
        assert one(table, method="trolling", size_class="legal", area="A")["fish"] == 0

    def test_a_group_without_a_rate_has_fish_and_a_reason(self):
        table = made(TOLD, release_rates=[rate("sublegal", 0.2, 0.05, method="trolling")])
        lacking = one(table, size_class="sublegal", method="mooching", area=None)
        assert lacking["fish"] == pytest.approx(10 / 4 * 18)
        assert lacking["deaths"] is None
        assert lacking["rate_prop"] is None
        assert lacking["reason"] == "no_release_rate_for(fish=sublegal:released:mooching)"
        assert one(table, size_class="sublegal", method="trolling", area=None)["deaths"] > 0
        whole = total_of(table, "all")
        assert whole["deaths"] is None
        assert has_code(whole["reason"], "no_drop_off_rates")

    def test_no_rate_at_all_is_told_in_every_row(self):
        table = made(TOLD)
        assert not has_nan(table)
        for fate in ("released", "drop_off", "all"):
            reason = total_of(table, fate)["reason"]
            assert has_code(reason, "no_release_rates", "no_drop_off_rates")
        assert one(table, fate="kept", area=None)["deaths"] == 0

    def test_a_rate_without_error_has_no_ends_and_says_so(self):
        table = made(TOLD, release_rates=[rate("any", 0.2)])
        row = one(table, size_class="sublegal", method="mooching", area=None)
        assert row["rate_low"] is None
        assert row["deaths_low"] is None
        assert has_code(row["reason"], "rate_error_missing")
        whole = total_of(table, "released")
        assert whole["deaths"] is not None
        assert (whole["deaths_low"], whole["deaths_high"]) == (None, None)
        assert has_code(whole["reason"], "a_rate_without_interval")
        mixed = rows(made(TOLD, mix_table, release_rates=[rate("any", 0.2)]), area=None)
        for row in mixed:
            assert (row["deaths_low"] is None) is (row["case"] == "as_given")

    def test_a_rate_without_error_of_no_fish_keeps_the_ends(self):
        rates = [rate("legal", 0.1), rate("sublegal", 0.2, 0.02)]
        days = sample(interview(released_sublegal=4), interview(released_sublegal=2))
        whole = total_of(made(days, release_rates=rates), "released")
        assert whole["deaths_low"] < whole["deaths"] < whole["deaths_high"]

    def test_lost_fish_are_told_with_their_base(self):
        for base, words in (("encounters", "of_encounters"), ("kept", "of_kept")):
            table = made(TOLD, drop_off=[drop(0.05, 0.01, base=base)])
            for row in rows(table, fate="drop_off", area=None):
                assert row["reason"].startswith(words)
        both = [drop(0.05, 0.01, base="kept", method="trolling"), drop(0.1, 0.01)]
        whole = total_of(made(TOLD, drop_off=both), "drop_off")
        assert whole["reason"].startswith("of_encounters; of_kept")

    def test_a_rate_of_one_says_why_it_has_no_ends(self):
        table = made(TOLD, release_rates=[rate("any", 1.0, 0.1)])
        row = one(table, size_class="sublegal", method="mooching", area=None)
        assert row["deaths"] == pytest.approx(row["fish"])
        assert has_code(row["reason"], "rate_on_edge")

    def test_nobody_told_the_wound(self):
        silent = sample(interview(released_sublegal=4, method="Mooching"), interview(kept=1))
        table = made(silent, release_rates=[*PAIR, rate("sublegal", 0.2, 0.02)])
        row = one(table, size_class="sublegal", method="Mooching", area=None)
        assert row["wound_class"] == "any"
        assert row["deaths"] == pytest.approx(0.2 * row["fish"])
        assert has_code(total_of(table, "released")["reason"], "wounds_unknown")

    def test_a_method_that_was_not_told_is_named(self):
        table = made(sample(interview(released_legal=2)), release_rates=[rate("any", 0.2, 0.02)])
        assert one(table, size_class="legal", area=None)["method"] == "not reported"

    def test_all_released_of_unknown_size(self):
        boats = sample(interview(released_unknown=6), interview(released_unknown=2))
        table = made(boats, release_rates=[rate("sublegal", 0.2, 0.02)])
        row = one(table, size_class="unknown", area=None)
        assert row["deaths"] == pytest.approx(0.2 * 40)
        assert row["reason"] == "sublegal_rate_for_unknown"

    UNSIZED = sample(
        *(
            interview(kept=kept, released_legal=None, released_sublegal=None, **more)
            for kept, more in (
                (1, {"released_unknown": 4, "method": "trolling"}),
                (2, {"released_unknown": 6, "method": "mooching"}),
            )
        )
    )

    def test_sizes_never_recorded_leave_kept_fish_and_name_the_gap(self):
        table = made(self.UNSIZED, release_rates=[rate("legal", 0.2, 0.02)])
        assert one(table, fate="kept", area=None)["deaths"] == pytest.approx(15)
        whole = total_of(table, "released")
        assert whole["deaths"] is None
        assert whole["reason"] == (
            "no_sizes_recorded(n=50); no_release_rate_for(fish=unknown:released:mooching:trolling)"
        )
        (row,) = rows(made(self.UNSIZED, mix_table), area=None)
        assert has_code(row["reason"], "no_sublegal_known")

    def test_sizes_never_recorded_take_a_rate_of_any_size(self):
        rates = {"release_rates": [rate("any", 0.3, 0.03)], "drop_off": [drop(0.1, 0.01)]}
        table = made(self.UNSIZED, **rates)
        whole = total_of(table, "released")
        assert (whole["fish"], whole["deaths"]) == pytest.approx((50, 15))
        assert "no_sizes_recorded(n=50)" in whole["reason"]
        assert total_of(table, "all")["deaths"] == pytest.approx(15 + 15 + 0.1 * 65)
        snapshot = survey(self.UNSIZED, **rates)
        found = {
            row["quantity"]: row
            for row in result_rows(prepare_survey(snapshot), by=("season",), level=0.95)
        }
        assert found["total_deaths_fish"]["estimate"] == pytest.approx(36.5)
        assert found["released_fish"]["method"] == (
            "not_recorded(columns=released_legal|released_sublegal)"
        )
        assert found["released_legal_fish"]["method"] == "not_recorded(columns=released_legal)"

    def test_sizes_of_another_season_do_not_count(self):
        interviews = pa.table(
            {
                "sample_id": ["s1", "s2"],
                "released_legal": pa.array([None, 1]),
                "released_sublegal": pa.array([None, 2]),
                "released_unknown": pa.array([5, 0]),
            }
        )
        none_met = interviews.slice(0, 0)
        assert has_no_sizes(interviews, ["s1"], none_met)
        assert not has_no_sizes(interviews, ["s2"], none_met)
        assert not has_no_sizes(interviews, ["s1"], interviews.slice(1))
        assert not has_no_sizes(interviews, ["s3"], none_met)

    def test_nothing_released_is_zero_and_says_that_it_has_no_error(self):
        table = made(sample(interview(kept=2), interview(kept=1)), release_rates=[rate("any", 0.2)])
        whole = total_of(table, "released")
        assert whole["deaths"] == 0
        assert whole["se"] is None
        assert has_code(whole["reason"], "none_seen")

    def test_interviews_of_convenience_give_no_deaths(self):
        opening = {"season": "2030-31", "area": "A", "design": "opportunistic"}
        opening |= {"open_date": MONDAY, "close_date": MONDAY + dt.timedelta(days=6)}
        boat = interview(released_sublegal=3, site="r1", date=MONDAY, method="mooching")
        boat |= {"interview_id": "i1"}
        snapshot = survey([], seasons=[opening], interviews=[boat], release_rates=PAIR)
        for table in (death_table, mix_table):
            found = table(prepare_survey(snapshot), level=0.95).to_pylist()
            assert len(found) > 0
            assert not [row for row in found if row["deaths"] is not None]
            assert not [row for row in found if row["fish"] is not None]
            assert all("convenience" in row["reason"] for row in found)


class TestMix:
    def test_words_of_a_method_are_matched_in_any_case(self):
        assert printed_rate("Drift MOOCHING") is MOOCHING
        assert printed_rate("downrigger troll") is TROLLING
        assert printed_rate("jigging") is None
        assert printed_rate(None) is None

    def test_where_neither_is_fished_one_row_says_so(self):
        days = sample(interview(released_sublegal=4, method="jigging"), interview())
        table = made(days, mix_table, release_rates=[rate("any", 0.2, 0.02)])
        assert [row["area"] for row in table.to_pylist()] == [None, "A"]
        assert {row["reason"] for row in table.to_pylist()} == {coded("no_printed_method")}

    def test_two_methods_of_one_printed_rate_share_its_error(self):
        boat = interview(released_sublegal=5, method="drift mooching")
        other = interview(released_sublegal=5, method="motor mooching")
        days = [SiteDay(1, [one], stratum=str(at), frame=1) for at, one in enumerate((boat, other))]
        table = made(days, mix_table, release_rates=[rate("any", 0.2, 0.0)])
        row = one(table, case="published_as_fished", method=None, area=None)
        assert row["se"] == pytest.approx(10 * MOOCHING.rate_se)

    def test_printed_rates_stand_without_rates_of_the_user(self):
        days = sample(interview(released_sublegal=4, method="mooching"), interview())
        table = made(days, mix_table)
        given = one(table, case="as_given", method=None, area=None)
        assert given["deaths"] is None
        assert given["fish"] == 20
        assert has_code(given["reason"], "no_release_rate_for")
        fished = one(table, case="published_as_fished", method=None, area=None)
        assert fished["deaths"] == pytest.approx(0.422 * 20)


class TestStanding:
    @pytest.mark.parametrize("printed", [one for one in RATES_IN_PRINT if one.source])
    def test_a_rate_in_print_is_known_again(self, printed):
        assert evidence_of(printed.source, printed.rate_prop) is printed.evidence

    def test_the_same_source_with_another_number_is_the_users_own(self):
        assert evidence_of("Grover et al. 2002", 0.3) == "own"
        assert evidence_of("grover et al. 2002", 0.422) == "published"
        assert evidence_of("Grover 2002", 0.422) == "published"

    def test_common_practice_says_so_itself(self):
        assert evidence_of("Common practice, no source", 0.2) == "common_practice"
        assert evidence_of(None, 0.2) == "own"

    def test_limits_of_print_are_those_printed_at_their_level(self):
        assert MOOCHING.limits(0.95) == (0.342, 0.502)
        low, high = MOOCHING.limits(0.9)
        assert 0.342 < low < 0.422 < high < 0.502
        assert math.isclose(MOOCHING.rate_se, 0.0408, abs_tol=5e-5)
