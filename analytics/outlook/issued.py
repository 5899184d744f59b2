"""Projections as they are issued: a tidy table of outputs, and how earlier ones did."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from analytics.catch_rates.index import word_of
from analytics.options.compare import ahead_by_week
from analytics.outlook.backtest import (
    ENDS,
    MIXTURE,
    MODEL,
    PLAIN,
    PROJECTED,
    days_past,
    interval_scores,
)
from analytics.outlook.calibration import mixed, quantile_crps
from analytics.quantities import QUANTITIES
from analytics.weeks import week_end, week_of, weeks_between

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    import pyarrow as pa

    from analytics.arrays import Floats
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.outlook.backtest import Backtest
    from analytics.outlook.projection import ProjectionResult

    Row = dict[str, Any]

#: Probabilities whose quantiles are issued.
PROBS = (0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975, 0.99)
#: Weeks ahead for which projections are issued, beside that to the planned close.
WEEKS_AHEAD = 4
#: Weeks over which a trend is called, and what its target is called by response.
RISE_WEEKS, RISE = 4, "rise_of_"
INCREASE, DECREASE = "increase", "decrease"


def projection_rows(
    season: SeasonSurvey,
    result: ProjectionResult,
    past: Backtest,
    rows: Iterable[Row],
    trend: pa.Table | None,
) -> list[Row]:
    """Return what a bulletin says is to come, in `PROJECTION_SCHEMA`.

    Totals after the reference date, by area and of all areas, through each of some weeks and to the
    planned close; the plain rule and the mixture to the close alone. `rows` are the result rows of
    the season, `trend` the bulletin's table of trends.
    """
    calendar = result.calendar
    base: Row = {
        "season": season.design.season,
        "through": season.design.through,
        "reference_date": calendar.through,
        "basis": str(season.basis),
    }
    found = [base | row for row in _rises(trend, season.design.through)]
    if not len(calendar.days):
        return found
    so_far = {(one["area"], one["quantity"]): one for one in rows if one["week"] is None}
    gone, weight = days_past(season), past.errors.weight()
    for name, draws in ahead_by_week(result.baseline, PROJECTED).items():
        by_week = np.cumsum(draws, axis=1, dtype=np.float64)
        every = np.concatenate([by_week, by_week.sum(axis=0, keepdims=True)])
        for area, mine in zip((*calendar.areas, None), every, strict=True):
            target = base | {"target": name, "area": area, "unit": QUANTITIES[name].unit}
            for horizon, last, of_week in _horizons(result, area, mine):
                at = target | {"horizon": horizon, "target_end_date": last}
                found += [at | row for row in _outputs(MODEL, of_week)]
            rule = past.plain((area, name), so_far.get((area, name), {}), gone.get(area, np.nan))
            if rule is not None and (of_week > 0).all():
                plain = rule.draws(len(of_week))
                found += [at | row for row in _outputs(PLAIN, plain)]
                both = mixed(of_week, plain, weight)
                found += [at | row for row in _outputs(MIXTURE, both)]
    return found


def _horizons(
    result: ProjectionResult, area: str | None, draws: Floats
) -> Iterator[tuple[int, date, Floats]]:
    """Yield weeks ahead, their last day and draws; the planned close last, always."""
    calendar = result.calendar
    close = calendar.planned_close(calendar.areas if area is None else (area,))
    close = calendar.through if close is None else max(close, calendar.through)
    ends = [week_end(week) for week in calendar.weeks]
    for place, last in enumerate(ends[:WEEKS_AHEAD]):
        if last < close:
            yield place + 1, last, draws[place]
    yield -(-(close - calendar.through).days // 7), close, draws[-1]


def _outputs(method: str, draws: Floats) -> Iterator[Row]:
    if not np.isfinite(draws).all():
        return
    base = {"projected_by": method}
    yield base | {"output_type": "mean", "output_level": None, "value": float(draws.mean())}
    yield base | {"output_type": "median", "output_level": None, "value": float(np.median(draws))}
    for prob, value in zip(PROBS, np.quantile(draws, PROBS).tolist(), strict=True):
        yield base | {"output_type": "quantile", "output_level": f"{prob:g}", "value": value}


def _rises(trend: pa.Table | None, through: str) -> Iterator[Row]:
    """Yield the probability that each level rose over the weeks so far, as a trend is called."""
    for row in trend.to_pylist() if trend is not None else ():
        rose = row[f"prob_increase_{RISE_WEEKS}_weeks"]
        if row["is_projected"] or row["week"] != through or rose is None:
            continue
        target = {
            "target": f"{RISE}{row['response']}",
            "horizon": 0,
            "target_end_date": week_end(through),
            "area": row["area"],
            "projected_by": MODEL,
            "output_type": "pmf",
            "unit": "1",
        }
        yield target | {"output_level": INCREASE, "value": rose}
        yield target | {"output_level": DECREASE, "value": 1 - rose}


# How earlier projections did, by what later bulletins estimate.


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What a later bulletin estimates of a season: its rows by area and week, and its trends."""

    rows: Mapping[tuple[str | None, str, str], Row]
    level: Mapping[tuple[str | None, str, str], float]
    through: str

    @classmethod
    def of(cls, rows: pa.Table, trend: pa.Table, through: str) -> Outcome:
        """Return the outcome that tables of a bulletin tell."""
        by_week = {
            (row["area"], row["quantity"], row["week"]): row
            for row in rows.select(["area", "week", "quantity", "estimate", "se"]).to_pylist()
            if row["week"] is not None and row["quantity"] in PROJECTED
        }
        level = {
            (row["area"], row["response"], row["week"]): row["level"]
            for row in trend.select(
                ["area", "response", "week", "level", "is_projected"]
            ).to_pylist()
            if row["level"] is not None and not row["is_projected"]
        }
        return cls(by_week, level, through)

    def came(self, row: Row) -> tuple[float, float] | None:
        """Return the estimate of what came of a target and its error; None where it is not over."""
        weeks = weeks_between(row["through"], week_of(row["target_end_date"]))[1:]
        if not weeks or weeks[-1] > self.through:
            return None
        found = [self.rows.get((row["area"], row["target"], week)) for week in weeks]
        known = [one for one in found if one is not None]
        if any(one["estimate"] is None for one in known):
            return None
        variance = sum((one["se"] or 0.0) ** 2 for one in known)
        return sum(one["estimate"] for one in known), variance**0.5

    def rose(self, row: Row) -> float | None:
        """Return 1 where a level proved to have risen, 0 where not; None a week or less later."""
        name = row["target"].removeprefix(RISE)
        before = week_of(row["target_end_date"] - timedelta(weeks=RISE_WEEKS))
        now, then = (self.level.get((row["area"], name, one)) for one in (row["through"], before))
        if now is None or then is None or len(weeks_between(row["through"], self.through)) < 3:
            return None
        return float(now > then)


def score_rows(issued: Sequence[tuple[str, pa.Table]], outcome: Outcome) -> list[Row]:
    """Return how the projections of some bulletins of a season did, in `PROJECTION_SCORE_SCHEMA`.

    `issued`: names of bulletins and their `projections`. A projection whose weeks are not over yet
    is left out. Trends are judged by the levels of a bulletin three weeks later or more.
    """
    found = []
    for bulletin, table in issued:
        targets: dict[tuple[Any, ...], list[Row]] = defaultdict(list)
        for row in table.to_pylist():
            targets[tuple(row[name] for name in _KEY)].append(row)
        for rows in targets.values():
            score = _rise_score if rows[0]["target"].startswith(RISE) else _total_score
            scored = score(rows, outcome)
            if scored:
                shared = {name: rows[0][name] for name in _SHARED}
                found.append({"bulletin": bulletin} | shared | scored)
    return found


_KEY = ("target", "horizon", "area", "projected_by")
_SHARED = (
    "season",
    "through",
    "reference_date",
    "target",
    "horizon",
    "target_end_date",
    "area",
    "projected_by",
)


def _rise_score(rows: Sequence[Row], outcome: Outcome) -> Row | None:
    said = next(row["value"] for row in rows if row["output_level"] == INCREASE)
    rose = outcome.rose(rows[0])
    if rose is None:
        return None
    brier = (said - rose) ** 2
    return {"projected": said, "came": rose, "brier": brier, "direction": word_of(said)}


def _with_error(quantile: float, median: float, prob: float, cv2: float) -> float:
    """Return a quantile of what an estimate with relative variance `cv2` would show.

    Distances from the median on the log scale add in squares, as of lognormals.
    """
    if not (quantile > 0 and median > 0):
        return quantile
    far = np.hypot(np.log(quantile / median), ndtri(prob) * np.sqrt(np.log1p(cv2)))
    return float(median * np.exp(np.sign(prob - 0.5) * far))


def _total_score(rows: Sequence[Row], outcome: Outcome) -> Row | None:
    came = outcome.came(rows[0])
    if came is None:
        return None
    value = {(row["output_type"], row["output_level"]): row["value"] for row in rows}
    at = {float(level): each for (kind, level), each in value.items() if kind == "quantile"}
    probs = sorted(at)
    estimate, se = came
    cv2 = (se / estimate) ** 2 if estimate > 0 else 0.0
    at = {prob: _with_error(each, value["median", None], prob, cv2) for prob, each in at.items()}
    ends = {name: at[prob] for name, prob in ENDS.items()}
    crps = quantile_crps(np.array([at[one] for one in probs]), np.array(probs), estimate)
    return {
        "projected": value["mean", None],
        "median": value["median", None],
        **ends,
        "came": estimate,
        "came_se": se,
        "crps": float(crps),
        **{name: float(one) for name, one in interval_scores(ends, estimate).items()},
    }
