"""The public's entry: ``streamlit run dashboard/public_app.py`` with BLACKMOUTH_PUBLIC set.

It knows one folder, that of `blackmouth publish`: no store and no bulletin.
"""

from __future__ import annotations

import streamlit as st

from analytics.palette import palette
from dashboard.style import is_dark, sheet, tools

PAGES = {"now": "Now", "areas": "Areas", "weeks": "Weeks", "methods": "Methods and cautions"}

st.html(sheet(palette(dark=is_dark())))
st.html(tools(), unsafe_allow_javascript=True)
st.navigation(
    [
        st.Page(f"public_pages/{script}.py", title=title, default=at == 0)
        for at, (script, title) in enumerate(PAGES.items())
    ],
    position="top",
).run()
