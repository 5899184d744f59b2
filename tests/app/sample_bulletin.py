"""A bulletin of an invented sound with every status in it, for tests of the pages.

The figures are drawn at random from a fixed seed; they are no estimates of anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.bulletin.archive import REVISION_SCHEMA, Bulletin, BulletinMetadata, save
from analytics.codes import coded
from analytics.estimates.schemas import AREA_SCHEMA, CHANGE_SCHEMA, STRATUM_SCHEMA
from analytics.findings import to_arrow as findings_to_arrow
from analytics.quantities import QUANTITIES, CiMethod, QuantityKind, Status
from analytics.result_table import to_arrow
from analytics.weeks import weeks_between
from tests.app import sample_places, sample_rates, sample_released, sample_season, sample_ways
from tests.app.sample_cases import (
    CLOSED,
    NO_DESIGN,
    NO_LANDING,
    NO_SITE_DAY,
    NONE,
    OTHER_DAYS,
    SPECIAL,
    findings,
    unusual,
    without_estimate,
)
from tests.app.sample_moves import moved_to

if TYPE_CHECKING:
    from pathlib import Path

AREAS = {
    "A1": "Quillon Bank",
    "A2": "Sorrel Narrows",
    "A3": "Pale Hook",
    "A4": "Umbra Flats",
    "A5": "Wicket Pass",
    "A6": "Tarnow Deep",
}
SEASONS = {"2034-35": ("2034-W45", "2035-W06"), "2035-36": ("2035-W45", "2036-W06")}
NOW = "2035-36"
CHOSEN = "2036-W05"  # a week of the season in progress that the tests look at


@dataclass
class _Draft:
    season: str
    weeks: tuple[str, ...]
    rng: np.random.Generator
    rows: list[dict[str, Any]] = field(default_factory=list)
    changes: list[dict[str, Any]] = field(default_factory=list)
    strata: list[dict[str, Any]] = field(default_factory=list)


def fill_archive(folder: Path) -> Path:
    """Keep both seasons, and an older bulletin of the one in progress; return the archive."""
    for season in SEASONS:
        save(folder, make(season))
    newest = make(NOW)
    card = replace(newest.card, bulletin="older", version=2, since="")
    save(folder, replace(newest, card=card, revisions=newest.revisions.slice(0, 0)))
    return folder


def make(season: str) -> Bulletin:
    """Make the bulletin of one season."""
    first, last = SEASONS[season]
    draft = _Draft(season, weeks_between(first, last), np.random.default_rng(int(season[:4])))
    for number, area in enumerate(AREAS):
        for at, week in enumerate(draft.weeks):
            if season != NOW or (area, week) not in CLOSED:
                _domain(draft, area, week, level=_level(number, at))
                _strata(draft, area, week)
        _domain(draft, area, None, level=14.0)
    for at, week in enumerate(draft.weeks):
        _domain(draft, None, week, level=6 * _level(2, at))
    _domain(draft, None, None, level=80.0)
    areas = [{"area": area, "area_name": name} for area, name in AREAS.items()]
    rows = to_arrow(draft.rows)
    return Bulletin(
        card=_card(season, last),
        rows=rows,
        changes=pa.Table.from_pylist(draft.changes, schema=CHANGE_SCHEMA),
        findings=findings_to_arrow([*findings(), *sample_ways.findings(with_data=season == NOW)]),
        strata=pa.Table.from_pylist(draft.strata, schema=STRATUM_SCHEMA),
        areas=pa.Table.from_pylist(areas, schema=AREA_SCHEMA),
        revisions=moved_to(rows) if season == NOW else REVISION_SCHEMA.empty_table(),
        alternative_estimates=sample_ways.readings_of(draft.rows, with_data=season == NOW),
        coverage=sample_ways.coverage(season, with_data=season == NOW),
        heaping=sample_ways.heaping(
            season, boats=sample_ways.BOATS if season == NOW else sample_ways.FEW
        ),
        variance_budget=sample_ways.variance_budget(draft.rows, with_data=season == NOW),
        released=sample_released.tables(season, draft.rows, with_data=season == NOW),
        rates=sample_rates.tables(
            season, draft.weeks, tuple(AREAS), CLOSED if season == NOW else ()
        ),
        outlook=sample_season.tables(season, draft.weeks, tuple(AREAS), NOW),
        places=sample_places.tables(season, tuple(AREAS)),
    )


def _card(season: str, last: str) -> BulletinMetadata:
    return BulletinMetadata(
        bulletin=f"{season}.{last}.v3",
        season=season,
        through=last,
        version=3,
        snapshot_key="0" * 24,
        level=0.95,
        made_utc="2036-02-11T08:00:00Z",
        program="0.1.0",
        preliminary=season == NOW,
        since="older" if season == NOW else "",
    )


def _level(number: int, at: int) -> float:
    """Return how busy an area is in a week: one swells, one falls, one has two peaks."""
    waves = (1.0 + 0.1 * at, 1.8 - 0.08 * at, 1.1 + 0.5 * math.sin(at / 1.7))
    return (1 + 0.35 * number) * waves[number % 3]


def _domain(draft: _Draft, area: str | None, week: str | None, *, level: float) -> None:
    status = Status.OK
    if draft.season == NOW and area and week:
        status = SPECIAL.get((area, week), Status.OK)
    means = _means(level * draft.rng.uniform(0.8, 1.25))
    for name, estimate in means.items():
        row = _row(draft, name, estimate, status)
        if draft.season == NOW:
            row = unusual(row, area=area, week=week)
        if status is Status.NO_SAMPLE and week == "2035-W50":
            row |= {"method": NO_LANDING}
        draft.rows.append(row | {"season": draft.season, "area": area, "week": week})
        if week and week != draft.weeks[0]:
            draft.changes.append(_change(draft, name, area=area, week=week, row=row))


def _means(level: float) -> dict[str, float]:
    trips, share = 60 * level, 0.62 + 0.16 * level / (3 + level)
    met = 1.9 * trips
    kept = 0.12 * met
    means = {
        "boat_trips": trips / 2,
        "angler_trips": trips,
        "angler_hours": 4.6 * trips,
        "kept_fish": kept,
        "encounter_fish": met,
        "released_fish": met - kept,
        "released_sublegal_fish": share * met,
        "encounters_per_angler_hour": met / (4.6 * trips) * (0.7 + 0.1 * level),
        "sublegal_prop": min(share, 0.93),
        "total_deaths_fish": kept + 0.19 * met,
    }
    return {name: means[name] for name in QUANTITIES if name in means}


def _row(draft: _Draft, name: str, estimate: float, status: Status) -> dict[str, Any]:
    quantity = QUANTITIES[name]
    wide = {Status.COLLAPSED: 0.42, Status.IMPUTED: 0.62}.get(status, 0.12)
    is_share = quantity.kind is QuantityKind.SHARE
    se = 0.03 if is_share else wide * estimate * draft.rng.uniform(0.8, 1.3)
    low, high = _limits(estimate, se, is_share=is_share)
    row: dict[str, Any] = {
        "quantity": name,
        "unit": quantity.unit,
        "estimate": estimate,
        "se": se,
        "ci_low": low,
        "ci_high": high,
        "ci_level": 0.95,
        "ci_method": CiMethod.LOGIT_T if is_share else CiMethod.LOG_T,
        "df": 12.0,
        "n_psu": 9,
        "n_psu_frame": 28,
        "n_interviews": 74,
        "method": "combined_ratio"
        if quantity.kind is QuantityKind.RATE or is_share
        else "two_stage_total",
        "status": status,
    }
    if status is Status.NO_SAMPLE:
        return without_estimate(row, NO_SITE_DAY) | {"n_psu": 0, "n_interviews": 0}
    if status is Status.NO_DESIGN:
        row |= {"status": Status.OK, "n_psu": 3, "n_psu_frame": None}
        is_total = quantity.kind in (QuantityKind.TOTAL, QuantityKind.DEATHS)
        return without_estimate(row, NO_DESIGN, Status.NO_DESIGN) if is_total else row
    if status is Status.ZERO_TOTAL:
        return _zero(row, name)
    if status is Status.CENSUS:
        return row | {"se": 0.0, "ci_low": estimate, "ci_high": estimate, "n_psu": 28}
    return row


def for_the_public(bulletin: Bulletin) -> Bulletin:
    """Return a bulletin as older versions kept it for the public, which pages still open.

    Figures of kept fish in area A1 are withheld; no site-day, landing site, boat or draw is named.
    """
    rows = bulletin.rows.to_pylist()
    taken = dict.fromkeys(("estimate", "se", "ci_low", "ci_high"))
    withheld = taken | {"ci_method": "none", "method": coded("withheld", pse="50")}
    rows = [
        row | withheld if (row["area"], row["quantity"]) == ("A1", "kept_fish") else row
        for row in rows
    ]
    left_out = {"draws", "residuals", "landing_sites"}
    parts = (bulletin.rates, bulletin.outlook, bulletin.places)
    rates, outlook, places = (
        {name: one.slice(0, 0) if name in left_out else one for name, one in part.items()}
        for part in parts
    )
    return replace(
        bulletin,
        rows=pa.Table.from_pylist(rows, schema=bulletin.rows.schema),
        strata=bulletin.strata.slice(0, 0),
        findings=bulletin.findings.slice(0, 0),
        rates=rates,
        outlook=outlook,
        places=places,
    )


def _zero(row: dict[str, Any], name: str) -> dict[str, Any]:
    """Return a week in which boats went out and met no fish."""
    if name in ("boat_trips", "angler_trips", "angler_hours"):
        return row | {"status": Status.OK}
    if name == "sublegal_prop":
        return without_estimate(row, "zero_denominator", Status.ZERO_TOTAL)
    note = f"{row['method']}; none_seen"
    return row | NONE | {"estimate": 0.0, "method": note}


def _limits(estimate: float, se: float, *, is_share: bool) -> tuple[float, float]:
    if is_share:
        middle = math.log(estimate / (1 - estimate))
        step = 2.18 * se / (estimate * (1 - estimate))
        return 1 / (1 + math.exp(step - middle)), 1 / (1 + math.exp(-step - middle))
    step = 2.18 * se / estimate
    return estimate * math.exp(-step), estimate * math.exp(step)


def _change(
    draft: _Draft, name: str, *, area: str | None, week: str, row: dict[str, Any]
) -> dict[str, Any]:
    is_share = QUANTITIES[name].kind is QuantityKind.SHARE
    at = draft.weeks.index(week)
    change = {
        "season": draft.season,
        "area": area,
        "week": week,
        "previous_week": draft.weeks[at - 1],
        "quantity": name,
        "estimate": row["estimate"],
        "ci_level": 0.95,
        "form": "difference" if is_share else "ratio",
        "direction": "not_known",
    }
    if week == OTHER_DAYS and draft.season == NOW:
        return change | {"direction": "not_comparable"}
    if row["se"] is None or row["ci_high"] == math.inf:
        return change
    size = draft.rng.uniform(-0.05, 0.05) if is_share else draft.rng.uniform(0.6, 1.5)
    half = 0.05 if is_share else 0.25 * size
    low, high, same = size - half, size + half, 0.0 if is_share else 1.0
    word = "up" if low > same else "down" if high < same else "no_clear_change"
    limits = {"previous": 1.0, "change": size, "ci_low": low, "ci_high": high}
    return change | limits | {"direction": word}


def _strata(draft: _Draft, area: str, week: str) -> None:
    status = SPECIAL.get((area, week), Status.OK) if draft.season == NOW else Status.OK
    for days, frame in (("Mon–Fri", 20), ("Sat–Sun", 8)):
        line: dict[str, Any] = {
            "season": draft.season,
            "landing_area": area,
            "week": week,
            "stratum": f"{week} {days}",
            "n_psu_frame": frame,
            "n_psu": 4,
            "n_missing_psu": 0,
            "boats_returned": 31,
            "n_interviews": 22,
            "status": Status.OK,
            "rule": "",
        }
        if days == "Mon–Fri":
            line |= _stratum_special(status, area=area, week=week)
        draft.strata.append(line)


def _stratum_special(status: Status, *, area: str, week: str) -> dict[str, Any]:
    lender = f"{area}:{week} Sat–Sun"
    if status is Status.COLLAPSED:
        rule = coded("collapsed_with", unit="site-day", donors=[lender])
        return {"status": status, "n_psu": 1, "rule": rule, "n_missing_psu": 1}
    if status is Status.IMPUTED:
        rule = coded("imputed_from", unit="site-day", donors=[lender])
        return {"status": status, "n_psu": 0, "rule": rule}
    if status in (Status.NO_SAMPLE, Status.NO_DESIGN):
        return {"status": status, "n_psu": 0}
    return {}
