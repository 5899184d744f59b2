"""Methods and cautions, for the public: how figures are made, why some are withheld, the rules."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard import html_tables, notices
from dashboard.public_pages import drawing
from dashboard.public_pages import published as words
from dashboard.public_pages.published import Published, published


def _rule(heads: tuple[str, ...], shown: Published, one: dict[str, Any]) -> str:
    length, limit, marked = (
        one[name] for name in ("min_length_mm", "daily_limit_fish", "mark_selective")
    )
    until = f" to {one['close_date']}" if one["close_date"] else ""
    cells = [
        f"{one['open_date']}{until}",
        "not recorded" if length is None else f"{length / 10:.1f} cm",
        "not recorded" if limit is None else str(limit),
        {True: "marked fish only", False: "marked and unmarked"}.get(marked, "not recorded"),
    ]
    return html_tables.line(heads, shown.areas.get(one["area"], one["area"]), cells)


def draw(shown: Published) -> None:
    """Draw the page."""
    drawing.head(shown, "Methods and cautions")
    about = shown.about
    st.markdown(
        "Samplers ask boats that come back on randomly drawn days and landing sites. What these "
        "boats say stands for all boats. **Likely between** is the interval that would hold the "
        f"true figure in {about['ci_level']:.0%} of such samples.\n\n"
        f"**{words.WITHHELD.capitalize()}.** No figure rests on one or two boats, and none can be "
        "worked out from the others. Some figures on more boats are withheld for that.\n\n"
        f"**{words.CARE}**: the standard error is over {about['pse_marked_over']:.0f} % of the "
        f"figure. Over {about['pse_not_published_over']:.0f} % it is not shown."
    )
    st.markdown(notices.COLD_WATER)
    st.subheader("What the figures are", anchor=False)
    for one in about["quantities"]:
        st.markdown(f"- **{words.plain(one['label'])}**: {words.plain(one['meaning'])}")
    if about.get("rules"):
        st.subheader("Openings and rules as they were recorded", anchor=False)
        heads = ("Area", "Open", "Least length", "Daily limit", "Which fish")
        st.html(html_tables.table(heads, [_rule(heads, shown, one) for one in about["rules"]]))
    drawing.foot()


if found := published():
    draw(found)
