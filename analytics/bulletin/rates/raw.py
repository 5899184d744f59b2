"""The survey's own figures beside the index, and the weights of areas."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analytics.bulletin.figures import catch_figures, finished
from analytics.survey.reach import Domains
from analytics.units import QUANTITIES, Kind

if TYPE_CHECKING:
    from analytics.bulletin.prepare import Season

    Row = dict[str, Any]

Domain = tuple[str | None, str | None]
#: The survey's analysis of each response.
QUANTITY = {
    "encounters": "encounters_per_angler_hour",
    "kept": "kept_per_angler_hour",
    "sublegal": "sublegal_prop",
}
#: What the areas of a response are weighted by.
WEIGHTS = {"encounters": "angler_hours", "kept": "angler_hours", "sublegal": "encounter_fish"}


@dataclass(frozen=True, slots=True)
class Raw:
    """A figure of the survey with its limits, None where there is none."""

    value: float | None
    low: float | None = None
    high: float | None = None


def raw_figures(season: Season, *, level: float) -> dict[str, dict[Domain, Raw]]:
    """Return the survey's figures by response, then by area (None for all) and week.

    Parameters
    ----------
    season : Season
    level : float
        Confidence level.

    Returns
    -------
    dict of str to dict
        Rates are ratios of two totals over the same boats, with their joint error.
    """
    found: dict[str, dict[Domain, Raw]] = {}
    for response, quantity in QUANTITY.items():
        rows = _rows(season, quantity, ("area", "week"), level) | _rows(
            season, quantity, ("week",), level
        )
        found[response] = {
            domain: Raw(
                _none(row.get("estimate")), _none(row.get("ci_low")), _none(row.get("ci_high"))
            )
            for domain, row in rows.items()
        }
    return found


def area_weights(season: Season, *, level: float) -> dict[str, dict[str, float]]:
    """Return what each area weighs in the mean of all, by response: the season's own totals."""
    found = {}
    for response, quantity in WEIGHTS.items():
        rows = _rows(season, quantity, ("area",), level)
        totals = {area: _none(row.get("estimate")) for (area, _), row in rows.items()}
        found[response] = {area: one for area, one in totals.items() if area and one}
    return found


def _rows(season: Season, name: str, by: tuple[str, ...], level: float) -> dict[Domain, Row]:
    """Return the survey's rows of one quantity, the first way that tells a domain taken."""
    design = season.design
    domains = Domains("area" in by, "week" in by, len(design.weeks))
    told: dict[Domain, Row] = {}
    for way in season.ways:
        totals = way.totals(season.analyses[name], domains)
        figures = catch_figures(_kind(name), totals)
        for place, code in enumerate(totals.code.tolist()):
            area, week = domains.cell(code)
            key = (
                None if area is None else design.areas[area],
                None if week is None else design.weeks[week],
            )
            if key not in told:
                told[key] = finished(design, totals, figures, place, area=area, level=level)
    return told


def _kind(name: str) -> Kind:
    return QUANTITIES[name].kind if name in QUANTITIES else Kind.RATE


def _none(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
