"""Rules about what was caught: interviews, fish, counts, rates, limits."""

from __future__ import annotations

from functools import partial

from analytics.catch_limits import COUNTED_TWICE, FISH_TOTALS, TOTALS
from analytics.data.checks.frame import closed_words
from analytics.data.checks.rule import Rule, counted, part_of
from analytics.data.schema import CONDITION_POSSIBLE, FORK_PER_TOTAL_POSSIBLE, TOTAL_PER_FORK
from analytics.findings import Severity
from analytics.quantities import QUANTITIES

# Rules for limits: quantities that can be given and summed, areas and seasons that are there.


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

#: Methods that look like another one that at least ten times as many interviews have.
_METHODS = "(SELECT method, count(*) AS n FROM interviews WHERE method IS NOT NULL GROUP BY method)"
_MISSPELT = (
    f"SELECT DISTINCT few.method, few.n, (SELECT count(*) FROM interviews) AS n_all "
    f"FROM {_METHODS} few JOIN (FROM {_METHODS} WHERE n >= 10) many ON many.n >= 10 * few.n "
    "AND levenshtein(lower(trim(few.method)), lower(trim(many.method))) <= 2"
)
_RATES_OF_METHODS = (
    "SELECT 1 FROM release_rates WHERE method <> 'any' "
    "UNION ALL SELECT 1 FROM drop_off WHERE method <> 'any'"
)
#: Rules of one table, errors and warnings.
_limits = partial(Rule, table="limits")
_limits_warning = partial(Rule, table="limits", severity=Severity.WARNING)
_interviews = partial(Rule, table="interviews")
_interviews_warning = partial(Rule, table="interviews", severity=Severity.WARNING)
_fish = partial(Rule, table="fish")
_fish_warning = partial(Rule, table="fish", severity=Severity.WARNING)

LIMITS = (
    _limits(
        column="quantity",
        when=f"len({_LIST}) = 0 OR len({_UNKNOWN}) > 0",
        seen="r.quantity",
        allowed="quantities of the result rows, joined by ;: " + ", ".join(QUANTITIES),
        advice="write one of them, or several",
    ),
    _limits(
        column="quantity",
        when=f"len({_LIST}) > 1 AND len({_UNKNOWN}) = 0 AND len({_APART}) > 0",
        seen=f"concat(r.quantity, ', of which ', list_aggregate({_APART}, 'string_agg', ', '), "
        "' is no total of fish')",
        allowed=_SUM + ": " + ", ".join(FISH_TOTALS),
        advice="write a limit of its own for each",
    ),
    _limits(
        column="quantity",
        when=f"len({_UNKNOWN}) = 0 AND len({_TWICE}) > 0",
        seen=f"concat(array_to_string(({_TWICE})[1], ' and '), ' in one sum')",
        allowed=_SUM,
        advice="a fish would count twice: leave one out, or write a limit of its own for each",
    ),
    _limits_warning(
        column="quantity",
        when=f"len({_LIST}) = 1 AND len({_UNKNOWN}) = 0 AND "
        f"NOT list_contains([{_listed(TOTALS)}], {_LIST}[1])",
        seen="concat(r.quantity, ', which is no total')",
        allowed="a total: " + ", ".join(TOTALS),
        advice="it is kept, and no limit status can be given for it",
    ),
    _limits(
        column="areas",
        source="(SELECT *, trim(unnest(string_split(areas, ';'))) AS _area FROM limits) r "
        "LEFT JOIN (SELECT DISTINCT area, true AS _there FROM areas) a ON a.area = r._area",
        when="a._there IS NULL",
        seen="concat('no area ', r._area, ' in areas')",
        allowed="areas of the table areas, joined by ;",
        advice="correct it, or import its row of areas first or together with this",
    ),
    _limits_warning(
        column="season",
        when="r.season NOT IN (SELECT season FROM seasons WHERE season IS NOT NULL)",
        seen="concat('no season ', r.season, ' in seasons')",
        allowed="a season of the table seasons",
        advice="the limit waits until the season is there",
    ),
)


_CALENDAR = ("seasons", "holidays", "sites", "site_days")
_COMPLIANCE = "compliance information; kept in the data"
_RELEASED = "(r.released_legal + r.released_sublegal + coalesce(r.released_unknown, 0))"
_FISH = (
    "coalesce(r.kept, 0) + coalesce(r.released_legal, 0) + coalesce(r.released_sublegal, 0) "
    "+ coalesce(r.released_unknown, 0)"
)
_IN_OPENING = "JOIN openings q ON q.area = r.area AND r.day BETWEEN q.open_date AND q.close_date"
_CLOSED = " ANTI JOIN open_days o ON o.area = {area} AND o.date = {day}"

#: Total length from fork length, and the condition factor of a weighed fish.
_LONG = f"(r.fork_length_mm * {TOTAL_PER_FORK})"
_SHAPE = "(1e5 * r.weight_g / coalesce(r.total_length_mm, r.fork_length_mm) ^ 3)"


def _missing(column: str, words: str) -> Rule:
    return Rule(
        table="interviews",
        column=column,
        when=f"r.sample_id IS NULL AND r.{column} IS NULL",
        seen=f"'neither sample_id nor {column}'",
        allowed="a sample_id, or site and date of an opportunistic interview",
        advice=f"fill in the sample_id of its site-day, or {words}",
    )


def _differs(column: str) -> Rule:
    return Rule(
        table="interviews",
        column=column,
        source="interviews r JOIN site_days d USING (sample_id)",
        when=f"r.{column} <> d.{column}",
        seen=f"concat(r.{column}, ', but site-day ', r.sample_id, ' has ', d.{column})",
        allowed=f"the {column} of its site-day, or an empty cell",
        advice="correct one of the two, or the sample_id",
    )


def _closed(table: str) -> Rule:
    return Rule(
        table=table,
        column="date",
        source=f"{table} r" + _CLOSED.format(area="r.area", day="r.date"),
        when="true",
        seen=closed_words("r.area", "r.date"),
        allowed="a day on which the area is open",
        advice="is the date right?",
        needs=_CALENDAR,
        severity=Severity.WARNING,
    )


def _no_error(table: str) -> Rule:
    return Rule(
        table=table,
        column="rate_se",
        when="r.rate_se IS NULL",
        seen="'an empty cell'",
        allowed="the standard error of the rate",
        advice="without it the deaths carry no error from the rate",
        severity=Severity.WARNING,
    )


INTERVIEWS = (
    _missing("site", "the site where it took place"),
    _missing("date", "the day it took place"),
    _differs("site"),
    _differs("date"),
    _interviews(
        column="sample_id",
        source="interviews r JOIN site_days d USING (sample_id) JOIN complete_trips c "
        "USING (sample_id)",
        # Where the site-day came earlier, the new interviews are at fault and can be set aside.
        when="d._row IS NULL AND r._row IS NOT NULL AND coalesce(r.trip_complete, true) "
        "AND c.n > d.boats_returned",
        seen=f"concat({counted('c.n', 'complete interview')}, ' with those stored, ', "
        f"{counted('d.boats_returned', 'boat')}, ' returned at site-day ', r.sample_id)",
        allowed="at most as many complete interviews as boats returned",
        advice="correct boats_returned of the site-day, or the interview's sample_id",
    ),
    _interviews(
        column="date",
        source="interviews r JOIN sites s USING (site)"
        + _CLOSED.format(area="s.area", day="r.date"),
        when="r.sample_id IS NULL AND r.date IS NOT NULL AND s.area IS NOT NULL",
        seen=closed_words("s.area", "r.date"),
        allowed="a day on which the site's area is open",
        advice="correct the date or the site, or import the season row that opens the area",
        needs=_CALENDAR,
    ),
    part_of("interviews", "released_deep_hooked", _RELEASED, words="released, of all sizes"),
    _interviews(
        column="anglers",
        when=f"r.anglers = 0 AND (r.hours_fished > 0 OR {_FISH} > 0)",
        seen=f"concat('0 anglers with ', coalesce(r.hours_fished, 0), ' h and ', {_FISH}, ' fish')",
        allowed="at least one angler where a boat fished",
        advice="correct the number, or leave it empty for not recorded",
    ),
)

TRIP_WARNINGS = (
    _interviews_warning(
        column="trip_complete",
        when="r.trip_complete = false AND r.sample_id IS NOT NULL",
        seen="concat('a trip that was not over, in site-day ', r.sample_id)",
        allowed="complete trips in a site-day",
        advice="it is kept and leaves the totals: a boat that goes out again has not returned",
    ),
    _interviews_warning(
        column="hours_fished",
        when=f"r.hours_fished = 0 AND r.anglers > 0 AND {_FISH} > 0",
        seen=f"concat('0 h with ', {_FISH}, ' fish')",
        allowed="the hours the boat fished",
        advice="leave it empty if it was not recorded",
    ),
    _interviews_warning(
        column="method",
        when=f"r.method IS NULL AND EXISTS ({_RATES_OF_METHODS})",
        seen="'an empty cell'",
        allowed="a fishing method, such as mooching, trolling or jigging",
        advice="release rates of one method cannot be used for it",
        needs=("release_rates", "drop_off"),
    ),
    _interviews_warning(
        column="method",
        source=f"interviews r JOIN ({_MISSPELT}) m ON m.method = r.method",
        when="true",
        seen="concat(r.method, ', which ', m.n, ' of ', m.n_all, ' interviews have')",
        allowed="a fishing method spelled alike in every table",
        advice="is it another spelling of a method that many more interviews have?",
    ),
    _interviews_warning(
        column="kept",
        source=f"trips r {_IN_OPENING}",
        when="r.kept > r.anglers * q.daily_limit_fish",
        seen=f"concat(r.kept, ' kept by ', {counted('r.anglers', 'angler')}, ' at ', "
        "q.daily_limit_fish, ' a day')",
        allowed="anglers times the daily limit",
        advice=_COMPLIANCE,
        needs=_CALENDAR,
    ),
    _interviews_warning(
        column="kept_marked",
        source=f"trips r {_IN_OPENING}",
        when="q.mark_selective AND r.kept_marked < r.kept",
        seen="concat(r.kept - r.kept_marked, ' unmarked of ', r.kept, ' kept')",
        allowed="marked fish only, as the season's row says",
        advice=_COMPLIANCE,
        needs=_CALENDAR,
    ),
    _interviews_warning(
        column="area",
        source="trips r" + _CLOSED.format(area="r.area", day="r.day"),
        when="r.area IS NOT NULL AND r.day IS NOT NULL",
        seen=closed_words("r.area", "r.day"),
        allowed="an area fished that is open that day",
        advice=_COMPLIANCE,
        needs=_CALENDAR,
    ),
)

FISH = (
    _fish(
        column="fork_length_mm",
        when="r.fork_length_mm > r.total_length_mm",
        seen="concat(r.fork_length_mm, ' mm, longer than the total length ', r.total_length_mm)",
        allowed="at most the total length",
        advice="correct one of the two, or move it to the other column",
    ),
    _fish_warning(
        column="date",
        source="fish r JOIN trips t USING (interview_id)",
        when="r.date <> t.day",
        seen="concat(r.date, ', but its boat was interviewed on ', t.day)",
        allowed="the day of its interview, or an empty cell",
        advice="correct the date of the fish, of the site-day or of the interview",
    ),
    _fish_warning(
        column="total_length_mm",
        source=f"landed r {_IN_OPENING}",
        when="r.total_length_mm < q.min_length_mm",
        seen="concat(r.total_length_mm, ' mm kept under ', q.min_length_mm, ' mm')",
        allowed="the season's minimum length or longer",
        advice=_COMPLIANCE,
        needs=_CALENDAR,
    ),
    _fish_warning(
        column="fork_length_mm",
        source=f"landed r {_IN_OPENING}",
        when=f"r.total_length_mm IS NULL AND {_LONG} < q.min_length_mm",
        seen=f"concat(r.fork_length_mm, ' mm fork, about ', round({_LONG})::INTEGER, "
        "' mm total, kept under ', q.min_length_mm, ' mm')",
        allowed="a fork length that goes with the season's minimum length",
        advice=_COMPLIANCE,
        needs=_CALENDAR,
    ),
    _fish_warning(
        column="fork_length_mm",
        when=f"r.fork_length_mm < {FORK_PER_TOTAL_POSSIBLE[0]} * r.total_length_mm",
        seen="concat(r.fork_length_mm, ' mm, ', round(100 * r.fork_length_mm / r.total_length_mm)"
        "::INTEGER, ' % of the total length ', r.total_length_mm)",
        allowed=f"at least {FORK_PER_TOTAL_POSSIBLE[0]:.0%} of the total length".replace("%", " %"),
        advice="is one of the two misread? The fish is left out of length conversions",
    ),
    _fish_warning(
        column="weight_g",
        when=f"{_SHAPE} NOT BETWEEN {CONDITION_POSSIBLE[0]} AND {CONDITION_POSSIBLE[1]}",
        seen="concat(r.weight_g, ' g at ', coalesce(r.total_length_mm, r.fork_length_mm), ' mm')",
        allowed="a weight in g that a fish of that length can have",
        advice="is it in pounds or kg, or misread? The fish is left out of weight conversions",
    ),
    _fish_warning(
        column="marked",
        source=f"landed r {_IN_OPENING}",
        when="q.mark_selective AND r.marked = false",
        seen="'an unmarked fish kept'",
        allowed="marked fish only, as the season's row says",
        advice=_COMPLIANCE,
        needs=_CALENDAR,
    ),
)

OTHERS = (
    *LIMITS,
    _closed("boat_counts"),
    _closed("coverage"),
    _no_error("release_rates"),
    _no_error("drop_off"),
)

RULES: tuple[Rule, ...] = INTERVIEWS + TRIP_WARNINGS + FISH + OTHERS
