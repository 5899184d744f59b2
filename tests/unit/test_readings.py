"""Other ways to calculate stand in the bulletin beside its rows, each equal to its own estimate."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pyarrow as pa
import pytest

from analytics.bulletin import archive
from analytics.bulletin.build import bulletin_of
from analytics.codes import coded
from analytics.data.snapshot import Snapshot
from analytics.estimates.alternative_estimates import (
    ALL_BOATS,
    BOATS_COUNTED,
    heaping_table,
    scenario_table,
)
from analytics.estimates.estimate import estimate_snapshot
from analytics.estimates.schemas import ALTERNATIVE_SCHEMA, COVERAGE_SCHEMA, HEAPING_SCHEMA
from analytics.estimates.season_survey import prepare_survey
from analytics.result_table import RESULT_SCHEMA, to_frame
from analytics.survey.coverage import coverage_factors, season_contacts
from tests.store_faults import write_card
from tests.tables import MONDAY, SiteDay, interview, survey

DIVIDED = ("sublegal_reports_divided_by_1.5", "sublegal_reports_divided_by_2.2")


def day(offset):
    return MONDAY + dt.timedelta(days=offset)


def tables_of(*, counts=True, contacts=True, latitude=48.0):
    reports = [(0, 3, 5), (1, 2, 8), (3, 5, 1), (7, 4, 10), (9, 6, 5), (12, 0, 2)]
    days = [
        SiteDay(
            3,
            [interview(kept=1, released_sublegal=one, hours_fished=4.0) for one in said],
            date=day(offset),
        )
        for offset, *said in reports
    ]
    boats = [
        {"count_id": f"c{at}-{n}", "area": "A", "date": day(at), "time": dt.time(9 + n), "boats": b}
        for at, seen in {0: (4, 8), 3: (6, 6), 7: (5, 9), 9: (7, 8)}.items()
        for n, b in enumerate(seen)
    ]
    met = [
        {"area": "A", "date": day(at), "boats_contacted": asked, "boats_to_listed_sites": listed}
        for at, (asked, listed) in {0: (10, 8), 3: (6, 3), 8: (8, 7)}.items()
    ]
    tables = {"boat_counts": boats} if counts else {}
    tables |= {"coverage": met} if contacts else {}
    snapshot = survey(days, **tables)
    sites = snapshot["sites"]
    place = sites.schema.get_field_index("latitude")
    sites = sites.set_column(
        place, sites.schema.field("latitude"), pa.array([latitude], pa.float64())
    )
    return Snapshot.of({**snapshot.tables, "sites": sites})


@pytest.fixture(scope="module")
def snapshot():
    return tables_of()


@pytest.fixture(scope="module")
def bulletin(snapshot):
    return bulletin_of(snapshot)


def on(bulletin, basis, *, by):
    rows = [
        row for row in bulletin.alternative_estimates.to_pylist() if row["alternative"] == basis
    ]
    return [
        {name: value for name, value in row.items() if name != "alternative"}
        for row in rows
        if ((row["area"] is not None), (row["week"] is not None)) == ("area" in by, "week" in by)
    ]


@pytest.mark.parametrize("by", [("season",), ("area",), ("week",)])
@pytest.mark.parametrize(
    ("basis", "chosen"), [(ALL_BOATS, {"expand": True}), (BOATS_COUNTED, {"effort": "counts"})]
)
def test_rows_of_a_basis_are_its_estimates(snapshot, bulletin, basis, chosen, by):
    wanted = estimate_snapshot(snapshot, by=by, **chosen)
    found = to_frame(pa.Table.from_pylist(on(bulletin, basis, by=by), RESULT_SCHEMA))
    assert len(found) == len(wanted) > 0
    assert found.equals(wanted)
    assert not found.equals(estimate_snapshot(snapshot, by=by))


def test_area_and_week_are_there_over_all_boats_only(snapshot, bulletin):
    by = ("area", "week")
    wanted = estimate_snapshot(snapshot, by=by, expand=True)
    found = to_frame(pa.Table.from_pylist(on(bulletin, ALL_BOATS, by=by), RESULT_SCHEMA))
    assert found.equals(wanted)
    assert not any(on(bulletin, basis, by=by) for basis in (BOATS_COUNTED, *DIVIDED))


def test_scenarios_are_those_of_the_command(snapshot, bulletin):
    wanted = scenario_table(snapshot, by=("season",)).to_pylist()
    found = [
        row for row in bulletin.alternative_estimates.to_pylist() if row["alternative"] in DIVIDED
    ]
    season = [row for row in found if row["area"] is None and row["week"] is None]
    assert season == [row for row in wanted if row["alternative"] != "as_reported"]
    kept = {row["alternative"]: row["estimate"] for row in season if row["quantity"] == "kept_fish"}
    assert len(set(kept.values())) == 1  # fish kept stay as reported


def test_the_figures_of_the_bulletin_stay_the_usual_ones(snapshot, bulletin):
    bare = bulletin_of(tables_of(counts=False, contacts=False))
    assert bulletin.rows.equals(bare.rows)


def test_coverage_is_that_of_the_contacts(snapshot, bulletin):
    (line,) = bulletin.coverage.to_pylist()
    assert (line["area"], line["n_days"], line["boats"]) == ("A", 3, 24)
    assert line["share"] == pytest.approx(18 / 24)
    contacts = season_contacts(snapshot, season="2030-31", through=bulletin.card.through)
    wanted = coverage_factors(contacts, areas=("A",))
    assert line["factor"] == wanted.factor[0]
    assert line["factor_se"] == pytest.approx(wanted.variance[0] ** 0.5)
    assert (line["share_low"], line["share_high"]) == (wanted.share_low[0], wanted.share_high[0])
    assert bulletin.coverage.schema.equals(COVERAGE_SCHEMA)


def test_reports_are_counted_with_the_reason_for_no_test(bulletin):
    lines = bulletin.heaping.to_pylist()
    boats = {line["fish"]: line["boats"] for line in lines if line["boats"]}
    assert boats == {1: 1, 2: 2, 3: 1, 4: 1, 5: 3, 6: 1, 8: 1, 10: 1}
    assert [line["fish"] for line in lines if line["is_heap"]] == [5, 10]
    assert {line["reason"] for line in lines} == {coded("heaping_few_reports", n=11, needed=100)}
    assert all(line["ratio"] is None and line["smooth"] is None for line in lines)
    assert bulletin.heaping.schema.equals(HEAPING_SCHEMA)


def test_reports_met_by_convenience_are_counted_through_the_last_week():
    def met(offset, fish):
        return {"site": "q1", "date": day(offset), "area": "B", "released_sublegal": fish}

    seasons = [
        {"season": "2030-31", "area": area, "open_date": day(0), "close_date": day(60)}
        for area in ("A", "B")
    ]
    seasons[1] |= {"design": "opportunistic"}
    days = [
        SiteDay(2, [interview(released_sublegal=3), interview(released_sublegal=2)]),
        SiteDay(2, [interview(released_sublegal=3)], date=day(1)),
    ]
    plain = survey(days, sites={"r1": "A", "q1": "B"}, seasons=seasons)
    rows = plain["interviews"].to_pylist()
    loose = [met(2, 7), met(3, 3), met(30, 9)]
    rows += [
        rows[0] | {"interview_id": f"x{at}", "sample_id": None} | one
        for at, one in enumerate(loose)
    ]
    interviews = pa.Table.from_pylist(rows, plain["interviews"].schema)
    snapshot = Snapshot.of({**plain.tables, "interviews": interviews})
    lines = heaping_table(prepare_survey(snapshot, through="2031-W02")).to_pylist()
    assert {one["fish"]: one["boats"] for one in lines if one["boats"]} == {2: 1, 3: 3, 7: 1}


@pytest.mark.parametrize(
    ("given", "gone", "words"),
    [
        pytest.param({"counts": False}, BOATS_COUNTED, "no boat count on an open day", id="counts"),
        pytest.param({"contacts": False}, ALL_BOATS, "import the table coverage", id="coverage"),
        pytest.param({"latitude": None}, BOATS_COUNTED, "has a latitude", id="latitude"),
    ],
)
def test_a_basis_that_cannot_be_had_is_told_why(given, gone, words):
    bulletin = bulletin_of(tables_of(**given))
    bases = set(bulletin.alternative_estimates["alternative"].to_pylist())
    assert bases == {ALL_BOATS, BOATS_COUNTED, *DIVIDED} - {gone}
    table = "coverage" if gone == ALL_BOATS else "boat_counts"
    (told,) = [
        one
        for one in bulletin.findings.to_pylist()
        if one["table"] == table and one["severity"] == "note"
    ]
    assert words in told["seen"]
    assert (bulletin.coverage.num_rows == 0) is (gone == ALL_BOATS)


def test_the_new_tables_are_kept_and_lack_in_older_bulletins(tmp_path, bulletin):
    card = archive.save(tmp_path, bulletin)
    kept = archive.load(tmp_path, card.bulletin)
    for name in ("alternative_estimates", "coverage", "heaping"):
        assert kept.table(name).equals(bulletin.table(name))
        assert name in card.tables
    path = tmp_path / card.bulletin / archive.CARD_FILE
    named = [f'"{name}"' for name in archive.TABLE_SCHEMAS]
    first = ", ".join(f'"{name}"' for name in archive.FIRST_TABLES)
    text = path.read_text()
    start, end = text.index(named[0]), text.index(named[-1]) + len(named[-1])
    write_card(path, text[:start] + first + text[end:])
    old = archive.load(tmp_path, card.bulletin)
    assert old.card == replace(card, tables=archive.FIRST_TABLES)
    assert old.alternative_estimates.equals(ALTERNATIVE_SCHEMA.empty_table())
    assert old.coverage.num_rows == old.heaping.num_rows == 0
