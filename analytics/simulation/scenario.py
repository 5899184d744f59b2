"""The parts of an invented sound, as frozen settings with units: areas, ramps, seasons, habits."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from importlib.resources import files

from pydantic import TypeAdapter

#: Fishing methods of the demo, in the order of every method mix.
METHODS: tuple[str, ...] = ("mooching", "trolling", "jigging")


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """One stretch of a season in which an area is open.

    `start` and `end` are its first and last open day as (month, day); months from July on belong to
    the first year. The rest is as in the table `seasons`.
    """

    start: tuple[int, int]
    end: tuple[int, int]
    weekdays: str = "1234567"
    day_groups: str = "12345|67"
    daily_limit_fish: int = 2
    mark_selective: bool = False
    design: str = "site_day"


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """One marine area; its openings are the same every season.

    `neighbours`: areas that boats from its ramps also fish; `legal_prop`: usual share of encounters
    of legal length in mid-season; `method_mix`: shares of `METHODS` among boat trips, sums to 1;
    `listed_prop`: share of the boats fishing here that land at a listed ramp; `peak_week`: week of
    the season (0 is the first) in which the bite is best.
    """

    area: str
    name: str
    openings: tuple[Opening, ...]
    neighbours: tuple[str, ...]
    encounters_per_angler_hour: float
    legal_prop: float
    method_mix: tuple[float, ...]
    listed_prop: float
    peak_week: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ramp:
    """One landing site, in degrees of the open ocean, so that nobody takes it for a real ramp.

    `weekend_boats`: mean boat trips on a calm weekend day; `away_prop`: share of its boats that
    fish a neighbouring area when that is open.
    """

    site: str
    name: str
    area: str
    weekend_boats: float
    away_prop: float
    longitude: float
    latitude: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shores:
    """The shape of a sound: nodes joined by lines, which are rough where they are shores.

    `middle`: longitude and latitude that distances are from; `nodes`: kilometres east and north of
    it; `borders`: lines across the water, as two nodes in order of the alphabet joined by a dash,
    which are straight; `rings`: by area, the nodes around it, then those around its islands.
    """

    middle: tuple[float, float] = (0.0, 0.0)
    nodes: dict[str, tuple[float, float]] = field(default_factory=dict)
    borders: tuple[str, ...] = ()
    rings: dict[str, tuple[tuple[str, ...], ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """A passing rise (or fall, `log_height` below 0) of the log catch rate in one area.

    `week` is its middle in weeks of the season (0 is the first), `width_weeks` the standard
    deviation of its bell.
    """

    area: str
    week: float
    log_height: float
    width_weeks: float = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """One season: its label, its first calendar year, how far it has been sampled.

    `log_abundance`: departure of the log catch rate from usual; `through`: last sampled ISO week of
    a season in progress.
    """

    season: str
    year: int
    log_abundance: float = 0.0
    through: str | None = None
    pulses: tuple[Pulse, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How the invented anglers, fish and weather behave; chosen for the demo unless said otherwise.

    - `weekday_effort`, `friday_effort`: boats of a weekday and a Friday per boat of a weekend day.
    - `boats_k`, `trip_k`: negative-binomial size of boats a site-day, and of fish a trip (smaller
      is more uneven).
    - `storm_prop`, `storm_effort`: share of stormy days; boats that still go out in a full storm,
      as a share.
    - `bite_day_sd`, `bite_site_sd`, `week_sd`, `week_memory`, `area_sd`: log-scale standard
      deviation of the catch rate by area-day, site-day, week (an AR(1)) and area-season.
    - `season_rise`: log-scale rise of the catch rate at an area's peak week; `growth_per_week`:
      weekly rise of the log-odds that a fish is of legal length.
    - `angler_props`: shares of boats with 1, 2, 3, 4 anglers; `hours_low`, `hours_high`: shortest
      and longest usual trip, hours.
    - `method_*`: by method, catch-rate factor, shift of the legal log-odds, share hooked deep.
    - `marked_prop`: share of fish with a clipped adipose fin; `let_go_prop`: legal fish let go by
      choice; `slip_prop`: boats that keep unmarked fish where only marked may be kept.
    - `over_report_prop`: releases reported beyond the true ones; `heap_prop`: chance that a
      reported count of at least `heap_from` is rounded to fives; `unsure_prop`: boats that do not
      know the size of half their releases.
    - `legal_death_prop`, `sublegal_death_prop`, `drop_off_prop`: deaths per legal release, sublegal
      release, and encounter, as a biologist would put them (common practice, no source).
    - `*_wound_death_prop`: deaths per release hooked shallow, and hooked deep: what happens. With
      the deep share of the demo's method mix they come near the two numbers above.
    """

    weekday_effort: float = 0.35
    friday_effort: float = 0.55
    boats_k: float = 5.0
    trip_k: float = 1.8
    storm_prop: float = 0.15
    storm_effort: float = 0.08
    bite_day_sd: float = 0.25
    bite_site_sd: float = 0.15
    week_sd: float = 0.22
    week_memory: float = 0.7
    area_sd: float = 0.15
    season_rise: float = 0.35
    growth_per_week: float = 0.025
    angler_props: tuple[float, ...] = (0.22, 0.46, 0.21, 0.11)
    hours_low: float = 3.0
    hours_high: float = 8.0
    method_rate: tuple[float, ...] = (1.1, 1.0, 0.8)
    method_legal_logit: tuple[float, ...] = (-0.15, 0.15, 0.0)
    method_deep_prop: tuple[float, ...] = (0.24, 0.06, 0.10)
    marked_prop: float = 0.62
    let_go_prop: float = 0.06
    slip_prop: float = 0.01
    over_report_prop: float = 0.08
    heap_prop: float = 0.55
    heap_from: int = 4
    unsure_prop: float = 0.04
    legal_death_prop: float = 0.10
    sublegal_death_prop: float = 0.20
    drop_off_prop: float = 0.05
    legal_wound_death_prop: tuple[float, float] = (0.06, 0.35)
    sublegal_wound_death_prop: tuple[float, float] = (0.15, 0.50)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """A whole invented sound: what the simulator is given.

    A ramp's area and every neighbour must be among `areas`. The legal minimum total length of 559
    mm is the usual 22 in.
    """

    name: str
    areas: tuple[Area, ...]
    ramps: tuple[Ramp, ...]
    seasons: tuple[Season, ...]
    shores: Shores = Shores()
    habits: Habits = Habits()
    min_length_mm: float = 559.0

    @property
    def area_ids(self) -> list[str]:
        """Ids of the areas, in order: the index of every area array."""
        return [area.area for area in self.areas]

    def season(self, label: str) -> Season:
        """Return the season of that label."""
        return next(season for season in self.seasons if season.season == label)


def demo_sound() -> Sound:
    """Return Ondrell Sound, an invented sound: six areas, five seasons and one in progress.

    It is read from ``demo_sound.toml``. Nothing in it is a real place, and the years lie in the
    2030s. Rates, sizes and habits are chosen so that the facts of the trade hold (common practice,
    no source): many more sublegal than legal fish in most areas, trips of 3 to 8 hours with 1 to 4
    anglers, a daily limit of 1 or 2.
    """
    content = (files("analytics.simulation") / "demo_sound.toml").read_text(encoding="utf-8")
    return TypeAdapter(Sound).validate_python(tomllib.loads(content))
