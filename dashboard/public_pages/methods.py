"""Methods and cautions, for the public: how figures are made, why some are withheld, the rules."""

from __future__ import annotations

from datetime import date
from typing import Any

import streamlit as st

from analytics.rounding import percent
from analytics.units import day_words
from dashboard import html_tables
from dashboard.public_pages import drawing
from dashboard.public_pages import published as words
from dashboard.public_pages.published import Published, published


def _rule(heads: tuple[str, ...], shown: Published, one: dict[str, Any]) -> str:
    length, limit, marked = (
        one[name] for name in ("min_length_mm", "daily_limit_fish", "mark_selective")
    )
    cells = [
        _days(one["open_date"], one["close_date"]),
        "not recorded" if length is None else f"{length / 10:.1f} cm",
        "not recorded" if limit is None else str(limit),
        {True: "marked fish only", False: "marked and unmarked"}.get(marked, "not recorded"),
    ]
    return html_tables.line(heads, shown.areas.get(one["area"], one["area"]), cells)


def _rules(shown: Published) -> str:
    heads = ("Area", "Open", "Least length", "Daily limit", "Which fish")
    lines = [_rule(heads, shown, one) for one in shown.about["rules"]]
    return str(html_tables.table(heads, lines))


def _days(first: str, last: str | None) -> str:
    begins = day_words(date.fromisoformat(first))
    return f"{begins} to {day_words(date.fromisoformat(last))}" if last else f"from {begins}"


def draw(shown: Published) -> None:
    """Draw the page."""
    drawing.head(shown, "Methods and cautions")
    about = shown.about
    st.markdown(
        "Samplers ask boats that come back on randomly drawn days and landing sites. What these "
        "boats say stands for all boats. **Likely between** is the interval that would hold the "
        f"true figure in {percent(about['ci_level'])} of such samples.\n\n"
        f"**{words.WITHHELD.capitalize()}.** No figure rests on one or two boats, and none can be "
        "worked out from the others. Some figures on more boats are withheld for that. A figure of "
        "an area and week is revised once late forms of three boats have come in.\n\n"
        f"**{words.CARE}**: the standard error is over {about['pse_marked_over']:.0f} % of the "
        f"figure. Over {about['pse_not_published_over']:.0f} % it is not shown."
    )
    st.subheader("What the figures are", anchor=False)
    for one in about["quantities"]:
        label, meaning = one["label"], one["meaning"].rstrip(".")
        said = "" if meaning == label else f": {words.plain(meaning)}."
        st.markdown(f"- **{words.plain(label)}**{said}")
    if about.get("rules"):
        st.subheader("Openings and rules as they were recorded", anchor=False)
        st.html(shown.once("rules", lambda: _rules(shown)))
    drawing.foot()


if found := published():
    draw(found)
