"""A quantity added by the steps of DEVELOPERS.md is in every table that has quantities."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

from analytics.catch_limits import TOTALS
from analytics.estimates.sampled_basis import SAMPLED_QUANTITIES
from analytics.options import season_projection
from analytics.quantities import QUANTITIES, RATIOS

ROOT = Path(__file__).parents[2]
TOTAL, RATIO = "boat_trips_with_kept", "kept_per_boat_trip"
#: What the steps add, by file: after which text, once.
ADDED = {
    "quantities.toml": {
        "": f"""[{TOTAL}]
unit = "boat_trip"
kind = "total"
label = "Boat trips with a fish kept"
meaning = "Boat trips that kept a Chinook."

[{RATIO}]
unit = "fish per boat_trip"
kind = "rate"
label = "Kept per boat trip"
meaning = "Chinook kept divided by boat trips."

"""
    },
    "quantities.py": {
        "RATIOS: dict[str, tuple[str, str]] = {\n": f'    "{RATIO}": ("kept_fish", "boat_trips"),\n'
    },
    "survey/reduction.py": {
        "TOTALS: tuple[str, ...] = (\n": f'    "{TOTAL}",\n',
        '        "boat_trips": "1",\n': f'        "{TOTAL}": "CAST(kept > 0 AS INTEGER)",\n',
    },
}
MADE = f"""
import json, sys
from pathlib import Path
from analytics import Store, estimate, import_files
from analytics.bulletin.archive import archive_of, load
from analytics.bulletin.build import make_bulletin
from analytics.quantities import QUANTITIES
from tests.field_week import sampled_week, write_week

store = Store("store")
import_files(store, write_week(sampled_week(), Path("week")))
bulletin = load(archive_of(store.path), make_bulletin(store).bulletin)
names = ("rows", "area_covariance", "variance_budget", "draws")
tables = {{name: bulletin.table(name) for name in names}}
rows = estimate(store, by=("season",)).set_index("quantity")["estimate"]
print(json.dumps({{
    "tables": [
        name for name, table in tables.items()
        if "quantity" in table.column_names
        and {{"{TOTAL}", "{RATIO}"}} <= set(table["quantity"].to_pylist())
    ],
    "draws": tables["draws"].num_rows,
    "estimates": rows.to_dict(),
}}))
"""


def test_a_quantity_added_by_the_steps_for_developers_is_in_the_tables(tmp_path):
    package = tmp_path / "analytics"
    shutil.copytree(ROOT / "analytics", package, ignore=shutil.ignore_patterns("__pycache__"))
    for name, additions in ADDED.items():
        text = (package / name).read_text()
        for after, added in additions.items():
            assert text.count(after) == 1 or not after, after
            text = text.replace(after, after + added, 1)
        (package / name).write_text(text)
    answer = subprocess.run(
        [sys.executable, "-c", MADE],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(map(str, (tmp_path, ROOT)))},
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode == 0, answer.stderr
    found = json.loads(answer.stdout)
    assert found["draws"] > 0
    assert set(found["tables"]) == {"rows", "area_covariance", "variance_budget"}
    of = found["estimates"]
    assert 0 < of[TOTAL] < of["boat_trips"]
    assert abs(of[RATIO] - of["kept_fish"] / of["boat_trips"]) < 1e-9 * of[RATIO]


def test_every_total_that_is_projected_may_have_a_limit_and_no_other():
    assert set(TOTALS) == set(season_projection.TOTALS)


def test_what_counts_released_fish_has_its_form_on_the_sampled_basis():
    """Else its rows would be named sampled and stand on what was reported."""
    of_fish = {name for name, one in QUANTITIES.items() if one.unit == "fish"} - {"kept_fish"}
    released = of_fish | {name for name, parts in RATIOS.items() if of_fish & {*parts}}
    assert released <= SAMPLED_QUANTITIES
