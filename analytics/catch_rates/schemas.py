"""The shapes of what a bulletin keeps of modelled catch rates; readers need pyarrow only."""

from __future__ import annotations

import pyarrow as pa

from analytics.result_table import counts, numbers, texts

#: Standardised index by area and week beside the survey's own figure. `response` is one of
#: ``encounters``, ``kept`` (fish per angler-hour) and ``sublegal`` (share of encounters).
INDEX_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        *texts("week", "response", "unit"),
        ("survey_estimate", pa.float64()),  # the survey's figure
        *numbers("survey_low", "survey_high"),
        # against the week before: a ratio, of the share a difference; in the words of `changes`
        *numbers("survey_change", "survey_change_low", "survey_change_high"),
        ("survey_direction", pa.string()),
        ("index", pa.float64()),  # marginal mean at the season's mix
        ("log_se", pa.float64()),  # standard error of its log; for the share, of its logit
        *numbers("ci_low", "ci_high", "ci_level"),
        ("n_trips", pa.int64()),  # of a share: trips that met a fish
        ("imputed_prop", pa.float64()),  # all areas: part that is imputed, for areas not fished
        ("note", pa.string()),  # of an index: that there was no fish, or why it has no interval
        ("reason", pa.string()),  # why there is no index; empty where there is one
    ]
)

#: Smooth level behind the index, and the weeks ahead.
TREND_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        *texts("week", "response"),
        ("is_projected", pa.bool_()),
        ("is_closed", pa.bool_()),  # no open day in the week
        *numbers("level", "ci_low", "ci_high", "ci_level"),
        ("change_1_weeks", pa.float64()),  # level over that of a week before, less 1
        ("prob_increase_1_weeks", pa.float64()),  # probability that it rose
        ("change_4_weeks", pa.float64()),  # over that of four weeks before, less 1
        ("prob_increase_4_weeks", pa.float64()),
        ("direction", pa.string()),  # rising | falling | no_clear_change | not_known
        ("reason", pa.string()),
    ]
)

#: Candidate regressions of each response, the chosen one marked.
MODEL_SCHEMA = pa.schema(
    [
        *texts("season", "response", "candidate", "family", "terms"),
        ("purpose", pa.string()),  # what it is tried for
        ("is_chosen", pa.bool_()),
        *counts("n", "n_parameters"),
        *numbers("aic", "bic"),
        ("held_out_rows", pa.int64()),
        ("held_out_score", pa.float64()),
        ("score_gap", pa.float64()),  # best score of those that may be chosen, less its own
        ("score_gap_se", pa.float64()),  # standard error of that, by site-day
        ("dispersion", pa.float64()),
        # Of the chosen one, the regression behind the index: a level for every area and week.
        ("index_terms", pa.string()),
        *numbers("index_dispersion", "pearson", "zeros", "zeros_expected"),
        ("n_clusters", pa.int64()),
        ("cluster_factor", pa.float64()),  # variance by site-day over that of single boats
        ("reason", pa.string()),
    ]
)

#: Coefficients of the regressions behind the index, but for the levels of areas and weeks.
COEFFICIENT_SCHEMA = pa.schema(
    [
        *texts("season", "response", "term"),
        *numbers("estimate", "se"),
        ("ratio", pa.float64()),  # exp of the estimate
        *numbers("ci_low", "ci_high", "ci_level"),
        ("reason", pa.string()),  # why there is no error; empty where there is one
    ]
)

#: Ordered residuals of the regressions behind the index against the standard normal, and weighty
#: boats.
RESIDUAL_SCHEMA = pa.schema(
    [
        *texts("season", "response"),
        ("kind", pa.string()),  # quantile | boat
        ("normal", pa.float64()),  # quantile: the standard normal's
        ("residual", pa.float64()),
        ("interview_id", pa.string()),  # boat
        ("influence", pa.float64()),
        ("fish", pa.int64()),
        ("angler_hours", pa.float64()),
    ]
)

#: Cumulative share of the season's index by the end of each week, this season and past ones.
SEASONAL_PATTERN_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        ("week", pa.string()),
        ("day", pa.int64()),  # end of the week: days since the Monday all seasons count from
        ("index", pa.float64()),
        ("log_se", pa.float64()),  # standard error of its log
        ("share", pa.float64()),  # null for a season in progress
        ("normal", pa.float64()),  # the curves fitted to the shares
        ("logistic", pa.float64()),
        ("is_current_season", pa.bool_()),
    ]
)

#: Dates by which a quarter, a half and three quarters had come.
RUN_DATE_SCHEMA = pa.schema(
    [
        *texts("season", "area"),
        ("curve", pa.string()),  # normal | logistic | index
        ("share", pa.float64()),
        ("date", pa.date32()),
        ("se_days", pa.float64()),  # over draws of the index
        ("rmse", pa.float64()),
        ("reason", pa.string()),
    ]
)

#: The season's index to date against past seasons by the same week.
RUN_STRENGTH_SCHEMA = pa.schema(
    [
        *texts("season", "area", "week"),
        *numbers("ratio", "ci_low", "ci_high", "ci_level"),
        ("n_past", pa.int64()),
        ("past_low", pa.float64()),  # lowest and highest past season over their mean
        ("past_high", pa.float64()),
        ("reason", pa.string()),  # why there is no ratio; empty where there is one
        ("note", pa.string()),  # how past seasons were brought to this one's mix, where not fully
    ]
)

RATE_SCHEMAS: dict[str, pa.Schema] = {
    "index": INDEX_SCHEMA,
    "trend": TREND_SCHEMA,
    "models": MODEL_SCHEMA,
    "coefficients": COEFFICIENT_SCHEMA,
    "residuals": RESIDUAL_SCHEMA,
    "seasonal_pattern": SEASONAL_PATTERN_SCHEMA,
    "run_dates": RUN_DATE_SCHEMA,
    "run_strength": RUN_STRENGTH_SCHEMA,
}
