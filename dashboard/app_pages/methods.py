"""Methods and cautions: how the figures are made, what they mean, and what they cannot say."""

from __future__ import annotations

import re
from importlib.resources import files

import streamlit as st

from analytics.people import Action
from dashboard import filters, notices, people, url_state
from dashboard.catalogue import phrase, say

#: The documents of the package in the order of the chooser, with their titles.
DOCUMENTS = {
    "sampling": phrase("Sampling and estimates"),
    "effort_from_counts": phrase("Effort from counts"),
    "sampling_plan": phrase("Sampling plan"),
    "released_fish": phrase("Released fish"),
    "catch_rates": phrase("Catch rates and trend"),
    "outlook_and_options": phrase("Outlook and options"),
    "revisions_and_publication": phrase("Revisions and publication"),
    "validation": phrase("Validation"),
    "codes": phrase("Codes"),
    "store": phrase("The store"),
    "serving": phrase("Serving a team"),
    "data_dictionary": phrase("Data dictionary"),
    "interface": phrase("Interface"),
    "commands": phrase("Commands"),
    "changes": phrase("Changes"),
}
CAUTIONS = phrase(
    "Every figure is an estimate from a sample, with an error. Fish that anglers report released "
    "are taken as reported, and boats that land at no listed site are not counted."
)


def show() -> None:
    """Draw the page: the cautions first, then the document that the reader chooses."""
    url_state.follow("methods")
    st.title(say("Methods and cautions"))
    people.require(Action.READ)
    with st.container(key="answer"):
        st.markdown(f"{say(CAUTIONS)} {notices.COVERAGE}")
    name = filters.pick(
        say("Document"), tuple(DOCUMENTS), key="document", words=lambda one: say(DOCUMENTS[one])
    )
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
