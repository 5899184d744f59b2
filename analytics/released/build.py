"""All that a bulletin keeps of released fish, lengths of measured fish among them.

Of lengths: how many fish, how many legal, and how they were found.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.codes import coded, join_codes
from analytics.data import query
from analytics.fish.lengths import Form, conversions, legal_share, measured_fish
from analytics.released.bycatch import bycatch_table
from analytics.released.composition import composition_tables, sampled_death_table
from analytics.released.deaths import death_sums, death_table, mix_table
from analytics.released.holding_trials import survival_table, trial_table, wound_mix_table
from analytics.released.schemas import CONVERSION_SCHEMA, LEGAL_SHARE_SCHEMA, LENGTH_SCHEMA
from analytics.released.sublegal_share import shares_table

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.lengths import Conversion


BIN_MM = 20.0
#: Step between the minimum lengths for which a share is given.
STEP_MM = 10.0

_BINS = """
SELECT $season AS season, area, week, source, floor(total_mm / $width) * $width AS bin_low_mm,
    $width AS bin_mm, count(*) AS fish, count(*) FILTER (WHERE marked) AS marked,
    count(*) FILTER (WHERE is_converted) AS converted, min_length_mm
FROM measured WHERE total_mm IS NOT NULL
GROUP BY area, week, source, bin_low_mm, min_length_mm
ORDER BY area, week, source, bin_low_mm, min_length_mm
"""
_NO_FISH = coded("no_test_lengths")


def length_table(season: SeasonSurvey) -> pa.Table:
    """Count the measured fish of a season by area, week, source and length, kept ones too."""
    given = {"season": season.design.season, "width": BIN_MM}
    return query.run(_BINS, {"measured": _measured(season)}, given).cast(LENGTH_SCHEMA)


def legal_share_table(season: SeasonSurvey, *, level: float) -> pa.Table:
    """Return the share of the fish met that are legal at many minimum lengths, all areas first.

    Fish of test fishing only: they are the fish met, those on the dock were chosen by the line.
    Fish of one area and week are alike, and their likeness widens the interval. Every 10 mm over
    the lengths of the sample, and the minimum of the season (`is_rule`; one row each where areas
    have several). An area with a minimum and no sample has that row alone, with the reason.
    """
    measured = _measured(season)
    met = measured.filter(pc.equal(measured["source"], "test_fishing")).to_pandas()
    rules = _rules(season)
    grid = _grid(met["total_mm"].dropna())
    rows: list[dict[str, Any]] = []
    for area in (None, *season.design.areas):
        of_area = met if area is None else met[met["area"] == area]
        rows += _shares(of_area, area, rules[area], grid, season=season.design.season, level=level)
    return pa.Table.from_pylist(rows, LEGAL_SHARE_SCHEMA)


def conversion_table(season: SeasonSurvey) -> pa.Table:
    """Return how total length follows from fork length, and weight from length.

    Linear: target = intercept + slope · given; power: the same of natural logarithms; stated
    factor: `slope` is the factor (total over fork length, or the condition K) and the rest is null.
    """
    given = {"season": season.design.season, "through": season.design.through}
    rows = [
        {"season": season.design.season, **_numbers(one)}
        for one in conversions(season.snapshot, **given)
    ]
    return pa.Table.from_pylist(rows, CONVERSION_SCHEMA)


def _numbers(conversion: Conversion) -> dict[str, Any]:
    row = {name: getattr(conversion, name) for name in ("target", "given", "source")}
    row |= {"form": str(conversion.form)}
    if conversion.regression is None or conversion.form is Form.STATED:
        return row | {"n_fish": 0, "slope": conversion.factor}
    fit = asdict(conversion.regression)
    return row | {"n_fish": fit.pop("n"), **fit}


def _measured(season: SeasonSurvey) -> pa.Table:
    return measured_fish(
        season.snapshot, season=season.design.season, through=season.design.through
    )


def _rules(season: SeasonSurvey) -> dict[str | None, dict[float, list[str]]]:
    """Return every minimum of each area, and of all (None), with the areas that have it."""
    rules: dict[str | None, dict[float, list[str]]] = defaultdict(dict)
    for row in season.snapshot["seasons"].to_pylist():
        area, minimum = row["area"], row["min_length_mm"]
        if row["season"] == season.design.season and minimum is not None:
            for key in (area, None):
                who = rules[key].setdefault(minimum, [])
                if area not in who:
                    who.append(area)
    return rules


def _grid(lengths: pd.Series) -> list[float]:
    """Return every 10 mm from under the shortest to over the longest fish."""
    if lengths.empty:
        return []
    first, last = np.floor(lengths.min() / STEP_MM), np.ceil(lengths.max() / STEP_MM)
    return [float(one) for one in STEP_MM * np.arange(first, last + 1)]


def _shares(
    met: pd.DataFrame,
    area: str | None,
    rules: dict[float, list[str]],
    grid: list[float],
    *,
    season: str,
    level: float,
) -> Iterator[dict[str, Any]]:
    known = met[met["total_mm"].notna()]
    labels = (known["area"] + " " + known["week"]).to_numpy()
    clusters = np.unique(labels, return_inverse=True)[1]
    unknown = len(met) - len(known)
    for minimum in sorted({*rules, *(grid if len(known) else ())}):
        found = legal_share(known["total_mm"].to_numpy(), minimum, clusters, level=level)
        words = [found.reason if found.n_fish else _NO_FISH]
        if area is None and found.n_fish:
            words.append(coded("same_weight"))
        if unknown:
            words.append(coded("without_length", n=unknown))
        if len(rules) > 1 and minimum in rules:
            words.append(coded("minimum_of", areas=sorted(rules[minimum])))
        yield {
            "season": season,
            "area": area,
            "min_length_mm": minimum,
            "is_rule": minimum in rules,
            "n_fish": found.n_fish,
            "n_legal": found.n_legal,
            "share": found.share,
            "ci_low": found.low,
            "ci_high": found.high,
            "ci_level": level,
            "reason": join_codes(words),
        }


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
