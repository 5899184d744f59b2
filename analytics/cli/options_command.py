"""``options``: what changes of the rules would do to the rest of a season, from a file of them."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analytics.cli.result_commands import SEASON
from analytics.cli.terminal import (
    STORE,
    examples,
    out_folder,
    progress,
    require_room_for,
    say,
    write_table,
    written_at,
)
from analytics.codes import sentences
from analytics.errors import DataRejected, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from analytics.bulletin.archive import Bulletin, BulletinMetadata
    from analytics.data.store import Store
    from analytics.documents.answer_document import ComparedOptions
    from analytics.options.baseline import Baseline
    from analytics.options.option import OptionSet

REPORT = "answer.md"
NOT_ANSWERED = "how far a rule may go cannot be answered:"

_FORMAT = """\b
FILE is TOML; --example prints one with every key explained:
  title, notes          of the set
  [[option]]            name, elasticity, to_other_areas_prop, to_other_days_prop
  [option.solve]        find (close, daily_limit, weekdays, min_length or marked), limit, risk,
                        areas: how far that rule may go
  [[option.change]]     areas, first_day, last_day, close_from, reopen_from, open_through,
                        open_weekdays, daily_limit_fish, at_limit, min_length_mm,
                        mark_selective, method_mix, effort_factor
  [[option.change.release_rates]]   a row of the table release_rates
A key that is left out leaves today's rule as it is; an unknown key is refused.
"""


def _print_example(context: click.Context, _: click.Parameter, requested: bool) -> None:
    if not requested:
        return
    from analytics.options.option_file import example  # noqa: PLC0415 - keeps --help quick

    click.echo(example(), nl=False)
    context.exit()


@click.command(
    short_help="Compare rule changes for the rest of a season.",
    help="Compare the options of FILE: angler trips, catch, encounters and deaths by the end of "
    "the season, each with its interval; the difference from today's rule; the probability of "
    "exceeding each limit, and when.\n\n"
    "Draws come from the newest bulletin of the season as of the newest data, made first where "
    "there is none. DIR gets answer.md, answer.html and answer.pdf to read, and figures, "
    "limit_exceedance, dominance and assumptions as CSV and Parquet: all of them or nothing; "
    "where an option asks how far a rule may go (solve), solved, risk_curve and frontier too. An "
    "option that the season cannot support is named with the reason, and the others are "
    "compared; where such an option asks how far a rule may go, nothing is written. The answer "
    "informs; the agency's own rules and licensed practice decide.\n\n" + _FORMAT,
    epilog=examples(
        "blackmouth options --example > options.toml",
        "blackmouth options options.toml --store mystore --out answer",
    ),
)
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@STORE
@SEASON
@out_folder("Folder for the answer, made where missing; files of the same names are replaced.")
@click.option(
    "--example",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_example,
    help="Print an example of FILE, every key explained, and exit; needs nothing else.",
)
def options(*, file: Path, store: Path, season: str | None, out: Path) -> None:
    """Compare the options of a file on the draws of a bulletin."""
    requested = _read(file)
    require_room_for(out)

    from analytics.data.store import Store  # noqa: PLC0415 - keeps --help quick
    from analytics.options.report import terminal_summary  # noqa: PLC0415

    bulletin = _bulletin(Store(store), season)
    baseline = _baseline(bulletin)
    progress("comparing")
    compared = _answer(requested, bulletin, baseline, fallback=file.stem)
    about = compared.about
    for words in (*about.left_out, *(f"not compared: {one}" for one in about.refused)):
        say(words)
    progress("writing documents")
    _write(compared, out)
    click.echo("\n".join(terminal_summary(about, compared.tables)))
    names = ", ".join(compared.tables)
    say(f"{REPORT}, answer.html, answer.pdf, and {names} as .csv and .parquet in {out}")


def _read(file: Path) -> OptionSet:
    from analytics.options.option_file import read_options  # noqa: PLC0415 - keeps --help quick

    try:
        return read_options(file.read_bytes())
    except OSError as error:
        raise UsageError(f"{file} cannot be read: {error.strerror or error}") from error
    except UsageError as error:
        faults = str(error).splitlines()
        between = "\n  " if len(faults) > 1 else " "
        raise UsageError(between.join([f"{file}:", *faults])) from error


def _bulletin(store: Store, season: str | None) -> Bulletin:
    """Return the newest bulletin of the season as of the newest data that was kept with draws."""
    from analytics.bulletin.archive import archive_of, load  # noqa: PLC0415 - keeps --help quick

    card = newest_bulletin(store, season)
    if card is None:
        _require_days_to_come(store, season)
        from analytics.bulletin.build import make_bulletin  # noqa: PLC0415 - loads the models

        card = make_bulletin(store, season=season, progress=progress)
        say(f"made bulletin {card.bulletin}: season {card.season} through {card.through}")
    else:
        say(f"from bulletin {card.bulletin}: season {card.season} through {card.through}")
    return load(archive_of(store.path), card.bulletin)


def newest_bulletin(store: Store, season: str | None) -> BulletinMetadata | None:
    """Return the newest bulletin with draws of the newest data, of a season or the latest one."""
    from analytics.bulletin.archive import archive_of, list_bulletins  # noqa: PLC0415 - keeps --help quick
    from analytics.survey.build import seasons_with_data  # noqa: PLC0415

    fresh = [
        card
        for card in list_bulletins(archive_of(store.path))
        if card.version == store.version and "draws" in card.tables
    ]
    if fresh and season is None:
        season = seasons_with_data(store.snapshot())[-1]
    return max(
        (card for card in fresh if card.season == season),
        key=lambda card: (card.through, card.made_utc),
        default=None,
    )


def _require_days_to_come(store: Store, season: str | None) -> None:
    """Refuse a season that is over (`UsageError`) before a bulletin is made of it.

    It is over where the last day with data is its last open day, or later.
    """
    from analytics.outlook.season_days import season_calendar  # noqa: PLC0415 - loads the models
    from analytics.survey.build import build_design, seasons_with_data  # noqa: PLC0415
    from analytics.survey.estimators import convenience_interviews  # noqa: PLC0415

    snapshot = store.snapshot()
    season = season or next(reversed(seasons_with_data(snapshot)), None)
    if season is None:
        return  # reported where the bulletin is made
    met = convenience_interviews(snapshot, season=season)
    design = build_design(snapshot, season=season, met=met)
    to_come = season_calendar(snapshot, season=season, through=design.through, areas=design.areas)
    if not len(to_come.days):
        raise _over(season, to_come.through)


def _over(season: str, through: date) -> UsageError:
    return UsageError(
        f"season {season} is over: no day is left after {through} on which a rule could change; "
        "name a season that is under way with --season"
    )


def _baseline(bulletin: Bulletin) -> Baseline:
    """Return the draws of a bulletin.

    One without draws is `DataRejected`; where no day is left for a change, `UsageError`.
    """
    from analytics.options.baseline_io import from_table  # noqa: PLC0415 - keeps --help quick

    card = bulletin.card
    draws = bulletin.table("draws")
    if not draws.num_rows:
        reasons = {row["reason"] for row in bulletin.table("limit_status").to_pylist()}
        why = [sentences(one) for one in sorted(reasons - {"", None})]
        words = f"bulletin {card.bulletin} has no draws of the rest of season {card.season}"
        raise DataRejected(f"{words}: {'; '.join(why) or 'its totals could not be estimated'}")
    baseline = from_table(draws)
    if not len(baseline.days):
        raise _over(card.season, baseline.through)
    return baseline


def _answer(
    requested: OptionSet, bulletin: Bulletin, baseline: Baseline, *, fallback: str
) -> ComparedOptions:
    from analytics.documents.answer_document import compared_options  # noqa: PLC0415
    from analytics.options.baseline_io import limits_of  # noqa: PLC0415
    from analytics.options.compare import compare_options  # noqa: PLC0415
    from analytics.options.option_checks import split_valid  # noqa: PLC0415
    from analytics.options.report import unanswered  # noqa: PLC0415
    from analytics.options.schemas import ANSWER_SCHEMAS  # noqa: PLC0415 - keeps --help quick
    from analytics.result_table import area_names  # noqa: PLC0415

    names = area_names(bulletin.areas)
    status = bulletin.table("limit_status")
    limits, left_out = limits_of(status, lambda area: names.get(area, area))
    areas = {area: names.get(area, area) for area in baseline.areas}
    sound, refused = split_valid(baseline, requested.options, areas=areas, limits=limits)
    if not sound:
        raise UsageError("\n  ".join(["no option can be compared:", *refused]))
    if any(one.solve is not None for one in requested.options if one not in sound):
        raise UsageError("\n  ".join([NOT_ANSWERED, *refused, *left_out]))
    answers = compare_options(baseline, sound, limits)
    if idle := unanswered(answers.solved):
        raise UsageError("\n  ".join([NOT_ANSWERED, *idle]))
    tables = {name: getattr(answers, name) for name in ANSWER_SCHEMAS}
    tables |= answers.solved
    requested = replace(requested, options=answers.options[1:])
    return compared_options(
        requested, bulletin, baseline, tables, refused=refused, fallback=fallback
    )


def _write(compared: ComparedOptions, out: Path) -> None:
    """Write every file of the answer into a draft folder first, then move them to their places."""
    from analytics.documents.files import answer_files  # noqa: PLC0415 - keeps --help quick

    documents = answer_files(compared)
    is_new = not out.exists()
    with written_at(out):
        out.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=".draft-", dir=out))
    try:
        for name, content in documents.items():
            (draft / name).write_bytes(content)
        for name, table in compared.tables.items():
            for ending in (".csv", ".parquet"):
                write_table(table, draft / (name + ending))
        _move(sorted(draft.iterdir()), out)
        is_new = False
    finally:
        shutil.rmtree(draft, ignore_errors=True)
        if is_new:
            out.rmdir()


def _move(files: Sequence[Path], out: Path) -> None:
    for name in (file.name for file in files):
        if (out / name).is_dir():
            raise UsageError(f"{out / name} is a folder, and a file of that name is to be written")
    with written_at(out):
        for file in files:
            file.replace(out / file.name)
