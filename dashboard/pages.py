"""The pages of the dashboard by who asks, in the order of the menu."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import streamlit as st

from analytics.people import Action
from dashboard import data, people, store_access, url_state
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Scripts and titles of the pages that show bulletins, by who asks; without a name stands alone.
SECTIONS = {
    "": {"today": phrase("Today")},
    phrase("Biologist"): {
        "week": phrase("This week"),
        "revisions": phrase("Revisions"),
        "catch_rates": phrase("Catch rates"),
        "released": phrase("Released fish"),
        "seasonal_pattern": phrase("Seasonal pattern"),
        "alternative_estimates": phrase("Alternative estimates"),
    },
    phrase("Manager"): {
        "season_limits": phrase("Season limits"),
        "compare_rules": phrase("Compare rule changes"),
    },
    phrase("Anglers"): {
        "local_waters": phrase("Local waters"),
    },
    phrase("Everyone"): {
        "methods": phrase("Methods and cautions"),
        "projection_accuracy": phrase("Projection accuracy"),
    },
}
#: All of them; the first one opens at the root.
RESULTS = {script: title for section in SECTIONS.values() for script, title in section.items()}
#: Those that write, in the order of the work; there only where a store may be written.
DATA = {
    "data_desk": phrase("Data desk"),
    "paper_forms": phrase("Paper forms"),
    "small_tables": phrase("Season tables"),
    "new_bulletin": phrase("New bulletin"),
    "sampling_plan": phrase("Sampling plan"),
}
#: What a person must be allowed for a page that writes to be in the menu; the others are read.
NEEDS = {
    "data_desk": Action.DRAFT,
    "paper_forms": Action.DRAFT,
    "small_tables": Action.DRAFT,
    "new_bulletin": Action.NOTE,
    "sampling_plan": Action.SEE_STORE,
}
#: Whose pages those that write stand with.
WRITERS = "Biologist"
#: Where a page has another name in the address than its script.
_ADDRESSES: dict[str, str] = {"local_waters": "waters"}
#: Choices of the page that stood at the root once: links to it hold one of them.
_ONCE_AT_ROOT = ("week", "show", "map", "scale")
_STARTED = "started"


def needed(script: str) -> Action:
    """Return what a page asks for: of one that writes and says nothing, as much as of storing."""
    return NEEDS.get(script, Action.STORE if script in DATA else Action.READ)


def menu() -> dict[str, dict[str, str]]:
    """Return scripts and titles of the pages there are now for the person here, by section."""
    has_store = store_access.store_path() is not None
    writing = {script: title for script, title in DATA.items() if people.may(needed(script))}
    shown = SECTIONS | ({WRITERS: SECTIONS[WRITERS] | writing} if has_store else {})
    return {section: scripts for section, scripts in shown.items() if scripts}


def pages() -> dict[str, list[st.Page]]:
    """Return the pages of the menu; a section without a name stands in the menu itself.

    Pages that the person may not see are not in the menu. A link to one of them says why.
    """
    found = {
        name and say(name): [_page(*one) for one in scripts.items()]
        for name, scripts in menu().items()
    }
    return found | {say(WRITERS): [*found[say(WRITERS)], *map(_refused, refused())]}


def refused() -> list[str]:
    """Return the scripts of pages that there are, and not for the person here."""
    if store_access.store_path() is None:
        return []
    return [script for script in DATA if not people.may(needed(script))]


def refuse(script: str) -> None:
    """Draw, in the place of a page, why the person may not see it."""
    st.title(say(DATA[script]), anchor=False)
    people.require(needed(script))


def addresses() -> list[str]:
    """Return the addresses of all pages but the first, whoever may see them."""
    scripts = [*RESULTS, *DATA][1:]
    return [_ADDRESSES.get(script, script) for script in scripts]


def link_to(script: str, choices: Mapping[str, list[str]], **more: str) -> str:
    """Return the address of a page with choices, beside the first page's.

    Where a page is not there, that is the week's.
    """
    found = script if script in RESULTS else "week"
    query = urlencode({**choices, **{key: [one] for key, one in more.items()}}, doseq=True)
    return f"{_ADDRESSES.get(found, found)}?{query}"


def start(page: st.Page) -> None:
    """Open on another page than the first where the link or the store asks for it, once.

    A link from when the week stood at the root opens the week. Where the store has no bulletin to
    show yet, the page opens where data go in.
    """
    is_first = not st.session_state.get(_STARTED)
    st.session_state[_STARTED] = True
    if not is_first or page.url_path:
        return
    if any(key in st.query_params for key in _ONCE_AT_ROOT):
        url_state.send_on("week")
        st.stop()
    archive = data.archive_folder()
    if store_access.store_path() is None or not people.may(needed(next(iter(DATA)))):
        return
    if archive is None or not data.kept_bulletins(archive)[0]:
        st.switch_page(f"app_pages/{next(iter(DATA))}.py")


def _refused(script: str) -> st.Page:
    draw = partial(refuse, script)
    return st.Page(draw, title=say(DATA[script]), url_path=script, visibility="hidden")


def _page(script: str, title: str) -> st.Page:
    is_first = script == next(iter(RESULTS))
    address = None if is_first else _ADDRESSES.get(script, script)
    return st.Page(f"app_pages/{script}.py", title=say(title), url_path=address, default=is_first)
