"""Modelled catch rates for the public: what is too uncertain to publish is withheld."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import logit
from scipy.stats import norm
from scipy.stats import t as student_t

from analytics.bulletin.rates.fitted import SHARE
from analytics.bulletin.withheld import WITHHELD, floats, withheld_keys, without
from analytics.precision import Precision, marks_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

ENCOUNTERS = "encounters"
#: What each response's survey figure is made of.
_RAW = {
    ENCOUNTERS: ("encounters_per_angler_hour",),
    "kept": ("kept_fish", "angler_hours"),
    SHARE: ("sublegal_prop",),
}
#: Beyond these an interval of the survey's figure says nothing that helps, and is left out as on
#: the pages: its upper end over the figure, and the width of that of a share. Our choice.
USELESS_TIMES, USELESS_WIDTH = 20.0, 0.8
_OF_INDEX = ("index", "log_se", "ci_low", "ci_high")
_OF_RAW = ("raw", "raw_low", "raw_high")
_OF_LEVEL = ("level", "ci_low", "ci_high", "rise_1", "rose_1", "rise_4", "rose_4")
_OF_STRENGTH = ("ratio", "ci_low", "ci_high")
LAGS = (1, 4)


def public_rates(rates: Mapping[str, pa.Table], rows: pa.Table) -> dict[str, pa.Table]:
    """Return the tables of modelled catch rates for the public.

    Parameters
    ----------
    rates : mapping of str to pyarrow.Table
        In `analytics.bulletin.rates.tables.RATE_SCHEMAS`.
    rows : pyarrow.Table
        Result rows as by `analytics.bulletin.public.public_rows`.

    Returns
    -------
    dict of str to pyarrow.Table
        Index, level, weeks ahead and strength without figures whose percent standard error is over
        50; the survey's figure where that is withheld, and its interval where that says nothing;
        the index beside the timing likewise; no table that names a boat.
    """
    shown = dict(rates)
    if "residuals" in shown:
        shown["residuals"] = shown["residuals"].slice(0, 0)
    if "index" in shown:
        shown["index"] = _index(shown["index"], withheld_keys(rows))
    if "trend" in shown:
        shown["trend"] = _trend(shown["trend"])
    if "timing" in shown:
        shown["timing"] = _timing(shown["timing"], shown.get("index"))
    if "strength" in shown:
        shown["strength"] = _strength(shown["strength"])
    return shown


def _index(table: pa.Table, hidden: set[tuple[str | None, ...]]) -> pa.Table:
    is_share = _is_share(table)
    unsure = _unsure(floats(table["index"]), floats(table["log_se"]), is_share)
    table = without(table, hidden=unsure.tolist(), instead={"reason": WITHHELD}, taken=_OF_INDEX)
    keys = zip(*(table[name].to_pylist() for name in ("area", "week", "response")), strict=True)
    raw = [
        any((area, week, quantity) in hidden for quantity in _RAW.get(response, ()))
        for area, week, response in keys
    ]
    table = without(table, hidden=raw, instead={}, taken=_OF_RAW)
    value, low, high = (floats(table[name]) for name in _OF_RAW)
    wide = np.where(is_share, high - low > USELESS_WIDTH, high > USELESS_TIMES * value)
    return without(table, hidden=wide.tolist(), instead={}, taken=_OF_RAW[1:])


def _trend(table: pa.Table) -> pa.Table:
    """Withhold unsure levels with their changes, and rises that would tell a level before."""
    is_share = _is_share(table)
    level, low, high = (floats(table[name]) for name in _OF_LEVEL[:3])
    step = norm.ppf(0.5 + floats(table["ci_level"]) / 2)
    unsure = _unsure(level, _spread(low, high, is_share) / (2 * step), is_share)
    for lag in LAGS:
        # Rows of an area and response follow each other week by week.
        before = np.append(np.zeros(lag, dtype=bool), unsure)[: len(unsure)]
        table = without(table, hidden=before.tolist(), instead={}, taken=(f"rise_{lag}",))
    instead = {"word": "not known", "reason": WITHHELD}
    return without(table, hidden=unsure.tolist(), instead=instead, taken=_OF_LEVEL)


def _timing(table: pa.Table, index: pa.Table | None) -> pa.Table:
    """Withhold the index beside the shares, by its own error and where the index's own is."""
    never = np.zeros(len(table), dtype=bool)
    unsure = _unsure(floats(table["index"]), floats(table["log_se"]), never)
    if index is not None:
        names = ("season", "area", "week", "response", "reason")
        lines = zip(*(index[name].to_pylist() for name in names), strict=True)
        told = {line[:3] for line in lines if line[3:] == (ENCOUNTERS, WITHHELD)}
        keys = zip(*(table[name].to_pylist() for name in names[:3]), strict=True)
        unsure |= np.array([key in told for key in keys], dtype=bool)
    return without(table, hidden=unsure.tolist(), instead={}, taken=("index", "log_se"))


def _strength(table: pa.Table) -> pa.Table:
    never = np.zeros(len(table), dtype=bool)
    ratio, low, high = (floats(table[name]) for name in _OF_STRENGTH)
    # The interval is Student's, with one degree fewer than past seasons.
    free = np.maximum(floats(table["n_past"]) - 1, 1)
    step = student_t.ppf(0.5 + floats(table["ci_level"]) / 2, free)
    unsure = _unsure(ratio, _spread(low, high, never) / (2 * step), never)
    instead = {"reason": WITHHELD}
    return without(table, hidden=unsure.tolist(), instead=instead, taken=_OF_STRENGTH)


def _is_share(table: pa.Table) -> Bools:
    return np.array([one == SHARE for one in table["response"].to_pylist()], dtype=bool)


def _spread(low: Floats, high: Floats, is_share: Bools) -> Floats:
    """Return the width of an interval on the log scale, of a share on the logit scale."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(is_share, logit(high) - logit(low), np.log(high) - np.log(low))


def _unsure(value: Floats, se: Floats, is_share: Bools) -> Bools:
    """Return which figures have a percent standard error over the limit.

    Of a log it is the error itself; of a logit ``(1 - p)`` of it (delta method).
    """
    percent = 100 * np.where(is_share, (1 - value) * se, se)
    marks = marks_of(np.where(np.isfinite(value), percent, np.nan)) if len(value) else []
    return np.array([mark is Precision.WITHHELD for mark in marks], dtype=bool)
