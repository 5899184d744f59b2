"""Totals of a season so far as joint draws, around the bulletin's own estimates."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.catch_limits import TOTALS
from analytics.codes import coded, join_codes
from analytics.data.calendar import season_days
from analytics.estimates.estimate import result_rows
from analytics.fish.mortality_rates import ReleaseRates, drop_off_rate
from analytics.options.baseline import PARTS, drawn_rate, rate_key
from analytics.outlook.limit_totals import CLASS_NAMES, class_covariance
from analytics.outlook.parts_to_date import (
    PART_QUANTITIES,
    JointParts,
    deep_draws,
    joint_parts,
    part_draws,
)
from analytics.propagation import nearest, normal_draws, scaled_exp, tail_draws

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from analytics.arrays import Floats
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.mortality_rates import MortalityRate

    Row = dict[str, Any]
    Rows = Mapping[tuple[str | None, str], Row]


# Draws of classes by size and mark per fish of their part.

#: Parts behind each class: kept and legal releases, or sublegal releases.
CLASS_PARTS = ((1, 2), (1, 2), (3,), (3,))


def class_draws(
    joint: JointParts, season: SeasonSurvey, rows: Rows, *, rng: np.random.Generator, n_draws: int
) -> dict[str, Floats]:
    """Return the draws of each class per fish of its part, mean 1, shape (D, A).

    Of the relative covariance of classes and areas that of the parts is taken off: what is left is
    the error of the shares.
    """
    n, n_areas = len(CLASS_NAMES), len(joint.areas)
    value = np.array(
        [
            [rows.get((area, name), {}).get("estimate") or 0.0 for name in CLASS_NAMES]
            for area in joint.areas
        ]
    )
    cov = class_covariance(season, rows).reshape(n_areas * n, -1)
    scale = np.where(value > 0, value, np.inf).ravel()
    left = cov / np.outer(scale, scale)
    left -= relative_of_parts(joint) * np.kron(np.eye(n_areas), np.ones((n, n)))
    left[~np.isfinite(scale)] = 0.0
    left[:, ~np.isfinite(scale)] = 0.0
    drawn = normal_draws(nearest(_log(left)), rng=rng, n_draws=n_draws)
    made = scaled_exp(drawn, np.ones(n_areas * n)).reshape(n_draws, n_areas, n)
    return {name: made[..., place] for place, name in enumerate(CLASS_NAMES)}


def _log(relative: Floats) -> Floats:
    """Return the covariance of logs of a relative covariance, variances of at least 0."""
    found = relative.copy()
    np.fill_diagonal(found, np.maximum(np.diag(found), 0.0))
    logged: Floats = np.log1p(np.maximum(found, -0.95))
    return logged


def relative_of_parts(joint: JointParts) -> Floats:
    """Return the relative covariance of the parts behind the classes, shape (4 A, 4 A)."""
    pick = np.zeros((len(CLASS_NAMES), len(PART_QUANTITIES)))
    for row, parts in enumerate(CLASS_PARTS):
        pick[row, list(parts)] = 1.0
    total = joint.total.sum(axis=1) @ pick.T
    cov = np.einsum("jk,akbl,il->ajbi", pick, joint.by_area, pick)
    scale = np.where(total > 0, total, np.inf).ravel()
    found: Floats = cov.reshape(scale.size, -1) / np.outer(scale, scale)
    return found


# Deaths of fish caught so far, draw by draw: fish by size and method times drawn rates.

#: Places in `PARTS` of releases by size class.
_SIZES = {
    "legal": PARTS.index("released_legal"),
    "sublegal": PARTS.index("released_sublegal"),
    "unknown": PARTS.index("released_unknown"),
}
_KEPT = PARTS.index("kept")


def deaths_to_date(
    by_method: Floats,
    deep: Floats,
    methods: Sequence[str],
    *,
    release_rates: Sequence[dict[str, Any]],
    drop_off: Sequence[dict[str, Any]],
    normal: Mapping[str, Floats],
) -> dict[str, Floats]:
    """Return release deaths, drop-off deaths and total deaths of every draw, shape (D, A).

    Each kind of fish takes the rate that `fish.mortality_rates` chooses; where that has one for
    shallow and one for deep hooks, fish are split by the share hooked deep, `deep` (D, A, M), NaN
    where nobody reported it. `by_method` (D, A, M, 5) as `PARTS`. NaN where fish have no rate.
    """
    rates = ReleaseRates(list(release_rates))
    of_rates = {key: one.astype(np.float32) for key, one in normal.items()}

    @cache
    def drawn(rate: MortalityRate) -> Floats:
        found: Floats = drawn_rate(rate, of_rates, len(by_method)).astype(np.float64)[:, None]
        return found

    released = np.zeros(by_method.shape[:2])
    dropped = np.zeros_like(released)
    for place, method in enumerate(methods):
        for size, part in _SIZES.items():
            rate = rates.choose(size, method or None).mixed(deep[..., place], drawn)
            released += _times(by_method[..., place, part], rate)
        given, base = drop_off_rate(list(drop_off), method or None)
        columns = [_KEPT] if base == "kept" else [_KEPT, *_SIZES.values()]
        fish = by_method[..., place, columns].sum(axis=-1)
        dropped += _times(fish, np.nan if given is None else drawn(given))
    kept = by_method[..., _KEPT].sum(axis=-1)
    return {
        "release_deaths_fish": released,
        "drop_off_deaths_fish": dropped,
        "total_deaths_fish": kept + released + dropped,
    }


def _times(fish: Floats, rate: Floats | float) -> Floats:
    """Return fish times rate; no fish need no rate."""
    found: Floats = np.where(fish == 0, 0.0, fish * rate)
    return found


#: Share of a total by which areas may miss it without a word.
_APART = 1e-3
_SUMS = {"released_fish": (2, 3, 4), "encounter_fish": (1, 2, 3, 4)}


@dataclass(frozen=True, slots=True, eq=False)
class ToDate:
    """Joint draws of the totals so far, D of them over A areas and M methods, as in `Baseline`.

    - `to_date`: every total of the result rows (D, A); NaN where there is no estimate.
    - `normal`: standard normal numbers (D,) of every rate of death, by `rate_key`.
    - `missing`: why a total (area, quantity) has no draws; `assumed`: codes.
    """

    areas: tuple[str, ...]
    methods: tuple[str, ...]
    to_date: Mapping[str, Floats]
    by_method: Floats
    deep_hook_share: Floats
    class_per_fish: Mapping[str, Floats]
    normal: Mapping[str, Floats]
    missing: Mapping[tuple[str, str], str]
    assumed: tuple[str, ...]


def to_date_draws(
    season: SeasonSurvey,
    *,
    rng: np.random.Generator,
    n_draws: int,
    rows: Iterable[Row] | None = None,
) -> ToDate:
    """Draw every total so far, jointly over areas, methods and quantities.

    Parts of the catch are lognormal with the survey's covariance, Student's t with the degrees of
    freedom of each area's own row; classes by size and mark are shares of their part with the error
    that is left; deaths are fish times drawn rates. Every total has the mean of its result row.

    Of every area that was sampled or is open on some day of the season. `rows` are the result rows
    by area and by season, where they are at hand.
    """
    found = rows_by_area(rows if rows is not None else area_rows(season))
    joint = joint_parts(season)
    areas = season_areas(season)
    normal = _normals(season.snapshot, rng, n_draws)
    row_df = [found.get((area, "encounter_fish"), {}).get("df") for area in joint.areas]
    known = [np.inf if one is None else float(one) for one in row_df]
    tail = np.stack([tail_draws(one, rng=rng, n_draws=n_draws) for one in known], axis=1)
    df = min(known, default=np.inf)
    by_method = over_areas(part_draws(joint, found, rng=rng, tail=tail), joint.areas, areas)
    deep = over_areas(deep_draws(joint, rng, n_draws), joint.areas, areas, fill=np.nan)
    of_area = by_method.sum(axis=2)
    drawn = {name: of_area[..., place] for place, name in enumerate(PART_QUANTITIES)}
    drawn |= {name: of_area[..., list(places)].sum(axis=-1) for name, places in _SUMS.items()}
    drawn |= _beside_trips(drawn["angler_trips"], areas, found, rng)
    classes = class_draws(joint, season, found, rng=rng, n_draws=n_draws)
    bases = {
        name: of_area[..., list(parts)].sum(axis=-1)
        for name, parts in zip(CLASS_NAMES, CLASS_PARTS, strict=True)
    }
    for name, base in bases.items():
        drawn[name] = base * over_areas(classes[name], joint.areas, areas)
    drawn |= deaths_to_date(
        by_method,
        deep,
        joint.methods,
        release_rates=season.snapshot["release_rates"].to_pylist(),
        drop_off=season.snapshot["drop_off"].to_pylist(),
        normal=normal,
    )
    fixed, missing = _at_rows(drawn, areas, found)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_fish = {
            name: np.where(base > 0, fixed[name] / base, np.nan) for name, base in bases.items()
        }
    return ToDate(
        areas=areas,
        methods=joint.methods,
        to_date=fixed,
        by_method=by_method,
        deep_hook_share=deep,
        class_per_fish=per_fish,
        normal=normal,
        missing=missing,
        assumed=_assumed(found, df if np.isfinite(df) else None),
    )


def area_rows(season: SeasonSurvey, *, level: float = 0.95) -> list[Row]:
    """Return the result rows of a season by area and of the complete season."""
    return [row for by in ("area", "season") for row in result_rows(season, by=(by,), level=level)]


def rows_by_area(rows: Iterable[Row]) -> dict[tuple[str | None, str], Row]:
    """Return season rows by area and quantity; area None for all areas."""
    return {(row["area"], row["quantity"]): row for row in rows if row["week"] is None}


def season_areas(season: SeasonSurvey) -> tuple[str, ...]:
    """Return the areas that were sampled so far or are open on some day of the season."""
    mine = season_days(season.snapshot, season.design.season)["area"]
    return tuple(sorted({*map(str, mine.unique()), *season.design.areas}))


def _beside_trips(
    trips: Floats, areas: tuple[str, ...], rows: Rows, rng: np.random.Generator
) -> dict[str, Floats]:
    """Return boat trips and angler-hours, which rise and fall with angler trips.

    Where their own relative error is larger, the rest is drawn beside; where it is smaller, they
    move by so much less.
    """
    found = {}
    for name in ("boat_trips", "angler_hours"):
        power, variance = np.ones(len(areas)), np.zeros(len(areas))
        for place, area in enumerate(areas):
            own, base = (np.log1p(_cv2(rows.get((area, one)))) for one in (name, "angler_trips"))
            power[place] = np.sqrt(min(own / base, 1.0)) if base > 0 else 0.0
            variance[place] = max(own - base, 0.0)
        noise = rng.standard_normal(trips.shape) * np.sqrt(variance)
        found[name] = trips**power * np.exp(noise)
    return found


def _cv2(row: Row | None) -> float:
    if not row or not row.get("estimate") or row.get("se") is None:
        return 0.0
    return float((row["se"] / row["estimate"]) ** 2)


def _normals(snapshot: Snapshot, rng: np.random.Generator, n_draws: int) -> dict[str, Floats]:
    rates = [*snapshot["release_rates"].to_pylist(), *snapshot["drop_off"].to_pylist()]
    return {rate_key(row): rng.standard_normal(n_draws) for row in rates}


def over_areas(
    values: Floats, known: tuple[str, ...], areas: tuple[str, ...], *, fill: float = 0.0
) -> Floats:
    """Return values over known areas, axis 1, as values over all areas of the season."""
    found = np.full((len(values), len(areas), *values.shape[2:]), fill)
    found[:, [areas.index(one) for one in known]] = values
    return found


def _at_rows(
    drawn: Mapping[str, Floats], areas: tuple[str, ...], rows: Rows
) -> tuple[dict[str, Floats], dict[tuple[str, str], str]]:
    """Return the draws with the means of their result rows, and why some have none.

    An area without a row has had no open day so far: nothing was caught.
    """
    found: dict[str, Floats] = {}
    missing: dict[tuple[str, str], str] = {}
    for name in TOTALS:
        values = drawn[name].copy()
        for place, area in enumerate(areas):
            row = rows.get((area, name))
            if row is None:
                values[:, place] = 0.0
            elif row.get("estimate") is None:
                missing[area, name] = row["method"]
                values[:, place] = np.nan
            else:
                mean = values[:, place].mean()
                values[:, place] *= row["estimate"] / mean if mean else 1.0
        found[name] = values
    # Rounding apart, the means add up as they do in the rows; so do the draws.
    dead = [found[one] for one in ("kept_fish", "release_deaths_fish", "drop_off_deaths_fish")]
    found["total_deaths_fish"] = np.where(
        np.isnan(found["total_deaths_fish"]), np.nan, np.sum(dead, axis=0)
    )
    return found, missing


def _not_given(rows: Rows) -> list[str]:
    """Return why totals have no number, and therefore none ahead, once a reason, as codes."""
    areas: dict[str, dict[str, list[str]]] = {}
    for (area, name), row in rows.items():
        if area is not None and row.get("estimate") is None and name in TOTALS:
            areas.setdefault(row["method"], {}).setdefault(area, []).append(name)
    found: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for why, names in areas.items():
        for area, totals in sorted(names.items()):
            found.setdefault((why, tuple(sorted(totals))), []).append(area)
    return [
        coded("total_not_given", areas=where, totals=totals, rule=why)
        for (why, totals), where in found.items()
    ]


def _assumed(rows: Rows, df: float | None) -> tuple[str, ...]:
    """Return what the draws of the totals so far rest on, as codes."""
    family = coded("drawn_lognormal") if df is None else coded("drawn_lognormal_t", df=f"{df:.0f}")
    lacking: dict[str, list[str]] = {}
    for (area, name), row in rows.items():
        if area is not None and row.get("estimate") and row.get("se") is None and name in TOTALS:
            lacking.setdefault(area, []).append(name)
    without = [
        coded("drawn_without_error", area=area, totals=names)
        for area, names in sorted(lacking.items())
    ]
    apart = join_codes(_apart(rows))
    return (
        family,
        coded("classes_drawn"),
        coded("one_death_rate"),
        *_not_given(rows),
        *without,
        *([join_codes([coded("draws_sum_areas"), apart])] if apart else []),
    )


def _apart(rows: Rows) -> Iterator[str]:
    """Yield the totals whose areas do not add up to all areas, such as deaths by deep hooks.

    The draws of an area have its own row as their mean, for the limits on it; their sum is then
    not that of the row of all areas where this takes its shares from all areas together.
    """
    areas = sorted({area for area, _ in rows if area is not None})
    for name in TOTALS:
        of_all = rows.get((None, name), {}).get("estimate")
        parts = [rows[area, name].get("estimate") for area in areas if (area, name) in rows]
        known = [float(one) for one in parts if one is not None]
        if of_all is None or len(known) < len(parts):
            continue
        if abs(sum(known) - of_all) > _APART * abs(of_all):
            sums = f"{sum(known):.1f}", f"{of_all:.1f}"
            yield coded("areas_apart", total=name, areas_sum=sums[0], of_all=sums[1])
