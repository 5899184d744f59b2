"""Why a figure has no number or no interval, what stands behind it, and how far to trust it.

The codes of a row stand in its `method`: why there is no estimate, else the name of the estimator
and its reservations (`analytics.codes`).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analytics.codes import (
    Code,
    parse,
    sentence,
    sentences,
    why_no_error,
    without_estimators,
    without_no_error,
)
from analytics.codes import left_out as left_out_codes
from analytics.intervals import t_quantile
from analytics.precision import CAUTION_OVER, WITHHELD_OVER, Precision, mark_of, percent
from analytics.quantities import QUANTITIES, QuantityKind, Status

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.wording.bulletin_index import Row

#: Beyond these an interval says nothing that helps: its upper end over the estimate, and the
#: percent standard error. Our own choice, no source.
USELESS_TIMES, USELESS_PSE = 20.0, 100.0
#: The same for a share: the width of its interval.
USELESS_WIDTH = 0.8
#: From which on a share's interval is wide; that of other figures is where it reaches as far above
#: the figure as the interval of one that is not published for its percent standard error. With few
#: site-days an interval may be so where that error is small. Our own choice, no source.
WIDE_WIDTH = 0.5
#: Said of such a figure.
WIDE = "a wide interval"
#: Said in the place of an interval that does not help.
TOO_FEW = "too few site-days for a useful interval"
#: Degrees of freedom and interviews at which an interval is a warning rather than a measure.
FEW_DF, FEW_INTERVIEWS = 2, 3

MILD, STRONG = "!", "!!"
#: The percent standard error in letters.
PSE = "PSE"
_OVER = {
    Precision.CAUTION: f"{PSE} over {percent(CAUTION_OVER / 100)}",
    Precision.WITHHELD: f"{PSE} over {percent(WITHHELD_OVER / 100)}",
}
#: The signs of a caution, in words.
CAUTION_SIGNS = (
    (
        MILD,
        f"{_OVER[Precision.CAUTION]}, or an interval as wide as at a {_OVER[Precision.WITHHELD]}: "
        f"{Precision.CAUTION}",
    ),
    (STRONG, f"{_OVER[Precision.WITHHELD]}: {Precision.WITHHELD}; or no interval that helps"),
)

#: What stands behind a figure: a short word for tables and a sentence that explains it.
STATUS_WORDS: dict[str, tuple[str, str]] = {
    Status.OK: ("sampled", "Sampled as designed; the interval holds the sampling error."),
    Status.CENSUS: ("all sampled", "Every site-day was sampled, so sampling adds no error."),
    Status.ZERO_TOTAL: (
        "none seen",
        "None was seen in the sample (the figure is 0), or nothing else was (a share of all). "
        "No error can be given: a few may have been missed.",
    ),
    Status.COLLAPSED: (
        "variance pooled",
        "Weekdays or weekend days at an area's landing sites had a single sampled site-day, so "
        "their variance was pooled with that of a neighbouring group.",
    ),
    Status.IMPUTED: (
        "imputed",
        "Open weekdays or weekend days at an area's landing sites had no sample and were "
        "imputed from their neighbours.",
    ),
    Status.NO_SAMPLE: (
        "no sample",
        "Nothing to estimate from: no site-day sampled, or nobody gave the number, or no rate; "
        "the row says which.",
    ),
    Status.NO_DESIGN: (
        "no design",
        "Interviews of convenience: they give rates and shares, no totals.",
    ),
    Status.MODELLED: ("modelled", "The figure comes from a model, not from the sample alone."),
}

_CLOSED = "no open day"
#: Codes of reasons in fewer words, for narrow places; others have their sentence.
_SHORT = {
    "no_site_day_of_area": "no sample where its boats land",
    "no_drop_off_rate_for": "no drop-off rate for some",
    "no_release_rate_for": "no release rate for some",
    "not_recorded": "not recorded",
    "zero_denominator": "nothing to divide by",
    "no_totals_from_convenience": "no totals from convenience",
}
#: For a row that came without a reason of its own.
_UNSAID = "the bulletin gives no reason"


def why_no_estimate(row: Row | None) -> str:
    """Return why there is no number: the row's own reason."""
    if row is None:
        return _CLOSED
    return "; ".join(notes(row)) or _UNSAID


def why_no_estimate_short(row: Row | None) -> str:
    """Return why there is no number in a few words, for narrow places."""
    return "; ".join(in_short(row.method if row else None, _SHORT)) or why_no_estimate(row)


def in_short(cell: str | None, words: Mapping[str, str]) -> list[str]:
    """Return the `words` of the codes of a cell that have some, each once."""
    found = (words.get(one.name) for one in parse(cell) if isinstance(one, Code))
    return list(dict.fromkeys(one for one in found if one is not None))


def why_no_interval(row: Row) -> str:
    """Return why a figure has no interval that helps, in a few words."""
    if row.status == Status.CENSUS and (is_certain(row) or not row.has_interval):
        return "all sampled, no sampling error"
    if is_certain(row):
        return "no sampling error"
    if row.has_interval:
        return TOO_FEW
    if row.status == Status.ZERO_TOTAL:
        return "nothing else seen, no interval" if row.estimate else "none seen, no interval"
    found = parse(why_no_error(row.method))
    return f"no interval: {sentence(found[-1], brief=True)}" if found else "no interval"


def brief(why: str) -> str:
    """Return a reason of `why_no_interval` in the fewest words, where it was given before."""
    return "no useful interval" if why == TOO_FEW else why.partition(":")[0]


def is_useful(row: Row) -> bool:
    """Return whether a figure has an interval narrow enough to help."""
    estimate = row.estimate
    if estimate is None or row.ci_low is None or row.ci_high is None:
        return False
    if not math.isfinite(row.ci_low) or not math.isfinite(row.ci_high):
        return False
    if QUANTITIES[row.quantity].kind is QuantityKind.SHARE:
        return row.ci_high - row.ci_low <= USELESS_WIDTH
    is_narrow = estimate <= 0 or row.ci_high <= USELESS_TIMES * estimate
    return is_narrow and (row.pse is None or row.pse <= USELESS_PSE)


def is_wide(row: Row) -> bool:
    """Return whether an interval is wide whatever the percent standard error of its figure."""
    estimate, low, high = row.estimate, row.ci_low, row.ci_high
    if estimate is None or low is None or high is None or row.ci_level is None:
        return False
    if QUANTITIES[row.quantity].kind is QuantityKind.SHARE:
        return high - low > WIDE_WIDTH
    log_sd = math.sqrt(math.log1p((WITHHELD_OVER / 100) ** 2))
    furthest = math.exp(t_quantile(row.ci_level, math.inf) * log_sd)
    return estimate > 0 and high > furthest * estimate


def is_certain(row: Row) -> bool:
    """Return whether the interval of a figure has no width: sampling adds no error to it."""
    return row.has_interval and row.ci_low == row.ci_high


def lacks_error(row: Row) -> bool:
    """Return whether a figure that could have an interval has none, so that it looks too sure."""
    may_lack = row.status in (Status.CENSUS, Status.ZERO_TOTAL)
    return row.estimate is not None and not row.has_interval and not may_lack


def caution(row: Row | None) -> tuple[str, str]:
    """Return the caution mark of a figure and its words; both empty where none is due."""
    if row is None or row.estimate is None:
        return "", ""
    if lacks_error(row):
        return STRONG, "very uncertain: no error can be had"
    if row.precision is Precision.WITHHELD:
        return STRONG, f"{row.precision}: {_OVER[row.precision]}"
    if row.has_interval and not is_useful(row):
        return STRONG, f"very uncertain: {TOO_FEW}"
    if row.precision is Precision.CAUTION:
        return MILD, f"{row.precision}: {_OVER[row.precision]}"
    return (MILD, f"{Precision.CAUTION}: {WIDE}") if is_wide(row) else ("", "")


def precision(row: Row | None) -> str:
    """Return the percent standard error of a figure as ``PSE 18 %``; empty where there is none.

    Nor is it said of a figure that is marked for another reason: it would contradict the mark.
    """
    if row is None or row.pse is None:
        return ""
    is_usable = row.precision is not Precision.WITHHELD
    if is_usable and row.estimate is not None and row.has_interval and not is_useful(row):
        return ""
    if row.precision is Precision.FAIR and is_wide(row):
        return ""
    if row.pse > 10 * USELESS_PSE:
        return f"{PSE} over {percent(10 * USELESS_PSE / 100)}"
    # Rounding must not put a figure on the wrong side of a limit that it is marked for.
    if mark_of(round(row.pse)) is not row.precision:
        return _OVER[row.precision]
    return f"{PSE} {percent(row.pse / 100)}"


def left_out(row: Row | None) -> str:
    """Return what a figure is without, such as ``without Sorrel Narrows (never sampled)``."""
    if row is None or row.estimate is None:
        return ""
    return sentences(left_out_codes(row.method))


def notes(row: Row) -> tuple[str, ...]:
    """Return the reservations of an estimate in words."""
    return tuple(map(sentence, parse(without_estimators(row.method))))


def behind(row: Row) -> str:
    """Return in words what stands behind a figure, or why there is none."""
    if row.estimate is None:
        return why_no_estimate(row)
    word = STATUS_WORDS.get(row.status, (row.status, ""))[0]
    if row.status == Status.NO_SAMPLE:
        word = "part not sampled"
    found = without_estimators(row.method)
    if row.status == Status.ZERO_TOTAL:
        word = "nothing else seen" if row.estimate else word
        found = without_no_error(found)
    return ": ".join(one for one in (word, sentences(found)) if one)
