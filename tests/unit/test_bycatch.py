"""Other species per angler-hour: by hand, against the demo's truth, where little was written."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from analytics.data.snapshot import Snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.released.bycatch import MOST, bycatch_of, bycatch_table
from analytics.released.schemas import BYCATCH_SCHEMA
from tests.tables import MONDAY, SiteDay, interview, survey

DEMO = Path(__file__).parents[2] / "demo_parquet"


def table_of(snapshot, level=0.95):
    return bycatch_table(prepare_survey(snapshot), level=level)


def rows(table, species, **domain):
    """Return the rows of a species in domains whose columns are as given; all others null."""
    wanted = {"area": None, "week": None} | domain
    return [
        one
        for one in table.to_pylist()
        if one["species"] == species and all(one[name] == wanted[name] for name in wanted)
    ]


def season_row(table, species):
    (row,) = rows(table, species)
    return row


def days(*hours):
    """Return site-days of one boat each from a frame of 10, with their hours."""
    return [SiteDay(1, [interview(hours_fished=one)], stratum="all", frame=10) for one in hours]


def met(day, species, kept, released):
    return {
        "interview_id": f"s{day:05d}-0",
        "species": species,
        "kept": kept,
        "released": released,
    }


THREE = [met(0, "dogfish", 0, 3), met(1, "dogfish", 1, 1), met(1, "sculpin", 0, 4)]


def test_a_ratio_and_its_error_by_hand():
    # Three of ten site-days; hours 4, 5, 6; dogfish 3, 2 and none. R = 5/15; residuals y - R x:
    # 5/3, 1/3, -2, so s² = (25 + 1 + 36)/9/2 = 31/9; v(T) = 100 · 0.7/3 · 31/9; T_x = 10/3 · 15.
    row = season_row(table_of(survey(days(4, 5, 6), bycatch=THREE)), "dogfish")
    assert row["estimate"] == pytest.approx(5 / 15)
    assert row["se"] == pytest.approx(math.sqrt(100 * 0.7 / 3 * 31 / 9) / 50)
    assert row["quantity"] == "encounters_per_angler_hour"
    assert row["unit"] == "fish per angler_hour"
    assert row["method"] == "bycatch_ratio"
    assert (row["ci_method"], row["status"], row["n_interviews"]) == ("log_t", "ok", 3)
    assert row["ci_low"] < row["estimate"] < row["ci_high"]


def test_every_level_has_its_rows_and_the_most_met_come_first():
    table = table_of(survey(days(4, 5, 6), bycatch=THREE))
    assert table.schema.equals(BYCATCH_SCHEMA)
    assert list(dict.fromkeys(table["species"].to_pylist())) == ["dogfish", "sculpin"]
    places = {(one["area"], one["week"]) for one in rows(table, "dogfish", area="A", week=None)}
    assert places == {("A", None)}
    assert rows(table, "dogfish", week="2031-W02")
    assert rows(table, "dogfish", area="A", week="2031-W02")
    by_domain = [(one["species"], one["area"], one["week"]) for one in table.to_pylist()]
    assert len(by_domain) == len(set(by_domain))


def test_a_species_named_with_no_fish_is_a_zero_without_error():
    row = season_row(table_of(survey(days(4, 5), bycatch=[met(0, "skate", 0, 0)])), "skate")
    assert (row["estimate"], row["se"], row["status"]) == (0.0, None, "zero_total")
    assert "none_seen" in row["method"]


@pytest.mark.parametrize("lacking", ["kept", "released"])
def test_a_number_that_was_not_recorded_takes_the_boat_out_of_that_species_alone(lacking):
    bycatch = [*THREE, met(2, "dogfish", 1, 1) | {lacking: None}]
    table = table_of(survey(days(4, 5, 6), bycatch=bycatch))
    assert season_row(table, "dogfish")["estimate"] == pytest.approx(5 / 9)
    assert season_row(table, "sculpin")["estimate"] == pytest.approx(4 / 15)
    assert season_row(table, "dogfish")["n_interviews"] == 2


ODD = ["O'Neil; DROP", '"); DROP TABLE interviews; --', "$season", "ling\ncod", "rødfisk", ""]


def test_odd_names_break_nothing_and_stay_as_they_are():
    bycatch = [met(0, name, 0, 2) for name in ODD]
    table = table_of(survey(days(4, 4), bycatch=bycatch))
    assert set(table["species"].to_pylist()) == set(ODD)
    assert {season_row(table, name)["estimate"] for name in ODD} == {0.25}


def test_spellings_that_differ_in_case_and_blanks_are_one_species():
    bycatch = [
        met(0, "Dogfish", 0, 1),
        met(0, "dogfish ", 0, 2),
        met(1, "Dogfish", 1, 0),
        met(1, " DOGFISH", 0, 0),
    ]
    table = table_of(survey(days(4, 4), bycatch=bycatch))
    assert set(table["species"].to_pylist()) == {"Dogfish"}
    assert season_row(table, "Dogfish")["estimate"] == pytest.approx(4 / 8)


def test_without_a_row_of_bycatch_there_is_no_row():
    table = table_of(survey(days(4, 5)))
    assert table.num_rows == 0
    assert table.schema.equals(BYCATCH_SCHEMA)


def two_areas(bycatch):
    """Return a survey in which each area's boats land at its own ramp."""
    units = [
        SiteDay(1, [interview(area=area, hours_fished=4)], stratum="all", frame=5, site=site)
        for site, area in (("r1", "A"), ("r1", "A"), ("r2", "B"), ("r2", "B"))
    ]
    return survey(units, sites={"r1": "A", "r2": "B"}, bycatch=bycatch)


def test_an_area_where_nobody_wrote_bycatch_down_has_no_figure_but_words():
    table = table_of(two_areas([met(0, "dogfish", 0, 3)]))
    (row,) = rows(table, "dogfish", area="B")
    assert (row["estimate"], row["status"]) == (None, "no_sample")
    assert row["method"] == "no_bycatch_recorded"
    (of_a,) = rows(table, "dogfish", area="A")
    assert of_a["estimate"] == pytest.approx(3 / 8)
    whole = season_row(table, "dogfish")
    assert whole["estimate"] == pytest.approx(3 / 8)
    assert "without_bycatch(areas=B)" in whole["method"]


def test_an_area_that_wrote_another_species_down_met_none_of_this_one():
    table = table_of(two_areas([met(0, "dogfish", 0, 3), met(2, "sculpin", 0, 1)]))
    (row,) = rows(table, "dogfish", area="B")
    assert (row["estimate"], row["status"]) == (0.0, "zero_total")
    assert season_row(table, "dogfish")["estimate"] == pytest.approx(3 / 16)


def test_more_species_than_can_be_told_apart_are_one_group():
    names = [f"species {place:02d}" for place in range(MOST + 3)]
    bycatch = [met(0, name, 0, 100 - place) for place, name in enumerate(names)]
    table = table_of(survey(days(4, 4), bycatch=bycatch))
    told = list(dict.fromkeys(table["species"].to_pylist()))
    assert told == [*names[:MOST], "other (3 species)"]
    row = season_row(table, "other (3 species)")
    assert row["estimate"] == pytest.approx((70 + 69 + 68) / 8)
    assert "species_together(n=3)" in row["method"]


def test_boats_that_did_not_fish_an_hour_leave_no_denominator():
    row = season_row(table_of(survey(days(0, 0), bycatch=[met(0, "skate", 0, 2)])), "skate")
    assert (row["estimate"], row["status"]) == (None, "zero_total")
    assert row["method"] == "zero_denominator"


def test_interviews_of_convenience_give_a_rate_clustered_by_site_day():
    open_days = {"open_date": MONDAY, "close_date": MONDAY + dt.timedelta(days=20)}
    season = {"season": "2030-31", "area": "A", "design": "opportunistic", **open_days}
    asked = [
        interview(interview_id=f"i{day}", site="r1", date=MONDAY + dt.timedelta(days=day))
        for day in range(3)
    ]
    bycatch = [met(0, "dogfish", 0, fish) | {"interview_id": f"i{fish}"} for fish in (0, 1, 2)]
    plan = [{"season": "2030-31", "area": "B", **open_days}]
    snapshot = survey(
        [SiteDay(0, [], site="r2")],
        sites={"r1": "A", "r2": "B"},
        seasons=[season, *plan],
        interviews=asked,
        bycatch=bycatch,
    )
    (row,) = rows(table_of(snapshot), "dogfish", area="A")
    # Three site-days of one hour with 0, 1 and 2 fish: residuals -1, 0, 1 about the rate of 1.
    assert row["estimate"] == pytest.approx(1)
    assert row["se"] == pytest.approx(math.sqrt(3 / 2 * 2) / 3)
    assert "convenience_" in row["method"]


def test_a_trip_that_was_not_over_counts_for_no_species():
    boats = [interview(hours_fished=4), interview(hours_fished=4, trip_complete=False)]
    snapshot = survey(
        [SiteDay(2, boats, stratum="all", frame=2)],
        bycatch=[met(0, "dogfish", 0, 1), met(0, "dogfish", 0, 9) | {"interview_id": "s00000-1"}],
    )
    assert season_row(table_of(snapshot), "dogfish")["estimate"] == pytest.approx(1 / 4)


def test_the_species_of_another_season_are_not_named():
    told = pa.table({"interview_id": ["i1"], "area": ["A"]})
    schema = {"kept": [0, 0], "released": [1, 1]}
    bycatch = pa.table({"interview_id": ["i1", "i2"], "species": ["skate", "ray"], **schema})
    assert [one.words for one in bycatch_of(bycatch, told).species] == ["skate"]


@pytest.fixture(scope="module")
def demo():
    return Snapshot.of({file.stem: pq.read_table(file) for file in DEMO.glob("*.parquet")})


def test_intervals_of_the_demo_hold_its_truth(demo):
    # Five complete seasons by area fished, 18 rates each: about 95 in 100 intervals hold the truth;
    # 79 or fewer of 90 would come up by chance in 0.5 % of cases (binomial).
    truth = pq.read_table(DEMO / "truth" / "bycatch.parquet").to_pylist()
    totals = pq.read_table(DEMO / "truth" / "totals.parquet")
    hours = totals.filter(
        (pc.field("quantity") == "angler_hours")
        & (pc.field("basis") == "true")
        & pc.field("week").is_null()
        & pc.field("area").is_valid()
    )
    denominator = {(one["season"], one["area"]): one["value"] for one in hours.to_pylist()}
    seasons = sorted({one["season"] for one in truth})[:-1]
    held = []
    for season in seasons:
        table = bycatch_table(prepare_survey(demo, season=season), level=0.95)
        for one in (one for one in truth if one["season"] == season):
            rate = (one["kept_fish"] + one["released_fish"]) / denominator[season, one["area"]]
            (row,) = rows(table, one["species"], area=one["area"])
            held.append(row["ci_low"] <= rate <= row["ci_high"])
    assert len(held) == 90
    assert sum(held) > 79


def test_no_figure_of_the_demo_is_nan(demo):
    table = bycatch_table(prepare_survey(demo), level=0.95)
    for name in ("estimate", "se", "ci_low", "ci_high", "df"):
        assert not pc.any(pc.is_nan(table[name])).as_py()
    assert all(table["method"].to_pylist())
