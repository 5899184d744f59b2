"""Catch rates of single trips: the ratio of means for complete ones, the mean of ratios for others.

A sampler at a ramp meets every trip once, at its end: the ratio of means is right. A sampler on the
water meets long trips more often: the mean of the trips' own rates is right, and the ratio of means
is not (Hoenig et al. 1997; Pollock et al. 1997; from memory). Each trip weighs the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.data import query
from analytics.data.calendar import season_days, trip_tables

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

    from analytics.data.snapshot import Snapshot
    from analytics.survey.reduction import Measure


#: Trips under half an hour have rates too wild for a mean (Hoenig et al. 1997, Pollock et al. 1997;
#: from memory).
SHORTEST_HOURS = 0.5
#: Relative size under which a sum of squares is rounding and not spread.
_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class TripRate:
    """Catch rates of D groups of trips.

    Parameters
    ----------
    rate : ndarray of float, shape (D,)
        Fish per unit of effort; NaN where there is no trip or no effort.
    variance : ndarray of float, shape (D,)
        NaN for fewer than two trips.
    n_trips : ndarray of float, shape (D,)
        Trips that count.
    """

    rate: NDArray[np.float64]
    variance: NDArray[np.float64]
    n_trips: NDArray[np.float64]


def ratio_of_means(catch: ArrayLike, effort: ArrayLike) -> TripRate:
    """Return the catch rate of one group of complete trips; see `ratio_of_means_of_sums`.

    `catch`, `effort` (n,): fish and effort of each trip.

    The result has shape (1,).
    """
    fish, spent = _numbers(catch), _numbers(effort)
    return ratio_of_means_of_sums(
        np.array([float(len(fish))]),
        catch=_sum(fish),
        effort=_sum(spent),
        catch_squared=_sum(fish**2),
        catch_effort=_sum(fish * spent),
        effort_squared=_sum(spent**2),
    )


def ratio_of_means_of_sums(
    n_trips: NDArray[np.float64],
    *,
    catch: NDArray[np.float64],
    effort: NDArray[np.float64],
    catch_squared: NDArray[np.float64],
    catch_effort: NDArray[np.float64],
    effort_squared: NDArray[np.float64],
) -> TripRate:
    r"""Return the ratio of means of D groups of trips from their sums.

    ``R = Σc/Σe`` with ``v = Σ(c - R e)² / (n - 1) / (n ē²)`` (Cochran 1977, Sampling Techniques,
    section 2.11, without its finite correction; from memory).

    `n_trips` (D,). `catch`, `effort` (D,): sums of fish and of effort. `catch_squared`,
    `catch_effort`, `effort_squared` (D,): sums of their squares and products.
    """
    below = np.where(effort > 0, effort, np.nan)
    rate = catch / below
    squares = catch_squared - 2 * rate * catch_effort + rate**2 * effort_squared
    scale = catch_squared + rate**2 * effort_squared
    squares = np.where(squares <= _ROUNDING * scale, 0.0, squares)
    freedom = np.where(n_trips > 1, n_trips - 1, np.nan)
    variance = np.where(np.isnan(rate), np.nan, squares / freedom * n_trips / below**2)
    return TripRate(rate, variance, n_trips)


def mean_of_ratios(
    catch: ArrayLike, effort: ArrayLike, hours: ArrayLike, *, shortest: float = SHORTEST_HOURS
) -> TripRate:
    """Return the catch rate of one group of incomplete trips; see `mean_of_ratios_of_sums`.

    `catch`, `effort` (n,): fish and effort of each trip so far. `hours` (n,): how long each has
    lasted so far. `shortest`: trips that have lasted less, in hours, are dropped, and those without
    effort.

    The result has shape (1,).
    """
    fish, spent, lasted = _numbers(catch), _numbers(effort), _numbers(hours)
    counts = (lasted >= shortest) & (spent > 0)
    rate = fish[counts] / spent[counts]
    return mean_of_ratios_of_sums(
        np.array([float(len(rate))]), rate=_sum(rate), rate_squared=_sum(rate**2)
    )


def mean_of_ratios_of_sums(
    n_trips: NDArray[np.float64],
    *,
    rate: NDArray[np.float64],
    rate_squared: NDArray[np.float64],
) -> TripRate:
    r"""Return the mean of the trips' own rates in D groups, from their sums.

    ``r̄ = Σ(c_i/e_i)/n`` with ``v = Σ(r_i - r̄)² / (n (n - 1))``, over trips long enough and with
    effort (Hoenig et al. 1997; Pollock et al. 1997; from memory).

    `n_trips`, `rate`, `rate_squared` (D,): trips that count, and the sums of their rates
    ``c_i/e_i`` and of the squares of these.
    """
    mean = rate / np.where(n_trips > 0, n_trips, np.nan)
    squares = rate_squared - n_trips * mean**2
    squares = np.where(squares <= _ROUNDING * rate_squared, 0.0, squares)
    freedom = np.where(n_trips > 1, n_trips * (n_trips - 1), np.nan)
    return TripRate(mean, squares / freedom, n_trips)


def _numbers(values: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(values, dtype=np.float64)


def _sum(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([values.sum()])


# Catch rates of trips that were not over when interviewed: the mean of the trips' own ratios.

#: Days are the clusters: trips met on one day in one area share its weather and its fish.
_MET = f"""
SELECT t.* REPLACE (concat(t.area, ' ', on_day) AS sample_id, true AS trip_complete),
    t.area AS landing_area, o.season
FROM trips t JOIN open_days o ON o.area = t.area AND o.date = on_day
WHERE NOT coalesce(t.trip_complete, true) AND t.hours_fished >= {SHORTEST_HOURS}
"""


def met_under_way(snapshot: Snapshot, *, season: str) -> pa.Table:
    """Return a season's interviews of trips that were not over, half an hour or longer.

    Returns
    -------
    pyarrow.Table
        Interviews on open days of the area fished; ``sample_id`` is that area and day in words, and
        ``trip_complete`` is set, since what each tells here is its rate so far. With
        ``landing_area`` (the area fished), ``on_day`` and ``season``.
    """
    days = season_days(snapshot, season)[["area", "date", "season"]]
    opened = pa.Table.from_pandas(days, preserve_index=False)
    opened = opened.set_column(1, "date", opened["date"].cast(pa.date32()))
    return query.run(_MET, trip_tables(snapshot) | {"open_days": opened})


def rate_measures(measures: Mapping[str, Measure]) -> dict[str, Measure]:
    """Return each measure as a rate per hour the boat fished, under the same name."""
    return {
        name: replace(
            one,
            sql=f"({one.sql}) / hours_fished",
            full_sql=f"({one.full_sql}) / hours_fished" if one.full_sql else "",
        )
        for name, one in measures.items()
    }
