"""The pages of the dashboard, in the order of the menu."""

from __future__ import annotations

import streamlit as st


def pages() -> list[st.Page]:
    """Return every page; paths are relative to the entry script."""
    return [
        st.Page("app_pages/week.py", title="This week", default=True),
        st.Page("app_pages/revisions.py", title="Revisions"),
        st.Page("app_pages/season_limits.py", title="Season limits"),
        st.Page("app_pages/compare_rules.py", title="Compare rule changes"),
        st.Page("app_pages/catch_rates.py", title="Catch rates"),
        st.Page("app_pages/seasonal_pattern.py", title="Seasonal pattern"),
        st.Page("app_pages/released.py", title="Released fish"),
        st.Page("app_pages/alternative_estimates.py", title="Alternative estimates"),
        st.Page("app_pages/methods.py", title="Methods and cautions"),
    ]
