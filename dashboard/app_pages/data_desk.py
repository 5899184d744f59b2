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
from dashboard import notices, pages, people, store_access
from dashboard.desk import batches, demo_season, findings_panel, history_panel
from dashboard.desk.checking import CheckedUpload, check_upload, store_upload
from dashboard.desk.uploads import DROPPED, READ, Arrival, Moved, Upload, Uploads, table_of
from dashboard.page_frame import lead

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.data.store import Store

_SAID, _CHECKED, _DROP, _DONE = "desk-said", "desk-checked", "desk-drop", "desk-done"
FOLDERS = "A whole folder"
NEXT_PAGE = "new_bulletin"
NO_STORE = (
    "Data go in here where the dashboard is open on a store. It shows bulletins alone now: start "
    "it with `blackmouth open --store DIR`."
)
FIRST = (
    "1. **See what comes out.** The button below opens an invented season on all pages; so does "
    "`blackmouth open` without a store.\n"
    "2. **Take the empty tables** at the foot of this page and fill them in, or export yours under "
    "the same column names. Areas, sites and seasons come first: they say what is open and where.\n"
    "3. **Drop the files here.** Nothing is stored before you accept it."
)


def _page() -> None:
    st.title("Data desk")
    notices.invented()
    people.require(Action.DRAFT)
    try:
        store = store_access.store()
        if store is None:
            st.markdown(NO_STORE)
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
                f"The upload {name} is damaged and left out: its record is not as it was written. "
                "Put the files in again; its folder can be deleted."
            )
        )
    if upload is None:
        _next_step()
    if not listed and upload is None:
        st.markdown(FIRST)
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
            "No upload is under way. Drop the week's files to have them checked."
            if n_batches
            else "This store has no data yet."
        )
    files = numbers.count(found.n_files, "file")
    if found.errors:
        n = found.n_of(Severity.ERROR)
        errors, stand = numbers.count(n, "error"), "stands" if n == 1 else "stand"
        return f"**{errors}** {stand} against this upload of {files}; nothing is stored."
    aside = f"; {numbers.count(found.n_aside, 'row')} set aside" if found.n_aside else ""
    n_warned = found.n_of(Severity.WARNING)
    warned = f"; {numbers.count(n_warned, 'warning')}" if n_warned else ""
    rows = numbers.count(found.n_rows, "row")
    return f"**No error.** {rows} in {files} can be accepted{aside}{warned}."


def _n_files(found: CheckedUpload) -> str:
    return numbers.count(len(found.upload.files), "file")


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
        "Files of the week: CSV, Parquet, or workbooks (XLSX) with a sheet a table; outlines of "
        "areas as GeoJSON",
        accept_multiple_files="directory" if is_folder else True,
        key=f"{_DROP}-{turn}-{is_folder}",
        help="A file or sheet is named for its table, such as interviews.csv; outlines of areas "
        "come as areas.geojson, each feature with the property area. "
        f"The tables are: {', '.join(TABLES)}.",
    )
    st.toggle(FOLDERS, key=f"{_DROP}-folder", help="Take every file of a folder at once.")
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
            f"The store went from version {before[-1]} to {version} meanwhile: the upload was "
            "checked again."
        )
    bar = st.progress(0.0, text="reading")
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
    since = batches.instant_words(upload.begun_utc)
    words = f"{_n_files(found)}, {_size(upload.n_bytes)}, since {since} UTC"
    with st.expander(words):
        st.dataframe(
            {
                "File": [one.name for one in upload.files],
                "Table": [_table_words(one) for one in upload.files],
                "Size": [_size(one.n_bytes) for one in upload.files],
            },
            hide_index=True,
            placeholder="",
        )
        name = st.selectbox(
            "Take a file out of the upload",
            [one.name for one in upload.files],
            index=None,
            key=f"out-{upload.upload}-{upload.revision}",
        )
        if name is not None:
            st.button("Take it out", on_click=_try, args=(uploads.leave_out, upload, name))
    for file in found.choose:
        tables = ["", *TABLES]
        key = f"table-{upload.upload}-{upload.revision}-{file.name}"
        st.selectbox(
            f"Table in {numbers.plain(file.name)}",
            tables,
            index=tables.index(file.table),
            format_func=lambda one: one or "choose its table",
            key=key,
            on_change=_choose,
            args=(uploads, upload, file.name, key),
        )


def _choose(uploads: Uploads, upload: Upload, name: str, key: str) -> None:
    _try(uploads.choose_table, upload, name, st.session_state[key])


def _table_words(file: Arrival) -> str:
    if file.ending not in READ:
        return "none"
    return table_of(file) or ("by its sheets" if file.ending == importing.WORKBOOK else "not known")


def _size(n_bytes: int) -> str:
    if n_bytes < 1000:
        return numbers.count(n_bytes, "byte")
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
    st.header("Decide", anchor=False)
    _corrections(uploads, upload)
    is_aside = st.session_state.get(f"aside-{upload.upload}", False)
    if found.can_set_aside or is_aside:
        st.toggle(
            "Set rows with errors aside, and rows that depend on them",
            key=f"aside-{upload.upload}",
            help="They are not stored; they are kept with the batch, to download and correct.",
        )
    words = f"Accept {numbers.count(found.n_rows, 'row')}" if not found.errors else "Accept"
    # What was seen is accepted, and nothing that came in since: steps run before the page does.
    with st.container(horizontal=True):
        st.button(
            words,
            type="primary",
            disabled=bool(found.errors) or not found.n_rows,
            help="Correct the errors first, or set their rows aside." if found.errors else None,
            key="accept",
            on_click=_accept,
            args=(store, uploads, found),
        )
        if found.n_aside:
            people.offer(
                f"{numbers.count(found.n_aside, 'row')} set aside (CSV)",
                partial(importing.quarantine_csv, found.checked.set_aside, found.raws),
                file_name="set_aside.csv",
                mime="text/csv",
                key="download-set-aside",
                action=Action.SEE_STORE,
            )
        st.button(
            "Drop",
            help="Nothing is stored; it can be taken up again.",
            on_click=_try,
            args=(uploads.drop, upload),
        )


def _accept(store: Store, uploads: Uploads, found: CheckedUpload) -> None:
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
        _say("success", batches.receipt_words(receipt))
        st.session_state.pop(_CHECKED, None)
        st.session_state[_DONE] = receipt.batch is not None


def _corrections(uploads: Uploads, upload: Upload) -> None:
    if not upload.corrections:
        return
    made = importing.to_records(upload.corrections)
    with st.expander(f"{numbers.count(len(made), 'correction')}; the files stay as they came"):
        heads = {"file": "File", "row": "Row", "column": "Column", "old": "Was", "new": "Is"}
        columns = {head: [one[name] for one in made] for name, head in heads.items()}
        st.dataframe(columns, hide_index=True, placeholder="")
        people.offer(
            "Download the corrections (CSV)",
            partial(importing.corrections_csv, upload.corrections),
            file_name="corrections.csv",
            mime="text/csv",
            key="download-corrections",
            action=Action.SEE_STORE,
        )
        st.button("Undo the last correction", on_click=_try, args=(uploads.undo_correction, upload))


def _next_step() -> None:
    """Offer what comes after a batch was accepted."""
    if st.session_state.get(_DONE) and NEXT_PAGE in pages.DATA:
        st.page_link(
            f"app_pages/{NEXT_PAGE}.py",
            label="Next: make the bulletin",
            icon=":material/arrow_forward:",
        )


def _dropped(uploads: Uploads) -> None:
    gone = [one for one in uploads.every() if one.state == DROPPED]
    if not gone:
        return
    with st.expander(f"{numbers.count(len(gone), 'upload')} dropped"):
        for one in gone[:5]:
            names = numbers.count(len(one.files), "file")
            words = f"Take up again: {names} of {batches.instant_words(one.begun_utc)} UTC"
            st.button(words, key=f"again-{one.upload}", on_click=_try, args=(uploads.take_up, one))
        st.button("Delete dropped uploads for good", on_click=_try, args=(uploads.delete_dropped,))


_page()
