"""The plan of deaths: every kind of fish in the interviews matched with the rates given."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

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
    import pyarrow as pa

    from analytics.data.sql import Source

_METHODS = (
    "SELECT method, sum(released_unknown) AS n_unknown FROM interviews "
    "GROUP BY method ORDER BY method"
)
_COLUMNS = {"legal": "released_legal", "sublegal": "released_sublegal", "unknown": UNKNOWN_SIZE}
_RELEASES = " + ".join(_COLUMNS.values())
_DEEP = "released_deep_hooked"

#: What groups share: fate, column for those of one column, rates, and what keeps them apart.
_Key = tuple[object, ...]


def plan_deaths(
    interviews: Source, release_rates: pa.Table, drop_off: pa.Table, *, detail: bool = False
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

    Returns
    -------
    DeathPlan
    """
    said = sql.run(_METHODS, {"interviews": interviews})
    methods = said["method"].to_pylist()
    has_unknown = any(said["n_unknown"].to_pylist())
    rates, lost_rates = ReleaseRates(release_rates.to_pylist()), drop_off.to_pylist()
    groups = _Groups(methods, detail=detail)
    for size in SIZES:
        for method in methods:
            if size != "unknown" or has_unknown:
                choice = rates.choose(size, method)
                groups.add(
                    RELEASED,
                    size,
                    method,
                    choice,
                    column=_COLUMNS[size],
                    is_given=bool(rates.by_key),
                )
    for method in methods:
        given, base = drop_off_rate(lost_rates, method)
        column = "kept" if base == "kept" else f"kept + {_RELEASES}"
        groups.add(LOST, ANY, method, Choice(whole=given), column=column, is_given=bool(lost_rates))
    absent = {} if rates.by_key else {RELEASED: "no release rates given"}
    absent |= {} if lost_rates else {LOST: "no drop-off rates given"}
    kept = Group(KEPT_FATE, (ANY,), (), Choice(whole=KEPT_RATE), Measure("deaths_kept", "kept"))
    made = (kept, *groups.made())
    return DeathPlan(made, absent, {fate: _assumed(made, fate) for fate in (RELEASED, LOST)})


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

    def __init__(self, methods: list[str | None], *, detail: bool) -> None:
        self._methods = methods
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
            seen = f"CASE WHEN {_DEEP} IS NULL THEN 0 * ({_RELEASES}) ELSE {_RELEASES} END"
            told = self._measure(f"told_{number}", self._term(seen, of_method), draft)
            hooked = f"coalesce({_DEEP}, 0 * ({_RELEASES}))"
            deep = self._measure(f"deep_{number}", self._term(hooked, of_method), draft)
        sizes, methods = tuple(draft.sizes), tuple(draft.methods)
        return Group(draft.fate, sizes, methods, draft.choice, measure, told, deep)

    @staticmethod
    def _measure(name: str, text: str, draft: _Draft) -> Measure:
        full = text.replace(UNKNOWN_SIZE, "released_unknown")
        optional: tuple[str, ...] = ("released_unknown", "method")
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
