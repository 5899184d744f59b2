"""Text of pages in the reader's language, from gettext catalogues that are read at run time.

The English text stands in the code and is the key of its translation. A language of a page is one
file, ``catalogues/PAGE.LANGUAGE.po``, and what pages share is in ``catalogues/frame.LANGUAGE.po``.
A text without a translation is said in English.
"""

from __future__ import annotations

import io
import logging
from contextvars import ContextVar
from functools import lru_cache
from gettext import GNUTranslations, NullTranslations
from pathlib import Path
from string import Formatter
from typing import TYPE_CHECKING

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

if TYPE_CHECKING:
    from collections.abc import Sequence

    from babel.messages.catalog import Message

FOLDER = Path(__file__).parent / "catalogues"
ENGLISH = "en"
#: The catalogue of what pages share.
FRAME = "frame"
#: The texts of the page that is drawn in this thread; the frame of a page sets them for each run.
_TEXTS: ContextVar[NullTranslations] = ContextVar("texts", default=NullTranslations())  # noqa: B039 - never changed
_LOG = logging.getLogger(__name__)


def say(text: str, /, **named: object) -> str:
    """Return a text in the reader's language, with values in the place of its names in braces."""
    said = _TEXTS.get().gettext(text)
    return said.format(**named) if named else said


def say_n(n: int, one: str, many: str, /, **named: object) -> str:
    """Return what is said of one thing, or of another count `n`, which both texts call ``{n}``."""
    return _TEXTS.get().ngettext(one, many, n).format(n=f"{n:,}", **named)


def phrase(text: str) -> str:
    """Return an English text as it is, marked for the catalogue; `say` says it later."""
    return text


def read_in(page: str, language: str) -> None:
    """Say the texts of a page in a language from here on, in this thread.

    English where the page has no catalogue of that language.
    """
    _TEXTS.set(_texts(page, language))


def languages(page: str) -> tuple[str, ...]:
    """Return the languages of a page, English first."""
    found = {path.name.split(".")[1] for path in FOLDER.glob(f"{page}.*.po")}
    return (ENGLISH, *sorted(found - {ENGLISH}))


@lru_cache(maxsize=64)
def _texts(page: str, language: str) -> NullTranslations:
    if language not in languages(page)[1:]:
        return NullTranslations()
    found = _read(FOLDER / f"{page}.{language}.po")
    if page != FRAME and language in languages(FRAME):
        found.add_fallback(_read(FOLDER / f"{FRAME}.{language}.po"))
    return found


def _read(path: Path) -> NullTranslations:
    """Return the translations of a file; those whose names in braces are wrong are left out."""
    try:
        catalogue = read_po(io.BytesIO(path.read_bytes()))
        for one in [one for one in catalogue if one.id and not _fits(one)]:
            _LOG.warning("%s: other names in braces than in English: %s", path.name, one.id)
            catalogue.delete(one.id)
        compiled = io.BytesIO()
        write_mo(compiled, catalogue)
        compiled.seek(0)
        return GNUTranslations(compiled)
    except (OSError, ValueError) as error:
        _LOG.warning("%s cannot be read, so its texts are in English: %s", path.name, error)
        return NullTranslations()


def _fits(message: Message) -> bool:
    """Whether translations name nothing but what their English names, in the same format."""
    try:
        return _fields(message.string) <= _fields(message.id)
    except ValueError:  # a brace that is not closed
        return False


def _fields(texts: str | Sequence[str] | None) -> set[tuple[str | None, ...]]:
    """Return what stands in braces in a text, or in those of a singular and plurals."""
    every = [texts] if isinstance(texts, str) else texts or ()
    return {(name, *form) for text in every for _, name, *form in Formatter().parse(text) if name}
