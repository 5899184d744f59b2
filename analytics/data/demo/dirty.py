"""A few dirty rows for trying the checks by hand: each row has one fault, named in the README."""

from __future__ import annotations

import csv
from collections import Counter
from typing import TYPE_CHECKING

from analytics.data.schema import TABLES

if TYPE_CHECKING:
    from pathlib import Path

    import pyarrow as pa

README = """# Dirty rows

Made by the same command as the demo season, to try the checks on:

    blackmouth import demo_parquet demo_parquet/dirty --check-only --store DIR

Each row has one fault. Rows are numbered as a spreadsheet shows them (the header is row 1). Some
warnings show only once the errors are out of the way: add `--quarantine FILE`.

"""


def write_dirty(folder: Path, tables: dict[str, pa.Table], *, season: str) -> list[Path]:
    """Write dirty CSV rows that refer to the clean tables, and a README that names each fault.

    Parameters
    ----------
    folder : pathlib.Path
        Existing folder.
    tables : dict of str to pyarrow.Table
        The clean demo tables.
    season : str
        Season whose site-days the rows hang on.

    Returns
    -------
    list of pathlib.Path
        The files written.
    """
    rows = {
        "site_days": _site_days(tables, season),
        "interviews": _interviews(tables, season),
        "fish": _fish(tables),
    }
    readme = folder / "README.md"
    readme.write_text(README + "\n".join(_explain(rows)) + "\n", encoding="utf-8")
    return [_write_csv(folder, name, found) for name, found in rows.items()] + [readme]


def _site_days(tables: dict[str, pa.Table], season: str) -> list[tuple[str, dict[str, str]]]:
    opening = next(row for row in tables["seasons"].to_pylist() if row["season"] == season)
    site = next(row for row in tables["sites"].to_pylist() if row["area"] == opening["area"])
    good = {"site": site["site"], "boats_returned": "4"}
    year = opening["open_date"].year
    return [
        (
            "a day on which the area is closed",
            good | {"sample_id": "dirty-1", "date": f"{year}-07-15"},
        ),
        (
            "an unknown site",
            good | {"sample_id": "dirty-2", "date": f"{year}-11-05", "site": "NOWHERE9"},
        ),
        ("a date that is not YYYY-MM-DD", good | {"sample_id": "dirty-3", "date": f"11/06/{year}"}),
    ]


def _interviews(tables: dict[str, pa.Table], season: str) -> list[tuple[str, dict[str, str]]]:
    homes = _roomy_site_days(tables, season)
    good = {
        "anglers": "2",
        "hours_fished": "5",
        "method": "trolling",
        "kept": "1",
        "released_legal": "0",
        "released_sublegal": "3",
    }
    faults: list[tuple[str, dict[str, str]]] = [
        ("a key used twice in the file (this row and the next)", {"interview_id": "dirty-i1"}),
        ("a key used twice in the file", {"interview_id": "dirty-i1", "kept": "2"}),
        ("negative hours", {"hours_fished": "-4"}),
        ("more than 24 hours in a day", {"hours_fished": "51"}),
        ("an interview without its site-day", {"sample_id": "no-such-day"}),
        ("a number no count can reach", {"released_sublegal": "1000000000"}),
        ("NaN instead of an empty cell", {"hours_fished": "NaN"}),
        ("a formula in a text cell", {"method": '=HYPERLINK("http://example.invalid")'}),
        ("half a fish", {"kept": "1.5"}),
        ("more marked fish kept than fish kept", {"kept_marked": "3"}),
        ("no anglers, yet fish", {"anglers": "0", "kept": "0"}),
        ("a method with blanks around it is mended, not a fault", {"method": " jigging "}),
    ]
    return [
        (why, {"interview_id": f"dirty-i{number}"} | home | good | change)
        for number, ((why, change), home) in enumerate(zip(faults, homes, strict=False), start=1)
    ]


def _roomy_site_days(tables: dict[str, pa.Table], season: str) -> list[dict[str, str]]:
    """Return the site-days of the season on which more boats came back than were interviewed."""
    first = next(row for row in tables["seasons"].to_pylist() if row["season"] == season)
    area_of = {row["site"]: row["area"] for row in tables["sites"].to_pylist()}
    interviewed = Counter(tables["interviews"]["sample_id"].to_pylist())
    return [
        {"sample_id": row["sample_id"], "area": area_of[row["site"]]}
        for row in tables["site_days"].to_pylist()
        if row["date"] >= first["open_date"]
        and interviewed[row["sample_id"]] < row["boats_returned"]
    ]


def _fish(tables: dict[str, pa.Table]) -> list[tuple[str, dict[str, str]]]:
    home = next(row for row in tables["fish"].to_pylist() if row["source"] == "dockside")
    good = {
        "source": "dockside",
        "interview_id": home["interview_id"],
        "date": str(home["date"]),
        "area": home["area"],
        "kept": "true",
    }
    return [
        (
            "a kept fish under the legal length: a warning, kept in the data",
            good | {"fish_id": "dirty-f1", "total_length_mm": "531"},
        ),
        (
            "a fork longer than the whole fish",
            good | {"fish_id": "dirty-f2", "total_length_mm": "600", "fork_length_mm": "640"},
        ),
        ("a source that is not known", good | {"fish_id": "dirty-f3", "source": "hearsay"}),
    ]


def _write_csv(folder: Path, name: str, rows: list[tuple[str, dict[str, str]]]) -> Path:
    path = folder / f"{name}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        columns = [column.name for column in TABLES[name].columns]
        writer = csv.DictWriter(file, columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(cells for _, cells in rows)
    return path


def _explain(rows: dict[str, list[tuple[str, dict[str, str]]]]) -> list[str]:
    lines = ["| file | row | fault |", "|---|---|---|"]
    for name, found in rows.items():
        lines += [
            f"| `{name}.csv` | {number} | {why} |" for number, (why, _) in enumerate(found, start=2)
        ]
    return lines
