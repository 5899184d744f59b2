"""What each domain rests on: units, frame, interviews, degrees of freedom, reservations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analytics.arrays import any_at, count_at, groups_of_linked
from analytics.survey.design import SITE_RULES, SiteRule

if TYPE_CHECKING:
    from analytics.arrays import Bools, Floats, Ints
    from analytics.survey.design import Design, StratumTreatment
    from analytics.survey.domains import Domains, LinearForm, PsuWeights
    from analytics.survey.unit_totals import UnitTotals


@dataclass(frozen=True, slots=True, eq=False)
class Support:
    """What each of D domains rests on; every array has shape (D,).

    - `df`: sampled units minus strata over the strata that hold the domain, donors of its imputed
      strata included; where that is 0, strata that collapse together count as one. Less the
      missed site-days, which say nothing of the error, but at least 1 where there was one.
    - `n_psu`, `n_psu_frame`, `n_interviews`: sampled units and frame of the strata that hold the
      domain; interviews in it.
    - `n_psu_interviewed`: site-days with an interview in the domain, donors included.
    - `is_prorated`: some stratum is still under way and counts the part of its frame that is past.
    - `has_missed_days`: some site-day with boats and no interview was taken from its boats.
    - `is_imputed`, `is_collapsed`, `is_pooled`, `is_unknown`: some stratum was imputed, collapsed,
      pooled its variance between boats, or had none to use.
    - `is_census`: every unit from which boats of the domain can come was sampled, every boat
      interviewed.
    - `is_landing_census`: that holds of the strata that hold the domain; boats landing elsewhere
      were not all seen.
    - `lacks_area`: some landing area was never sampled and has no donor.
    - `is_convenience_only`: some landing area and week of it was sampled by convenience, in part or
      only.
    - `of_days`: some stratum draws days first, and sites within them.
    - `rules` (D, R): which of `analytics.survey.design.SITE_RULES` some unit follows.
    """

    df: Ints | Floats
    n_psu: Ints
    n_psu_frame: Ints
    n_interviews: Ints
    n_psu_interviewed: Ints
    is_prorated: Bools
    has_missed_days: Bools
    is_imputed: Bools
    is_collapsed: Bools
    is_pooled: Bools
    is_unknown: Bools
    is_census: Bools
    is_landing_census: Bools
    lacks_area: Bools
    is_convenience_only: Bools
    of_days: Bools
    rules: Bools


class _Pairs(NamedTuple):
    """Strata with the places of the domains they stand in, each pair once."""

    stratum: Ints
    place: Ints


def support_of(form: LinearForm, *, codes: Ints, place: Ints, interviewed: Floats) -> Support:
    """Return what each domain (sorted `codes`, (D,)) rests on.

    A stratum holds a domain if it lands in the domain's area and week, or if a boat of it was in
    the domain; an area without ramps of its own is held by every stratum of the week. `place` (P,):
    place of each pair's domain in `codes`. `interviewed` (S,): interviewed boats of each site-day.
    """
    design, plan, domains, cells = form.design, form.plan, form.domains, form.cells
    size, n = len(codes), cells.n[form.cell]
    days_missed = design.site_days.unit[np.flatnonzero(plan.missed)]
    from_cells = _Pairs(form.stratum, place)
    with_boats = n > 0
    direct = with_boats & ~form.weights.is_imputation[form.link]
    own, own_direct = _own_pairs(design, domains, codes, form.weights)
    holds = _joined(own_direct, _where(from_cells, direct), size=size)
    imputed = _imputed_pairs(design, plan, domains, codes, cells)
    missing = _home_pairs(design, domains, codes, sorted(plan.not_imputed))
    collapsed = [one.stratum for one in plan.borrowings if not one.is_imputation]
    incomplete = _incomplete(design, plan, interviewed)
    # Boats of an area may land at any ramp: a census is one of all ramps in the domain's weeks.
    short = _weeks_of(design, domains, incomplete)
    weeks = np.array([domains.keys(int(code))[1] for code in codes], dtype=np.int64)
    framed = _joined(holds, imputed, missing, size=size)
    n_psu = count_at(holds.place, plan.n_active[holds.stratum], size)

    def holds_any(strata: Ints | list[int]) -> Bools:
        return any_at(holds.place[np.isin(holds.stratum, strata)], size)

    used = _joined(own, from_cells, size=size)
    df = _degrees(plan, used, size)
    # A missed day tells nothing of its error.
    missed = np.bincount(design.units.stratum[days_missed], minlength=len(plan.n_active))
    df = np.maximum(df - count_at(used.place, missed[used.stratum], size), np.minimum(df, 1))
    return Support(
        df=df,
        n_psu=n_psu,
        n_psu_frame=count_at(framed.place, design.strata.n_frame[framed.stratum], size),
        n_interviews=count_at(place[direct], n[direct], size),
        n_psu_interviewed=np.bincount(place[with_boats], minlength=size),
        is_prorated=any_at(framed.place[design.strata.is_prorated[framed.stratum]], size),
        has_missed_days=holds_any(plan.strata_with_missed_days(design)),
        is_imputed=any_at(imputed.place, size),
        is_collapsed=holds_any(collapsed),
        is_pooled=any_at(place[cells.is_pooled[form.cell]], size),
        is_unknown=holds_any(design.units.stratum[cells.unknown]),
        is_census=(n_psu > 0) & ~np.isin(weeks, short),
        is_landing_census=(n_psu > 0) & ~holds_any(np.flatnonzero(incomplete)),
        lacks_area=any_at(missing.place, size),
        is_convenience_only=np.isin(codes, domains.codes_of(design.without_totals)),
        of_days=any_at(framed.place[design.strata.of_days[framed.stratum]], size),
        rules=_rules(design, plan, framed, size),
    )


def _rules(design: Design, plan: StratumTreatment, framed: _Pairs, size: int) -> Bools:
    """Return which rules of sites the responding units of each domain's strata follow."""
    follows = np.zeros((len(plan.n_active), len(SITE_RULES)), dtype=bool)
    units = design.units
    follows[units.stratum[plan.active], units.rule[plan.active]] = True
    held = [any_at(framed.place[rule[framed.stratum]], size) for rule in follows.T]
    return np.stack(held, axis=1)


def _own_pairs(
    design: Design, domains: Domains, codes: Ints, weights: PsuWeights
) -> tuple[_Pairs, _Pairs]:
    """Pair strata with the domains they land in; the second without those they only fill."""
    stratum = design.units.stratum[weights.unit]
    keys = [domains.area_key(design.strata.landing_area[stratum])]
    landless = np.setdiff1d(np.arange(len(design.areas)), design.strata.landing_area)
    if domains.by_area:
        keys += [np.full(len(stratum), area + 1) for area in landless]
    requested = np.concatenate([domains.code(key, weights.week_key) for key in keys])
    row = np.tile(np.arange(len(stratum)), len(keys))
    known = np.isin(requested, codes)
    row, place = row[known], np.searchsorted(codes, requested[known])
    direct = ~weights.is_imputation[row]
    return _Pairs(stratum[row], place), _Pairs(stratum[row[direct]], place[direct])


def _home_pairs(design: Design, domains: Domains, codes: Ints, strata: list[int]) -> _Pairs:
    """Pair some strata with the domain each lands in."""
    rows = np.array(strata, dtype=np.int64)
    key = domains.area_key(design.strata.landing_area[rows])
    code = domains.code(key, domains.week_key(design.strata.week[rows]))
    return _Pairs(rows, np.searchsorted(codes, code))


def _imputed_pairs(
    design: Design, plan: StratumTreatment, domains: Domains, codes: Ints, cells: UnitTotals
) -> _Pairs:
    """Pair filled strata with the domains they add to."""
    pairs: list[tuple[int, int]] = []
    for borrowing in plan.borrowings:
        if not borrowing.is_imputation:
            continue
        home = _home_pairs(design, domains, codes, [borrowing.stratum]).place
        is_donor = np.isin(design.units.stratum[cells.unit], borrowing.donors)
        keys = np.unique(cells.key[is_donor])
        week = domains.week_key(design.strata.week[[borrowing.stratum]])
        reached = np.searchsorted(codes, domains.code(keys, np.repeat(week, len(keys))))
        pairs += [(borrowing.stratum, int(place)) for place in np.union1d(home, reached)]
    table = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return _Pairs(table[:, 0], table[:, 1])


def _weeks_of(design: Design, domains: Domains, strata: Bools) -> Ints:
    """Return the week keys of some strata; those of the user may span weeks."""
    last = design.strata.week.copy()
    np.maximum.at(last, design.units.stratum, design.units.week)
    # Units that were not sampled may lie in any week from a stratum's first to its last.
    spans = [
        np.arange(one, other + 1)
        for one, other in zip(design.strata.week[strata], last[strata], strict=True)
    ]
    return domains.week_key(np.concatenate([np.zeros(0, dtype=np.int64), *spans]))


def _incomplete(design: Design, plan: StratumTreatment, interviewed: Floats) -> Bools:
    """Return the strata of which some unit, site or boat was not sampled."""
    units, days = design.units, design.site_days
    missed = days.unit[interviewed < days.boats_returned]
    short = np.bincount(missed, minlength=len(units.stratum)) > 0
    short |= ~units.drawn_by(SiteRule.EVERY_SITE)
    n_short = np.bincount(units.stratum[plan.active & short], minlength=len(plan.n_active))
    missing: Bools = (plan.n_active < design.strata.n_frame) | (n_short > 0)
    return missing


def _degrees(plan: StratumTreatment, used: _Pairs, size: int) -> Ints:
    """Units minus strata; where that is 0, strata that collapse together count as one."""
    n_units = count_at(used.place, plan.n_active[used.stratum], size)
    plain = n_units - np.bincount(used.place, minlength=size)
    links = [
        (borrowing.stratum, one)
        for borrowing in plan.borrowings
        if not borrowing.is_imputation
        for one in borrowing.donors
    ]
    stratum, place = [used.stratum], [used.place]
    for borrower, donor in links:
        here = used.place[used.stratum == borrower]
        stratum.append(np.full(len(here), donor))
        place.append(here)
    widened = _joined(_Pairs(np.concatenate(stratum), np.concatenate(place)), size=size)
    ends = np.array(links, dtype=np.int64).reshape(-1, 2)
    group = groups_of_linked(ends[:, 0], ends[:, 1], len(plan.n_active))
    groups = _joined(_Pairs(group[widened.stratum], widened.place), size=size)
    merged = count_at(widened.place, plan.n_active[widened.stratum], size)
    merged -= np.bincount(groups.place, minlength=size)
    # No domain knows more of the variance than the season does.
    of_season = int(np.maximum(plan.n_active - 1, 0).sum())
    return np.where(plain > 0, plain, np.minimum(merged, of_season) if of_season else merged)


def _joined(*pairs: _Pairs, size: int) -> _Pairs:
    """Return all pairs, each once."""
    codes = np.unique(np.concatenate([one.stratum * size + one.place for one in pairs]))
    return _Pairs(codes // size, codes % size)


def _where(pairs: _Pairs, keep: Bools) -> _Pairs:
    return _Pairs(pairs.stratum[keep], pairs.place[keep])
