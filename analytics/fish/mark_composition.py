"""Encounters by size and mark, as interviews report them; releases as test fishing sampled them.

Marks are read on some fish and not on others. A part of the catch (kept, legal released, sublegal
released) is split by the marked share of its fish whose mark was read, so that a boat whose marks
nobody read is neither dropped nor taken as unmarked. Where no mark of a part was read, the part may
borrow its share from a wider domain (`analytics.fish.mark_composition`), never from another part.

Releases from test fishing are sums of their classes and fish kept, with deaths at mean rates.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np

from analytics.codes import coded, join_codes
from analytics.fish.mortality_rates import ANY, DROP_OFF, KEPT_FATE, RELEASED
from analytics.fish.release_mortality import KEPT_RATE, NO_RATE, OF_KEPT, deaths_at_rates
from analytics.propagation import apportion
from analytics.survey.reduction import UNKNOWN_SIZE, Analysis, Measure

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.fish.mortality_rates import MortalityRate
    from analytics.fish.release_mortality import DeathPlan, FishByRate

    class HasLimits(Protocol):
        """A rate, or a mean of rates, with an interval."""

        def limits(self, level: float) -> tuple[float | None, float | None]:
            """Return its low and high end; None where there is none."""


# Marked shares that domains borrow where a part of the catch had fish and no mark was read.

#: Places of a part's measures in the order of `analytics.fish.mark_composition.mark_measures`.
FISH, READ, CLIPPED = 0, 1, 2


@dataclass(frozen=True, slots=True, eq=False)
class DonorDomain:
    """Totals of K measures of marks over W wider domains, and which of them each of D lies in.

    - `total` (W, K), `cov` (W, K, K).
    - `place` (D,): the wider domain of each; -1 for none.
    - `words`: code of what the wider domain is called.
    - `part`: the one part that may borrow here; by default each part does from its own.
    - `of_part`: the part whose share it borrows, where that is another.
    """

    total: Floats
    cov: Floats
    place: Ints
    words: str
    part: int | None = None
    of_part: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class BorrowedShares:
    """Marked shares of P parts over D domains.

    - `share`, `variance` (D, P): NaN where a domain needs none, or none is to be had.
    - `source` (D, P): shares of one source are one number with one error; -1 where none is
      borrowed.
    - `words` (D, P): codes of what was borrowed from where; empty where nothing was.
    """

    share: Floats
    variance: Floats
    source: Ints
    words: tuple[tuple[str, ...], ...]

    def said(self, parts: Sequence[int]) -> tuple[str, ...]:
        """Return what each domain borrowed for some parts, as codes."""
        return tuple(join_codes(row[part] for part in parts) for row in self.words)


def borrow_shares(
    total: Floats, wider: Sequence[DonorDomain], *, parts: Sequence[str]
) -> BorrowedShares:
    """Return the shares that domains borrow from wider ones, the nearest first.

    The share is ``B/C``, marked fish over fish read, with the linearised variance
    ``(v_B + s² v_C - 2 s c_BC)/C²``.

    `total` (D, K): fish, fish read and marked fish of each of P parts, then any other measure;
    `parts`: what the fish of each part are called.
    """
    size = len(total)
    share = np.full((size, len(parts)), np.nan)
    variance, source = share.copy(), np.full(share.shape, -1)
    words = [[""] * len(parts) for _ in range(size)]
    unread = parts_unread(total, len(parts))
    for part, name in enumerate(parts):
        columns = 3 * part + np.array([FISH, READ, CLIPPED])
        open_places = np.flatnonzero(unread[:, part])
        first = 0
        for one in wider:
            if one.part not in (None, part):
                continue
            at = one.place[open_places]
            there = columns if one.of_part is None else columns + 3 * (one.of_part - part)
            has_share = (at >= 0) & (one.total[at, there[READ]] > 0)
            mine, at = open_places[has_share], at[has_share]
            found, variance_of_share = _share(one.total[:, there], one.cov[:, there][:, :, there])
            share[mine, part], variance[mine, part] = found[at], variance_of_share[at]
            source[mine, part] = first + at
            for place in mine:
                words[place][part] = coded("marked_share_from", part=name, donor=one.words)
            open_places = open_places[~has_share]
            first += len(one.total)
    return BorrowedShares(share, variance, source, tuple(map(tuple, words)))


def parts_unread(total: Floats, n_parts: int) -> Bools:
    """Return where a part had fish and no mark of one was read, shape (D, P)."""
    by_part = total[:, : 3 * n_parts].reshape(len(total), n_parts, 3)
    found: Bools = (by_part[:, :, FISH] > 0) & (by_part[:, :, READ] == 0)
    return found


def nothing_borrowed(size: int, parts: int) -> BorrowedShares:
    """Return the shares of domains that borrow none."""
    none = np.full((size, parts), np.nan)
    return BorrowedShares(none, none, np.full(none.shape, -1), (("",) * parts,) * size)


def _share(total: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Return B/C and its variance, NaN where nothing was read."""
    read = np.where(total[:, READ] > 0, total[:, READ], np.nan)
    share = total[:, CLIPPED] / read
    variance_of_share = (
        cov[:, CLIPPED, CLIPPED] + share**2 * cov[:, READ, READ] - 2 * share * cov[:, CLIPPED, READ]
    )
    return share, np.maximum(variance_of_share, 0) / read**2


#: Part of the catch: its column, and the column of its marked fish.
PARTS = {
    "kept": "kept_marked",
    "released_legal": "released_legal_marked",
    "released_sublegal": "released_sublegal_marked",
}
#: Place of releases of unknown size in the order of `mark_measures`.
UNKNOWN = 3 * len(PARTS)
#: Parts behind each class, and whether it is of the marked fish. Kept fish count as legal.
CLASSES: dict[str, tuple[tuple[str, ...], bool]] = {
    "encounter_legal_marked_fish": (("kept", "released_legal"), True),
    "encounter_legal_unmarked_fish": (("kept", "released_legal"), False),
    "encounter_sublegal_marked_fish": (("released_sublegal",), True),
    "encounter_sublegal_unmarked_fish": (("released_sublegal",), False),
}
MARKED_SHARE = "marked_prop"
MARK_QUANTITIES = (*CLASSES, MARKED_SHARE)


def mark_measures() -> dict[str, Measure]:
    """Return fish, fish whose mark was read, and marked fish of every part, by name.

    Releases of unknown size, which are in no class, come last.
    """
    measures = []
    for part, marked in PARTS.items():
        read = f"CASE WHEN {marked} IS NULL THEN 0 * {part} ELSE {part} END"
        clipped = f"coalesce({marked}, 0 * {part})"
        measures += [
            Measure(f"{part}_all", part),
            Measure(f"{part}_read", read, (marked,), part),
            # A part that was not recorded leaves its mark unsaid too.
            Measure(f"{part}_marked_read", clipped, (marked,), marked),
        ]
    measures.append(
        Measure("released_unknown_all", UNKNOWN_SIZE, ("released_unknown",), "released_unknown")
    )
    return {measure.name: measure for measure in measures}


def mark_analysis() -> Analysis:
    """Return the joint analysis of all measures of marks."""
    return Analysis(tuple(mark_measures()))


def marks_with_effort() -> Analysis:
    """Return the joint analysis of all measures of marks, then of trips and hours of anglers."""
    return Analysis((*mark_measures(), "angler_trips", "angler_hours"))


@dataclass(frozen=True, slots=True, eq=False)
class Marked:
    """One quantity of marks over D domains: `value` and `variance` (D,).

    - `unread` (length D): code of which parts no mark was read and none borrowed; empty where there
      is a value.
    - `gradient` (D, K): slope of the value in the totals, borrowed shares taken as known.
    """

    value: Floats
    variance: Floats
    unread: tuple[str, ...]
    gradient: Floats


def marked(
    quantity: str, total: Floats, cov: Floats, *, borrowed: BorrowedShares | None = None
) -> Marked:
    """Split encounters by mark: one of `MARK_QUANTITIES`.

    For part p with all fish A, fish read C and marked fish read B: ``M = Σ_p A_p B_p/C_p``, and
    ``Σ_p A_p (1 - B_p/C_p)`` for the unmarked; the share is M over ``Σ_p A_p``. The variance is
    linearised, ``g' V g`` with g the gradient at the totals. Where every mark is read, M is the
    plain total of B. A borrowed share s stands for B/C and adds ``A² v(s)``; its covariance with A
    is left out.

    `total` (D, K), `cov` (D, K, K): totals in the order of `mark_measures`. NaN for a share of no
    fish; without meaning where `unread` says why.
    """
    parts, of_marked = CLASSES.get(quantity, (tuple(PARTS), True))
    borrowed = borrowed or nothing_borrowed(len(total), len(PARTS))
    gradient = np.zeros_like(total)
    value, all_fish, extra = (np.zeros(len(total)) for _ in range(3))
    splits = {part: _split(part, total, borrowed) for part in parts}
    for one in splits.values():
        share, sign = (one.share, 1) if of_marked else (1 - one.share, -1)
        value += one.fish * share
        all_fish += one.fish
        extra += one.borrowed_variance
        gradient[:, one.columns[0]] = share
        gradient[:, one.columns[1]] = -sign * one.share * one.per_read
        gradient[:, one.columns[2]] = sign * one.per_read
    if quantity == MARKED_SHARE:
        below = np.where(all_fish > 0, all_fish, np.nan)
        value, extra = value / below, extra / below**2
        for one in splits.values():
            gradient[:, one.columns[0]] -= value
        gradient /= below[:, None]
    gradient, extra = np.nan_to_num(gradient), np.nan_to_num(extra)
    variance = np.einsum("dk,dkl,dl->d", gradient, cov, gradient) + extra
    return Marked(value, np.maximum(variance, 0), _unread(splits), gradient)


class _Split(NamedTuple):
    """How one part of the catch is split by mark in D domains."""

    columns: list[int]
    fish: Floats
    share: Floats
    per_read: Floats
    borrowed_variance: Floats
    is_known: Bools
    is_lacking: Bools


def _split(part: str, total: Floats, borrowed: BorrowedShares) -> _Split:
    names, row = list(mark_measures()), list(PARTS).index(part)
    columns = [names.index(part + ending) for ending in ("_all", "_read", "_marked_read")]
    fish, read, clipped = total[:, columns].T
    unread = (fish > 0) & (read == 0)
    is_borrowed = unread & ~np.isnan(borrowed.share[:, row])
    share, _, per_read = apportion(fish, read, clipped)[1].T
    return _Split(
        columns,
        fish,
        np.where(is_borrowed, borrowed.share[:, row], share),
        per_read,
        np.where(is_borrowed, fish**2 * borrowed.variance[:, row], 0.0),
        (read > 0) | is_borrowed,
        unread & ~is_borrowed,
    )


def _unread(splits: Mapping[str, _Split]) -> tuple[str, ...]:
    """Say of which parts of each domain no mark is known."""
    some_known = np.any([one.is_known for one in splits.values()], axis=0)
    words = [""] * len(some_known)
    for domain in np.flatnonzero(np.any([one.is_lacking for one in splits.values()], axis=0)):
        lacking = [part for part, one in splits.items() if one.is_lacking[domain]]
        among = coded("no_mark_read_among", parts=lacking)
        words[domain] = among if some_known[domain] else coded("no_mark_read")
    return tuple(words)


def deaths_at_ends(
    fish: Iterable[tuple[HasLimits, float]], level: float
) -> tuple[float, float] | tuple[None, None]:
    """Return deaths at the low and high ends of rates; None where a rate of some fish has none."""
    low = high = 0.0
    for rate, many in fish:
        if many > 0:
            ends = rate.limits(level)
            if ends[0] is None or ends[1] is None:
                return None, None
            low, high = low + many * ends[0], high + many * ends[1]
    return low, high


# The rate of a kind of fish whose methods and wounds are given by reports alone.


@dataclass(frozen=True, slots=True)
class MeanRate:
    """Rates in use, each with its share of the fish; shares add up to 1.

    `weighted`: code of what the shares are of; `missing`: why there is no rate, empty where there
    is.
    """

    parts: tuple[tuple[MortalityRate, float], ...]
    weighted: str = ""
    missing: str = ""

    def limits(self, level: float) -> tuple[float | None, float | None]:
        """Return the mean of the low and of the high ends; None where a rate has none."""
        return deaths_at_ends(self.parts, level)


def mean_rate(plan: DeathPlan, found: FishByRate, place: int, fate: str, size: str) -> MeanRate:
    """Return the mean of the rates in use of one kind of fish in a domain.

    Weighted by reported fish; where none was reported, the one rate if there is only one. `plan`:
    in detail; `place`: index of the domain; `size`: ``any`` for the base of drop-off.
    """
    if fate in plan.absent:
        return MeanRate((), missing=plan.absent[fate])
    groups = [
        at for at, one in enumerate(plan.groups) if one.fate == fate and one.size_class == size
    ]
    lacking = plan.missing_at(found, tuple(groups), place)
    if lacking:
        return MeanRate((), missing=lacking)
    fish: dict[MortalityRate, float] = {}
    for part, (group, rate) in enumerate(plan.parts):
        if group in groups and rate is not NO_RATE:
            fish[rate] = fish.get(rate, 0.0) + max(float(found.fish[place, part]), 0.0)
    all_fish = sum(fish.values())
    noun = "met_or_kept" if fate == DROP_OFF else f"{size}_releases"
    if not all_fish and len(fish) == 1:
        return MeanRate(tuple((rate, 1.0) for rate in fish), noun)
    if not all_fish:
        return MeanRate((), missing=coded("no_reported_for_rate", of=noun))
    return MeanRate(tuple((rate, many / all_fish) for rate, many in fish.items() if many), noun)


# Sums of the classes and of fish kept, with their joint error.

LEGAL, SUBLEGAL = "legal", "sublegal"
#: Places: the classes of `composition_sample.COLUMNS`, all of them together, then fish kept.
KEPT = 5
Columns = tuple[int, ...]
ALL_MET: Columns = (0, 0, 0, 0, 1, 0)
KEPT_FISH: Columns = (0, 0, 0, 0, 0, 1)
LEGAL_RELEASED: Columns = (1, 1, 0, 0, 0, -1)
SUBLEGAL_RELEASED: Columns = (0, 0, 1, 1, 0, 0)
NOTHING: Columns = (0, 0, 0, 0, 0, 0)
#: Rounding of a sum of classes, relative to all fish met.
ROUNDING = 1e-12


def joint_columns(
    value: Floats, cov: Floats, across: Floats, kept: Floats, kept_variance: Floats
) -> tuple[Floats, Floats]:
    """Return the five columns of classes and fish kept as six, with their covariance.

    `value` (D, 5), `cov` (D, 5, 5); `across` (D, 5): covariance with fish kept; `kept`,
    `kept_variance` (D,).
    """
    both = np.concatenate([value, kept[:, None]], axis=1)
    joint = np.empty((len(value), KEPT + 1, KEPT + 1))
    joint[:, :KEPT, :KEPT] = cov
    joint[:, KEPT, :KEPT] = joint[:, :KEPT, KEPT] = across
    joint[:, KEPT, KEPT] = kept_variance
    return both, joint


@dataclass(frozen=True, slots=True, eq=False)
class SampledReleases:
    """One domain: fish of the six columns, and what interviews and sample bring to their error.

    - `fish` (6,); `survey`, `sample` (6, 6).
    - `rates`: the mean rate of each fate and size.
    - `drop_off_bases`: codes of what the drop-off rates in use are of.
    """

    fish: Floats
    survey: Floats
    sample: Floats
    rates: dict[tuple[str, str], MeanRate]
    drop_off_bases: frozenset[str]

    @classmethod
    def of(
        cls,
        fish: Floats,
        survey: Floats,
        sample: Floats,
        *,
        plan: DeathPlan,
        by_rate: FishByRate,
        at: int,
    ) -> SampledReleases:
        """Return a domain with the mean rates of its reported fish, the row `at` of `by_rate`."""
        rates = {(KEPT_FATE, ANY): MeanRate(((KEPT_RATE, 1.0),))}
        for fate, size in ((RELEASED, LEGAL), (RELEASED, SUBLEGAL), (DROP_OFF, ANY)):
            rates[fate, size] = mean_rate(plan, by_rate, at, fate, size)
        bases = frozenset(group.base for group in plan.groups if group.fate == DROP_OFF)
        if len(bases) > 1 and not rates[DROP_OFF, ANY].missing:
            rates[DROP_OFF, ANY] = MeanRate((), missing=coded("two_drop_off_bases"))
        return cls(fish, survey, sample, rates, bases)

    @property
    def lacks_legal(self) -> bool:
        """Whether fewer legal fish were met than kept."""
        return self.many(LEGAL_RELEASED) < -ROUNDING * max(self.many(ALL_MET), 1.0)

    @property
    def kinds(self) -> dict[tuple[str, str], Columns]:
        """Fish of every fate and size as sums of the six columns."""
        return {
            (KEPT_FATE, ANY): KEPT_FISH,
            (RELEASED, LEGAL): NOTHING if self.lacks_legal else LEGAL_RELEASED,
            (RELEASED, SUBLEGAL): SUBLEGAL_RELEASED,
            (DROP_OFF, ANY): KEPT_FISH if self.drop_off_bases == {OF_KEPT} else ALL_MET,
        }

    def many(self, kind: Sequence[int] | Floats) -> float:
        """Return the fish of a kind."""
        return float(np.asarray(kind, dtype=np.float64) @ self.fish)

    def variance(self, kind: Floats) -> float:
        """Return the variance of the fish of a kind."""
        return float(kind @ (self.survey + self.sample) @ kind)

    def deaths(self, keys: Sequence[tuple[str, str]]) -> SampledDeaths:
        """Return the deaths of some fates and sizes; each needs a rate."""
        kinds = self.kinds
        by_rate: dict[MortalityRate, Floats] = {}
        for key in keys:
            kind = np.asarray(kinds[key], dtype=np.float64)
            for rate, weight in self.rates[key].parts:
                by_rate[rate] = by_rate.get(rate, np.zeros(KEPT + 1)) + weight * kind
        rates = list(by_rate)
        map_ = np.stack(list(by_rate.values())) if rates else np.zeros((0, KEPT + 1))
        fish, cov = map_ @ self.fish, map_ @ (self.survey + self.sample) @ map_.T
        (value,), (of_fish,), (variance,) = deaths_at_rates(fish[None], cov[None], rates)
        slope = np.array([rate.rate_prop for rate in rates]) @ map_
        parts = float(slope @ self.survey @ slope), float(slope @ self.sample @ slope)
        return SampledDeaths(float(value), float(of_fish), float(variance), *parts)


@dataclass(frozen=True, slots=True)
class SampledDeaths:
    """Deaths; the variance of the fish and with that of the rates; its parts by source."""

    value: float
    of_fish: float
    variance: float
    from_survey: float
    from_sample: float
