"""Result rows for the public: what is too uncertain to publish is withheld, and says so."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from scipy.special import logit, ndtri, stdtrit

from analytics.bulletin.places import public_places
from analytics.catch_rates.trips import SHARE
from analytics.codes import coded
from analytics.precision import WITHHELD_OVER, Precision, marks_of, pse
from analytics.quantities import CiMethod
from analytics.weeks import week_before

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.arrays import Bools, Floats
    from analytics.bulletin.archive import Bulletin


# Taking figures out of tables for publication, with the reason in their place.

#: Stands in `method` or `reason` in the place of a withheld figure's own.
WITHHELD = coded("withheld", pse=f"{WITHHELD_OVER:.0f}")


def withheld_keys(rows: pa.Table) -> set[tuple[str | None, ...]]:
    """Return area, week and quantity of the rows that are withheld."""
    withheld = rows.filter(pc.equal(rows["method"], WITHHELD))
    columns = ("area", "week", "quantity")
    return set(zip(*(withheld[name].to_pylist() for name in columns), strict=True))


def suppress(
    table: pa.Table, *, hidden: Sequence[bool], instead: Mapping[str, str], taken: Sequence[str]
) -> pa.Table:
    """Return a table with some columns of hidden rows null, and a code in others."""
    mask = pa.array(hidden, pa.bool_())
    columns = dict.fromkeys(name for name in taken if name in table.column_names) | dict(instead)
    for name, value in columns.items():
        at = table.schema.get_field_index(name)
        field = table.schema.field(at)
        column = pc.if_else(mask, pa.scalar(value, field.type), table[name])
        table = table.set_column(at, field, column)
    return table


def floats(column: pa.ChunkedArray) -> Floats:
    """Return a column of numbers as an array, NaN where it is null."""
    return np.asarray(pc.fill_null(pc.cast(column, pa.float64()), np.nan), dtype=float)


# Modelled catch rates for the public: what is too uncertain to publish is withheld.

ENCOUNTERS = "encounters"
#: What each response's survey figure is made of.
_BEHIND = {
    ENCOUNTERS: ("encounters_per_angler_hour",),
    "kept": ("kept_fish", "angler_hours"),
    SHARE: ("sublegal_prop",),
}
#: Beyond these an interval of the survey's figure says nothing that helps, and is left out as on
#: the pages: its upper end over the figure, and the width of that of a share. Our choice.
USELESS_TIMES, USELESS_WIDTH = 20.0, 0.8
_OF_INDEX = ("index", "log_se", "ci_low", "ci_high")
_OF_CHANGE = ("survey_change", "survey_change_low", "survey_change_high", "survey_direction")
_OF_SURVEY = ("survey_estimate", "survey_low", "survey_high")
_OF_LEVEL = (
    "level",
    "ci_low",
    "ci_high",
    "change_1_weeks",
    "prob_increase_1_weeks",
    "change_4_weeks",
    "prob_increase_4_weeks",
)
_OF_STRENGTH = ("ratio", "ci_low", "ci_high")
LAGS = (1, 4)


def public_rates(rates: Mapping[str, pa.Table], rows: pa.Table) -> dict[str, pa.Table]:
    """Return the tables of modelled catch rates for the public.

    `rates`: in `RATE_SCHEMAS`; `rows`: as by `public_rows`. Index, level, weeks ahead and strength
    lose figures whose percent standard error is over 50; the survey's figure goes where that is
    withheld, and its interval where that says nothing; the index beside the timing likewise; no
    table names a boat.
    """
    shown = dict(rates)
    if "residuals" in shown:
        shown["residuals"] = shown["residuals"].slice(0, 0)
    if "index" in shown:
        shown["index"] = _index(shown["index"], withheld_keys(rows))
    if "trend" in shown:
        shown["trend"] = _trend(shown["trend"])
    if "seasonal_pattern" in shown:
        shown["seasonal_pattern"] = _timing(shown["seasonal_pattern"], shown.get("index"))
    if "run_strength" in shown:
        shown["run_strength"] = _strength(shown["run_strength"])
    return shown


def _index(table: pa.Table, hidden: set[tuple[str | None, ...]]) -> pa.Table:
    is_share = _is_share(table)
    unsure = _unsure(floats(table["index"]), floats(table["log_se"]), is_share)
    table = suppress(table, hidden=unsure.tolist(), instead={"reason": WITHHELD}, taken=_OF_INDEX)
    names = ("area", "week", "response")
    keys = list(zip(*(table[name].to_pylist() for name in names), strict=True))

    def is_hidden(area: str | None, week: str, response: str) -> bool:
        return any((area, week, quantity) in hidden for quantity in _BEHIND.get(response, ()))

    with_hidden = [is_hidden(*key) for key in keys]
    # A change would reveal the figure of the week before.
    of_change = [
        is_hidden(area, week, response)
        or (week is not None and is_hidden(area, week_before(week), response))
        for area, week, response in keys
    ]
    table = suppress(table, hidden=with_hidden, instead={}, taken=_OF_SURVEY)
    table = suppress(table, hidden=of_change, instead={}, taken=_OF_CHANGE)
    value, low, high = (floats(table[name]) for name in _OF_SURVEY)
    wide = np.where(is_share, high - low > USELESS_WIDTH, high > USELESS_TIMES * value)
    return suppress(table, hidden=wide.tolist(), instead={}, taken=_OF_SURVEY[1:])


def _trend(table: pa.Table) -> pa.Table:
    """Withhold unsure levels with their changes, and changes that would reveal a level before."""
    is_share = _is_share(table)
    level, low, high = (floats(table[name]) for name in _OF_LEVEL[:3])
    step = ndtri(0.5 + floats(table["ci_level"]) / 2)
    unsure = _unsure(level, _spread(low, high, is_share) / (2 * step), is_share)
    for lag in LAGS:
        # Rows of an area and response follow each other week by week.
        before = np.append(np.zeros(lag, dtype=bool), unsure)[: len(unsure)]
        table = suppress(table, hidden=before.tolist(), instead={}, taken=(f"change_{lag}_weeks",))
    instead = {"direction": "not_known", "reason": WITHHELD}
    return suppress(table, hidden=unsure.tolist(), instead=instead, taken=_OF_LEVEL)


def _timing(table: pa.Table, index: pa.Table | None) -> pa.Table:
    """Withhold the index beside the shares, by its own error and where the index's own is."""
    never = np.zeros(len(table), dtype=bool)
    unsure = _unsure(floats(table["index"]), floats(table["log_se"]), never)
    if index is not None:
        names = ("season", "area", "week", "response", "reason")
        lines = zip(*(index[name].to_pylist() for name in names), strict=True)
        withheld = {line[:3] for line in lines if line[3:] == (ENCOUNTERS, WITHHELD)}
        keys = zip(*(table[name].to_pylist() for name in names[:3]), strict=True)
        unsure |= np.array([key in withheld for key in keys], dtype=bool)
    return suppress(table, hidden=unsure.tolist(), instead={}, taken=("index", "log_se"))


def _strength(table: pa.Table) -> pa.Table:
    never = np.zeros(len(table), dtype=bool)
    ratio, low, high = (floats(table[name]) for name in _OF_STRENGTH)
    # The interval is Student's, with one degree fewer than past seasons.
    free = np.maximum(floats(table["n_past"]) - 1, 1)
    step = stdtrit(free, 0.5 + floats(table["ci_level"]) / 2)
    unsure = _unsure(ratio, _spread(low, high, never) / (2 * step), never)
    instead = {"reason": WITHHELD}
    return suppress(table, hidden=unsure.tolist(), instead=instead, taken=_OF_STRENGTH)


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


# A season's limits for the public: no draws, and no figure that is too uncertain to publish.

_TOTAL = (
    "estimate",
    "se",
    "ci_low",
    "ci_high",
    "share_used",
    "share_used_low",
    "share_used_high",
    "fish_remaining",
)
_AHEAD = (
    "projected_total",
    "projected_total_low",
    "projected_total_high",
    "prob_exceeded_by_close",
    "exceedance_date_p10",
    "exceedance_date_p50",
    "exceedance_date_p90",
)
_OF_STANDING = (*_TOTAL, *_AHEAD, "prob_exceeded_to_date", "previous_estimate")
#: Half the width of a normal 95 % interval in standard errors.
_HALF = 1.96


def public_standing(tables: Mapping[str, pa.Table]) -> dict[str, pa.Table]:
    """Return the tables of a season's limits, in `OUTLOOK_SCHEMAS`, for the public.

    No draws; a limit whose total has a percent standard error over 50 keeps its row, with the
    reason and no figure, and has no fan; weeks ahead of a fan are left out where half the width of
    their 95 % interval is over 1.96 times 50 % of their mean.
    """
    shown = dict(tables)
    if "draws" in shown:
        shown["draws"] = shown["draws"].slice(0, 0)
    if "limit_status" not in shown:
        return shown
    table = shown["limit_status"]
    marks = marks_of(pse(floats(table["estimate"]), floats(table["se"])))
    hidden = [mark is Precision.WITHHELD for mark in marks]
    shown["limit_status"] = suppress(
        table, hidden=hidden, instead={"reason": WITHHELD}, taken=_OF_STANDING
    )
    limits = {one for one, out in zip(table["limit_id"].to_pylist(), hidden, strict=True) if out}
    if "limit_paths" in shown:
        shown["limit_paths"] = _public_fan(shown["limit_paths"], limits)
    return shown


def _public_fan(fan: pa.Table, hidden: set[str]) -> pa.Table:
    mean, low, high = (floats(fan[name]) for name in ("estimate", "q025", "q975"))
    wide = 100 * (high - low) / 2 > _HALF * WITHHELD_OVER * mean
    limits = fan["limit_id"].to_pylist()
    kept = [one not in hidden and not out for one, out in zip(limits, wide, strict=True)]
    return fan.filter(pa.array(kept, pa.bool_()))


_TAKEN_OUT = ("estimate", "se", "ci_low", "ci_high", "draws_low", "draws_high", "design_effect")
_OF_DEATHS = (
    "deaths",
    "deaths_low",
    "deaths_high",
    "se",
    "ci_low",
    "ci_high",
    "catch_variance_prop",
)
_OF_RATIOS = ("reported", "sampled", "ratio", "ci_low", "ci_high")


def public_rows(table: pa.Table) -> pa.Table:
    """Return result rows without the figures that are not for publication.

    Where the percent standard error is over 50, estimate, standard error and interval are null,
    `ci_method` is ``none`` and `method` gives the reason. Every row stays, so that a reader sees
    that there is a figure and why it is not shown. This guards against uncertain figures, not
    against disclosure: where domains add up, a withheld one follows from the others.
    """
    instead = {"ci_method": str(CiMethod.NONE), "method": WITHHELD}
    hidden = _is_withheld(table, "estimate", "se")
    return suppress(table, hidden=hidden, instead=instead, taken=_TAKEN_OUT)


def public_released(released: Mapping[str, pa.Table]) -> dict[str, pa.Table]:
    """Return the tables of released fish, in `RELEASED_SCHEMAS`, for the public.

    Figures whose percent standard error is over 50 are withheld, and a ratio of which either side
    is; what was measured, and rates, stay as they are.
    """
    shown = dict(released)
    for name in {"shares", "composition", "bycatch"} & set(shown):
        shown[name] = public_rows(shown[name])
    reason = {"reason": WITHHELD}
    for name in {"deaths", "method_mix_deaths"} & set(shown):
        table = shown[name]
        if "fish_se" in table.column_names:
            hidden = _is_withheld(table, "fish", "fish_se")
            table = suppress(table, hidden=hidden, instead=reason, taken=("fish", "fish_se"))
        hidden = _is_withheld(table, "deaths", "se")
        shown[name] = suppress(table, hidden=hidden, instead=reason, taken=_OF_DEATHS)
    if "composition_ratio" in shown:
        hidden = _is_compared(shown["composition_ratio"], shown.get("composition"))
        shown["composition_ratio"] = suppress(
            shown["composition_ratio"], hidden=hidden, instead=reason, taken=_OF_RATIOS
        )
    return shown


def _is_withheld(table: pa.Table, value: str, se: str) -> list[bool]:
    marks = marks_of(pse(floats(table[value]), floats(table[se])))
    return [mark is Precision.WITHHELD for mark in marks]


def _is_compared(compared: pa.Table, composition: pa.Table | None) -> list[bool]:
    """Return which ratios have a side that is withheld."""
    hidden = withheld_keys(composition) if composition is not None else set()
    names = ("area", "week", "quantity")
    keys = zip(*(compared[name].to_pylist() for name in names), strict=True)
    return [key in hidden for key in keys]


def public_bulletin(bulletin: Bulletin) -> Bulletin:
    """Return a bulletin for the public: uncertain figures withheld, no site-day named.

    Returns
    -------
    Bulletin
        Result rows and alternative estimates as by `public_rows`; a change or a revision of which
        either side is withheld is not shown; strata and findings, which name site-days, and landing
        sites are empty.
    """
    rows = public_rows(bulletin.rows)
    return replace(
        bulletin,
        rows=rows,
        other_basis=public_rows(bulletin.other_basis),
        alternative_estimates=public_rows(bulletin.alternative_estimates),
        changes=_public_changes(bulletin.changes, rows),
        revisions=_public_moves(bulletin.revisions),
        released=public_released(bulletin.released),
        rates=public_rates(bulletin.rates, rows),
        outlook=public_standing(bulletin.outlook),
        places=public_places(bulletin.places),
        strata=bulletin.strata.slice(0, 0),
        findings=bulletin.findings.slice(0, 0),
    )


def _public_changes(changes: pa.Table, rows: pa.Table) -> pa.Table:
    """Take changes out that rest on a withheld figure."""
    hidden = withheld_keys(rows)
    names = ("area", "week", "previous_week", "quantity")
    keys = zip(*(changes[name].to_pylist() for name in names), strict=True)
    shown = [
        not {(area, week, quantity), (area, before, quantity)} & hidden
        for area, week, before, quantity in keys
    ]
    return changes.filter(pa.array(shown, pa.bool_()))


def _public_moves(moved: pa.Table) -> pa.Table:
    """Take revisions out of which either side is not for publication."""
    sides = (("previous", "previous_se"), ("estimate", "se"))
    marks = [marks_of(pse(floats(moved[value]), floats(moved[se]))) for value, se in sides]
    shown = [Precision.WITHHELD not in pair for pair in zip(*marks, strict=True)]
    return moved.filter(pa.array(shown, pa.bool_()))
