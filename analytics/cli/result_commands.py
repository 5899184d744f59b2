"""``estimate``, ``bulletin`` and ``demo``: result rows, kept bulletins, the invented season."""

from __future__ import annotations

from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from analytics.cli.terminal import (
    STORE,
    domains,
    examples,
    in_words,
    out_folder,
    out_path,
    out_table,
    progress,
    require_folder_of,
    require_room_for,
    say,
    write_files,
    write_table,
    written_at,
)
from analytics.errors import UsageError
from analytics.settings import EffortSource, EstimationSettings, FishBasis, ThinStrataPolicy

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import pandas as pd

    from analytics.bulletin.archive import Bulletin
    from analytics.data.query import Workers
    from analytics.data.store import Store


SEASON = click.option(
    "--season", metavar="S", help="Season, such as 2030-31; the latest with data if not given."
)
THROUGH = click.option(
    "--through",
    metavar="WEEK",
    help="Last ISO week, such as 2031-W05; the last with a sampled site-day if not given.",
)

BASIS = click.option(
    "--basis",
    type=click.Choice([one.value for one in FishBasis]),
    default=FishBasis.REPORTED.value,
    show_default=True,
    help="Released fish: as reported in interviews, or from legal marked fish of the interviews at "
    "the composition of test fishing. Every row stands on it.",
)
CLUSTER = click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Sum interviews on the workers of a Dask scheduler, as tcp://10.0.0.5:8786; they must "
    "read the store under the same path. Needs the extra cluster.",
)
BY = click.option(
    "--by",
    default="area,week",
    show_default=True,
    help="Domains: area (area fished), week (ISO), both joined by a comma, or season alone.",
)


@click.command(
    short_help="Estimate effort, catch, shares and deaths.",
    epilog=examples(
        "blackmouth estimate --store mystore --out week.csv",
        "blackmouth estimate --store mystore --by season --level 0.9 --out -",
    ),
)
@STORE
@SEASON
@BY
@click.option(
    "--level",
    type=float,
    default=0.95,
    show_default=True,
    help="Confidence level of the intervals, between 0 and 1.",
)
@THROUGH
@click.option("--as-of", type=int, metavar="VERSION", help="An earlier version of the store.")
@click.option(
    "--thin",
    type=click.Choice([one.value for one in ThinStrataPolicy]),
    default=ThinStrataPolicy.BORROW.value,
    show_default=True,
    help="Strata with one sampled unit or none: borrow from neighbours, or refuse the number.",
)
@click.option(
    "--effort",
    type=click.Choice([one.value for one in EffortSource]),
    default=EffortSource.INTERVIEWS.value,
    show_default=True,
    help="Effort from boats and interviews at landing sites, or from boats counted on the water.",
)
@click.option(
    "--day-hours",
    type=float,
    metavar="H",
    help="With --effort counts: hours of the fishing day that counts were spread over; from "
    "sunrise to sunset at the area's sites if not given.",
)
@click.option(
    "--expand",
    is_flag=True,
    help="Expand totals by the coverage table to boats that land elsewhere than at listed sites.",
)
@BASIS
@click.option(
    "--replicates",
    type=click.Choice(["jackknife", "bootstrap"]),
    help="Also write weights of the sampled site-days and replicates of them, for survey programs: "
    "FILE_replicate_weights and FILE_replicates, beside --out.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="Of the draws of --replicates bootstrap.",
)
@CLUSTER
@out_table("Result rows")
def estimate(
    *,
    store: Path,
    season: str | None,
    by: str,
    level: float,
    through: str | None,
    as_of: int | None,
    thin: str,
    effort: str,
    day_hours: float | None,
    expand: bool,
    basis: str,
    replicates: str | None,
    seed: int,
    cluster: str | None,
    out: str,
) -> None:
    """Estimate effort, catch, sublegal share and deaths, each with its error.

    Result rows are one a domain and quantity, with unit, standard error, interval, degrees of
    freedom, sample sizes, method and status. Effort is in angler-hours and trips, catch in fish,
    shares are proportions from 0 to 1.
    """
    target = out_path(out)
    levels = domains(by)
    if not 0 < level < 1:
        raise UsageError(f"--level {level}; allowed: between 0 and 1, such as 0.95")
    _require_week(through)
    if replicates and (target is None or effort == EffortSource.COUNTS or expand):
        raise UsageError(
            f"--replicates {replicates}; allowed: with --out a file and effort from interviews at "
            "listed sites, without --expand"
        )
    EstimationSettings.of(thin=thin, effort=effort, expand=expand, day_hours=day_hours, basis=basis)

    from analytics.data.store import Store  # noqa: PLC0415
    from analytics.estimates.estimate import estimate as estimate_rows  # noqa: PLC0415 - quick --help

    with _workers(cluster) as workers:
        progress("estimating")
        rows = estimate_rows(
            Store(store, workers=workers),
            season=season,
            by=levels,
            level=level,
            through=through,
            as_of=as_of,
            thin=thin,
            effort=effort,
            expand=expand,
            day_hours=day_hours,
            basis=basis,
        )
    if effort == EffortSource.COUNTS:
        from analytics.estimates.sampling_report import uneven_warnings  # noqa: PLC0415

        snapshot = Store(store).snapshot(as_of=as_of)
        for warning in uneven_warnings(
            snapshot, season=season, through=through, day_hours=day_hours
        ):
            say(str(in_words(warning)))
    _write_rows(rows, target)
    if replicates and target:
        given = {"season": season, "through": through, "as_of": as_of, "thin": thin, "seed": seed}
        _write_replicates(Store(store), target, replicates, **given)


@click.command(
    short_help="Make and save the week's full result set.",
    epilog=examples(
        "blackmouth bulletin --store mystore",
        "blackmouth bulletin --store mystore --season 2030-31 --through 2031-W05 --out week05",
    ),
)
@STORE
@SEASON
@THROUGH
@BASIS
@CLUSTER
@out_folder(
    "Also write its tables there, as CSV and Parquet, and its documents: bulletin.html, "
    "bulletin.pdf and bulletin.xlsx.",
    required=False,
)
@click.option(
    "--steps",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Also write each step to FILE as it begins, a line of JSON each, for a program that waits "
    "for the bulletin; one process at a time writes it.",
)
def bulletin(
    *,
    store: Path,
    season: str | None,
    through: str | None,
    basis: str,
    cluster: str | None,
    out: Path | None,
    steps: Path | None,
) -> None:
    """Make the week's full result set and save it in the store, by version.

    Estimates of a season through a week by area and week, area, week and season, with changes from
    the week before, the strata and the findings. The dashboard shows bulletins. The same data give
    the same bulletin, which is then left as it is.
    """
    _require_week(through)
    if out:
        require_room_for(out)

    from analytics.bulletin.second_process import second_process  # noqa: PLC0415 - quick --help

    beside = nullcontext(None) if cluster else second_process(Path(store))
    with beside as second, _workers(cluster) as workers, _steps_in(steps) as (begin, end):
        # The second process, if any, imports its libraries meanwhile.
        from analytics.bulletin.archive import archive_of, load  # noqa: PLC0415
        from analytics.bulletin.build import make_bulletin  # noqa: PLC0415
        from analytics.data.store import Store  # noqa: PLC0415

        target = Store(store, workers=workers)
        card = make_bulletin(
            target, season=season, through=through, basis=basis, progress=begin, second=second
        )
        end(card.bulletin)
    where = f"season {card.season} through {card.through}"
    say(f"bulletin {card.bulletin}: {where}, released fish {card.basis}")
    if out:
        archive = archive_of(target.path)
        _write_bulletin(load(archive, card.bulletin), archive, out)
        say(f"documents and tables written to {out}")


@click.command(
    short_help="Write the invented demo season.",
    epilog=examples("blackmouth demo --out demo", "blackmouth import demo --store demostore"),
)
@out_folder("Folder to write; files of the same names are replaced.")
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="Seed of the simulator; the same seed gives the same season.",
)
def demo(out: Path, seed: int) -> None:
    """Write the invented demo season: its tables, its known truth, a few dirty rows.

    Everything in it is made up. The folder can be imported as it is; truth/ and dirty/ in it are
    not read by an import of the folder.
    """
    from analytics.simulation.write import write_demo  # noqa: PLC0415 - keeps --help quick

    require_room_for(out)
    progress("simulating")
    with written_at(out):
        files = write_demo(out, seed=seed)
    say(f"wrote {len(files)} files to {out}")


@contextmanager
def _steps_in(
    file: Path | None,
) -> Iterator[tuple[Callable[[str], None], Callable[[str], None]]]:
    """Give what is called with each step and with the bulletin made; both go to a file, too."""
    if file is None:
        yield progress, lambda bulletin: None
        return
    require_folder_of(file)
    from analytics.bulletin.step_record import MADE, STEP, recording  # noqa: PLC0415 - quick --help

    with recording(file) as add:

        def begin(words: str) -> None:
            progress(words)
            add(STEP, words)

        yield begin, lambda bulletin: add(MADE, bulletin)


@contextmanager
def _workers(address: str | None) -> Iterator[Workers | None]:
    """Connect to the workers that ``--cluster`` names; none where it names none."""
    if address is None:
        yield None
        return
    from analytics.data.store import connected  # noqa: PLC0415 - keeps --help quick

    progress("asking the workers")
    with connected(address) as workers:
        yield workers


def _require_week(week: str | None) -> None:
    if week is None:
        return
    from analytics.weeks import week_start  # noqa: PLC0415 - keeps --help quick

    week_start(week)


def _write_rows(rows: pd.DataFrame, target: Path | None) -> None:
    import pyarrow as pa  # noqa: PLC0415 - keeps --help quick

    from analytics.result_table import RESULT_SCHEMA  # noqa: PLC0415

    table = pa.Table.from_pandas(rows, RESULT_SCHEMA, preserve_index=False)
    write_table(table.replace_schema_metadata(), target)
    if target is not None:
        say(f"{len(rows):,} result rows in {target}")


def _write_replicates(store: Store, target: Path, word: str, **given: Any) -> None:
    """Write replicate weights beside the result rows; `given` as of `replicate_weights`."""
    from analytics.estimates.estimate import replicate_weights  # noqa: PLC0415 - keeps --help quick

    *tables, lacking = replicate_weights(store, method=word, **given)
    for name, table in zip(("replicate_weights", "replicates"), tables, strict=True):
        file = target.with_name(f"{target.stem}_{name}{target.suffix}")
        write_table(table, file)
        say(f"{table.num_rows:,} rows in {file}")
    if lacking:
        where = ", ".join(lacking)
        say(f"no replicate has the error of strata with one unit and no neighbour: {where}")


def _write_bulletin(bulletin: Bulletin, archive: Path, folder: Path) -> None:
    from analytics.bulletin.archive import TABLE_SCHEMAS  # noqa: PLC0415 - keeps --help quick
    from analytics.documents.files import bulletin_files  # noqa: PLC0415

    progress("writing documents")
    documents = bulletin_files(bulletin, archive=archive)
    with written_at(folder):
        folder.mkdir(parents=True, exist_ok=True)
    write_files(documents, folder)
    for name in TABLE_SCHEMAS:
        for ending in (".csv", ".parquet"):
            write_table(bulletin.table(name), folder / (name + ending))


# ``revisions``: which estimates moved between two versions of a store, and why.


@click.command(
    short_help="List which estimates changed, and why.",
    epilog=examples(
        "blackmouth revisions --store mystore --out changed.csv",
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
@out_table("The revisions")
def revisions(
    *, store: Path, season: str | None, since: int | None, as_of: int | None, by: str, out: str
) -> None:
    """List which estimates changed between two versions of the store, and which batch changed each.

    One row a step, domain and quantity: the estimate, error and status before and after, the
    batch, its files, and when it was imported or withdrawn. Weeks that were not there before are
    new, not changed. A sentence on stderr sums the steps up.
    """
    target = out_path(out)
    domain = domains(by)

    from analytics.bulletin import differences  # noqa: PLC0415 - keeps --help quick
    from analytics.bulletin.revisions import compared_versions, steps_between  # noqa: PLC0415
    from analytics.data.store import Store  # noqa: PLC0415

    progress("reading the store")
    kept = Store(store)
    ends = compared_versions(kept, season=season, since=since, as_of=as_of)
    found = steps_between(kept, ends, by=domain, progress=progress)
    write_table(found, target)
    net = differences.netted(found)
    words = differences.summary(net, found, since=ends.since, version=ends.version)
    say(f"season {ends.season}, {words}")
    if target:
        say(f"{differences.rows_words(found)} in {target}")


# ``scenarios``: the estimates if reports of sublegal releases ran high by stated multipliers.


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
@out_table("The rows")
def scenarios(
    *, store: Path, season: str | None, by: str, reports_over: str, through: str | None, out: str
) -> None:
    """Estimate every quantity as if anglers reported M sublegal fish for each one they released.

    Reported sublegal releases are divided by M; all else stays as reported. Rows are result
    rows after a column `alternative`: as_reported where M is 1, else sublegal_reports_divided_by_M.
    These are scenarios, no correction: nothing in the other commands uses them.
    """
    target = out_path(out)
    words, multipliers = domains(by), _multipliers(reports_over)
    _require_week(through)

    from analytics.data.store import Store  # noqa: PLC0415
    from analytics.estimates.alternative_estimates import scenario_table  # noqa: PLC0415 - keeps --help quick

    progress("estimating")
    rows = scenario_table(
        Store(store).snapshot(), season=season, by=words, through=through, reports_over=multipliers
    )
    write_table(rows, target)
    if target:
        say(f"{rows.num_rows:,} rows of {len(multipliers)} scenarios in {target}")


def _multipliers(written: str) -> tuple[float, ...]:
    try:
        return tuple(float(one) for one in written.split(","))
    except ValueError:
        raise UsageError(
            f"--reports-over {written}; allowed: numbers joined by commas, such as 1,1.5,2.2"
        ) from None
