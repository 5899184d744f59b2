"""A large invented season for measuring: any number of interviews in any number of site-days.

``python -m tests.bench.big_tables --out DIR`` writes 100,000 interviews in 10,000 site-days, of one
season, six areas and as many sites as that takes. The numbers mean nothing; their shape is right:
clean tables that import without an error, with most columns filled.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

N_AREAS = 6
OPEN, CLOSE = np.datetime64("2030-11-01"), np.datetime64("2031-04-30")
#: Site-days of a season at most: of some 200 ramps, however many boats land there.
MOST_SITE_DAYS = 18_000
METHODS = np.array(["mooching", "trolling", "jigging"])


def site_days_of(n_interviews: int) -> int:
    """Return the site-days of a season of so many interviews: ten interviews each, or more."""
    return min(n_interviews // 10, MOST_SITE_DAYS)


def big_tables(*, n_interviews: int, n_site_days: int, seed: int = 1) -> dict[str, pa.Table]:
    """Return a season's tables with the rows asked for.

    Parameters
    ----------
    n_interviews, n_site_days : int
        Rows of ``interviews`` and ``site_days``.
    seed : int, optional
        Of the generator; the same seed gives the same tables.
    """
    rng = np.random.default_rng(seed)
    days = np.arange(OPEN, CLOSE + np.timedelta64(1, "D"))
    n_sites = -(-n_site_days // (len(days) // 2)) + N_AREAS
    site_area = _names("A", np.arange(n_sites) % N_AREAS)
    drawn = rng.choice(n_sites * len(days), n_site_days, replace=False)
    sample_id = _names("S", np.arange(n_site_days), width=6)
    of_unit = np.sort(rng.integers(0, n_site_days, n_interviews))
    interviewed = np.bincount(of_unit, minlength=n_site_days)
    return {
        "areas": pa.table({"area": _names("A", np.arange(N_AREAS))}),
        "sites": pa.table({"site": _names("R", np.arange(n_sites)), "area": site_area}),
        "seasons": pa.table(
            {
                "season": ["2030-31"] * N_AREAS,
                "area": _names("A", np.arange(N_AREAS)),
                "open_date": np.full(N_AREAS, OPEN),
                "close_date": np.full(N_AREAS, CLOSE),
                "min_length_mm": np.full(N_AREAS, 559.0),
            }
        ),
        "site_days": pa.table(
            {
                "sample_id": sample_id,
                "site": _names("R", drawn // len(days)),
                "date": days[drawn % len(days)],
                "boats_returned": interviewed + rng.poisson(3, n_site_days) * (interviewed > 0),
            }
        ),
        "interviews": _interviews(rng, sample_id[of_unit], site_area[drawn[of_unit] // len(days)]),
        "release_rates": pa.table(
            {
                "size_class": ["any"],
                "method": ["any"],
                "wound_class": ["any"],
                "rate_prop": [0.15],
                "rate_se": [0.02],
                "source": ["made up for measuring"],
            }
        ),
    }


def big_seasons(n_seasons: int, *, n_interviews: int, n_site_days: int) -> dict[str, pa.Table]:
    """Return the tables of some seasons, 52 weeks apart, each as of `big_tables`; the last as it.

    Areas, sites and rates are those of all.
    """
    parts = [
        big_tables(n_interviews=n_interviews, n_site_days=n_site_days, seed=back + 1)
        for back in range(n_seasons)
    ]
    found = dict(parts[0])
    for name in ("seasons", "site_days", "interviews"):
        found[name] = pa.concat_tables(
            _moved_back(part[name], back) for back, part in enumerate(parts)
        )
    return found


def _moved_back(table: pa.Table, back: int) -> pa.Table:
    """Return rows some seasons earlier, with names of their own."""
    for place, field in enumerate(table.schema):
        column = table[field.name]
        if pa.types.is_date(field.type) or pa.types.is_timestamp(field.type):
            days = column.cast(pa.date32()).to_numpy() - np.timedelta64(364 * back, "D")
            table = table.set_column(place, field.name, pa.array(days, pa.date32()))
        elif field.name == "season":
            first = int(str(OPEN)[:4]) - back
            named = pa.array([f"{first}-{(first + 1) % 100:02d}"] * len(table))
            table = table.set_column(place, field.name, named)
        elif field.name in ("sample_id", "interview_id"):
            own = pc.binary_join_element_wise(f"{back:02d}", column, "-")
            table = table.set_column(place, field.name, own)
    return table


def write_tables(tables: dict[str, pa.Table], folder: Path, *, ending: str = "csv") -> None:
    """Write tables into a folder as CSV or Parquet."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        path = folder / f"{name}.{ending}"
        pacsv.write_csv(table, path) if ending == "csv" else pq.write_table(table, path)


def _interviews(rng: np.random.Generator, sample_id: np.ndarray, home_area: np.ndarray) -> pa.Table:
    n = len(sample_id)
    away = rng.random(n) < 0.15
    kept = rng.binomial(2, 0.2, n)
    legal, sublegal = rng.poisson(0.4, n), rng.negative_binomial(0.7, 0.7 / (0.7 + 4), n)
    return pa.table(
        {
            "interview_id": _names("I", np.arange(n), width=8),
            "sample_id": sample_id,
            "area": np.where(away, _names("A", rng.integers(0, N_AREAS, n)), home_area),
            "anglers": rng.integers(1, 5, n),
            "hours_fished": np.round(rng.uniform(1, 9, n), 1),
            "method": METHODS[rng.integers(0, len(METHODS), n)],
            "kept": kept,
            "released_legal": legal,
            "released_sublegal": sublegal,
            "released_unknown": rng.binomial(1, 0.05, n),
            "kept_marked": rng.binomial(kept, 0.6),
            "released_legal_marked": rng.binomial(legal, 0.6),
            "released_sublegal_marked": rng.binomial(sublegal, 0.6),
        }
    )


def _names(letter: str, number: np.ndarray, *, width: int = 3) -> np.ndarray:
    return np.char.add(letter, np.char.zfill(np.asarray(number).astype(str), width))


def main() -> None:
    """Write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--interviews", type=int, default=100_000)
    parser.add_argument("--site-days", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--ending", choices=("csv", "parquet"), default="csv")
    given = parser.parse_args()
    tables = big_tables(n_interviews=given.interviews, n_site_days=given.site_days, seed=given.seed)
    write_tables(tables, given.out, ending=given.ending)


if __name__ == "__main__":
    main()
