"""The pages of the dashboard, in the order of the menu."""

from __future__ import annotations

import streamlit as st

from dashboard import data, store_access

#: Scripts and titles of the pages that show bulletins, the first one at the start.
RESULTS = {
    "week": "This week",
    "revisions": "Revisions",
    "season_limits": "Season limits",
    "compare_rules": "Compare rule changes",
    "catch_rates": "Catch rates",
    "seasonal_pattern": "Seasonal pattern",
    "released": "Released fish",
    "alternative_estimates": "Alternative estimates",
    "methods": "Methods and cautions",
}
#: Those that write, in the order of the work; there only where a store may be written.
DATA = {
    "data_desk": "Data desk",
    "paper_forms": "Paper forms",
    "small_tables": "Season tables",
    "new_bulletin": "New bulletin",
}
_STARTED = "started"


def pages() -> dict[str, list[st.Page]]:
    """Return every page by section; a section without a name stands in the menu itself."""
    first = next(iter(RESULTS))
    shown = {"": [_page(*one, default=one[0] == first) for one in RESULTS.items()]}
    if store_access.store_path() is not None:
        shown["Data"] = [_page(*one) for one in DATA.items()]
    return shown


def start(page: st.Page) -> None:
    """Open on the page where data go in, once, where the store has no bulletin to show yet."""
    is_first = not st.session_state.get(_STARTED)
    st.session_state[_STARTED] = True
    archive = data.archive_folder()
    if not is_first or store_access.store_path() is None or page.url_path:
        return
    if archive is None or not data.kept_bulletins(archive)[0]:
        st.switch_page(f"app_pages/{next(iter(DATA))}.py")


def _page(script: str, title: str, *, default: bool = False) -> st.Page:
    return st.Page(f"app_pages/{script}.py", title=title, default=default)
