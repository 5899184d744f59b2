"""Times and peak memory, as ratios to baselines measured in the same run.

``python -m tests.bench`` prints Markdown tables: whole commands on a season of middling size;
the steps of the estimate beside DuckDB's group-by of the same files, at two sizes ten times apart;
the same estimates by a general survey library and by a bootstrap, on a subset, which must be equal;
a regression of counts beside statsmodels' dense one, equal too; and options weighed on joint
draws beside a plain reckoning day by day, with the server's time of the page that shows them. No
figure is kept from another run.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.bench import models, options, others, page, scale
from tests.bench.big_tables import big_tables, write_tables
from tests.bench.processes import Measured, measure

GROUP_BY = """
import duckdb
duckdb.sql('''
    SELECT sample_id, area, count(*), sum(kept), sum(released_sublegal), sum(anglers * hours_fished)
    FROM read_parquet('{path}') GROUP BY sample_id, area
''').fetchall()
"""


def run(*, n_interviews: int, n_site_days: int, runs: int) -> list[Measured]:
    """Measure the baseline, import and estimate on one large season."""
    command = [sys.executable, "-m", "analytics.cli"]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        tables = big_tables(n_interviews=n_interviews, n_site_days=n_site_days)
        write_tables(tables, folder / "csv")
        write_tables(tables, folder / "parquet", ending="parquet")
        code = GROUP_BY.format(path=folder / "parquet" / "interviews.parquet")
        stores = [str(folder / f"store{number}") for number in range(2 * runs)]

        def estimates(by: str) -> list[list[str]]:
            out = str(folder / "rows.csv")
            words = ["estimate", "--store", stores[0], "--by", by, "--out", out]
            return [[*command, *words]] * runs

        return [
            measure("DuckDB's bare group-by (baseline)", [[sys.executable, "-c", code]] * runs),
            *(
                measure(
                    f"import, {ending}",
                    [
                        [*command, "import", str(folder / ending), "--store", store]
                        for store in kept
                    ],
                )
                for ending, kept in (("csv", stores[:runs]), ("parquet", stores[runs:]))
            ),
            measure("estimate by area,week", estimates("area,week")),
            measure("estimate by season", estimates("season")),
            measure(
                "bulletin", [[*command, "bulletin", "--store", store] for store in stores[:runs]]
            ),
        ]


def whole_commands(*, n_interviews: int, n_site_days: int, runs: int) -> None:
    """Print the table of whole commands."""
    measured = run(n_interviews=n_interviews, n_site_days=n_site_days, runs=runs)
    baseline = measured[0]
    print(f"{n_interviews:,} interviews in {n_site_days:,} site-days, median of {runs} runs\n")
    print("| whole command | median s | × baseline | peak MiB | × baseline |")
    print("|---|---|---|---|---|")
    for one in measured:
        print(
            f"| {one.name} | {one.median:.2f} | {one.median / baseline.median:.1f} "
            f"| {one.peak_mib:,.0f} | {one.peak_mib / baseline.peak_mib:.1f} |"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--interviews", type=int, default=100_000, help="for whole commands")
    parser.add_argument("--site-days", type=int, default=10_000, help="for whole commands")
    parser.add_argument("--large", type=int, default=2_000_000, help="interviews, for the steps")
    parser.add_argument("--subset", type=int, default=40_000, help="interviews, for other ways")
    parser.add_argument("--fitted", type=int, default=500_000, help="interviews, for models")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--only", choices=("commands", "steps", "others", "models", "options"))
    given = parser.parse_args()
    if given.only in (None, "commands"):
        whole_commands(n_interviews=given.interviews, n_site_days=given.site_days, runs=given.runs)
    if given.only in (None, "steps"):
        sizes = (given.large // 10, given.large)
        scales = [
            scale.at_scale(n_interviews=n, n_site_days=n // 10, runs=given.runs) for n in sizes
        ]
        print(f"\nInside one process, the quickest of {given.runs} runs taken in turns\n")
        print("\n".join(scale.tables(scales)))
    if given.only in (None, "others"):
        days = given.subset * 3 // 20
        found = others.compare(n_interviews=given.subset, n_site_days=days)
        print(f"\n{given.subset:,} interviews in {days:,} site-days, every boat interviewed\n")
        print("\n".join(others.table(*found)))
    if given.only in (None, "models"):
        for n, ways in ((given.fitted, tuple(models.WAYS)), (4 * given.fitted, ("own",))):
            fits = models.compare(n=n, ways=ways, runs=given.runs)
            print("\n" + "\n".join(models.table(n, fits)))
    if given.only in (None, "options"):
        print("\n" + "\n".join(options.table(options.compare(runs=given.runs))))
        print("\n" + "\n".join(page.lines(page.apart())))


if __name__ == "__main__":
    main()
