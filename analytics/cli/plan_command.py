"""``plan``: where samplers go in a week to come, what precision that promises, and the draw."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analytics.cli.options_command import newest_bulletin
from analytics.cli.result_commands import SEASON
from analytics.cli.terminal import (
    STORE,
    examples,
    progress,
    require_room_for,
    say,
    write_files,
    write_table,
    written_at,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pyarrow as pa

    from analytics.data.snapshot import Snapshot
    from analytics.data.store import Store
    from analytics.options.baseline import Baseline, Limit
    from analytics.planning.plan import Plan

_OBJECTIVES = ("worst", "sum", "all_areas")


@click.command(
    short_help="Plan where samplers go in a week to come.",
    help="Plan the site-days of a week to come: how many go to each landing area and day group, "
    "what precision that promises, and a random draw by the design with its seed.\n\n"
    "DIR gets planned_site_days.csv (to be imported), expected.csv (precision now and planned, by "
    "area fished and quantity), sheets.pdf (one sheet a shift) and schedule.ics. Errors rest on "
    "the spread of site-days so far this season, and on the draws of the week from the newest "
    "bulletin of the newest data; where none is kept they are drawn anew. Two site-days a stratum "
    "where the frame allows; with fewer shifts a stratum gets none or two, and the areas without a "
    "figure are named. Sampling in winter is the crew's own decision: local rules and weather come "
    "first.",
    epilog=examples(
        "blackmouth plan --store mystore --week 2031-W06 --shifts 36 --seed 7 --out plan06",
        "blackmouth plan --store mystore --week 2031-W06 --target-pse 0.3 --out plan06",
        "blackmouth import plan06/planned_site_days.csv --store mystore",
    ),
)
@STORE
@SEASON
@click.option("--week", required=True, metavar="WEEK", help="ISO week to plan, such as 2031-W06.")
@click.option("--shifts", type=int, metavar="N", help="Site-days of the week, in all.")
@click.option(
    "--target-pse",
    type=float,
    metavar="P",
    help="Relative standard error that every figure by area is to reach, such as 0.3 for 30 %, "
    "with the fewest site-days.",
)
@click.option(
    "--objective",
    type=click.Choice(_OBJECTIVES),
    default=_OBJECTIVES[0],
    show_default=True,
    help="What --shifts makes least: the worst relative error of the figures by area, the sum of "
    "their squares, or that of all areas together.",
)
@click.option(
    "--quantity",
    "quantities",
    multiple=True,
    metavar="Q",
    help="Quantity that shifts are allocated for, such as kept_fish; may be given several times. "
    "Kept fish and encounters if not given.",
)
@click.option(
    "--seed",
    type=int,
    default=1,
    show_default=True,
    metavar="K",
    help="Seed of the random draw, kept with it.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    metavar="DIR",
    help="Folder for the plan, made where missing; files of the same names are replaced.",
)
def plan(
    *,
    store: Path,
    season: str | None,
    week: str,
    shifts: int | None,
    target_pse: float | None,
    objective: str,
    quantities: tuple[str, ...],
    seed: int,
    out: Path,
) -> None:
    """Plan a week's site-days and draw them."""
    from analytics.codes import sentences  # noqa: PLC0415 - keeps --help quick
    from analytics.data.store import Store  # noqa: PLC0415
    from analytics.planning.make_plan import ALLOCATED_FOR, Objective, PlanRequest  # noqa: PLC0415
    from analytics.planning.schedule import draw_schedule, planned_site_days  # noqa: PLC0415
    from analytics.planning.season_plan import other_plan, plan_week  # noqa: PLC0415

    request = PlanRequest(
        week,
        shifts=shifts,
        target_pse=target_pse,
        objective=Objective(objective),
        quantities=quantities or ALLOCATED_FOR,
    )
    require_room_for(out)
    opened = Store(store)
    snapshot = opened.snapshot()
    made = plan_week(
        snapshot, request, season=season, known=_kept_draws(opened, season), progress=progress
    )
    drawn = planned_site_days(draw_schedule(made.strata, season=made.season, seed=seed))
    beside = other_plan(snapshot["planned_site_days"], drawn, season=made.season, week=week)
    progress("writing documents")
    _write(made, drawn, snapshot, out)
    for line in _summary(made, snapshot):
        click.echo(line)
    if beside:
        say(sentences(beside))
    say(f"planned_site_days.csv, expected.csv, sheets.pdf and schedule.ics in {out}")
    say(f"next: blackmouth import {out / 'planned_site_days.csv'} --store {store}")


def _kept_draws(store: Store, season: str | None) -> tuple[Baseline, Sequence[Limit]] | None:
    """Return the draws and limits of the newest bulletin of the newest data, if one is kept."""
    from analytics.bulletin.archive import archive_of, load  # noqa: PLC0415 - keeps --help quick
    from analytics.options.baseline_io import from_table, limits_of  # noqa: PLC0415

    card = newest_bulletin(store, season)
    if card is None:
        return None
    bulletin = load(archive_of(store.path), card.bulletin)
    draws = bulletin.table("draws")
    if not draws.num_rows:
        return None
    return from_table(draws), limits_of(bulletin.table("limit_status"))[0]


def _write(made: Plan, drawn: pa.Table, snapshot: Snapshot, out: Path) -> None:
    """Make every file first, then write them."""
    from analytics.documents.shifts import (  # noqa: PLC0415 - keeps --help quick
        schedule_ics,
        sheets_pdf,
        shifts_of,
        zone_of_environment,
    )
    from analytics.planning.plan import expected_table  # noqa: PLC0415

    shifts = shifts_of(
        drawn.to_pylist(), sites=snapshot["sites"].to_pylist(), area_names=_area_names(snapshot)
    )
    zone = zone_of_environment()
    files = {
        "sheets.pdf": sheets_pdf(shifts),
        "schedule.ics": schedule_ics(shifts, made=datetime.now(UTC), zone=zone),
    }
    with written_at(out):
        out.mkdir(parents=True, exist_ok=True)
    write_table(drawn, out / "planned_site_days.csv")
    write_table(expected_table(made.expected), out / "expected.csv")
    write_files(files, out)


def _area_names(snapshot: Snapshot) -> dict[str, str]:
    rows = snapshot["areas"].to_pylist()
    return {row["area"]: row["area_name"] or row["area"] for row in rows}


def _summary(made: Plan, snapshot: Snapshot) -> list[str]:
    """Return the plan in words: its site-days by stratum, how they were allocated, and the call."""
    from analytics.codes import sentences  # noqa: PLC0415 - keeps --help quick

    names = _area_names(snapshot)

    def area_name(area: str) -> str:
        return names.get(area, area)

    head = f"Season {made.season}, week {made.week}: {made.n_site_days} site-days"
    lines = [head, f"  {'stratum':<34}{'frame':>6}{'last':>6}{'even':>6}{'plan':>6}"]
    lines += [
        f"  {area_name(one.area) + ', ' + one.weekdays:<34}{one.frame_size * one.sites_a_day:>6}"
        f"{one.n_now:>6}{one.n_even * one.sites_a_day:>6}{one.n_site_days:>6}"
        for one in made.strata
    ]
    codes = [made.rule, *made.notes, *(made.decision.notes if made.decision else ())]
    words = [sentences(one, area_name) for one in codes]
    return [*lines, *(f"{one[:1].upper()}{one[1:]}." for one in words)]
