"""The files of documents by name, for commands and pages alike."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analytics.bulletin.notes import notes
from analytics.documents.answer_document import ComparedOptions, answer_document
from analytics.documents.blocks import as_html, as_pdf
from analytics.documents.bulletin_document import bulletin_document
from analytics.documents.imprint import Imprint, read_imprint
from analytics.documents.markdown import as_markdown
from analytics.documents.workbook import workbook

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.bulletin.archive import Bulletin

#: The names of an answer's files.
ANSWER_FILES = ("answer.md", "answer.html", "answer.pdf")
#: The names of a bulletin's files.
BULLETIN_FILES = ("bulletin.html", "bulletin.pdf", "bulletin.xlsx")


def bulletin_files(bulletin: Bulletin, *, archive: Path | str | None = None) -> Mapping[str, bytes]:
    """Return a bulletin as documents, by the names of their files.

    The same bulletin, note and imprint give the same bytes: the time in them is the one at which
    the bulletin was made.

    Parameters
    ----------
    bulletin : Bulletin
    archive : path, optional
        The folder it is kept in, where the analyst's note and the store's imprint are found.

    Raises
    ------
    UsageError
        If the imprint cannot be read.
    """
    note, imprint = None, Imprint()
    if archive is not None:
        note = next(reversed(notes(archive, bulletin.card.bulletin)), None)
        imprint = read_imprint(Path(archive).parent)
    document = bulletin_document(bulletin, note=note, imprint=imprint)
    book = workbook(bulletin, note=note, imprint=imprint)
    return dict(zip(BULLETIN_FILES, (as_html(document), as_pdf(document), book), strict=True))


def answer_files(compared: ComparedOptions) -> Mapping[str, bytes]:
    """Return a comparison of options as documents, by the names of their files."""
    document = answer_document(compared)
    made = (as_markdown(document).encode(), as_html(document), as_pdf(document))
    return dict(zip(ANSWER_FILES, made, strict=True))
