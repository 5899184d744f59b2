"""The regressions behind the standardised rates: candidates, coefficients as ratios, checks."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analytics.codes import has_code
from analytics.precision import DASH, number, percent
from analytics.quantities import capitalised
from analytics.wording import numbers
from analytics.wording.numbers import NumberKind
from dashboard import html_tables
from dashboard.catalogue import phrase, say, say_n
from dashboard.catch_rates.records import SHARE
from dashboard.charts.forest import ForestRow

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.numbers import Measurement
    from dashboard.catch_rates.records import Line, Rates

HEADS = (
    phrase("Candidate"),
    phrase("Distribution and terms"),
    phrase("Trips"),
    "AIC",
    "BIC",
    phrase("Held-out weeks"),
)
BOAT_HEADS = (
    phrase("Interview"),
    phrase("Influence"),
    phrase("Fish"),
    phrase("Angler-hours"),
    phrase("Residual"),
)
CRITERIA = phrase(
    "AIC and BIC are differences from the lowest of the candidates that may be chosen: lower is "
    "better. The score of held-out weeks is the mean log probability of those weeks by a fit of "
    "the weeks before: higher is better. It alone judges weeks that a fit has not seen, which is "
    "what rates of a season in progress are used for. No candidate is chosen by p-values."
)
RESIDUALS = phrase(
    "Randomised quantile residuals (Dunn & Smyth 1996, Randomized quantile residuals, J. Comput. "
    "Graph. Stat. 5; from memory), in order, against those of a standard normal: on the line where "
    "the distribution of the counts is right."
)
INFLUENCE = phrase(
    "Influence: the largest change of a coefficient, in its standard errors, if the boat were left "
    "out. A boat over 1 is worth a look at its interview."
)
WITHHELD = phrase("This bulletin holds no residuals of single boats; a public one withholds them.")
#: Differences of scores under which they print alike.
SAME_SCORE = 0.0005
#: Codes of reasons by which a candidate is shown and may not be chosen.
_KEPT_OUT = ("not_chosen_daylight", "not_chosen_parallel", "not_chosen_hurdle")


# The candidates and the checks of the chosen one.


def chosen(rates: Rates, response: str) -> Line | None:
    """Return the chosen candidate of a response, or None."""
    found = [line for line in rates.of("models", response) if line["is_chosen"]]
    return found[0] if found else None


def table(lines: Sequence[Line]) -> str:
    """Return candidates side by side as HTML, the chosen one marked."""
    allowed = [line for line in lines if not has_code(line.get("reason_codes"), *_KEPT_OUT)]
    lowest = {
        name: min((line[name] for line in allowed if line[name] is not None), default=None)
        for name in ("aic", "bic")
    }
    return html_tables.table(HEADS, [_candidate(line, lowest) for line in lines])


def _candidate(line: Line, lowest: dict[str, float | None]) -> str:
    name = line["candidate"]
    name = say("{candidate}, chosen", candidate=name) if line["is_chosen"] else name
    family = (line["family"] or "").replace("_", " ")
    below = (line.get("purpose") or "", listed_terms(line["terms"] or ""), line["reason"] or "")
    n_parameters, score, rows = line["n_parameters"], line["held_out_score"], line["held_out_rows"]
    parameters = (
        "" if n_parameters is None else say_n(n_parameters, "{n} parameter", "{n} parameters")
    )
    trips = "" if rows is None or score is None else say_n(rows, "{n} trip", "{n} trips")
    inside = [
        family + html_tables.small(*below),
        _count(line["n"]) + html_tables.small(parameters),
        *(_above(line[name], lowest[name]) for name in ("aic", "bic")),
        _figure(score, place=-3) + html_tables.small(_behind(line), trips),
    ]
    return html_tables.line(HEADS, name, inside, is_all=bool(line["is_chosen"]))


def _behind(line: Line) -> str:
    """Return by how much a score is under the best, with the standard error of that."""
    behind, se = line.get("score_gap"), line.get("score_gap_se")
    if behind is None:
        return ""
    if abs(behind) < SAME_SCORE:
        return say("best") if behind == 0 else say("as good as the best")
    size = number(abs(behind), place=-3)
    by = say("{score} behind", score=size) if behind > 0 else say("{score} ahead", score=size)
    return by if se is None else f"{by} ± {number(se, place=-3)}"


def _count(amount: int | None) -> str:
    return DASH if amount is None else f"{amount:,}"


def _figure(value: float | None, *, place: int) -> str:
    return DASH if value is None else number(value, place=place)


def _above(value: float | None, lowest: float | None) -> str:
    if value is None or lowest is None:
        return DASH
    if value == lowest:
        return say("lowest")
    more = number(value - lowest, place=-1)
    return more if more.startswith("−") else f"+{more}"


def checks(line: Line | None) -> list[str]:
    """Return how the chosen regression stands to its rows, one sentence a finding (Markdown)."""
    if line is None:
        return [say("No regression was chosen, so there is nothing to check.")]
    found = []
    if line.get("index_terms"):
        listed = numbers.plain(listed_terms(line["index_terms"]))
        found.append(
            say(
                "Coefficients, checks and boats are of the regression behind the "
                "standardised rate: a value for every area and week, and {listed}.",
                listed=listed,
            )
        )
    if line["zeros"] is not None and line["zeros_expected"] is not None:
        seen, expected = percent(line["zeros"], digits=1), percent(line["zeros_expected"], digits=1)
        found.append(
            say(
                "Trips without a fish: {seen} seen, {expected} expected by the fit.",
                seen=seen,
                expected=expected,
            )
        )
    if line["pearson"] is not None:
        found.append(
            say(
                "Pearson dispersion {pearson}: 1 where the variance is as the "
                "distribution says, above where it is larger.",
                pearson=number(line["pearson"], place=-2),
            )
        )
    own = line.get("index_dispersion")
    dispersion = line["dispersion"] if own is None else own
    if dispersion is not None:
        found.append(
            say(
                "Dispersion {dispersion}: 0 would be no more variance than chance alone gives.",
                dispersion=number(dispersion, place=-3),
            )
        )
    if line["cluster_factor"] is not None:
        days = line["n_clusters"]
        named = "" if days is None else say_n(days, " over {n} site-day", " over {n} site-days")
        times = number(line["cluster_factor"], place=-2)
        found.append(
            say(
                "Boats of one site-day are correlated: variances are {times} times those "
                "of single boats{over}.",
                times=times,
                over=named,
            )
        )
    return found


def boats(rates: Rates, response: str) -> list[Line]:
    """Return the boats that carry the regression most, the weightiest first."""
    found = [one for one in rates.of("residuals", response) if one["kind"] == "boat"]
    return sorted(found, key=lambda one: -(one["influence"] or 0.0))


def boats_table(lines: Sequence[Line]) -> str:
    """Return weighty boats as HTML."""
    return html_tables.table(
        BOAT_HEADS,
        [
            html_tables.line(
                BOAT_HEADS,
                line["interview_id"] or DASH,
                [
                    _figure(line["influence"], place=-2),
                    _count(line["fish"]),
                    _figure(line["angler_hours"], place=-1),
                    _figure(line["residual"], place=-2),
                ],
            )
            for line in lines
        ],
    )


def has_no_boats(rates: Rates) -> bool:
    """Return whether regressions were chosen and no residual of any rate is kept."""
    return not rates.lines["residuals"] and any(one["is_chosen"] for one in rates.lines["models"])


def quantiles(rates: Rates, response: str) -> list[Line]:
    """Return the ordered residuals that have both ends."""
    found = [one for one in rates.of("residuals", response) if one["kind"] == "quantile"]
    return [one for one in found if one["normal"] is not None and one["residual"] is not None]


def quantile_words(lines: Sequence[Line]) -> str:
    """Return a sentence that stands for the residuals where they cannot be seen."""
    off = max(lines, key=lambda one: abs(one["residual"] - one["normal"]))
    return say(
        "Residuals against the standard normal, {n} points; farthest from the line "
        "at {normal}, where the residual is {residual}.",
        n=len(lines),
        normal=number(off["normal"], place=-1),
        residual=number(off["residual"], place=-1),
    )


# Coefficients by the names of their terms: what is given against what, as a ratio.

RATIO_HEADS = (phrase("Of the trips"), phrase("Against"), phrase("Ratio"))
#: A level of a factor, written ``method[mooching]``.
_LEVEL = re.compile(r"(?P<column>[^\[\]]+)\[(?P<level>.*)\]")
_ZERO = "zero: "
INTERCEPT = "intercept"
#: One step of each number, and what it is given against.
_STEPS = {
    "party": (phrase("each angler more in the boat"), phrase("one angler fewer")),
    "daylight_hours": (phrase("each hour of daylight more"), phrase("one hour less")),
    "moon": (phrase("full moon"), phrase("new moon")),
    "tide_range_m": (phrase("each metre of tide range more"), phrase("one metre less")),
    "week_number": (phrase("each week later"), phrase("the week before")),
}
#: Columns in a list of terms.
_COLUMNS = {
    "week_number": phrase("week"),
    "day_group": phrase("days of the week"),
    "party": phrase("party size"),
    "daylight_hours": phrase("daylight"),
    "tide_range_m": phrase("tide range"),
    "area_week": phrase("area by week"),
}
#: Days that make a week's end, and weekdays alone, in the names of strata.
_WEEKEND = re.compile(r"\b(Sat|Sun)\b")


def listed_terms(terms: str) -> str:
    """Return the terms of a regression as a list for people; smooths by their number of columns."""
    return ", ".join(_term(one) for one in re.split(r" \+ |, ", terms) if one)


def _term(term: str) -> str:
    names = [one.partition("~")[0] for one in term.split(":")]
    parts = [say(_COLUMNS.get(name, name)) for name in names]
    columns = re.search(r"~(\d+)", term)
    words = say(" by ").join(reversed(parts)) if len(parts) > 1 else parts[0]
    if columns is None:
        return words
    return say("{term} (smooth, {n} columns)", term=words, n=columns[1])


def term_names(index: BulletinIndex, lines: Sequence[Line]) -> dict[str, tuple[str, str]]:
    """Return what each term of the lines of ``coefficients`` is about and what it is given against.

    Methods and strata of the bulletin give the base of a factor.
    """
    found = [line["term"] for line in lines if is_ratio(line)]
    bases = _bases(index, found)
    return {term: _name(term, bases) for term in found}


def is_ratio(line: Line) -> bool:
    """Return whether a line is a ratio: an intercept is a level."""
    return line["ratio"] is not None and not line["term"].endswith(INTERCEPT)


def _name(term: str, bases: Mapping[str, tuple[str, Mapping[str, str]]]) -> tuple[str, str]:
    plain = term.removeprefix(_ZERO)
    part = say("chance of a trip without fish: ") if plain != term else ""
    level = _LEVEL.fullmatch(plain)
    if level is None:
        if plain in _STEPS:
            this, base = map(say, _STEPS[plain])
        else:
            this, base = say("{term}, one more", term=plain), say("one less")
        return part + this, base
    base, words = bases.get(level["column"], (say("the base"), {}))
    if not words:
        column = say(_COLUMNS.get(level["column"], level["column"]))
        words = {level["level"]: f"{column} {level['level']}"}
    return part + words.get(level["level"], level["level"]), base


def _bases(index: BulletinIndex, terms: Sequence[str]) -> dict[str, tuple[str, dict[str, str]]]:
    """Return the base of each factor in words, and the words of its other levels."""
    levels: dict[str, list[str]] = {}
    for term in terms:
        found = _LEVEL.fullmatch(term.removeprefix(_ZERO))
        if found and found["level"] not in levels.setdefault(found["column"], []):
            levels[found["column"]].append(found["level"])
    bases = {}
    if "method" in levels:
        bases["method"] = (_method(index, levels["method"]), {one: one for one in levels["method"]})
    if "day_group" in levels:
        bases["day_group"] = _days(index, levels["day_group"])
    for name in ("area", "site"):
        if name in levels:
            words = {one: index.name(one) if name == "area" else one for one in levels[name]}
            bases[name] = (
                say("the first area") if name == "area" else say("the first site"),
                words,
            )
    return bases


def _method(index: BulletinIndex, others: Sequence[str]) -> str:
    """Return the method that has no coefficient; the base is the first by name."""
    lines = index.bulletin.table("method_mix_deaths").to_pylist()
    rest = {line["method"] for line in lines if line["method"]} - {*others}
    first = min(rest, default="")
    return first if len(rest) == 1 and first < min(others) else say("the first method by name")


def _days(index: BulletinIndex, others: Sequence[str]) -> tuple[str, dict[str, str]]:
    """Return the base among groups of days: weekdays, where the second holds every weekend day."""
    seen = {(one.landing_area, (one.stratum or "").partition(" ")[2]) for one in index.strata}
    days = {words for _, words in seen}
    ends = {words for words in days if _WEEKEND.search(words)}
    is_week = bool(ends) and all("Sun" in words for words in ends) and len(days) > len(ends)
    if is_week and list(others) == ["2"]:
        return say("weekdays"), {"2": say("weekend days")}
    return say("days of group 1"), {one: say("days of group {group}", group=one) for one in others}


def ratio_rows(index: BulletinIndex, rates: Rates, response: str) -> list[ForestRow]:
    """Return the coefficients of the chosen regression as ratios with their intervals.

    Intercepts are levels and no ratios; they stand in the download.
    """
    return [ForestRow(this, _amount(line)) for this, _, line in _ratios(index, rates, response)]


def ratio_table(index: BulletinIndex, rates: Rates, response: str) -> str:
    """Return the same as an HTML table, each ratio with what it is given against."""
    lines = []
    for this, base, line in _ratios(index, rates, response):
        found, why = _amount(line), line.get("reason") or say("no interval")
        ratio = found.words + html_tables.small(found.limits or why)
        lines.append(html_tables.line(RATIO_HEADS, capitalised(this), [base, ratio]))
    return html_tables.table(RATIO_HEADS, lines)


def _ratios(index: BulletinIndex, rates: Rates, response: str) -> list[tuple[str, str, Line]]:
    """Return the ratios of a response: each with what it is of, against what, and its line."""
    lines = rates.of("coefficients", response)
    named = term_names(index, lines)
    return [(*named[one["term"]], one) for one in lines if is_ratio(one)]


def _amount(line: Line) -> Measurement:
    return numbers.of_line(line, "ratio", NumberKind.RATIO)


def ratio_title(response: str) -> str:
    """Return what the ratios of a response are."""
    if response == SHARE:
        return say("Odds of a sublegal fish, as ratios")
    return say("Catch per angler-hour, as ratios")
