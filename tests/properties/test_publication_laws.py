"""Random small seasons, published week by week with late data, leave nothing certain."""

from __future__ import annotations

import datetime as dt

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as some

from analytics.data.snapshot import Snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.publishing.publish import published_of
from tests.publication_attack import Attack, read
from tests.simulation.test_publication_attack import truths_of
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


def without_last_interview(snapshot):
    """Return a season whose last interview has not come in yet."""
    rows = snapshot["interviews"]
    return Snapshot.of(dict(snapshot.tables) | {"interviews": rows.slice(0, len(rows) - 1)})


def attacked(days):
    """Publish week by week, and the last week once more when late data came.

    Returns the withheld figures that are not safe, and how many were withheld.
    """
    whole = tables_of(days)
    early = without_last_interview(whole)
    starts = [MONDAY + dt.timedelta(days=7 * at) for at in range(WEEKS)]
    weeks = [f"{one:%G-W%V}" for one in starts]
    before, unsafe, attack = [], [], Attack()
    for snapshot, week in [*((early, week) for week in weeks), (whole, weeks[-1])]:
        prepared = prepare_survey(snapshot, season="2030-31", through=week)
        made = published_of(prepared, before)
        before.append(made.publication)
        unsafe += attack.unsafe(read(made.files()), *truths_of(prepared))
    return unsafe, len(attack.targets)


def test_no_withheld_figure_follows(record_property):
    n_withheld = []

    @settings(
        max_examples=FEW,
        phases=[Phase.explicit, Phase.generate],
        derandomize=True,
        suppress_health_check=[HealthCheck.too_slow],  # a busy machine is no fault of a store
    )
    @given(season())
    def attack(days):
        unsafe, withheld = attacked(days)
        assert not unsafe
        n_withheld.append(withheld)

    attack()
    assert sum(n_withheld)
    record_property(
        "random seasons with late data",
        f"{len(n_withheld)} seasons of {WEEKS} weeks, {sum(n_withheld)} figures withheld in "
        f"{sum(n > 0 for n in n_withheld)} of them, sums of the season so far included: all at "
        "least ±20 %, or as unsure as before",
    )
