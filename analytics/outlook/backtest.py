"""Past seasons projected from earlier weeks under their own rules, beside what came of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.catch_rates.schemas import INDEX_SCHEMA
from analytics.codes import coded, error_code
from analytics.errors import BlackmouthError
from analytics.estimates.estimate import result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.options.compare import outlook
from analytics.outlook.projection import SEED, project_from
from analytics.outlook.weekly_series import RATE, of_season, past_weekly
from analytics.settings import EstimationSettings, FishBasis

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.options.baseline import Baseline
    from analytics.outlook.weekly_series import WeeklySeries

    Row = dict[str, Any]

#: Totals that are projected.
PROJECTED = ("kept_fish", "encounter_fish", "released_sublegal_fish", "total_deaths_fish")
#: Parts of a season's weeks after which it is projected.
CUTS = (0.25, 0.5, 0.75)
LEVELS = (0.8, 0.95)
#: Draws of a projection: enough for the ends of an interval of 95 %.
N_DRAWS = 500
#: The classes by size and mark are not projected: what test fishing says of them is not needed.
_SETTINGS = EstimationSettings(classes=FishBasis.REPORTED)


def backtest_rows(
    season: SeasonSurvey,
    rates: Mapping[str, pa.Table],
    *,
    n_draws: int = N_DRAWS,
    seed: int = SEED,
    past: Sequence[WeeklySeries] | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> list[Row]:
    """Project every past season from a quarter, half and three quarters of its weeks.

    Each projection knows the season through its week and the seasons before. The index of a past
    season is that of the complete season, cut at the week; the sublegal share is the survey's own.
    Rows are of `BACKTEST_SCHEMA`; where a season cannot be projected, one with the reason.
    """
    known = past_weekly(season.snapshot, season=season.design.season) if past is None else past
    rows: list[Row] = []
    for number, one in enumerate(known):
        progress(f"projecting {one.season} from earlier weeks")
        rows += _season_rows(
            _Past(season.snapshot, known[:number], one, rates, n_draws=n_draws, seed=seed + number)
        )
    return rows


@dataclass(frozen=True, slots=True, eq=False)
class _Past:
    """A past season to be projected, with what was known before it."""

    snapshot: Snapshot
    before: Sequence[WeeklySeries]
    weekly: WeeklySeries
    rates: Mapping[str, pa.Table]
    n_draws: int
    seed: int

    def cuts(self) -> list[str]:
        """Return the weeks after which the season is projected."""
        weeks = self.weekly.weeks
        at = [round(part * len(weeks)) - 1 for part in CUTS]
        return [weeks[one] for one in dict.fromkeys(at) if 0 <= one < len(weeks) - 1]

    def tables(self, through: str) -> dict[str, pa.Table]:
        """Return the tables of rates as they were known in a week."""
        timing = self.rates.get("seasonal_pattern")
        if timing is None:
            return {}
        one = self.weekly
        rows = []
        for row in timing.to_pylist():
            mine = row["season"] == one.season and row["week"] <= through
            if not mine or row["area"] not in one.areas or row["week"] not in one.weeks:
                continue
            cell = one.areas.index(row["area"]), one.weeks.index(row["week"])
            se = row.get("log_se") or float(np.sqrt(one.variance[RATE][cell]))
            if row["index"] is None or not np.isfinite(se):
                continue
            rest = {"response": "encounters", "log_se": se, "reason": ""}
            rows.append({name: row[name] for name in ("season", "area", "week", "index")} | rest)
        return {
            "index": pa.Table.from_pylist(rows, schema=INDEX_SCHEMA),
            "seasonal_pattern": timing,
        }


def _season_rows(past: _Past) -> list[Row]:
    names: Row = {"season": past.weekly.season, "reason": ""}
    try:
        alone = _alone(past.snapshot, past.weekly.season)
        complete = prepare_survey(alone, season=past.weekly.season, settings=_SETTINGS)
    except BlackmouthError as error:
        return [names | {"reason": error_code(error)}]
    final = _finals(complete)
    return [names | row for cut in past.cuts() for row in _cut_rows(past, alone, cut, final)]


def _alone(snapshot: Snapshot, season: str) -> Snapshot:
    """Return a season's own site-days and interviews, and no fish: none are needed."""
    found = of_season(snapshot, season=season)
    none = {name: found[name].slice(0, 0) for name in ("fish", "bycatch", "boat_counts", "limits")}
    return replace(found, tables=dict(found.tables) | none)


def _finals(season: SeasonSurvey) -> dict[tuple[str | None, str], float | None]:
    return {
        (row["area"], row["quantity"]): row["estimate"]
        for by in ("area", "season")
        for row in result_rows(season, by=(by,), level=0.95)
        if row["quantity"] in PROJECTED
    }


def _cut_rows(
    past: _Past, alone: Snapshot, through: str, final: Mapping[tuple[str | None, str], float | None]
) -> Iterator[Row]:
    """Yield the rows of a season projected from one week."""
    try:
        known = prepare_survey(
            alone, season=past.weekly.season, through=through, settings=_SETTINGS
        )
        result = project_from(
            known, past.tables(through), n_draws=past.n_draws, seed=past.seed, past=past.before
        )
        answers = [outlook(result.baseline, (), level=level).figures for level in LEVELS]
    except BlackmouthError as error:
        yield {"through": through, "reason": error_code(error)}
        return
    so_far = _so_far(result.baseline)
    narrow, wide = (
        {
            (row["area"], row["quantity"]): row
            for row in table.to_pylist()
            if row["quantity"] in PROJECTED
        }
        for table in answers
    )
    for key, row in narrow.items():
        area, quantity = key
        yield {
            "through": through,
            "area": area,
            "quantity": quantity,
            "to_date": so_far.get(key),
            "projected_total": row["estimate"],
            "low_80": row["ci_low"],
            "high_80": row["ci_high"],
            "low_95": wide[key]["ci_low"],
            "high_95": wide[key]["ci_high"],
            "final": final.get(key),
            "reason": "" if row["estimate"] is not None else coded("area_unknown_then"),
        }


def _so_far(baseline: Baseline) -> dict[tuple[str | None, str], float | None]:
    """Return the totals so far, which the draws have for their means."""
    found: dict[tuple[str | None, str], float | None] = {}
    for name in PROJECTED:
        means = baseline.to_date[name].mean(axis=0, dtype=np.float64)
        for area, mean in zip((*baseline.areas, None), (*means, means.sum()), strict=True):
            found[area, name] = float(mean) if np.isfinite(mean) else None
    return found
