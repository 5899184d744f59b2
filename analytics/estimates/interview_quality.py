"""Heaping: whether reports of released fish stand at multiples of 5 more often than a curve allows.

Anglers asked at the dock recall and round, and what they recall runs high (Sullivan 2003; seen).
Rounding shows in the table of how many boats reported 1, 2, 3 ... fish. A bias that is the same for
every number does not, so a test that finds no heaps is no proof of true reports.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from analytics.codes import coded
from analytics.data import query
from analytics.data.calendar import trip_tables
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.query import Relation
    from analytics.data.snapshot import Snapshot
    from analytics.survey.effort_times_rate import Counted


#: Reports of one fish or more, the least that a smooth curve needs (common practice, no source).
FEWEST_REPORTS = 100
#: The highest report must stand clear of the first heap, or the curve cannot pass it by.
LEAST_HIGHEST = 8
#: Reports of more fish a boat are slips or rumours, and left out (common practice, no source).
MOST_FISH = 60
HEAP = 5
STEPS = 200


@dataclass(frozen=True, slots=True, eq=False)
class Heaping:
    """A table of reports, the smooth curve through it and the test for heaps at multiples of 5.

    `count` (K,): fish reported released by a boat, 1 to K, with the boats that did, and the boats
    (`smooth`) the curve expects without heaps; NaN where there is no test, for the `reason`.
    `statistic`: signed root of the likelihood ratio, standard normal without heaping, with its
    one-sided `p_value`. `ratio`: boats at the heaps over those that the curve through the other
    counts expects there.

    `n_heaped`: boats that moved to a heap, about: those at the heaps beyond what the curve would
    hold there, had it the same number of boats in all; below 0 where there are too few. The curve
    takes rounding as alike at every number: where 30 % of reports over 3 fish were rounded, the
    number came out 0 to 30 % high, which its interval, of chance alone, does not cover.
    `dispersion`: scatter of the table about curve and heaps, 1 for that of independent reports;
    above 1 it widens test and intervals. `n_left_out`: boats over `MOST_FISH`.
    """

    count: Ints
    boats: Floats
    smooth: Floats
    is_heap: Bools
    statistic: float = math.nan
    p_value: float = math.nan
    ratio: float = math.nan
    ratio_low: float = math.nan
    ratio_high: float = math.nan
    n_heaped: float = math.nan
    n_heaped_low: float = math.nan
    n_heaped_high: float = math.nan
    dispersion: float = math.nan
    level: float = 0.95
    n_reports: int = 0
    n_left_out: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A Poisson log-linear fit."""

    coefficient: Floats
    mean: Floats
    deviance: float


def report_table(tables: Mapping[str, Relation]) -> tuple[Ints, Ints]:
    """Return how many boats reported 1, 2, 3 ... sublegal fish released: the counts, and the boats.

    `tables`: among them ``interviews``, with ``released_sublegal, trip_complete``. Counts that
    nobody reported are left out, and so are trips that were not over.
    """
    found = query.run(
        "SELECT released_sublegal AS fish, count(*) AS boats FROM interviews "
        "WHERE released_sublegal >= 1 AND coalesce(trip_complete, true) "
        "GROUP BY fish ORDER BY fish",
        tables,
    )
    return found["fish"].to_numpy(), found["boats"].to_numpy()


def heaping_test(
    count: ArrayLike, boats: ArrayLike, *, level: float = 0.95, steps: int = STEPS
) -> Heaping:
    """Test reports for heaps at multiples of 5: how many boats reported each count, at some level.

    Boats that reported k fish are Poisson with ``log μ_k = a + b log k + c k + d (log k)² + h·[5
    divides k]``: without h the curve holds the shape ``k^b e^{ck}`` of the gamma and comes near to
    any negative binomial. The statistic is ``sqrt((D_0 - D_1)/φ)`` with the sign of h, D the
    deviances without and with h, and φ Pearson's dispersion, at least 1; ratio ``e^h`` with ``h ± z
    sqrt(φ v(h))`` (theory of generalised linear models, McCullagh & Nelder 1989; from memory). With
    H boats at the heaps of N in all, those moved are ``H - N s/(s + N - H)``, ``s = H e^{-h}``.

    A reason stands in place of a test where there are fewer than `FEWEST_REPORTS` reports, the
    highest is under `LEAST_HIGHEST`, all or none are multiples of 5, or the fit does not settle in
    so many `steps`. Raises `ValueError` if the level is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level {level}; allowed: between 0 and 1")
    fish, reports = _dense(count, boats)
    total = np.asarray(boats, dtype=np.float64)[np.asarray(count) >= 1].sum()
    table = Heaping(
        fish,
        reports,
        np.full(len(fish), np.nan),
        fish % HEAP == 0,
        level=level,
        n_reports=int(reports.sum()),
        n_left_out=int(total - reports.sum()),
    )
    why_not = _why_not(table)
    if why_not:
        return replace(table, reason=why_not)
    curve = _curve(fish)
    terms = np.column_stack([curve, table.is_heap])
    plain, heaped = _fit(curve, reports, steps), _fit(terms, reports, steps)
    if plain is None or heaped is None:
        return replace(table, reason=coded("heaping_unsettled", steps=steps))
    return _tested(table, terms, plain=plain, heaped=heaped)


def _dense(count: ArrayLike, boats: ArrayLike) -> tuple[Ints, Floats]:
    """Return every count from 1 to the highest, those nobody reported with 0 boats."""
    seen, of = np.asarray(count, dtype=np.int64), np.asarray(boats, dtype=np.float64)
    within = (seen >= 1) & (seen <= MOST_FISH) & (of > 0)
    highest = int(seen[within].max(initial=0))
    reports = np.bincount(seen[within], weights=of[within], minlength=highest + 1)[1:]
    return np.arange(1, highest + 1, dtype=np.int64), np.asarray(reports, dtype=np.float64)


def _why_not(table: Heaping) -> str:
    fish, n_reports = table.count, table.n_reports
    if n_reports < FEWEST_REPORTS:
        return coded("heaping_few_reports", n=int(n_reports), needed=FEWEST_REPORTS)
    if len(fish) < LEAST_HIGHEST:
        return coded("heaping_low_reports", n=len(fish), least=LEAST_HIGHEST, heap=HEAP)
    at_heaps = table.boats[table.is_heap].sum()
    if at_heaps == 0:
        return coded("heaping_no_multiple", heap=HEAP)
    if at_heaps == n_reports:
        return coded("heaping_all_multiples", heap=HEAP)
    return ""


def _curve(fish: Ints) -> Floats:
    """Return the terms of the smooth curve, turned at right angles for a well-conditioned fit."""
    log_fish = np.log(fish)
    terms = np.column_stack([np.ones(len(fish)), log_fish, fish, log_fish**2])
    return np.asarray(np.linalg.qr(terms).Q, dtype=np.float64)


def _fit(terms: Floats, y: Floats, steps: int) -> _Fit | None:
    """Fit a Poisson log-linear model by iterated weighted least squares; None if unsettled."""
    mean, before = y + 0.5, math.inf
    linear = np.log(mean)
    for _ in range(steps):
        root = np.sqrt(mean)
        working = linear + (y - mean) / mean
        coefficient = np.linalg.lstsq(terms * root[:, None], working * root, rcond=None)[0]
        linear = np.clip(terms @ coefficient, -30, 30)
        mean = np.asarray(np.exp(linear), dtype=np.float64)
        gain = np.zeros_like(y)
        np.log(y / mean, out=gain, where=y > 0)
        deviance = 2 * float((y * gain - (y - mean)).sum())
        if abs(deviance - before) <= 1e-9 * (abs(deviance) + 0.1):
            return _Fit(np.asarray(coefficient, dtype=np.float64), mean, deviance)
        before = deviance
    return None


def _tested(table: Heaping, terms: Floats, *, plain: _Fit, heaped: _Fit) -> Heaping:
    """Return the table with its test, from the fits without and with heaps."""
    dispersion = _dispersion(table.boats, heaped.mean, n_terms=terms.shape[1])
    height = float(heaped.coefficient[-1])
    gain = max(plain.deviance - heaped.deviance, 0.0)
    statistic = math.copysign(math.sqrt(gain / dispersion), height)
    variance = np.linalg.pinv(terms.T @ (terms * heaped.mean[:, None]))[-1, -1]
    step = float(ndtri(0.5 + table.level / 2)) * math.sqrt(dispersion * variance)
    ratio, low, high = (math.exp(min(height + off, 700.0)) for off in (0.0, -step, step))
    moved, moved_low, moved_high = (_moved(table, one) for one in (ratio, low, high))
    return replace(
        table,
        smooth=heaped.mean / np.where(table.is_heap, ratio, 1.0),
        statistic=statistic,
        p_value=float(ndtr(-statistic)),
        ratio=ratio,
        ratio_low=low,
        ratio_high=high,
        n_heaped=moved,
        n_heaped_low=moved_low,
        n_heaped_high=moved_high,
        dispersion=dispersion,
    )


def _dispersion(reports: Floats, mean: Floats, *, n_terms: int) -> float:
    """Return Pearson's dispersion, at least 1; counts expected under once stand as one cell."""
    thin = mean < 1
    seen = np.append(reports[~thin], reports[thin].sum())
    expected = np.append(mean[~thin], max(mean[thin].sum(), 1.0))
    freedom = len(seen) - n_terms
    if freedom < 1:
        return 1.0
    return max(float(((seen - expected) ** 2 / expected).sum()) / freedom, 1.0)


def _moved(table: Heaping, ratio: float) -> float:
    """Return boats at the heaps beyond their share of the curve, all boats kept."""
    at_heaps = float(table.boats[table.is_heap].sum())
    beside = table.n_reports - at_heaps
    expected = at_heaps / ratio if ratio else math.inf
    share = 1.0 if math.isinf(expected) else expected / (expected + beside)
    return at_heaps - table.n_reports * share


# Whether the days of a week were interviewed unevenly: shares of the boat-hours counted.

#: The largest share over the smallest of a week, beyond which a reader is warned; and what an area
#: needs over the season for a word at all (common practice, no source).
MOST_UNEVEN = 3.0
FEWEST_DAYS, FEWEST_INTERVIEWS = 3, 10

_HOURS = """
SELECT area, on_day AS date, sum(hours_fished) AS hours, count(*)::BIGINT AS n
FROM trips WHERE hours_fished > 0 GROUP BY ALL
"""


@dataclass(frozen=True, slots=True)
class Uneven:
    """One area whose days were interviewed unevenly, and the week that is the most uneven.

    `low`, `high`: smallest and largest share of a day's counted boat-hours that interviews
    reported, in it. `n_weeks`: weeks over the limit, of `n_compared` with two days or more.
    `n_days`, `n_interviews`: days with counts and interviews in the season, and their interviews.
    """

    area: str
    week: str
    low: float
    high: float
    n_weeks: int
    n_compared: int
    n_days: int
    n_interviews: int


def uneven_shares(snapshot: Snapshot, counted: Counted) -> tuple[Uneven, ...]:
    """Return the areas where some week's days were interviewed unevenly, by area.

    The catch rate of an area and week is one over all its days: where a larger part of the boats
    was interviewed on some days than on others, those days weigh more in it. A day's share is the
    boat-hours of its interviews over those counted, on days that have both; shares are compared
    within an area and week, and an area is named where the largest is more than `MOST_UNEVEN` times
    the smallest in some week and it has at least `FEWEST_DAYS` such days and `FEWEST_INTERVIEWS`
    interviews over the season.
    """
    reported: pd.DataFrame = query.run(_HOURS, trip_tables(snapshot)).to_pandas()
    reported["date"] = pd.to_datetime(reported["date"])
    days = counted.days[counted.days["boat_hours"] > 0].merge(reported, on=["area", "date"])
    days["share"] = days["hours"] / days["boat_hours"]
    days["week"] = iso_week(days["date"])
    found = (_uneven(str(area), mine) for area, mine in days.groupby("area"))
    return tuple(one for one in found if one is not None)


def _uneven(area: str, days: pd.DataFrame) -> Uneven | None:
    n_days, n_interviews = len(days), int(days["n"].sum())
    if n_days < FEWEST_DAYS or n_interviews < FEWEST_INTERVIEWS:
        return None
    weeks = days.groupby("week")["share"].agg(["min", "max", "size"])
    weeks = weeks[weeks["size"] > 1]
    times = weeks["max"] / weeks["min"]
    over = times[times > MOST_UNEVEN]
    if over.empty:
        return None
    worst = int(times.to_numpy().argmax())
    return Uneven(
        area=area,
        week=str(weeks.index[worst]),
        low=float(weeks["min"].iloc[worst]),
        high=float(weeks["max"].iloc[worst]),
        n_weeks=len(over),
        n_compared=len(weeks),
        n_days=n_days,
        n_interviews=n_interviews,
    )
