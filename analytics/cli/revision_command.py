"""``revisions``: which estimates moved between two versions of a store, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from analytics.cli.files import domains, out_path, write_table
from analytics.cli.result_commands import BY, SEASON
from analytics.cli.terminal import STORE, examples, progress, say

if TYPE_CHECKING:
    from pathlib import Path


@click.command(
    short_help="Tell which estimates moved, and why.",
    epilog=examples(
        "blackmouth revisions --store mystore --out moved.csv",
        "blackmouth revisions --store mystore --since 3 --as-of 5 --by week --out -",
    ),
)
@STORE
@SEASON
@click.option(
    "--since",
    type=int,
    metavar="VERSION",
    help="Version to begin with; that of the last bulletin before the newest data if not given.",
)
@click.option(
    "--as-of", type=int, metavar="VERSION", help="Version to end with; the newest if not given."
)
@BY
@click.option(
    "--out",
    required=True,
    metavar="FILE",
    help="The moves: a .csv or .parquet file, or - for CSV on standard output.",
)
def revisions(
    *,
    store: Path,
    season: str | None,
    since: int | None,
    as_of: int | None,
    by: str,
    out: str,
) -> None:
    """Tell which estimates moved between two versions of the store, and which batch moved each.

    One row a step, domain and quantity: the estimate, error and status before and after, the
    batch, its files, and when it was imported or withdrawn. Weeks that were not there before are
    new, not moved. A sentence on stderr nets the steps.
    """
    target = out_path(out)
    words = domains(by)

    from analytics.bulletin import moved  # noqa: PLC0415 - keeps --help quick
    from analytics.bulletin.revisions import compared_versions, steps_between  # noqa: PLC0415
    from analytics.data.store import Store  # noqa: PLC0415

    progress("reading the store")
    kept = Store(store)
    ends = compared_versions(kept, season=season, since=since, as_of=as_of)
    found = steps_between(kept, ends, by=words, progress=progress)
    write_table(found, target)
    net = moved.netted(found)
    say(f"season {ends.season}, {moved.summary(net, since=ends.since, version=ends.version)}")
    if target:
        say(f"{moved.rows_words(found)} in {target}")
