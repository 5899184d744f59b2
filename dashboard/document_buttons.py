"""Documents of a bulletin and of an answer as downloads, made when they are pressed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.bulletin import archive
from analytics.bulletin.notes import notes
from analytics.documents.files import ANSWER_FILES, BULLETIN_FILES, answer_files, bulletin_files
from analytics.errors import StoreError
from analytics.wording import numbers
from dashboard import data, people
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.documents.answer_document import ComparedOptions

_KINDS = {
    "pdf": ("PDF", "application/pdf", phrase("Two pages for the desk and an annex")),
    "html": (
        phrase("Web page"),
        "text/html",
        phrase("The same, as one file for the browser or a letter"),
    ),
    "xlsx": (
        phrase("Workbook"),
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        phrase("Every table of the bulletin with its dictionary"),
    ),
}
#: The first is asked for most.
_ORDER = ("pdf", "html", "xlsx")


def bulletin_buttons(card: BulletinMetadata, *, key: str) -> None:
    """Draw a button for each document of a bulletin."""
    folder = str(data.archive_folder())
    try:
        versions = len(notes(folder, card.bulletin))
    except StoreError as error:
        st.error(without_note(error))
        return

    def maker(name: str) -> Callable[[], bytes]:
        return lambda: _bulletin_file(folder, card.bulletin, card.made_utc, versions, name)

    _buttons(BULLETIN_FILES, maker, stem=card.bulletin, key=key)


def without_note(error: StoreError) -> str:
    """Return what is said where the analyst's note is damaged: figures stay, documents wait."""
    return say(
        "The analyst's note cannot be read, so no document is made; the figures are "
        "as they were. {error}",
        error=numbers.plain(error),
    )


def answer_buttons(compared: ComparedOptions, *, key: str) -> None:
    """Draw a button for each document of a comparison of options."""

    def maker(name: str) -> Callable[[], bytes]:
        return lambda: answer_files(compared, names=[name])[name]

    names = [name for name in ANSWER_FILES if not name.endswith(".md")]
    _buttons(names, maker, stem=f"{compared.about.bulletin}.answer", key=key)


def _buttons(
    names: list[str] | tuple[str, ...],
    maker: Callable[[str], Callable[[], bytes]],
    *,
    stem: str,
    key: str,
) -> None:
    of = {name.rpartition(".")[2]: name for name in names}
    with st.container(horizontal=True, key=f"documents-{key}"):
        for ending in (one for one in _ORDER if one in of):
            words, mime, said = _KINDS[ending]
            people.offer(
                say(words),
                maker(of[ending]),
                file_name=f"{stem}.{ending}",
                mime=mime,
                help_=say(said),
                key=f"{key}-{ending}",
            )


# A document is asked for again by the next reader; the note's version tells it apart.
@st.cache_data(max_entries=12, show_spinner=False)
def _bulletin_file(folder: str, bulletin: str, made_utc: str, versions: int, name: str) -> bytes:
    return bulletin_files(archive.load(folder, bulletin), archive=folder, names=[name])[name]
