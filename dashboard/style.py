"""The look that Streamlit's theme does not reach: one style sheet, colours from the theme."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

from analytics.palette import DARK

if TYPE_CHECKING:
    from analytics.palette import Palette

_FOLDER = Path(__file__).parent
_SHEET, _BREAK, _TODAY = (
    (_FOLDER / "page_style.css").read_text("utf-8").partition("/* Only on Today.")
)
_TOOLS = (_FOLDER / "page_tools.js").read_text("utf-8")
#: A dark page is printed as its negative, so that paper stays white.
_NEGATIVE = (
    "@media print {html, body {background: #fff !important;} "
    ".stApp {filter: invert(1) hue-rotate(180deg); background: #000 !important;}}"
)


def sheet(palette: Palette) -> str:
    """Return the style sheet in the colours of a theme."""
    is_night = palette.name == DARK.name
    colours = {
        "line": palette.grid,
        "sea": palette.sea,
        "quiet": palette.quiet,
        "ink": palette.ink,
        "copper": palette.copper,
        "band": palette.band,
        "paper": "#10181D" if is_night else "#FBFAF6",
    }
    named = " ".join(f"--bm-{name}: {colour};" for name, colour in colours.items())
    return f"<style>:root {{{named}}}\n{_SHEET}{_NEGATIVE if is_night else ''}</style>"


def today_sheet() -> str:
    """Return the style sheet of *Today* alone: rules on the frame of the page."""
    return f"<style>{_BREAK}{_TODAY}</style>"


def tools() -> str:
    """Return the script of the pages: print, pictures of figures, tables sorted and searched."""
    return f"<script>{_TOOLS}</script>"


# Whether the reader's page is light or dark.


def is_dark() -> bool:
    """Return whether the browser shows the dark theme; light where that is not known."""
    return st.context.theme.type == "dark"
