"""The rows that go out: result rows, less what is withheld and what is not sure enough."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.estimates.estimate import LEVELS, result_rows
from analytics.precision import Precision, mark_of, pse_of
from analytics.quantities import QUANTITIES, RATIOS, QuantityKind, Status
from analytics.result_table import DOMAIN_COLUMNS, numbers, texts

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.publishing.knowledge import Domain, Publication

Row = dict[str, Any]

#: What the public gets: few figures are easier to keep safe. Ratios follow from totals beside them.
PUBLISHED = (
    "boat_trips",
    "angler_trips",
    "angler_hours",
    "kept_fish",
    "released_sublegal_fish",
    "released_fish",
    "encounter_fish",
    "kept_per_angler_trip",
    "encounters_per_angler_hour",
    "sublegal_prop",
)
FIGURE_SCHEMA = pa.schema(
    [
        *texts("season", "area", "week", "quantity", "unit"),
        *numbers("estimate", "ci_low", "ci_high", "ci_level"),
        *texts("precision", "status"),
    ]
)
LEVEL = 0.95
#: The numbers that go with an estimate, and what a row is made of.
_SIZED = ("estimate", "se", "ci_low", "ci_high")
_USED = (*DOMAIN_COLUMNS, "quantity", "unit", *_SIZED, "ci_level", "status")
#: Numbers are written to this many places, so that sums hold to the last one but rounding.
_PLACES = 6


class PrecisionClass(StrEnum):
    """What the percent standard error of a figure says of its use; codes of a published table."""

    WITHIN_30 = "within_30"
    OVER_30 = "over_30"
    OVER_50 = "over_50"


_CLASSES = {
    Precision.FAIR: PrecisionClass.WITHIN_30,
    Precision.CAUTION: PrecisionClass.OVER_30,
    Precision.WITHHELD: PrecisionClass.OVER_50,
}


def rows_by_domain(season: SeasonSurvey) -> dict[Domain, dict[str, Row]]:
    """Return the result rows of the published quantities by domain, sorted by area and week."""
    found: dict[Domain, dict[str, Row]] = {}
    for by in LEVELS:
        for row in result_rows(season, by=by, level=LEVEL, quantities=PUBLISHED):
            mine = {key: row[key] for key in _USED}
            found.setdefault((row["area"], row["week"]), {})[row["quantity"]] = mine
    return {one: found[one] for one in sorted(found, key=lambda one: (one[0] or "", one[1] or ""))}


def figures(rows: Mapping[Domain, Mapping[str, Row]], publication: Publication) -> pa.Table:
    """Return the rows of a publication in `FIGURE_SCHEMA`."""
    shown = dict(zip(publication.domains, publication.shown.tolist(), strict=True))
    found: list[Row] = []
    for one, mine in rows.items():
        # What the totals do not know does not go out.
        is_empty = all(row["estimate"] is None for row in mine.values())
        found += _public(mine, is_shown=shown.get(one, is_empty))
    return pa.Table.from_pylist(found, schema=FIGURE_SCHEMA)


def moved(
    rows: Mapping[str, Row], now: Mapping[str, float], then: Mapping[str, float]
) -> dict[str, Row]:
    """Return the rows of a domain whose totals are `now` what goes out and were estimated `then`.

    Errors and intervals keep their size relative to the estimate: the totals differ by what few
    boats add to some parts, and the sample is all but the same.
    """
    found = {}
    for name, row in rows.items():
        above, *below = RATIOS.get(name, (name,))
        totals = (above, *below)
        if row["estimate"] is None or all(now[one] == then[one] for one in totals):
            found[name] = row
            continue
        new: dict[str, float | None] = dict.fromkeys(_SIZED)
        under = now[below[0]] if below else 1.0
        if now[above] > 0 and under > 0 and all(then[one] > 0 for one in totals):
            factor = now[above] / then[above] / (under / then[below[0]] if below else 1.0)
            new = {key: None if row[key] is None else row[key] * factor for key in _SIZED}
            if QUANTITIES[name].kind is QuantityKind.SHARE:
                new["ci_high"] = None if new["ci_high"] is None else min(new["ci_high"], 1.0)
        elif under > 0:
            new["estimate"] = now[above] / under
        found[name] = {**row, **new}
    return found


def _public(rows: Mapping[str, Row], *, is_shown: bool) -> Iterator[Row]:
    """Yield the public form of the rows of one domain."""
    status = {name: _status(row, is_shown=is_shown) for name, row in rows.items()}
    lacking = {
        name
        for name, row in rows.items()
        if row["estimate"] is None or status[name] == Status.SUPPRESSED
    }
    for name in (one for one in QUANTITIES if one in rows):
        row = rows[name]
        # A ratio and one of its parts give the other. A total that is only unsure is no secret, so
        # that a ratio beside it goes out by its own error.
        why = next((one for one in (name, *RATIOS.get(name, ())) if one in lacking), None)
        said = status[why or name]
        is_out = why is None and said != Status.NOT_PUBLISHED
        known = {key: _number(row[key]) for key in _NUMBERS} if is_out else {}
        sure = mark_of(pse_of(row["estimate"], row["se"]))
        precision = None if said == Status.SUPPRESSED else _CLASSES.get(sure)
        yield {
            **{key: row[key] for key in (*DOMAIN_COLUMNS, "quantity", "unit")},
            "ci_level": row["ci_level"] if known.get("ci_low") is not None else None,
            "precision": precision and str(precision),
            "status": said,
            **known,
        }


_NUMBERS = ("estimate", "ci_low", "ci_high")


def _status(row: Row, *, is_shown: bool) -> str:
    if not is_shown:
        return str(Status.SUPPRESSED)
    is_unsure = mark_of(pse_of(row["estimate"], row["se"])) is Precision.WITHHELD
    return str(Status.NOT_PUBLISHED) if is_unsure else str(row["status"])


def _number(value: float | None) -> float | None:
    return None if value is None else round(value, _PLACES) + 0.0
