"""Parts of a season's catch so far by area and method, and shares of fish: errors and draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.data import query
from analytics.estimates.season_survey import borrowed_marks
from analytics.estimates.size_mark_classes import sample_of
from analytics.fish.mark_composition import mark_analysis, mark_measures, marked
from analytics.intervals import design_effect, has_spread
from analytics.options.baseline import PARTS, beta_draws
from analytics.outlook.limit_totals import CLASS_NAMES
from analytics.propagation import log_covariance, normal_draws, scaled_exp
from analytics.survey.domain_totals import combined_ratio, joint_area_totals
from analytics.survey.domains import Domains
from analytics.survey.reduction import UNKNOWN_SIZE, Analysis, Measure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.arrays import Floats
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.survey.design import Design

    Rows = Mapping[tuple[str | None, str], dict[str, Any]]


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
    """Season totals of the parts of the catch over A areas and M fishing methods ("" if unknown).

    - `total` (A, M, 5) as `PARTS`; `cov` (A, M, 5, A, M, 5): survey covariance, across areas too.
    - `known`, `deep` (A, M): releases of boats that reported how many were hooked deep, and those.
    - `deep_cov` (A, M, 2, 2): covariance of `deep` and `known`, in this order.
    """

    areas: tuple[str, ...]
    methods: tuple[str, ...]
    total: Floats
    cov: Floats
    known: Floats
    deep: Floats
    deep_cov: Floats

    @property
    def by_area(self) -> Floats:
        """Covariance of the parts over all methods, shape (A, 5, A, 5)."""
        found: Floats = self.cov.sum(axis=(1, 4))
        return found


def joint_parts(season: SeasonSurvey) -> JointParts:
    """Total anglers, kept and released fish by area and method with their joint covariance."""
    design = season.design
    methods = _methods(season.snapshot, design)
    measures = _measures(season, methods)
    analysis = Analysis(tuple(measures))
    moments = season.reduced(measures, [analysis]).moments(analysis)
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
        known=of_wounds[..., 1],
        deep=of_wounds[..., 0],
        deep_cov=np.stack([own[:, one, :, one, :] for one in range(m)], axis=1),
    )


def _methods(snapshot: Snapshot, design: Design) -> list[str | None]:
    days = pa.table({"sample_id": pa.array(design.site_days.sample_id, pa.string())})
    found = query.run(_METHODS, {"interviews": snapshot.source("interviews"), "days": days})
    return found["method"].to_pylist() or [None]


def _measures(season: SeasonSurvey, methods: list[str | None]) -> dict[str, Measure]:
    """Return every part by method, then fish hooked deep and releases of boats counting them."""
    estimator = season.design_estimator
    has = [estimator.has_responses(season.analyses[one]) for one in PART_QUANTITIES]
    columns = [text if one else "0" for text, one in zip(_COLUMNS, has, strict=True)]
    if season.deaths.unsized:
        columns[2:] = ["0", "0", "released_unknown"]
    released = " + ".join(columns[2:]) if season.deaths.unsized else _RELEASED
    has_releases = season.deaths.unsized or (has[2] and has[3])
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
        for names, texts in ((PARTS, columns), (("deep", "known"), wounds))
        for place, method in enumerate(methods)
        for name, text in zip(names, texts, strict=True)
    ]
    return {one.name: one for one in made}


def _of_method(text: str, method: str | None) -> str:
    test = "method IS NULL" if method is None else f"method = {query.text(method)}"
    # `ELSE 0 * number` keeps a number that was not recorded a null.
    return f"CASE WHEN {test} THEN {text} ELSE 0 * ({text}) END"


# Draws of the parts of the catch so far, and of the share hooked deep.

_UNKNOWN = PART_QUANTITIES.index("released_unknown_fish")


def part_draws(joint: JointParts, rows: Rows, *, rng: np.random.Generator, tail: Floats) -> Floats:
    """Return the draws of every part by area and method, shape (D, A, M, 5).

    `tail` (D, A): what makes normal numbers of each area Student's t.
    """
    shape = joint.total.shape
    has_error = np.array(
        [
            [rows.get((area, name), {}).get("se") is not None for name in PART_QUANTITIES]
            for area in joint.areas
        ]
    )
    kept = np.broadcast_to(has_error[:, None, :], shape).ravel()
    mean, cov = joint.total.ravel(), joint.cov.reshape(joint.total.size, -1)
    log_cov = log_covariance(mean, np.where(np.outer(kept, kept), cov, 0.0))
    deviate = normal_draws(log_cov, rng=rng, n_draws=len(tail)).reshape(-1, *shape)
    drawn = scaled_exp(deviate * tail[:, :, None, None], joint.total)
    return drawn * _factors(joint, rows)


def _factors(joint: JointParts, rows: Rows) -> Floats:
    """Return what brings each area's parts to the estimates of its rows, shape (A, 1, 5).

    Boats that reported one number and not another are in its row and not in the joint analysis.
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
    """Return the draws of the share hooked deep, shape (D, A, M); NaN where nobody reported it."""
    found = np.full((n_draws, *joint.known.shape), np.nan)
    pairs = np.stack([joint.deep, joint.known], axis=-1)
    for area, method in np.argwhere(joint.known > 0):
        share, variance = combined_ratio(
            pairs[area, method][None], joint.deep_cov[area, method][None]
        )
        se = float(np.sqrt(max(variance[0], 0.0))) if np.isfinite(variance[0]) else 0.0
        normal = rng.standard_normal(n_draws)
        found[:, area, method] = beta_draws(float(share[0]), se, normal.astype(np.float32))
    return found


# Draws of the marked share of legal fish, from all fish whose mark is known.

_READ = np.isin(list(mark_measures()), ["kept_read", "released_legal_read"]).astype(np.float64)


#: Most by which a variance grows for fish beyond the days of the season (our choice, no source).
_MOST_BEYOND = 10.0


def marked_draws(season: SeasonSurvey, rng: np.random.Generator, n_draws: int) -> Floats:
    """Return the draws of the marked share of legal fish by area, shape (D, A).

    Interviews and test fishing are pooled by effective counts of fish, ``n = fish read / design
    effect`` (Kish 1965, Survey sampling; from memory), and the share is beta by ``x + 1/2`` of n
    (Jeffreys). One design effect serves all areas of a source, so that no weight depends on the
    share seen: an inverse variance would give more to the source that lies nearer 0 or 1. That of
    interviews is known from few site-days: each draw has n times chi-square over its degrees of
    freedom. Areas without such fish take those of all areas, and NaN where there are none.
    """
    interviewed, df = _marks_interviewed(season)
    known = rng.chisquare(df, size=n_draws) / df if np.isfinite(df) else np.ones(n_draws)
    n = known[:, None, None] * interviewed + _marks_test_fished(season)
    n = np.where(n.sum(axis=2, keepdims=True) > 0, n, n.sum(axis=1, keepdims=True))
    if not n.any():
        return np.full(n.shape[:2], np.nan)
    found: Floats = rng.beta(n[..., 0] + 0.5, n[..., 1] + 0.5)
    return found


def _marks_interviewed(season: SeasonSurvey) -> tuple[Floats, float]:
    """Return effective counts of legal fish in interviews, marked and unmarked, shape (A, 2).

    The share serves fish to come: the variance is without its finite population correction, v over
    ``1 - n/N``. Second, the degrees of freedom of the design effect, ``(Σ T)²/Σ (T²/df)`` over
    areas with T fish (Satterthwaite); infinite where it is none.
    """
    design, estimator = season.design, season.design_estimator
    domains = Domains(by_area=True, by_week=False, n_weeks=len(design.weeks))
    totals = estimator.totals(mark_analysis(), domains)
    borrowed = borrowed_marks(season, estimator, domains, totals)
    marked_fish, rest = (
        marked(one, totals.total, totals.cov, borrowed=borrowed) for one in CLASS_NAMES[:2]
    )
    fish, support = totals.total @ _READ, totals.support
    legal = np.where(fish > 0, marked_fish.value + rest.value, np.inf)
    is_known = np.array([not why for why in marked_fish.unread]) & np.isfinite(legal)
    share = marked_fish.value / legal
    slope = (1 - share)[:, None] * marked_fish.gradient - share[:, None] * rest.gradient
    variance = np.einsum("dk,dkl,dl->d", slope, totals.cov, slope) / legal**2
    left = 1 - support.n_psu / np.maximum(support.n_psu_frame, 1)
    variance = variance / np.maximum(left, 1 / _MOST_BEYOND)
    fish = np.where(is_known, fish, 0.0)
    effect = design_effect(share, variance, fish)
    use = has_spread(share, variance, fish)
    by_df = (fish[use] ** 2 / np.maximum(support.df[use], 1)).sum()
    df = float(fish[use].sum() ** 2 / by_df) if use.any() else np.inf
    if np.isnan(effect):  # all alike, or without an error: a site-day counts as one fish
        effect = fish.sum() / max(float(support.n_psu[fish > 0].sum()), 1.0)
    found = np.zeros((len(design.areas), 2))
    area = domains.areas_of(totals.code)
    found[area] = np.stack([share, 1 - share], axis=1) * (fish / max(effect, 1.0))[:, None]
    return found, df


def _marks_test_fished(season: SeasonSurvey) -> Floats:
    """Return effective counts of legal fish met in test fishing, shape (A, 2)."""
    sample = sample_of(season)
    found = np.zeros((len(season.design.areas), 2))
    if sample.why_none:
        return found
    classes = sample.classes_of(sample.lines_of(sample.area, sample.week))
    fish = np.einsum("gk,gjk->gj", sample.n, classes[:, :2])
    np.add.at(found, sample.area, fish / sample.effect)
    return found
