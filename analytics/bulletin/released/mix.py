"""What the mix of mooching and trolling does to the deaths of sublegal releases."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.bulletin.figures import Figures, finished
from analytics.bulletin.released.death_sums import (
    DeathSums,
    RowsOfAreas,
    death_sums,
    method_of,
    table_of_areas,
)
from analytics.bulletin.released.tables import MIX_SCHEMA
from analytics.combine import weighted_sum
from analytics.fish.rate_choice import RELEASED
from analytics.fish.rates_in_print import MOOCHING, TROLLING, rate_limits, standing_of
from analytics.fish.release_deaths import NO_RATE
from analytics.units import Kind

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    import pyarrow as pa

    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot
    from analytics.fish.rate_choice import GivenRate
    from analytics.fish.rates_in_print import RateInPrint
    from analytics.fish.release_deaths import Group

    Row = dict[str, Any]

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


@dataclass(frozen=True, slots=True)
class _Rate:
    """The rate that a part of the fish takes in one case; fish of one key share its error."""

    key: object
    rate_prop: float
    rate_se: float | None
    low: float | None
    high: float | None
    source: str
    standing: str


def printed_rate(method: str | None) -> RateInPrint | None:
    """Return the printed rate of a fishing method, from the words that a user wrote for it.

    Parameters
    ----------
    method : str or None

    Returns
    -------
    RateInPrint or None
        That of mooching or of trolling, if its letters hold ``mooch`` or ``troll`` in any case.
    """
    words = (method or "").casefold()
    return next((rate for stem, rate in _STEMS if stem in words), None)


def mix_table(
    snapshot: Snapshot, season: Season, *, level: float, sums: DeathSums | None = None
) -> pa.Table:
    """Return deaths of sublegal releases at the rates given and at printed rates by method.

    Four cases, each a total (method null) and its part by fishing method: the rates given; printed
    rates of mooching (Grover et al. 2002) and trolling (Wertheimer 1988) for the fish so caught,
    other methods at the rates given; every fish as if mooched; every fish as if trolled. The
    printed rates are of other fisheries.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
    level : float
        Confidence level.
    sums : DeathSums, optional
        From `death_sums`, where they are at hand.

    Returns
    -------
    pyarrow.Table
        In `MIX_SCHEMA`: all areas (null) first; one row with a reason where nobody mooched or
        trolled.
    """
    return table_of_areas(
        sums or death_sums(snapshot, season),
        season,
        level=level,
        rows_of=_MixRows,
        schema=MIX_SCHEMA,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _MixRows(RowsOfAreas):
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
        cases: tuple[tuple[str, Callable[[int], _Rate]], ...] = (
            (AS_GIVEN, self._given),
            (AS_FISHED, self._as_fished),
            (ALL_MOOCHED, lambda _: self._printed(MOOCHING)),
            (ALL_TROLLED, lambda _: self._printed(TROLLING)),
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

    def _given(self, part: int) -> _Rate:
        rate: GivenRate = self.plan.parts[part][1]
        low, high = rate_limits(rate.rate_prop, rate.rate_se, level=self.level)
        standing = str(standing_of(rate.source, rate.rate_prop)) if rate is not NO_RATE else ""
        return _Rate(rate, rate.rate_prop, rate.rate_se, low, high, rate.source, standing)

    def _printed(self, rate: RateInPrint) -> _Rate:
        low, high = rate.limits(self.level)
        return _Rate(rate, rate.rate_prop, rate.rate_se, low, high, rate.source, str(rate.standing))

    def _as_fished(self, part: int) -> _Rate:
        printed = printed_rate(method_of(self._group(part)))
        return self._printed(printed) if printed else self._given(part)

    def _row(self, rates: dict[int, _Rate], place: int, area: int | None) -> Row:
        """Return fish and deaths of some parts, each at its rate."""
        parts = list(rates)
        fish = self.found.fish[:, parts].sum(axis=1)
        figures = self._figures(rates)
        spread = self.found.cov[:, parts][:, :, parts].sum(axis=(1, 2))
        known = Figures(Kind.TOTAL, fish, spread, spread, "", ("",) * len(fish))
        shown, done = (
            finished(self.season.design, self.totals, one, place, area=area, level=self.level)
            for one in (known, figures)
        )
        row: Row = {"fish": shown.get("estimate"), "reason": done["method"]}
        if "estimate" not in done:
            return row
        some = {part: rate for part, rate in rates.items() if self.found.fish[place, part] > 0}
        low, high = (
            _sum(self.found.fish[place, part] * end for part, end in _ends_of(some, side))
            for side in ("low", "high")
        )
        no_error = "se" not in done
        row |= {
            "deaths": done["estimate"],
            "deaths_low": low,
            "deaths_high": high,
            "se": done.get("se"),
            "ci_low": done.get("ci_low"),
            "ci_high": done.get("ci_high"),
            "reason": done["method"].rpartition("; ")[2] if no_error else "",
        }
        return row | _told_rate(set(some.values()), row)

    def _figures(self, rates: dict[int, _Rate]) -> Figures:
        """Return the deaths of some parts over all domains; parts of one key share its error."""
        parts, keys = list(rates), list(dict.fromkeys(rate.key for rate in rates.values()))
        first = {rate.key: rate for rate in reversed(rates.values())}
        by_key = np.array([[rates[part].key == key for part in parts] for key in keys], dtype=float)
        fish, cov = self.found.fish[:, parts], self.found.cov[:, parts][:, :, parts]
        value, of_fish, whole = weighted_sum(
            fish @ by_key.T,
            np.einsum("qp,dpr,sr->dqs", by_key, cov, by_key),
            weight=np.array([first[key].rate_prop for key in keys]),
            weight_se=np.array([first[key].rate_se or 0.0 for key in keys]),
        )
        lacking = tuple({self.plan.parts[part][0] for part in parts if _is_given(rates[part])})
        missing = self.plan.missing_of(self.found, lacking)
        return Figures(Kind.DEATHS, value, whole, of_fish, "", missing)


def _is_given(rate: _Rate) -> bool:
    """Return whether a rate is the user's, which can lack, and not a printed one."""
    return rate.key not in (MOOCHING, TROLLING)


def _ends_of(rates: dict[int, _Rate], side: str) -> Iterator[tuple[int, float]]:
    """Yield parts with one end of their rates, NaN where a rate has none."""
    for part, rate in rates.items():
        end = rate.low if side == "low" else rate.high
        yield part, math.nan if end is None else end


def _sum(deaths: Iterable[float]) -> float | None:
    """Return the deaths at one end together; None where a rate has no such end."""
    whole = float(sum(deaths))
    return None if math.isnan(whole) else whole


def _told_rate(used: set[_Rate], row: Row) -> Row:
    """Return the one rate behind a row, else the mean of several, with their sources."""
    if not used:
        return {}
    if len(used) == 1:
        (one,) = used
        found: Row = {"rate_prop": one.rate_prop, "rate_se": one.rate_se}
    else:
        found = {"rate_prop": row["deaths"] / row["fish"]}
    for column in ("source", "standing"):
        found[column] = "; ".join(sorted({getattr(one, column) for one in used} - {""})) or None
    return found
