"""What was published, read once a process, and its figures in words."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import streamlit as st

from analytics.publishing.published_files import (
    ABOUT_FILE,
    FIGURES_FILE,
    PUBLIC_VARIABLE,
    read_published,
)
from analytics.wording.numbers import Measurement, NumberKind, plain, week_dates

if TYPE_CHECKING:
    from collections.abc import Mapping

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
    """Figures by key, and what `about.json` says."""

    figures: Mapping[Key, Figure]
    about: Mapping[str, Any]

    @property
    def areas(self) -> dict[str, str]:
        """Names of areas by code."""
        return {one["area"]: one["area_name"] for one in self.about["areas"]}

    @property
    def weeks(self) -> list[str]:
        """Weeks in order."""
        return sorted({week for _, week, _ in self.figures if week is not None})

    @property
    def labels(self) -> dict[str, str]:
        """Words of quantities by name."""
        return {one["quantity"]: one["label"] for one in self.about["quantities"]}


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
    about, rows = read_published(Path(folder))
    figures: dict[Key, Figure] = {}
    for row in rows:
        low, high = _float(row["ci_low"]), _float(row["ci_high"])
        key = (row["area"] or None, row["week"] or None, row["quantity"])
        figures[key] = Figure(
            _float(row["estimate"]), low, high, row["unit"], row["precision"], row["status"]
        )
    _ = about["areas"], about["quantities"], about["season"], about["through"]
    return Published(figures, about)


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
