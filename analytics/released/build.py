"""All that a bulletin keeps of released fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.released.bycatch import bycatch_table
from analytics.released.composition import composition_tables, sampled_death_table
from analytics.released.deaths import death_sums, death_table, mix_table
from analytics.released.holding_trials import survival_table, trial_table, wound_mix_table
from analytics.released.lengths import conversion_table, legal_share_table, length_table
from analytics.released.sublegal_share import shares_table

if TYPE_CHECKING:
    from analytics.estimates.season_survey import SeasonSurvey


def released_tables(season: SeasonSurvey, *, level: float) -> dict[str, pa.Table]:
    """Return every table of released fish by its name, in `schemas.RELEASED_SCHEMAS`.

    `season`: prepared with the usual settings.
    """
    sums = death_sums(season)
    composition, compared = composition_tables(season, level=level)
    return {
        "shares": shares_table(season, level=level),
        "composition": composition,
        "composition_ratio": compared,
        "deaths": pa.concat_tables(
            [
                death_table(season, level=level, sums=sums),
                sampled_death_table(season, level=level, sums=sums),
            ]
        ),
        "method_mix_deaths": mix_table(season, level=level, sums=sums),
        "holding_rates": trial_table(season.snapshot, level=level),
        "wound_mix": wound_mix_table(season, level=level),
        "survival": survival_table(season.snapshot, level=level),
        "lengths": length_table(season),
        "legal_share": legal_share_table(season, level=level),
        "conversions": conversion_table(season),
        "bycatch": bycatch_table(season, level=level),
    }
