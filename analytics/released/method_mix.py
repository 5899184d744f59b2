"""What the mix of mooching and trolling does to the deaths of sublegal releases."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from analytics.fish.mortality_rates import MOOCHING, RELEASED, TROLLING
from analytics.released.deaths import AreaRows, DeathSums, death_sums, method_of, table_of_areas
from analytics.released.schemas import MIX_SCHEMA

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import pyarrow as pa

    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.mortality_rates import MortalityRate, PublishedRate
    from analytics.fish.release_mortality import Group

    Row = dict[str, Any]
    Rate: TypeAlias = MortalityRate | PublishedRate

AS_GIVEN = "rates as given"
AS_FISHED = "printed rates, as fished"
ALL_MOOCHED = "all by mooching, printed rate"
ALL_TROLLED = "all by trolling, printed rate"
_NEITHER = (
    "no sublegal fish was released by mooching or trolling here: the printed rates say nothing"
)
_NO_SIZES = "the size of released fish was recorded in no interview: no sublegal release is known"
#: Letters of a method's free text that name it, whatever comes with them.
_STEMS = (("mooch", MOOCHING), ("troll", TROLLING))


def printed_rate(method: str | None) -> PublishedRate | None:
    """Return the printed rate of a fishing method, from the words that a user wrote for it.

    That of mooching or of trolling, if its letters hold ``mooch`` or ``troll`` in any case.
    """
    words = (method or "").casefold()
    return next((rate for stem, rate in _STEMS if stem in words), None)


def mix_table(
    snapshot: Snapshot, season: SeasonSurvey, *, level: float, sums: DeathSums | None = None
) -> pa.Table:
    """Return deaths of sublegal releases at given rates and at printed ones, in `MIX_SCHEMA`.

    Four cases, each a total (method null) and its part by fishing method: the rates given; printed
    rates of mooching (Grover et al. 2002) and trolling (Wertheimer 1988) for the fish so caught,
    other methods at the rates given; every fish as if mooched; every fish as if trolled. The
    printed rates are of other fisheries. All areas (null) come first; where nobody mooched or
    trolled there is one row with a reason.
    """
    return table_of_areas(
        sums or death_sums(snapshot, season),
        season,
        level=level,
        rows_of=_MixRows,
        schema=MIX_SCHEMA,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _MixRows(AreaRows):
    """The rows of each domain of some totals."""

    def at(self, place: int, area: int | None) -> Iterator[Row]:
        parts = [
            part
            for part, (group, _) in enumerate(self.plan.parts)
            if self.plan.groups[group].fate == RELEASED
            and self.plan.groups[group].size_class == "sublegal"
        ]
        if not parts:
            yield {"case": AS_FISHED, "reason": _NO_SIZES}
            return
        named = [part for part in parts if printed_rate(method_of(self._group(part)))]
        if not self.found.fish[place, named].sum() > 0:
            none = self._row({part: self._given(part) for part in parts}, place, area)
            reason = _NEITHER if none["fish"] is not None else none["reason"]
            yield {"case": AS_FISHED, "reason": reason}
            return
        cases: tuple[tuple[str, Callable[[int], Rate]], ...] = (
            (AS_GIVEN, self._given),
            (AS_FISHED, self._as_fished),
            (ALL_MOOCHED, lambda _: MOOCHING),
            (ALL_TROLLED, lambda _: TROLLING),
        )
        methods = dict.fromkeys(method_of(self._group(part)) for part in parts)
        for case, rate_of in cases:
            rates = {part: rate_of(part) for part in parts}
            yield {"case": case, **self._row(rates, place, area)}
            for method in methods:
                mine = {
                    part: rate
                    for part, rate in rates.items()
                    if method_of(self._group(part)) == method
                }
                yield {"case": case, "method": method, **self._row(mine, place, area)}

    def _group(self, part: int) -> Group:
        return self.plan.groups[self.plan.parts[part][0]]

    def _given(self, part: int) -> Rate:
        return self.plan.parts[part][1]

    def _as_fished(self, part: int) -> Rate:
        return printed_rate(method_of(self._group(part))) or self._given(part)

    def _row(self, rates: dict[int, Rate], place: int, area: int | None) -> Row:
        """Return fish and deaths of some parts, each at its rate."""
        given = (at for at in rates if rates[at] not in (MOOCHING, TROLLING))
        groups = tuple({self.plan.parts[part][0] for part in given})
        shown = self.finished(self.fish_of(list(rates)), place, area)
        done = self.finished(self.deaths_of(rates, groups), place, area)
        row: Row = {"fish": shown.get("estimate"), "reason": done["method"]}
        if "estimate" not in done:
            return row
        fish = self.found.fish[place]
        used = {part: rate for part, rate in rates.items() if fish[part] > 0}
        for column, end in (("deaths_low", 0), ("deaths_high", 1)):
            ends = [(fish[part], rate.limits(self.level)[end]) for part, rate in used.items()]
            lacks = any(rate is None for _, rate in ends)
            row[column] = None if lacks else float(sum(n * (rate or 0.0) for n, rate in ends))
        row |= {
            "deaths": done["estimate"],
            "se": done.get("se"),
            "ci_low": done.get("ci_low"),
            "ci_high": done.get("ci_high"),
            "reason": "" if "se" in done else done["method"].rpartition("; ")[2],
        }
        return row | _rate_columns(set(used.values()), row)


def _rate_columns(used: set[Rate], row: Row) -> Row:
    """Return the one rate behind a row, else the mean of several, with their sources."""
    if not used:
        return {}
    if len(used) == 1:
        (one,) = used
        found: Row = {"rate_prop": one.rate_prop, "rate_se": one.rate_se}
    else:
        found = {"rate_prop": row["deaths"] / row["fish"]}
    sources, grades = {one.source for one in used}, {one.evidence or "" for one in used}
    for column, words in (("source", sources), ("standing", grades)):
        found[column] = "; ".join(sorted(words - {""})) or None
    return found
