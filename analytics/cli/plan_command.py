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
    out_folder,
    progress,
    require_room_for,
    say,
    write_files,
    write_table,
    written_at,
)
from analytics.errors import UsageError
from analytics.quantities import capitalised
from analytics.settings import Paper

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pyarrow as pa

    from analytics.data.snapshot import Snapshot
    from analytics.data.store import Store
    from analytics.options.baseline import Baseline, Limit
    from analytics.planning.plan import DecisionPlan, Plan
    from analytics.planning.sample_sizes import SampleNeed
    from analytics.planning.samplers import Sampler

_OBJECTIVES = ("sum", "worst", "all_areas")
#: Heads of the columns of the precision in the terminal.
_SHORT = {
    "angler_trips": "trips",
    "kept_fish": "kept",
    "encounter_fish": "encounters",
    "released_sublegal_fish": "sublegal",
    "sublegal_prop": "subl. share",
}


@click.command(
    short_help="Plan where samplers go in a week to come.",
    help="Plan the site-days of a week to come: how many go to each landing area and day group, "
    "what precision that promises, and a random draw by the design with its seed.\n\n"
    "DIR gets planned_site_days.csv (to be imported), expected.csv (precision now and planned, by "
    "area fished and quantity), sample_sizes.csv (boats to interview and fish to measure for "
    "--half-width), sheets.pdf (one sheet a shift) and schedule.ics. Errors rest on "
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
@click.option(
    "--through",
    metavar="WEEK",
    help="Plan every open week from --week through this one, or 'end' for the rest of the season: "
    "--shifts are then of all weeks, divided for the objective, and --target-pse holds in each. "
    "DIR gets a folder a week.",
)
@click.option("--shifts", type=int, metavar="N", help="Site-days of the week, in all.")
@click.option(
    "--target-pse",
    type=float,
    metavar="P",
    help="Relative standard error that the quantities of --quantity are to reach in every area, "
    "such as 0.3 for 30 %, with the fewest site-days.",
)
@click.option(
    "--objective",
    type=click.Choice(_OBJECTIVES),
    default=_OBJECTIVES[0],
    show_default=True,
    help="What --shifts makes least: the sum of squared relative errors of the figures by area, "
    "the worst of them, or that of all areas together. In simulated seasons 'worst' left its worst "
    "figure no better, and in one of two fisheries worse, than an even spread does: see the "
    "document sampling_plan.",
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
    "--samplers",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Who can go: a CSV file with the column sampler and any of areas, days_off, most_shifts, "
    "most_hours, travel_hours (to and fro) and rest_days, all of one week. Shifts are planned and "
    "drawn within that, and each gets its sampler.",
)
@click.option(
    "--shift-hours",
    type=float,
    default=9.0,
    show_default=True,
    metavar="H",
    help="Hours of one shift, without travel, that most_hours of a sampler hold.",
)
@click.option(
    "--not-covered",
    multiple=True,
    metavar="SITE,…",
    help="Sites that nobody can visit; may be given several times. They leave the draw, and what "
    "that does to the figures is said.",
)
@click.option(
    "--half-width",
    type=float,
    default=0.1,
    show_default=True,
    metavar="H",
    help="Wanted interval of the sublegal share and of the classes by size and mark, by area: "
    "0.1 for ± 10 points at 95 %.",
)
@click.option(
    "--all-sheets",
    is_flag=True,
    help="With --through: sheets.pdf of every week. Without it the first alone has one, since the "
    "others are planned anew when they come.",
)
@click.option(
    "--paper",
    type=click.Choice(tuple(map(str, Paper))),
    default=str(Paper.A4),
    show_default=True,
    help="Paper of sheets.pdf.",
)
@out_folder("Folder for the plan, made where missing; files of the same names are replaced.")
def plan(
    *,
    store: Path,
    season: str | None,
    week: str,
    through: str | None,
    shifts: int | None,
    target_pse: float | None,
    objective: str,
    quantities: tuple[str, ...],
    seed: int,
    samplers: Path | None,
    shift_hours: float,
    not_covered: tuple[str, ...],
    half_width: float,
    all_sheets: bool,
    paper: str,
    out: Path,
) -> None:
    """Plan a week's site-days and draw them."""
    from analytics.data.store import Store  # noqa: PLC0415 - keeps --help quick
    from analytics.planning.make_plan import ALLOCATED_FOR, Objective, PlanRequest  # noqa: PLC0415
    from analytics.planning.sample_sizes import needs_of  # noqa: PLC0415
    from analytics.planning.season_plan import plan_week, plan_weeks  # noqa: PLC0415

    def asked(of: str) -> PlanRequest:
        return PlanRequest(
            of,
            shifts=shifts,
            target_pse=target_pse,
            objective=Objective(objective),
            quantities=quantities or ALLOCATED_FOR,
            not_covered=tuple(
                one for given in not_covered for one in given.replace(",", " ").split()
            ),
            samplers=_samplers(samplers, of, shift_hours),
        )

    request = asked(week)
    needs_of(None, (), half_width)  # a half-width that is none is refused before long work
    require_room_for(out)
    opened = Store(store)
    snapshot, known = opened.snapshot(), _kept_draws(opened, season)
    if through is None:
        made = plan_week(snapshot, request, season=season, known=known, progress=progress)
        plans = {out: made}
    else:
        last = None if through == "end" else through
        found = plan_weeks(
            snapshot, asked, first=week, last=last, season=season, known=known, progress=progress
        )
        plans = {out / one.week: one for one in found}
        for line in _weeks_lines(found, snapshot):
            click.echo(line)
    for at, (folder, one) in enumerate(plans.items()):
        who, sheets = asked(one.week).samplers, paper if all_sheets or at == 0 else None
        _draw(one, snapshot, folder, store, seed=seed, who=who, half_width=half_width, paper=sheets)


def _draw(
    made: Plan,
    snapshot: Snapshot,
    out: Path,
    store: Path,
    *,
    seed: int,
    who: tuple[Sampler, ...],
    half_width: float,
    paper: str | None,
) -> None:
    """Draw the schedule of a week, write its files and say what they bring."""
    from analytics.codes import sentences  # noqa: PLC0415 - keeps --help quick
    from analytics.planning.sample_sizes import needs_of  # noqa: PLC0415
    from analytics.planning.schedule import (  # noqa: PLC0415
        draw_schedule,
        drawn_for_samplers,
        planned_site_days,
    )
    from analytics.planning.season_plan import other_plan  # noqa: PLC0415

    schedule = draw_schedule(made.strata, season=made.season, seed=seed, samplers=who)
    drawn = planned_site_days(schedule)
    beside = other_plan(snapshot["planned_site_days"], drawn, season=made.season, week=made.week)
    needs = needs_of(made.like, made.samples, half_width)
    progress("writing documents")
    _write(made, drawn, needs, snapshot, out, paper=paper)
    for line in [*_summary(made, snapshot), *_needs_lines(made, needs, half_width, snapshot)]:
        click.echo(line)
    if schedule.assigned:
        say(sentences(drawn_for_samplers(schedule)))
    if beside:
        say(sentences(beside))
    sheets = "" if paper is None else "sheets.pdf, "
    say(f"planned_site_days.csv, expected.csv, sample_sizes.csv, {sheets}schedule.ics in {out}")
    say(f"next: blackmouth import {out / 'planned_site_days.csv'} --store {store}")


def _weeks_lines(plans: Sequence[Plan], snapshot: Snapshot) -> list[str]:
    """Return several weeks in words: shifts and precision of each, one below the other."""
    from analytics.planning.make_plan import ALLOCATED_FOR  # noqa: PLC0415 - keeps --help quick

    names = _area_names(snapshot)
    total = sum(one.n_site_days for one in plans)
    lines = [
        f"{len(plans)} weeks, {total} site-days; PSE, % of kept fish and encounters as planned",
        f"  {'week':<12}{'site-days':>10}{'worst area':>12}  {'which':<22}{'all areas: kept':>16}"
        f"{'encounters':>12}",
    ]
    for plan in plans:
        known = [one for one in plan.expected if one.pse_planned is not None]
        mine = [one for one in known if one.area and one.quantity in ALLOCATED_FOR]
        worst = max(mine, key=lambda one: one.pse_planned or 0.0, default=None)
        where = names.get(worst.area or "", worst.area or "") if worst else "-"
        of_all = {one.quantity: one.pse_planned for one in known if one.area is None}
        lines.append(
            f"  {plan.week:<12}{plan.n_site_days:>10}"
            f"{_whole(worst.pse_planned if worst else None):>12}  {where:<22}"
            + "".join(
                f"{_whole(of_all.get(name)):>{width}}"
                for name, width in zip(ALLOCATED_FOR, (16, 12), strict=True)
            )
        )
    said = "Later weeks rest on draws further ahead: plan them anew as weeks come in."
    return [*lines, said, ""]


def _samplers(path: Path | None, week: str, shift_hours: float) -> tuple[Sampler, ...]:
    """Return the samplers of a file, none without one; a file without a sampler is refused."""
    from analytics.planning.samplers import samplers_of  # noqa: PLC0415 - keeps --help quick

    if path is None:
        return samplers_of("", week=week, shift_hours=shift_hours)  # hours are refused all the same
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"{path} cannot be read as text: {error}; give a CSV file in UTF-8"
        ) from error
    found = samplers_of(text, week=week, shift_hours=shift_hours)
    if not found:
        raise UsageError(f"{path} names no sampler; allowed: one a line, or leave --samplers out")
    return found


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


def _write(
    made: Plan,
    drawn: pa.Table,
    needs: Sequence[SampleNeed],
    snapshot: Snapshot,
    out: Path,
    *,
    paper: str | None,
) -> None:
    """Make every file first, then write them; without a paper there are no sheets."""
    from analytics.documents.shifts import (  # noqa: PLC0415 - keeps --help quick
        schedule_ics,
        sheets_pdf,
        shifts_of,
        zone_of_environment,
    )
    from analytics.planning.plan import expected_table  # noqa: PLC0415
    from analytics.planning.sample_sizes import needs_table  # noqa: PLC0415

    shifts = shifts_of(
        drawn.to_pylist(),
        sites=snapshot["sites"].to_pylist(),
        area_names=_area_names(snapshot),
        holidays=snapshot["holidays"].to_pylist(),
    )
    zone = zone_of_environment()
    files = {"schedule.ics": schedule_ics(shifts, made=datetime.now(UTC), zone=zone)}
    if paper is not None:
        files["sheets.pdf"] = sheets_pdf(shifts, paper=paper)
    with written_at(out):
        out.mkdir(parents=True, exist_ok=True)
    write_table(drawn, out / "planned_site_days.csv")
    write_table(expected_table(made.expected), out / "expected.csv")
    write_table(needs_table(needs), out / "sample_sizes.csv")
    write_files(files, out)


def _area_names(snapshot: Snapshot) -> dict[str, str]:
    from analytics.result_table import area_names  # noqa: PLC0415 - keeps --help quick

    return area_names(snapshot["areas"])


def _summary(made: Plan, snapshot: Snapshot) -> list[str]:
    """Return the plan in words: its site-days by stratum, how they were allocated, and the call."""
    from analytics.codes import sentences  # noqa: PLC0415 - keeps --help quick

    names = _area_names(snapshot)

    def area_name(area: str) -> str:
        return names.get(area, area)

    head = f"Season {made.season}, week {made.week}: {made.n_site_days} site-days"
    lines = [
        head,
        f"  {'stratum':<34}{'frame':>6}{'last':>6}{'even':>6}{'plan':>6}{'one more':>10}",
    ]
    lines += [
        f"  {area_name(one.area) + ', ' + one.weekdays:<34}{one.frame_size * one.sites_a_day:>6}"
        f"{one.n_now:>6}{one.n_even * one.sites_a_day:>6}{one.n_site_days:>6}"
        f"{'-' if one.one_more is None else f'{-100 * one.one_more:.0f} %':>10}"
        for one in made.strata
    ]
    if any(one.one_more is not None for one in made.strata):
        lines.append("  one more: what one unit more there would do to the PSE of its area")
    codes = [made.rule, *made.notes]
    lines += [*_precision_lines(made, area_name), ""]
    if made.decision is not None:
        lines += [_limit_words(made.decision, area_name), *_call_lines(made, area_name)]
        codes += made.decision.notes
    words = [sentences(one, area_name) for one in codes]
    return [*lines, *(f"{capitalised(one)}." for one in words)]


def _precision_lines(made: Plan, area_name: Callable[[str], str]) -> list[str]:
    """Return today's and planned relative errors by area and quantity, a line an area."""
    by_place = {(one.area, one.quantity): one for one in made.expected}
    if not any(one.pse_planned is not None for one in made.expected):
        return []
    heads = "".join(f"{_SHORT[name]:>13}" for name in _SHORT)
    lines = ["", "Relative standard error (PSE), %: as in the last sampled week > planned"]
    lines.append(f"  {'area fished':<22}{heads}")
    for area in dict.fromkeys(one.area for one in made.expected):
        cells = [by_place.get((area, name)) for name in _SHORT]
        words = [f"{_whole(o.pse_now)} > {_whole(o.pse_planned)}" if o else "-" for o in cells]
        name = "all areas" if area is None else area_name(area)
        lines.append(f"  {name:<22}{''.join(f'{one:>13}' for one in words)}")
    return [*lines, _boats_line(made)]


def _boats_line(made: Plan) -> str:
    """Return which part of the planned variance of all areas together lies between boats."""
    parts = {one.quantity: one.boats_part for one in made.expected if one.area is None}
    known = [
        f"{words} {_whole(parts[name])} %" for name, words in _SHORT.items() if parts.get(name)
    ]
    return f"  of the variance of all areas, between boats of a site-day: {', '.join(known) or '-'}"


def _call_lines(made: Plan, area_name: Callable[[str], str]) -> list[str]:
    """Return what one unit more in each stratum would take off the chance of the wrong call."""
    from analytics.planning.plan import LEAST_SHOWN  # noqa: PLC0415 - keeps --help quick

    gains = made.decision.one_more if made.decision else ()
    known = [
        f"{area_name(one.area)}, {one.weekdays} {100 * gain:.2f}"
        for one, gain in zip(made.strata, gains, strict=False)
        if gain is not None and gain >= LEAST_SHOWN
    ]
    if not gains:
        return []
    none = "no stratum by 0.01 points or more"
    return [
        f"  one unit more lowers the chance of the wrong call, points: {', '.join(known) or none}"
    ]


def _whole(part: float | None) -> str:
    return "-" if part is None else f"{100 * part:.0f}"


def _limit_words(decision: DecisionPlan, area_name: Callable[[str], str]) -> str:
    """Return the limit of the call in words: its fish, of what, and where."""
    from analytics.catch_limits import join_words  # noqa: PLC0415 - keeps --help quick
    from analytics.precision import chance  # noqa: PLC0415
    from analytics.quantities import QUANTITIES  # noqa: PLC0415

    what = join_words([QUANTITIES[one].label for one in decision.quantities])
    where = join_words([area_name(one) for one in decision.areas])
    return (
        "Call on the limit likeliest to be exceeded that is not certain yet: "
        f"{decision.limit_id}, {decision.fish:,.0f} fish of {what} in {where}; that it is exceeded "
        f"has a chance of {chance(decision.chance)} by the draws."
    )


def _needs_lines(
    made: Plan, needs: Sequence[SampleNeed], half_width: float, snapshot: Snapshot
) -> list[str]:
    """Return how many boats to interview and fish to measure, a line an area."""
    from analytics.codes import sentences  # noqa: PLC0415 - keeps --help quick
    from analytics.planning.sample_sizes import SHARE, likeness_codes  # noqa: PLC0415

    mine = [one for one in needs if one.quantity == SHARE]
    if made.like is None or not mine:
        return []
    names, points = _area_names(snapshot), f"{100 * half_width:g}"
    lines = [
        "",
        f"Boats to interview for a 95 % interval of the sublegal share of ± {points} points",
        f"  {'area fished':<22}{'share, %':>9}{'this plan, ±':>14}{'boats usual':>12}"
        f"{'boats needed':>14}{'their fish':>11}{'site-days needed':>18}",
    ]
    lines += [
        f"  {names.get(one.area, one.area):<22}{_whole(one.expected):>9}"
        f"{_whole(one.half_width_planned):>14}{one.boats_planned or 0:>12}"
        f"{_or_dash(one.boats_needed):>14}{_or_dash(one.fish_needed):>11}"
        f"{_or_dash(one.site_days_needed):>18}"
        for one in mine
    ]
    if any(one.boats_needed is None for one in mine):
        lines.append("  -: no number of boats that come back at the plan's site-days does")
    if any(one.site_days_needed is None for one in mine):
        lines.append("  - under site-days needed: more than the week has")
    words = [sentences(one) for one in likeness_codes(made.like, half_width)]
    return [*lines, *(f"{capitalised(one)}." for one in words)]


def _or_dash(n: int | None) -> str:
    return "-" if n is None else f"{n:,}"
