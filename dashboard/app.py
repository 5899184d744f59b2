"""The entry: ``streamlit run dashboard/app.py`` with the archive named in BLACKMOUTH_ARCHIVE."""

from __future__ import annotations

import streamlit as st

from analytics.palette import palette
from dashboard import catalogue, login, url_state
from dashboard.page_frame import give_tool_words, tab_title
from dashboard.pages import pages, start
from dashboard.style import is_dark, sheet, tools

st.set_page_config(page_title="Blackmouth", layout="wide")
url_state.read_in_language(catalogue.FRAME)
st.html(sheet(palette(dark=is_dark())))
st.html(tools(), unsafe_allow_javascript=True)
if not login.is_let_in():
    st.stop()
page = st.navigation(pages(), position="top")
start(page)
tab_title(page.title)
page.run()
give_tool_words()
