"""Methods and cautions, for the public: how figures are made, why some are withheld, the rules."""

from __future__ import annotations

from datetime import date
from typing import Any

import streamlit as st

from analytics.precision import percent
from analytics.units import Length, both_lengths, day_words
from analytics.wording.regulations import Opening, marked_words, weekdays
from dashboard import html_tables
from dashboard.public_pages import drawing
from dashboard.public_pages.drawing import Published, published


def _opening(season: str, one: dict[str, Any]) -> Opening:
    """Return an opening as it was published: dates are text, and no weekdays are all of them."""
    close = one["close_date"]
    dates = {
        "open_date": date.fromisoformat(one["open_date"]),
        "close_date": date.fromisoformat(close) if close else None,
        "open_weekdays": one["open_weekdays"] or "1234567",
    }
    return Opening(season=season, **one | dates)


def _rule(heads: tuple[str, ...], shown: Published, opening: Opening) -> str:
    length, limit = opening.min_length_mm, opening.daily_limit_fish
    marked = opening.mark_selective
    cells = [
        _dates(opening),
        weekdays(opening),
        "not recorded" if length is None else both_lengths(length, Length.CM),
        "not recorded" if limit is None else str(limit),
        "not recorded" if marked is None else marked_words(marked),
    ]
    return html_tables.line(heads, shown.areas.get(opening.area, opening.area), cells)


def _rules(shown: Published) -> str:
    heads = ("Area", "Open", "Days", "Minimum length", "Daily limit", "Which fish")
    openings = [_opening(shown.about["season"], one) for one in shown.about["rules"]]
    return str(html_tables.table(heads, [_rule(heads, shown, one) for one in openings]))


def _dates(opening: Opening) -> str:
    """Return the first and the last day that are open."""
    first, last = opening.open_from(opening.open_date), opening.last_day
    if first is None:
        return "no day"
    return f"{day_words(first)} to {day_words(last)}" if last else f"from {day_words(first)}"


def draw(shown: Published) -> None:
    """Draw the page."""
    drawing.head(shown, "Methods and cautions")
    about = shown.about
    st.markdown(
        "Samplers ask boats that come back on randomly drawn days and landing sites. What these "
        "boats say stands for all boats. **Likely between** is the interval that would hold the "
        f"true figure in {percent(about['ci_level'])} of such samples.\n\n"
        f"**{drawing.WITHHELD.capitalize()}.** No figure rests on one or two boats, and none can "
        "be worked out from the others. Some figures on more boats are withheld for that. A figure "
        "of an area and week is revised once late forms of three boats have come in.\n\n"
        f"**{drawing.CARE}**: the standard error is over {about['pse_marked_over']:.0f} % of the "
        f"figure. Over {about['pse_not_published_over']:.0f} % it is not shown."
    )
    st.subheader("What the figures are", anchor=False)
    for one in about["quantities"]:
        label, meaning = one["label"], one["meaning"].rstrip(".")
        said = "" if meaning == label else f": {drawing.plain(meaning)}."
        st.markdown(f"- **{drawing.plain(label)}**{said}")
    if about.get("rules"):
        st.subheader("Openings and rules as they were recorded", anchor=False)
        st.html(shown.once("rules", lambda: _rules(shown)))
    drawing.foot()


if found := published():
    draw(found)
