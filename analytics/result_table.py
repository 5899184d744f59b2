"""The one tidy shape of every estimate: column names, types and order of a result row."""

from __future__ import annotations

import itertools
import math
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pandas as pd
import pyarrow as pa

from analytics.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence


def texts(*names: str) -> list[tuple[str, pa.DataType]]:
    """Return columns of text for a schema."""
    return [(name, pa.string()) for name in names]


def numbers(*names: str) -> list[tuple[str, pa.DataType]]:
    """Return columns of numbers for a schema."""
    return [(name, pa.float64()) for name in names]


def counts(*names: str) -> list[tuple[str, pa.DataType]]:
    """Return columns of integers for a schema."""
    return [(name, pa.int64()) for name in names]


def known(value: float | None) -> float | None:
    """Return a number as tables have it: null where it is not finite."""
    return None if value is None or not math.isfinite(value) else float(value)


#: Figures of a domain: error, interval, sample sizes, method and status; tables that have another
#: `basis` of their own take these alone.
FIGURE_SCHEMA = pa.schema(
    [
        *texts("season", "area", "week", "quantity", "unit"),
        *numbers("estimate", "se", "ci_low", "ci_high", "ci_level"),
        ("ci_method", pa.string()),
        ("df", pa.float64()),
        *counts("n_psu", "n_psu_frame", "n_interviews"),
        *texts("method", "status"),
    ]
)
#: Result rows: one a domain and quantity, and what its released fish stand on.
RESULT_SCHEMA = pa.schema([*FIGURE_SCHEMA, ("basis", pa.string())])  # reported | sampled
RESULT_COLUMNS: tuple[str, ...] = tuple(RESULT_SCHEMA.names)
DOMAIN_COLUMNS: tuple[str, ...] = ("season", "area", "week")

#: What a column holds wherever its table says nothing else of it: one name, one meaning.
COLUMN_MEANINGS = MappingProxyType(
    {
        "season": "season, as the table seasons writes it",
        "area": "area fished",
        "area_name": "name of the area",
        "week": "ISO week",
        "quantity": "name of the quantity; the documents explain each",
        "unit": "unit of the figure",
        "estimate": "the figure",
        "se": "standard error; null where it cannot be estimated",
        "ci_low": "lower end of the interval",
        "ci_high": "upper end of the interval",
        "ci_level": "confidence level of the interval",
        "ci_method": "how the interval was made",
        "df": "degrees of freedom of the standard error",
        "n_psu": "primary units sampled",
        "n_psu_frame": "primary units that could be sampled",
        "n_interviews": "interviews behind the row",
        "method": "codes of how it was estimated",
        "status": "a code: what to know of the row",
        "basis": "what its released fish stand on: reported or sampled",
        "previous_week": "the week before",
        "previous": "the figure before",
        "change": "from the figure before",
        "severity": "error, warning or note",
        "table": "input table",
        "row": "row of the file",
        "column": "column of the file",
        "seen": "what was seen, as a code",
        "allowed": "what is allowed, as a code",
        "advice": "what to do, as a code",
        "file": "file as it came",
        "landing_area": "area where the landing site lies",
        "stratum": "stratum: landing area, week and day group",
        "boats_returned": "boats counted at the sampled sites",
        "previous_se": "standard error before",
        "previous_ci_low": "lower end of the interval before",
        "previous_ci_high": "upper end of the interval before",
        "previous_method": "codes of how it was estimated before",
        "previous_status": "status before",
        "since_version": "version of the data before",
        "version": "version of the data now",
        "batch": "batches that moved the figure",
        "at_utc": "when each came in or went out (UTC)",
        "sources": "files of each",
        "alternative": "name of the other way to estimate",
        "n_days": "days with boats asked on the water",
        "boats": "number of boats",
        "share": "part of all, from 0 to 1",
        "share_se": "standard error of the share",
        "share_low": "lower end of the share's interval",
        "share_high": "upper end of the share's interval",
        "factor": "what totals are multiplied by",
        "factor_se": "standard error of the factor",
        "is_pooled": "whether it is of several areas together",
        "fish": "number of fish",
        "is_heap": "whether the number is a multiple of 5",
        "ratio_low": "lower end of the ratio's interval",
        "ratio_high": "upper end of the ratio's interval",
        "p_value": "probability of heaps as large by chance",
        "n_heaped": "reports at the heaps beyond what the curve expects",
        "n_heaped_low": "lower end of its interval",
        "n_heaped_high": "upper end of its interval",
        "n_reports": "reports behind the test",
        "n_left_out": "reports that the test leaves out",
        "variance": "part of the variance, in squared units of the figure",
        "part": "of a ratio: 0 above the line, 1 below it",
        "other_area": "area of the other total",
        "other_part": "as part, of the other total",
        "total": "total of the area",
        "other_total": "total of the other area",
        "covariance": "of the errors of both totals",
        "n_sublegal": "of those, sublegal fish",
        "design_effect": "variance over that of a simple random sample of as many fish",
        "draws_high": "upper end of that interval",
        "reported": "figure from what interviews report",
        "sampled": "figure from test fishing",
        "fish_se": "standard error of the fish",
        "rate_prop": "share that died",
        "rate_se": "standard error of the rate",
        "rate_low": "lower end of the rate's interval",
        "rate_high": "upper end of the rate's interval",
        "deaths": "fish that died",
        "deaths_low": "the same fish at the lower end of the rate",
        "deaths_high": "the same fish at the upper end of the rate",
        "source": "where the value comes from",
        "evidence": "a code: what the source is worth",
        "reason": "why there is no figure; empty where there is one",
        "group": "group of held fish",
        "is_control": "whether the group was handled and not hooked",
        "held": "fish held",
        "died": "of those, fish that died",
        "hours": "hours since capture",
        "wilson_low": "lower end of Wilson's interval",
        "wilson_high": "upper end of Wilson's interval",
        "exact_low": "lower end of the exact interval",
        "exact_high": "upper end of the exact interval",
        "corrected_prop": "share that died, less what the handling explains",
        "corrected_se": "its standard error",
        "corrected_low": "lower end of its interval",
        "corrected_high": "upper end of its interval",
        "n_fish": "fish behind the row",
        "se_from_rates": "part of the standard error that the rates bring",
        "at_risk": "fish alive and still held until then",
        "alive_prop": "share still alive",
        "bin_low_mm": "shortest length of the class, mm",
        "marked": "of those, marked fish",
        "min_length_mm": "minimum length, mm",
        "n_legal": "of those, fish as long or longer",
        "intercept": "intercept of the line",
        "slope": "slope of the line",
        "intercept_se": "standard error of the intercept",
        "slope_se": "standard error of the slope",
        "residual_sd": "standard deviation of the residuals",
        "r_squared": "share of the variance that the line explains",
        "species": "species",
        "response": "what is modelled",
        "survey_low": "lower end of its interval",
        "survey_high": "upper end of its interval",
        "survey_change": "of the survey's figure from the week before",
        "survey_change_low": "lower end of that interval",
        "survey_change_high": "upper end of that interval",
        "survey_direction": "a code: what the survey says of the change",
        "is_projected": "whether the week is still to come",
        "level": "smoothed level",
        "prob_increase_4_weeks": "probability that it rose",
        "candidate": "name of the candidate",
        "family": "distribution of the counts",
        "terms": "terms of the regression",
        "is_chosen": "whether it is the one used",
        "n": "rows fitted",
        "n_parameters": "parameters of the regression",
        "aic": "Akaike's criterion; smaller is better",
        "bic": "Bayesian criterion; smaller is better",
        "held_out_rows": "rows left out to be predicted",
        "held_out_score": "mean log score of those rows; larger is better",
        "dispersion": "estimated dispersion of the candidate",
        "index_terms": "terms of the regression behind the index",
        "index_dispersion": "estimated dispersion of that regression",
        "pearson": "Pearson's statistic over its degrees of freedom",
        "zeros": "share of rows without a fish",
        "zeros_expected": "share of such rows that the regression expects",
        "n_clusters": "site-days of the rows",
        "term": "term of the regression",
        "residual": "residual of the row",
        "influence": "most that the row moves a coefficient, in its standard errors",
        "angler_hours": "angler-hours of the boat",
        "index": "standardised index",
        "logistic": "share by the logistic curve",
        "is_current_season": "whether it is the season of the bulletin",
        "date": "day",
        "rmse": "root mean square error of the curve",
        "ratio": "this season over the mean of past ones",
        "n_past": "past seasons compared",
        "past_high": "highest of them",
        "limit_id": "name of the limit",
        "limit_fish": "fish that the limit allows",
        "share_used_low": "lower end of the share used",
        "share_used_high": "upper end of the share used",
        "projected_total_low": "lower end of its interval",
        "projected_total_high": "upper end of its interval",
        "exceedance_date_p10": "day by which 1 in 10 simulations exceed the limit",
        "exceedance_date_p50": "day by which half of the simulations exceed it",
        "exceedance_date_p90": "day by which 9 in 10 simulations exceed it",
        "previous_through": "last day of the total before",
        "q025": "quantile of the simulations: 2.5 %",
        "q10": "quantile of the simulations: 10 %",
        "q25": "quantile of the simulations: 25 %",
        "q50": "median of the simulations",
        "q75": "quantile of the simulations: 75 %",
        "q90": "quantile of the simulations: 90 %",
        "q975": "quantile of the simulations: 97.5 %",
        "to_date": "total to the week it is projected from",
        "projected_total": "mean of the projected season total",
        "low_80": "lower end of the 80 % interval",
        "high_80": "upper end of the 80 % interval",
        "low_95": "lower end of the 95 % interval",
        "high_95": "upper end of the 95 % interval",
        "final": "estimate at the end of the season",
        "crps": "continuous ranked probability score; smaller is better",
        "interval_score_80": "score of the 80 % interval; smaller is better",
        "interval_score_95": "score of the 95 % interval; smaller is better",
        "target_end_date": "last day of what is projected",
        "value": "value of the output",
        "bulletin": "bulletin that projected it",
        "through": "last week of its data",
        "reference_date": "last day of its data",
        "target": "what is projected",
        "horizon": "weeks from the reference date to the end of the target",
        "projected_by": "model, plain_rule or mixture",
        "projected": "mean of the projection, or probability of a rise",
        "median": "median of the projection",
        "came_se": "standard error of what came",
        "array": "name of the series",
        "day": "day",
        "values": "one number a draw",
        "site": "landing site",
        "site_name": "name of the landing site",
        "sample_id": "sampled site-day",
        "scale": "factor of the replicate's squared difference",
    }
)


def area_names(areas: pa.Table) -> dict[str, str]:
    """Return the names of the areas of a table by their codes; one without a name has its code."""
    return {row["area"]: row["area_name"] or row["area"] for row in areas.to_pylist()}


def to_arrow(rows: Sequence[dict[str, Any]]) -> pa.Table:
    """Return result rows as Arrow, in the columns and order of `RESULT_SCHEMA`.

    Parameters
    ----------
    rows : sequence of dict
        One dict a row; a missing key is null.

    Returns
    -------
    pyarrow.Table
        Sorted by season, area, week and the registry's order of quantities; nulls first.

    Raises
    ------
    ValueError
        If two rows share a domain and quantity, or a quantity is not in the registry.
    """
    order = {name: rank for rank, name in enumerate(QUANTITIES)}
    unknown = {row["quantity"] for row in rows} - set(order)
    if unknown:
        raise ValueError(f"quantities not in the registry: {sorted(unknown)}")

    def key(row: dict[str, Any]) -> tuple[str, str, str, int]:
        season, area, week = (row.get(name) or "" for name in DOMAIN_COLUMNS)
        return season, area, week, order[row["quantity"]]

    ranked = sorted(rows, key=key)
    for before, after in itertools.pairwise(map(key, ranked)):
        if before == after:
            raise ValueError(f"two result rows for {after}")
    return pa.Table.from_pylist(ranked, schema=RESULT_SCHEMA)


def to_frame(table: pa.Table) -> pd.DataFrame:
    """Return result rows as a pandas frame; counts keep their integers where they are null."""
    frame: pd.DataFrame = table.to_pandas(types_mapper={pa.int64(): pd.Int64Dtype()}.get)
    return frame
