"""Random small seasons, published week by week with late data, leave nothing certain."""

from __future__ import annotations

import datetime as dt

import pyarrow as pa
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as some

from analytics.data.snapshot import Snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.publishing import withholding
from tests.simulation.test_publication_attack import Publishing
from tests.sizes import n_sized
from tests.tables import MONDAY, SiteDay, interview, survey

AREAS = ("A", "B", "C")
WEEKS = 3
SITES = {f"r{area}": area for area in AREAS}
FEW = n_sized(3, 100)


@some.composite
def boats(draw):
    return interview(
        area=draw(some.sampled_from(AREAS)),
        anglers=draw(some.integers(1, 4)),
        hours_fished=draw(some.sampled_from([0.5, 3.0, 6.25])),
        kept=draw(some.integers(0, 3)),
        released_legal=draw(some.integers(0, 2)),
        released_sublegal=draw(some.integers(0, 9)),
    )


@some.composite
def season(draw):
    days = []
    for week in range(WEEKS):
        for site in SITES:
            for weekday in draw(some.sets(some.integers(0, 6), min_size=0, max_size=3)):
                asked = draw(some.lists(boats(), min_size=0, max_size=4))
                more = draw(some.integers(0, 3)) if asked else 0
                date = MONDAY + dt.timedelta(days=7 * week + weekday)
                days.append(SiteDay(len(asked) + more, asked, site=site, date=date))
    first = SiteDay(1, [interview(kept=1)], site="rA", date=MONDAY)
    return [first, *days]


def tables_of(days):
    unique = {(one.site, one.date): one for one in days}
    return survey(list(unique.values()), sites=SITES)


def without(snapshot, late, corrected):
    """Return a season some of whose interviews have not come in yet, one site-day as it was."""
    rows, days = snapshot["interviews"], snapshot["site_days"].to_pylist()
    missing = {one % max(len(rows), 1) for one in late}
    kept = [at not in missing or len(rows) == 1 for at in range(len(rows))]
    if corrected:
        days[corrected % len(days)]["boats_returned"] += 1
    changed = {
        "interviews": rows.filter(pa.array(kept, pa.bool_())),
        "site_days": pa.Table.from_pylist(days),
    }
    return Snapshot.of(dict(snapshot.tables) | changed)


def attacked(days, late, corrected):
    """Publish week by week while forms come late, and the last week once more with all of them.

    Returns the withheld figures that are not safe, and how all was published.
    """
    whole = tables_of(days)
    early = without(whole, late, corrected)
    starts = [MONDAY + dt.timedelta(days=7 * at) for at in range(WEEKS)]
    weeks = [f"{one:%G-W%V}" for one in starts]
    some_late = without(whole, late[1:], 0)
    unsafe, publishing = [], Publishing()
    data = [early, early, some_late, whole]
    for snapshot, week in zip(data, [*weeks, weeks[-1]], strict=True):
        unsafe += publishing.publish(prepare_survey(snapshot, season="2030-31", through=week))[1]
    return unsafe, publishing


def test_no_withheld_figure_follows(record_property, monkeypatch):
    n_withheld, n_kept, solve = [], [], withholding._solve

    def solved(*program):
        found = solve(*program)
        assert found is not None  # else nothing new would go out, which is safe and no choice
        return found

    monkeypatch.setattr(withholding, "_solve", solved)

    @settings(
        max_examples=FEW,
        phases=[Phase.explicit, Phase.generate],
        derandomize=True,
        suppress_health_check=[HealthCheck.too_slow],  # a busy machine is no fault of a store
    )
    @given(season(), some.lists(some.integers(0, 99), min_size=1, max_size=5), some.integers(0, 9))
    def attack(days, late, corrected):
        unsafe, publishing = attacked(days, late, corrected)
        assert not unsafe
        n_withheld.append(len(publishing.attack.targets))
        n_kept.append(publishing.n_kept)

    attack()
    assert sum(n_withheld)
    assert sum(n_kept)
    record_property(
        "random seasons with late data",
        f"{len(n_withheld)} seasons of {WEEKS} weeks, {sum(n_withheld)} figures withheld in "
        f"{sum(n > 0 for n in n_withheld)} of them, sums of the season so far included: all at "
        f"least ±20 %, or as unsure as before; {sum(n_kept)} figures of an area and week kept in "
        f"{sum(n > 0 for n in n_kept)} seasons, no difference on one or two boats follows",
    )
