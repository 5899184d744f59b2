"""Past seasons projected from earlier weeks under their own rules, beside what came of them."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass
from functools import cache, partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.catch_limits import TOTALS
from analytics.codes import coded, error_code
from analytics.data.calendar import season_days
from analytics.data.kept import Arrays, Kept
from analytics.errors import BlackmouthError
from analytics.estimates.estimate import result_rows
from analytics.estimates.season_survey import prepare_survey, survey_through
from analytics.options.compare import ahead_by_week
from analytics.outlook.calibration import (
    PastErrors,
    PlainRule,
    fair_crps,
    interval_score,
    log_error,
    mixed,
    plain_rule,
    widened,
    with_estimate_error,
)
from analytics.outlook.projection import SEED, project_from
from analytics.outlook.schemas import BACKTEST_SCHEMA
from analytics.outlook.to_date_draws import rows_by_area
from analytics.outlook.weekly_series import PastSeasons, Patterns, season_alone
from analytics.settings import EstimationSettings, FishBasis

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from analytics.arrays import Floats
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.options.baseline import Baseline
    from analytics.outlook.weekly_series import WeeklySeries

    Row = dict[str, Any]
    #: An area, None for all, and a quantity.
    Figure = tuple[str | None, str]

#: Totals that are projected.
PROJECTED = ("kept_fish", "encounter_fish", "released_sublegal_fish", "total_deaths_fish")
#: Parts of a season's weeks after which it is projected.
CUTS = (0.25, 0.5, 0.75)
#: Draws of a projection: enough for the ends of an interval of 95 %.
N_DRAWS = 500
#: How a projection is made: by the model, by the plain rule, by the mixture of both.
MODEL, PLAIN, MIXTURE = METHODS = ("model", "plain_rule", "mixture")
ENDS = {"low_95": 0.025, "low_80": 0.1, "high_80": 0.9, "high_95": 0.975}
#: The classes by size and mark are not projected: what test fishing says of them is not needed.
_SETTINGS = EstimationSettings(basis=FishBasis.REPORTED)


@dataclass(frozen=True, slots=True, eq=False)
class SeasonTotals:
    """How the totals of a complete season came in: cumulated shares over its fishing days.

    - `days_past`: by area, the part of its open days that was past at the end of each week, (T,).
    - `share`: by area and quantity, the part of the total that had come by then, (T,).
    """

    season: str
    days_past: Mapping[str | None, Floats]
    share: Mapping[Figure, Floats]

    def at(self, figure: Figure, days_past: float) -> float:
        """Return the part of a total that had come when a part of the open days was past."""
        days, share = self.days_past.get(figure[0]), self.share.get(figure)
        if days is None or share is None or not np.isfinite(days_past):
            return float("nan")
        return float(np.interp(days_past, np.append(0.0, days), np.append(0.0, share)))


@dataclass(frozen=True, slots=True, eq=False)
class Backtest:
    """Rows of `BACKTEST_SCHEMA`, the errors behind them, and how past seasons' totals came in."""

    rows: list[Row]
    errors: PastErrors
    past: list[SeasonTotals]

    @property
    def width(self) -> float:
        """Return the factor of intervals ahead that past errors ask for."""
        return self.errors.width()

    def plain(self, figure: Figure, to_date: Row, days_past: float) -> PlainRule | None:
        """Return the plain rule's projection of what is still to come of a figure."""
        value, se = to_date.get("estimate"), to_date.get("se")
        if not value:
            return None
        shares = np.array([one.at(figure, days_past) for one in self.past])
        return plain_rule(value, shares, cv2=(se / value) ** 2 if se else 0.0)


def backtest(
    season: SeasonSurvey,
    past: Sequence[WeeklySeries],
    *,
    n_draws: int = N_DRAWS,
    seed: int = SEED,
    progress: Callable[[str], None] = lambda words: None,
) -> Backtest:
    """Project every past season from a quarter, half and three quarters of its weeks.

    Each projection knows the season through its week, at the survey's own weekly rates and shares,
    and the other past seasons, `past`. What is judged is what was still to come: the estimate of
    the complete season less that to date, which shares no sample with the projection, against draws
    with the error of that estimate. The width of intervals and the weights of the mixture are those
    of the other seasons.
    """
    seasons: list[_PastSeason] = []
    for number, one in enumerate(past):
        progress(f"projecting {one.season} from earlier weeks")
        others = [other for other in past if other is not one]
        seasons.append(
            _PastSeason(season.snapshot, others, one, n_draws=n_draws, seed=seed + number)
        )
    totals = [one.totals for one in seasons if one.totals is not None]
    for each in seasons:
        each.project([other for other in totals if other.season != each.weekly.season])
    errors = _errors(seasons)
    rows = [
        row
        for number, one in enumerate(seasons)
        for row in one.rows(errors.width(without=number), errors.weight(without=number))
    ]
    return Backtest(rows, errors, totals)


def kept_backtest(
    season: SeasonSurvey,
    past: PastSeasons,
    *,
    kept: Kept,
    seed: int = SEED,
    progress: Callable[[str], None] = lambda words: None,
) -> Backtest:
    """Return the backtest of past seasons; what is kept of the same data and seed is not made."""
    key = json.dumps([N_DRAWS, seed, past.key])

    @cache
    def made() -> Backtest:
        return backtest(season, past.weekly, seed=seed, progress=progress)

    def rows() -> pa.Table:
        return pa.Table.from_pylist(made().rows, schema=BACKTEST_SCHEMA)

    found = kept.table("backtest", key, rows).to_pylist()
    errors = kept.table("past_errors", key, lambda: _to_arrays(made()).to_table())
    return _of_arrays(found, Arrays.of(errors))


def _to_arrays(made: Backtest) -> Arrays:
    """Return errors and how totals came in, as they are kept."""
    arrays = {name: getattr(made.errors, name) for name in ("model", "model_sd", "plain")}
    about = []
    for at, one in enumerate(made.past):
        days, share = list(one.days_past.items()), list(one.share.items())
        arrays |= {f"days_past {at} {n}": values for n, (_, values) in enumerate(days)}
        arrays |= {f"share {at} {n}": values for n, (_, values) in enumerate(share)}
        about.append([one.season, [area for area, _ in days], [figure for figure, _ in share]])
    return Arrays({"past": about}, arrays)


def _of_arrays(rows: list[Row], kept: Arrays) -> Backtest:
    arrays = kept.arrays
    past = [
        SeasonTotals(
            season,
            {area: arrays[f"days_past {at} {n}"] for n, area in enumerate(areas)},
            {(*one,): arrays[f"share {at} {n}"] for n, one in enumerate(figures)},
        )
        for at, (season, areas, figures) in enumerate(kept.about["past"])
    ]
    errors = PastErrors(arrays["model"], arrays["model_sd"], arrays["plain"])
    return Backtest(rows, errors, past)


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """A past season projected from one week: draws of what was still to come, and what came."""

    through: str
    to_date: Mapping[Figure, float | None]
    draws: Mapping[Figure, Floats]
    plain: Mapping[Figure, PlainRule | None]
    cv2: Mapping[Figure, float]


class _PastSeason:
    """A past season to be projected, with what is known of the others."""

    def __init__(
        self,
        snapshot: Snapshot,
        others: Sequence[WeeklySeries],
        weekly: WeeklySeries,
        *,
        n_draws: int,
        seed: int,
    ) -> None:
        self.others, self.weekly, self.n_draws, self.seed = others, weekly, n_draws, seed
        self.reason, self.totals = "", None
        self.final: dict[Figure, Row] = {}
        self.made: list[_Cut | Row] = []
        try:
            complete = prepare_survey(
                season_alone(snapshot, weekly.season), season=weekly.season, settings=_SETTINGS
            )
        except BlackmouthError as error:
            self.reason = error_code(error)
            return
        self.complete = complete
        self.final = _figures(_rows(complete, PROJECTED, has_intervals=False))
        self.totals = season_totals(complete, self.final)

    def project(self, others: Sequence[SeasonTotals]) -> None:
        """Project the season from each of its cuts."""
        patterns = Patterns()
        for through in [] if self.reason else _cuts(self.weekly.weeks):
            try:
                self.made.append(self._cut(through, others, patterns))
            except BlackmouthError as error:
                self.made.append({"through": through, "reason": error_code(error)})

    def _cut(self, through: str, others: Sequence[SeasonTotals], patterns: Patterns) -> _Cut:
        known = survey_through(self.complete, through)
        rows = _rows(known, TOTALS)
        result = project_from(
            known,
            {},
            n_draws=self.n_draws,
            seed=self.seed,
            rows=rows,
            past=self.others,
            patterns=patterns,
        )
        so_far, past = _figures(rows), days_past(known)
        beside = Backtest([], _NO_ERRORS, list(others))
        draws = ahead_of_season(result.baseline)
        return _Cut(
            through,
            to_date={figure: row["estimate"] for figure, row in so_far.items()},
            draws=draws,
            plain={
                figure: beside.plain(figure, so_far[figure], past.get(figure[0], np.nan))
                for figure in draws
                if figure in so_far
            },
            cv2={figure: self._cv2(figure, so_far.get(figure, {})) for figure in draws},
        )

    def came(self, cut: _Cut, figure: Figure) -> float | None:
        """Return the estimate of what came after a cut."""
        final, to_date = self.final.get(figure, {}).get("estimate"), cut.to_date.get(figure)
        return None if final is None or to_date is None else max(final - to_date, 0.0)

    def _cv2(self, figure: Figure, so_far: Row) -> float:
        """Return the relative variance of the estimate of what came: strata of weeks are apart."""
        final = self.final.get(figure, {})
        came = (final.get("estimate") or 0.0) - (so_far.get("estimate") or 0.0)
        variance = (final.get("se") or 0.0) ** 2 - (so_far.get("se") or 0.0) ** 2
        return max(variance, 0.0) / came**2 if came > 0 else 0.0

    def rows(self, width: float, weight: float) -> list[Row]:
        """Return the rows of every cut, figure and method."""
        names: Row = {"season": self.weekly.season}
        if self.reason:
            return [names | {"reason": self.reason}]
        rows = []
        rng = np.random.default_rng(self.seed)
        for cut in self.made:
            if isinstance(cut, dict):
                rows.append(names | cut)
                continue
            for figure in cut.draws:
                every = {"through": cut.through, "area": figure[0], "quantity": figure[1]}
                rows += [
                    names | every | row for row in self._scored(cut, figure, width, weight, rng)
                ]
        return rows

    def _scored(
        self, cut: _Cut, figure: Figure, width: float, weight: float, rng: np.random.Generator
    ) -> list[Row]:
        """Return the rows of one figure, one a method."""
        to_date, final = cut.to_date.get(figure), self.final.get(figure, {}).get("estimate")
        base: Row = {"to_date": to_date, "final": final, "reason": ""}
        model = widened(cut.draws[figure], width)
        if to_date is None or not np.isfinite(model).all():
            return [base | {"projected_by": MODEL, "reason": coded("area_unknown_then")}]
        rule = cut.plain.get(figure)
        found = {MODEL: model}
        if rule is not None and (model > 0).all():
            plain = rule.draws(len(model))
            if np.isfinite(plain).all():
                found |= {PLAIN: plain, MIXTURE: mixed(model, plain, weight)}
        shown = np.stack(
            [with_estimate_error(draws, cut.cv2[figure], rng) for draws in found.values()]
        )
        came = self.came(cut, figure)
        ends = dict(zip(ENDS, np.quantile(shown, list(ENDS.values()), axis=1), strict=True))
        numbers = {name: to_date + end for name, end in ends.items()}
        numbers["projected_total"] = to_date + np.array([one.mean() for one in found.values()])
        if came is not None:
            numbers |= {"crps": fair_crps(shown, came), **interval_scores(ends, came)}
        return [
            base
            | {"projected_by": method}
            | {name: float(one[at]) for name, one in numbers.items()}
            for at, method in enumerate(found)
        ]


def interval_scores(
    ends: Mapping[str, Floats] | Mapping[str, float], came: float
) -> dict[str, Floats]:
    """Return the scores of the intervals between `ends`, by the names of `ENDS`."""
    return {
        f"interval_score_{percent}": interval_score(
            ends[f"low_{percent}"], ends[f"high_{percent}"], came, level=percent / 100
        )
        for percent in (80, 95)
    }


_NO_ERRORS = PastErrors(*(np.full((0, 1), np.nan) for _ in range(3)))


def _errors(seasons: Sequence[_PastSeason]) -> PastErrors:
    """Return the log errors of all areas together, K seasons by three cuts and four totals."""
    shape = (len(seasons), len(CUTS), len(PROJECTED))
    model, sd, plain = (np.full(shape, np.nan) for _ in range(3))
    for k, one in enumerate(seasons):
        cuts = [cut for cut in one.made if isinstance(cut, _Cut)]
        for c, cut in enumerate(cuts[: len(CUTS)]):
            for q, name in enumerate(PROJECTED):
                figure: Figure = (None, name)
                came, draws = one.came(cut, figure), cut.draws.get(figure)
                if not came or draws is None or not np.isfinite(draws).all():
                    continue
                error, of_draws = log_error(draws, came)
                model[k, c, q] = error
                sd[k, c, q] = np.sqrt(of_draws**2 + np.log1p(cut.cv2[figure]))
                rule = cut.plain.get(figure)
                if rule is not None:
                    plain[k, c, q] = np.log(came) - rule.log_mean
    flat = (len(seasons), len(CUTS) * len(PROJECTED))
    return PastErrors(model.reshape(flat), sd.reshape(flat), plain.reshape(flat))


def ahead_of_season(baseline: Baseline) -> dict[Figure, Floats]:
    """Return draws of what is still to come of every total, by area and of all areas, (D,)."""
    found: dict[Figure, Floats] = {}
    for name, draws in ahead_by_week(baseline, PROJECTED).items():
        of_area = draws.sum(axis=1, dtype=np.float64)
        for area, mine in zip(
            (*baseline.areas, None), (*of_area, of_area.sum(axis=0)), strict=True
        ):
            found[area, name] = mine
    return found


def _cuts(weeks: Sequence[str]) -> list[str]:
    """Return the weeks after which a season is projected."""
    at = [round(part * len(weeks)) - 1 for part in CUTS]
    return [weeks[one] for one in dict.fromkeys(at) if 0 <= one < len(weeks) - 1]


def _rows(
    season: SeasonSurvey, quantities: Collection[str], *, has_intervals: bool = True
) -> list[Row]:
    """Return result rows of some quantities by area, and of all areas those that are projected."""
    rows_by = partial(result_rows, season, level=0.95, has_intervals=has_intervals)
    of_areas = rows_by(by=("area",), quantities=quantities)
    return [*of_areas, *rows_by(by=("season",), quantities=PROJECTED)]


def _figures(rows: Iterable[Row]) -> dict[Figure, Row]:
    """Return the season rows of projected totals by area and of all areas."""
    return {key: row for key, row in rows_by_area(rows).items() if key[1] in PROJECTED}


def days_past(season: SeasonSurvey) -> dict[str | None, float]:
    """Return the part of each area's open days, None for all, that the data cover."""
    days = season_days(season.snapshot, season.design.season)
    is_past = days["week"] <= season.design.through
    found: dict[str | None, float] = {None: float(is_past.mean())}
    return found | {str(area): float(mine.mean()) for area, mine in is_past.groupby(days["area"])}


def season_totals(season: SeasonSurvey, final: Mapping[Figure, Row]) -> SeasonTotals:
    """Return how the totals of a complete season came in, from its rows by area and week."""
    days = season_days(season.snapshot, season.design.season)
    weeks = sorted({*days["week"], *season.design.weeks})
    of_week: dict[Figure, Floats] = defaultdict(lambda: np.zeros(len(weeks)))
    rows = result_rows(
        season, by=("area", "week"), level=0.95, quantities=PROJECTED, has_intervals=False
    )
    for row in rows:
        if row["estimate"] is not None:
            at = weeks.index(row["week"])
            for area in (row["area"], None):
                of_week[area, row["quantity"]][at] += row["estimate"]
    past: dict[str | None, Floats] = {}
    for area in (None, *sorted({str(one) for one in days["area"]})):
        mine = days if area is None else days[days["area"] == area]
        count = mine["week"].value_counts()
        opened = np.cumsum([float(count.get(week, 0)) for week in weeks])
        past[area] = opened / max(float(opened[-1]), 1.0)
    return SeasonTotals(
        season.design.season,
        past,
        {
            figure: np.cumsum(each) / each.sum()
            for figure, each in of_week.items()
            if figure in final and each.sum() > 0
        },
    )
