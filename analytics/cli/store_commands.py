"""What goes into a store and out of it, whether it is whole, and keeping it small.

``import``, ``batches``, ``withdraw``, ``templates``, ``verify`` and ``maintain``; ``publish``
writes the public's figures of a season, with what would tell of few boats withheld.
"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analytics.cli.result_commands import SEASON, THROUGH
from analytics.cli.terminal import (
    STORE,
    StorePlace,
    examples,
    out_folder,
    progress,
    require_folder_of,
    require_room_for,
    say,
    show_findings,
    store_words,
    watched,
    write_files,
    write_whole,
    written_at,
)
from analytics.errors import DataRejected, StoreError, UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.data.importing import Checked
    from analytics.data.store import Batch, Counts, Receipt, Store


_COUNTED = ("rows_new", "rows_changed", "files", "reason", "who")
BATCH_COLUMNS = ("version", "batch", "at_utc", "state", *_COUNTED)


@click.command(
    "import",
    epilog=examples(
        "blackmouth import week05/ --store mystore",
        "blackmouth import interviews.csv site_days.csv --store mystore --check-only",
    ),
)
@click.argument(
    "paths", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PATH..."
)
@STORE
@click.option("--check-only", is_flag=True, help="Check and list the findings; store nothing.")
@click.option(
    "--quarantine",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Set rows with errors, and rows that depend on them, aside in FILE (CSV); store the rest.",
)
@click.option(
    "--findings",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the findings to FILE (CSV), one line each; of a kind the first 20,000.",
)
@click.option(
    "--reason",
    metavar="TEXT",
    help="Why the rows came in or changed, kept with the batch; `batches` shows it.",
)
def import_(
    *,
    paths: tuple[Path, ...],
    store: Path,
    check_only: bool,
    quarantine: Path | None,
    findings: Path | None,
    reason: str | None,
) -> None:
    """Check tables and store them as one batch, all or nothing.

    PATH is a folder or a file, CSV (UTF-8) or Parquet; a file's stem names its table, such as
    interviews.csv. A workbook (.xlsx, without macros) holds a table a sheet, each named for its
    table; a cell with a formula is taken by the value saved with it, with a warning. Outlines of
    areas come as areas.geojson (RFC 7946, degrees of WGS 84), each feature with the property area.
    Folders in a folder are not read. Dates are YYYY-MM-DD, hours and lengths as in the data
    dictionary; an empty cell means not recorded, 0 means observed none.

    The same rows again change nothing. A row with a known key and other values supersedes the old
    one, which stays in the history. Errors refuse the batch, warnings pass. A quarantine that sets
    every row aside stores nothing: exit status 1, as where the batch is refused.
    """
    from analytics.data import importing  # noqa: PLC0415 - keeps --help quick
    from analytics.data.store import Store  # noqa: PLC0415

    _require_new(quarantine, findings)
    about = {} if reason is None else importing.about_reason(reason)
    target = Store(store)
    with watched(target):
        reading = importing.read_paths(paths, progress=progress)
        progress("checking")
        checks: list[Checked] = []

        def check() -> Checked:
            checks.append(importing.check(reading, target, quarantine=quarantine is not None))
            show_findings(checks[-1].findings)
            _write_reports(checks[-1], quarantine=quarantine, findings=findings)
            if not check_only:
                _require_sound(checks[-1], quarantine)
            return checks[-1]

        checked = check()
        if check_only:
            _end_check(checked)
            return
        try:
            receipt = importing.store_checked(
                checked, target, about=about, progress=progress, recheck=check
            )
        except BaseException:
            # Once the rest is stored, the rows set aside are nowhere else.
            if quarantine and checks[-1].set_aside and target.version == checks[-1].version:
                quarantine.unlink(missing_ok=True)
            raise
    say(_receipt_words(receipt, target, is_rest=bool(checks[-1].set_aside)))


@click.command(
    short_help="List what came in and when.",
    epilog=examples("blackmouth batches --store mystore"),
)
@STORE
def batches(store: Path) -> None:
    """List what came in and when, oldest first, withdrawn batches too.

    Columns, separated by tabs: version of the store, batch, instant (UTC), state, number of rows
    new and changed, files, the reason given for it, who stored it.
    """
    from analytics.data.store import Store  # noqa: PLC0415 - keeps --help quick

    listed = Store(store).batches()
    click.echo("\t".join(BATCH_COLUMNS))
    if not listed:
        say("no batch yet")
    for batch in listed:
        click.echo(_batch_line(batch))


@click.command(
    epilog=examples(
        "blackmouth withdraw b0003 --store mystore",
        "blackmouth withdraw b0003 --store mystore --undo",
    )
)
@click.argument("batch")
@STORE
@click.option("--undo", is_flag=True, help="Put a withdrawn batch back.")
@click.option("--reason", metavar="TEXT", help="Why, kept in the history; `batches` shows it.")
def withdraw(batch: str, store: Path, undo: bool, reason: str | None) -> None:
    """Take one batch out again, or put it back; its rows stay in the history.

    BATCH is its id from `blackmouth batches`, or the beginning of it with at least its number, such
    as b0003. Refused if rows that stay depend on rows that go, or rows put back break a rule; the
    message names their batches. A batch put back has its old place: rows that came in later still
    supersede its rows.
    """
    from analytics.data import importing  # noqa: PLC0415 - keeps --help quick
    from analytics.data.store import REASON, Store  # noqa: PLC0415

    why = "" if reason is None else importing.about_reason(reason)[REASON]
    target = Store(store)
    with watched(target):
        found = target.withdraw(batch, undo=undo, reason=why)
    if undo:
        say(f"put {found.batch} back; the store is at version {found.restored_version}")
    else:
        say(f"withdrew {found.batch}; the store is at version {found.withdrawn_version}")
        say(f"to put it back: blackmouth withdraw {batch} --store {store_words(store)} --undo")


@click.command(
    epilog=examples(
        "blackmouth templates --out forms", "blackmouth templates --out forms --store mystore"
    )
)
@out_folder("Folder for the files; made where missing.")
@click.option(
    "--store",
    type=StorePlace(path_type=Path),
    metavar="DIR",
    help="Store, or its URL, whose areas, sites and seasons the drop-downs offer.",
)
def templates(out: Path, store: Path | None) -> None:
    """Write empty tables to fill in: a workbook with a sheet a table, and CSV files.

    The workbook has drop-downs for allowed values and, where a column refers to another, for what
    was typed there; with --store for its areas, sites and seasons, which the sheet codes lists. The
    sheet dictionary explains every column. `import` leaves both sheets out. The CSV files, in the
    folder csv, have the headers alone; beside them, areas.geojson has no outline yet.
    """
    from analytics.data.importing import WORKBOOK_NAME, codes_of, write_templates  # noqa: PLC0415 - keeps --help quick
    from analytics.data.store import Store  # noqa: PLC0415

    require_room_for(out)
    if (out / WORKBOOK_NAME).exists():
        raise UsageError(f"{out / WORKBOOK_NAME} exists and may be filled in; name another folder")
    codes = None if store is None else codes_of(Store(store).snapshot())
    with written_at(out):
        written = write_templates(out, codes=codes)
    say(f"{written[0]} and {_number_of(len(written) - 2, 'CSV file')} in {written[1].parent}")


@click.command(
    short_help="Write the blank paper form of a sampled day, to print.",
    epilog=examples("blackmouth form --out form.pdf"),
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE",
    help="The form: a .pdf file; one of that name is replaced.",
)
def form(out: Path) -> None:
    """Write the blank paper form of a sampled day, to print: site-day, boats, fish, other species.

    Three pages of A4, the fields in the order in which the page Paper forms keys them.
    """
    from analytics.documents.paper_form import blank_form  # noqa: PLC0415 - keeps --help quick

    if out.suffix.lower() != ".pdf":
        raise UsageError(f"--out {out}: the form is written as PDF; allowed: a file ending in .pdf")
    require_folder_of(out)
    written = blank_form()
    write_whole(out, lambda draft: draft.write_bytes(written))
    say(f"the blank form is in {out}")


def _require_new(quarantine: Path | None, findings: Path | None) -> None:
    """Refuse report files that exist, that have no folder, or that are one and the same.

    The findings of an earlier import are replaced, so that the same command can be given again.
    """
    named = [file for file in (quarantine, findings) if file]
    for file in named:
        require_folder_of(file)
        if file.exists() and not (file == findings and _holds_findings(file)):
            raise UsageError(f"{file} exists and may hold rows to correct; name another file")
    if len({file.absolute() for file in named}) < len(named):
        raise UsageError(f"{named[0]} is named twice; name a file for each report")


def _holds_findings(file: Path) -> bool:
    from analytics.data.importing import findings_csv  # noqa: PLC0415 - keeps --help quick

    header = findings_csv([]).encode()
    with file.open("rb") as opened:
        return opened.read(len(header)) == header


def _write_reports(checked: Checked, *, quarantine: Path | None, findings: Path | None) -> None:
    """Write the files requested, whether the batch can be stored or not."""
    from analytics.data.importing import findings_csv, quarantine_csv, raws_of  # noqa: PLC0415 - keeps --help quick

    if findings:
        words = findings_csv(checked.findings)
        write_whole(findings, lambda draft: draft.write_text(words, "utf-8", newline=""))
        n_listed = sum(one.times == 1 for one in checked.findings)
        say(f"{_number_of(n_listed, 'finding')} in {findings}{_counted_words(checked)}")
    if quarantine and quarantine.exists():
        quarantine.unlink()  # of the check before, where others stored meanwhile
    if quarantine and checked.set_aside:
        rows = quarantine_csv(checked.set_aside, raws_of(checked.reading, checked.set_aside))
        # Rows to correct: a byte-order mark makes spreadsheets read them as UTF-8.
        write_whole(quarantine, lambda draft: draft.write_text(rows, "utf-8-sig", newline=""))
        say(f"{_rows_aside(checked)} set aside in {quarantine}")


def _counted_words(checked: Checked) -> str:
    """Return what became of findings that are too many to be kept one by one; nothing if none."""
    from analytics.findings import MOST_OF_A_KIND, how_many  # noqa: PLC0415 - keeps --help quick

    n_more = how_many(checked.findings) - sum(one.times == 1 for one in checked.findings)
    if not n_more:
        return ""
    return (
        f"; of a kind the first {MOST_OF_A_KIND:,} are listed, of which rows can be set aside, and "
        f"{n_more:,} more are left out and counted, so that memory stays bounded: correct the "
        "file first"
    )


def _end_check(checked: Checked) -> None:
    from analytics.findings import how_many  # noqa: PLC0415 - keeps --help quick

    count = how_many(checked.errors) + len(checked.set_aside)
    if not count:
        say("checked; the batch can be stored")
        return
    aside = f"; a quarantine would set {_rows_aside(checked)} aside" * bool(checked.set_aside)
    raise DataRejected(
        f"{_number_of(count, 'error')}{aside}; nothing was stored, as --check-only says"
    )


def _require_sound(checked: Checked, quarantine: Path | None) -> None:
    from analytics.data import importing  # noqa: PLC0415 - keeps --help quick

    if checked.errors:
        why = _counted_words(checked) if quarantine else ""
        raise DataRejected(importing.refusal(checked.errors) + why)
    if checked.is_all_aside:
        raise DataRejected(
            f"every row has an error or depends on one that has: {_rows_aside(checked)} set aside "
            f"in {quarantine}, and nothing was stored; correct the rows and import them again"
        )


def _rows_aside(checked: Checked) -> str:
    return _number_of(len({(one.file, one.row) for one in checked.set_aside}), "row")


def _number_of(number: int, noun: str) -> str:
    from analytics.findings import number_of  # noqa: PLC0415 - keeps --help quick

    return number_of(number, noun)


def _receipt_words(receipt: Receipt, store: Store, *, is_rest: bool) -> str:
    """Return what was stored; `is_rest` where other rows of the files were set aside."""
    if not any(any(asdict(count).values()) for count in receipt.counts.values()):
        return f"no rows to store (version {receipt.version})"
    if receipt.batch is None:
        every = "every other row" if is_rest else "every row"
        return f"nothing new: {every} is in the store already (version {receipt.version})"
    return (
        f"stored {receipt.batch}: {_count_words(receipt.counts)}; version {receipt.version}\n"
        f"next: blackmouth bulletin --store {store_words(store.path)}"
    )


def _count_words(counts: Mapping[str, Counts]) -> str:
    words = []
    for name, count in counts.items():
        parts = {"new": count.new, "changed": count.changed, "unchanged": count.unchanged}
        shown = ", ".join(f"{number:,} {word}" for word, number in parts.items() if number)
        words.append(f"{name} {shown or 'no rows'}")
    return "; ".join(words)


def _batch_line(batch: Batch) -> str:
    from analytics.data.store import REASON  # noqa: PLC0415 - keeps --help quick

    gone = batch.withdrawn_version
    back = f", put back in version {batch.restored_version}" if batch.restored_version else ""
    state = f"current{back}" if gone is None else f"withdrawn in version {gone}"
    new = sum(count.new for count in batch.counts.values())
    changed = sum(count.changed for count in batch.counts.values())
    sources = ", ".join(batch.sources) or "-"
    reason = str(batch.about.get(REASON, "-"))
    if batch.last_step and REASON in batch.last_step.about:
        state += f": {batch.last_step.about[REASON]}"
    first = [str(batch.version), batch.batch, batch.at_utc, state]
    return "\t".join([*first, str(new), str(changed), sources, reason, batch.who or "-"])


#: Files of one harmless kind that are listed by name.
_LISTED = 20


@click.command(
    short_help="Read every file of a store against its checksum.",
    epilog=examples("blackmouth verify --store mystore"),
)
@STORE
def verify(store: Path) -> None:
    """Read every file of a store against its checksum.

    Exit status 0: every file is as it was written. What a killed import left is listed; nothing
    reads it, and `maintain` removes it. Exit status 1: each file that is damaged, missing or
    foreign is named. Files written before checksums were kept are read through, and said to have
    none; `maintain` adds them. Writers may go on meanwhile.
    """
    from itertools import groupby  # noqa: PLC0415 - keeps --help quick

    from analytics.codes import coded, sentences  # noqa: PLC0415
    from analytics.data.store import Store, fresh_copy, verify_store  # noqa: PLC0415
    from analytics.findings import number_of  # noqa: PLC0415

    target = Store(store)
    if not target.exists:
        target.batches()  # says what is there
    progress("reading every file")
    with fresh_copy(target.path) as folder:
        found = verify_store(folder)
    for _, alike in groupby(found.seen, key=lambda one: one.kind):
        files = list(alike)
        shown = files if files[0].is_fault else files[:_LISTED]
        for one in shown:
            say(sentences(coded(one.kind, file=one.file)))
        if len(files) > len(shown):
            say(f"and {len(files) - len(shown):,} more files of that kind")
    sound = number_of(found.n_sound, "file")
    if not found.is_sound:
        n_bad = number_of(sum(one.is_fault for one in found.seen), "file")
        raise StoreError(
            f"{store} is not sound: {n_bad} damaged, missing or foreign; {sound} sound"
        )
    say(f"{store} is sound: {sound} as written, version {target.version}")


@click.command(
    short_help="Put small files of a store together and clean up.",
    epilog=examples("blackmouth maintain --store mystore"),
)
@STORE
def maintain(store: Path) -> None:
    """Put small files together, make checkpoints, add missing checksums, remove leftovers.

    No row goes: every version and every kept bulletin stays as it is. Files that others took the
    place of stay until the next `maintain`, for whoever is reading; of a store on a URL, for a week
    at least. A half-written file that a killed step or a disk left is set apart in the folder
    _apart, and said. Refused where a file is damaged, missing or foreign, but for cached entries,
    which are made anew when needed.
    """
    from analytics.data.store import Store, maintain_store  # noqa: PLC0415 - keeps --help quick

    target = Store(store)
    if not target.exists:
        target.batches()  # says what is there
    done = maintain_store(target, progress=progress)
    for file, there in done.apart:
        say(f"{file} was half-written and nothing counts in it: set apart as {there}")
    say(
        f"maintained {store}: {done.n_before:,} files of the tables are now {done.n_after:,}; "
        f"{done.n_sums:,} checksums added; {done.n_removed:,} files removed; "
        f"version {target.version}, as before"
    )


@click.command(
    short_help="Write what the public may see of a season.",
    epilog=examples(
        "blackmouth publish --store mystore --out public",
        "blackmouth open --public public",
    ),
)
@STORE
@SEASON
@THROUGH
@out_folder(
    "Folder for figures.csv and about.json, made where missing; files of the same names are "
    "replaced. Nothing else leaves the store."
)
def publish(*, store: Path, season: str | None, through: str | None, out: Path) -> None:
    """Write what the public may see of a season: figures.csv and about.json.

    A figure that rests on one or two interviewed boats is withheld, and others with it, so that
    none follows from sums, ratios or earlier publications; figures with a percent standard error
    over 50 are not published, those over 30 are marked. A figure of an area and week that went out
    is revised once late or corrected forms of three boats change it, and goes out as it was until
    then. The store remembers what went out. Figures stand on what interviews report. The same data
    through the same week give the same files.
    """
    require_room_for(out, is_public=True)

    from analytics.data.store import Store  # noqa: PLC0415 - keeps --help quick
    from analytics.publishing.publish import publish as published  # noqa: PLC0415
    from analytics.whole_files import require_writable  # noqa: PLC0415

    target = Store(store)
    if target.exists:
        require_writable(target.path)  # it remembers what went out
    made = published(target, season=season, through=through, progress=progress)
    with written_at(out):
        out.mkdir(parents=True, exist_ok=True)
    write_files(made.files(), out)
    about, domains = made.about, len(made.publication.domains)
    lost = (
        f" ({100 * made.n_withheld / max(domains, 1):.0f} %; {made.weight:.0f} boats behind them, "
        f"any protection costs {made.bound:.0f} at least)"
        if made.n_withheld
        else ""
    )
    say(f"season {about['season']} through {about['through']} written to {out}")
    say(
        f"{domains} areas, weeks and sums: {made.n_sensitive} on fewer than three boats, "
        f"{made.n_withheld} withheld{lost}; {about['figures']['not_published']} of "
        f"{about['figures']['all']} figures not published for their error"
    )
    if made.n_kept:
        say(
            f"{made.n_kept} figures of an area and week as they went out before: what has changed "
            "them since is of one or two boats, and goes out with more"
        )
