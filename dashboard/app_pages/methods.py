"""Methods and cautions: how the figures are made, what they mean, and what they cannot say."""

from __future__ import annotations

import re
from importlib.resources import files

import streamlit as st

from analytics.people import Action
from dashboard import filters, notices, people, url_state

#: The documents of the package in the order of the chooser, with their titles.
DOCUMENTS = {
    "sampling": "Sampling and estimates",
    "effort_from_counts": "Effort from counts",
    "sampling_plan": "Sampling plan",
    "released_fish": "Released fish",
    "catch_rates": "Catch rates and trend",
    "outlook_and_options": "Outlook and options",
    "revisions_and_publication": "Revisions and publication",
    "validation": "Validation",
    "codes": "Codes",
    "store": "The store",
    "serving": "Serving a team",
    "data_dictionary": "Data dictionary",
    "interface": "Interface",
    "commands": "Commands",
    "changes": "Changes",
}
CAUTIONS = (
    "Every figure is an estimate from a sample, with an error. Fish that anglers report released "
    "are taken as reported, and boats that land at no listed site are not counted."
)


def show() -> None:
    """Draw the page: the cautions first, then the document that the reader chooses."""
    st.title("Methods and cautions")
    url_state.follow("methods")
    people.require(Action.READ)
    with st.container(key="answer"):
        st.markdown(f"{CAUTIONS} {notices.COVERAGE}")
    name = filters.pick("Document", tuple(DOCUMENTS), key="document", words=DOCUMENTS.__getitem__)
    wishes = st.container()
    with st.container(key="document-text"):
        st.markdown(_readable((files("analytics") / "docs" / f"{name}.md").read_text("utf-8")))
    notices.foot()
    with wishes:
        notices.unmet(url_state.unmet())
    url_state.write()


def _readable(document: str) -> str:
    """Return a document under the page's title, its links to this page, without marks of parts."""
    shown = re.sub(r"^<!-- .* -->\n+", "", document, flags=re.MULTILINE)
    shown = re.sub(r"^#", "##", shown, flags=re.MULTILINE)
    return re.sub(r"\]\((\w+)\.md\)", r"](?document=\1)", shown)


show()
