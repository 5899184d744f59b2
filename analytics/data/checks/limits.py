"""Rules for limits: quantities that can be told and summed, areas and seasons that are there."""

from __future__ import annotations

from analytics.data.checks.rule import Rule
from analytics.data.findings import Severity
from analytics.limits import COUNTED_TWICE, FISH_TOTALS, TOTALS
from analytics.units import QUANTITIES


def _listed(words: object) -> str:
    return ", ".join(f"'{one}'" for one in words)  # type: ignore[attr-defined]


_LIST = (
    "list_filter(list_transform(string_split(r.quantity, ';'), lambda x: trim(x)), "
    "lambda x: x <> '')"
)
_KNOWN, _ADDED = f"[{_listed(QUANTITIES)}]", f"[{_listed(FISH_TOTALS)}]"
_UNKNOWN = f"list_filter({_LIST}, lambda y: NOT list_contains({_KNOWN}, y))"
_APART = f"list_filter({_LIST}, lambda y: NOT list_contains({_ADDED}, y))"
_PAIRS = ", ".join(f"['{one}', '{other}']" for one, other in sorted(COUNTED_TWICE) if one < other)
_TWICE = (
    f"list_filter([{_PAIRS}], lambda y: list_has_all({_LIST}, y))"
    f" || CASE WHEN len({_LIST}) > len(list_distinct({_LIST})) THEN [[{_LIST}[1], {_LIST}[1]]] "
    "ELSE [] END"
)
_SUM = "one total, or several that count different fish, joined by ;"

LIMITS = (
    Rule(
        table="limits",
        column="quantity",
        when=f"len({_LIST}) = 0 OR len({_UNKNOWN}) > 0",
        seen="r.quantity",
        allowed="quantities of the result rows, joined by ;: " + ", ".join(QUANTITIES),
        advice="write one of them, or several",
    ),
    Rule(
        table="limits",
        column="quantity",
        when=f"len({_LIST}) > 1 AND len({_UNKNOWN}) = 0 AND len({_APART}) > 0",
        seen=f"concat(r.quantity, ', of which ', list_aggregate({_APART}, 'string_agg', ', '), "
        "' is no total of fish')",
        allowed=_SUM + ": " + ", ".join(FISH_TOTALS),
        advice="write a limit of its own for each",
    ),
    Rule(
        table="limits",
        column="quantity",
        when=f"len({_UNKNOWN}) = 0 AND len({_TWICE}) > 0",
        seen=f"concat(array_to_string(({_TWICE})[1], ' and '), ' in one sum')",
        allowed=_SUM,
        advice="a fish would count twice: leave one out, or write a limit of its own for each",
    ),
    Rule(
        table="limits",
        column="quantity",
        when=f"len({_LIST}) = 1 AND len({_UNKNOWN}) = 0 AND "
        f"NOT list_contains([{_listed(TOTALS)}], {_LIST}[1])",
        seen="concat(r.quantity, ', which is no total')",
        allowed="a total: " + ", ".join(TOTALS),
        advice="it is kept, and no standing can be told against it",
        severity=Severity.WARNING,
    ),
    Rule(
        table="limits",
        column="areas",
        source="(SELECT *, trim(unnest(string_split(areas, ';'))) AS _area FROM limits) r "
        "LEFT JOIN (SELECT DISTINCT area, true AS _there FROM areas) a ON a.area = r._area",
        when="a._there IS NULL",
        seen="concat('no area ', r._area, ' in areas')",
        allowed="areas of the table areas, joined by ;",
        advice="mend it, or import its row of areas first or together with this",
    ),
    Rule(
        table="limits",
        column="season",
        when="r.season NOT IN (SELECT season FROM seasons WHERE season IS NOT NULL)",
        seen="concat('no season ', r.season, ' in seasons')",
        allowed="a season of the table seasons",
        advice="the limit waits until the season is there",
        severity=Severity.WARNING,
    ),
)
