"""Test fishing: which fish stand for an area-week, and their classes per fish of the base."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np
import pyarrow.compute as pc

from analytics.codes import coded, join_codes
from analytics.fish.lengths import measured_fish, unplaced_test_fish
from analytics.weeks import week_number

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.snapshot import Snapshot
    from analytics.survey.design import Design


#: Size by mark, in the order of every array of classes.
SIZE_MARK = ("legal_marked", "legal_unmarked", "sublegal_marked", "sublegal_unmarked")
#: Measured fish under which samples are pooled (a choice of this program, no source).
ENOUGH_FISH = 20
#: Fish of the base class that a pool of weeks should hold by the area's share of them: the damped
#: ratio of a pool that expects μ of them is too low by the factor ``1 - exp(-μ)``, here 0.993.
ENOUGH_BASE = 5


class Rule(IntEnum):
    """How wide a pool is, from its own area-week to everything."""

    OWN = 0
    WEEKS = 1
    SEASON = 2
    NEAR_AREAS = 3
    ALL_AREAS = 4
    NONE = 5


@dataclass(frozen=True, slots=True, eq=False)
class CompositionSample:
    """Fish of test fishing, counted by area, week, size step and mark.

    Steps lie between the L minimum lengths of the season, so that a fish borrowed by an area with
    another minimum is sized by that area's own line.

    - `area`, `week` (G,): code of the area, and the week as weeks since an origin.
    - `n` (G, K): fish of each kind, K = 2 (L + 1): the largest step marked, unmarked, then the
      next. With one minimum length these are the classes of `SIZE_MARK`.
    - `distance` (A, A): between areas, km; NaN where a position is not known.
    - `line`: place of the minimum length of an area and week among all of them, from the shortest;
      no entry where there is none.
    - `left_out`: codes of fish that could not be used, and of how fish of one trip count.
    - `why_none`: code why there is no fish; empty where there is one.
    - `effect`: by what the likeness of fish of one trip multiplies their variance (`trip_effect`).
    """

    area: Ints
    week: Ints
    n: Floats
    distance: Floats
    line: Mapping[tuple[int, int], int]
    left_out: tuple[str, ...] = ()
    why_none: str = ""
    effect: float = 1.0

    def lines_of(self, area: Ints, week: Ints) -> Ints:
        """Return the place of the minimum length of area-weeks, -1 for none, shape (C,)."""
        pairs = zip(area.tolist(), week.tolist(), strict=True)
        return np.array([self.line.get(one, -1) for one in pairs], dtype=np.int64)

    def classes_of(self, line: Ints) -> Bools:
        """Return which kinds of fish make each class under some lines, shape (C, 4, K)."""
        n_kinds = self.n.shape[1]
        step, mark = np.divmod(np.arange(n_kinds), 2)
        is_legal = (n_kinds // 2 - 1 - step) > line[:, None]
        kind = np.where(is_legal, 0, 2) + mark
        found: Bools = (kind[:, None, :] == np.arange(4)[:, None]) & (line >= 0)[:, None, None]
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Pools:
    """Which sample cells stand for each of C area-weeks.

    - `member` (C, G). `rule` (C,): of `Rule`.
    - `words` (length C): codes of where the fish come from; empty where nothing was pooled.
    - `is_few` (C,): pooled for want of fish of the base, though enough fish were measured.
    - `line` (C,): place of the minimum length; -1 where there is none, and no fish serve.
    """

    member: Bools
    rule: Ints
    words: tuple[str, ...]
    is_few: Bools
    line: Ints


def pools_of(
    sample: CompositionSample, *, area: Ints, week: Ints, base: Bools, names: tuple[str, ...]
) -> Pools:
    """Pool the sample for each area-week until `ENOUGH_FISH` were measured, one of the base class.

    The area's adjacent weeks come first, as many before as after; then all weeks of the area; then
    all weeks of the nearest areas, one after the other; then everything. Where the area has no
    position all areas are taken together. Fewer fish in everything still serve, where one is of
    the base class. A pool of some weeks has to be large enough, too, that by the area's share of
    the base class over its whole season it should hold `ENOUGH_BASE` of them: to ask for those
    that it does hold would favour pools with many (order and numbers are choices of this program,
    no source).

    `area`, `week` (C,): coded as those of the sample; `base` (C, 4): classes that the interviews
    report; `names` (length A): of the areas.
    """
    line = sample.lines_of(area, week)
    by_line = {
        one: sample.n @ sample.classes_of(np.array([one]))[0].T.astype(np.float64)
        for one in np.unique(line).tolist()
    }
    member = np.zeros((len(area), len(sample.area)), dtype=bool)
    rule, is_few, words = np.full(len(area), int(Rule.NONE)), np.zeros(len(area), bool), []
    for c, one in enumerate(line.tolist()):
        place = _Place(sample, by_line[one], int(area[c]), int(week[c]), base[c])
        member[c], rule[c], said = place.pool(names)
        own = (sample.area == area[c]) & (sample.week == week[c])
        has_many = by_line[one][own].sum() >= ENOUGH_FISH
        is_few[c] = rule[c] not in (Rule.OWN, Rule.NONE) and has_many
        words.append(said)
    return Pools(member, rule, tuple(words), is_few, line)


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """One area-week, and all sampled fish by its minimum length, shape (G, 4)."""

    sample: CompositionSample
    n: Floats
    area: int
    week: int
    base: Bools

    def enough(self, rows: Bools, expected: float = 0.0) -> bool:
        """Return whether some cells hold enough fish to stand for the area-week."""
        of_season = self.n[self.sample.area == self.area].sum(axis=0)
        share = of_season[self.base].sum() / max(of_season.sum(), 1.0)
        n = self.n[rows].sum(axis=0)
        many = n.sum() >= ENOUGH_FISH and n.sum() * share >= expected
        return bool(many and n[self.base].sum() > 0)

    def pool(self, names: tuple[str, ...]) -> tuple[Bools, Rule, str]:
        """Return the cells that stand for the area-week, the rule, and its code."""
        sample, own = self.sample, self.sample.area == self.area
        away = np.abs(sample.week - self.week)
        furthest = int(away[own].max(initial=0))
        for span in range(furthest + 1):
            rows = own & (away <= span)
            if self.enough(rows, ENOUGH_BASE if span < furthest else 0.0):
                return rows, *_weeks(span, furthest)
        rows, added = own, list[str]()
        for other in _nearest(sample, self.area):
            rows, added = rows | (sample.area == other), [*added, names[other]]
            if self.enough(rows):
                return rows, Rule.NEAR_AREAS, coded("test_fish_nearest", areas=added)
        everything = np.ones_like(own)
        if not self.n[:, self.base].sum() > 0:
            return np.zeros_like(own), Rule.NONE, ""
        if (own == everything).all():
            return own, Rule.SEASON, coded("test_fish_season")
        return everything, Rule.ALL_AREAS, coded("test_fish_all")


def _weeks(span: int, furthest: int) -> tuple[Rule, str]:
    if span == 0:
        return Rule.OWN, ""
    if span == furthest:
        return Rule.SEASON, coded("test_fish_season")
    return Rule.WEEKS, coded("test_fish_weeks", n=span)


def _nearest(sample: CompositionSample, area: int) -> list[int]:
    """Return the other areas with fish and a known distance, the nearest first."""
    away = sample.distance[area]
    others = [int(one) for one in np.unique(sample.area) if one != area]
    return sorted((one for one in others if not np.isnan(away[one])), key=lambda one: away[one])


# Count the fish of test fishing by area, week and class, and say how far areas lie apart.

_EARTH_KM = 6371.0
#: Why there is no sample where nobody test fished; no row needs to say it.
NO_TEST_FISHING = coded("no_test_fishing")


def composition_sample(snapshot: Snapshot, design: Design) -> CompositionSample:
    """Return the test fishing of a season through its last week, by the area codes of a design.

    Fish without length, mark, area or day, and of days outside the openings, are left out and
    counted.
    """
    distance = area_distances(snapshot, design.areas)
    if "test_fishing" not in snapshot["fish"]["source"].to_pylist():
        return _nothing(distance, NO_TEST_FISHING)
    period = {"season": design.season, "through": design.through}
    unplaced = tuple(
        coded(name, n=n) for name, n in unplaced_test_fish(snapshot, **period).items() if n
    )
    fish = measured_fish(snapshot, **period)
    fish = fish.filter(pc.equal(fish["source"], "test_fishing")).to_pandas()
    fish = fish[fish["area"].isin(design.areas)]
    known = fish[fish["total_mm"].notna() & fish["marked"].notna()]
    n_unknown = len(fish) - len(known)
    unknown = [coded("unknown_left_out", n=n_unknown)] if n_unknown else []
    left_out = (*unknown, *unplaced)
    lengths, line = minimum_lengths(snapshot, design)
    if not len(known) or not len(lengths):
        return _nothing(distance, _why_none(fish, unplaced, lengths, design.through), left_out)
    codes = {name: code for code, name in enumerate(design.areas)}
    area = known["area"].map(codes).to_numpy(np.int64)
    week = known["week"].map(week_number).to_numpy(np.int64)
    step = np.searchsorted(lengths, known["total_mm"].to_numpy(np.float64), side="right")
    cells, place = np.unique(np.stack([area, week]), axis=1, return_inverse=True)
    n = np.zeros((cells.shape[1], 2 * (len(lengths) + 1)))
    kind = 2 * (len(lengths) - step) + ~known["marked"].to_numpy(bool)
    np.add.at(n, (place.ravel(), kind), 1.0)
    effect, words = _of_trips(known["test_trip_id"].to_numpy(object), area, kind)
    said = (*left_out, *words)
    return CompositionSample(cells[0], cells[1], n, distance, line, said, effect=effect)


def _of_trips(trip: NDArray[np.object_], area: Ints, kind: Ints) -> tuple[float, tuple[str, ...]]:
    """Return the design effect of the trips that fish name, and codes; fish without one count 1."""
    named = np.array([isinstance(one, str) for one in trip], dtype=bool)
    if not named.any():
        return 1.0, ()
    code = np.arange(len(trip))
    code[named] = len(trip) + np.unique(trip[named].astype(str), return_inverse=True)[1]
    pairs, place = np.unique(np.stack([area, code]), axis=1, return_inverse=True)
    n = np.zeros((pairs.shape[1], int(kind.max()) + 1))
    np.add.at(n, (place.ravel(), kind), 1.0)
    effect = trip_effect(n, pairs[0])
    n_trips = len(np.unique(code[named]))
    if math.isnan(effect):
        return 1.0, (coded("test_trips_few", trips=n_trips),)
    effect = max(effect, 1.0)
    return effect, (coded("test_trips_alike", effect=f"{effect:.2f}", trips=n_trips),)


def trip_effect(n: Floats, area: Ints) -> float:
    """Return the design effect of the shares of K kinds over T trips within areas.

    ``d = Σ_a T/(T-1) Σ_t Σ_k (n_tk - p_ak m_t)² / Σ_a m_a Σ_k p_ak (1 - p_ak)`` with the shares
    p_ak of the m_a fish of an area: the variance of a ratio over clusters over that of single fish,
    summed over kinds (Kish 1965, Survey sampling; Rao & Scott 1992, A simple method for the
    analysis of clustered binary data, Biometrics 48; both from memory). Weeks of an area that
    differ count as trips that differ, which makes it larger (our choice, no source). NaN where no
    area has two trips and two kinds.

    `n` (T, K): fish of each trip; `area` (T,): its area.
    """
    seen = alone = 0.0
    for one in np.unique(area):
        mine = n[area == one]
        size, many = mine.sum(axis=1), len(mine)
        if many < 2:
            continue
        share = mine.sum(axis=0) / size.sum()
        seen += many / (many - 1) * float(((mine - size[:, None] * share) ** 2).sum())
        alone += float(size.sum() * (share * (1 - share)).sum())
    return seen / alone if alone > 0 else math.nan


def minimum_lengths(
    snapshot: Snapshot, design: Design
) -> tuple[Floats, dict[tuple[int, int], int]]:
    """Return the minimum lengths of a season, mm, and which of them holds in each area and week.

    Where openings of one week differ, the one of most days holds for the week, of as many the
    longest. `lengths` (L,): sorted; `line`: place among them by area code and week number.
    """
    codes = {name: code for code, name in enumerate(design.areas)}
    days: dict[tuple[int, int], Counter[float]] = {}
    for opening in snapshot["seasons"].to_pylist():
        minimum = opening["min_length_mm"]
        if opening["season"] != design.season or minimum is None or opening["area"] not in codes:
            continue
        first, last = opening["open_date"].toordinal(), opening["close_date"].toordinal()
        for week in range((first - 1) // 7, (last - 1) // 7 + 1):
            many = min(last, 7 * week + 7) - max(first, 7 * week + 1) + 1
            days.setdefault((codes[opening["area"]], week), Counter())[float(minimum)] += many
    held = {key: max(counts, key=lambda one: (counts[one], one)) for key, counts in days.items()}
    lengths = np.unique(np.array(list(held.values()), dtype=np.float64))
    places = {float(length): place for place, length in enumerate(lengths)}
    return lengths, {key: places[length] for key, length in held.items()}


def area_distances(snapshot: Snapshot, areas: tuple[str, ...]) -> Floats:
    """Return distances, km, between the mean positions of the sites of areas, shape (A, A).

    NaN where no site of an area has a position. Great-circle distance by the haversine formula.
    """
    sites = snapshot["sites"].to_pandas().dropna(subset=["longitude", "latitude"])
    means = sites.groupby("area")[["longitude", "latitude"]].mean().reindex(list(areas))
    longitude, latitude = np.radians(means.to_numpy(np.float64)).T
    half_lat = np.sin((latitude[:, None] - latitude) / 2) ** 2
    half_lon = np.sin((longitude[:, None] - longitude) / 2) ** 2
    part = half_lat + np.cos(latitude[:, None]) * np.cos(latitude) * half_lon
    distance: Floats = 2 * _EARTH_KM * np.arcsin(np.sqrt(np.clip(part, 0.0, 1.0)))
    return distance


def _why_none(fish: pd.DataFrame, unplaced: tuple[str, ...], lengths: Floats, through: str) -> str:
    if not len(fish):
        return join_codes([coded("no_test_fishing_on_open_day", through=through), *unplaced])
    if not len(lengths):
        return coded("no_minimum_length", n=len(fish))
    if fish["marked"].isna().all():
        return coded("no_mark_on_test_fish", n=len(fish))
    return coded("no_length_and_mark", n=len(fish))


def _nothing(distance: Floats, why: str, left_out: tuple[str, ...] = ()) -> CompositionSample:
    none = np.zeros(0, dtype=np.int64)
    return CompositionSample(none, none, np.zeros((0, 4)), distance, {}, left_out, why)


# Encounters of each class per fish of the base that interviews report, from a sample.

#: The classes, then all of them together.
COLUMNS = (*SIZE_MARK, "all")
#: Fish of the base class in the pool under which the damped form is used: above, the bias of the
#: plain one is under 5 % (a choice of this program, no source).
DAMPED_UNDER = 20


@dataclass(frozen=True, slots=True, eq=False)
class ClassRatios:
    """Ratios of C area-weeks over G sample cells that they may share.

    - `value` (C, 5): encounters of each of `COLUMNS` per encounter of the base; 0 where there is no
      ratio.
    - `slope` (C, 5, K): slope of the ratios in the pooled number of each kind of fish; of a damped
      one scaled so that the variance of a pool alone is unbiased.
    - `is_damped`, `is_served` (C,): the damped form was used; the pool holds a fish of the base.
    - `n` (G, K): sampled fish of each kind. `member` (C, G): pools.
    - `base` (C, 4): classes in the base.
    - `of_class` (C, 4, K): which kinds make each class by the minimum length of each area-week.
    - `effect`: by what the likeness of fish of one trip multiplies the variance.
    """

    value: Floats
    slope: Floats
    is_damped: Bools
    is_served: Bools
    n: Floats
    member: Bools
    base: Bools
    of_class: Bools
    effect: float = 1.0

    def covariance(self, weight: Floats) -> Floats:
        """Return what the sample adds to the covariance of weighted sums of ratios, (D, 5, 5).

        With the sampled fish independent Poisson counts, times the design effect of their trips,
        ``Σ_g Σ_k n_gk (Σ_c w_c h_cjk)(Σ_c w_c h_cik)`` over the area-weeks c whose pool holds
        the sample cell g, h their slopes. For one pool and one class this is
        ``E² (1/n_j + 1/n_LM)``, and ``E² (1 - p)/(n p)`` for all classes (Conrad & McHugh 2008);
        for the damped form ``N² n_j (n_j + n_LM + 1)/((n_LM + 1)² (n_LM + 2))``.

        `weight` (D, C): encounters of the base in each area-week of each domain.
        """
        n_columns, n_kinds = self.slope.shape[1:]
        found = np.zeros((len(weight), n_columns, n_columns))
        member = self.member.astype(np.float64)
        for k in range(n_kinds):
            slopes = self.slope[:, :, k]
            parts = np.stack([(weight * slopes[:, j]) @ member for j in range(n_columns)], axis=2)
            found += np.einsum("dgj,g,dgi->dji", parts, self.n[:, k], parts, optimize=True)
        return self.effect * found

    def joint_covariance(self, weight: Floats) -> Floats:
        """Return the same between all D sums, which may share sample cells, (D, 5, D, 5)."""
        (size, _), (n_columns, n_kinds) = weight.shape, self.slope.shape[1:]
        member = self.member.astype(np.float64)
        found = np.zeros((size * n_columns, size * n_columns))
        for kind in range(n_kinds):
            slopes = weight[:, None, :] * self.slope[:, :, kind].T
            parts = slopes.reshape(size * n_columns, -1) @ member
            found += (parts * self.n[:, kind]) @ parts.T
        return self.effect * found.reshape(size, n_columns, size, n_columns)


def class_ratios(
    n: Floats, member: Bools, base: Bools, of_class: Bools, *, effect: float = 1.0
) -> ClassRatios:
    """Return the ratios of every class to the base.

    Where the base is legal marked fish, ``r_j = n_j/n_LM``; damped, for a pool with fewer than
    `DAMPED_UNDER` fish of the base, ``r_j = n_j/(n_LM + 1)``, so that all classes together are
    ``(n + 1)/(n_LM + 1)`` (Conrad & McHugh 2008, Assessment of two methods for estimating total
    Chinook salmon encounters in Puget Sound/Strait of Juan de Fuca mark-selective Chinook
    fisheries; formulas derived). Classes within the base are its shares and add up to 1.

    `n` (G, K), `member` (C, G), `base` (C, 4), `of_class` (C, 4, K), `effect`: as in `ClassRatios`.
    """
    pooled = np.einsum("cg,gk,cjk->cj", member, n, of_class, optimize=True)
    below = np.einsum("ck,ck->c", pooled, base)
    is_served, is_damped = below > 0, below < DAMPED_UNDER
    divisor = below[:, None] + np.where(is_damped[:, None] & ~base, 1.0, 0.0)
    divisor = np.where(is_served[:, None], divisor, np.inf)
    value = pooled / divisor
    own, by_base = _unbiased(below, is_damped)
    stretch = np.where(base, 1.0, own[:, None])[:, :, None] * np.eye(len(SIZE_MARK))
    pull = np.where(base, 1.0, by_base[:, None]) * value
    by_class = (stretch - pull[:, :, None] * base[:, None, :]) / divisor[:, :, None]
    slope = np.einsum("cji,cik->cjk", by_class, of_class)
    return ClassRatios(
        value=np.concatenate([value, value.sum(axis=1, keepdims=True)], axis=1),
        slope=np.concatenate([slope, slope.sum(axis=1, keepdims=True)], axis=1),
        is_damped=is_damped & is_served,
        is_served=is_served,
        n=n,
        member=member,
        base=base,
        of_class=of_class,
        effect=effect,
    )


def _unbiased(below: Floats, is_damped: Bools) -> tuple[Floats, Floats]:
    r"""Return by how much a damped ratio's slopes in its class and in the base are scaled.

    For Poisson counts A and B, ``A (A - 1)/((B + 1)(B + 2))`` estimates the square of what
    ``r = A/(B + 1)`` does, but for terms in ``exp(-E B)``, so
    ``v(r) = r² - A (A - 1)/((B + 1)(B + 2)) = [A (B + 1)/(B + 2) + r² (B + 1)²/(B + 2)]/(B + 1)²``
    (own derivation, after the estimators of capture and recapture in Chapman 1951, from memory).
    Linearised, the brackets hold A and r² B: too little where B is small.
    """
    own = np.sqrt((below + 1) / (below + 2))
    by_base = (below + 1) / np.sqrt(np.where(below > 0, below * (below + 2), 1.0))
    return np.where(is_damped, own, 1.0), np.where(is_damped, by_base, 1.0)
