"""Frame and sample of a design: the units that strata have, and those that were sampled.

Frames are counted from the calendar, or stated by the user and partly still ahead. Units are
site-days themselves, or days with their sampled sites.

Sites are sampled within a day by unequal probability without replacement: one after the other, each
time with probability proportional to the single-draw probabilities of those that are left. Each of
`murthy` and `horvitz_thompson` returns a `SiteDraw`: the day's total is ``Σ w_i y_i`` and its
variance from the choice of sites is estimated by ``Σ_ij a_ij y_i y_j``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.data.calendar import weekday_words
from analytics.errors import DataRejected
from analytics.survey.design import DAY_SITE, SITE_RULES, SiteDays, SiteRule, Units
from analytics.weeks import week_end, week_start

if TYPE_CHECKING:
    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.snapshot import Snapshot


#: What makes a stratum of the calendar.
CELL = ["area", "week", "day_group", "design"]


def calendar_frame(days: pd.DataFrame, snapshot: Snapshot) -> pd.DataFrame:
    """Count the units of landing area × week × day group: (site, open date), or open dates."""
    sites = snapshot["sites"].to_pandas()
    n_sites = days["area"].map(sites.groupby("area").size()).fillna(0).astype("int64")
    units = days.assign(n_units=n_sites.where(days["design"] != DAY_SITE, n_sites.clip(upper=1)))
    units = units[units["n_units"] > 0]
    cells = units.groupby(CELL, as_index=False)
    frame = cells.agg(n_frame=("n_units", "sum"), digits=("group_digits", "first"))
    frame["label"] = [
        f"{week} {weekday_words(digits)}"
        for week, digits in zip(frame["week"], frame["digits"], strict=True)
    ]
    return frame


def require_open(sampled: pd.DataFrame) -> None:
    """Raise `DataRejected` if a site-day of the calendar has no day group: its area was closed."""
    closed = sampled[sampled["day_group"].isna()]
    if len(closed):
        first = closed.iloc[0]
        raise DataRejected(
            f"{len(closed)} site-days lie on days when their area is closed, the first "
            f"{first['sample_id']!r} on {first['date']:%Y-%m-%d} in {first['area']}; "
            "correct the site-day or the season's opening"
        )


def match_stated(sampled: pd.DataFrame, calendar: pd.DataFrame) -> pd.DataFrame:
    """Give each site-day of a user-stated frame its stratum label and frame size.

    `calendar`: as from `calendar_frame`, through the last week.
    """
    groups = sampled["day_group"].fillna(-1).astype("int64").astype("str")
    label = sampled["stratum"].fillna(sampled["week"] + " group " + groups)
    units = sampled.assign(label=label, n_frame=np.nan)
    if units.empty:
        return units
    stated = units.groupby(["area", "label"])["frame_site_days"].transform("max")
    units["n_frame"] = stated.astype("float64")
    n_frame = calendar.set_index(CELL)["n_frame"]
    for _, part in units[units["n_frame"].isna()].groupby(["area", "label"]):
        cells = pd.MultiIndex.from_frame(part[CELL].drop_duplicates())
        units.loc[part.index, "n_frame"] = float(n_frame.reindex(cells).sum(skipna=False))
    return units


def join_frames(
    calendar: pd.DataFrame, on_calendar: pd.DataFrame, by_user: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the strata of both kinds, numbered, and the site-days with their numbers."""
    calendar = calendar.assign(is_prorated=False, stratum_code=np.arange(len(calendar)))
    first = on_calendar.merge(calendar[[*CELL, "stratum_code"]], on=CELL)
    if by_user.empty:
        return calendar, first.sort_values("sample_id", kind="stable")
    keys = ["area", "label"]
    stated = by_user.groupby(keys, as_index=False).agg(
        week=("week", "min"),
        n_frame=("n_frame", "first"),
        design=("design", "first"),
        is_prorated=("is_prorated", "first"),
    )
    frame = pd.concat([calendar, stated.assign(day_group=0)], ignore_index=True)
    frame["stratum_code"] = np.arange(len(frame))
    second = by_user.merge(frame.iloc[len(calendar) :][[*keys, "stratum_code"]], on=keys)
    rows = pd.concat([first, second], ignore_index=True)
    return frame, rows.sort_values("sample_id", kind="stable")


# Strata of the user that are still under way: the part of their frame that is past.


def prorate(by_user: pd.DataFrame, days: pd.DataFrame, sites: pd.DataFrame, week: str) -> pd.Series:
    """Return the frame of each site-day's stratum through the end of a week, at most ``n_frame``.

    A named stratum with a stated frame N holds N units of the calendar from the week on in which it
    was first sampled; where the season ends before, the rest lies before that week. Units are
    (site, open day), or open days in design day_site; those of sites and day groups that only
    strata sampled at the same time hold are theirs. The part of N that is past is the part of these
    units, in whole units, and no fewer than were sampled (our choice, no source).

    A frame stays as it is stated where nothing shows that the stratum runs on: it was sampled in
    one week only, or its units are none of the calendar (two of a site on a day, or more than the
    season's days can hold).

    Parameters
    ----------
    by_user : pandas.DataFrame
        Site-days with ``area, label, stratum, frame_site_days, n_frame, site, date, day_group,
        week, design``.
    days : pandas.DataFrame
        Every open day of the season: ``area, date, day_group``.
    sites : pandas.DataFrame
        ``site, area``.
    week : str
        The last one that was sampled, or the last one estimated where that is later.
    """
    frame = by_user["n_frame"].astype("float64").copy()
    named = by_user["stratum"].notna() & by_user["frame_site_days"].notna()
    until = pd.Timestamp(week_end(week))
    for area, rows in by_user[named].groupby("area"):
        open_days = days[days["area"] == area].drop_duplicates("date").sort_values("date")
        everywhere = sites.loc[sites["area"] == area, "site"]
        for _, part in rows.groupby("label"):
            if not _is_of_calendar(part):
                continue
            per_day = _units_a_day(part, rows, open_days, everywhere)
            frame[part.index] = _past(part, open_days["date"], per_day, until)
    return frame


def _is_of_calendar(part: pd.DataFrame) -> bool:
    """Return whether a stratum was sampled in several weeks, and no site twice on a day."""
    return len(set(part["week"])) > 1 and not part.duplicated(["site", "date"]).any()


def _units_a_day(
    part: pd.DataFrame, rows: pd.DataFrame, open_days: pd.DataFrame, sites: pd.Series
) -> Floats:
    """Return how many units of a stratum each open day can hold."""
    at_once = (rows["label"] != part["label"].iloc[0]) & rows["date"].between(
        part["date"].min(), part["date"].max()
    )
    others = rows[rows["label"].isin(rows.loc[at_once, "label"])]
    by_day = bool(part["design"].eq(DAY_SITE).all())
    keys = ["day_group"] if by_day else ["site", "day_group"]
    theirs = set(map(tuple, others[keys].to_numpy())) - set(map(tuple, part[keys].to_numpy()))
    places = [()] if by_day else [(site,) for site in sites]
    held = {
        group: float(sum((*place, group) not in theirs for place in places))
        for group in open_days["day_group"].unique()
    }
    return open_days["day_group"].map(held).to_numpy(np.float64)


def _past(part: pd.DataFrame, date: pd.Series, per_day: Floats, until: pd.Timestamp) -> float:
    """Return the part of a stratum's stated frame that lies no later than a day."""
    n_frame = float(part["n_frame"].iloc[0])
    is_ahead = (date >= pd.Timestamp(week_start(part["week"].min()))).to_numpy()
    # Days forward from its first week, then those before it, the latest first.
    order = np.concatenate([np.flatnonzero(is_ahead), np.flatnonzero(~is_ahead)[::-1]])
    held = per_day[order]
    before = np.cumsum(held) - held
    held = np.clip(n_frame - before, 0, held)
    if held.sum() < n_frame:
        return n_frame
    is_past = (date <= until).to_numpy()[order]
    share = held[is_past].sum() / held.sum()
    by_day = part["design"].eq(DAY_SITE).all()
    n_sampled = part["date"].nunique() if by_day else len(part)
    return float(min(n_frame, max(np.rint(n_frame * share), n_sampled)))


# Weights and variances of the sites of one day.

#: Nodes of the quadrature over the clocks; enough for 1e-12 in the cases of `tests/properties`.
_NODES = 400
#: A probability within this of 1 is certainty.
_CERTAIN = 1 - 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class SiteDraw:
    """Weights of the n sampled sites of a day: w (n,) of the day's total ``Σ w_i y_i``.

    `form` (n, n): a of the variance estimator ``Σ a_ij y_i y_j``; zeros where the day has no such
    variance or it cannot be given (`SiteRule.SINGLE_DRAW`).
    """

    weight: Floats
    form: Floats
    rule: SiteRule


def site_draw(sampled: Floats, left: Floats) -> SiteDraw:
    """Return the weights of a day's sites from single-draw probabilities, which sum to 1.

    `sampled` (n,) are those of the sampled sites, `left` (m,) of the others, used for three or
    more.
    """
    n, left = len(sampled), left[left > 0]  # a site that is never drawn is none of the frame
    nothing = np.zeros((n, n))
    if not len(left) or sampled.sum() >= _CERTAIN:
        return SiteDraw(np.ones(n), nothing, SiteRule.EVERY_SITE)
    if n == 1:
        return SiteDraw(1 / sampled, nothing, SiteRule.SINGLE_DRAW)
    if n == 2:
        return murthy(sampled)
    return horvitz_thompson(*inclusion(sampled, left, n_drawn=n))


def murthy(p: Floats) -> SiteDraw:
    """Return Murthy's weights of two sites of single-draw probabilities p.

    ``T = [(1-p2) y1/p1 + (1-p1) y2/p2] / (2-p1-p2)`` with the unbiased variance estimator
    ``(1-p1)(1-p2)(1-p1-p2)/(2-p1-p2)² (y1/p1 - y2/p2)²`` (Murthy 1957, Ordered and unordered
    estimators in sampling without replacement, Sankhya 18).
    """
    below = 2 - p.sum()
    weight = (1 - p[::-1]) / (p * below)
    between = np.prod(1 - p) * (1 - p.sum()) / below**2
    return SiteDraw(weight, _pair_form(np.array([[0, between], [between, 0]]), p), SiteRule.MURTHY)


def horvitz_thompson(single: Floats, joint: Floats) -> SiteDraw:
    """Return Horvitz-Thompson weights with the variance of Sen, Yates and Grundy.

    ``T = Σ y_i/π_i`` and ``Σ_{i<j} (π_i π_j - π_ij)/π_ij (y_i/π_i - y_j/π_j)²`` with π_i in
    `single` (n,) and π_ij in `joint` (n, n), its diagonal unused (Yates & Grundy 1953, Selection
    without replacement from within strata with probability proportional to size, J. R. Stat. Soc. B
    15; from memory).
    """
    between = np.outer(single, single) / joint - 1
    np.fill_diagonal(between, 0)
    return SiteDraw(1 / single, _pair_form(between, single), SiteRule.HORVITZ_THOMPSON)


def _pair_form(between: Floats, size: Floats) -> Floats:
    """Return the matrix of ``Σ_{i<j} c_ij (y_i/q_i - y_j/q_j)²``."""
    form: Floats = (np.diag(between.sum(axis=1)) - between) / np.outer(size, size)
    return form


def inclusion(sampled: Floats, left: Floats, *, n_drawn: int) -> tuple[Floats, Floats]:
    """Return inclusion probabilities under successive drawing, single (k,) and joint (k, k).

    The order of successive draws is that of independent exponential clocks with the single-draw
    probabilities as rates, and the sample is the first n to ring. A site is in it when fewer than n
    others rang before it: ``π_i = ∫ p_i e^(-p_i t) P(fewer than n of the others by t) dt``; two
    are, when fewer than n - 1 others rang before the later of them. One integral each, by
    Gauss-Legendre quadrature in ``ln t`` (the identity: Rosen 1972, Asymptotic theory for
    successive sampling, Ann. Math. Stat. 43; from memory; checked against enumeration). `sampled`
    are the sites of interest, `left` all others.
    """
    everyone = np.concatenate([sampled, left])
    time, width = _clock_nodes(everyone.min())
    silent = np.exp(-np.outer(everyone, time))  # P(no ring by t), shape (sites, nodes)
    rings = everyone[:, None] * silent  # density of the ring
    k = len(sampled)
    joint = np.empty((k, k))
    for i in range(k):
        others = np.delete(silent, i, axis=0)
        joint[i, i] = width @ (rings[i] * _fewer_than(n_drawn, others))
        for j in range(i + 1, k):
            later = rings[i] * (1 - silent[j]) + rings[j] * (1 - silent[i])
            rest = np.delete(silent, [i, j], axis=0)
            joint[i, j] = joint[j, i] = width @ (later * _fewer_than(n_drawn - 1, rest))
    return np.diag(joint).copy(), joint


def _clock_nodes(slowest: float) -> tuple[Floats, Floats]:
    """Return times and weights that integrate over (0, ∞), fine near 0 and out to the slowest."""
    at, weight = np.polynomial.legendre.leggauss(_NODES)
    # t = exp(x): clocks of very unlike rates are all met by an even grid of ln t.
    low, high = np.log(1e-13), np.log(45 / slowest)
    x = low + (high - low) * (at + 1) / 2
    time = np.exp(x)
    return time, weight * (high - low) / 2 * time


def _fewer_than(n: int, silent: Floats) -> Floats:
    """Return P(fewer than n clocks rang) at each node: the tail of a Poisson-binomial."""
    count = np.zeros((n, silent.shape[1]))
    count[0] = 1
    for quiet in silent:
        rang = count * (1 - quiet)
        count *= quiet
        count[1:] += rang[:-1]
    total: Floats = count.sum(axis=0)
    return total


#: By this much written probabilities may sum to more than 1.
ROUNDING = 1e-6


#: A day that was sampled first: its unit, the rows of its site-days, and their weights.
_Day = tuple[int, "Ints", SiteDraw]


def draw_sites(sampled: pd.DataFrame, week: Ints, snapshot: Snapshot) -> tuple[Units, SiteDays]:
    """Return the units of a sample and its site-days, S rows in the order of `sample_id`.

    A site's single-draw probability is the stated ``draw_probability``; sites without one share
    what is left in proportion to ``draw_weight``, or equally where a site of the area has none.
    `week` (S,): code of each one's week. Raises `DataRejected` if a day's sites contradict each
    other: sampled twice, or with probabilities that are zero or sum to more than 1.
    """
    by_day = sampled["design"].eq(DAY_SITE).to_numpy(dtype=bool)
    unit = _units_of(sampled, by_day)
    _, first = np.unique(unit, return_index=True)
    days = _sampled_days(sampled, by_day, unit, snapshot)
    rule = np.full(len(first), SITE_RULES.index(SiteRule.EVERY_SITE))
    weight = np.ones(len(sampled))
    for code, rows, draw in days:
        rule[code] = SITE_RULES.index(draw.rule)
        weight[rows] = draw.weight
    pair, form = _pairs(days)
    units = Units(sampled["stratum_code"].to_numpy(np.int64)[first], week[first], rule)
    site_days = SiteDays(
        sample_id=sampled["sample_id"].to_numpy(object),
        unit=unit,
        boats_returned=sampled["boats_returned"].to_numpy(np.float64, na_value=np.nan),
        weight=weight,
        pair=pair,
        form=form,
    )
    return units, site_days


def _units_of(sampled: pd.DataFrame, by_day: Bools) -> Ints:
    """Return the unit of each site-day, numbered in the order in which they first come."""
    own = np.arange(len(sampled))
    if not by_day.any():
        return own
    day = (sampled["date"] - sampled["date"].min()).dt.days.to_numpy(np.int64)
    drawn = sampled["stratum_code"].to_numpy(np.int64) * (day.max() + 1) + day
    number, _ = pd.factorize(np.where(by_day, drawn, -1 - own))
    return number.astype(np.int64)


def _sampled_days(
    sampled: pd.DataFrame, by_day: Bools, unit: Ints, snapshot: Snapshot
) -> list[_Day]:
    weights = site_weights(snapshot) if by_day.any() else {}
    days: list[_Day] = []
    rows_of = np.flatnonzero(by_day)
    rows_of = rows_of[np.argsort(unit[rows_of], kind="stable")]
    sites = sampled["site"].to_numpy(object)
    stated = sampled["draw_probability"].to_numpy(np.float64, na_value=np.nan)
    areas, dates = sampled["area"].to_numpy(object), sampled["date"].to_numpy()
    starts = np.flatnonzero(np.diff(unit[rows_of], prepend=-1))
    for rows in np.split(rows_of, starts[1:]) if len(rows_of) else []:
        weight = weights[areas[rows[0]]]
        where = f"{areas[rows[0]]} on {np.datetime_as_string(dates[rows[0]], unit='D')}"
        seen, left = _probabilities(weight, sites[rows].tolist(), stated[rows].tolist(), where)
        days.append((int(unit[rows[0]]), rows, _site_draw(seen, left)))
    return days


def site_weights(snapshot: Snapshot) -> dict[str, dict[str, float]]:
    """Return the draw weights of the sites of each area, equal where one is missing."""
    sites = snapshot["sites"].to_pandas()
    weights = {}
    for area, rows in sites.groupby("area"):
        weight = rows["draw_weight"].astype("float64")
        if weight.isna().any() or weight.sum() <= 0:
            weight[:] = 1.0
        weights[str(area)] = dict(zip(rows["site"], weight.tolist(), strict=True))
    return weights


def _probabilities(
    weights: dict[str, float], sites: list[str], stated: list[float], where: str
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return single-draw probabilities of the sampled sites and of the others."""
    if len(set(sites)) < len(sites):
        raise DataRejected(
            f"{where}: a site comes twice in one day of design day_site, where sites are drawn "
            "without replacement; put its interviews under one sample_id"
        )
    known = {site: p for site, p in zip(sites, stated, strict=True) if not math.isnan(p)}
    spare = 1 - sum(known.values())
    if spare < -ROUNDING:
        raise DataRejected(
            f"{where}: draw_probability adds up to {1 - spare:.4g} over the sampled sites; "
            "allowed: at most 1 over all sites of the area; write single-draw probabilities"
        )
    rest = sum(weight for site, weight in weights.items() if site not in known)
    part = max(spare, 0.0) / rest if rest > 0 else 0.0
    p = {site: known.get(site, part * weight) for site, weight in weights.items()}
    for site in sites:
        if not p[site] > 0:
            raise DataRejected(
                f"{where}: site {site} was sampled though its draw probability is 0; correct "
                "draw_probability or the site's draw_weight"
            )
    drawn = set(sites)
    left = tuple(one for site, one in p.items() if site not in drawn)
    return tuple(p[site] for site in sites), left


@lru_cache(maxsize=4096)
def _site_draw(seen: tuple[float, ...], left: tuple[float, ...]) -> SiteDraw:
    return site_draw(np.array(seen), np.array(left))


def _pairs(days: list[_Day]) -> tuple[Ints, Floats]:
    """Return every ordered pair of site-days of a day that has a variance, with its a."""
    pairs: list[Ints] = [np.zeros((0, 2), dtype=np.int64)]
    forms: list[Floats] = [np.zeros(0)]
    for _, rows, draw in days:
        if draw.form.any():
            n = len(rows)
            pairs.append(np.column_stack([np.repeat(rows, n), np.tile(rows, n)]))
            forms.append(draw.form.ravel())
    return np.concatenate(pairs), np.concatenate(forms)
