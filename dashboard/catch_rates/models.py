"""The regressions behind the index, in words and tables, for those who want them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.codes import has_code
from analytics.rounding import DASH, number, percent
from dashboard import html_tables, numbers
from dashboard.catch_rates import terms

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.catch_rates.records import Line, Rates

HEADS = ("Candidate", "Distribution and terms", "Trips", "AIC", "BIC", "Held-out weeks")
BOAT_HEADS = ("Interview", "Influence", "Fish", "Angler-hours", "Residual")
CRITERIA = (
    "AIC and BIC are given against the lowest of the candidates that the index may use: less is "
    "better. The score of held-out weeks is the mean log chance that a fit of the weeks before "
    "gives them: more is better. It is the only figure here that asks about weeks a fit has not "
    "seen, which is what an index of a season in progress is used for. No candidate is chosen by "
    "p-values."
)
RESIDUALS = (
    "Randomised quantile residuals (Dunn & Smyth 1996, Randomized quantile residuals, J. Comput. "
    "Graph. Stat. 5; from memory), in order, against those of a standard normal: on the line where "
    "the distribution of the counts is right."
)
INFLUENCE = (
    "Influence: the largest change of a coefficient, in its standard errors, if the boat were left "
    "out. A boat over 1 is worth a look at its interview."
)
WITHHELD = "This bulletin holds no residuals of single boats; a public one withholds them."
#: Differences of scores under which they print alike.
SAME_SCORE = 0.0005
#: Codes of reasons by which a candidate is shown and may not be chosen.
_KEPT_OUT = ("not_chosen_daylight", "not_chosen_parallel", "not_chosen_hurdle")


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
    name = f"{line['candidate']}{', chosen' if line['is_chosen'] else ''}"
    listed = terms.listed(line["terms"] or "")
    law = _spaced(line["family"]) + html_tables.small(line.get("purpose") or "", listed)
    if line["reason"]:
        law += html_tables.small(line["reason"])
    score, rows = line["held_out_score"], line["held_out_rows"]
    held = DASH if score is None else number(score, place=-3)
    inside = [
        law,
        _count(line["n"]) + html_tables.small(_parameters(line["n_parameters"])),
        *(_above(line[name], lowest[name]) for name in ("aic", "bic")),
        held
        + html_tables.small(
            _behind(line), "" if rows is None or score is None else numbers.count(rows, "trip")
        ),
    ]
    return html_tables.line(HEADS, name, inside, is_all=bool(line["is_chosen"]))


def _behind(line: Line) -> str:
    """Return by how much a score is under the best, with the standard error of that."""
    behind, se = line.get("score_gap"), line.get("score_gap_se")
    if behind is None:
        return ""
    if abs(behind) < SAME_SCORE:
        return "best" if behind == 0 else "as good as the best"
    by = f"{number(abs(behind), place=-3)} {'behind' if behind > 0 else 'ahead'}"
    return by if se is None else f"{by} ± {number(se, place=-3)}"


def _spaced(words: str | None) -> str:
    return (words or "").replace("_", " ")


def _count(amount: int | None) -> str:
    return DASH if amount is None else f"{amount:,}"


def _parameters(amount: int | None) -> str:
    return "" if amount is None else numbers.count(amount, "parameter")


def _above(value: float | None, lowest: float | None) -> str:
    if value is None or lowest is None:
        return DASH
    if value == lowest:
        return "lowest"
    more = number(value - lowest, place=-1)
    return more if more.startswith("−") else f"+{more}"


def checks(line: Line | None) -> list[str]:
    """Return how the chosen regression stands to its rows, one sentence a finding (Markdown)."""
    if line is None:
        return ["No regression was chosen, so there is nothing to check."]
    found = []
    if line.get("index_terms"):
        found.append(
            "Coefficients, checks and boats are of the regression behind the index itself: a level "
            f"for every area and week, and {numbers.plain(terms.listed(line['index_terms']))}."
        )
    if line["zeros"] is not None and line["zeros_expected"] is not None:
        seen, expected = percent(line["zeros"], digits=1), percent(line["zeros_expected"], digits=1)
        found.append(f"Trips without a fish: {seen} seen, {expected} expected by the fit.")
    if line["pearson"] is not None:
        found.append(
            f"Pearson dispersion {number(line['pearson'], place=-2)}: 1 where the counts spread as "
            "the distribution says, above where they spread more."
        )
    own = line.get("index_dispersion")
    dispersion = line["dispersion"] if own is None else own
    if dispersion is not None:
        found.append(
            f"Dispersion {number(dispersion, place=-3)}: 0 would be no more spread than "
            "chance alone gives."
        )
    if line["cluster_factor"] is not None:
        days = line["n_clusters"]
        named = "" if days is None else f" over {numbers.count(days, 'site-day')}"
        times = number(line["cluster_factor"], place=-2)
        found.append(
            f"Boats of one site-day are alike: variances are {times} times those of single "
            f"boats{named}."
        )
    return found


def boats(rates: Rates, response: str) -> list[Line]:
    """Return the boats that carry the regression most, the weightiest first."""
    found = [one for one in rates.of("residuals", response) if one["kind"] == "boat"]
    return sorted(found, key=lambda one: -(one["influence"] or 0.0))


def boats_table(lines: Sequence[Line]) -> str:
    """Return weighty boats as HTML."""
    return html_tables.table(BOAT_HEADS, [_boat(line) for line in lines])


def _boat(line: Line) -> str:
    inside = [
        _figure(line["influence"], place=-2),
        _count(line["fish"]),
        _figure(line["angler_hours"], place=-1),
        _figure(line["residual"], place=-2),
    ]
    return html_tables.line(BOAT_HEADS, line["interview_id"] or DASH, inside)


def has_no_boats(rates: Rates) -> bool:
    """Return whether regressions were chosen and no residual of any rate is kept."""
    return not rates.lines["residuals"] and any(one["is_chosen"] for one in rates.lines["models"])


def _figure(value: float | None, *, place: int) -> str:
    return DASH if value is None else number(value, place=place)


def quantiles(rates: Rates, response: str) -> list[Line]:
    """Return the ordered residuals that have both ends."""
    found = [one for one in rates.of("residuals", response) if one["kind"] == "quantile"]
    return [one for one in found if one["normal"] is not None and one["residual"] is not None]


def quantile_words(lines: Sequence[Line]) -> str:
    """Return a sentence that stands for the residuals where they cannot be seen."""
    off = max(lines, key=lambda one: abs(one["residual"] - one["normal"]))
    return (
        f"Residuals against the standard normal, {len(lines)} points; farthest from the line at "
        f"{number(off['normal'], place=-1)}, where the residual is "
        f"{number(off['residual'], place=-1)}."
    )
