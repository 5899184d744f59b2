"""What is amiss with the rates of deaths: fish without one, and rates that no fish take."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.data.findings import Finding, Severity
from analytics.fish.rate_choice import ANY, LOST, RELEASED, ReleaseRates, drop_off_rate
from analytics.survey.reach import Domains

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot
    from analytics.fish.rate_choice import GivenRate

_TABLES = {RELEASED: "release_rates", LOST: "drop_off"}
_WOUNDS = {ANY: "any wound", "shallow": "shallow hooks", "deep": "deep hooks"}


def rate_findings(snapshot: Snapshot, season: Season) -> Iterator[Finding]:
    """Yield a warning for fish that lack a rate, and for each rate that no fish of a season take.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
        Prepared from it.

    Yields
    ------
    Finding
    """
    plan = season.deaths
    whole = Domains(by_area=False, by_week=False, n_weeks=len(season.design.weeks))
    used: set[GivenRate] = set()
    lacking: dict[str, dict[str, None]] = {RELEASED: {}, LOST: {}}
    for way in season.ways:
        totals = way.totals(plan.analysis, whole)
        found = plan.fish(totals.total, totals.cov_of_sums)
        at = list(plan.measures)
        for place, group in enumerate(plan.groups):
            if (totals.total[:, at.index(group.measure.name)] > 0).any():
                used.update(group.choice.given)
            if group.fate in lacking and group.fate not in plan.absent:
                words = plan.missing_of(found, (place,))
                lacking[group.fate].update(dict.fromkeys(filter(None, words)))
    for fate, table in _TABLES.items():
        for what in lacking[fate]:
            yield _lacking(table, what)
    for rate in _given(snapshot):
        if rate not in used:
            yield _idle(rate)


def _given(snapshot: Snapshot) -> Iterator[GivenRate]:
    yield from ReleaseRates(snapshot["release_rates"].to_pylist()).by_key.values()
    lost = snapshot["drop_off"].to_pylist()
    for row in lost:
        rate, _ = drop_off_rate(lost, row["method"])
        if rate is not None:
            yield rate


def _lacking(table: str, words: str) -> Finding:
    return Finding(
        severity=Severity.WARNING,
        table=table,
        column="rate_prop",
        seen=words,
        allowed="a rate for all fish that were met",
        advice="their deaths have no figure: give a rate for them, or one for any method",
    )


def _idle(rate: GivenRate) -> Finding:
    if rate.fate == LOST:
        seen = f"the rate for method {rate.method}"
    else:
        size, method, wound = rate.key
        seen = f"the rate for size {size}, method {method}, {_WOUNDS.get(wound, wound)}"
    return Finding(
        severity=Severity.WARNING,
        table=_TABLES[rate.fate],
        column="rate_prop",
        seen=f"{seen}: no fish of the season take it",
        allowed="a rate that some fish of the season take",
        advice="is the method spelled as in interviews? Shallow and deep hooks need a rate each; "
        "other rates may be nearer to the fish",
    )
