"""Whether the reader's page is light or dark."""

from __future__ import annotations

import streamlit as st


def is_dark() -> bool:
    """Return whether the browser shows the dark theme; light where that is not known."""
    return st.context.theme.type == "dark"
