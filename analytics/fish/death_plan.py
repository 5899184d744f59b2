"""The plan of deaths: every kind of fish in the interviews matched with the rates given."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.data import sql
from analytics.fish.rate_choice import (
    ANY,
    KEPT_FATE,
    LOST,
    RELEASED,
    SIZES,
    Choice,
    ReleaseRates,
    drop_off_rate,
)
from analytics.fish.release_deaths import KEPT_RATE, DeathPlan, Group
from analytics.survey.measures import UNKNOWN_SIZE
from analytics.survey.reduce import Measure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.sql import Source

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
_BASES = ("of encounters", "of kept fish")

#: What groups share: fate, column for those of one column, rates, and what keeps them apart.
_Key = tuple[object, ...]


def has_no_sizes(interviews: Source, sample_ids: Sequence[str], met: pa.Table) -> bool:
    """Return whether releases were recorded, and the size of a released fish in no interview.

    Parameters
    ----------
    interviews : pyarrow.Table or ParquetRows
    sample_ids : sequence of str
        Site-days whose interviews are looked at.
    met : pyarrow.Table
        Interviews of convenience, looked at too.

    Returns
    -------
    bool
    """
    if not {"released_legal", "released_sublegal"} <= sql.gaps(interviews):
        return False
    days = pa.table({"sample_id": pa.array(sample_ids, pa.string())})
    counts = [
        sql.run(_SIZED + _OF_DAYS, {"interviews": interviews, "days": days}),
        sql.run(_SIZED, {"interviews": met}),
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

    Releases follow `analytics.fish.rate_choice.ReleaseRates`. A drop-off rate of the own fishing
    method comes before one for ``any``.

    Parameters
    ----------
    interviews : pyarrow.Table or ParquetRows
    release_rates, drop_off : pyarrow.Table
        All in their schemas.
    detail : bool
        Keep size classes and fishing methods apart where they take the same rates; the deaths are
        the same.
    unsized : bool
        The size of released fish was never recorded (`has_no_sizes`): all are of unknown size.

    Returns
    -------
    DeathPlan
    """
    said = sql.run(_METHODS, {"interviews": interviews})
    methods = said["method"].to_pylist()
    columns = _columns(said["n_unknown"].to_pylist(), unsized=unsized)
    rates, lost_rates = ReleaseRates(release_rates.to_pylist()), drop_off.to_pylist()
    releases = " + ".join(_ALL_UNKNOWN.values() if unsized else _COLUMNS.values())
    groups = _Groups(methods, releases, detail=detail)
    for size, column in columns.items():
        for method in methods:
            choice = rates.choose(size, method)
            groups.add(RELEASED, size, method, choice, column=column, is_given=bool(rates.by_key))
    for method in methods:
        given, base = drop_off_rate(lost_rates, method)
        column = "kept" if base == "kept" else f"kept + {releases}"
        groups.add(LOST, ANY, method, Choice(whole=given), column=column, is_given=bool(lost_rates))
    absent = {} if rates.by_key else {RELEASED: "no release rates given"}
    absent |= {} if lost_rates else {LOST: "no drop-off rates given"}
    kept = Group(KEPT_FATE, (ANY,), (), Choice(whole=KEPT_RATE), Measure("deaths_kept", "kept"))
    made = (kept, *groups.made())
    assumed = {fate: _assumed(made, fate) for fate in (RELEASED, LOST)}
    return DeathPlan(made, absent, assumed, unsized)


def _columns(n_unknown: list[int | None], *, unsized: bool) -> dict[str, str]:
    """Return the columns of releases by size class; fish of unknown size only if there are any."""
    if unsized:
        return _ALL_UNKNOWN
    return {size: _COLUMNS[size] for size in SIZES if size != "unknown" or any(n_unknown)}


def _assumed(groups: tuple[Group, ...], fate: str) -> tuple[str, ...]:
    """Return what is assumed of the fish of one fate, in words."""
    mine = [group for group in groups if group.fate == fate]
    notes = []
    if any(group.told for group in mine):
        notes.append("shallow and deep hooks by the deep share told")
    of_unknown = [rate for group in mine if "unknown" in group.sizes for rate in group.rates]
    if any(rate.size_class == "sublegal" for rate in of_unknown):
        notes.append("unknown sizes at the sublegal rate, the higher as a rule")
    if any(rate.rate_se is None for group in mine for rate in group.rates):
        notes.append("a rate has no standard error: its error is not in the interval")
    return tuple(notes)


@dataclass(slots=True)
class _Draft:
    """A group while its fish are still being collected."""

    fate: str
    choice: Choice
    sizes: dict[str, None] = field(default_factory=dict)
    methods: dict[str | None, None] = field(default_factory=dict)
    columns: dict[str, set[str | None]] = field(default_factory=dict)


class _Groups:
    """Collects fish by the rates that apply to them and writes one measure a group."""

    def __init__(self, methods: list[str | None], releases: str, *, detail: bool) -> None:
        self._methods = methods
        self._releases = releases
        self._detail = detail
        self._drafts: dict[_Key, _Draft] = {}

    def add(
        self,
        fate: str,
        size: str,
        method: str | None,
        choice: Choice,
        *,
        column: str,
        is_given: bool,
    ) -> None:
        key: _Key = (fate, choice, method) if choice.is_split else (fate, choice)
        if not is_given:
            key = (fate,)
        elif not choice.given:
            key = (fate, size, method)
        if self._detail:
            key = (fate, size, method)
        draft = self._drafts.setdefault(key, _Draft(fate, choice))
        draft.sizes[size] = draft.methods[method] = None
        draft.columns.setdefault(column, set()).add(method)

    def made(self) -> tuple[Group, ...]:
        return tuple(self._group(place, one) for place, one in enumerate(self._drafts.values()))

    def _group(self, place: int, draft: _Draft) -> Group:
        terms = [self._term(column, methods) for column, methods in draft.columns.items()]
        measure = self._measure(f"{draft.fate}_{place}", " + ".join(terms), draft)
        told = deep = None
        if draft.choice.is_split:
            (method,) = draft.methods
            number, of_method = self._methods.index(method), {method}
            every = self._releases
            seen = f"CASE WHEN {_DEEP} IS NULL THEN 0 * ({every}) ELSE {every} END"
            told = self._measure(f"told_{number}", self._term(seen, of_method), draft)
            hooked = f"coalesce({_DEEP}, 0 * ({every}))"
            deep = self._measure(f"deep_{number}", self._term(hooked, of_method), draft)
        sizes, methods = tuple(draft.sizes), tuple(draft.methods)
        bases = {_BASES[column == "kept"] for column in draft.columns} if draft.fate == LOST else ()
        base = " and ".join(sorted(bases))
        return Group(draft.fate, sizes, methods, draft.choice, measure, base, told, deep)

    @staticmethod
    def _measure(name: str, text: str, draft: _Draft) -> Measure:
        full = text.replace(UNKNOWN_SIZE, "released_unknown")
        optional: tuple[str, ...] = ("released_unknown", "method") if full != text else ("method",)
        if _DEEP in text:  # a boat that did not tell is left in, whatever else is empty
            optional, full = (*optional, _DEEP), ""
        return Measure(name, text, optional, full, frozenset(draft.methods))

    def _term(self, column: str, methods: set[str | None]) -> str:
        if methods == set(self._methods):
            return column
        named = sorted(sql.text(method) for method in methods if method is not None)
        tests = [f"method IN ({', '.join(named)})"] if named else []
        tests += ["method IS NULL"] if None in methods else []
        # `ELSE 0 * column` keeps a number that was not recorded a null.
        return f"CASE WHEN {' OR '.join(tests)} THEN {column} ELSE 0 * ({column}) END"
