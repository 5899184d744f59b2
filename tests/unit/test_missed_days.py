"""Days with boats and no interview, worked out by hand."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest

from analytics.codes import has_code
from tests.tables import MONDAY, SiteDay, interview
from tests.unit.test_site_day_design import day, one_week, row


class TestMissedDays:
    """Days with boats and no interview: boats times the mean per boat of the stratum."""

    OTHERS = (day(5, [1]), day(6, [1]))

    def test_total_and_error_by_hand(self):
        # Three of 5 weekdays: 4 and 2 fish from a boat each, and 9 boats that nobody met.
        snapshot = one_week([day(0, [4]), day(1, [2]), day(2, [], boats=9), *self.OTHERS])
        found = row(snapshot)
        assert found["estimate"] == pytest.approx(5 / 3 * (4 + 2 + 9 * 3) + 2)
        s2 = ((4 - 11) ** 2 + (2 - 11) ** 2 + (27 - 11) ** 2) / 2
        up, g, residual = 5 / 3, 11 / 2, 1 + 1
        filled = up * (g - 1) * (up * (g + 1) - 1) * 2 / 1 * residual
        assert found["se"] == pytest.approx(math.sqrt(25 * (1 - 3 / 5) * s2 / 3 + filled))
        assert (found["n_psu"], found["n_interviews"], found["df"]) == (5, 4, 2)
        assert found["status"] == "imputed"
        assert has_code(found["method"], "missed_days")

    def test_boats_are_those_counted(self):
        days = [day(0, [4]), day(1, [2]), day(2, [], boats=9), *self.OTHERS]
        found, full = (
            row(one_week(one), "boat_trips")
            for one in (days, [*days[:2], day(2, [0] * 9), *days[3:]])
        )
        same = ["estimate", "se", "status", "n_psu"]
        assert found[same].tolist() == full[same].tolist()
        assert not has_code(found["method"], "missed_days")

    def test_days_that_follow_their_boats_lose_nothing(self):
        # Every boat has 2 fish: the missed day is predicted without an error.
        full = [day(0, [2] * 3), day(1, [2] * 5), day(2, [2] * 9), *self.OTHERS]
        lost = [*full[:2], day(2, [], boats=9), *self.OTHERS]
        whole, part = row(one_week(full)), row(one_week(lost))
        assert part["estimate"] == pytest.approx(whole["estimate"])
        assert part["se"] == pytest.approx(whole["se"])

    def test_one_day_alone_takes_its_residual_from_the_area(self):
        # Weekdays: one of two met. The weekend's residual per boat: (3 - 2)² + (1 - 2)² over 1.
        days = [day(0, [4]), day(1, [], boats=3), day(5, [3]), day(6, [1])]
        found = row(one_week(days))
        assert found["estimate"] == pytest.approx(5 / 2 * (4 + 12) + 4)
        up, g, k = 5 / 2, 4.0, 2.0
        first = 25 * (1 - 2 / 5) * (12 - 4) ** 2 / 2 / 2
        assert found["se"] ** 2 == pytest.approx(first + up * (up * g - 1) * k * 4)

    def test_no_residual_anywhere_gives_no_error(self):
        found = row(one_week([day(0, [4]), day(1, [], boats=3)]))
        assert found["estimate"] > 0
        assert math.isnan(found["se"])

    def test_a_stratum_without_an_interview_stays_without(self):
        lost = [day(0, [], boats=4), day(1, [], boats=9), *self.OTHERS]
        found = row(one_week(lost))
        assert found["n_psu"] == 2
        assert not has_code(found["method"], "missed_days")

    def test_refusing_to_borrow_leaves_the_day_out(self):
        days = [day(0, [4]), day(1, [2]), day(2, [], boats=9), *self.OTHERS]
        assert row(one_week(days), thin="refuse")["estimate"] == pytest.approx(5 / 2 * 6 + 2)

    def test_each_number_misses_its_own_days(self):
        days = [day(0, [4]), day(1, [2]), day(2, [6], hours_fished=None), *self.OTHERS]
        kept, hours = (row(one_week(days), name) for name in ("kept_fish", "angler_hours"))
        assert kept["status"] == "ok"
        assert hours["status"] == "imputed"
        assert hours["estimate"] == pytest.approx(5 + 2)

    def test_areas_fished_share_the_missed_days(self):
        boats = [interview(kept=4, area="A"), interview(kept=2, area="B")]
        days = [
            SiteDay(2, boats, date=MONDAY),
            SiteDay(1, [interview(kept=3, area="A")], date=MONDAY + dt.timedelta(days=1)),
            day(2, [], boats=6),
            *self.OTHERS,
        ]
        snapshot = one_week(days, areas=[{"area": "A"}, {"area": "B"}])
        a, b = (row(snapshot, by=("area",), area=one) for one in "AB")
        assert a["estimate"] == pytest.approx(5 / 3 * (7 + 6 * 7 / 3) + 2)
        assert b["estimate"] == pytest.approx(5 / 3 * (2 + 6 * 2 / 3))
        # Residuals of B: 2 - 2 · 2/3, and on the day without it 0 - 2/3.
        up, g, residual = 5 / 3, 3.0, (2 / 3) ** 2 * 2
        t = np.array([2, 0, 4.0])
        filled = up * (g - 1) * (up * (g + 1) - 1) * 2 * residual
        assert b["se"] ** 2 == pytest.approx(25 * (1 - 3 / 5) * t.var(ddof=1) / 3 + filled)
