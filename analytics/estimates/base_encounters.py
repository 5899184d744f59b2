"""What interviews know of the base class by area and week, and whose marked share others borrow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.arrays import add_at, places_of
from analytics.fish.mark_composition import (
    PARTS,
    BorrowedShares,
    DonorDomain,
    borrow_shares,
    mark_analysis,
    mark_measures,
    marked,
    nothing_borrowed,
    parts_unread,
)
from analytics.survey.domains import Domains, area_week_domains

if TYPE_CHECKING:
    from analytics.arrays import Bools, Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.estimators import TotalEstimator


LEGAL_MARKED = "encounter_legal_marked_fish"
#: Legal releases borrow, from kept fish.
_KEPT_AS_DONOR = (list(PARTS).index("released_legal"), list(PARTS).index("kept"))
_MEASURES = list(mark_measures())
#: Picks all legal fish, kept and released, from the measures of marks.
ALL_LEGAL = np.isin(_MEASURES, ["kept_all", "released_legal_all"]).astype(np.float64)


def borrowed_marks(
    season: SeasonSurvey, estimator: TotalEstimator, domains: Domains, totals: DomainTotals
) -> BorrowedShares:
    """Return the marked shares that domains borrow; nothing wider is totalled where none has to.

    Parameters
    ----------
    season : SeasonSurvey
    estimator : TotalEstimator
    domains : Domains
    totals : DomainTotals
        Of the measures of marks, over the domains.
    """
    parts = list(PARTS)
    if not parts_unread(totals.total, len(parts)).any():
        return nothing_borrowed(len(totals.total), len(parts))
    return borrow_shares(
        totals.total, donor_domains(season, estimator, domains, totals.code), parts=parts
    )


def donor_domains(
    season: SeasonSurvey, estimator: TotalEstimator, domains: Domains, code: Ints
) -> tuple[DonorDomain, ...]:
    """Return the domains from which others borrow a marked share, the nearest first.

    `code` (D,): of the domains that may borrow.

    For domains of an area: its season, then all areas with the same rule on keeping marked fish,
    their covariances left out; for others the season. For legal releases kept fish of the
    season come last, where every opening says that unmarked fish may be kept as well.
    """
    analysis, n_weeks = mark_analysis(), domains.n_weeks
    if not domains.by_area:
        widest = estimator.totals(analysis, Domains(by_area=False, by_week=False, n_weeks=n_weeks))
        place = np.zeros(len(code), dtype=np.int64)
        free = place if len(season.any_mark) == len(season.design.areas) else place - 1
        return (
            DonorDomain(widest.total, widest.cov, place, "season"),
            DonorDomain(widest.total, widest.cov, free, "kept_of_season", *_KEPT_AS_DONOR),
        )
    by_area = Domains(by_area=True, by_week=False, n_weeks=n_weeks)
    areas = estimator.totals(analysis, by_area)
    place = places_of(code // (n_weeks + 1) * (n_weeks + 1), areas.code)
    rule = np.isin(by_area.areas_of(areas.code), list(season.mark_selective)).astype(np.int64)
    total, cov = (add_at(rule, one, 2) for one in (areas.total, np.nan_to_num(areas.cov)))
    area = by_area.areas_of(code)
    mine = np.isin(area, list(season.mark_selective)).astype(np.int64)
    free = np.where(np.isin(area, list(season.any_mark)), place, -1)
    return (
        DonorDomain(areas.total, areas.cov, place, "area_season"),
        DonorDomain(total, cov, mine, "same_rule_areas"),
        DonorDomain(areas.total, areas.cov, free, "kept_of_area_season", *_KEPT_AS_DONOR),
    )


@dataclass(frozen=True, slots=True, eq=False)
class BaseEncounters:
    """The base class according to interviews in each of C area-weeks.

    - `code`, `area`, `week` (C,): fine code, code of the area, and week as whole weeks since an
      origin.
    - `fish` (C,).
    - `gradient` (C, K): slope of `fish` in the totals of the measures of marks.
    - `classes` (C, 4): which classes the base holds.
    - `total` (C, K).
    - `is_unmarked` (C,): where legal releases are taken as unmarked, since no mark of one was read.
    """

    code: Ints
    area: Ints
    week: Ints
    fish: Floats
    gradient: Floats
    classes: Bools
    total: Floats
    borrowed: BorrowedShares
    is_unmarked: Bools

    @property
    def is_by_mark(self) -> Bools:
        """Where the base is legal marked fish, and not all legal fish, shape (C,)."""
        found: Bools = ~self.classes[:, 1]
        return found


def base_of(season: SeasonSurvey, estimator: TotalEstimator) -> BaseEncounters:
    """Return the base of every area-week: legal marked fish, kept or released.

    In an area where no mark of a kept fish was read all season, the base is all legal fish. A
    legal release is taken as unmarked where no mark of one was read in any area alike.
    """
    fine = area_week_domains(season.design)
    totals = estimator.totals(mark_analysis(), fine)
    key, week_key = np.divmod(totals.code, fine.n_weeks + 1)
    wider = donor_domains(season, estimator, fine, totals.code)
    borrowed = borrow_shares(totals.total, wider, parts=list(PARTS))
    found = marked(LEGAL_MARKED, totals.total, totals.cov, borrowed=borrowed)
    of_season = wider[0].total[wider[0].place]
    column = {name: of_season[:, place] for place, name in enumerate(_MEASURES)}
    none_kept = (column["kept_all"] == 0) & (column["released_legal_read"] > 0)
    by_mark = (column["kept_read"] > 0) | none_kept
    marks, legal = (np.array(mask, dtype=bool) for mask in ([1, 0, 0, 0], [1, 1, 0, 0]))
    unread = (totals.total[:, 3] > 0) & (totals.total[:, 4] == 0) & np.isnan(borrowed.share[:, 1])
    return BaseEncounters(
        code=totals.code,
        area=key - 1,
        week=season.design.week_ordinal[week_key - 1],
        fish=np.where(by_mark, found.value, totals.total @ ALL_LEGAL),
        gradient=np.where(by_mark[:, None], found.gradient, ALL_LEGAL),
        classes=np.where(by_mark[:, None], marks, legal),
        total=totals.total,
        borrowed=borrowed,
        is_unmarked=unread & by_mark,
    )
