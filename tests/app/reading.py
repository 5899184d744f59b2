"""What a reader finds on a page that was run headless."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from dashboard import html_tables

if TYPE_CHECKING:
    from streamlit.testing.v1 import AppTest


def words_of(page: AppTest) -> str:
    """Return every word on the page but style sheet, script and the filters' options."""
    kinds = (page.title, page.header, page.subheader, page.markdown, page.caption, page.warning)
    parts = [one.value for kind in (*kinds, page.error) for one in kind]
    drawn = [one.proto.body for one in page.get("html")]
    parts += [body for body in drawn if not body.startswith(("<style>", "<script>"))]
    return "\n".join(parts).replace("\u00a0", " ")


def answer_of(page: AppTest) -> str:
    found = [one.value for one in page.markdown if one.value.startswith("In week")]
    assert len(found) == 1
    return found[0]


def download_of(table, index) -> list[list[str]]:
    """Return the lines of a table as it is downloaded, the heads first."""
    return list(csv.reader(io.StringIO(html_tables.csv(table, index.names).decode())))


def heads_of(names) -> list[str]:
    """Return the heads of a download: the name of an area stands after its code."""
    found = list(names)
    if "area" in found:
        found.insert(found.index("area") + 1, "area_name")
    return found
