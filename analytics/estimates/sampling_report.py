"""What the sampling reached: one row a stratum, and the findings that it calls for."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.arrays import count_at
from analytics.codes import coded, join_codes
from analytics.data import query as sql
from analytics.data.calendar import trip_tables
from analytics.data.checks import first_warnings
from analytics.data.schema import TABLES
from analytics.estimates.interview_quality import MOST_UNEVEN, uneven_shares
from analytics.estimates.schemas import STRATUM_SCHEMA
from analytics.findings import Finding, Severity
from analytics.fish.lengths import measured_fish
from analytics.fish.mortality_rates import ANY, DROP_OFF, RELEASED, ReleaseRates, drop_off_rate
from analytics.quantities import Status
from analytics.survey.build import build_design, seasons_with_data
from analytics.survey.domains import Domains
from analytics.survey.effort_times_rate import count_boats
from analytics.survey.estimators import convenience_interviews
from analytics.survey.reduction import Analysis
from analytics.weeks import iso_week, week_end

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.interview_quality import Uneven
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.mortality_rates import MortalityRate
    from analytics.survey.design import Design, SiteDays, StratumTreatment


#: Interviews of no site-day that landed, in the open season, in an area of another design.
_BY_CONVENIENCE = """
SELECT landing_area AS area, on_day AS date, count(*)::BIGINT AS n FROM landed_trips
WHERE sample_id IS NULL AND season = $season AND design IS DISTINCT FROM 'opportunistic'
GROUP BY ALL ORDER BY ALL
"""


def strata_table(season: SeasonSurvey) -> pa.Table:
    """Return every stratum with its frame, its sample and the rule it needed.

    Returns
    -------
    pyarrow.Table
        In `STRATUM_SCHEMA`.
    """
    design, days = season.design, season.design.site_days
    interviewed, plan = _answers(season)
    size = len(design.strata.label)

    def per_stratum(unit: Ints, values: Floats) -> Ints:
        return count_at(design.units.stratum[unit], values, size)

    rules = {borrowing.stratum: borrowing.rule for borrowing in plan.borrowings}
    for code in np.flatnonzero(design.strata.is_prorated).tolist():
        rules[code] = join_codes([rules.get(code), coded("prorated_frame")])
    missed = np.bincount(design.units.stratum[days.unit[plan.missed]], minlength=size)
    for code in np.flatnonzero(missed).tolist():
        said = coded("missed_days_of", n=int(missed[code]))
        rules[code] = join_codes([rules.get(code), said])
    rules |= {
        code: coded("one_unit_no_neighbour", unit=design.strata.unit_word(code))
        for code in plan.single_psu
    }
    every_unit = np.arange(len(plan.active))
    columns = {
        "season": [design.season] * size,
        "landing_area": [design.areas[code] for code in design.strata.landing_area],
        "week": [design.weeks[code] for code in design.strata.week],
        "stratum": list(design.strata.label),
        "n_psu_frame": np.rint(design.strata.n_frame).astype(np.int64),
        "n_psu": plan.n_active,
        "n_missing_psu": per_stratum(every_unit, _silent_units(plan, days).astype(np.float64)),
        "boats_returned": per_stratum(days.unit, np.nan_to_num(days.boats_returned)),
        "n_interviews": per_stratum(days.unit, interviewed),
        "status": [str(_status(plan, code, missed)) for code in range(size)],
        "rule": [rules.get(code, "") for code in range(size)],
    }
    table = pa.table(columns, schema=STRATUM_SCHEMA)
    return table.sort_by([("week", "ascending"), ("landing_area", "ascending")])


def sampling_findings(season: SeasonSurvey) -> Iterator[Finding]:
    """Yield what a reader must know of the sample: units lost, strata that borrowed.

    Yields
    ------
    Finding
        Notes and warnings on `site_days`.
    """
    design, days = season.design, season.design.site_days
    interviewed, plan = _answers(season)
    silent = ~((days.boats_returned == 0) | (interviewed > 0)) | np.isnan(days.boats_returned)
    for place in np.flatnonzero(silent):
        boats = days.boats_returned[place]
        stratum = int(design.units.stratum[days.unit[place]])
        where = design.areas[design.strata.landing_area[stratum]]
        unit = str(days.sample_id[place])
        seen = (
            coded("boats_not_counted", unit=unit, area=where)
            if np.isnan(boats)
            else coded("none_interviewed", unit=unit, area=where, n=round(float(boats)))
        )
        left = "day_left_sample" if design.strata.of_days[stratum] else "unit_left_sample"
        yield _note(
            Severity.WARNING, seen, coded("unit_from_boats" if plan.missed[place] else left)
        )
    yield from _days_missed(days, interviewed)
    for borrowing in plan.borrowings:
        where = design.areas[design.strata.landing_area[borrowing.stratum]]
        stratum_of = f"{where}:{design.strata.label[borrowing.stratum]}"
        seen = coded("stratum_rule", stratum_of=stratum_of, rule=borrowing.rule)
        yield _note(Severity.NOTE, seen, coded("figures_marked"))
    for code in sorted({int(design.strata.landing_area[one]) for one in plan.not_imputed}):
        seen = coded("area_never_sampled", area=design.areas[code])
        yield _note(Severity.WARNING, seen, coded("boats_in_no_total"))
    for code in sorted(design.areas_without_design):
        seen = coded("design_without_total", area=design.areas[code])
        yield _note(Severity.WARNING, seen, coded("rows_say_no_design"))


def convenience_findings(snapshot: Snapshot, design: Design) -> Iterator[Finding]:
    """Yield how many interviews of convenience landed where the design has no use for them.

    Parameters
    ----------
    snapshot : Snapshot
    design : Design
        Its season through its last week is looked at.

    Yields
    ------
    Finding
        One note an area.
    """
    given = {"season": design.season}
    met = sql.run(_BY_CONVENIENCE, trip_tables(snapshot), given).to_pandas()
    met = met[iso_week(met["date"].astype("datetime64[ns]")) <= design.through]
    for area, n in met.groupby("area")["n"].sum().items():
        yield Finding(
            severity=Severity.NOTE,
            table="interviews",
            seen=coded("convenience_landed", n=int(n), area=str(area)),
            advice=coded("convenience_unused"),
        )


def uneven_findings(found: Iterable[Uneven]) -> Iterator[Finding]:
    """Yield a warning for each area whose days were interviewed unevenly.

    `found`: as from `analytics.estimates.interview_quality.uneven_shares`.

    On `boat_counts`.
    """
    for one in found:
        seen = coded(
            "uneven_days",
            area=one.area,
            low=f"{100 * one.low:.1f}",
            high=f"{100 * one.high:.1f}",
            week=one.week,
            times=f"{MOST_UNEVEN:g}",
            n_weeks=one.n_weeks,
            n_compared=one.n_compared,
        )
        yield Finding(
            severity=Severity.WARNING,
            table="boat_counts",
            seen=seen,
            advice=coded("rate_leans"),
        )


def uneven_warnings(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    through: str | None = None,
    day_hours: float | None = None,
) -> list[Finding]:
    """Return the warnings of `uneven_findings`; parameters as `estimate.estimate`.

    Raises
    ------
    UsageError
        As in `analytics.estimates.estimate.estimate`.
    """
    season = season or seasons_with_data(snapshot)[-1]
    met = convenience_interviews(snapshot, season=season)
    design = build_design(snapshot, season=season, through=through, met=met)
    counted = count_boats(snapshot, design, day_hours=day_hours)
    return list(uneven_findings(uneven_shares(snapshot, counted)))


def _answers(season: SeasonSurvey) -> tuple[Floats, StratumTreatment]:
    """Return interviewed boats a site-day and the plan, as for boat trips."""
    boats = season.design.site_days.boats_returned
    moments = season.reduction.moments(Analysis(("boat_trips",)))
    interviewed = moments.boats_interviewed(len(boats))
    return interviewed, season.plans.for_interviewed(interviewed)


def _silent_units(plan: StratumTreatment, days: SiteDays) -> Bools:
    """Return the units of which some site-day gave nothing but its boats, or nothing at all."""
    silent = ~plan.active
    silent[days.unit[plan.missed]] = True
    return silent


def _days_missed(days: SiteDays, interviewed: Floats) -> Iterator[Finding]:
    """Yield how many of the site-days with boats were missed, and how busy they were."""
    boats = np.nan_to_num(days.boats_returned)
    missed, met = (boats > 0) & ~(interviewed > 0), (boats > 0) & (interviewed > 0)
    if missed.any() and met.any():
        n, n_days = int(missed.sum()), int((boats > 0).sum())
        busy = f"{boats[missed].mean():.1f}", f"{boats[met].mean():.1f}"
        seen = coded("days_missed", n=n, n_days=n_days, boats=busy[0], others=busy[1])
        yield _note(Severity.NOTE, seen, coded("busy_days_missed"))


def _status(plan: StratumTreatment, code: int, missed: Ints) -> Status:
    if code in plan.not_imputed:
        return Status.NO_SAMPLE
    borrowing = next(
        (borrowing for borrowing in plan.borrowings if borrowing.stratum == code), None
    )
    if borrowing is None:
        return Status.IMPUTED if missed[code] else Status.OK
    return Status.IMPUTED if borrowing.is_imputation else Status.COLLAPSED


def _note(severity: Severity, seen: str, advice: str) -> Finding:
    return Finding(severity=severity, table="site_days", seen=seen, advice=advice)


# What is wrong with the rates of deaths: fish without one, and rates that no fish take.

_TABLES = {RELEASED: "release_rates", DROP_OFF: "drop_off"}
_WOUNDS = {ANY: "any wound", "shallow": "shallow hooks", "deep": "deep hooks"}


def rate_findings(season: SeasonSurvey) -> Iterator[Finding]:
    """Yield a warning for fish that lack a rate, and for each rate that no fish of a season take.

    Yields
    ------
    Finding
    """
    plan = season.deaths
    of_season = Domains(by_area=False, by_week=False, n_weeks=len(season.design.weeks))
    used: set[MortalityRate] = set()
    lacking: dict[str, dict[str, None]] = {RELEASED: {}, DROP_OFF: {}}
    for estimator in season.estimators:
        totals = estimator.totals(plan.analysis, of_season)
        found = plan.fish(totals.total, totals.cov_of_sums)
        at = list(plan.measures)
        for place, group in enumerate(plan.groups):
            if (totals.total[:, at.index(group.measure.name)] > 0).any():
                used.update(group.choice.given)
            if group.fate in lacking and group.fate not in plan.absent:
                words = plan.missing_of(found, (place,))
                lacking[group.fate].update(dict.fromkeys(filter(None, words)))
    for fate, table in _TABLES.items():
        for what in lacking[fate]:
            yield _lacking(table, what)
    for rate in _given(season.snapshot):
        if rate not in used:
            yield _idle(rate)


def _given(snapshot: Snapshot) -> Iterator[MortalityRate]:
    yield from ReleaseRates(snapshot["release_rates"].to_pylist()).by_key.values()
    lost = snapshot["drop_off"].to_pylist()
    for row in lost:
        rate, _ = drop_off_rate(lost, row["method"])
        if rate is not None:
            yield rate


def _lacking(table: str, words: str) -> Finding:
    return Finding(
        severity=Severity.WARNING,
        table=table,
        column="rate_prop",
        seen=words,
        allowed=coded("rate_for_all"),
        advice=coded("give_rate"),
    )


def _idle(rate: MortalityRate) -> Finding:
    if rate.fate == DROP_OFF:
        seen = coded("drop_off_rate_idle", method=str(rate.method))
    else:
        size, method, wound = rate.key
        seen = coded("release_rate_idle", size=size, method=method, wound=_WOUNDS.get(wound, wound))
    return Finding(
        severity=Severity.WARNING,
        table=_TABLES[rate.fate],
        column="rate_prop",
        seen=seen,
        allowed=coded("rate_some_take"),
        advice=coded("check_spelling"),
    )


# The warnings that the season's own rows call for, counted by kind: compliance and gaps.

#: Tables whose warnings a reader of the bulletin should know; the sample's own are given apart.
SHOWN = ("interviews", "fish")
#: Tables that are looked at for the season alone, or not at all.
_SEASONAL = ("site_days", "interviews", "fish", "bycatch", "boat_counts", "coverage")


#: The season's rows as a batch, of which alone the rules warn: interviews of its site-days come
#: first, then those of convenience; fish of these, then those of no interview that were measured.
_OF_SEASON = {
    "site_days": "SELECT *, '' AS _file, 0 AS _row FROM every_site_days SEMI JOIN season_days "
    "USING (sample_id)",
    "interviews": "SELECT *, '' AS _file, 0 AS _row FROM every_interviews "
    "SEMI JOIN incoming_site_days USING (sample_id) UNION ALL "
    "SELECT *, '' AS _file, 1 AS _row FROM every_interviews SEMI JOIN met USING (interview_id)",
    "fish": "SELECT *, '' AS _file, 0 AS _row FROM every_fish "
    "SEMI JOIN incoming_interviews USING (interview_id) UNION ALL "
    "SELECT *, '' AS _file, 1 AS _row FROM every_fish SEMI JOIN measured USING (fish_id) "
    "WHERE interview_id IS NULL",
}


def row_warnings(snapshot: Snapshot, design: Design) -> Iterator[Finding]:
    """Yield one warning for each kind that stored rows of the season give rise to.

    Parameters
    ----------
    snapshot : Snapshot
    design : Design
        The season: its site-days, their interviews, the fish measured at them and those measured
        on its open days are looked at.

    Yields
    ------
    Finding
        `seen` counts the rows and gives the first.
    """
    stored = {
        name: TABLES[name].arrow_schema.empty_table() if name in _SEASONAL else snapshot[name]
        for name in TABLES
    }
    days = pa.table({"sample_id": pa.array(design.site_days.sample_id.tolist(), pa.string())})
    measured = measured_fish(snapshot, season=design.season, through=design.through)
    over: dict[str, sql.Relation] = {
        "season_days": days,
        "met": _met_in(snapshot, design),
        "measured": measured.select(["fish_id"]),
        **{f"every_{name}": snapshot.source(name) for name in _OF_SEASON},
    }
    for one in first_warnings(stored, _OF_SEASON, of=SHOWN, over=over):
        rows = "1 row" if one.times == 1 else f"{one.times:,} rows, the first"
        yield replace(one, seen=f"{rows}: {one.seen}", row=None, times=1)


def _met_in(snapshot: Snapshot, design: Design) -> pa.Table:
    """Return the ids of interviews of convenience of the design's season and weeks."""
    met = convenience_interviews(snapshot, season=design.season)
    within = pc.less_equal(met["on_day"], pa.scalar(week_end(design.through)))
    return met.select(["interview_id"]).filter(within)
