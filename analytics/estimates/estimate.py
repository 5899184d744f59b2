"""The main job: result rows of a season by marine area and week, and their weekly changes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from scipy.special import fdtri, stdtr

from analytics.errors import UsageError
from analytics.estimates.domain_intervals import carrier_of, domain_intervals
from analytics.estimates.replicate_weights import ReplicateMethod, replicate_tables
from analytics.estimates.result_rows import (
    SAMPLE_SE,
    domain_names,
    not_recorded,
    reported_figures,
    result_row,
)
from analytics.estimates.sampled_basis import SAMPLED_QUANTITIES, SampledFigures
from analytics.estimates.schemas import CHANGE_SCHEMA
from analytics.estimates.season_survey import SeasonSurvey, known_totals, prepare_survey
from analytics.estimates.size_mark_classes import MarkFigures
from analytics.fish.mark_composition import MARK_QUANTITIES, mark_analysis, mark_measures
from analytics.intervals import t_quantiles
from analytics.quantities import BESIDE_MODELS, QUANTITIES, QuantityKind, quantity_of
from analytics.result_table import RESULT_COLUMNS, to_arrow, to_frame
from analytics.settings import EffortSource, EstimationSettings, FishBasis, ThinStrataPolicy, choice
from analytics.survey.domains import Domains
from analytics.survey.reduction import UNKNOWN_RECORDED, catch_measures
from analytics.weeks import week_number

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Sequence

    import pandas as pd

    from analytics.arrays import Floats
    from analytics.data.snapshot import Snapshot
    from analytics.data.store import Store
    from analytics.estimates.result_rows import DomainEstimates
    from analytics.fish.release_mortality import DeathPlan
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.estimators import TotalEstimator
    from analytics.survey.reduction import Analysis

Row = dict[str, Any]

#: The domains a bulletin carries: every choice of domain columns.
LEVELS: tuple[tuple[str, ...], ...] = (("area", "week"), ("area",), ("week",), ("season",))


def estimate(
    store: Store,
    *,
    season: str | None = None,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    through: str | None = None,
    as_of: int | None = None,
    thin: str = ThinStrataPolicy.BORROW,
    effort: str = EffortSource.INTERVIEWS,
    expand: bool = False,
    day_hours: float | None = None,
    basis: str = FishBasis.REPORTED,
) -> pd.DataFrame:
    """Estimate every quantity for some domains.

    Parameters
    ----------
    store : Store
    season : str, optional
        By default the latest season with a sampled site-day.
    by : sequence of str
        ``area``, ``week``, both, or ``season`` alone.
    level : float
        Confidence level, strictly between 0 and 1.
    through : str, optional
        Last ISO week, such as ``2031-W05``; by default the last with a sampled site-day.
    as_of : int, optional
        An earlier version of the store.
    thin, effort, expand, day_hours, basis : optional
        As of `analytics.settings.EstimationSettings`.

    Returns
    -------
    pandas.DataFrame
        Result rows, in `RESULT_SCHEMA`.

    Examples
    --------
    >>> from analytics import Store, estimate, import_files
    >>> store = Store("mystore")
    >>> _ = import_files(store, "week05")
    >>> rows = estimate(store, by=["season"]).set_index("quantity")
    >>> print(rows.loc["kept_fish", ["estimate", "unit", "df"]].to_dict())
    {'estimate': 177.5, 'unit': 'fish', 'df': 2.0}

    Raises
    ------
    UsageError
        If the season, a word of `by`, `thin`, `effort` or `basis`, the level or the version is
        unknown, or there is no boat count or no coverage where one is needed.
    DataRejected
        If the stored tables contradict each other.
    """
    return estimate_snapshot(
        store.snapshot(as_of=as_of),
        season=season,
        by=by,
        level=level,
        through=through,
        thin=thin,
        effort=effort,
        expand=expand,
        day_hours=day_hours,
        basis=basis,
    )


def estimate_snapshot(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    through: str | None = None,
    thin: str = ThinStrataPolicy.BORROW,
    effort: str = EffortSource.INTERVIEWS,
    expand: bool = False,
    day_hours: float | None = None,
    basis: str = FishBasis.REPORTED,
) -> pd.DataFrame:
    """Estimate as `estimate`, from tables held in memory."""
    settings = EstimationSettings.of(
        thin=thin, effort=effort, expand=expand, day_hours=day_hours, basis=basis
    )
    prepared = prepare_survey(snapshot, season=season, through=through, settings=settings)
    return to_frame(to_arrow(list(result_rows(prepared, by=by, level=level))))


def replicate_weights(
    store: Store,
    *,
    method: str = ReplicateMethod.JACKKNIFE,
    season: str | None = None,
    through: str | None = None,
    as_of: int | None = None,
    thin: str = ThinStrataPolicy.BORROW,
    seed: int = 1,
) -> tuple[pa.Table, pa.Table, tuple[str, ...]]:
    """Return weights of the site-days of a season, their replicates, and strata without error.

    `method`: ``jackknife`` or ``bootstrap``; `seed` of the latter; the others as of `estimate`. The
    tables are those of `analytics.estimates.replicate_weights.replicate_tables`.
    """
    settings = EstimationSettings.of(thin=thin)
    snapshot = store.snapshot(as_of=as_of)
    prepared = prepare_survey(snapshot, season=season, through=through, settings=settings)
    word = choice(ReplicateMethod, method, "method")
    return replicate_tables(prepared, method=word, seed=seed)


def result_rows(
    season: SeasonSurvey,
    *,
    by: Sequence[str],
    level: float,
    quantities: Collection[str] = QUANTITIES,
    has_intervals: bool = True,
) -> Iterator[Row]:
    """Yield the result rows of one level, every quantity for every domain.

    Parameters
    ----------
    season : SeasonSurvey
    by : sequence of str
        ``area``, ``week``, both, or ``season`` alone.
    level : float
        Confidence level.
    quantities : collection of str
        Those asked for, of `BESIDE_MODELS` too; by default all of the result table.
    has_intervals : bool
        Whether intervals and degrees of freedom borrow from all strata of the season: who reads
        estimates and standard errors alone needs none that do.

    Yields
    ------
    dict
        One result row, None for null.

    Raises
    ------
    UsageError
        If `by` or `level` is not allowed.
    """
    words = tuple(by.split(",")) if isinstance(by, str) else tuple(by)
    if set(words) not in [set(one) for one in LEVELS] or len(set(words)) != len(words):
        raise UsageError(f"by {','.join(words)!r}: allowed are area,week or area or week or season")
    if not 0 < level < 1:
        raise UsageError(f"level {level}: a confidence level lies between 0 and 1, such as 0.95")
    domains = Domains("area" in words, "week" in words, len(season.design.weeks))
    figures_of = _SeasonFigures(season, domains)
    for name in (one for one in (*QUANTITIES, *BESIDE_MODELS) if one in quantities):
        rows: dict[int, Row] = {}
        analysis = figures_of.analysis(name)
        for estimator, totals, places in known_totals(season.estimators, analysis, domains):
            figures = figures_of.of(estimator, name, totals)
            of_row = _as_counted(totals) if _is_counted(name, domains) else totals
            if has_intervals:
                weight = bearing(name, season.deaths)
                figures = add_intervals(totals, figures, weight=weight, level=level)
            for code, place in places.items():
                area = domains.cell(code)[0]
                row = result_row(season.design, of_row, figures, place, area=area, level=level)
                rows[code] = row
        for code, row in sorted(rows.items()):
            yield dict.fromkeys(RESULT_COLUMNS) | {
                **domain_names(season.design, domains, code),
                "quantity": name,
                "unit": quantity_of(name).unit,
                **row,
                "basis": str(season.basis),
            }


def _is_counted(name: str, domains: Domains) -> bool:
    """Return whether a quantity is counted at the ramps: boats, of all areas fished together."""
    return name == "boat_trips" and not domains.by_area


def _as_counted(totals: DomainTotals) -> DomainTotals:
    """Return totals of boats: those of days without an interview are counted, not imputed."""
    none_missed = np.zeros(len(totals.code), dtype=bool)
    return replace(totals, support=replace(totals.support, has_missed_days=none_missed))


def bearing(quantity: str, deaths: DeathPlan) -> Floats:
    """Return how much each measure of a quantity bears on its variance, for `add_intervals`."""
    return carrier_of(quantity, deaths)


def add_intervals(
    totals: DomainTotals, figures: DomainEstimates, *, weight: Floats, level: float
) -> DomainEstimates:
    """Return figures with the interval of every domain, as of `domain_intervals`."""
    made = domain_intervals(totals, figures, weight=weight, level=level)
    return replace(figures, intervals=made)


class _SeasonFigures:
    """Figures of one choice of domains on the basis of a season."""

    def __init__(self, season: SeasonSurvey, domains: Domains) -> None:
        self._season = season
        self._of_marks = MarkFigures(season, domains)
        self._sampled = SampledFigures(season, domains)
        self._is_sampled = season.basis is FishBasis.SAMPLED
        self._measures = catch_measures() | mark_measures() | season.deaths.measures

    def analysis(self, name: str) -> Analysis:
        """Return the analysis whose totals a quantity rests on."""
        if self._is_sampled and name in SAMPLED_QUANTITIES:
            return mark_analysis()
        return self._season.analyses[name]

    def of(self, estimator: TotalEstimator, name: str, totals: DomainTotals) -> DomainEstimates:
        """Return the figures of a quantity; what no interview gave is withheld."""
        analysis = self.analysis(name)
        if self._is_sampled and name in SAMPLED_QUANTITIES:
            figures = self._sampled.of(estimator, name, totals)
        elif name in MARK_QUANTITIES:
            figures = self._of_marks.of(estimator, name, totals)
        else:
            figures = reported_figures(name, totals, self._season.deaths)
        if name == "released_unknown_fish" and not self._is_sampled:
            analysis = UNKNOWN_RECORDED
        if estimator.has_responses(analysis):
            return figures
        return figures.withheld(not_recorded(self._measures[one] for one in analysis.measures))


# How each quantity changed from the week before, with its error.

#: Open days of an area (None: of all areas together) and week.
OpenDays = Mapping[tuple[str | None, str], int]


def week_changes(
    rows: Iterable[Row], *, weeks: list[str], open_days: OpenDays, level: float
) -> pa.Table:
    r"""Compare every week's estimate with the week before.

    Shares as a difference d, ``d - √((b - b_low)² + (a_high - a)²)`` to ``d + √((b_high - b)² + (a
    - a_low)²)``, totals and rates as a ratio, likewise on the log scale: variances recovered from
    the intervals of the two weeks (Donner & Zou 2012, Closed-form confidence intervals for
    functions of the normal mean and standard deviation, Stat. Methods Med. Res. 21; from memory).
    The two weeks are taken as
    independent samples, which they are but where a thin week borrowed from the other. The error of
    a rate of death is the same in both weeks and is left out. A word, up or down, stands where the
    interval excludes no change and `_sure` is sure of the sign.

    Parameters
    ----------
    rows : iterable of dict
        Result rows that carry a week, with their `SAMPLE_SE`.
    weeks : list of str
        Weeks of the season in order; the week after a closure has no week before.
    open_days : mapping
        Open days of each area and week: totals of weeks with unlike open days are not compared.
    level : float
        Confidence level.

    Returns
    -------
    pyarrow.Table
        In `CHANGE_SCHEMA`, one row for every row that has a week before.
    """
    kept = list(rows)
    by_key = {(row["area"], row["week"], row["quantity"]): row for row in kept}
    before = {
        week: earlier
        for earlier, week in itertools.pairwise(weeks)
        if week_number(week) - week_number(earlier) == 1
    }
    changes = []
    for row in kept:
        week = before.get(row["week"], "")
        earlier = by_key.get((row["area"], week, row["quantity"]))
        if earlier is not None:
            alike = open_days.get((row["area"], week)) == open_days.get((row["area"], row["week"]))
            changes.append(_change(earlier, row, alike=alike, level=level))
    return pa.Table.from_pylist(_sure(changes, level=level), schema=CHANGE_SCHEMA)


def _change(earlier: Row, row: Row, *, alike: bool, level: float) -> Row:
    kind = quantity_of(row["quantity"]).kind
    is_share = kind is QuantityKind.SHARE
    known: Row = {
        "season": row["season"],
        "area": row["area"],
        "week": row["week"],
        "previous_week": earlier["week"],
        "quantity": row["quantity"],
        "previous": earlier["estimate"],
        "estimate": row["estimate"],
        "ci_level": level,
        "form": "difference" if is_share else "ratio",
        "direction": "not_known",
    }
    if not alike and kind in _SUMS:
        return known | {"direction": "not_comparable"}
    old, new = earlier["estimate"], row["estimate"]
    if old is None or new is None or (not is_share and old <= 0):
        return known
    known["change"] = new - old if is_share else new / old
    if not all(one["se"] and one.get(SAMPLE_SE) and one["n_psu"] for one in (earlier, row)):
        return known  # a week that is all borrowed says nothing of a change
    return known | _interval(earlier, row, is_share=is_share)


def _interval(earlier: Row, row: Row, *, is_share: bool) -> Row:
    pair = (earlier, row)
    if any(one["ci_low"] is None or one["ci_low"] <= 0 for one in pair):
        return {}
    (down_old, up_old), (down_new, up_new) = (_sides(one, is_share=is_share) for one in pair)
    down, up = math.hypot(down_new, up_old), math.hypot(up_new, down_old)
    old, new = earlier["estimate"], row["estimate"]
    if is_share:
        low, high, nothing = new - old - down, new - old + up, 0.0
    else:
        low, high, nothing = new / old * math.exp(-down), new / old * math.exp(up), 1.0
    word = "up" if low > nothing else "down" if high < nothing else "no_clear_change"
    df = min(earlier["df"], row["df"])
    return {"ci_low": low, "ci_high": high, "direction": word, _DF: df}


#: Kinds of quantities that add up over days.
_SUMS = (QuantityKind.TOTAL, QuantityKind.DEATHS)
#: Most chance that the word of a change has the wrong sign.
_MOST_WRONG = 0.05
#: Variance of a sum of squared changes, each of which shares a week with the next, over that of
#: independent ones: ``1 + 2 (1/2)²``, since such changes correlate by -1/2.
_SHARED_WEEKS = 1.5
#: Usual spread of true changes over the error of one: inside the 0.6 to 0.95 of totals, 0.5 to 0.85
#: of rates and 0.3 to 0.55 of shares in most of five simulated fisheries (our choice), since taken
#: too large it brings words of the wrong sign, too small only fewer words.
_USUAL_MOVES = {
    QuantityKind.TOTAL: 0.77,
    QuantityKind.DEATHS: 0.77,
    QuantityKind.RATE: 0.55,
    QuantityKind.SHARE: 0.4,
}
#: Chance of more spread between changes than luck gives from which a season has its own, of totals.
#: Rates and shares never have: few site-days may make their errors by linearisation far too small,
#: and what such changes show is no movement (our choice; words in the simulations).
_LUCK = 1e-3
#: Degrees of freedom from which an error is as good as known.
_ERROR_IS_KNOWN = 1e6
#: Degrees of freedom of a change, until its word is made.
_DF = "df"


def _sure(changes: list[Row], *, level: float) -> list[Row]:
    """Return changes with the words that have the wrong sign with a chance of at most 1 in 20.

    By `wrong_sign_chances` over the changes of a quantity, in areas or in all together, on the log
    scale for totals and rates. The error of a change is the side of its interval that faces no
    change over the t quantile of its level; its degrees of freedom are the fewer of the two weeks.
    """
    kinds: dict[tuple[str, bool], list[Row]] = {}
    for one in changes:
        if one.get("ci_low") is not None:
            kinds.setdefault((one["quantity"], one["area"] is None), []).append(one)
    for (quantity, _), some in kinds.items():
        ends = np.array([(one["ci_low"], one["change"], one["ci_high"]) for one in some])
        low, middle, high = ends.T if some[0]["form"] == "difference" else np.log(ends.T)
        df = np.array([one[_DF] for one in some], dtype=np.float64)
        side = np.maximum(np.where(middle > 0, middle - low, high - middle), 1e-12)
        kind = quantity_of(quantity).kind
        usual, luck = _USUAL_MOVES[kind], _LUCK if kind in _SUMS else 0.0
        error = side / t_quantiles(level, df)
        chances = wrong_sign_chances(middle, error, df=df, usual=usual, luck=luck)
        for one, chance in zip(some, chances, strict=True):
            if chance > _MOST_WRONG:
                one["direction"] = "no_clear_change"
    return changes


def wrong_sign_chances(
    change: Floats, error: Floats, *, df: Floats, usual: float, luck: float
) -> Floats:
    r"""Return the chances that the signs of estimated changes are not those of the true ones.

    Where little changes from week to week, most intervals that exclude no change do so by luck: the
    rate of wrong signs among them depends on how far the truth moves (Gelman & Carlin 2014, Beyond
    power calculations: assessing type S and type M errors, Perspect. Psychol. Sci. 9; from memory).
    True changes are taken to be normal about no change with a standard deviation of r errors σ. The
    sign of a change d is then wrong with the chance ``Φ(-|d|/σ · r/√(1 + r²))`` (after Stephens
    2017, False discovery rates: a new deal, Biostatistics 18; from memory). σ is not known: its
    estimate s has ν degrees of freedom, and d, of variance ``σ² (1 + r²)``, is one more. So ``σ² ~
    (ν s² + d²/(1 + r²))/χ²`` of ν + 1, and t of ν + 1 stands for Φ (the conjugate prior of a normal
    variance; Gelman et al. 2013, Bayesian data analysis; from memory): where ν is small a change of
    many errors may as well be an error that was taken too small, and no change is sure.

    r is `usual`, or what the n changes of the season themselves show where that is more: ``τ² = (Σ
    d²/s² - q)/Σ 1/s²`` over s². Luck alone passes q with the chance `luck`: ``Σ d²/(n s²)`` then
    follows F of n/c and the mean ν, with c of `_SHARED_WEEKS`, since the errors of a season rest on
    its one pooled variance and are too small together. Chi-square for F takes errors to be known:
    seasons of few heavy site-days then show movement that is none.

    Parameters
    ----------
    change, error : ndarray of float, shape (n,)
        d and s > 0, on one scale.
    df : ndarray of float, shape (n,)
        ν, at least 1; infinite where the error is known.
    usual : float
        r where the season shows nothing of its own.
    luck : float
        Chance of what a season must show to have its own r, were nothing moving.

    Returns
    -------
    ndarray of float, shape (n,)
        From 0 to 1/2.
    """
    n, error2, df = len(change), error**2, np.minimum(df, _ERROR_IS_KNOWN)
    by_luck = n * float(fdtri(n / _SHARED_WEEKS, df.mean(), 1 - luck))
    shown2 = max(float((change**2 / error2).sum()) - by_luck, 0.0) / (1 / error2).sum()
    spread2 = np.maximum(shown2 / error2, usual**2)
    moved2 = change**2 / (1 + spread2)
    found: Floats = stdtr(df + 1, -np.sqrt(moved2 * spread2 * (df + 1) / (df * error2 + moved2)))
    return found


def _sides(row: Row, *, is_share: bool) -> tuple[float, float]:
    """Return how far an interval reaches down and up, on the log scale for totals and rates.

    By the part of the error that is the sample's own.
    """
    low, value, high = row["ci_low"], row["estimate"], row["ci_high"]
    if is_share:
        return value - low, high - value
    own = row[SAMPLE_SE] / row["se"]
    return own * math.log(value / low), own * math.log(high / value)
