"""Totals of a season so far as joint draws, around the bulletin's own estimates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.catch_limits import TOTALS
from analytics.data import query
from analytics.data.season_context import calendar
from analytics.estimates.estimate import result_rows
from analytics.fish.mortality_rates import ReleaseRates, drop_off_rate
from analytics.models.lognormal_draws import (
    log_covariance,
    nearest,
    normal_draws,
    scaled_exp,
    tail_draws,
)
from analytics.options.baseline import PARTS
from analytics.options.rate_draws import beta_at, rate_key
from analytics.outlook.limit_totals import CLASS_NAMES, class_covariance
from analytics.quantities import QUANTITIES
from analytics.survey.domain_totals import joint_area_totals
from analytics.survey.estimators import DesignEstimator
from analytics.survey.ratios import combined_ratio
from analytics.survey.reduction import UNKNOWN_SIZE, Analysis, Measure, Reduction

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.mortality_rates import ApplicableRates, MortalityRate
    from analytics.survey.design import Design

    Floats = NDArray[np.float64]
    DrawnClassesRows = Mapping[tuple[str | None, str], dict[str, Any]]
    DrawnPartsRows = Mapping[tuple[str | None, str], dict[str, Any]]
    Row = dict[str, Any]
    Rows = Mapping[tuple[str | None, str], Row]


# Deaths of fish caught so far, draw by draw: fish by size and method times drawn rates.

#: Places in `PARTS` of releases by size class.
_SIZES = {
    "legal": PARTS.index("released_legal"),
    "sublegal": PARTS.index("released_sublegal"),
    "unknown": PARTS.index("released_unknown"),
}
_KEPT = PARTS.index("kept")


def dead_to_date(
    by_method: Floats,
    deep: Floats,
    methods: Sequence[str],
    *,
    release_rates: Sequence[dict[str, Any]],
    drop_off: Sequence[dict[str, Any]],
    normal: Mapping[str, Floats],
) -> dict[str, Floats]:
    """Return release deaths, drop-off deaths and total deaths of every draw.

    Each kind of fish takes the rate that `fish.mortality_rates` chooses; where that has one
    for shallow and one for deep hooks, fish are split by the share hooked deep.

    Parameters
    ----------
    by_method : ndarray of float, shape (D, A, M, 5)
        Parts of the catch in the order of `PARTS`.
    deep : ndarray of float, shape (D, A, M)
        Share of releases hooked deep; NaN where nobody told.
    methods : sequence of str
        The empty string for a method not told.
    release_rates, drop_off : sequence of dict
        Rows of those tables.
    normal : mapping of str to ndarray, shape (D,)
        Normal numbers by `analytics.options.rate_draws.rate_key`.

    Returns
    -------
    dict of str to ndarray, shape (D, A)
        NaN where fish have no rate.
    """
    rates = ReleaseRates(list(release_rates))
    released = np.zeros(by_method.shape[:2])
    lost = np.zeros_like(released)
    for place, method in enumerate(methods):
        for size, part in _SIZES.items():
            rate = _release_rate(rates.choose(size, method or None), deep[..., place], normal)
            released += _times(by_method[..., place, part], rate)
        given, base = drop_off_rate(list(drop_off), method or None)
        columns = [_KEPT] if base == "kept" else [_KEPT, *_SIZES.values()]
        rate = np.nan if given is None else _drawn(given, normal, f"drop_off {given.method}")
        lost += _times(by_method[..., place, columns].sum(axis=-1), rate)
    kept = by_method[..., _KEPT].sum(axis=-1)
    return {
        "release_deaths_fish": released,
        "drop_off_deaths_fish": lost,
        "total_deaths_fish": kept + released + lost,
    }


def _release_rate(
    choice: ApplicableRates, deep: Floats, normal: Mapping[str, Floats]
) -> Floats | float:
    """Return the rate of some releases, shape (D, 1) or (D, A); NaN where there is none."""

    def rate(given: MortalityRate | None) -> Floats | float:
        if given is None:
            return np.nan
        return _drawn(given, normal, " ".join(given.key))

    whole = rate(choice.whole)
    if choice.shallow is None or choice.deep is None:
        return whole
    split = (1 - deep) * rate(choice.shallow) + deep * rate(choice.deep)
    return np.where(np.isnan(deep), whole, split)


def _drawn(given: MortalityRate, normal: Mapping[str, Floats], key: str) -> Floats:
    luck = normal[key].astype(np.float32)
    drawn: Floats = beta_at(given.rate_prop, given.rate_se, luck).astype(np.float64)[:, None]
    return drawn


def _times(fish: Floats, rate: Floats | float) -> Floats:
    """Return fish times rate; no fish need no rate."""
    found: Floats = np.where(fish == 0, 0.0, fish * rate)
    return found


# Parts of a season's catch by area and fishing method, as one joint analysis with all errors.

#: Result quantity of each of `PARTS`, and its column.
PART_QUANTITIES = (
    "angler_trips",
    "kept_fish",
    "released_legal_fish",
    "released_sublegal_fish",
    "released_unknown_fish",
)
_COLUMNS = ("anglers", "kept", "released_legal", "released_sublegal", UNKNOWN_SIZE)
_RELEASED = f"released_legal + released_sublegal + {UNKNOWN_SIZE}"
_DEEP = "released_deep_hooked"
_METHODS = "SELECT DISTINCT method FROM interviews SEMI JOIN days USING (sample_id) ORDER BY method"


@dataclass(frozen=True, slots=True, eq=False)
class JointParts:
    """Season totals of the parts of the catch over A areas and M fishing methods.

    Parameters
    ----------
    areas, methods : tuple of str
        A method not told is the empty string.
    total : ndarray of float, shape (A, M, 5)
        In the order of `PARTS`.
    cov : ndarray of float, shape (A, M, 5, A, M, 5)
        Survey covariance, across areas too.
    told, deep : ndarray of float, shape (A, M)
        Releases of boats that told how many were hooked deep, and those.
    deep_cov : ndarray of float, shape (A, M, 2, 2)
        Covariance of `deep` and `told`, in this order.
    """

    areas: tuple[str, ...]
    methods: tuple[str, ...]
    total: Floats
    cov: Floats
    told: Floats
    deep: Floats
    deep_cov: Floats

    @property
    def by_area(self) -> Floats:
        """Covariance of the parts over all methods, shape (A, 5, A, 5)."""
        found: Floats = self.cov.sum(axis=(1, 4))
        return found


def joint_parts(snapshot: Snapshot, season: SeasonSurvey) -> JointParts:
    """Total anglers, kept and released fish by area and method with their joint covariance.

    Parameters
    ----------
    snapshot : Snapshot
    season : SeasonSurvey
        Prepared from it in the usual way.

    Returns
    -------
    JointParts
        Of the areas of the design; a part that nobody recorded is 0.
    """
    design = season.design
    methods = _methods(snapshot, design)
    measures = _measures(season, methods)
    analysis = Analysis(tuple(measures))
    reduction = Reduction(
        snapshot.source("interviews"), design=design, measures=measures, analyses=[analysis]
    )
    moments = reduction.moments(analysis)
    total, cov = joint_area_totals(design, moments, plans=season.plans)
    a, m, n = len(design.areas), len(methods), len(PARTS)
    size = m * n
    wounds = cov.reshape(a, -1, a, cov.shape[1] // a)
    own = np.stack([wounds[one, size:, one, size:] for one in range(a)]).reshape(a, m, 2, m, 2)
    parts = wounds[:, :size, :, :size].reshape(a, m, n, a, m, n)
    of_wounds = total[:, size:].reshape(a, m, 2)
    return JointParts(
        areas=design.areas,
        methods=tuple(one or "" for one in methods),
        total=total[:, :size].reshape(a, m, n),
        cov=parts,
        told=of_wounds[..., 1],
        deep=of_wounds[..., 0],
        deep_cov=np.stack([own[:, one, :, one, :] for one in range(m)], axis=1),
    )


def _methods(snapshot: Snapshot, design: Design) -> list[str | None]:
    days = pa.table({"sample_id": pa.array(design.site_days.sample_id, pa.string())})
    found = query.run(_METHODS, {"interviews": snapshot.source("interviews"), "days": days})
    return found["method"].to_pylist() or [None]


def _measures(season: SeasonSurvey, methods: list[str | None]) -> dict[str, Measure]:
    """Return every part by method, then fish hooked deep and releases of boats that told them."""
    drawn = next(one for one in season.ways if isinstance(one, DesignEstimator))
    told = [drawn.has_responses(season.analyses[one]) for one in PART_QUANTITIES]
    columns = [text if one else "0" for text, one in zip(_COLUMNS, told, strict=True)]
    if season.deaths.unsized:
        columns[2:] = ["0", "0", "released_unknown"]
    released = " + ".join(columns[2:]) if season.deaths.unsized else _RELEASED
    has_releases = season.deaths.unsized or (told[2] and told[3])
    seen = f"CASE WHEN {_DEEP} IS NULL THEN 0 * ({released}) ELSE {released} END"
    hooked = f"coalesce({_DEEP}, 0 * ({released}))"
    wounds = [hooked, seen] if has_releases else ["0", "0"]
    made = [
        Measure(
            f"{name}_{place}",
            _of_method(text, method),
            ("released_unknown", "method", _DEEP),
            only=frozenset({method}),
        )
        for names, texts in ((PARTS, columns), (("deep", "told"), wounds))
        for place, method in enumerate(methods)
        for name, text in zip(names, texts, strict=True)
    ]
    return {one.name: one for one in made}


def _of_method(text: str, method: str | None) -> str:
    test = "method IS NULL" if method is None else f"method = {query.text(method)}"
    # `ELSE 0 * number` keeps a number that was not recorded a null.
    return f"CASE WHEN {test} THEN {text} ELSE 0 * ({text}) END"


# Draws of classes by size and mark per fish of their part.

#: Parts behind each class: kept and legal releases, or sublegal releases.
CLASS_PARTS = ((1, 2), (1, 2), (3,), (3,))


def class_draws(
    joint: JointParts,
    season: SeasonSurvey,
    rows: DrawnClassesRows,
    *,
    rng: np.random.Generator,
    n_draws: int,
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
    spread = class_covariance(season, rows).reshape(n_areas * n, -1)
    scale = np.where(value > 0, value, np.inf).ravel()
    left = spread / np.outer(scale, scale)
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


# Draws of the parts of the catch so far, and of the share hooked deep.

_UNKNOWN = PART_QUANTITIES.index("released_unknown_fish")


def part_draws(
    joint: JointParts, rows: DrawnPartsRows, *, rng: np.random.Generator, tail: Floats
) -> Floats:
    """Return the draws of every part by area and method, shape (D, A, M, 5)."""
    shape = joint.total.shape
    has_error = np.array(
        [
            [rows.get((area, name), {}).get("se") is not None for name in PART_QUANTITIES]
            for area in joint.areas
        ]
    )
    kept = np.broadcast_to(has_error[:, None, :], shape).ravel()
    mean, cov = joint.total.ravel(), joint.cov.reshape(joint.total.size, -1)
    spread = log_covariance(mean, np.where(np.outer(kept, kept), cov, 0.0))
    deviate = normal_draws(spread, rng=rng, n_draws=len(tail), tail=tail)
    drawn = scaled_exp(deviate, mean).reshape(-1, *shape)
    return drawn * _factors(joint, rows)


def _factors(joint: JointParts, rows: DrawnPartsRows) -> Floats:
    """Return what brings each area's parts to the estimates of its rows, shape (A, 1, 5).

    Boats that told one number and not another are in its row and not in the joint analysis.
    """
    found = np.ones((len(joint.areas), 1, len(PART_QUANTITIES)))
    of_area = joint.total.sum(axis=1)
    for place, area in enumerate(joint.areas):
        for part, name in enumerate(PART_QUANTITIES):
            value = rows.get((area, name), {}).get("estimate")
            if value is None:
                found[place, 0, part] = 0.0 if part == _UNKNOWN else np.nan
            elif of_area[place, part] > 0:
                found[place, 0, part] = value / of_area[place, part]
    return found


def deep_draws(joint: JointParts, rng: np.random.Generator, n_draws: int) -> Floats:
    """Return the draws of the share hooked deep, shape (D, A, M); NaN where nobody told."""
    found = np.full((n_draws, *joint.told.shape), np.nan)
    pairs = np.stack([joint.deep, joint.told], axis=-1)
    for area, method in np.argwhere(joint.told > 0):
        share, spread = combined_ratio(
            pairs[area, method][None], joint.deep_cov[area, method][None]
        )
        se = float(np.sqrt(max(spread[0], 0.0))) if np.isfinite(spread[0]) else 0.0
        luck = rng.standard_normal(n_draws)
        found[:, area, method] = beta_at(float(share[0]), se, luck.astype(np.float32))
    return found


#: Share of a total by which areas may miss it without a word.
_APART = 1e-3
_SUMS = {"released_fish": (2, 3, 4), "encounter_fish": (1, 2, 3, 4)}


@dataclass(frozen=True, slots=True, eq=False)
class ToDate:
    """Joint draws of the totals so far, D of them over A areas and M methods.

    Parameters
    ----------
    areas, methods : tuple of str
        A and M labels; a method not told is the empty string.
    to_date : mapping of str to ndarray, shape (D, A)
        Every total of the result rows; NaN where there is no estimate.
    by_method : ndarray, shape (D, A, M, 5)
        In the order of `analytics.options.baseline.PARTS`.
    deep : ndarray, shape (D, A, M)
        Share of releases hooked deep; NaN where nobody told.
    class_per_fish : mapping of str to ndarray, shape (D, A)
        Fish of each class per legal, or sublegal, encounter as told.
    normal : mapping of str to ndarray, shape (D,)
        Standard normal numbers of every rate of death, by `rate_key`.
    missing : mapping of (str, str) to str
        Why a total (area, quantity) has no draws.
    assumed : tuple of (str, str)
        Topic and words.
    """

    areas: tuple[str, ...]
    methods: tuple[str, ...]
    to_date: Mapping[str, Floats]
    by_method: Floats
    deep: Floats
    class_per_fish: Mapping[str, Floats]
    normal: Mapping[str, Floats]
    missing: Mapping[tuple[str, str], str]
    assumed: tuple[tuple[str, str], ...]


def to_date_draws(
    snapshot: Snapshot,
    season: SeasonSurvey,
    *,
    rng: np.random.Generator,
    n_draws: int,
    rows: Iterable[Row] | None = None,
) -> ToDate:
    """Draw every total so far, jointly over areas, methods and quantities.

    Parts of the catch are lognormal with the survey's covariance, Student's t for few degrees of
    freedom; classes by size and mark are shares of their part with the error that is left; deaths
    are fish times drawn rates. Every total has the mean of its result row.

    Parameters
    ----------
    snapshot : Snapshot
    season : SeasonSurvey
        Prepared from it in the usual way.
    rng : numpy.random.Generator
    n_draws : int
        D.
    rows : iterable of dict, optional
        Result rows by area and by season, where they are at hand.

    Returns
    -------
    ToDate
        Of every area that was sampled or is open on some day of the season.
    """
    found = rows_by_area(rows if rows is not None else area_rows(season))
    joint = joint_parts(snapshot, season)
    areas = season_areas(snapshot, season)
    normal = _normals(snapshot, rng, n_draws)
    df = found.get((None, "encounter_fish"), {}).get("df")
    tail = tail_draws(np.inf if df is None else df, rng=rng, n_draws=n_draws)
    by_method = _widened(part_draws(joint, found, rng=rng, tail=tail), joint.areas, areas)
    deep = deep_draws(joint, rng, n_draws)
    whole = by_method.sum(axis=2)
    drawn = {name: whole[..., place] for place, name in enumerate(PART_QUANTITIES)}
    drawn |= {name: whole[..., list(places)].sum(axis=-1) for name, places in _SUMS.items()}
    drawn |= _beside_trips(drawn["angler_trips"], areas, found, rng)
    classes = class_draws(joint, season, found, rng=rng, n_draws=n_draws)
    bases = [whole[..., list(parts)].sum(axis=-1) for parts in CLASS_PARTS]
    drawn |= {
        name: base * _widened(classes[name], joint.areas, areas)
        for name, base in zip(CLASS_NAMES, bases, strict=True)
    }
    wide_deep = _widened(deep, joint.areas, areas, fill=np.nan)
    drawn |= dead_to_date(
        by_method,
        wide_deep,
        joint.methods,
        release_rates=snapshot["release_rates"].to_pylist(),
        drop_off=snapshot["drop_off"].to_pylist(),
        normal=normal,
    )
    fixed, missing = _at_rows(drawn, areas, found)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_fish = {
            name: np.where(base > 0, fixed[name] / base, np.nan)
            for name, base in zip(CLASS_NAMES, bases, strict=True)
        }
    return ToDate(
        areas=areas,
        methods=joint.methods,
        to_date=fixed,
        by_method=by_method,
        deep=wide_deep,
        class_per_fish=per_fish,
        normal=normal,
        missing=missing,
        assumed=_assumed(found, df),
    )


def area_rows(season: SeasonSurvey, *, level: float = 0.95) -> list[Row]:
    """Return the result rows of a season by area and of the season whole."""
    return [row for by in ("area", "season") for row in result_rows(season, by=(by,), level=level)]


def rows_by_area(rows: Iterable[Row]) -> dict[tuple[str | None, str], Row]:
    """Return season rows by area and quantity; area None for all areas."""
    return {(row["area"], row["quantity"]): row for row in rows if row["week"] is None}


def season_areas(snapshot: Snapshot, season: SeasonSurvey) -> tuple[str, ...]:
    """Return the areas that were sampled so far or are open on some day of the season."""
    mine = calendar(snapshot, season.design.season)["area"]
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
        power, spread = np.ones(len(areas)), np.zeros(len(areas))
        for place, area in enumerate(areas):
            own, base = (np.log1p(_cv2(rows.get((area, one)))) for one in (name, "angler_trips"))
            power[place] = np.sqrt(min(own / base, 1.0)) if base > 0 else 0.0
            spread[place] = max(own - base, 0.0)
        noise = rng.standard_normal(trips.shape) * np.sqrt(spread)
        found[name] = trips**power * np.exp(noise)
    return found


def _cv2(row: Row | None) -> float:
    if not row or not row.get("estimate") or row.get("se") is None:
        return 0.0
    return float((row["se"] / row["estimate"]) ** 2)


def _normals(snapshot: Snapshot, rng: np.random.Generator, n_draws: int) -> dict[str, Floats]:
    rates = [*snapshot["release_rates"].to_pylist(), *snapshot["drop_off"].to_pylist()]
    return {rate_key(row): rng.standard_normal(n_draws) for row in rates}


def _widened(
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


def _assumed(rows: Rows, df: float | None) -> tuple[tuple[str, str], ...]:
    """Return what the draws of the totals so far rest on, in words."""
    told = "" if df is None else f", Student's t with {df:,.0f} degrees of freedom"
    words = [
        "Drawn jointly over areas, fishing methods and kinds of fish: lognormal with the survey's "
        f"covariance{told}. Each total has the estimate of its row as its mean.",
        "Encounters by size and mark are shares of the fish told in interviews, drawn with the "
        "error that is left after theirs.",
        "A rate of death is drawn once and kills fish so far and fish to come alike.",
    ]
    lacking: dict[str, list[str]] = {}
    for (area, name), row in rows.items():
        if area is not None and row.get("estimate") and row.get("se") is None and name in TOTALS:
            lacking.setdefault(area, []).append(QUANTITIES[name].label.lower())
    words += [
        f"{area}: no error can be had of {', '.join(names)}; none is drawn."
        for area, names in sorted(lacking.items())
    ]
    words += _apart(rows)
    return tuple(("Totals so far", one) for one in words)


def _apart(rows: Rows) -> list[str]:
    """Return the totals whose areas do not add up to all areas, such as deaths by deep hooks.

    The draws of an area have its own row as their mean, for the limits on it; their sum is then
    not that of the row of all areas where this takes its shares from all areas together.
    """
    areas = sorted({area for area, _ in rows if area is not None})
    told = []
    for name in TOTALS:
        whole = rows.get((None, name), {}).get("estimate")
        parts = [rows[area, name].get("estimate") for area in areas if (area, name) in rows]
        known = [float(one) for one in parts if one is not None]
        if whole is None or len(known) < len(parts):
            continue
        if abs(sum(known) - whole) > _APART * abs(whole):
            label = QUANTITIES[name].label.lower()
            told.append(f"{label} {sum(known):,.1f} in the place of {whole:,.1f}")
    if not told:
        return []
    return [
        "Draws of all areas are the sum of the areas', each with the estimate of its own row. The "
        "row of all areas takes shares, such as that of fish hooked deep, from all areas together "
        f"and differs: {'; '.join(told)}."
    ]
