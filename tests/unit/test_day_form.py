"""A day's paper form: ids by rule, rows of tables, the intake's own checks, and two keyings."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.documents.paper_form import PARTS, fish_id, interview_id, sample_id
from analytics.findings import Severity
from dashboard.forms import day_form
from dashboard.forms.grid import column_of
from tests.field_week import field_week, write_csv

if TYPE_CHECKING:
    from pathlib import Path

    from dashboard.forms.day_form import DayForm

BOAT = {
    "area": "A",
    "anglers": "2",
    "hours_fished": "3.5",
    "method": "trolling",
    "kept": "2",
    "released_legal": "0",
    "released_sublegal": "3",
}
DAY = {"site": "r1", "date": "2031-01-14", "boats_returned": "3"}


def keyed(**parts: Any) -> DayForm:
    given = {
        "site_day": [DAY],
        "boats": [BOAT, {}, BOAT | {"kept": "0"}],
        "fish": [
            {"line": "1", "kept": "yes", "total_length_mm": "600"},
            {"line": "3", "total_length_mm": "590"},
            {"line": "1", "total_length_mm": "580"},
        ],
        "bycatch": [{"line": "3", "species": "dogfish", "kept": "0", "released": "2"}],
    }
    return day_form.from_json(given | parts)


@pytest.fixture
def store(field: Path) -> Store:
    return Store(field / "store")


def errors(form: DayForm, store: Store) -> set[tuple[str, int, str]]:
    found = day_form.check_form(form, store).found
    return {
        (part, one.line, column_of(PARTS[part].columns, one.finding))
        for part in PARTS
        for one in found[part]
        if one.finding.severity is Severity.ERROR
    }


def test_the_form_follows_the_schema():
    for part in PARTS.values():
        names = [column.name for column in TABLES[part.table].columns]
        written = [column.name for column in part.columns if column.name != "line"]
        assert written == [name for name in names if name in written]
    # What is not written is made by rule: with it, every column of the day's tables has a value.
    assert set(TABLES["interviews"].arrow_schema.names) - {
        column.name for column in PARTS["boats"].columns
    } == {"interview_id", "sample_id", "site", "date"}


@pytest.mark.parametrize(
    ("made", "expected"),
    [
        (sample_id("R3", "2036-02-14"), "R3-20360214"),
        (sample_id(" R3 ", "2036-02-14 "), "R3-20360214"),
        (sample_id("R3", ""), ""),
        (sample_id("", "2036-02-14"), ""),
        (interview_id("R3-20360214", 7), "R3-20360214-07"),
        (interview_id("R3-20360214", 123), "R3-20360214-123"),
        (interview_id("R3-20360214", "x"), "R3-20360214-x"),
        (interview_id("R3-20360214", ""), ""),
        (interview_id("", 7), ""),
        (fish_id("R3-20360214-07", 2), "R3-20360214-07-F2"),
        (fish_id("", 2), ""),
    ],
)
def test_ids_are_made_by_rule(made: str, expected: str):
    assert made == expected


def test_rows_carry_ids_and_what_the_boat_says():
    rows = day_form.rows_of(keyed(), "r1-20310114")
    assert {table: list(found) for table, found in rows.items()} == {
        "site_days": [2],
        "interviews": [2, 4],
        "fish": [2, 3, 4],
        "bycatch": [2],
    }
    assert [row["interview_id"] for row in rows["interviews"].values()] == [
        "r1-20310114-01",
        "r1-20310114-03",
    ]
    assert [row["fish_id"] for row in rows["fish"].values()] == [
        "r1-20310114-01-F1",
        "r1-20310114-03-F1",
        "r1-20310114-01-F2",
    ]
    assert rows["fish"][2] == {
        "fish_id": "r1-20310114-01-F1",
        "source": "dockside",
        "interview_id": "r1-20310114-01",
        "date": "2031-01-14",
        "area": "A",
        "method": "trolling",
        "kept": "yes",
        "total_length_mm": "600",
    }
    assert rows["bycatch"][2]["interview_id"] == "r1-20310114-03"


def test_a_form_keeps_its_lines_as_json():
    form = keyed(site_day=[DAY | {"site": "<script>alert(1)</script> \u202eabc"}])
    assert day_form.from_json(json.loads(json.dumps(day_form.to_json(form)))) == form
    assert form.with_lines("boats", [{}, {"area": " "}, {"area": None}]).boats == ()
    assert day_form.from_json({}).is_empty
    assert not form.is_empty


def test_a_good_form_is_stored_as_one_batch(store: Store):
    checked = day_form.check_whole(keyed(), store)
    assert checked.checked.errors == ()
    receipt = importing.store_checked(checked.checked, store)
    assert {name: one.new for name, one in receipt.counts.items()} == {
        "site_days": 1,
        "interviews": 2,
        "fish": 3,
        "bycatch": 1,
    }
    assert store.batches()[-1].sources == ("keyed 2031-01-14 r1",)


def test_the_form_and_a_file_are_judged_alike(store: Store, tmp_path: Path):
    form = keyed(boats=[BOAT | {"anglers": "two", "area": "Z"}, BOAT, BOAT, BOAT])
    rows = day_form.rows_of(form, "r1-20310114")
    files = [
        write_csv(tmp_path / f"{table}.csv", list(found.values())) for table, found in rows.items()
    ]
    from_files = importing.check(importing.read_paths(files), store).findings
    keyed_in = day_form.check_whole(form, store).checked.findings

    def said(findings: Any) -> set[tuple[Any, ...]]:
        # Lines that were left out have no row in a file written without them.
        return {(one.severity, one.table, one.column, one.seen, one.allowed) for one in findings}

    assert said(keyed_in) == said(from_files)
    assert len(keyed_in) > 2


BAD: dict[str, tuple[dict[str, Any], set[tuple[str, int, str]]]] = {
    "letters in a number": ({"boats": [BOAT | {"anglers": "two"}]}, {("boats", 1, "anglers")}),
    "a negative number": ({"boats": [BOAT | {"kept": "-1"}]}, {("boats", 1, "kept")}),
    "more marked than kept": (
        {"boats": [BOAT | {"kept_marked": "3"}]},
        {("boats", 1, "kept_marked")},
    ),
    "no such area": ({"boats": [BOAT, BOAT | {"area": "Z"}]}, {("boats", 2, "area")}),
    "no such site": ({"site_day": [DAY | {"site": "r9"}]}, {("site_day", 1, "site")}),
    "a closed day": (
        {"site_day": [DAY | {"site": "r2", "date": "2031-01-16"}]},
        {("site_day", 1, "date")},
    ),
    "no such date": ({"site_day": [DAY | {"date": "2031-02-30"}]}, {("site_day", 1, "date")}),
    "too few boats": (
        {"site_day": [DAY | {"boats_returned": "1"}], "boats": [BOAT, BOAT]},
        {("site_day", 1, "boats_returned")},
    ),
    "a fish of no boat": ({"fish": [{"line": "2", "kept": "yes"}]}, {("fish", 1, "line")}),
    "a fish without a line": ({"fish": [{"kept": "yes"}]}, {("fish", 1, "line")}),
    "a line that is a word": ({"fish": [{"line": "one"}]}, {("fish", 1, "line")}),
    "a species twice": (
        {"bycatch": [{"line": "1", "species": "cod"}, {"line": "1", "species": "cod"}]},
        {("bycatch", 2, "line")},
    ),
    "a formula": ({"boats": [BOAT | {"method": "=1+1"}]}, {("boats", 1, "method")}),
    "a long name": ({"boats": [BOAT | {"method": "m" * 501}]}, {("boats", 1, "method")}),
    "an empty form": ({"site_day": []}, {("site_day", 1, "site"), ("site_day", 1, "date")}),
}


@pytest.mark.parametrize("name", BAD)
def test_faults_stand_at_their_line_and_cell(store: Store, name: str):
    given, expected = BAD[name]
    base = {"fish": [], "bycatch": [], "boats": [BOAT]}
    assert errors(keyed(**base | given), store) == expected


def places(checked: day_form.CheckedForm) -> list[tuple[Any, ...]]:
    """Return what was found where; what was seen may list more where all of the store is seen."""
    return [
        (one.severity, one.table, one.row, one.column, one.allowed, one.advice)
        for one in checked.checked.findings
    ]


def test_near_checks_find_what_the_whole_store_finds(store: Store):
    for given, _ in BAD.values():
        form = keyed(**{"fish": [], "bycatch": []} | given)
        near, whole = (check(form, store) for check in (day_form.check_form, day_form.check_whole))
        assert places(near) == places(whole)


def test_a_site_day_keeps_the_id_it_has(store: Store):
    stored, planned = field_week()["site_days"][0], field_week()["planned_site_days"][0]
    snapshot = store.snapshot()
    for one in (stored, planned):
        form = keyed(site_day=[{"site": one["site"], "date": one["date"]}])
        assert day_form.sample_of(form, snapshot) == one["sample_id"]
    assert day_form.sample_of(keyed(), snapshot) == "r1-20310114"
    assert day_form.sample_of(keyed(), Snapshot.of({})) == "r1-20310114"


def test_an_empty_store_refuses_for_lack_of_sites(tmp_path: Path):
    found = errors(keyed(), Store(tmp_path / "none"))
    assert ("site_day", 1, "site") in found


# Two keyings.


def test_two_keyings_alike_have_no_difference():
    assert day_form.differences(keyed(), keyed()) == []


def test_every_cell_that_differs_is_shown_once():
    second = keyed(
        site_day=[DAY | {"boats_returned": "4"}],
        boats=[BOAT, {}, BOAT | {"kept": "1", "anglers": "3"}],
        fish=[
            {"line": "1", "kept": "yes", "total_length_mm": "606"},
            {"line": "1", "total_length_mm": "580"},
        ],
    )
    found = day_form.differences(keyed(), second)
    assert [
        (one.part, one.boat, one.number, one.column, one.first, one.second) for one in found
    ] == [
        ("site_day", "", 1, "boats_returned", "3", "4"),
        ("boats", "", 3, "anglers", "2", "3"),
        ("boats", "", 3, "kept", "0", "1"),
        ("fish", "1", 1, "total_length_mm", "600", "606"),
        ("fish", "3", 1, "line", "3", ""),
        ("fish", "3", 1, "total_length_mm", "590", ""),
    ]
    assert len({one.address for one in found}) == len(found)


def test_choices_one_by_one_make_the_form():
    first, second = keyed(), keyed(boats=[BOAT, {}, {}, BOAT], fish=[])
    found = day_form.differences(first, second)
    everything = {keying: {one.address: keying for one in found} for keying in ("first", "second")}
    assert day_form.undecided(found, {}) == found
    assert day_form.undecided(found, everything["first"]) == []
    assert day_form.decided(first, second, everything["second"]) == second
    mixed = everything["second"] | {"boats//3/" + name: "first" for name in BOAT}
    form = day_form.decided(first, second, mixed)
    assert form.boats == (*first.boats, BOAT)
    assert form.fish == ()
