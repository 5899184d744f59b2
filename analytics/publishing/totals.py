"""The totals behind published figures, and the interviewed boats that each rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.data import query
from analytics.publishing.publications import Publication, without_rounding
from analytics.survey.domain_totals import unit_cells
from analytics.survey.domains import Domains, LinearForm
from analytics.survey.reduction import catch_measures

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.publishing.publications import Domain
    from analytics.survey.estimators import DesignEstimator
    from analytics.survey.reduction import Analysis

#: Totals from which every published total follows; each is 0 or more and adds up over areas and
#: weeks. Fish released is sublegal ones and the others, encounters is kept and released ones.
ATOMS = (
    "boat_trips",
    "angler_trips",
    "angler_hours",
    "kept_fish",
    "released_sublegal_fish",
    "released_other_fish",
)
#: The totals that atoms are calculated from; the last is that of two atoms.
_FROM = (*ATOMS[:-1], "released_fish")
#: Boats behind a figure that rests on none, as of `CellState.boats`.
NO_BOATS = pa.schema(
    [("sample_id", pa.string())]
    + [(f"{one}{at}", pa.float64()) for one in "yc" for at in range(len(ATOMS))]
).empty_table()
#: By area and week, area, week, season.
LEVELS = ((True, True), (True, False), (False, True), (False, False))


def totals_of(season: SeasonSurvey) -> Publication:
    """Return the totals of a season as a publication that withholds nothing yet.

    Totals of areas whose sites were never sampled are among them: no row shows them, and a reader
    could take them from the sums.
    """
    drawn = season.design_estimator
    found: dict[Domain, list[float]] = {}
    for by_area, by_week in LEVELS:
        domains = Domains(by_area, by_week, len(season.design.weeks))
        for at, name in enumerate(_FROM):
            analysis = season.analyses[name]
            if not drawn.has_responses(analysis):
                continue
            made = drawn.totals(analysis, domains)
            for code, total in zip(made.code.tolist(), made.total[:, 0].tolist(), strict=True):
                row = found.setdefault(_named(season, domains, code), [0.0] * len(ATOMS))
                row[at] = total
    order = sorted(found, key=lambda one: (one[0] or "", one[1] or ""))
    values = np.array([found[one] for one in order], dtype=float).reshape(len(order), len(ATOMS))
    values = np.nan_to_num(values)
    terms = values.copy()
    # A sum less one of its parts leaves the other; rounding leaves nothing below 0.
    values[:, -1] = np.maximum(values[:, -1] - values[:, -2], 0.0)
    values = without_rounding(values, terms)
    boats = _boats(season, drawn)
    counted = np.array([boats.get(one, 0) for one in order], dtype=np.int64)
    return Publication(
        season=season.design.season,
        through=season.design.through,
        domains=tuple(order),
        values=values,
        boats=counted,
        shown=np.ones(len(order), dtype=bool),
    )


def named_totals(values: Floats) -> dict[str, float]:
    """Return the published totals that some atoms, shape (K,), come to."""
    found = dict(zip(ATOMS, values.tolist(), strict=True))
    found["released_fish"] = found["released_sublegal_fish"] + found["released_other_fish"]
    return found | {"encounter_fish": found["kept_fish"] + found["released_fish"]}


def _named(season: SeasonSurvey, domains: Domains, code: int) -> Domain:
    area, week = domains.cell(code)
    return (
        None if area is None else season.design.areas[area],
        None if week is None else season.design.weeks[week],
    )


def _boats(season: SeasonSurvey, drawn: DesignEstimator) -> dict[Domain, int]:
    """Return the fewest interviewed boats that some total of each domain rests on."""
    fewest: dict[Domain, int] = {}
    for analysis in dict.fromkeys(season.analyses[name] for name in _FROM):
        if drawn.has_responses(analysis):
            for domain, boats in _boats_of(season, drawn, analysis).items():
                fewest[domain] = min(boats, fewest.get(domain, boats))
    return fewest


def _boats_of(
    season: SeasonSurvey, drawn: DesignEstimator, analysis: Analysis
) -> dict[Domain, int]:
    """Count the boats of an analysis by domain, each once, those of donors included."""
    form, counting = _counting(season, drawn, analysis)
    cells, fine = form.cells, form.domains
    cell, code = form.cell[counting], form.code[counting]
    area_key, week_key = np.divmod(code, fine.n_weeks + 1)
    found: dict[Domain, int] = {}
    for by_area, by_week in LEVELS:
        domains = Domains(by_area, by_week, fine.n_weeks)
        wider = domains.code(area_key * int(by_area), week_key * int(by_week))
        for one, boats in _once(wider, cell, cells.n).items():
            found[_named(season, domains, one)] = boats
    return found


def _counting(
    season: SeasonSurvey, drawn: DesignEstimator, analysis: Analysis
) -> tuple[LinearForm, Ints]:
    """Return the totals of an analysis by area and week, and which of their pairs have boats."""
    design = season.design
    moments = drawn.reduction.moments(analysis)
    plan, cells, _ = unit_cells(design, moments, plans=drawn.plans, by_area=True)
    form = LinearForm.of(design, plan, cells, Domains(True, True, len(design.weeks)))
    return form, np.flatnonzero(cells.n[form.cell] > 0)


def _once(code: Ints, cell: Ints, n: Floats) -> dict[int, int]:
    """Add up the boats of cells by domain, each cell once a domain."""
    pairs = np.unique(np.stack([code, cell], axis=1), axis=0)
    codes, place = np.unique(pairs[:, 0], return_inverse=True)
    boats = np.bincount(place, weights=n[pairs[:, 1]], minlength=len(codes))
    return dict(zip(codes.tolist(), np.rint(boats).astype(int).tolist(), strict=True))


def boats_behind(season: SeasonSurvey) -> dict[Domain, pa.Table]:
    """Return the boats behind every area and week, donors' boats too, as of `CellState.boats`."""
    drawn, design = season.design_estimator, season.design
    fine = Domains(True, True, len(design.weeks))
    names = ["unit", "code"]
    weighed = pd.DataFrame(np.zeros((0, 2), dtype=np.int64), columns=names)
    for at, name in enumerate(_FROM):
        part = pd.DataFrame(np.zeros((0, 2), dtype=np.int64), columns=names).assign(adds=0.0)
        if drawn.has_responses(season.analyses[name]):
            form, counting = _counting(season, drawn, season.analyses[name])
            cell = form.cell[counting]
            adds = form.weight[counting] * form.cells.total[cell, 0]
            part = pd.DataFrame({"unit": form.cells.unit[cell], "code": form.code[counting]})
            part = part.assign(adds=adds)
        weighed = weighed.merge(part.rename(columns={"adds": f"c{at}"}), "outer", names)
    weighed["key"] = weighed["code"] // (fine.n_weeks + 1)
    found = weighed.merge(_numbers(season), "inner", ["unit", "key"])
    for at in range(len(_FROM)):
        found[f"y{at}"] = found[f"y{at}"].where(found[f"c{at}"].notna())
    found = found.sort_values(["code", "sample_id"], kind="stable")
    schema = NO_BOATS.schema
    table = pa.Table.from_pandas(found[schema.names], schema, preserve_index=False)
    codes, first = np.unique(found["code"].to_numpy(), return_index=True)
    ends = np.append(first, table.num_rows)[1:]
    return {
        _named(season, fine, code): table.slice(start, end - start)
        for code, start, end in zip(codes.tolist(), first.tolist(), ends.tolist(), strict=True)
    }


def _numbers(season: SeasonSurvey) -> pd.DataFrame:
    """Return the numbers of every boat that counts: ``sample_id, unit, key, y0, y1, …``."""
    design, measures = season.design, catch_measures()
    columns = ""
    for at, name in enumerate(_FROM):
        analysis = season.analyses[name]
        sql = measures[name].sql
        if at == len(_FROM) - 1:
            sql += f" - ({measures[ATOMS[-2]].sql})"
        given = " AND ".join(
            f"({measures[one].sql}) IS NOT NULL" for one in (*analysis.measures, *analysis.given)
        )
        columns += f", CAST(CASE WHEN {given} THEN {sql} END AS DOUBLE) AS y{at}"
    days = design.site_days
    units = {"sample_id": days.sample_id.astype(str), "unit": days.unit}
    keys = {"area": list(design.areas), "key": np.arange(len(design.areas)) + 1}
    tables = {
        "interviews": season.snapshot.source("interviews"),
        "units": pa.table(units),
        "areas": pa.table(keys),
    }
    rows: pd.DataFrame = query.run(
        f"SELECT sample_id, unit, key{columns} FROM interviews JOIN units USING (sample_id) "
        "JOIN areas USING (area) WHERE coalesce(trip_complete, true)",
        tables,
    ).to_pandas()
    return rows
