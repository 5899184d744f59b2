"""Season deaths by area: every group of fish with its rate, and their totals at low and high."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.bulletin.figures import Figures, death_figures, finished
from analytics.bulletin.released.death_sums import (
    DeathSums,
    RowsOfAreas,
    death_sums,
    method_of,
    table_of_areas,
)
from analytics.bulletin.released.tables import DEATH_SCHEMA
from analytics.fish.rate_choice import ANY, KEPT_FATE, LOST, RELEASED
from analytics.fish.rates_in_print import rate_limits, standing_of
from analytics.fish.release_deaths import FATES, NO_RATE, product_figures
from analytics.units import Kind

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pyarrow as pa

    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot
    from analytics.fish.rate_choice import GivenRate

    Row = dict[str, Any]

ALL = "all"
#: The rows of totals, each with the quantity of the contract that it is.
_TOTALS = {RELEASED: "release_deaths_fish", LOST: "drop_off_deaths_fish", ALL: "total_deaths_fish"}
_ENDS = "low and high: all rates at the low or the high end of their intervals at once"
_NO_ENDS = "no standard error given with the rate: no low and high, and no error from the rate"
_NO_SUM_OF_ENDS = "a rate has no interval of its own: no low and high"
_NO_END_SHOWN = "a rate of 0 or 1 has no interval on the logit scale: no low and high"
_AS_SUBLEGAL = "sublegal rate taken for unknown size, the higher as a rule"
_NONE = ("",)


def death_table(
    snapshot: Snapshot, season: Season, *, level: float, sums: DeathSums | None = None
) -> pa.Table:
    """Return kept fish, release deaths and drop-off deaths of a season by class.

    A row for each fate, size class, fishing method and wound class that take one rate, then rows of
    size ``any`` without a method for all released, all lost and everything (fate ``all``), whose
    deaths are the contract's own. Low and high are the same fish at the ends of the rate's interval
    (logit scale).

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
        In `DEATH_SCHEMA`: all areas (null) first, then each area.
    """
    return table_of_areas(
        sums or death_sums(snapshot, season),
        season,
        level=level,
        rows_of=_DeathRows,
        schema=DEATH_SCHEMA,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _DeathRows(RowsOfAreas):
    """The rows of each domain of some totals."""

    def at(self, place: int, area: int | None) -> Iterator[Row]:
        """Yield the rows of one domain: kept, released, lost, each before its total."""
        for fate in (KEPT_FATE, RELEASED, LOST):
            for part, (group, _) in enumerate(self.plan.parts):
                if self.plan.groups[group].fate == fate and self._is_used(part, place):
                    yield self._part(part, place, area)
            if fate in _TOTALS:
                yield self._total(fate, place, area)
        yield self._total(ALL, place, area)

    def _is_used(self, part: int, place: int) -> bool:
        """Return whether a part stands for fish here: by wound where told, else of any wound."""
        group, rate = self.plan.parts[part]
        choice = self.plan.groups[group].choice
        if not choice.is_split or choice.whole is None:
            return True
        return bool(self.found.untold[place, group]) == (rate is choice.whole)

    def _part(self, part: int, place: int, area: int | None) -> Row:
        group_place, rate = self.plan.parts[part]
        group = self.plan.groups[group_place]
        fish, spread = self.found.fish[:, part], self.found.cov[:, part, part]
        lacking = self.plan.missing_of(self.found, (group_place,))
        none = _NONE * len(fish)
        shown = self._finished(Figures(Kind.TOTAL, fish, spread, spread, "", none), place, area)
        value, of_fish, whole = product_figures(fish, spread, rate)
        row = self._finished(Figures(Kind.DEATHS, value, whole, of_fish, "", lacking), place, area)
        row = _deaths_of(row, of_fish[place], whole[place])
        row |= {
            "fate": group.fate,
            "size_class": group.size_class,
            "method": method_of(group),
            "wound_class": ANY if rate is NO_RATE else rate.wound_class,
            "fish": shown.get("estimate"),
            "fish_se": shown.get("se"),
        }
        if not lacking[place] and rate is not NO_RATE:
            row |= self._rate(row, rate, is_unknown=group.size_class == "unknown")
            row["reason"] = "; ".join(filter(None, [group.base, row["reason"]]))
        return row

    def _rate(self, row: Row, rate: GivenRate, *, is_unknown: bool) -> Row:
        """Return a rate with its interval and standing, and the deaths at its ends."""
        fish = row["fish"]
        found: Row = {"rate_prop": rate.rate_prop, "rate_se": rate.rate_se}
        if rate.fate != KEPT_FATE:
            standing = standing_of(rate.source, rate.rate_prop)
            found |= {"source": rate.source or None, "standing": str(standing)}
        low, high = rate_limits(rate.rate_prop, rate.rate_se, level=self.level)
        found |= {"rate_low": low, "rate_high": high}
        if low is not None and high is not None and fish is not None:
            found |= {"deaths_low": fish * low, "deaths_high": fish * high}
        words = [row["reason"]] if row["reason"] else []
        if rate.rate_se is None:
            words.append(_NO_ENDS)
        elif low is None:
            words.append(_NO_END_SHOWN)
        if is_unknown and rate.size_class == "sublegal":
            words.append(_AS_SUBLEGAL)
        return found | {"reason": "; ".join(words)}

    def _total(self, fate: str, place: int, area: int | None) -> Row:
        """Return the row of one of the contract's quantities of deaths, with its ends."""
        quantity = _TOTALS[fate]
        figures = death_figures(self.plan, quantity, self.totals)
        found = self._finished(figures, place, area)
        of_fish, whole = figures.sample_variance[place], figures.variance[place]
        row = _deaths_of(found, of_fish, whole) | {
            "fate": fate,
            "size_class": ANY,
            "wound_class": ANY,
        }
        words = found["method"].removeprefix("releases_times_rates").removeprefix("; ")
        if row["deaths"] is None:
            return row | {"reason": found["method"]}
        places = [
            part
            for part, (group, _) in enumerate(self.plan.parts)
            if self.plan.groups[group].fate in FATES[quantity]
        ]
        ends = self._ends(places, place)
        if ends is not None:
            row |= {"deaths_low": ends[0], "deaths_high": ends[1]}
        if fate != ALL:
            spread = self.found.cov[place][np.ix_(places, places)].sum()
            row["fish"] = float(self.found.fish[place, places].sum())
            row["fish_se"] = float(np.sqrt(spread)) if spread >= 0 and row["se"] else None
        groups = [
            self.plan.groups[group] for group in {self.plan.parts[part][0] for part in places}
        ]
        base = " and ".join(sorted({group.base for group in groups} - {""})) if fate == LOST else ""
        words = [base, words, _ENDS if ends else _NO_SUM_OF_ENDS]
        return row | {"reason": "; ".join(filter(None, words))}

    def _ends(self, parts: list[int], place: int) -> tuple[float, float] | None:
        """Return the deaths of some parts at the ends of their rates; None where one has none."""
        low = high = 0.0
        for part in parts:
            rate = self.plan.parts[part][1]
            ends = rate_limits(rate.rate_prop, rate.rate_se, level=self.level)
            fish = float(self.found.fish[place, part])
            if fish <= 0:
                continue
            if ends[0] is None or ends[1] is None:
                return None
            low, high = low + fish * ends[0], high + fish * ends[1]
        return low, high

    def _finished(self, figures: Figures, place: int, area: int | None) -> Row:
        return finished(
            self.season.design, self.totals, figures, place, area=area, level=self.level
        )


def _deaths_of(row: Row, of_fish: float, whole: float) -> Row:
    """Return the deaths of a finished row in the columns of the table."""
    value, se = row.get("estimate"), row.get("se")
    no_value = value is None
    no_error = "" if no_value or se is not None else row["method"].rpartition("; ")[2]
    return {
        "deaths": value,
        "se": se,
        "ci_low": row.get("ci_low"),
        "ci_high": row.get("ci_high"),
        "from_fish_prop": float(of_fish / whole) if se and of_fish >= 0 else None,
        "reason": row["method"] if no_value else no_error,
    }
