"""Data desk: a week's files in, their findings corrected, the batch accepted; and what came in."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import streamlit as st

from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.errors import BlackmouthError, StoreError
from analytics.findings import Severity
from analytics.people import Action
from analytics.wording import numbers
from dashboard import notices, pages, people, store_access, url_state
from dashboard.catalogue import phrase, say, say_n
from dashboard.desk import batches, demo_season, findings_panel, history_panel
from dashboard.desk.checking import CheckedUpload, check_upload, store_upload
from dashboard.desk.uploads import DROPPED, READ, Arrival, Moved, Upload, Uploads, table_of
from dashboard.page_frame import lead

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.data.store import Store

_SAID, _CHECKED, _DROP, _DONE = "desk-said", "desk-checked", "desk-drop", "desk-done"
FOLDERS = phrase("A whole folder")
NEXT_PAGE = "new_bulletin"
NO_STORE = phrase(
    "Data go in here where the dashboard is open on a store. It shows bulletins alone now: start "
    "it with `blackmouth open --store DIR`."
)
FIRST = phrase(
    "1. **See what comes out.** The button below opens an invented season on all pages; so does "
    "`blackmouth open` without a store.\n"
    "2. **Take the empty tables** at the foot of this page and fill them in, or export yours under "
    "the same column names. Areas, sites and seasons come first: they say what is open and where.\n"
    "3. **Drop the files here.** Nothing is stored before you accept it."
)


def _page() -> None:
    url_state.read_in_language("data_desk")
    st.title(say("Data desk"))
    notices.invented()
    people.require(Action.DRAFT)
    try:
        store = store_access.store()
        if store is None:
            st.markdown(say(NO_STORE))
            return
        uploads = Uploads(store_access.desk("uploads"))
        _desk(store, uploads)
    except (BlackmouthError, OSError) as error:
        st.error(numbers.plain(error))


def _desk(store: Store, uploads: Uploads) -> None:
    for seen, made in findings_panel.taken():
        _try(uploads.correct, seen, made)
    upload = uploads.current()
    listed = store.batches()
    answer = st.container()
    _say_again()
    for name in uploads.damaged():
        st.warning(
            numbers.plain(
                say(
                    "The upload {name} is damaged and left out: its record is not as it was "
                    "written. Put the files in again; its folder can be deleted.",
                    name=name,
                )
            )
        )
    if upload is None:
        _next_step()
    if not listed and upload is None:
        st.markdown(say(FIRST))
        demo_season.offer()
    _drop_zone(uploads)
    found = _checked(store, uploads, upload) if upload else None
    with answer:
        lead(_answer(found, n_batches=len(listed)))
    if found is not None:
        _files(uploads, found)
        first, then = st.container(), st.container()
        with first if found.errors else then:
            findings_panel.draw(found, partial(_try, uploads.correct))
        with then if found.errors else first:
            _decide(store, uploads, found)
    else:
        _dropped(uploads)
    history_panel.history(store, uploads, store.batches())
    history_panel.templates(store)


def _answer(found: CheckedUpload | None, *, n_batches: int) -> str:
    """Return where the desk stands, in a sentence."""
    if found is None:
        return (
            say("No upload is under way. Drop the week's files to have them checked.")
            if n_batches
            else say("This store has no data yet.")
        )
    files = say_n(found.n_files, "{n} file", "{n} files")
    if found.errors:
        n = found.n_of(Severity.ERROR)
        return say_n(
            n,
            "**{n} error** stands against this upload of {files}; nothing is stored.",
            "**{n} errors** stand against this upload of {files}; nothing is stored.",
            files=files,
        )
    more = ""
    if n := found.n_aside:
        more += say_n(n, "; {n} row set aside", "; {n} rows set aside")
    if n := found.n_of(Severity.WARNING):
        more += say_n(n, "; {n} warning", "; {n} warnings")
    if found.checked.is_all_aside:
        return say("**Nothing can be stored**: every row of {files} is set aside.", files=files)
    rows = say_n(found.n_rows, "{n} row", "{n} rows")
    text = phrase("**No error.** {rows} in {files} can be accepted{more}.")
    return say(text, rows=rows, files=files, more=more)


def _n_files(found: CheckedUpload) -> str:
    return say_n(len(found.upload.files), "{n} file", "{n} files")


def _say(kind: str, words: str) -> None:
    """Keep words for the next run of the page."""
    st.session_state.setdefault(_SAID, []).append((kind, words))


def _say_again() -> None:
    for kind, words in st.session_state.pop(_SAID, []):
        {"error": st.error, "warning": st.warning, "success": st.success}[kind](
            numbers.plain(words)
        )


# Files in.


def _drop_zone(uploads: Uploads) -> None:
    turn = st.session_state.get(_DROP, 0)
    is_folder = st.session_state.get(f"{_DROP}-folder", False)
    dropped = st.file_uploader(
        say(
            "Files of the week: CSV, Parquet, or workbooks (XLSX) with a sheet a table; outlines "
            "of areas as GeoJSON"
        ),
        accept_multiple_files="directory" if is_folder else True,
        key=f"{_DROP}-{turn}-{is_folder}",
        help=say(
            "A file or sheet is named for its table, such as interviews.csv; outlines of areas "
            "come as areas.geojson, each feature with the property area. The tables are: "
            "{tables}.",
            tables=", ".join(TABLES),
        ),
    )
    st.toggle(say(FOLDERS), key=f"{_DROP}-folder", help=say("Take every file of a folder at once."))
    if dropped:
        people.require(Action.DRAFT)
        try:
            uploads.add([(one.name, one.getvalue()) for one in dropped])
        except BlackmouthError as error:
            _say("error", str(error))
        st.session_state[_DROP] = turn + 1
        st.session_state.pop(_DONE, None)
        st.rerun()


def _checked(store: Store, uploads: Uploads, upload: Upload) -> CheckedUpload:
    """Return the upload with all its checks, made again where anything changed."""
    quarantine = bool(st.session_state.get(f"aside-{upload.upload}", False))
    key = (str(store.path), upload.upload, upload.revision, quarantine)
    version = store.version
    before, kept = st.session_state.get(_CHECKED, (None, None))
    if before == (*key, version) and kept is not None:
        return kept
    if before is not None and before[:-1] == key:
        st.warning(
            say(
                "The store went from version {before} to {now} meanwhile: the upload was checked "
                "again.",
                before=before[-1],
                now=version,
            )
        )
    bar = st.progress(0.0, text=say("reading"))
    begun: set[str] = set()

    def progress(words: str) -> None:
        begun.add(words.partition(":")[0])  # after it stands the share of a large file
        share = min(len(begun) / (len(upload.files) + 2), 1.0)
        bar.progress(share, text=numbers.plain(words))

    found = check_upload(uploads, upload, store, quarantine=quarantine, progress=progress)
    bar.empty()
    st.session_state[_CHECKED] = ((*key, found.checked.version), found)
    return found


def _files(uploads: Uploads, found: CheckedUpload) -> None:
    """Draw the files of the upload, and the choice of a table for those that name none."""
    upload = found.upload
    since = numbers.instant_words(upload.begun_utc)
    words = say(
        "{files}, {size}, since {time}",
        files=_n_files(found),
        size=_size(upload.n_bytes),
        time=since,
    )
    with st.expander(words):
        st.dataframe(
            {
                say("File"): [one.name for one in upload.files],
                say("Table"): [_table_words(one) for one in upload.files],
                say("Size"): [_size(one.n_bytes) for one in upload.files],
            },
            hide_index=True,
            placeholder="",
        )
        name = st.selectbox(
            say("Take a file out of the upload"),
            [one.name for one in upload.files],
            index=None,
            key=f"out-{upload.upload}-{upload.revision}",
        )
        if name is not None:
            st.button(say("Take it out"), on_click=_try, args=(uploads.leave_out, upload, name))
    for file in found.choose:
        tables = ["", *TABLES]
        key = f"table-{upload.upload}-{upload.revision}-{file.name}"
        st.selectbox(
            say("Table in {file}", file=numbers.plain(file.name)),
            tables,
            index=tables.index(file.table),
            format_func=lambda one: one or say("choose its table"),
            key=key,
            on_change=_choose,
            args=(uploads, upload, file.name, key),
        )


def _choose(uploads: Uploads, upload: Upload, name: str, key: str) -> None:
    _try(uploads.choose_table, upload, name, st.session_state[key])


def _table_words(file: Arrival) -> str:
    if file.ending not in READ:
        return say("none")
    by_sheets, unknown = say("by its sheets"), say("not known")
    return table_of(file) or (by_sheets if file.ending == importing.WORKBOOK else unknown)


def _size(n_bytes: int) -> str:
    if n_bytes < 1000:
        return say_n(n_bytes, "{n} byte", "{n} bytes")
    return f"{n_bytes / 1e6:,.1f} MB" if n_bytes >= 100_000 else f"{n_bytes / 1e3:,.1f} kB"


def _try(step: Callable[..., object], *given: object) -> None:
    """Take a step with the upload; what stands against it is said on the page."""
    people.require(Action.DRAFT)
    try:
        step(*given)
    except BlackmouthError as error:
        _say("warning" if isinstance(error, Moved) else "error", str(error))


# What becomes of the upload.


def _decide(store: Store, uploads: Uploads, found: CheckedUpload) -> None:
    upload = found.upload
    st.header(say("Decide"), anchor=False)
    _corrections(uploads, upload)
    is_aside = st.session_state.get(f"aside-{upload.upload}", False)
    if found.can_set_aside or is_aside:
        st.toggle(
            say("Set rows with errors aside, and rows that depend on them"),
            key=f"aside-{upload.upload}",
            help=say("They are not stored; they are kept with the batch, to download and correct."),
        )
    words = say("Accept")
    if not found.errors:
        words = say_n(found.n_rows, "Accept {n} row", "Accept {n} rows")
    # What was seen is accepted, and nothing that came in since: steps run before the page does.
    with st.container(horizontal=True):
        st.button(
            words,
            type="primary",
            disabled=bool(found.errors) or not found.n_rows,
            help=say("Correct the errors first, or set their rows aside.")
            if found.errors
            else None,
            key="accept",
            on_click=_accept,
            args=(store, uploads, found),
        )
        if found.n_aside:
            people.offer(
                say_n(found.n_aside, "{n} row set aside (CSV)", "{n} rows set aside (CSV)"),
                partial(importing.quarantine_csv, found.checked.set_aside, found.raws),
                file_name="set_aside.csv",
                mime="text/csv",
                key="download-set-aside",
                action=Action.SEE_STORE,
            )
        st.button(
            say("Drop"),
            help=say("Nothing is stored; it can be taken up again."),
            on_click=_try,
            args=(uploads.drop, upload),
        )


def _accept(store: Store, uploads: Uploads, found: CheckedUpload) -> None:
    url_state.read_in_language("data_desk")
    people.require(Action.STORE)
    try:
        receipt = store_upload(uploads, found, store, who=people.who())
    except StoreError as error:
        # The next run checks again, and says so where the store has moved on.
        if store.version == found.checked.version:
            _say("error", str(error))
    except BlackmouthError as error:
        _say("warning", str(error))
    else:
        words = [batches.receipt_words(receipt)]
        if n := found.n_aside:
            one = "{n} row set aside is not stored: correct it and drop it here again."
            many = "{n} rows set aside are not stored: correct them and drop them here again."
            words += [say_n(n, one, many), say("They are kept with the batch, below.")]
        _say("success", " ".join(words))
        st.session_state.pop(_CHECKED, None)
        st.session_state[_DONE] = receipt.batch is not None


def _corrections(uploads: Uploads, upload: Upload) -> None:
    if not upload.corrections:
        return
    made = importing.to_records(upload.corrections)
    head = say_n(
        len(made),
        "{n} correction; the files stay as they came",
        "{n} corrections; the files stay as they came",
    )
    with st.expander(head):
        heads = {
            "file": say("File"),
            "row": say("Row"),
            "column": say("Column"),
            "old": say("Was"),
            "new": say("Is"),
        }
        columns = {head: [one[name] for one in made] for name, head in heads.items()}
        st.dataframe(columns, hide_index=True, placeholder="")
        people.offer(
            say("Download the corrections (CSV)"),
            partial(importing.corrections_csv, upload.corrections),
            file_name="corrections.csv",
            mime="text/csv",
            key="download-corrections",
            action=Action.SEE_STORE,
        )
        st.button(
            say("Undo the last correction"), on_click=_try, args=(uploads.undo_correction, upload)
        )


def _next_step() -> None:
    """Offer what comes after a batch was accepted."""
    if st.session_state.get(_DONE) and NEXT_PAGE in pages.DATA:
        st.page_link(
            f"app_pages/{NEXT_PAGE}.py",
            label=say("Next: make the bulletin"),
            icon=":material/arrow_forward:",
        )


def _dropped(uploads: Uploads) -> None:
    gone = [one for one in uploads.every() if one.state == DROPPED]
    if not gone:
        return
    with st.expander(say_n(len(gone), "{n} upload dropped", "{n} uploads dropped")):
        for one in gone[:5]:
            names = say_n(len(one.files), "{n} file", "{n} files")
            words = say(
                "Take up again: {files} of {time}",
                files=names,
                time=numbers.instant_words(one.begun_utc),
            )
            st.button(words, key=f"again-{one.upload}", on_click=_try, args=(uploads.take_up, one))
        st.button(
            say("Delete dropped uploads for good"), on_click=_try, args=(uploads.delete_dropped,)
        )


_page()
