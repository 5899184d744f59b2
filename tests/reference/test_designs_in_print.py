"""Designs with drawn days and sites against published figures, through result rows."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest

from analytics.estimates.estimate import estimate_snapshot
from tests.tables import MONDAY, SiteDay, figures, interview, survey


def opening(area, *, days, **given):
    close = MONDAY + dt.timedelta(days=days - 1)
    plain = {"season": "2030-31", "area": area, "open_date": MONDAY, "close_date": close}
    return plain | {"design": "day_site"} | given


def test_murthy_1957_two_of_four():
    # Murthy (1957), Ordered and unordered estimators in sampling without replacement, Sankhya 18:
    # the estimator; population and its moments recomputed by enumeration (reference 7).
    total, p = (60, 25, 14, 11), (0.5, 0.25, 0.15, 0.10)
    samples = list(itertools.combinations(range(4), 2))
    days, sites, chances = [], {}, []
    for number, (i, j) in enumerate(samples):
        area = f"S{number}"
        sites |= {f"{area}-{site}": area for site in range(4)}
        chances.append(p[i] * p[j] * (1 / (1 - p[i]) + 1 / (1 - p[j])))
        days += [
            SiteDay(
                1,
                [interview(area=area, kept=total[site])],
                site=f"{area}-{site}",
                draw_probability=p[site],
            )
            for site in (i, j)
        ]
    seasons = [opening(f"S{number}", days=1) for number in range(len(samples))]
    rows = estimate_snapshot(survey(days, sites=sites, seasons=seasons), by=["area"])
    found = [figures(rows, "kept_fish", area=f"S{number}") for number in range(len(samples))]
    mean = sum(c * row["estimate"] for c, row in zip(chances, found, strict=True))
    spread = sum(c * (row["estimate"] - 110) ** 2 for c, row in zip(chances, found, strict=True))
    estimated = sum(c * row["se"] ** 2 for c, row in zip(chances, found, strict=True))
    assert sum(chances) == pytest.approx(1)
    assert mean == pytest.approx(110, abs=1e-9)
    assert spread == pytest.approx(28.65129469, abs=5e-9)
    assert estimated == pytest.approx(28.65129469, abs=5e-9)


def test_a_week_with_friday_to_sunday_always_and_two_of_the_other_days():
    # The scheme is that of an agency methods report of 2013, the figures recomputed (reference 11).
    kept = {0: 12, 2: 20, 4: 18, 5: 41, 6: 37}
    days = [
        SiteDay(1, [interview(kept=fish)], date=MONDAY + dt.timedelta(days=day))
        for day, fish in kept.items()
    ]
    season = opening("A", days=7, day_groups="1234|5|6|7")
    for design in ("day_site", "site_day"):
        snapshot = survey(days, seasons=[season | {"design": design}])
        found = figures(estimate_snapshot(snapshot, by=["week"]), "kept_fish")
        assert found["estimate"] == pytest.approx(160)
        assert found["se"] ** 2 == pytest.approx(128)
        assert (found["n_psu"], found["n_psu_frame"], found["status"]) == (5, 7, "ok")
