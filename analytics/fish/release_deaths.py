"""Deaths of released and lost fish: reported counts times rates, each with its error.

First form: releases as anglers report them, by size class and fishing method, at the rates the
user gives. There is no default rate; where a rate is missing the rows say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.data import sql
from analytics.survey.measures import UNKNOWN_SIZE
from analytics.survey.reduce import Analysis, Measure

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pyarrow as pa
    from numpy.typing import NDArray

    from analytics.data.sql import Source

KEPT = "deaths_kept"
NO_RELEASE_RATE = "deaths_without_release_rate"
NO_DROP_OFF_RATE = "deaths_without_drop_off_rate"
_METHODS = (
    "SELECT method, sum(released_unknown) AS n_unknown FROM interviews "
    "GROUP BY method ORDER BY method"
)


@dataclass(frozen=True, slots=True)
class RatedFish:
    """Fish to which one rate applies: a measure, its rate and the rate's standard error."""

    measure: Measure
    rate: float
    rate_se: float | None


@dataclass(frozen=True, slots=True)
class DeathPlan:
    """How deaths follow from interviews.

    Parameters
    ----------
    releases, lost : tuple of RatedFish
        Released fish by rate, and the base of drop-off by rate.
    unrated : tuple of Measure
        Kept fish, released fish without a rate, drop-off base without a rate.
    note : str
        Assumptions in words, empty where there are none.
    """

    releases: tuple[RatedFish, ...]
    lost: tuple[RatedFish, ...]
    unrated: tuple[Measure, ...]
    note: str

    @property
    def measures(self) -> dict[str, Measure]:
        """Every measure by name, in the order of the analysis."""
        rated = [fish.measure for fish in (*self.releases, *self.lost)]
        return {measure.name: measure for measure in (*self.unrated, *rated)}

    @property
    def analysis(self) -> Analysis:
        """The joint analysis of all measures."""
        return Analysis(tuple(self.measures))

    def weights(self, quantity: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return rates and their errors for one quantity, in the order of `measures`."""
        parts = {
            "release_deaths_fish": self.releases,
            "drop_off_deaths_fish": self.lost,
            "total_deaths_fish": (*self.releases, *self.lost),
        }[quantity]
        chosen = {fish.measure.name: (fish.rate, fish.rate_se or 0.0) for fish in parts}
        if quantity == "total_deaths_fish":
            chosen[KEPT] = (1.0, 0.0)
        pairs = np.array([chosen.get(name, (0.0, 0.0)) for name in self.measures])
        return pairs[:, 0], pairs[:, 1]

    def lacking(self, quantity: str) -> tuple[dict[str, str], str]:
        """Return what a quantity lacks.

        Parameters
        ----------
        quantity : str
            One of the quantities of deaths.

        Returns
        -------
        gaps : dict of str to str
            Measures that must be zero for the quantity to be had, with what is missing in words.
        nothing : str
            What is missing everywhere, empty where some rate is given.
        """
        needed = {
            "release_deaths_fish": [(NO_RELEASE_RATE, "release rate", self.releases)],
            "drop_off_deaths_fish": [(NO_DROP_OFF_RATE, "drop-off rate", self.lost)],
        }
        parts = needed.get(quantity) or [part for parts in needed.values() for part in parts]
        gaps = {name: f"no {words} given for some of the fish" for name, words, _ in parts}
        absent = [f"no {words}s given" for _, words, rated in parts if not rated]
        return gaps, "; ".join(absent)


def plan_deaths(interviews: Source, release_rates: pa.Table, drop_off: pa.Table) -> DeathPlan:
    """Match every kind of fish in the interviews with the rate that applies to it.

    A rate of the fish's own method comes before one for ``any`` method, and a rate of its size
    class before one for ``any`` size; rates by wound class are not used in this form. Fish of
    unknown size take an ``any`` rate, else the sublegal one, the higher as a rule.

    Parameters
    ----------
    interviews : pyarrow.Table or ParquetRows
    release_rates, drop_off : pyarrow.Table
        All in their schemas.

    Returns
    -------
    DeathPlan
    """
    said = sql.run(_METHODS, {"interviews": interviews})
    methods = said["method"].to_pylist()
    rates = [row for row in release_rates.to_pylist() if row["wound_class"] == "any"]
    counts = {
        "legal": "released_legal",
        "sublegal": "released_sublegal",
        "unknown": UNKNOWN_SIZE,
    }
    releases = _Matcher("released", methods)
    for size, column in counts.items():
        for method in methods:
            releases.add(_release_rate(rates, size, method), column, method)
    losses = _Matcher("lost", methods)
    by_method = {row["method"]: row for row in drop_off.to_pylist()}
    encounters = f"kept + {' + '.join(counts.values())}"
    for method in methods:
        rate = by_method.get(method, by_method.get("any"))
        base = "kept" if rate and rate["base"] == "kept" else encounters
        losses.add(rate, base, method)
    rated, lost = releases.rated(), losses.rated()
    unrated = (
        Measure(KEPT, "kept"),
        releases.unrated(NO_RELEASE_RATE),
        losses.unrated(NO_DROP_OFF_RATE),
    )
    n_unknown = sum(filter(None, said["n_unknown"].to_pylist()))
    return DeathPlan(rated, lost, unrated, _note(rates, (*rated, *lost), n_unknown=n_unknown))


def _release_rate(
    rates: list[dict[str, Any]], size: str, method: str | None
) -> dict[str, Any] | None:
    sizes = ("any", "sublegal") if size == "unknown" else (size, "any")
    by_key = {(rate["size_class"], rate["method"]): rate for rate in rates}
    wanted = ((one_size, one_method) for one_size in sizes for one_method in (method, "any"))
    return next((by_key[key] for key in wanted if key in by_key), None)


def _note(rates: list[dict[str, Any]], rated: Iterable[RatedFish], *, n_unknown: float) -> str:
    notes = []
    if n_unknown and rates and not any(rate["size_class"] == "any" for rate in rates):
        notes.append("unknown sizes at the sublegal rate")
    if any(fish.rate_se is None for fish in rated):
        notes.append("a rate has no standard error: its error is not in the interval")
    return "; ".join(notes)


class _Matcher:
    """Collects (rate, column, method) and writes one measure a rate."""

    def __init__(self, stem: str, methods: Iterable[str | None]) -> None:
        self._stem = stem
        self._methods = set(methods)
        self._columns: dict[tuple[object, object], dict[str, set[str | None]]] = {}
        self._rates: dict[tuple[object, object], dict[str, Any]] = {}
        self._orphans: dict[str, set[str | None]] = {}

    def add(self, rate: dict[str, Any] | None, column: str, method: str | None) -> None:
        if rate is None:
            columns = self._orphans
        else:
            key = (rate.get("size_class"), rate["method"])
            self._rates[key] = rate
            columns = self._columns.setdefault(key, {})
        columns.setdefault(column, set()).add(method)

    def rated(self) -> tuple[RatedFish, ...]:
        fish = []
        for index, (key, columns) in enumerate(self._columns.items()):
            measure = self._measure(f"{self._stem}_{index}", columns)
            rate = self._rates[key]
            fish.append(RatedFish(measure, rate["rate_prop"], rate["rate_se"]))
        return tuple(fish)

    def unrated(self, name: str) -> Measure:
        return self._measure(name, self._orphans)

    def _measure(self, name: str, columns: dict[str, set[str | None]]) -> Measure:
        """Return the sum of some columns, each over the boats of some methods."""
        text = " + ".join(self._term(column, methods) for column, methods in columns.items())
        if not columns:
            return Measure(name, "0")
        full = text.replace(UNKNOWN_SIZE, "released_unknown")
        return Measure(name, text, ("released_unknown", "method"), full)

    def _term(self, column: str, methods: set[str | None]) -> str:
        if methods == self._methods:
            return column
        named = sorted(sql.text(method) for method in methods if method is not None)
        tests = [f"method IN ({', '.join(named)})"] if named else []
        tests += ["method IS NULL"] if None in methods else []
        # `ELSE 0 * column` keeps a number that was not recorded a null.
        return f"CASE WHEN {' OR '.join(tests)} THEN {column} ELSE 0 * ({column}) END"
