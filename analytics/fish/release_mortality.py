"""Deaths of released and dropped-off fish: reported counts times rates, each with its error.

Releases as anglers report them, by size class, fishing method and, where the rates ask for it, by
whether the hook held deep, at the rates the user gives. There is no default rate; where a rate is
missing the rows say so.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.codes import coded, join_codes
from analytics.data import query
from analytics.fish.mortality_rates import (
    ANY,
    DROP_OFF,
    KEPT_FATE,
    RELEASED,
    SIZES,
    ApplicableRates,
    MortalityRate,
    ReleaseRates,
    drop_off_rate,
    fish_item,
)
from analytics.propagation import apportion, weighted_sum
from analytics.survey.reduction import UNKNOWN_SIZE, Analysis, Measure

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.arrays import Bools, Floats
    from analytics.data.query import Source
    from analytics.fish.mortality_rates import PublishedRate


@dataclass(frozen=True, slots=True, eq=False)
class FishByRate:
    """Fish to which each rate applies, over D domains, the G groups of a plan and their P parts.

    - `fish` (D, P), `cov` (D, P, P).
    - `total` (D, K): the totals of the measures that they follow from.
    - `wound_unknown` (D, G): a group has fish and nobody reported their wounds though the rates ask
      for them.
    - `lacking` (D, G): a group has fish and no rate applies to them.
    """

    fish: Floats
    cov: Floats
    total: Floats
    wound_unknown: Bools
    lacking: Bools


def fish_of_group(
    group: Group, total: Floats, order: list[str]
) -> tuple[list[Floats], list[Floats], Bools]:
    """Return the fish of a group by rate with their gradients, and where they could be split.

    `total` (D, K): totals of the measures named in `order`. `fish` (D,) and `gradients` (D, K): one
    for each of the group's rates; `is_known` (D,).
    """
    size = len(order)
    place = order.index(group.measure.name)
    all_fish, one = total[:, place], np.zeros((len(total), size))
    one[:, place] = 1
    choice = group.choice
    if group.reported is None or group.deep is None:
        is_known = np.full(len(total), choice.any_wound is not None)
        return [all_fish], [one], is_known
    columns = [place, order.index(group.reported.name), order.index(group.deep.name)]
    deep, gradient, is_known = apportion(*total[:, columns].T)
    slope = np.zeros_like(one)
    slope[:, columns] = gradient
    wound_unknown = ~is_known
    # Where nobody reported it and no rate is of any wound, a reason stands in place of the value.
    rest = np.zeros_like(all_fish) if choice.any_wound else np.where(wound_unknown, all_fish, 0.0)
    fish = [np.where(wound_unknown, rest, all_fish - deep), deep]
    slopes = [np.where(wound_unknown[:, None], 0.0, one - slope), slope]
    if choice.any_wound:
        fish.append(np.where(wound_unknown, all_fish, 0.0))
        slopes.append(np.where(wound_unknown[:, None], one, 0.0))
    return fish, slopes, is_known


#: Fates whose deaths add up to each quantity.
FATES: dict[str, tuple[str, ...]] = {
    "release_deaths_fish": (RELEASED,),
    "drop_off_deaths_fish": (DROP_OFF,),
    "total_deaths_fish": (KEPT_FATE, RELEASED, DROP_OFF),
}
#: In the place of a rate that was not given: no death follows from it, and a reason is given.
NO_RATE = MortalityRate("", "", "", "", 0.0, 0.0, "")
#: Fish kept are dead for sure.
KEPT_RATE = MortalityRate(KEPT_FATE, ANY, ANY, ANY, 1.0, 0.0, "")


@dataclass(frozen=True, slots=True)
class Group:
    """Fish of one fate that the same rates apply to.

    - `sizes`, `methods`: theirs; a method that is not known is None; no method is all together.
    - `measure`: their number.
    - `base`: of fish that drop off, the code of what the rate is of; empty otherwise.
    - `reported`, `deep`: releases of the boats that reported how many were hooked deep, and those
      hooked deep; of all sizes. None where the fish are not split.
    """

    fate: str
    sizes: tuple[str, ...]
    methods: tuple[str | None, ...]
    choice: ApplicableRates
    measure: Measure
    base: str = ""
    reported: Measure | None = None
    deep: Measure | None = None

    @property
    def size_class(self) -> str:
        """Its one size class, else ``any``."""
        return self.sizes[0] if len(self.sizes) == 1 else ANY

    @property
    def rates(self) -> tuple[MortalityRate, ...]:
        """The rates that some of its fish may take: shallow, deep, any wound; else `NO_RATE`."""
        return self.choice.given or (NO_RATE,)

    @property
    def words(self) -> str:
        """The fish as an argument of a code."""
        return fish_item(self.fate, self.size_class, self.methods)


@dataclass(frozen=True, slots=True)
class DeathPlan:
    """How deaths follow from interviews.

    - `groups`: kept fish, releases by rate, the base of drop-off by rate, and fish without a rate.
    - `absent`: code of each fate without any rate in the tables.
    - `assumed`: codes of assumptions by fate.
    - `unsized`: the size of released fish was recorded in no interview.
    - `parts`: place of a group and one of its rates, for each part of the fish.
    """

    groups: tuple[Group, ...]
    absent: Mapping[str, str]
    assumed: Mapping[str, tuple[str, ...]]
    unsized: bool = False
    parts: tuple[tuple[int, MortalityRate], ...] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        pairs = [(place, one) for place, group in enumerate(self.groups) for one in group.rates]
        object.__setattr__(self, "parts", tuple(pairs))

    def renamed(self, prefix: str) -> DeathPlan:
        """Return the same plan with measures of other names, to be summed beside it."""

        def other(one: Measure) -> Measure:
            return replace(one, name=f"{prefix}_{one.name}")

        groups = tuple(
            replace(
                group,
                measure=other(group.measure),
                reported=group.reported and other(group.reported),
                deep=group.deep and other(group.deep),
            )
            for group in self.groups
        )
        return replace(self, groups=groups)

    @property
    def measures(self) -> dict[str, Measure]:
        """Every measure by name, in the order of the analysis."""
        measures = [
            one for group in self.groups for one in (group.measure, group.reported, group.deep)
        ]
        return {one.name: one for one in measures if one is not None}

    @property
    def analysis(self) -> Analysis:
        """The joint analysis of all measures."""
        return Analysis(tuple(self.measures))

    def fish(self, total: Floats, cov: Floats) -> FishByRate:
        """Return the fish to which each rate applies.

        A group with a pair of rates by wound is split by the deep share that boats of its fishing
        method reported: ``A D/R`` deep and ``A - A D/R`` shallow. In a domain where nobody did, all
        take the rate of any wound. `total` (D, K), `cov` (D, K, K): in the order of `measures`.
        """
        order = list(self.measures)
        fish, slopes = [], []
        wound_unknown = np.zeros((len(total), len(self.groups)), dtype=bool)
        lacking = np.zeros_like(wound_unknown)
        for place, group in enumerate(self.groups):
            all_fish = total[:, order.index(group.measure.name)]
            found, gradient, is_known = fish_of_group(group, total, order)
            fish += found
            slopes += gradient
            wound_unknown[:, place] = ~is_known & (all_fish > 0)
            lacking[:, place] = wound_unknown[:, place] & (group.choice.any_wound is None)
        jacobian = np.stack(slopes, axis=1)
        variance = jacobian @ cov @ np.swapaxes(jacobian, 1, 2)
        return FishByRate(np.stack(fish, axis=1), variance, total, wound_unknown, lacking)

    def deaths(self, found: FishByRate, fates: tuple[str, ...]) -> tuple[Floats, Floats, Floats]:
        """Return deaths of some fates, as `deaths_at_rates`."""
        rates = [rate if self.groups[at].fate in fates else None for at, rate in self.parts]
        return deaths_at_rates(found.fish, found.cov, rates)

    def missing(self, found: FishByRate, fates: tuple[str, ...]) -> tuple[str, ...]:
        """Return why deaths of some fates cannot be had, domain by domain; empty where they can."""
        nothing = join_codes(self.absent[fate] for fate in fates if fate in self.absent)
        if nothing:
            return (nothing,) * len(found.fish)
        chosen = [place for place, group in enumerate(self.groups) if group.fate in fates]
        return self.missing_of(found, tuple(chosen))

    def missing_of(self, found: FishByRate, places: tuple[int, ...]) -> tuple[str, ...]:
        """Return which rates some groups lack, domain by domain; empty where they lack none."""
        return tuple(self.missing_at(found, places, domain) for domain in range(len(found.fish)))

    def missing_at(self, found: FishByRate, places: tuple[int, ...], domain: int) -> str:
        """Return which rates some groups lack in one domain; empty where they lack none."""
        lacking = [place for place in places if found.lacking[domain, place]]
        if not lacking:
            return ""
        is_released = any(self.groups[place].fate == RELEASED for place in lacking)
        sizes = self._unsized(found)[domain] if is_released else ""
        return join_codes([sizes, self._lacking(lacking)])

    def _unsized(self, found: FishByRate) -> tuple[str, ...]:
        """Return how many fish were released where no size was recorded, domain by domain."""
        released = [
            part
            for part, (group, _) in enumerate(self.parts)
            if self.groups[group].fate == RELEASED
        ]
        numbers = found.fish[:, released].sum(axis=1)
        return tuple(
            coded("no_sizes_recorded", n=f"{n:.0f}") if self.unsized and n > 0 else ""
            for n in numbers
        )

    def notes(self, found: FishByRate, fates: tuple[str, ...]) -> tuple[str, ...]:
        """Return what was assumed for the deaths of some fates, domain by domain."""
        general = list(dict.fromkeys(one for fate in fates for one in self.assumed.get(fate, ())))
        split_groups = [place for place, group in enumerate(self.groups) if group.reported]
        unsized = self._unsized(found) if RELEASED in fates else ("",) * len(found.fish)
        words = []
        for wound_unknown, no_sizes in zip(found.wound_unknown, unsized, strict=True):
            kinds = [self.groups[place].words for place in split_groups if wound_unknown[place]]
            own = coded("wounds_unknown", fish=kinds) if kinds and RELEASED in fates else ""
            words.append(join_codes([no_sizes, *general, own]))
        return tuple(words)

    def _lacking(self, places: list[int]) -> str:
        """Say which rates are missing, fishing methods of one kind of fish together."""
        kinds: dict[tuple[str, str, str], list[str | None]] = {}
        for group in (self.groups[place] for place in places):
            why = _UNKNOWN_WOUND if group.choice.is_split else group.choice.lacking
            kinds.setdefault((group.fate, group.size_class, why), []).extend(group.methods)
        words = []
        for (fate, size, why), methods in kinds.items():
            fish = fish_item(fate, size, methods)
            name = "no_drop_off_rate_for" if fate == DROP_OFF else "no_release_rate_for"
            if why == _UNKNOWN_WOUND:
                words.append(coded("wounds_unknown_no_rate", fish=fish))
            else:
                words += [coded(name, fish=fish), why]
        return join_codes(words)


def deaths_at_rates(
    fish: Floats, cov: Floats, rates: Sequence[MortalityRate | PublishedRate | None]
) -> tuple[Floats, Floats, Floats]:
    """Return the deaths of fish at their rates: value, variance of the fish, of both, each (D,).

    A rate that applies to several parts has one error, perfectly correlated between them;
    different rates are independent of each other and of the fish (`propagation.weighted_sum`).

    `fish` (D, P), `cov` (D, P, P); `rates` (length P): None leaves a part out.
    """
    known = [one for one in dict.fromkeys(rates) if one is not None]
    takes = [[one == rate for one in rates] for rate in known]
    by_rate = np.array(takes, dtype=np.float64).reshape(len(known), len(rates))
    return weighted_sum(
        fish @ by_rate.T,
        np.einsum("qp,dpr,sr->dqs", by_rate, cov, by_rate),
        weight=np.array([rate.rate_prop for rate in known]),
        weight_se=np.array([rate.rate_se or 0.0 for rate in known]),
    )


# The plan of deaths: every kind of fish in the interviews matched with the rates given.

_METHODS = (
    "SELECT method, sum(released_unknown) AS n_unknown FROM interviews "
    "GROUP BY method ORDER BY method"
)
_SIZED = """
SELECT count(*) FILTER (WHERE released_legal IS NOT NULL OR released_sublegal IS NOT NULL) AS sized,
    count(released_unknown) AS unsized
FROM interviews
"""
_OF_DAYS = " WHERE sample_id IN (SELECT sample_id FROM days)"
_COLUMNS = {"legal": "released_legal", "sublegal": "released_sublegal", "unknown": UNKNOWN_SIZE}
#: Where no size was ever recorded, fish of unknown size are all releases.
_ALL_UNKNOWN = {"unknown": "released_unknown"}
_DEEP = "released_deep_hooked"
#: Codes of what a drop-off rate is of, by whether it is of kept fish.
OF_KEPT = coded("of_kept")
_BASES = (coded("of_encounters"), OF_KEPT)
_UNKNOWN_WOUND = "unknown_wound"


def has_no_sizes(interviews: Source, sample_ids: Sequence[str], met: pa.Table) -> bool:
    """Return whether releases were recorded, and the size of a released fish in no interview.

    Of the interviews of some site-days, and of those of convenience (`met`).
    """
    if not {"released_legal", "released_sublegal"} <= query.gaps(interviews):
        return False
    days = pa.table({"sample_id": pa.array(sample_ids, pa.string())})
    counts = [
        query.run(_SIZED + _OF_DAYS, {"interviews": interviews, "days": days}),
        query.run(_SIZED, {"interviews": met}),
    ]
    sized, unsized = (sum(one[name][0].as_py() for one in counts) for name in ("sized", "unsized"))
    return not sized and unsized > 0


def plan_deaths(
    interviews: Source,
    release_rates: pa.Table,
    drop_off: pa.Table,
    *,
    detail: bool = False,
    unsized: bool = False,
) -> DeathPlan:
    """Match every kind of fish in the interviews with the rates that apply to it.

    Releases follow `ReleaseRates`; a drop-off rate of the own fishing method comes before one for
    ``any``. All tables in their schemas. `detail`: keep size classes and fishing methods apart
    where they take the same rates; the deaths are the same. `unsized`: the size of released fish
    was never recorded (`has_no_sizes`): all are of unknown size.
    """
    said = query.run(_METHODS, {"interviews": interviews})
    methods = said["method"].to_pylist()
    columns = _columns(said["n_unknown"].to_pylist(), unsized=unsized)
    rates, drop_off_rates = ReleaseRates(release_rates.to_pylist()), drop_off.to_pylist()
    releases = " + ".join(_ALL_UNKNOWN.values() if unsized else _COLUMNS.values())
    kinds = [
        _Kind(RELEASED, size, method, rates.choose(size, method), column)
        for size, column in columns.items()
        for method in methods
    ]
    for method in methods:
        given, base = drop_off_rate(drop_off_rates, method)
        column = "kept" if base == "kept" else f"kept + {releases}"
        kinds.append(_Kind(DROP_OFF, ANY, method, ApplicableRates(any_wound=given), column))
    absent = {} if rates.by_key else {RELEASED: coded("no_release_rates")}
    absent |= {} if drop_off_rates else {DROP_OFF: coded("no_drop_off_rates")}
    kept = Group(
        KEPT_FATE, (ANY,), (), ApplicableRates(any_wound=KEPT_RATE), Measure("deaths_kept", "kept")
    )
    alike: dict[tuple[object, ...], list[_Kind]] = {}
    for one in kinds:
        alike.setdefault(one.key(absent, detail=detail), []).append(one)
    groups = (_group(some, place, methods, releases) for place, some in enumerate(alike.values()))
    made = (kept, *groups)
    assumed = {fate: _assumed(made, fate) for fate in (RELEASED, DROP_OFF)}
    return DeathPlan(made, absent, assumed, unsized)


def _columns(n_unknown: list[int | None], *, unsized: bool) -> dict[str, str]:
    """Return the columns of releases by size class; fish of unknown size only if there are any."""
    if unsized:
        return _ALL_UNKNOWN
    return {size: _COLUMNS[size] for size in SIZES if size != "unknown" or any(n_unknown)}


def _assumed(groups: tuple[Group, ...], fate: str) -> tuple[str, ...]:
    """Return what is assumed of the fish of one fate, as codes."""
    mine = [group for group in groups if group.fate == fate]
    notes = []
    if any(group.reported for group in mine):
        notes.append(coded("deep_share"))
    of_unknown = [rate for group in mine if "unknown" in group.sizes for rate in group.rates]
    if any(rate.size_class == "sublegal" for rate in of_unknown):
        notes.append(coded("unknown_as_sublegal"))
    if any(rate.rate_se is None for group in mine for rate in group.rates):
        notes.append(coded("rate_without_error"))
    return tuple(notes)


@dataclass(frozen=True, slots=True)
class _Kind:
    """Fish of one fate, size class and method, their rates, and the column that counts them."""

    fate: str
    size: str
    method: str | None
    choice: ApplicableRates
    column: str

    def key(self, absent: Mapping[str, str], *, detail: bool) -> tuple[object, ...]:
        """Return what the fish of a group share: their rates, else their fate or all of it."""
        if self.fate in absent and not detail:
            return (self.fate,)
        if detail or not self.choice.given:
            return self.fate, self.size, self.method
        return self.fate, self.choice, self.method if self.choice.is_split else None


def _group(kinds: list[_Kind], place: int, methods: list[str | None], releases: str) -> Group:
    """Return fish that take the same rates as a group, with the measures of their number."""
    fate, choice = kinds[0].fate, kinds[0].choice
    sizes = tuple(dict.fromkeys(one.size for one in kinds))
    mine = tuple(dict.fromkeys(one.method for one in kinds))
    columns: dict[str, set[str | None]] = {}
    for one in kinds:
        columns.setdefault(one.column, set()).add(one.method)
    terms = [_term(column, some, methods) for column, some in columns.items()]
    measure = _measure(f"{fate}_{place}", " + ".join(terms), mine)
    reported = deep = None
    if choice.is_split:
        number = methods.index(mine[0])
        seen = f"CASE WHEN {_DEEP} IS NULL THEN 0 * ({releases}) ELSE {releases} END"
        reported = _measure(f"reported_{number}", _term(seen, set(mine), methods), mine)
        hooked = f"coalesce({_DEEP}, 0 * ({releases}))"
        deep = _measure(f"deep_{number}", _term(hooked, set(mine), methods), mine)
    bases = {_BASES[column == "kept"] for column in columns} if fate == DROP_OFF else ()
    return Group(fate, sizes, mine, choice, measure, join_codes(sorted(bases)), reported, deep)


def _measure(name: str, text: str, methods: tuple[str | None, ...]) -> Measure:
    full = text.replace(UNKNOWN_SIZE, "released_unknown")
    optional: tuple[str, ...] = ("released_unknown", "method") if full != text else ("method",)
    if _DEEP in text:  # a boat that did not report it is left in, whatever else is empty
        optional, full = (*optional, _DEEP), ""
    return Measure(name, text, optional, full, frozenset(methods))


def _term(column: str, methods: set[str | None], every: list[str | None]) -> str:
    """Return a column over the boats of some fishing methods, 0 for others."""
    if methods == set(every):
        return column
    named = sorted(query.text(method) for method in methods if method is not None)
    tests = [f"method IN ({', '.join(named)})"] if named else []
    tests += ["method IS NULL"] if None in methods else []
    # `ELSE 0 * column` keeps a number that was not recorded a null.
    return f"CASE WHEN {' OR '.join(tests)} THEN {column} ELSE 0 * ({column}) END"
