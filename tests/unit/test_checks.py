"""The rules between rows and tables: each, broken alone, gives its finding and no other."""

from __future__ import annotations

import functools
import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import pytest

from analytics.data import importing
from analytics.data.checks import catch as rules_catch
from analytics.data.checks import frame as rules_frame
from analytics.data.checks.rule import parts, references
from analytics.data.store import Store
from analytics.errors import DataRejected
from tests.field_week import field_week, write_week

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.checks.rule import Rule
    from analytics.findings import Finding
    from tests.field_week import Rows

ERROR, WARNING = "error", "warning"
Edit = tuple[str, int | None, dict[str, Any]]  # table, row (None: one more like the first), cells
Place = tuple[str, str, int | None, str]


def edited(edits: list[Edit]) -> Rows:
    """Return the clean week after some edits."""
    rows = field_week()
    for table, row, cells in edits:
        if row is None:
            rows[table].append(rows[table][0] | cells)
        else:
            rows[table][row - 2] |= cells
    return rows


def findings_of(rows: Rows, folder: Path, store: Store | None = None) -> tuple[Finding, ...]:
    """Return what an import of rows would find."""
    reading = importing.read_paths([write_week(rows, folder / "rows")])
    return importing.check(reading, store or Store(folder / "nothing")).findings


def places(findings: tuple[Finding, ...]) -> list[Place]:
    return [(str(one.severity), one.table, one.row, one.column or "") for one in findings]


def test_the_clean_week_has_no_finding(tmp_path: Path) -> None:
    assert findings_of(field_week(), tmp_path) == ()


BUSY = {"boats_returned": 30}
#: Ten days more at a site, without a boat.
QUIET = {"boats_returned": 0}
DAYS = [(n, f"2031-01-{8 + n:02d}") for n in range(10)]


def trip(name: str, method: str) -> dict[str, object]:
    """Return an interview of the busy site-day."""
    return {"interview_id": name, "sample_id": "d3", "area": "A", "anglers": 1} | {
        "hours_fished": 4.0,
        "method": method,
    }


CASES: dict[str, tuple[list[Edit], list[Place], str]] = {
    "area of a site": (
        [("sites", None, {"site": "r3", "area": "X"})],
        [(ERROR, "sites", 4, "area")],
        "no area X in areas",
    ),
    "site-day of an interview": (
        [("interviews", 2, {"sample_id": "d9"})],
        [(ERROR, "interviews", 2, "sample_id")],
        "no sample_id d9 in site_days",
    ),
    "interview of a fish": (
        [("fish", 2, {"interview_id": "i9"})],
        [(ERROR, "fish", 2, "interview_id")],
        "no interview_id i9",
    ),
    "closing before opening": (
        [("seasons", None, {"open_date": "2031-05-02", "close_date": "2031-05-01"})],
        [(ERROR, "seasons", 4, "close_date")],
        "2031-05-01 before open_date 2031-05-02",
    ),
    "opening of years": (
        [("seasons", None, {"open_date": "2031-05-02", "close_date": "2131-05-02"})],
        [(ERROR, "seasons", 4, "close_date")],
        "at most 366 days",
    ),
    "overlapping openings": (
        [("seasons", None, {"season": "spring", "open_date": "2031-03-31"})],
        [(ERROR, "seasons", 2, "open_date"), (ERROR, "seasons", 4, "open_date")],
        "overlaps",
    ),
    "weekday 8": (
        [("seasons", 2, {"open_weekdays": "12345678"})],
        [(ERROR, "seasons", 2, "open_weekdays"), (ERROR, "seasons", 2, "day_groups")],
        "1 to 7",
    ),
    "weekday twice": (
        [("seasons", 2, {"open_weekdays": "11234567"})],
        [(ERROR, "seasons", 2, "open_weekdays")],
        "each once",
    ),
    "day group twice": (
        [("seasons", 2, {"day_groups": "12345|567"})],
        [(ERROR, "seasons", 2, "day_groups")],
        "each digit once",
    ),
    "open weekday in no group": (
        [("seasons", 2, {"day_groups": "1234|67"})],
        [(ERROR, "seasons", 2, "day_groups")],
        "without the open weekdays 5",
    ),
    "holiday without a group": (
        [("seasons", 3, {"open_weekdays": "123", "day_groups": "1|23"})],
        [(ERROR, "seasons", 3, "day_groups")],
        "without day 7",
    ),
    "date outside the season": (
        [("site_days", None, {"sample_id": "d3", "date": "2031-04-01", "boats_returned": 0})],
        [(ERROR, "site_days", 4, "date")],
        "2031-04-01 .Tuesday. in area A, open 2030-11-01 to 2031-03-31",
    ),
    "closed weekday": (
        [("site_days", 3, {"date": "2031-01-09"})],
        [(ERROR, "site_days", 3, "date")],
        "2031-01-09 .Thursday. in area B",
    ),
    "stated frame outside the season": (
        [("site_days", 3, {"date": "2031-04-03", "frame_site_days": 4})],
        [(ERROR, "site_days", 3, "date")],
        "between open_date and close_date",
    ),
    "one site and date twice": (
        [("site_days", None, {"sample_id": "d3", "boats_returned": 0})],
        [(ERROR, "site_days", 2, "date"), (ERROR, "site_days", 4, "date")],
        "is also sample_id d3",
    ),
    "more interviews than boats": (
        [("site_days", 2, {"boats_returned": 1})],
        [(ERROR, "site_days", 2, "boats_returned")],
        "1 boat returned, 2 complete interviews",
    ),
    "two frames in a stratum": (
        [
            ("site_days", 2, {"stratum": "x", "frame_site_days": 9}),
            (
                "site_days",
                None,
                {
                    "sample_id": "d3",
                    "date": "2031-01-08",
                    "boats_returned": 0,
                    "stratum": "x",
                    "frame_site_days": 8,
                },
            ),
        ],
        [(ERROR, "site_days", 2, "frame_site_days"), (ERROR, "site_days", 4, "frame_site_days")],
        "others say 8 to 9",
    ),
    "frame smaller than the sample": (
        [
            ("site_days", 2, {"stratum": "x", "frame_site_days": 1}),
            (
                "site_days",
                None,
                {
                    "sample_id": "d3",
                    "date": "2031-01-08",
                    "boats_returned": 0,
                    "stratum": "x",
                    "frame_site_days": 1,
                },
            ),
        ],
        [(ERROR, "site_days", 2, "frame_site_days"), (ERROR, "site_days", 4, "frame_site_days")],
        "of which 2 sampled",
    ),
    "a part of an area that states its frame": (
        [
            ("site_days", 2, {"frame_site_days": 4}),
            ("site_days", None, {"sample_id": "d3", "date": "2031-01-18", "boats_returned": 0}),
            ("site_days", 4, {"frame_site_days": None}),
        ],
        [(ERROR, "site_days", 4, "frame_site_days")],
        "1 of 2 site-days of area A in season 2030-31 give one",
    ),
    "planned for a closed day": (
        [("planned_site_days", 2, {"site": "r2", "date": "2031-01-09"})],
        [(ERROR, "planned_site_days", 2, "date")],
        "2031-01-09 .Thursday. in area B",
    ),
    "planned for another season": (
        [("planned_site_days", 2, {"season": "2031-32"})],
        [(ERROR, "planned_site_days", 2, "date")],
        "planned for season 2031-32",
    ),
    "planned with inclusion probability 0": (
        [("planned_site_days", 2, {"inclusion_prob": 0})],
        [(ERROR, "planned_site_days", 2, "inclusion_prob")],
        "more than 0",
    ),
    "planned with draw probability 0": (
        [("planned_site_days", 2, {"draw_probability": 0})],
        [(ERROR, "planned_site_days", 2, "draw_probability")],
        "more than 0",
    ),
    "a place in the draw that two site-days have": (
        [
            (
                "planned_site_days",
                None,
                {
                    "sample_id": "p2",
                    "season": "2030-31",
                    "site": "r1",
                    "date": "2031-01-14",
                    "draw_order": 1,
                },
            ),
        ],
        [
            (ERROR, "planned_site_days", 2, "draw_order"),
            (ERROR, "planned_site_days", 3, "draw_order"),
        ],
        "1, which 2 site-days of A 2031-W03, Mon–Fri have",
    ),
    "missed without a reason": (
        [("planned_site_days", 2, {"state": "missed"})],
        [(WARNING, "planned_site_days", 2, "reason")],
        "the state is missed",
    ),
    "visited on another day than planned": (
        [("planned_site_days", 2, {"sample_id": "d1"})],
        [(WARNING, "planned_site_days", 2, "sample_id")],
        "planned for r1 on 2031-01-13, visited r1 on 2031-01-06",
    ),
    "stratum that shares a calendar stratum": (
        [
            ("site_days", 2, {"stratum": "x"}),
            (
                "site_days",
                None,
                {"sample_id": "d3", "date": "2031-01-08", "boats_returned": 0, "stratum": "y"},
            ),
        ],
        [(ERROR, "site_days", 2, "frame_site_days"), (ERROR, "site_days", 4, "frame_site_days")],
        "frame_site_days is needed",
    ),
    "interview of nowhere": (
        [("interviews", 2, {"sample_id": None})],
        [
            (ERROR, "interviews", 2, "site"),
            (ERROR, "interviews", 2, "date"),
        ],
        "neither sample_id nor",
    ),
    "interview elsewhere than its site-day": (
        [("interviews", 2, {"site": "r2", "date": "2031-01-07"})],
        [(ERROR, "interviews", 2, "site"), (ERROR, "interviews", 2, "date")],
        "site-day d1 has",
    ),
    "opportunistic interview on a closed day": (
        [("interviews", 2, {"sample_id": None, "site": "r2", "date": "2031-01-09"})],
        [(ERROR, "interviews", 2, "date")],
        "a day on which the site's area is open",
    ),
    "marked of kept": (
        [("interviews", 2, {"kept_marked": 2})],
        [(ERROR, "interviews", 2, "kept_marked")],
        "2 of 1 kept",
    ),
    "marked of legal releases": (
        [
            ("interviews", 2, {"released_legal_marked": 2}),
            ("interviews", 3, {"released_legal_marked": 0}),
        ],
        [(ERROR, "interviews", 2, "released_legal_marked")],
        "2 of 1",
    ),
    "marked of sublegal releases": (
        [("interviews", 2, {"released_sublegal_marked": 5})],
        [(ERROR, "interviews", 2, "released_sublegal_marked")],
        "5 of 4",
    ),
    "deep-hooked of releases": (
        [("interviews", 2, {"released_deep_hooked": 6})],
        [(ERROR, "interviews", 2, "released_deep_hooked")],
        "6 of 5",
    ),
    "nobody aboard": (
        [("interviews", 2, {"anglers": 0, "kept": 0, "kept_marked": 0})],
        [(ERROR, "interviews", 2, "anglers")],
        "0 anglers with 4.5 h and 5 fish",
    ),
    "fork over total length": (
        [("fish", 2, {"fork_length_mm": 613})],
        [(ERROR, "fish", 2, "fork_length_mm")],
        "longer than the total length",
    ),
    "listed of contacted": (
        [("coverage", 2, {"boats_to_listed_sites": 10})],
        [(ERROR, "coverage", 2, "boats_to_listed_sites")],
        "10 of 9 boats_contacted",
    ),
    "died of held": (
        [("holding_trials", 2, {"died": 21})],
        [(ERROR, "holding_trials", 2, "died")],
        "21 of 20 held",
    ),
    "unknown quantity": (
        [("limits", 2, {"quantity": "kept"})],
        [(ERROR, "limits", 2, "quantity")],
        "kept_fish",
    ),
    "unknown quantity of several": (
        [("limits", 2, {"quantity": "kept_fish; lost_fish"})],
        [(ERROR, "limits", 2, "quantity")],
        "kept_fish; lost_fish; allowed: quantities of the result rows, joined by ;",
    ),
    "no quantity at all": (
        [("limits", 2, {"quantity": " ; "})],
        [(ERROR, "limits", 2, "quantity")],
        "quantities of the result rows",
    ),
    "a rate in a sum": (
        [("limits", 2, {"quantity": "kept_fish;sublegal_prop"})],
        [(ERROR, "limits", 2, "quantity")],
        "of which sublegal_prop is no total of fish",
    ),
    "trips and fish in a sum": (
        [("limits", 2, {"quantity": "angler_trips;kept_fish"})],
        [(ERROR, "limits", 2, "quantity")],
        "of which angler_trips is no total of fish",
    ),
    "fish counted twice in a sum": (
        [("limits", 2, {"quantity": "released_legal_fish;release_deaths_fish"})],
        [(ERROR, "limits", 2, "quantity")],
        "release_deaths_fish and released_legal_fish in one sum",
    ),
    "the same quantity twice in a sum": (
        [("limits", 2, {"quantity": "kept_fish;kept_fish"})],
        [(ERROR, "limits", 2, "quantity")],
        "kept_fish and kept_fish in one sum",
    ),
    "a share as a limit": (
        [("limits", 2, {"quantity": "sublegal_prop"})],
        [(WARNING, "limits", 2, "quantity")],
        "sublegal_prop, which is no total.*no limit status can be given",
    ),
    "unknown area of a limit": (
        [("limits", 2, {"areas": "A; Z"})],
        [(ERROR, "limits", 2, "areas")],
        "no area Z in areas",
    ),
    "design without totals": (
        [("seasons", 3, {"design": "opportunistic"})],
        [(WARNING, "seasons", 3, "design")],
        "design opportunistic; allowed: site_day or day_site .* its totals say no_design",
    ),
    "stratum that holds whole calendar strata": (
        [("site_days", 2, {"stratum": "x"})],
        [(WARNING, "site_days", 2, "frame_site_days")],
        "stratum x without frame_site_days.* the calendar's site-days of the weeks",
    ),
    "sizes told by some boats": (
        [("interviews", 2, {"released_unknown": 0})],
        [(WARNING, "interviews", None, "released_unknown")],
        "empty in 1 of 2 interviews; allowed: a number, 0 for none - .* as none",
    ),
    "marks read by some samplers": (
        [("interviews", 2, {"kept_marked": None})],
        [(WARNING, "interviews", None, "kept_marked")],
        "empty in 1 of 2 interviews with kept over 0.* split like those that were read",
    ),
    "hours told by some boats": (
        [("interviews", 2, {"hours_fished": None})],
        [(WARNING, "interviews", None, "hours_fished")],
        "empty in 1 of 2 interviews.* a boat without the number is left out",
    ),
    "part recorded without the whole": (
        [("interviews", 2, {"released_legal": None})],
        [(WARNING, "interviews", None, "released_legal")],
        "empty in 1 of 2",
    ),
    "unknown season of a limit": (
        [("limits", 2, {"season": "2031-32"})],
        [(WARNING, "limits", 2, "season")],
        "no season 2031-32",
    ),
    "boats not counted": (
        [("site_days", 3, {"boats_returned": None})],
        [(WARNING, "site_days", 3, "boats_returned")],
        "counts as missing",
    ),
    "boats and no interview": (
        [("site_days", 3, {"boats_returned": 2})],
        [(WARNING, "site_days", 3, "boats_returned")],
        "2 boats returned and no complete interview",
    ),
    "a site-day a month after the others": (
        [("site_days", None, {"sample_id": "d3", "date": "2031-02-08", "boats_returned": 0})],
        [(WARNING, "site_days", 4, "date")],
        "2031-02-08, 32 days after the site-day before it, 2031-01-07",
    ),
    "more boats than a site ever had": (
        [
            *(("site_days", None, QUIET | {"sample_id": f"q{n}", "date": day}) for n, day in DAYS),
            ("site_days", 2, {"boats_returned": 30}),
        ],
        [(WARNING, "site_days", 2, "boats_returned")],
        "30 boats returned, and at most 0 on the 10 other days counted at r1",
    ),
    "trip not over": (
        [("interviews", 2, {"trip_complete": "no"})],
        [(WARNING, "interviews", 2, "trip_complete")],
        "not over",
    ),
    "fish in no time": (
        [("interviews", 2, {"hours_fished": 0})],
        [(WARNING, "interviews", 2, "hours_fished")],
        "0 h with 6 fish",
    ),
    "method misspelt": (
        [
            ("site_days", None, {"sample_id": "d3", "site": "r1", "date": "2031-01-08"} | BUSY),
            *(("interviews", None, trip(f"t{number}", "mooching")) for number in range(20)),
            ("interviews", None, trip("t20", "Moching")),
        ],
        [(WARNING, "interviews", 24, "method")],
        "Moching, which 1 of 23 interviews have",
    ),
    "no method": (
        [("interviews", 2, {"method": None}), ("drop_off", 2, {"method": "mooching"})],
        [(WARNING, "interviews", 2, "method")],
        "fishing method",
    ),
    "over the daily limit": (
        [("interviews", 2, {"kept": 3, "kept_marked": 3})],
        [(WARNING, "interviews", 2, "kept")],
        "3 kept by 2 anglers at 1 a day",
    ),
    "unmarked kept": (
        [("interviews", 2, {"kept_marked": 0})],
        [(WARNING, "interviews", 2, "kept_marked")],
        "1 unmarked of 1 kept",
    ),
    "fished where it is closed": (
        [
            ("site_days", 2, {"date": "2031-01-09"}),  # a Thursday: A is open, B is not
        ],
        [(WARNING, "interviews", 3, "area")],
        "an area fished that is open that day",
    ),
    "fish of another day than its boat": (
        [("fish", 2, {"date": "2031-01-07"})],
        [(WARNING, "fish", 2, "date")],
        "2031-01-07, but its boat was interviewed on 2031-01-06",
    ),
    "kept under the legal length": (
        [("fish", 2, {"total_length_mm": 558.5, "fork_length_mm": 540})],
        [(WARNING, "fish", 2, "total_length_mm")],
        "558.5 mm kept under 559.0 mm.*kept in the data",
    ),
    "kept under the legal length by its fork": (
        [("fish", 2, {"total_length_mm": None, "fork_length_mm": 520})],
        [(WARNING, "fish", 2, "fork_length_mm")],
        "520.0 mm fork, about 554 mm total, kept under 559.0 mm.*kept in the data",
    ),
    "fork and total length at odds": (
        [("fish", 2, {"total_length_mm": 612, "fork_length_mm": 500})],
        [(WARNING, "fish", 2, "fork_length_mm")],
        "500.0 mm, 82 % of the total length 612.0; allowed: at least 85 % of the total length",
    ),
    "weight in pounds": (
        [("fish", 2, {"weight_g": 6})],
        [(WARNING, "fish", 2, "weight_g")],
        "6.0 g at 612.0 mm.*in pounds",
    ),
    "unmarked fish kept": (
        [("fish", 2, {"marked": "false"})],
        [(WARNING, "fish", 2, "marked")],
        "compliance information",
    ),
    "count on a closed day": (
        [("boat_counts", 2, {"date": "2031-04-02"})],
        [(WARNING, "boat_counts", 2, "date")],
        "is open",
    ),
    "coverage on a closed day": (
        [("coverage", 2, {"date": "2031-04-02"})],
        [(WARNING, "coverage", 2, "date")],
        "is open",
    ),
    "release rate without error": (
        [("release_rates", 2, {"rate_se": None})],
        [(WARNING, "release_rates", 2, "rate_se")],
        "carry no error",
    ),
    "drop-off without error": (
        [("drop_off", 2, {"rate_se": None})],
        [(WARNING, "drop_off", 2, "rate_se")],
        "carry no error",
    ),
}


@functools.cache
def case_findings(name: str) -> tuple[Finding, ...]:
    """Return what the case of that name gives; once, since two tests look at it."""
    with tempfile.TemporaryDirectory() as folder:
        return findings_of(edited(CASES[name][0]), Path(folder))


@pytest.mark.parametrize("name", CASES)
def test_a_broken_rule_gives_its_finding_and_no_other(name: str) -> None:
    _, expected, words = CASES[name]
    found = case_findings(name)
    assert sorted(places(found), key=str) == sorted(expected, key=str), "\n".join(map(str, found))
    assert any(re.search(words, str(one)) for one in found), found[0]


def test_every_rule_but_references_is_broken_by_a_case() -> None:
    told = {(one.table, one.column, one.allowed) for name in CASES for one in case_findings(name)}
    tried_elsewhere = {
        "at most as many complete interviews as boats returned",
        "a new site-day of the season under way, or one that comes late on purpose",
    }
    untried = [
        rule
        for rule in (*rules_frame.RULES, *rules_catch.RULES)
        if (rule.table, rule.column, rule.allowed) not in told
        and rule.allowed not in tried_elsewhere
    ]
    assert not untried


def broken_together(rules: Sequence[Rule], cell: Any, folder: Path) -> None:
    """Break rules of the schema in one import, and ask for the finding of each."""
    found = findings_of(edited([(one.table, 2, {one.column: cell}) for one in rules]), folder)
    assert {(ERROR, one.table, 2, one.column) for one in rules} - set(places(found)) == set()


def test_every_part_of_the_schema_is_held_against_its_whole(tmp_path: Path) -> None:
    broken_together(parts(), 199, tmp_path)


#: Tables of a week that come as tables; outlines come as GeoJSON and have tests of their own.
TABULAR = [rule for rule in references() if rule.table != "area_outlines"]


def test_every_reference_of_the_schema_is_followed(tmp_path: Path) -> None:
    broken_together(TABULAR, "nowhere", tmp_path)


FINE: dict[str, list[Edit]] = {
    "marks of no fish not read": [("interviews", 2, {"kept": 0, "kept_marked": None})],
    "stated frame on a closed weekday": [
        ("site_days", 3, {"date": "2031-01-09", "frame_site_days": 5, "stratum": "x"})
    ],
    "opportunistic interview": [
        ("interviews", 2, {"sample_id": None, "site": "r1", "date": "2031-01-06"})
    ],
    "interview that repeats its site-day's place": [
        ("interviews", 2, {"site": "r1", "date": "2031-01-06"})
    ],
    "two openings of an area": [
        ("seasons", None, {"open_date": "2031-04-01", "close_date": "2031-04-15"})
    ],
    "small fish from test fishing": [
        ("fish", 2, {"source": "test_fishing", "total_length_mm": 300, "fork_length_mm": 280})
    ],
    "long enough by its fork": [("fish", 2, {"total_length_mm": None, "fork_length_mm": 526})],
    "a fork of 85 % of the total": [("fish", 2, {"total_length_mm": 600, "fork_length_mm": 510})],
    "small fish released, fork only": [
        ("fish", 2, {"kept": "false", "total_length_mm": None, "fork_length_mm": 280})
    ],
    "small fish released": [
        ("fish", 2, {"kept": "false", "total_length_mm": 300, "fork_length_mm": 280})
    ],
    "boats of several trips": [("site_days", 2, {"boats_returned": 2})],
}


@pytest.mark.parametrize("name", FINE)
def test_what_is_allowed_is_not_told(tmp_path: Path, name: str) -> None:
    assert findings_of(edited(FINE[name]), tmp_path) == ()


def test_rows_stored_earlier_are_seen(tmp_path: Path, field: Path) -> None:
    store = Store(field / "store")
    later = {"interviews": [field_week()["interviews"][0] | {"interview_id": "i3"}]}
    assert findings_of(later, tmp_path, store) == ()
    later["interviews"] += [field_week()["interviews"][0] | {"interview_id": "i4"}]
    found = findings_of(later, tmp_path, store)
    assert places(found) == [
        (ERROR, "interviews", 2, "sample_id"),
        (ERROR, "interviews", 3, "sample_id"),
    ]
    assert "4 complete interviews with those stored, 3 boats returned" in str(found[0])


def test_a_batch_that_breaks_rows_stored_earlier_is_told(tmp_path: Path, field: Path) -> None:
    store = Store(field / "store")
    season = field_week()["seasons"][0] | {"close_date": "2030-12-31"}
    found = findings_of({"seasons": [season]}, tmp_path, store)
    broken = [(ERROR, "site_days", None), (ERROR, "planned_site_days", None)]
    assert [one[:3] for one in places(found) if one[0] == ERROR] == broken
    (batch,) = (one.batch for one in store.batches())
    assert f"stored row sample_id d1 of batch {batch}: 2031-01-06" in str(found[0])


def test_a_row_that_supersedes_its_older_self_is_not_counted_twice(
    tmp_path: Path, field: Path
) -> None:
    store = Store(field / "store")
    rows = field_week()
    again = {"interviews": [rows["interviews"][0] | {"hours_fished": 5}]}
    moved = {"site_days": [rows["site_days"][0] | {"boats_returned": 2}]}
    assert findings_of(again | moved, tmp_path, store) == ()


def test_warnings_are_told_of_the_batch_only(tmp_path: Path) -> None:
    store = Store(tmp_path / "s")
    rows = edited([("interviews", 2, {"trip_complete": "no"})])
    reading = importing.read_paths([write_week(rows, tmp_path / "first")])
    importing.store_checked(importing.check(reading, store), store)
    assert findings_of({"areas": field_week()["areas"]}, tmp_path, store) == ()


def test_a_new_site_day_of_a_year_before_is_doubted_and_a_known_one_is_not(
    tmp_path: Path, field: Path
) -> None:
    store, rows = Store(field / "store"), field_week()
    season = {"season": "2029-30", "open_date": "2029-11-01", "close_date": "2030-03-31"}
    before = {"seasons": [rows["seasons"][0] | season]}
    day = rows["site_days"][0] | {"sample_id": "d3", "date": "2030-01-08", "boats_returned": 0}
    late = before | {"site_days": [day]}
    found = findings_of(late, tmp_path, store)
    assert places(found) == [(WARNING, "site_days", 2, "date")]
    assert "2030-01-08, 364 days before the newest site-day of the store, 2031-01-07" in str(
        found[0]
    )
    reading = importing.read_paths([tmp_path / "rows"])
    importing.store_checked(importing.check(reading, store), store)
    counted = late | {"site_days": [day | {"boats_returned": None, "stratum": None}]}
    again = findings_of(counted, tmp_path / "again", store)
    assert places(again) == [(WARNING, "site_days", 2, "boats_returned")]


def test_a_season_without_methods_is_warned_of_none_where_no_rate_asks_for_one(
    tmp_path: Path,
) -> None:
    assert findings_of(edited([("interviews", 2, {"method": None})]), tmp_path) == ()


def test_faulty_season_cells_do_not_close_every_day(tmp_path: Path) -> None:
    found = findings_of(edited([("seasons", 2, {"close_date": "soon"})]), tmp_path)
    assert places(found) == [(ERROR, "seasons", 2, "close_date")]


def test_withdrawing_what_others_hang_on_is_refused(tmp_path: Path, field: Path) -> None:
    store = Store(field / "store")
    later = {"interviews": [field_week()["interviews"][0] | {"interview_id": "i3"}]}
    reading = importing.read_paths([write_week(later, tmp_path / "later")])
    importing.store_checked(importing.check(reading, store), store)
    with pytest.raises(DataRejected, match=r"in rows of b0002-[0-9a-f]+; withdraw") as caught:
        store.withdraw("b0001")
    told = {(one.table, one.column) for one in caught.value.findings}
    assert ("interviews", "sample_id") in told
    assert {one.file[:5] for one in caught.value.findings} == {"b0002"}
    assert store.version == 2
    store.withdraw("b0002")
    store.withdraw("b0001")
    assert store.read("interviews").num_rows == 0


def test_a_stated_frame_is_named_in_words(tmp_path: Path) -> None:
    edits: list[Edit] = [("site_days", 2, {"frame_site_days": 1})]
    more = {"sample_id": "d3", "date": "2031-01-08", "boats_returned": 0, "frame_site_days": 2}
    found = findings_of(edited([*edits, ("site_days", None, more)]), tmp_path)
    assert "in stratum 2031-W02, Mon–Fri, where others say 1 to 2" in str(found[0])


def test_a_faulty_answer_is_no_empty_one(tmp_path: Path) -> None:
    found = findings_of(edited([("interviews", 2, {"kept": -1})]), tmp_path)
    assert places(found) == [(ERROR, "interviews", 2, "kept")]


def test_a_day_far_from_any_opening_is_told_so(tmp_path: Path) -> None:
    day = {"sample_id": "d3", "date": "2041-01-08", "boats_returned": 0}
    found = findings_of(edited([("site_days", None, day)]), tmp_path)
    assert "(Tuesday) in area A, never open near that day; allowed" in str(found[0])


class TestFrameStatedInPart:
    """An area's site-days of a season state their frame, all or none, earlier rows included."""

    MORE: ClassVar = {"sample_id": "d3", "site": "r1", "date": "2031-01-18", "boats_returned": 0}

    def test_rows_stored_earlier_are_named(self, tmp_path: Path, field: Path) -> None:
        found = findings_of(
            {"site_days": [self.MORE | {"frame_site_days": 4}]}, tmp_path, Store(field / "store")
        )
        assert places(found) == [(ERROR, "site_days", None, "frame_site_days")]
        assert "sample_id d1" in found[0].seen

    def test_a_correction_of_every_row_is_taken_and_one_of_a_part_is_not(
        self, tmp_path: Path, field: Path
    ) -> None:
        stored = field_week()["site_days"][0]
        rows = [stored | {"frame_site_days": 9}, self.MORE | {"frame_site_days": 4}]
        assert findings_of({"site_days": rows}, tmp_path, Store(field / "store")) == ()
        rows[1] = self.MORE | {"frame_site_days": None}
        found = findings_of({"site_days": rows}, tmp_path / "again", Store(field / "store"))
        assert places(found) == [(ERROR, "site_days", 3, "frame_site_days")]

    def test_other_areas_and_seasons_keep_their_calendar(self, tmp_path: Path) -> None:
        stated = [("site_days", 2, {"frame_site_days": 9})]
        assert findings_of(edited(stated), tmp_path) == ()
