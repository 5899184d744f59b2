"""Publish a season: rows for the public, and what there is to know about them."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.csv_text import table_csv
from analytics.data.calendar import season_days
from analytics.estimates.season_survey import prepare_survey
from analytics.precision import CAUTION_OVER, WITHHELD_OVER
from analytics.publishing import record
from analytics.publishing.figures import LEVEL, PUBLISHED, figures, moved, rows_by_domain
from analytics.publishing.knowledge import FEWEST_BOATS, CellState, knowledge
from analytics.publishing.late_forms import keep_published
from analytics.publishing.published_files import ABOUT_FILE, FIGURES_FILE
from analytics.publishing.suppression import PROTECTION, choose
from analytics.publishing.totals import NO_BOATS, boats_behind, named_totals, totals_of
from analytics.quantities import QUANTITIES, Status
from analytics.result_table import area_names

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pyarrow as pa

    from analytics.data.snapshot import Snapshot
    from analytics.data.store import Store
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.publishing.figures import Row
    from analytics.publishing.knowledge import Domain, Publication

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
        In `analytics.publishing.figures.FIGURE_SCHEMA`.
    about : dict
        Season, rules, quantities and counts, ready for JSON.
    publication : Publication
    n_sensitive, n_withheld, n_kept : int
        Domains on too few boats, those withheld with them, and areas and weeks as they went out
        before, since late forms of one or two boats change them.
    weight, bound : float
        What is lost, and what the best choice loses at least; as of `suppression.choose`.
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
    with record.one_at_a_time(store.path):
        before = record.publications(store.path, prepared.design.season)
        published = published_of(prepared, before)
        record.keep(store.path, published.publication, before)
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
