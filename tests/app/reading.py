"""What a reader finds on a page that was run headless."""

from __future__ import annotations

import csv
import io
import json
import re
from html import unescape
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs

from analytics.wording.limits import limit_names
from dashboard import html_tables

if TYPE_CHECKING:
    from streamlit.testing.v1 import AppTest

UNSEEN = ("<style>", "<script>", "<div class='bm-link'")
LINK = re.compile("<div class='bm-link' data-page='(?P<page>.*)' data-query='(?P<query>.*)'>")


def words_of(page: AppTest) -> str:
    """Return every word on the page but style sheet, script and the filters' options."""
    kinds = (page.title, page.header, page.subheader, page.markdown, page.caption, page.warning)
    parts = [one.value for kind in (*kinds, page.error) for one in kind]
    drawn = [one.proto.body for one in page.get("html")]
    parts += [
        body
        for body in drawn
        if not body.startswith(("<style>", "<script>", "<div class='bm-link'"))
    ]
    return "\n".join(parts).replace("\u00a0", " ")


def follow_link(page: AppTest) -> AppTest:
    """Take the first link that the page gives to its script, as a browser does."""
    for one in page.get("html"):
        if found := LINK.search(one.proto.body):
            page.query_params.clear()
            for key, values in parse_qs(unescape(found["query"])).items():
                page.query_params[key] = values if len(values) > 1 else values[0]
    return page


def unfold(page: AppTest, key: str) -> AppTest:
    """Open what a page draws on demand."""
    page.session_state[key] = True
    return page.run()


def answer_of(page: AppTest) -> str:
    found = [one.value for one in page.markdown if one.value.startswith("In week")]
    assert len(found) == 1
    return found[0]


def download_of(table, index) -> list[list[str]]:
    """Return the lines of a table as it is downloaded, the heads first."""
    written = html_tables.csv(table, index.names, limit_names(index))
    return list(csv.reader(io.StringIO(written.decode())))


def table_of(figure) -> tuple[list[str], list[list[Any]]]:
    """Return the columns and lines of the table that a figure is downloaded with."""
    kept = json.loads(figure.layout.meta)
    return kept["columns"], kept["lines"]


def heads_of(names) -> list[str]:
    """Return the heads of a download: names of areas and words of assumptions after their codes."""
    beside = {of: [of, f"{of}_name"] for of in ("area", "areas", "landing_area")}
    beside["assumption"] = ["assumption", "assumption_words"]
    beside["limit_id"] = ["limit_id", "limit_name"]
    return [head for name in names for head in beside.get(name, [name])]
