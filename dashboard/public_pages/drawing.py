"""What the public's pages are drawn with: what was published, read once a process; its figures."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import streamlit as st

from analytics.palette import palette
from analytics.publishing.published_files import (
    ABOUT_FILE,
    FIGURES_FILE,
    PUBLIC_VARIABLE,
    read_published,
)
from analytics.units import tick_day
from analytics.wording.bulletin_index import monday
from analytics.wording.numbers import Measurement, NumberKind, plain, week_dates
from analytics.wording.week import COLD_WATER
from dashboard import html_tables
from dashboard.charts import series
from dashboard.charts.drawing import Point
from dashboard.style import is_dark

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Mapping, Sequence

    import plotly.graph_objects as go


Drawn = TypeVar("Drawn")
#: Tables and figures of one publication that are kept: a demo's whole season has some 400.
MOST_FINISHED = 2_000

#: Area (None: all areas), week (None: the season so far) and quantity.
Key = tuple[str | None, str | None, str]


class Figure(NamedTuple):
    """A published figure; its numbers are None where it is withheld."""

    estimate: float | None
    low: float | None
    high: float | None
    unit: str
    precision: str
    status: str


@dataclass(frozen=True, slots=True, eq=False)
class Published:
    """Figures by key, and what `about.json` says.

    Parameters
    ----------
    figures : dict of Key to Figure
    about : dict
    areas : dict of str to str
        Names of areas by code.
    weeks : tuple of str
        Weeks in order.
    labels : dict of str to str
        Words of quantities by name.
    finished : dict
        Tables and figures as they were drawn once, by what they show: a visitor more draws nothing
        anew. It goes with the publication, and holds no more than `MOST_FINISHED`.
    """

    figures: Mapping[Key, Figure]
    about: Mapping[str, Any]
    areas: Mapping[str, str]
    weeks: tuple[str, ...]
    labels: Mapping[str, str]
    finished: dict[Hashable, Any] = field(default_factory=dict)

    def once(self, key: Hashable, draw: Callable[[], Drawn]) -> Drawn:
        """Return what was drawn for a key, drawn now where nobody asked for it before."""
        found: Drawn | None = self.finished.get(key)
        if found is None:
            found = draw()
            if len(self.finished) >= MOST_FINISHED:
                self.finished.clear()
            self.finished[key] = found
        return found


def published() -> Published | None:
    """Return what was published; None, with words on the page, where it cannot be read."""
    folder = Path(os.environ.get(PUBLIC_VARIABLE, "").strip() or ".")
    try:
        stamp = max((folder / name).stat().st_mtime_ns for name in (FIGURES_FILE, ABOUT_FILE))
        return _published(str(folder), stamp)
    except (OSError, ValueError, KeyError, TypeError):
        st.title("No figures yet")
        st.markdown("The published figures cannot be read just now. Please come back later.")
        return None


@st.cache_resource(max_entries=2, show_spinner=False)
def _published(folder: str, stamp: int) -> Published:
    return read(Path(folder))


def read(folder: Path) -> Published:
    """Return what was published in a folder.

    Raises
    ------
    OSError, ValueError, KeyError, TypeError
        If it cannot be read.
    """
    about, rows = read_published(folder)
    figures: dict[Key, Figure] = {}
    for row in rows:
        low, high = _float(row["ci_low"]), _float(row["ci_high"])
        key = (row["area"] or None, row["week"] or None, row["quantity"])
        figures[key] = Figure(
            _float(row["estimate"]), low, high, row["unit"], row["precision"], row["status"]
        )
    _ = about["season"], about["through"]
    return Published(
        figures,
        about,
        areas={one["area"]: one["area_name"] for one in about["areas"]},
        weeks=tuple(sorted({week for _, week, _ in figures if week is not None})),
        labels={one["quantity"]: one["label"] for one in about["quantities"]},
    )


def _float(text: str) -> float | None:
    return float(text) if text else None


WITHHELD = "withheld: it would tell of fewer than three boats"
_WHY = {"suppressed": WITHHELD, "not_published": "not shown: too uncertain"}
CARE = "! use with caution"


def value_words(figure: Figure | None) -> str:
    """Return a figure in words; never nothing."""
    if figure is None or figure.estimate is None:
        return _WHY.get(figure.status, "no estimate") if figure else "no estimate"
    return _measured(figure).words


def interval_words(figure: Figure | None) -> str:
    """Return the interval of a figure with its mark; empty where it has none."""
    if figure is None or figure.estimate is None:
        return ""
    care = CARE if figure.precision == "over_30" else ""
    if figure.low is None or figure.high is None:
        return care or "no interval"
    limits = _measured(figure)
    return f"{limits.shown(figure.low)} to {limits.shown(figure.high)} {care}".strip()


def _measured(figure: Figure) -> Measurement:
    """Return a figure in the digits that its interval lets it have, as on every page."""
    sort = NumberKind.RATIO if "per" in figure.unit.split() else NumberKind.COUNT
    sort = NumberKind.SHARE if figure.unit == "1" else sort
    return Measurement(figure.estimate, figure.low, figure.high, sort)


def area_words(shown: Published, area: str | None) -> str:
    """Return the name of an area, escaped for a page."""
    return plain(shown.areas.get(area, area)) if area else "All areas"


def when_words(week: str | None) -> str:
    """Return a week by its dates, or that it is the season so far."""
    return week_dates(week) if week else "season so far"


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
    through = week_dates(about["through"])
    st.caption(f"Season {plain(about['season'])}, through the week {through}.{sure}")


def foot() -> None:
    """Draw what stands under every page: who decides, cold water, eating fish."""
    st.caption(f"{CHECK_RULES}\n\n{COLD_WATER} {ASK_ABOUT_EATING}")


def trend(shown: Published, area: str | None, quantity: str, *, key: str) -> None:
    """Draw a quantity week by week, with what is withheld as words below."""
    st.markdown(f"**{shown.labels[quantity]}: {area_words(shown, area)}**")
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
            f"{value_words(one)} {interval_words(one)}".strip(),
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
    keys: Sequence[Key],
    first: str,
    names: Sequence[str],
) -> None:
    """Draw figures as a table of lines, withheld ones in words; `key` says which table it is."""
    st.html(shown.once(("table", key), lambda: _table(shown, keys, first, names)))


def _table(shown: Published, keys: Sequence[Key], first: str, names: Sequence[str]) -> str:
    heads = (first, "Estimate", "Likely between")
    lines = []
    for key, name in zip(keys, names, strict=True):
        one = shown.figures.get(key)
        lines.append(html_tables.line(heads, name, [value_words(one), interval_words(one)]))
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
