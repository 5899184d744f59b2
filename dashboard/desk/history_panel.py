"""Batches of the store on the page: what came in and when, taken out and put back; templates."""

from __future__ import annotations

import io
import zipfile
from functools import partial
from typing import TYPE_CHECKING

import streamlit as st

from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.data.store import REASON
from analytics.errors import BlackmouthError, DataRejected
from analytics.people import Action
from analytics.quantities import capitalised
from analytics.units import DateOrder, date_order
from analytics.wording import numbers
from dashboard import people
from dashboard.catalogue import phrase, say, say_n
from dashboard.desk import batches, checking, findings_panel
from dashboard.desk.findings_panel import columns, height

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.store import Batch, Store
    from dashboard.desk.uploads import Uploads

_MOST_LINES = 9
#: Of a reason (our choice, no source).
_LONGEST_REASON = 200
_REFUSED, _STEPPED = "desk-refused", "desk-stepped"
_OUT = phrase(
    "Batch {batch} is withdrawn: its rows no longer count, and rows that they had replaced count "
    "again (version {version}). Figures follow once a bulletin is made anew."
)
_BACK = phrase(
    "Batch {batch} is put back: its rows count again, but for those replaced since (version "
    "{version}). Figures follow once a bulletin is made anew."
)
#: How a grid writes an instant in each order of day, month and year.
_INSTANTS = {
    DateOrder.DMY: "D MMM YYYY, HH:mm",
    DateOrder.MDY: "MMM D, YYYY, HH:mm",
    DateOrder.YMD: "YYYY-MM-DD, HH:mm",
}


def history(store: Store, uploads: Uploads, listed: Sequence[Batch]) -> None:
    """Draw the batches of a store, and what can be done with the one that is chosen."""
    st.header(say("What came in"), anchor=False)
    if not listed:
        st.markdown(say("Nothing yet."))
        return
    event = st.container(key="desk-batches").dataframe(
        batches.frame_of(listed),
        key=f"batches-{store.version}",
        hide_index=True,
        on_select="rerun",
        selection_mode="single-row",
        height=height(len(listed), most=_MOST_LINES),
        placeholder="",
        column_config=columns(
            batches.HEADS,
            {
                "Came in (UTC)": st.column_config.DatetimeColumn(format=_INSTANTS[date_order()]),
                **{
                    name: st.column_config.NumberColumn(format="localized")
                    for name in ("New rows", "Changed rows")
                },
            },
        ),
        alt=say("Batches: when each came in, its state, its rows and files"),
    )
    if _STEPPED in st.session_state:
        words, named = st.session_state.pop(_STEPPED)
        st.success(numbers.plain(say(words, **named)))
    rows = event["selection"]["rows"]
    if rows:
        _one(store, uploads, list(reversed(listed))[rows[0]])
    else:
        st.caption(say("Choose a batch to see its tables, take it out, or put it back."))
    _refused()


def templates(store: Store) -> None:
    """Draw the downloads of empty tables; their drop-downs offer the codes of the store."""
    st.header(say("Empty tables to fill in"), anchor=False)
    st.markdown(
        say(
            "The workbook has a sheet a table, drop-downs for what is allowed and for the areas, "
            "sites and seasons of this store, and the sheet *dictionary* with the meaning of every "
            "column. Fill in the sheets that you need; the others may stay empty."
        )
    )
    with st.container(horizontal=True):
        people.offer(
            say("Workbook (XLSX)"),
            partial(_workbook, store),
            file_name=importing.WORKBOOK_NAME,
            key="template-workbook",
        )
        people.offer(
            say("CSV files (ZIP)"),
            _zipped,
            file_name="tables.zip",
            mime="application/zip",
            key="template-csv",
        )


def _workbook(store: Store) -> bytes:
    codes = importing.codes_of(store.snapshot()) if store.exists else None
    return importing.workbook_template(codes=codes)


def _zipped() -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in TABLES:
            # A fixed time: the same bytes whenever it is made.
            archive.writestr(zipfile.ZipInfo(f"{name}.csv"), importing.csv_template(name))
    return file.getvalue()


def _one(store: Store, uploads: Uploads, batch: Batch) -> None:
    state = numbers.plain(batches.state_words(batch))
    st.markdown(say("**Batch {batch}**, {state}", batch=numbers.plain(batch.batch), state=state))
    counts = batches.counts_frame(batch.counts)
    numbers_of = {
        name: st.column_config.NumberColumn(format="localized") for name in counts.columns[1:]
    }
    st.dataframe(
        counts,
        hide_index=True,
        placeholder="",
        height=height(len(counts), most=20),
        column_config=numbers_of,
    )
    _reason(batch)
    with st.container(horizontal=True):
        _steps(store, uploads, batch)


def _steps(store: Store, uploads: Uploads, batch: Batch) -> None:
    """Draw what can be downloaded of a batch, and taking it out or putting it back."""
    made = batches.corrections_of(batch)
    if made:
        people.offer(
            say_n(len(made), "{n} correction (CSV)", "{n} corrections (CSV)"),
            partial(importing.corrections_csv, made),
            file_name=f"{batch.batch}.corrections.csv",
            mime="text/csv",
            key="download-batch-corrections",
            action=Action.SEE_STORE,
        )
    upload = uploads.of_batch(batch.batch)
    aside = uploads.beside(upload, checking.SET_ASIDE) if upload else None
    if upload is not None and aside is not None and aside.is_file():
        people.offer(
            say("Rows set aside (CSV)"),
            partial(uploads.read_beside, upload, checking.SET_ASIDE),
            file_name=f"{batch.batch}.set_aside.csv",
            mime="text/csv",
            key="download-batch-aside",
            action=Action.SEE_STORE,
        )
    is_out = batch.withdrawn_version is not None
    words = say("Put this batch back") if is_out else say("Withdraw this batch")
    help_ = say("Its rows stay in the history, and it can be put back.")
    st.button(
        words,
        key=f"withdraw-{batch.batch}",
        help=None if is_out else help_,
        on_click=_withdraw,
        args=(store, batch.batch, is_out),
    )


def _reason(batch: Batch) -> None:
    """Draw the field for why a batch goes out or comes back."""
    st.text_input(
        say("Why (kept in the history)"),
        key=_reason_key(batch.batch),
        max_chars=_LONGEST_REASON,
        placeholder=say("such as: a wrong date on every form"),
    )


def _reason_key(batch: str) -> str:
    return f"reason-withdrawal-{batch}"


def _withdraw(store: Store, batch: str, undo: bool) -> None:
    people.require(Action.WITHDRAW)
    written = str(st.session_state.get(_reason_key(batch)) or "").strip()
    try:
        reason = importing.about_reason(written)[REASON] if written else ""
        store.withdraw(batch, undo=undo, who=people.who(), reason=reason)
    except DataRejected as error:
        st.session_state[_REFUSED] = (str(error), error.findings)
    except BlackmouthError as error:
        st.session_state[_REFUSED] = (str(error), ())
    else:
        st.session_state.pop(_REFUSED, None)
        st.session_state.pop(_reason_key(batch), None)
        words = _BACK if undo else _OUT
        st.session_state[_STEPPED] = words, {"batch": batch, "version": store.version}


def _refused() -> None:
    """Say why the last withdrawal was refused, once."""
    message, findings = st.session_state.pop(_REFUSED, ("", ()))
    if not message:
        return
    st.error(numbers.plain(capitalised(message)))
    if findings:
        frame = findings_panel.frame_of(findings).drop(columns=["Severity"])
        st.dataframe(
            frame.rename(columns={"File": "Batch"}),
            hide_index=True,
            placeholder="",
            column_config=columns([*findings_panel.HEADS, "Batch"]) or None,
        )
