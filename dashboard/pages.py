"""The pages of the dashboard, in the order of the menu."""

from __future__ import annotations

import streamlit as st


def pages() -> list[st.Page]:
    """Return every page; paths are relative to the entry script."""
    return [
        st.Page("app_pages/week.py", title="The week in review", default=True),
        st.Page("app_pages/moved.py", title="What moved"),
        st.Page("app_pages/standing.py", title="Season standing"),
        st.Page("app_pages/change.py", title="Weigh a change"),
        st.Page("app_pages/rates.py", title="Catch rates"),
        st.Page("app_pages/timing.py", title="Run timing"),
        st.Page("app_pages/released.py", title="Released fish"),
        st.Page("app_pages/ways.py", title="Ways to reckon"),
        st.Page("app_pages/methods.py", title="Methods and cautions"),
    ]
