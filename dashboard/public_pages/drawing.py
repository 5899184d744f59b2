"""What the public's pages are drawn with: frame, cards, trends, tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.palette import palette
from analytics.units import tick_day
from analytics.wording.bulletin_index import monday
from analytics.wording.week import COLD_WATER
from dashboard import html_tables
from dashboard.charts import series
from dashboard.charts.drawing import Point
from dashboard.public_pages import published as words
from dashboard.style import is_dark

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    import plotly.graph_objects as go

    from dashboard.public_pages.published import Published

#: What the first page answers with.
HEADLINE = ("angler_trips", "kept_fish", "encounter_fish", "sublegal_prop")
CHECK_RULES = (
    "These are estimates, and no rules. Before you fish, read the official rules of the area; they "
    "can change on any day."
)
ASK_ABOUT_EATING = (
    "Before you eat fish from here, ask the local health office how much is safe, above all for "
    "children and during pregnancy."
)


def head(shown: Published, title: str) -> None:
    """Draw the title of a page, and what it is of."""
    st.set_page_config(page_title=f"{title} · Blackmouth", layout="centered")
    st.title(title)
    about = shown.about
    sure = " Later data can change these figures." if about.get("preliminary") else ""
    through = words.week_dates(about["through"])
    st.caption(f"Season {words.plain(about['season'])}, through the week {through}.{sure}")


def foot() -> None:
    """Draw what stands under every page: who decides, cold water, eating fish."""
    st.caption(f"{CHECK_RULES}\n\n{COLD_WATER} {ASK_ABOUT_EATING}")


def trend(shown: Published, area: str | None, quantity: str, *, key: str) -> None:
    """Draw a quantity week by week, with what is withheld as words below."""
    st.markdown(f"**{shown.labels[quantity]}: {words.area_words(shown, area)}**")
    dark = is_dark()
    figure, alt = shown.once(
        ("trend", area, quantity, dark), lambda: _trend(shown, area, quantity, dark=dark)
    )
    if figure is not None:
        config = {"displayModeBar": False, "responsive": True}
        st.plotly_chart(figure, theme=None, config=config, key=key, alt=alt)
    else:
        st.markdown("No week has a figure that can be shown.")


def _trend(
    shown: Published, area: str | None, quantity: str, *, dark: bool
) -> tuple[go.Figure | None, str]:
    """Return the figure of a quantity week by week and its words; None where all is withheld."""
    weeks = shown.weeks
    rows = [shown.figures.get((area, week, quantity)) for week in weeks]
    points = [
        Point(
            float(at),
            one.estimate if one else None,
            one.low if one else None,
            one.high if one else None,
            f"{words.value_words(one)} {words.interval_words(one)}".strip(),
        )
        for at, one in enumerate(rows)
    ]
    labels = [tick_day(monday(week)) for week in weeks]
    alt = "; ".join(f"{labels[int(one.at)]}: {one.words}" for one in points)
    if all(one.value is None for one in points):
        return None, alt
    look = palette(dark=dark)
    return series.recent(points, weeks=weeks, labels=labels, palette=look), alt


def table(
    shown: Published,
    key: Hashable,
    keys: Sequence[words.Key],
    first: str,
    names: Sequence[str],
) -> None:
    """Draw figures as a table of lines, withheld ones in words; `key` says which table it is."""
    st.html(shown.once(("table", key), lambda: _table(shown, keys, first, names)))


def _table(shown: Published, keys: Sequence[words.Key], first: str, names: Sequence[str]) -> str:
    heads = (first, "Estimate", "Likely between")
    lines = []
    for key, name in zip(keys, names, strict=True):
        one = shown.figures.get(key)
        lines.append(
            html_tables.line(heads, name, [words.value_words(one), words.interval_words(one)])
        )
    return str(html_tables.table(heads, lines))


def choice(shown: Published) -> tuple[str | None, str]:
    """Draw the choices of an area and a quantity; the area stands in the link."""
    labels = shown.labels
    areas: list[str | None] = [None, *shown.areas]
    left, right = st.columns(2)
    with left:
        area = st.selectbox(
            "Area",
            areas,
            format_func=lambda one: shown.areas.get(one, one) if one else "All areas",
            key="area",
            bind="query-params",
        )
    with right:
        quantity = st.selectbox(
            "Figure", list(labels), format_func=labels.__getitem__, key="figure", index=3
        )
    return area, str(quantity)
