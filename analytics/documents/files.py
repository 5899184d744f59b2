"""The files of documents by name, for commands and pages alike."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.bulletin.notes import last_note
from analytics.documents.answer_document import ComparedOptions, answer_document
from analytics.documents.blocks import as_html, as_markdown, as_pdf
from analytics.documents.bulletin_document import bulletin_document
from analytics.documents.imprint import Imprint, read_imprint
from analytics.documents.workbook import workbook

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.bulletin.archive import Bulletin

#: The names of an answer's files.
ANSWER_FILES = ("answer.md", "answer.html", "answer.pdf")
#: The names of a bulletin's files.
BULLETIN_FILES = ("bulletin.html", "bulletin.pdf", "bulletin.xlsx")


def bulletin_files(
    bulletin: Bulletin,
    *,
    archive: Path | str | None = None,
    names: Sequence[str] = BULLETIN_FILES,
) -> Mapping[str, bytes]:
    """Return a bulletin as documents, by the names of their files.

    The same bulletin, note and imprint give the same bytes: the time in them is the one at which
    the bulletin was made.

    Parameters
    ----------
    bulletin : Bulletin
    archive : path, optional
        The folder it is kept in, where the analyst's note and the store's imprint are found.
    names : sequence of str
        Those of `BULLETIN_FILES` that are wanted.

    Raises
    ------
    UsageError
        If the imprint cannot be read.
    """
    note, imprint = None, Imprint()
    if archive is not None:
        note = last_note(archive, bulletin.card.bulletin)
        imprint = read_imprint(Path(archive).parent)
    document = cache(lambda: bulletin_document(bulletin, note=note, imprint=imprint))
    return _made(
        names,
        (
            lambda: as_html(document()),
            lambda: as_pdf(document()),
            lambda: workbook(bulletin, note=note, imprint=imprint),
        ),
        all_names=BULLETIN_FILES,
    )


def answer_files(
    compared: ComparedOptions, *, names: Sequence[str] = ANSWER_FILES
) -> Mapping[str, bytes]:
    """Return a comparison of options as documents, by the names of their files that are wanted."""
    document = answer_document(compared)
    makers = (
        lambda: as_markdown(document).encode(),
        lambda: as_html(document),
        lambda: as_pdf(document),
    )
    return _made(names, makers, all_names=ANSWER_FILES)


def _made(
    names: Sequence[str], makers: Sequence[Callable[[], bytes]], *, all_names: Sequence[str]
) -> dict[str, bytes]:
    """Make the files that are wanted, and no other."""
    of = dict(zip(all_names, makers, strict=True))
    return {name: of[name]() for name in names}
