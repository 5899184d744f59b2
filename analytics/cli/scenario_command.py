"""``scenarios``: the estimates if reports of sublegal releases ran high by stated multipliers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from analytics.cli.files import domains, out_path, write_table
from analytics.cli.result_commands import BY, SEASON, THROUGH
from analytics.cli.terminal import STORE, examples, progress, say
from analytics.errors import WrongUse

if TYPE_CHECKING:
    from pathlib import Path


@click.command(
    short_help="Estimate as if sublegal reports ran high.",
    epilog=examples(
        "blackmouth scenarios --store mystore --out scenarios.csv",
        "blackmouth scenarios --store mystore --by season --reports-over 1,2.2 --out -",
    ),
)
@STORE
@SEASON
@BY
@click.option(
    "--reports-over",
    default="1,1.5,2.2",
    show_default=True,
    metavar="M,M,...",
    help="Multipliers, each from 0.1 to 10: sublegal fish reported for each one released.",
)
@THROUGH
@click.option(
    "--out",
    required=True,
    metavar="FILE",
    help="The rows: a .csv or .parquet file, or - for CSV on standard output.",
)
def scenarios(
    *,
    store: Path,
    season: str | None,
    by: str,
    reports_over: str,
    through: str | None,
    out: str,
) -> None:
    """Estimate every quantity as if anglers reported M sublegal fish for each one they released.

    Reported sublegal releases are divided by M; all else stays as told. Rows are result rows after
    a column `basis`: as_reported where M is 1, else sublegal_reports_divided_by_M. These are
    scenarios, no correction: nothing in the other commands uses them.
    """
    target = out_path(out)
    words, multipliers = domains(by), _multipliers(reports_over)
    if through is not None:
        from analytics.weeks import week_start  # noqa: PLC0415 - keeps --help quick

        week_start(through)

    from analytics.bulletin.scenarios import scenario_table  # noqa: PLC0415 - keeps --help quick
    from analytics.data.store import Store  # noqa: PLC0415

    progress("estimating")
    rows = scenario_table(
        Store(store).snapshot(),
        season=season,
        by=words,
        through=through,
        reports_over=multipliers,
    )
    write_table(rows, target)
    if target:
        say(f"{rows.num_rows:,} rows of {len(multipliers)} scenarios in {target}")


def _multipliers(written: str) -> tuple[float, ...]:
    try:
        return tuple(float(one) for one in written.split(","))
    except ValueError:
        raise WrongUse(
            f"--reports-over {written}; allowed: numbers joined by commas, such as 1,1.5,2.2"
        ) from None
