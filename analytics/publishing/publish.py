"""Publish a season: rows for the public, and what there is to know about them.

The rows that go out are result rows, less what is withheld and what is not sure enough.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.csv_text import table_csv
from analytics.data.calendar import season_days
from analytics.estimates.estimate import LEVELS, result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.precision import CAUTION_OVER, WITHHELD_OVER, Precision, mark_of, pse_of
from analytics.publishing import publications
from analytics.publishing.publications import FEWEST_BOATS, CellState, knowledge
from analytics.publishing.published_files import ABOUT_FILE, FIGURES_FILE
from analytics.publishing.totals import NO_BOATS, boats_behind, named_totals, totals_of
from analytics.publishing.withholding import PROTECTION, choose, keep_published
from analytics.quantities import QUANTITIES, RATIOS, QuantityKind, Status
from analytics.result_table import DOMAIN_COLUMNS, area_names, numbers, texts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from analytics.data.snapshot import Snapshot
    from analytics.data.store import Store
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.publishing.publications import Domain, Publication


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


#: Version of the names in `ABOUT_FILE`.
ABOUT_VERSION = 1
_RULES = (
    *("area", "open_date", "close_date", "open_weekdays", "min_length_mm", "daily_limit_fish"),
    "mark_selective",
)


@dataclass(frozen=True, slots=True, eq=False)
class Published:
    """What goes out, and how good the choice of what is withheld is.

    Parameters
    ----------
    figures : pyarrow.Table
        In `analytics.publishing.publish.FIGURE_SCHEMA`.
    about : dict
        Season, rules, quantities and counts, ready for JSON.
    publication : Publication
    n_sensitive, n_withheld, n_kept : int
        Domains on too few boats, those withheld with them, and areas and weeks as they went out
        before, since late forms of one or two boats change them.
    weight, bound : float
        What is lost, and what the best choice loses at least; as of `withholding.choose`.
    """

    figures: pa.Table
    about: dict[str, Any]
    publication: Publication
    n_sensitive: int
    n_withheld: int
    n_kept: int
    weight: float
    bound: float

    def files(self) -> dict[str, bytes]:
        """Return the files that go out, by name; no other number leaves the store."""
        about = json.dumps(self.about, indent=2, ensure_ascii=False) + "\n"
        return {FIGURES_FILE: table_csv(self.figures).encode(), ABOUT_FILE: about.encode()}


def publish(
    store: Store,
    *,
    season: str | None = None,
    through: str | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> Published:
    """Choose what the public gets of a season, and remember it in the store.

    Figures always stand on what interviews report, so that no two bases can be compared. The same
    data through the same week give the same files.

    Parameters
    ----------
    store : Store
    season, through : str, optional
        As of `analytics.estimates.estimate.estimate`.
    progress : callable, optional
        Called with a few words before each step.

    Raises
    ------
    UsageError, DataRejected
        As of `analytics.estimates.estimate.estimate`.
    StoreError
        If an earlier publication cannot be read.
    """
    progress("reading the store")
    snapshot = store.snapshot()
    progress("estimating")
    prepared = prepare_survey(snapshot, season=season, through=through)
    progress("choosing what to withhold")
    with publications.one_at_a_time(store.path):
        before = publications.publications(store.path, prepared.design.season)
        published = published_of(prepared, before)
        publications.keep(store.path, published.publication, before)
    return published


def published_of(season: SeasonSurvey, before: list[Publication]) -> Published:
    """Return what goes out of a season after some publications, without remembering it."""
    estimated, rows = totals_of(season), rows_by_domain(season)
    boats = boats_behind(season)
    states = {
        one: CellState(boats.get(one, NO_BOATS), list(rows.get(one, {}).values()))
        for one in estimated.domains
        if None not in one
    }
    totals, old, n_kept = keep_published(replace(estimated, states=states), before)
    rows = _going_out(rows, estimated, totals, old)
    # What went out once goes out again as it was.
    same = next((one for one in reversed(before) if one.is_same(totals)), None)
    earlier = before[: before.index(same)] if same else before
    known = knowledge(totals, earlier)
    weight = np.asarray(1.0 + totals.boats, dtype=np.float64)
    chosen = choose(known, weight)
    withheld = ~same.shown if same else chosen.withheld
    states = {
        one: CellState(boats.get(one, NO_BOATS), list(rows.get(one, {}).values()))
        for one in totals.domains
        if one not in old
    }
    publication = replace(totals, shown=~withheld, states=states)
    table = figures(rows, publication)
    return Published(
        figures=table,
        about=_about(season, table),
        publication=publication,
        n_sensitive=int(totals.is_sensitive.sum()),
        n_withheld=int(withheld.sum()),
        n_kept=n_kept,
        weight=float(weight[withheld].sum()),
        bound=min(chosen.bound, chosen.weight),
    )


def _going_out(
    rows: Mapping[Domain, dict[str, Row]],
    estimated: Publication,
    totals: Publication,
    old: Mapping[Domain, CellState],
) -> dict[Domain, dict[str, Row]]:
    """Return the rows of a season, old ones as they went out and sums as they follow from them."""
    found = dict(rows)
    then = dict(zip(estimated.domains, estimated.values, strict=True))
    for domain, values in zip(totals.domains, totals.values, strict=True):
        if domain in old and old[domain].rows:
            found[domain] = {row["quantity"]: row for row in old[domain].rows}
        elif domain in found and domain in then:
            found[domain] = moved(found[domain], named_totals(values), named_totals(then[domain]))
    return dict(sorted(found.items(), key=lambda one: (one[0][0] or "", one[0][1] or "")))


def _about(season: SeasonSurvey, table: pa.Table) -> dict[str, Any]:
    snapshot, design = season.snapshot, season.design
    days = season_days(snapshot, design.season)
    status = np.array(table["status"].to_pylist())
    return {
        "version": ABOUT_VERSION,
        "season": design.season,
        "through": design.through,
        "preliminary": bool(days["week"].max() > design.through),
        "basis": str(season.basis),
        "ci_level": LEVEL,
        "fewest_boats": FEWEST_BOATS,
        "protection": PROTECTION,
        "pse_marked_over": CAUTION_OVER,
        "pse_not_published_over": WITHHELD_OVER,
        "figures": {
            "all": len(table),
            "suppressed": int((status == Status.SUPPRESSED).sum()),
            "not_published": int((status == Status.NOT_PUBLISHED).sum()),
        },
        "areas": _areas(snapshot, design.areas),
        "quantities": [
            {"quantity": name, "unit": QUANTITIES[name].unit, "label": QUANTITIES[name].label}
            | {"meaning": QUANTITIES[name].meaning}
            for name in PUBLISHED
        ],
        "rules": _rules(snapshot, design.season),
    }


def _areas(snapshot: Snapshot, areas: tuple[str, ...]) -> list[dict[str, str]]:
    names = area_names(snapshot["areas"])
    return [{"area": area, "area_name": names.get(area, area)} for area in areas]


def _rules(snapshot: Snapshot, season: str) -> list[dict[str, Any]]:
    """Return the openings of a season with their rules, dates as text."""
    rows = [one for one in snapshot["seasons"].to_pylist() if one["season"] == season]
    rows.sort(key=lambda one: (one["area"], str(one["open_date"])))
    return [
        {
            key: str(one[key]) if key.endswith("_date") and one[key] is not None else one[key]
            for key in _RULES
        }
        for one in rows
    ]
