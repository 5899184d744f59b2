"""Areas: a figure of one area week by week, for the public."""

from __future__ import annotations

from dashboard.public_pages import drawing
from dashboard.public_pages.drawing import Published, published


def draw(shown: Published) -> None:
    """Draw the page."""
    drawing.head(shown, "Areas")
    area, quantity = drawing.choice(shown)
    drawing.trend(shown, area, quantity, key="area-trend")
    weeks = [None, *reversed(shown.weeks)]
    keys = [(area, week, quantity) for week in weeks]
    drawing.table(
        shown, ("area", area, quantity), keys, "Week", [drawing.when_words(week) for week in weeks]
    )
    drawing.foot()


if found := published():
    draw(found)
