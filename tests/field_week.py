"""A week's field tables, small and free of findings, as rows to change and write to files."""

from __future__ import annotations

import copy
import csv
from typing import TYPE_CHECKING, Any

from analytics.data import importing
from analytics.data.store import Store

if TYPE_CHECKING:
    from pathlib import Path

Rows = dict[str, list[dict[str, Any]]]

_WEEK: Rows = {
    "areas": [{"area": "A", "area_name": "North"}, {"area": "B", "area_name": "South"}],
    "sites": [{"site": "r1", "area": "A"}, {"site": "r2", "area": "B"}],
    "seasons": [
        {
            "season": "2030-31",
            "area": area,
            "open_date": "2030-11-01",
            "close_date": "2031-03-31",
            "open_weekdays": weekdays,
            "day_groups": None,
            "design": "site_day",
            "min_length_mm": 559,
            "daily_limit_fish": 1,
            "mark_selective": "true",
        }
        for area, weekdays in (("A", None), ("B", "123567"))
    ],
    "holidays": [{"date": "2031-01-01", "holiday": "Frost Day"}],
    "site_days": [
        {
            "sample_id": sample,
            "site": site,
            "date": date,
            "boats_returned": boats,
            "frame_site_days": None,
            "stratum": None,
        }
        for sample, site, date, boats in (
            ("d1", "r1", "2031-01-06", 3),
            ("d2", "r2", "2031-01-07", 0),
        )
    ],
    "planned_site_days": [
        {
            "sample_id": "p1",
            "season": "2030-31",
            "site": "r1",
            "date": "2031-01-13",
            "stratum_name": "North 2031-W03 Mon–Fri",
            "frame_size": 5,
            "inclusion_prob": 0.4,
            "draw_order": 1,
            "state": "planned",
            "reason": None,
            "draw_probability": None,
        }
    ],
    "interviews": [
        {
            "interview_id": name,
            "sample_id": "d1",
            "site": None,
            "date": None,
            "area": area,
            "anglers": 2,
            "hours_fished": 4.5,
            "trip_complete": None,
            "method": "mooching",
            "kept": 1,
            "released_legal": 1,
            "released_sublegal": 4,
            "released_unknown": None,
            "kept_marked": 1,
            "released_legal_marked": None,
            "released_sublegal_marked": 2,
            "released_deep_hooked": 1,
        }
        for name, area in (("i1", "A"), ("i2", "B"))
    ],
    "fish": [
        {
            "fish_id": "f1",
            "source": "dockside",
            "interview_id": "i1",
            "kept": "true",
            "total_length_mm": 612,
            "fork_length_mm": 580,
            "marked": "true",
        }
    ],
    "bycatch": [{"interview_id": "i1", "species": "dogfish", "kept": 0, "released": 3}],
    "boat_counts": [
        {"count_id": "c1", "area": "A", "date": "2031-01-06", "time": "09:30", "boats": 12}
    ],
    "coverage": [
        {"area": "A", "date": "2031-01-06", "boats_contacted": 9, "boats_to_listed_sites": 7}
    ],
    "release_rates": [
        {
            "size_class": "any",
            "method": "any",
            "wound_class": "any",
            "rate_prop": 0.15,
            "rate_se": 0.02,
            "source": "made up for the test",
        }
    ],
    "drop_off": [{"method": "any", "rate_prop": 0.05, "rate_se": 0.01, "base": "encounters"}],
    "limits": [
        {
            "limit_id": "l1",
            "season": "2030-31",
            "areas": "A;B",
            "quantity": "kept_fish",
            "limit_fish": 900,
        }
    ],
    "holding_trials": [{"trial_id": "t1", "group": "control", "held": 20, "died": 1}],
}


def field_week() -> Rows:
    """Return the week's rows by table; the first row of a table is row 2 of its file."""
    return copy.deepcopy(_WEEK)


def sampled_week() -> Rows:
    """Return the week's rows with two more site-days, so that errors can be estimated."""
    rows = field_week()
    days, interviews = rows["site_days"], rows["interviews"]
    for sample, site, area, date in (
        ("d3", "r1", "A", "2031-01-08"),
        ("d4", "r2", "B", "2031-01-10"),
    ):
        days.append(
            days[0] | {"sample_id": sample, "site": site, "date": date, "boats_returned": 2}
        )
        for kept in (0, 1):
            answer = {"interview_id": f"{sample}i{kept}", "sample_id": sample, "area": area}
            interviews.append(interviews[0] | answer | {"kept": kept, "kept_marked": kept})
    return rows


def write_week(rows: Rows, folder: Path) -> Path:
    """Write rows as CSV files into a folder and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    for table, part in rows.items():
        write_csv(folder / f"{table}.csv", part)
    return folder


def write_csv(path: Path, rows: list[dict[str, Any]]) -> Path:
    """Write rows as one CSV file, None as an empty cell."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8", newline="") as sheet:
        writer = csv.DictWriter(sheet, names)
        writer.writeheader()
        writer.writerows(rows)
    return path


def field_store(folder: Path) -> None:
    """Write the clean week into ``week`` and import it into the store ``store``."""
    store = Store(folder / "store")
    reading = importing.read_paths([write_week(field_week(), folder / "week")])
    importing.store_checked(importing.check(reading, store), store)
