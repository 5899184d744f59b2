"""Write the demo season: its input tables as Parquet, its known truth, a few dirty rows."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analytics.data.schema import TABLES
from analytics.errors import UsageError
from analytics.simulation.fishery import simulate_population, trend_rows, truth_rows
from analytics.simulation.measured_fish import fish_table, held_fish_csv
from analytics.simulation.reference_tables import (
    holding_trial_rows,
    limit_rows,
    outlines_geojson,
    parameter_rows,
    rate_tables,
    reference_tables,
    season_frame,
    table_of,
)
from analytics.simulation.sampling import (
    SampleOptions,
    boat_counts_table,
    bycatch_table,
    bycatch_truth,
    coverage_table,
    draw_sample,
    fleet_truth,
    plan_week,
    simulate_bycatch,
    simulate_fleet,
)
from analytics.simulation.scenario import demo_sound

if TYPE_CHECKING:
    from analytics.simulation.fishery import Population
    from analytics.simulation.scenario import Season, Sound


# A few dirty rows for trying the checks by hand: each row has one fault, named in the README.

README = """# Dirty rows

Made by the same command as the demo season, to try the checks on:

    blackmouth import demo_parquet demo_parquet/dirty --check-only --store DIR

Each row has one fault. Rows are numbered as a spreadsheet shows them (the header is row 1). Some
warnings show only once the errors are out of the way: add `--quarantine FILE`.

"""


def write_dirty(folder: Path, tables: dict[str, pa.Table], *, season: str) -> list[Path]:
    """Write dirty CSV rows that refer to the clean tables, and a README that names each fault.

    `season` is the one whose site-days the rows belong to.
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
        ("a method with blanks around it is corrected, not a fault", {"method": " jigging "}),
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


#: The demo's samplers: mostly two to four site-days a stratum, now and then one or none.
DEMO_SAMPLE = SampleOptions(
    units_low=2, units_high=4, missed_prop=0.008, one_unit_prop=0.02, no_unit_prop=0.01
)

TRUTH_README = """# The known truth of the demo season

Ondrell Sound is invented: its places, years and fish are the work of a simulator, and this folder
keeps what the simulator knows and the samplers do not. `blackmouth import` does not read it.

* `totals.parquet`: the value of every quantity by season, area fished and week (null: all of
  them), through the last sampled week and, for the season in progress, also through its last open
  week. `basis` is `true` (what happened) or `as_reported` (what all crews would have reported,
  which is what interviews estimate: releases are given with 8 % added, large counts come in fives,
  and some crews do not know the sizes). Deaths are known on the `true` basis only. The
  population is every boat trip to a listed ramp on an open day of the ramp's area.
* `trend.parquet`: the expected encounters per angler-hour behind each area and week.
* `bycatch.parquet`, `fleet.parquet`: other species; boats to listed ramps and to others.
* `parameters.parquet`: rates and shares the simulator was given.

All numbers are chosen for the demo. Released fish die by where the hook held: legal ones 6 %
shallow and 35 % deep, sublegal ones 15 % and 50 % (invented). With the deep shares of the methods
that comes near the 10 % and 20 % that `release_rates` gives for fish whose wound nobody saw; those
two, and drop-off deaths of 5 % of encounters, are common practice, no source.
"""


class _ByDay(TypedDict):
    """What the tables drawn day by day share."""

    rng: np.random.Generator
    through: str | None


@dataclass(frozen=True, slots=True, eq=False)
class _Year:
    """One season's rows: input tables, truths, and rows of the tables of rules."""

    tables: dict[str, pa.Table]
    truths: dict[str, pd.DataFrame]
    limits: list[dict[str, object]]
    trials: list[dict[str, object]]


def write_demo(folder: Path | str, *, seed: int = 1) -> list[Path]:
    """Write the demo season into a folder: the same seed gives the same tables.

    Parameters
    ----------
    folder : path
        Made where missing; files of the same names are replaced, others left alone.
    seed : int, optional
        0 or more.

    Returns
    -------
    list of pathlib.Path
        The files written: one Parquet file per input table but the outlines, which are in
        ``areas.geojson``, ``truth/``, ``dirty/``, and the fish of the holding trials one by one in
        ``held/``.

    Raises
    ------
    UsageError
        If the seed is negative, or the folder's path is a file.
    """
    if seed < 0:
        raise UsageError(f"seed {seed}; allowed: 0 or a larger whole number")
    root = Path(folder)
    if root.exists() and not root.is_dir():
        raise UsageError(f"{root} is a file; name a folder for the demo season")
    sound = demo_sound()
    years = [_simulate(sound, season, seed) for season in sound.seasons]
    tables = _input_tables(sound, years)
    truths = _truths(sound, years)
    for place in (root, root / "truth", root / "dirty", root / "held"):
        place.mkdir(parents=True, exist_ok=True)
    written = [_write(table, root / f"{name}.parquet") for name, table in tables.items()]
    written += [_write(table, root / "truth" / f"{name}.parquet") for name, table in truths.items()]
    readme = root / "truth" / "README.md"
    readme.write_text(TRUTH_README, encoding="utf-8")
    dirty = write_dirty(root / "dirty", tables, season=sound.seasons[-1].season)
    outlines = root / "areas.geojson"
    outlines.write_text(outlines_geojson(sound), encoding="utf-8")
    held = root / "held" / "held_fish.csv"
    trials = tables["holding_trials"].to_pylist()
    held.write_text(held_fish_csv(sound, trials, rng=np.random.default_rng([seed, 96])))
    return [*written, outlines, readme, *dirty, held]


def _simulate(sound: Sound, season: Season, seed: int) -> _Year:
    """Simulate and sample one season; each season has its own stream of chance."""
    rng = np.random.default_rng([seed, season.year])
    population = simulate_population(sound, season_frame(sound, season.season), rng=rng)
    sample = draw_sample(sound, population, rng=rng, options=DEMO_SAMPLE, through=season.through)
    fleet = simulate_fleet(sound, population, rng=rng)
    bycatch = simulate_bycatch(population, rng=rng)
    truth = truth_rows(sound, population, through=season.through)
    limits = limit_rows(sound.habits, season, truth)
    if season.through:
        truth = pd.concat([truth, truth_rows(sound, population)], ignore_index=True)
    by_day: _ByDay = {"rng": rng, "through": season.through}
    tables = {
        **sample.tables,
        "planned_site_days": _plan(sound, season, population, seed),
        "fish": fish_table(sound, population, sample, **by_day),
        "bycatch": bycatch_table(sample, bycatch),
        "boat_counts": boat_counts_table(sound, population, fleet, **by_day),
        "coverage": coverage_table(sound, population, fleet, **by_day),
    }
    truths = {
        "totals": truth,
        "trend": trend_rows(sound, population),
        "bycatch": bycatch_truth(sound, population, bycatch),
        "fleet": fleet_truth(sound, population, fleet),
    }
    return _Year(tables, truths, limits, holding_trial_rows(season, rng=rng))


def _plan(sound: Sound, season: Season, population: Population, seed: int) -> pa.Table:
    """Return the plan of the week after the last sampled one; empty where the season is over."""
    ahead = [week for week in population.frame.weeks if season.through and week > season.through]
    if not ahead:
        return table_of("planned_site_days", [])
    rng = np.random.default_rng([seed, season.year, 97])
    return plan_week(sound, population, week=ahead[0], seed=seed, rng=rng)


def _input_tables(sound: Sound, years: list[_Year]) -> dict[str, pa.Table]:
    limits = [row for year in years for row in year.limits]
    trials = [row for year in years for row in year.trials]
    return {
        **reference_tables(sound),
        **{
            name: pa.concat_tables([year.tables[name] for year in years])
            for name in years[0].tables
        },
        **rate_tables(sound.habits),
        "limits": table_of("limits", limits),
        "holding_trials": table_of("holding_trials", trials),
    }


def _truths(sound: Sound, years: list[_Year]) -> dict[str, pa.Table]:
    frames = {
        name: pd.concat([year.truths[name] for year in years], ignore_index=True)
        for name in years[0].truths
    }
    frames["parameters"] = parameter_rows(sound)
    return {
        name: pa.Table.from_pandas(frame, preserve_index=False).replace_schema_metadata()
        for name, frame in frames.items()
    }


def _write(table: pa.Table, path: Path) -> Path:
    pq.write_table(table, path, compression="zstd")
    return path
