"""Every possible sample of small populations, by each design, through the whole program.

The mean of the estimates over all samples, each with its exact probability, is the population's
total; the mean of the estimated variances is the variance of the estimates. Boats are partly
interviewed, so every stage counts. Each sample is an area of its own in one survey, so the program
runs once for all samples of a design.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from analytics.estimates.estimate import estimate_snapshot
from analytics.survey import unit_totals
from tests.tables import MONDAY, SiteDay, interview, survey

DAY = dt.timedelta(days=1)
EXACT = {"rel": 1e-9, "abs": 1e-9}


@dataclass(frozen=True)
class Landed:
    """The boats of one site-day by their kept fish, and how many of them are interviewed."""

    kept: tuple[int, ...]
    asked: int | None = None

    def draws(self):
        """Yield every choice of boats with its probability."""
        n = len(self.kept) if self.asked is None else self.asked
        for said in itertools.combinations(self.kept, n):
            yield 1 / math.comb(len(self.kept), n), said


def successive(p, k):
    """Yield every set of k sites drawn one after the other, with its probability."""
    for chosen in itertools.combinations(p, k):
        chance = 0.0
        for order in itertools.permutations(chosen):
            one, left = 1.0, 1.0
            for site in order:
                one *= p[site] / left
                left -= p[site]
            chance += one
        yield chance, chosen


def day_samples(number, day, p, k):
    """Yield every sample of one day: k sites, then boats."""
    for chance, sites in successive(p, k):
        for boats in itertools.product(*(day[site].draws() for site in sites)):
            found = [
                _site_day(day[site], said, site=site, day=number, p=p)
                for site, (_, said) in zip(sites, boats, strict=True)
            ]
            yield chance * math.prod(one for one, _ in boats), found


def _site_day(landed, said, *, site, day, p=None):
    return SiteDay(
        len(landed.kept),
        [interview(kept=fish) for fish in said],
        site=site,
        date=MONDAY + day * DAY,
        draw_probability=None if p is None else p[site],
    )


def all_of(*parts):
    """Yield every combination of independent samples."""
    for combined in itertools.product(*(list(part) for part in parts)):
        found = [site_day for _, part in combined for site_day in part]
        yield math.prod(chance for chance, _ in combined), found


def some_days(days, n, p, k):
    """Yield every sample of n of the days (by weekday), k sites of each."""
    for chosen in itertools.combinations(days, n):
        for chance, found in all_of(*(day_samples(one, days[one], p, k) for one in chosen)):
            yield chance / math.comb(len(days), n), found


def moments(samples, **opening):
    """Return mean and variance of the estimates, and the mean of the estimated variances."""
    chances, found = zip(*samples, strict=True)
    return moments_of(chances, through_the_program(found, **opening))


def moments_of(chances, rows):
    """Return the same of rows, one for each sample."""
    chance = np.array(chances)
    assert chance.sum() == pytest.approx(1.0, **EXACT)
    assert set(rows["status"]) == {"ok"}
    total = rows["estimate"].to_numpy()
    mean = chance @ total
    return mean, chance @ (total - mean) ** 2, chance @ rows["se"].to_numpy() ** 2


def through_the_program(samples, *, sites, n_days, counts=None, told=None, **opening):
    """Return the estimated kept fish of every sample, in their order.

    `counts` holds the boat counts of each sample as pairs of a day and boats; `told` is passed on
    to the program.
    """
    areas = [f"A{number:05d}" for number in range(len(samples))]
    season = {
        "season": "2030-31",
        "open_date": MONDAY,
        "close_date": MONDAY + dt.timedelta(days=n_days - 1),
        **opening,
    }
    moved = [
        replace(
            site_day,
            site=site_day.site + area,
            interviews=[{**boat, "area": area} for boat in site_day.interviews],
        )
        for area, found in zip(areas, samples, strict=True)
        for site_day in found
    ]
    snapshot = survey(
        moved,
        sites={site + area: area for area in areas for site in sites},
        seasons=[{**season, "area": area} for area in areas],
        boat_counts=[
            {
                "count_id": f"{area}-{number}",
                "area": area,
                "date": MONDAY + day * DAY,
                "time": "12:00",
                "boats": boats,
            }
            for area, seen in zip(areas, counts or [()] * len(areas), strict=True)
            for number, (day, boats) in enumerate(seen)
        ],
    )
    rows = estimate_snapshot(snapshot, by=("area",), **(told or {}))
    rows = rows[rows["quantity"] == "kept_fish"].sort_values("area")
    assert rows["area"].tolist() == areas
    return rows


def fish(days):
    return sum(sum(landed.kept) for day in days.values() for landed in day.values())


DAYS = {
    0: {"a": Landed((1, 4, 9), 2), "b": Landed((2, 2)), "c": Landed((0, 3)), "d": Landed((5,))},
    1: {"a": Landed((5, 1)), "b": Landed((7, 2, 3), 2), "c": Landed((1,)), "d": Landed((4, 4))},
    2: {"a": Landed((3, 8)), "b": Landed(()), "c": Landed((6, 1)), "d": Landed((0,))},
}
THREE = {"a": 0.5, "b": 0.3, "c": 0.2}
FOUR = {"a": 0.4, "b": 0.3, "c": 0.2, "d": 0.1}


def only(days, sites):
    return {number: {site: day[site] for site in sites} for number, day in days.items()}


def whole(days, number):
    """Return the days with every boat of one of them interviewed: fewer samples."""
    told = {site: Landed(landed.kept) for site, landed in days[number].items()}
    return {**days, number: told}


def test_site_days():
    """Two of four site-days, two of up to four boats."""
    units = {0: Landed((1, 4, 9), 2), 1: Landed((5, 1)), 2: Landed(()), 3: Landed((2, 0, 6, 3), 2)}
    samples = (
        (
            math.prod(one for one, _ in drawn) / math.comb(4, 2),
            [
                _site_day(units[day], said, site="a", day=day)
                for day, (_, said) in zip(chosen, drawn, strict=True)
            ],
        )
        for chosen in itertools.combinations(units, 2)
        for drawn in itertools.product(*(units[day].draws() for day in chosen))
    )
    mean, variance, estimated = moments(samples, sites=("a",), n_days=4, design="site_day")
    assert mean == pytest.approx(sum(sum(unit.kept) for unit in units.values()), **EXACT)
    assert estimated == pytest.approx(variance, **EXACT)


def test_days_then_one_site():
    """The total is unbiased; its variance is a bound, higher by N times that between days."""
    days = only(DAYS, THREE)
    samples = some_days(days, 2, THREE, 1)
    mean, variance, estimated = moments(samples, sites=THREE, n_days=3, design="day_site")
    assert mean == pytest.approx(fish(days), **EXACT)
    of_days = [sum(sum(landed.kept) for landed in day.values()) for day in days.values()]
    assert estimated == pytest.approx(variance + 3 * np.var(of_days, ddof=1), **EXACT)
    assert estimated > variance


def test_days_then_two_sites():
    """Murthy (1957), and boats within the sites."""
    days = only(DAYS, THREE)
    samples = some_days(days, 2, THREE, 2)
    mean, variance, estimated = moments(samples, sites=THREE, n_days=3, design="day_site")
    assert mean == pytest.approx(fish(days), **EXACT)
    assert estimated == pytest.approx(variance, **EXACT)


def test_days_then_three_of_four_sites():
    """Horvitz-Thompson with the exact probabilities of successive draws."""
    samples = some_days(DAYS, 2, FOUR, 3)
    mean, variance, estimated = moments(samples, sites=FOUR, n_days=3, design="day_site")
    assert mean == pytest.approx(fish(DAYS), **EXACT)
    assert estimated == pytest.approx(variance, **EXACT)


def test_friday_always_beside_two_of_three_other_days():
    """A day that is always taken has no error but that of its sites and boats."""
    friday = {"a": Landed((2, 2, 9), 2), "b": Landed((3,)), "c": Landed((0, 1))}
    week = {number + 1: day for number, day in only(DAYS, THREE).items()}
    samples = all_of(some_days(week, 2, THREE, 2), day_samples(4, friday, THREE, 2))
    mean, variance, estimated = moments(
        samples,
        sites=THREE,
        n_days=5,
        design="day_site",
        open_weekdays="2345",
        day_groups="1234|5|6|7",
    )
    assert mean == pytest.approx(fish(week) + fish({4: friday}), **EXACT)
    assert estimated == pytest.approx(variance, **EXACT)


def test_boat_hours_from_counts():
    """Two of three days, two counts at random moments of each; every boat keeps 2 fish an hour.

    Of each day, boats afloat in its three thirds are known; a moment falls in any of them. With the
    same rate for every boat nothing but the counts carries an error.
    """
    afloat = {0: (2, 9, 4), 1: (1, 3, 0), 2: (5, 5, 12)}
    samples = [
        (
            1 / (3 * 3**4),
            [(day, boats) for day, seen in zip(days, moment, strict=True) for boats in seen],
        )
        for days in itertools.combinations(afloat, 2)
        for moment in itertools.product(*(itertools.product(afloat[day], repeat=2) for day in days))
    ]
    chances, counts = zip(*samples, strict=True)
    said = [interview(kept=6, hours_fished=3.0), interview(kept=8, hours_fished=4.0)]
    asked = [SiteDay(2, said, site="a"), SiteDay(3, said[:1] * 2, site="a", date=MONDAY + DAY)]
    rows = through_the_program(
        [asked] * len(counts),
        sites=("a",),
        n_days=3,
        counts=counts,
        told={"effort": "counts", "day_hours": 12.0},
    )
    mean, variance, estimated = moments_of(chances, rows)
    assert mean == pytest.approx(2 * 12 * sum(sum(boats) / 3 for boats in afloat.values()), **EXACT)
    assert estimated == pytest.approx(variance, **EXACT)


def test_the_proof_sees_a_variance_without_the_boats(monkeypatch):
    """Were the spread between boats forgotten, the mean of the variances would not be right."""

    def nothing(products, sums, m, pair):
        return unit_totals.Columns(lambda p: np.zeros(len(sums)), len(pair))

    monkeypatch.setattr(unit_totals, "_squares", nothing)
    samples = some_days(only(DAYS, THREE), 2, THREE, 2)
    _, variance, estimated = moments(samples, sites=THREE, n_days=3, design="day_site")
    assert estimated < 0.999 * variance
