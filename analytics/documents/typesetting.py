"""The one place that calls Typst: a template and data become a tagged PDF.

Data go in as JSON and are never spliced into markup, so that a name is shown as the text it is,
whatever signs it holds. Nothing is fetched; fonts are those inside Typst, then matplotlib's, the
last of which has a box for every sign there is. The same input gives the same bytes.
"""

from __future__ import annotations

import json
import unicodedata
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analytics.palette import LIGHT

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    import typst

#: Stands before every template: page, fonts, headings, tables, `data` and `picture(name, alt)`.
_STYLE = "style.typ"
_COLOURS = ("ink", "quiet", "grid", "sea", "copper")
_NO_PICTURES: Mapping[str, bytes] = {}


def pdf_of(
    template: str,
    data: Mapping[str, Any],
    pictures: Mapping[str, bytes] = _NO_PICTURES,
    *,
    made: datetime | None = None,
) -> bytes:
    """Return a PDF/UA-1 (tagged, for screen readers) of a template and its data.

    Parameters
    ----------
    template : str
        Typst markup, without packages. It finds `data`, and the helpers of ``style.typ``.
    data : mapping
        What JSON can hold; ``title`` is the title of the document. Signs that cannot be printed are
        left out.
    pictures : mapping of str to bytes
        SVG, by name; ``#picture("trend", alt: data.trend_alt)`` shows one.
    made : datetime.datetime, optional
        When the document says it was made, with its time zone; it says nothing if not given.
    """
    given = {
        "data": _printable(dict(data)),
        "pictures": {name: svg.decode() for name, svg in pictures.items()},
        "is_dated": made is not None,
        "colours": {name: getattr(LIGHT, name) for name in _COLOURS},
    }
    compiled = _compiler().compile(
        (_style() + template).encode(),
        format="pdf",
        sys_inputs={"given": json.dumps(given, ensure_ascii=False)},
        pdf_standards=["ua-1"],
        timestamp=int(made.timestamp()) if made else 0,
    )
    if not isinstance(compiled, bytes):
        raise TypeError(f"Typst gave {type(compiled).__name__}; a PDF is bytes")
    return compiled


def template(name: str) -> str:
    """Return a template of this room, such as ``bulletin.typ``."""
    return files("analytics.documents").joinpath(name).read_text(encoding="utf-8")


@cache
def _compiler() -> typst.Compiler:
    """Return Typst with its fonts and matplotlib's, and no file of the machine within reach."""
    import matplotlib as mpl  # noqa: PLC0415 - keeps commands quick that make no document
    import typst  # noqa: PLC0415

    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
    return typst.Compiler(root=fonts, font_paths=[fonts], ignore_system_fonts=True)


@cache
def _style() -> str:
    return template(_STYLE)


def _printable(value: Any) -> Any:
    """Return data without the signs that no font has: control characters, half pairs."""
    if isinstance(value, str):
        return "".join(filter(_is_printable, value))
    if isinstance(value, dict):
        return {_printable(key): _printable(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_printable(one) for one in value]
    return value


#: Control characters, half pairs and places without a sign; and marks that turn the direction of
#: all that follows. Letters that run from right to left need none of these.
_NO_SIGN = frozenset({"Cc", "Cs", "Cn"})
_TURNS = frozenset({"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"})


def _is_printable(sign: str) -> bool:
    if sign == "\n":
        return True
    return (
        unicodedata.category(sign) not in _NO_SIGN and unicodedata.bidirectional(sign) not in _TURNS
    )
