"""The total that a limit is held against: one result row, or several summed with one error."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.bulletin.standing.class_spread import CLASS_NAMES
from analytics.bulletin.standing.set_spread import (
    catch_variance,
    class_variance,
    death_variance,
)
from analytics.fish.release_deaths import FATES
from analytics.interval import log_t
from analytics.units import Status

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.bulletin.prepare import Season

    Row = dict[str, Any]
    Rows = Mapping[tuple[str | None, str], Row]

#: Totals of deaths, and kept fish, which die too: any of them may be summed with one error.
_FATES = FATES | {"kept_fish": ("kept",)}
#: Reservations, the strongest first.
_STRONGEST = (Status.NO_SAMPLE, Status.NO_DESIGN, Status.IMPUTED, Status.COLLAPSED, Status.OK)
NOT_OPEN_YET = "not open yet: nothing was caught so far"


@dataclass(frozen=True, slots=True)
class Figure:
    """A total so far; None where it cannot be had.

    Parameters
    ----------
    estimate, se, ci_low, ci_high, df : float or None
    status, method, reason : str
        The reason why there is no estimate; empty where there is one.
    """

    estimate: float | None = None
    se: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None
    df: float | None = None
    status: str = str(Status.NO_SAMPLE)
    method: str = ""
    reason: str = ""


class Sums:
    """Totals of a season over sets of areas and quantities.

    Parameters
    ----------
    season : Season
        Prepared in the usual way.
    rows : mapping of (area, quantity) to dict
        Result rows by area, and of the season (area None).
    level : float
        Confidence level.
    """

    def __init__(self, season: Season, rows: Rows, *, level: float) -> None:
        self._season, self._rows, self._level = season, rows, level
        self._areas = {area for area, _ in rows if area is not None}

    def of(self, areas: Sequence[str], quantities: Sequence[str]) -> Figure:
        """Return the total of some quantities over some areas.

        One quantity of one area or of all areas is its result row. Else the estimate is the sum of
        the rows of areas and its error that of the sum: areas share site-days, and deaths share
        the rates they are reckoned with. Degrees of freedom are those of the areas together, at
        most the season's.

        Parameters
        ----------
        areas, quantities : sequence of str
            Areas of the season; one that is not open yet has no row.

        Returns
        -------
        Figure
        """
        told = [area for area in areas if area in self._areas]
        if not told:
            return Figure(0.0, status=str(Status.ZERO_TOTAL), method=NOT_OPEN_YET)
        is_all = self._areas <= set(told)
        if len(quantities) == 1 and (is_all or len(told) == 1):
            return _of_row(self._rows[None if is_all else told[0], quantities[0]])
        return self._sum(told, quantities)

    def _sum(self, areas: Sequence[str], quantities: Sequence[str]) -> Figure:
        rows = [self._rows[area, name] for area in areas for name in quantities]
        lacking = [
            area
            for area in areas
            if any(self._rows[area, name].get("estimate") is None for name in quantities)
        ]
        known = [area for area in areas if area not in lacking]
        why = "; ".join(
            dict.fromkeys(str(row["method"]) for row in rows if row.get("estimate") is None)
        )
        if not known:
            status = next(str(row["status"]) for row in rows if row.get("estimate") is None)
            return Figure(status=status, reason=why)
        rows = [self._rows[area, name] for area in known for name in quantities]
        estimate = math.fsum(float(row["estimate"]) for row in rows)
        variance, words = self._variance(known, quantities, rows)
        notes = ["sum of areas" if len(known) > 1 else "sum of quantities", *words]
        if lacking:
            notes.append(f"without {', '.join(lacking)} ({why})")
        status = str(Status.NO_SAMPLE) if lacking else _status(rows)
        method, df = "; ".join(notes), self._df(known, quantities)
        if variance is None or estimate == 0:
            return Figure(estimate, df=df, status=status, method=method)
        se = math.sqrt(variance)
        low, high = log_t(estimate, se, df=df, level=self._level)
        is_none = math.isnan(low)
        return Figure(
            estimate,
            se,
            None if is_none else low,
            None if is_none else high,
            df=df,
            status=status,
            method=method,
        )

    def _variance(
        self, areas: Sequence[str], quantities: Sequence[str], rows: Sequence[Row]
    ) -> tuple[float | None, list[str]]:
        """Return the variance of a sum, None with words where it cannot be had."""
        if any(row.get("se") is None and row["estimate"] for row in rows):
            return None, ["no error can be had of a part: none of the sum"]
        names, codes = set(quantities), [self._season.design.areas.index(one) for one in areas]
        if names <= set(CLASS_NAMES):
            found = class_variance(self._season, self._rows, codes, quantities)
        elif names <= set(_FATES) and names & set(FATES):
            fates = tuple(fate for one in quantities for fate in _FATES[one])
            found = death_variance(self._season, codes, fates)
        elif not names & (set(CLASS_NAMES) | set(FATES)):
            found = catch_variance(self._season, codes, quantities)
        else:
            return None, ["no joint error of counted fish with classes by mark or with deaths"]
        if not np.isfinite(found) or found < 0:
            return None, ["no error can be had"]
        return (found if found > 0 else None), [] if found > 0 else ["no error can be had"]

    def _df(self, areas: Sequence[str], quantities: Sequence[str]) -> float:
        """Return the degrees of freedom: of the areas together, at most the season's."""
        by_name = []
        for name in quantities:
            own = sum(float(self._rows[area, name].get("df") or 0.0) for area in areas)
            most = self._rows.get((None, name), {}).get("df")
            by_name.append(own if most is None else min(own, float(most)))
        return min(by_name)


def _of_row(row: Row) -> Figure:
    """Return a result row as it is."""
    if row.get("estimate") is None:
        return Figure(status=str(row["status"]), reason=str(row["method"]))
    return Figure(
        estimate=row["estimate"],
        se=row.get("se"),
        ci_low=row.get("ci_low"),
        ci_high=row.get("ci_high"),
        df=row.get("df"),
        status=str(row["status"]),
        method=str(row["method"]),
    )


def _status(rows: Sequence[Row]) -> str:
    """Return the strongest reservation of some rows that are summed."""
    told = {str(row["status"]) for row in rows}
    if len(told) == 1:
        return told.pop()
    # A sum is no census where a part is none, and a part of 0 leaves the reservations of others.
    return str(next((one for one in _STRONGEST if str(one) in told), Status.OK))
