"""Lengths of fish: how one measure follows from another, and the share that are legal.

A regression of the user's own fish comes first; where they are too few or say what no fish can
be, a stated factor takes its place, and the words of `Conversion.source` say which and why.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.codes import coded, join_codes
from analytics.data import query
from analytics.data.calendar import trip_tables
from analytics.data.schema import (
    CONDITION,
    CONDITION_POSSIBLE,
    CONDITION_USUAL,
    FORK_PER_TOTAL_POSSIBLE,
    FORK_PER_TOTAL_USUAL,
    TOTAL_PER_FORK,
)
from analytics.intervals import t_quantile, wilson
from analytics.propagation import power_mean
from analytics.result_table import texts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from analytics.arrays import Bools, Floats
    from analytics.data.snapshot import Snapshot


FORK, TOTAL, WEIGHT = "fork_length_mm", "total_length_mm", "weight_g"
#: Fewest fish behind a regression (working rule, no source).
FEWEST = 20
#: Fork lengths, mm, over which a regression must give totals that a fish can have.
_FORKS = (250.0, 1000.0)
#: Powers of length that weights of fish follow (Froese 2006, Cube law, condition factor and
#: weight-length relationships, J. Appl. Ichthyol. 22; from memory).
_POWERS = (2.5, 3.5)
_MM_PER_CM = 10


class Form(StrEnum):
    """Shape of a conversion."""

    LINEAR = "linear"
    POWER = "power"
    STATED = "stated_factor"


@dataclass(frozen=True, slots=True)
class Regression:
    """A straight line by ordinary least squares, with standard errors of its two numbers."""

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    residual_sd: float
    r_squared: float
    n: int


def least_squares(x: ArrayLike, y: ArrayLike) -> Regression:
    """Fit ``y = a + b x + e`` to n pairs by ordinary least squares.

    ``b = S_xy/S_xx``, ``s² = (S_yy - b S_xy)/(n - 2)``, ``v(b) = s²/S_xx`` and ``v(a) = s² (1/n +
    x̄²/S_xx)`` (any textbook of regression). ValueError of fewer than three pairs, or where `x` is
    the same in all.
    """
    given, target = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    n = len(given)
    off = given - given.mean() if n else given
    s_xx = float(off @ off)
    if n < 3 or s_xx <= 0:
        raise ValueError(f"{n} pairs: a line needs at least three, not all of one length")
    above = target - target.mean()
    slope = float(off @ above) / s_xx
    left = above - slope * off
    s_yy, s_ee = float(above @ above), float(left @ left)
    variance = s_ee / (n - 2)
    return Regression(
        intercept=float(target.mean() - slope * given.mean()),
        slope=slope,
        intercept_se=math.sqrt(variance * (1 / n + float(given.mean()) ** 2 / s_xx)),
        slope_se=math.sqrt(variance / s_xx),
        residual_sd=math.sqrt(variance),
        r_squared=1 - s_ee / s_yy if s_yy > 0 else math.nan,
        n=n,
    )


@dataclass(frozen=True, slots=True)
class Conversion:
    """One measure of a fish from another: `target` and `given` are columns of ``fish``.

    - `form`: ``linear``: target = a + b · given; ``power``: ln target = a + b · ln given.
    - `source`: codes of where the numbers come from.
    - `regression`: the fit; without it `factor` holds: total over fork length, or the condition
      factor K of a weight.
    """

    target: str
    given: str
    form: Form
    source: str
    regression: Regression | None = None
    factor: float | None = None

    def predict(self, given: ArrayLike) -> Floats:
        """Return the mean of the target at some lengths in mm.

        The power form is turned back by `power_mean`. A condition factor gives ``W = K L³/100``, g
        and cm.
        """
        x = np.asarray(given, dtype=np.float64)
        fit = self.regression
        if fit is None:
            factor = math.nan if self.factor is None else self.factor
            return factor * (x if self.target == TOTAL else (x / _MM_PER_CM) ** 3 / 100)
        if self.form is Form.POWER:
            of = {"intercept": fit.intercept, "slope": fit.slope, "residual_sd": fit.residual_sd}
            return power_mean(x, **of)
        return fit.intercept + fit.slope * x


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Fish with both measures: two arrays of shape (n,), and whose fish they are, in words."""

    given: Floats
    target: Floats
    words: str


def are_possible_lengths(fork: ArrayLike, total: ArrayLike) -> Bools:
    """Return which fish have a fork and a total length that go together."""
    low, high = FORK_PER_TOTAL_POSSIBLE
    ratio = np.asarray(fork, dtype=np.float64) / np.asarray(total, dtype=np.float64)
    return np.asarray((ratio >= low) & (ratio <= high))


def condition(length_mm: ArrayLike, weight_g: ArrayLike) -> Floats:
    """Return the condition factor ``K = 100 W/L³`` (g, cm) of every fish."""
    cm = np.asarray(length_mm, dtype=np.float64) / _MM_PER_CM
    return np.asarray(100 * np.asarray(weight_g, dtype=np.float64) / cm**3)


def total_from_fork(samples: Sequence[Pairs]) -> Conversion:
    """Return total from fork length: the first sample whose regression will do, else a factor.

    Fish whose lengths are at odds leave the regression. At least `FEWEST` fish are needed, and
    totals that leave fork over total between 0.85 and 1 for forks of 250 to 1,000 mm.
    """
    why_not = []
    for sample in samples:
        kept = are_possible_lengths(sample.given, sample.target)
        fit, words = _fitted(sample, kept, "regression_of_lengths")
        if fit is not None:
            forks = np.array(_FORKS)
            totals = fit.intercept + fit.slope * forks
            if (totals > 0).all() and are_possible_lengths(forks, totals).all():
                return Conversion(TOTAL, FORK, Form.LINEAR, words, fit)
            words = join_codes([words, coded("impossible_lengths", slope=f"{fit.slope:.3g}")])
        why_not.append(words)
    low, high = FORK_PER_TOTAL_USUAL
    stated = coded("fork_over_total", low=low, high=high)
    return Conversion(
        TOTAL, FORK, Form.STATED, join_codes([stated, *why_not]), factor=TOTAL_PER_FORK
    )


def weight_from_length(samples: Sequence[Pairs], *, given: str = TOTAL) -> Conversion:
    """Return weight, g, from `given` length, mm: the first sample whose regression will do, else K.

    ``ln W = a + b ln L``. Fish with a condition outside 0.5 to 2.5 leave the regression; at least
    `FEWEST` are needed, and a power b of 2.5 to 3.5. A stated condition factor always takes the
    fork length.
    """
    why_not = []
    low, high = CONDITION_POSSIBLE
    for sample in samples:
        shape = condition(sample.given, sample.target)
        logs = Pairs(np.log(sample.given), np.log(sample.target), sample.words)
        fit, words = _fitted(logs, (shape >= low) & (shape <= high), "regression_of_weight")
        if fit is not None:
            if _POWERS[0] <= fit.slope <= _POWERS[1]:
                return Conversion(WEIGHT, given, Form.POWER, words, fit)
            words = join_codes([words, coded("impossible_power", power=f"{fit.slope:.3g}")])
        why_not.append(words)
    low, high = CONDITION_USUAL
    stated = coded("condition_factor", low=low, high=high)
    return Conversion(WEIGHT, FORK, Form.STATED, join_codes([stated, *why_not]), factor=CONDITION)


def _fitted(sample: Pairs, kept: Bools, name: str) -> tuple[Regression | None, str]:
    """Return the fit of the pairs that are kept, if they will do, and codes on them."""
    n, n_out = int(kept.sum()), int((~kept).sum())
    outliers = coded("outliers_left_out", n=n_out) if n_out else ""
    words = join_codes([coded(name, n=n, span=sample.words), outliers])
    if n < FEWEST:
        return None, join_codes([words, coded("fish_needed", n=FEWEST)])
    try:
        return least_squares(sample.given[kept], sample.target[kept]), words
    except ValueError:
        return None, join_codes([words, coded("one_length")])


# Share of the fish met that are legal at a minimum length, with fish of one place alike.


@dataclass(frozen=True, slots=True)
class LegalShare:
    """A share of fish and its interval, None where there is no fish.

    - `n_fish`, `n_legal`: fish of known length; of those, fish on the line or longer.
    - `design_effect`: by what the likeness of fish of one cluster multiplies the variance; 1 where
      none is seen.
    - `n_clusters`: clusters with fish; 0 where none were given.
    - `reason`: code why there is no share, or of what the interval takes as given.
    """

    share: float | None
    low: float | None
    high: float | None
    n_fish: int
    n_legal: int
    design_effect: float
    n_clusters: int
    reason: str


def legal_share(
    lengths: ArrayLike, min_length: float, clusters: ArrayLike | None = None, *, level: float = 0.95
) -> LegalShare:
    """Return the share of fish that are legal at a minimum length, with its interval.

    Wilson's interval at the effective sample size ``n/d`` (Rao & Scott 1992, A simple method for
    the analysis of clustered binary data, Biometrics 48; from memory). As d comes from k clusters,
    n/d shrinks by ``(z/t)²`` with t of k - 1 degrees of freedom (Korn & Graubard 1998, Confidence
    intervals for proportions with small expected number of positive counts estimated from survey
    data, Survey Methodology 24; from memory); it is never more than n.

    `lengths` (n,): total, mm; fish of unknown length (NaN) are left out; `min_length`: mm; a fish
    on the line is legal; `clusters` (n,): which fish were met together, such as area and week.

    Raises
    ------
    ValueError
        If the level is not between 0 and 1, or the clusters are not one a fish.
    """
    if not 0 < level < 1:
        raise ValueError(f"level {level}: a confidence level lies between 0 and 1, such as 0.95")
    mm = np.asarray(lengths, dtype=np.float64)
    known = ~np.isnan(mm)
    is_legal = mm[known] >= min_length
    n, y = len(is_legal), int(is_legal.sum())
    if n == 0:
        return LegalShare(None, None, None, 0, 0, 1.0, 0, coded("no_length_known"))
    effect, k, n_effective = math.nan, 0, float(n)
    if clusters is not None:
        labels = np.asarray(clusters)
        if labels.shape != mm.shape:
            raise ValueError(f"{len(labels)} clusters for {len(mm)} fish: give one for each fish")
        _, place = np.unique(labels[known], return_inverse=True)
        size = np.bincount(place).astype(np.float64)
        legal = np.bincount(place[is_legal], minlength=len(size)).astype(np.float64)
        k, effect = len(size), design_effect(legal, size)
    if effect > 0:
        shrunk = (t_quantile(level, math.inf) / t_quantile(level, k - 1)) ** 2
        n_effective = min(n / effect * shrunk, float(n))
    low, high = wilson(y / n, n_effective, level=level)
    reason = _why(effect, k, n_effective, n, is_mixed=0 < y < n) if clusters is not None else ""
    shown = effect if effect > 1 else 1.0
    return LegalShare(y / n, low, high, n, y, shown, k, reason)


def design_effect(legal: Floats, size: Floats) -> float:
    """Return the design effect of a share over k clusters, `legal` fish of `size` fish in each.

    ``d = v(p)/[p(1-p)/n]`` with the variance of a ratio over clusters, ``v(p) = k/(k-1) Σ (y_i - p
    m_i)²/n²`` (Rao & Scott 1992, as in `legal_share`). NaN where a single cluster, or fish all on
    one side of the line, can show nothing.
    """
    n, k = size.sum(), len(size)
    p = legal.sum() / n
    if k < 2 or p in (0, 1):
        return math.nan
    variance = k / (k - 1) * ((legal - p * size) ** 2).sum() / n**2
    return float(variance / (p * (1 - p) / n))


def _why(effect: float, k: int, n_effective: float, n: int, *, is_mixed: bool) -> str:
    if not is_mixed:
        return coded("one_side")
    if k < 2:
        return coded("one_cluster")
    if n_effective >= n:
        return coded("no_clustering", clusters=k)
    if effect <= 1:
        return coded("few_clusters", clusters=k, n=f"{n_effective:.0f}")
    return coded("clustered", effect=f"{effect:.2f}", clusters=k, n=f"{n_effective:.0f}")


# Measured fish of a season, each with its area, week and side of the legal line.

MEASURED_SCHEMA = pa.schema(
    [
        *texts("fish_id", "source", "area"),
        ("date", pa.date32()),
        *texts("week", "method"),
        ("kept", pa.bool_()),
        ("marked", pa.bool_()),
        ("wound_site", pa.string()),
        ("test_trip_id", pa.string()),
        ("total_mm", pa.float64()),  # measured, else converted; null where neither length is known
        ("is_converted", pa.bool_()),
        ("min_length_mm", pa.float64()),  # of the area's opening that day
        ("is_legal", pa.bool_()),  # on the line or over; null where length or minimum is unknown
    ]
)

#: Fish with area, day, week and method: their own, else those of their interview.
_FISH = """
SELECT f.* REPLACE (coalesce(f.area, t.area) AS area, coalesce(f.date, t.on_day) AS date,
    coalesce(f.method, t.method) AS method),
    strftime(coalesce(f.date, t.on_day), '%G-W%V') AS week
FROM fish f LEFT JOIN trips t USING (interview_id)
"""
_PLACED = """
SELECT p.*, q.min_length_mm
FROM placed_fish p JOIN seasons q ON q.area = p.area AND q.season = $season
    AND p.date BETWEEN q.open_date AND q.close_date
WHERE week <= $through ORDER BY fish_id
"""

#: A fish belongs to the season whose days it is nearest to; without a day it may be of any.
_UNPLACED = """
WITH test_fish AS (
    SELECT fish_id, area, date AS day, week FROM placed_fish WHERE source = 'test_fishing'
), spans AS (
    SELECT season, min(open_date) AS first, max(close_date) AS last FROM seasons GROUP BY season
), placed AS (
    SELECT fish_id, arg_min(season, (greatest(first - day, day - last, 0), season)) AS season
    FROM test_fish, spans WHERE day IS NOT NULL GROUP BY fish_id
), mine AS (
    SELECT t.area, t.day FROM test_fish t LEFT JOIN placed p USING (fish_id)
    WHERE t.day IS NULL OR (p.season = $season AND t.week <= $through)
)
SELECT count(*) FILTER (area IS NULL) AS no_area_left_out,
    count(*) FILTER (area IS NOT NULL AND day IS NULL) AS no_day_left_out,
    count(*) FILTER (area IS NOT NULL AND day IS NOT NULL AND NOT EXISTS (
        SELECT 1 FROM seasons q WHERE q.area = mine.area AND q.season = $season
            AND mine.day BETWEEN q.open_date AND q.close_date
    )) AS outside_openings_left_out
FROM mine
"""

_SO_FAR = """
SELECT fork_length_mm, total_length_mm, weight_g FROM placed_fish
WHERE week <= $through AND (total_length_mm IS NOT NULL OR weight_g IS NOT NULL)
"""

_MEASURED = """
WITH sized AS (
    SELECT *, coalesce(total_length_mm, $intercept + $slope * fork_length_mm) AS total_mm
    FROM placed
)
SELECT fish_id, source, area, date, week, method, kept, marked, wound_site, test_trip_id,
    total_mm,
    total_length_mm IS NULL AND total_mm IS NOT NULL AS is_converted, min_length_mm,
    total_mm >= min_length_mm AS is_legal
FROM sized ORDER BY fish_id
"""


def measured_fish(snapshot: Snapshot, *, season: str, through: str) -> pa.Table:
    """Return the measured fish of the openings of a season, dockside and test fishing.

    In `MEASURED_SCHEMA`, by fish_id, through an ISO week. A fish without area or day takes those of
    its interview; one of no open area and day is left out. A total length that was not measured
    follows from the fork length (`lengths.total_from_fork`).
    """
    return snapshot.once(
        ("measured fish", season, through),
        partial(_measured_fish, snapshot, season=season, through=through),
    )


def _measured_fish(snapshot: Snapshot, *, season: str, through: str) -> pa.Table:
    placed = _placed(snapshot, season=season, through=through)
    conversion = total_from_fork(_pairs(placed, _so_far(snapshot, through), FORK, TOTAL))
    fit = conversion.regression
    intercept, slope = (fit.intercept, fit.slope) if fit else (0.0, conversion.factor)
    line = {"intercept": intercept, "slope": slope}
    return query.run(_MEASURED, {"placed": placed}, line).cast(MEASURED_SCHEMA)


def unplaced_test_fish(snapshot: Snapshot, *, season: str, through: str) -> dict[str, int]:
    """Return by code how many fish of test fishing have no place in a season.

    Without an area, without a day, outside the openings: a fish of a closed day counts to the
    season whose days it is nearest to.
    """
    of_season = {"season": season, "through": through}
    (found,) = query.run(_UNPLACED, _tables(snapshot), of_season).to_pylist()
    return {name: int(n) for name, n in found.items()}


def conversions(snapshot: Snapshot, *, season: str, through: str) -> tuple[Conversion, Conversion]:
    """Return how total length follows from fork length, and weight from length, in a season.

    Each is a regression over the season's fish with both measures; with too few of them, over the
    fish of all seasons of the store up to the last ISO week; else a stated factor. Weight is taken
    on the length that more of the season's weighed fish have, total where they are as many.
    """
    placed = _placed(snapshot, season=season, through=through)
    past = _so_far(snapshot, through)
    by_total, by_fork = (_pairs(placed, past, length, WEIGHT) for length in (TOTAL, FORK))
    n_total, n_fork = (tuple(len(one.given) for one in by) for by in (by_total, by_fork))
    given, pairs = (TOTAL, by_total) if n_total >= n_fork else (FORK, by_fork)
    return (
        total_from_fork(_pairs(placed, past, FORK, TOTAL)),
        weight_from_length(pairs, given=given),
    )


def _placed(snapshot: Snapshot, *, season: str, through: str) -> pa.Table:
    """Return the fish of a season with all they were measured for, their area, day and week."""
    return query.run(_PLACED, _tables(snapshot), {"season": season, "through": through})


def _so_far(snapshot: Snapshot, through: str) -> pa.Table:
    """Return the measures of the fish of all seasons of days up to a week."""
    return query.run(_SO_FAR, _tables(snapshot), {"through": through})


def _tables(snapshot: Snapshot) -> dict[str, query.Relation]:
    return trip_tables(snapshot) | {"fish": snapshot["fish"], "placed_fish": _FISH}


def _pairs(placed: pa.Table, past: pa.Table, given: str, target: str) -> tuple[Pairs, Pairs]:
    """Return the pairs of two measures of the season's fish, and of the fish of all seasons."""
    of_season, of_all = (_both(fish, given, target) for fish in (placed, past))
    return Pairs(*of_season, "season"), Pairs(*of_all, "all_seasons")


def _both(fish: pa.Table, given: str, target: str) -> tuple[Floats, Floats]:
    x, y = (np.asarray(fish[name].to_numpy(), dtype=np.float64) for name in (given, target))
    known = (x > 0) & (y > 0)  # a null is NaN here
    return x[known], y[known]
