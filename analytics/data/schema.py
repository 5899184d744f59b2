"""Every input table of the contract in one place: columns, types, units, keys, ranges, meanings.

The import, the checks and the data dictionary of the README all follow from `TABLES`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import pyarrow as pa

#: No field count can pass this; larger numbers are slips of the keyboard.
COUNT_CEILING = 100_000


class Kind(StrEnum):
    """What a cell may hold."""

    TEXT = "text"
    COUNT = "whole number"
    NUMBER = "number"
    PROPORTION = "proportion"
    DATE = "date"
    TIME = "time"
    FLAG = "true or false"


_ARROW: dict[Kind, pa.DataType] = {
    Kind.TEXT: pa.string(),
    Kind.COUNT: pa.int64(),
    Kind.NUMBER: pa.float64(),
    Kind.PROPORTION: pa.float64(),
    Kind.DATE: pa.date32(),
    Kind.TIME: pa.string(),
    Kind.FLAG: pa.bool_(),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of an input table.

    Parameters
    ----------
    name : str
        As written in the header.
    kind : Kind
        What a cell may hold.
    meaning : str
        For the data dictionary.
    unit : str
        Unit of the number, empty for text.
    required : bool
        The column must be there (its cells may still be empty).
    filled : bool
        No cell may be empty; implies `required`.
    low, high : float or None
        Allowed range, both ends included.
    plausible_high : float or None
        Above it a cell passes with a warning.
    allowed : tuple of str
        Allowed words; empty for any.
    default : str or None
        What an empty cell means, where the contract gives a default.
    refers_to : str or None
        ``table.column`` that must hold the value.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    required: bool = False
    filled: bool = False
    low: float | None = None
    high: float | None = None
    plausible_high: float | None = None
    allowed: tuple[str, ...] = ()
    default: str | None = None
    refers_to: str | None = None

    @property
    def arrow_type(self) -> pa.DataType:
        """The Arrow type the column is stored in."""
        return _ARROW[self.kind]

    @property
    def must_exist(self) -> bool:
        """Whether a table without this column is refused."""
        return self.required or self.filled


@dataclass(frozen=True, slots=True)
class Table:
    """One input table: its key, its columns, what a row is."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    meaning: str

    @property
    def arrow_schema(self) -> pa.Schema:
        """The Arrow schema of the stored table, in the order of the contract."""
        return pa.schema([(column.name, column.arrow_type) for column in self.columns])

    def column(self, name: str) -> Column:
        """Return the column called `name`."""
        return next(column for column in self.columns if column.name == name)


def _text(name: str, meaning: str, **more: object) -> Column:
    return Column(name=name, kind=Kind.TEXT, meaning=meaning, **more)  # type: ignore[arg-type]


def _count(name: str, meaning: str, unit: str, **more: object) -> Column:
    limits: dict[str, object] = {"low": 0, "high": COUNT_CEILING, **more}
    return Column(name=name, kind=Kind.COUNT, meaning=meaning, unit=unit, **limits)  # type: ignore[arg-type]


def _number(name: str, meaning: str, unit: str, **more: object) -> Column:
    return Column(name=name, kind=Kind.NUMBER, meaning=meaning, unit=unit, **more)  # type: ignore[arg-type]


def _proportion(name: str, meaning: str, **more: object) -> Column:
    limits: dict[str, object] = {"low": 0, "high": 1, **more}
    return Column(name=name, kind=Kind.PROPORTION, meaning=meaning, unit="1", **limits)  # type: ignore[arg-type]


def _date(name: str, meaning: str, **more: object) -> Column:
    return Column(name=name, kind=Kind.DATE, meaning=meaning, **more)  # type: ignore[arg-type]


def _flag(name: str, meaning: str, **more: object) -> Column:
    return Column(name=name, kind=Kind.FLAG, meaning=meaning, **more)  # type: ignore[arg-type]


def _fish_count(name: str, meaning: str, **more: object) -> Column:
    # Over 200 Chinook in one boat trip is not plausible (common practice, no source).
    return _count(name, meaning, "fish", plausible_high=200, **more)


_AREA = {"refers_to": "areas.area"}
_SITE = {"refers_to": "sites.site"}

_TABLES = (
    Table(
        "areas",
        ("area",),
        (
            _text("area", "Marine area.", filled=True),
            _text("area_name", "Its name for people."),
        ),
        "A marine area.",
    ),
    Table(
        "sites",
        ("site",),
        (
            _text("site", "Landing site (ramp).", filled=True),
            _text("site_name", "Its name for people."),
            _text("area", "Area where the site lies.", filled=True, **_AREA),
            _number("longitude", "Position, WGS 84.", "degree", low=-180, high=180),
            _number("latitude", "Position, WGS 84.", "degree", low=-90, high=90),
            _number("draw_weight", "Relative size used when sites are drawn.", "1", low=0),
        ),
        "A place where boats land.",
    ),
    Table(
        "seasons",
        ("season", "area", "open_date"),
        (
            _text("season", "Label of the season, such as 2030-31.", filled=True),
            _text("area", "Area that is open.", filled=True, **_AREA),
            _date("open_date", "First open day.", filled=True),
            _date("close_date", "Last open day.", filled=True),
            _text("open_weekdays", "Open weekdays as ISO digits (1 is Monday).", default="1234567"),
            _text(
                "day_groups",
                "Weekday digits split by a bar; a holiday belongs to the group of day 7.",
                default="12345|67",
            ),
            _text(
                "design",
                "How site-days were chosen.",
                allowed=("site_day", "day_site", "opportunistic"),
                default="site_day",
            ),
            _number("min_length_mm", "Legal minimum total length.", "mm", low=100, high=1500),
            _count("daily_limit_fish", "Chinook an angler may keep a day.", "fish", high=100),
            _flag("mark_selective", "Only marked (adipose-clipped) fish may be kept."),
        ),
        "One opening of one area; a season that closes and opens again has two rows.",
    ),
    Table(
        "holidays",
        ("date",),
        (
            _date("date", "Day.", filled=True),
            _text("holiday", "Its name."),
        ),
        "A day that counts with day 7 of the week.",
    ),
    Table(
        "site_days",
        ("sample_id",),
        (
            _text("sample_id", "Identifies the sampled site-day.", filled=True),
            _text("site", "Where the sampler stood.", filled=True, **_SITE),
            _date("date", "When.", filled=True),
            _count(
                "boats_returned",
                "Every boat that came back, interviewed or not.",
                "boat",
                required=True,
                plausible_high=2000,
            ),
            _count(
                "frame_site_days",
                "Units in the stratum's frame, where the calendar cannot tell.",
                "site_day",
                low=1,
                high=10_000_000,
            ),
            _text("stratum", "Overrides the default stratum."),
            _proportion("draw_probability", "Single-draw probability of the site that day."),
        ),
        "A primary sampling unit: one sampler, one site, one day.",
    ),
    Table(
        "interviews",
        ("interview_id",),
        (
            _text("interview_id", "Identifies the interview.", filled=True),
            _text(
                "sample_id",
                "Its site-day; empty for an opportunistic interview.",
                refers_to="site_days.sample_id",
            ),
            _text("site", "Site of an opportunistic interview.", **_SITE),
            _date("date", "Day of an opportunistic interview."),
            _text("area", "Area fished.", filled=True, **_AREA),
            _count("anglers", "Anglers aboard.", "angler", required=True, plausible_high=60),
            _number("hours_fished", "Hours the boat fished.", "h", required=True, low=0, high=24),
            _flag("trip_complete", "The trip was over when interviewed.", default="true"),
            _text("method", "Fishing method, such as mooching, trolling or jigging."),
            _fish_count("kept", "Chinook kept.", required=True),
            _fish_count("released_legal", "Legal-size Chinook released.", required=True),
            _fish_count("released_sublegal", "Sublegal Chinook released.", required=True),
            _fish_count("released_unknown", "Chinook released whose size is not known."),
            _fish_count("kept_marked", "Of the kept, the marked ones."),
            _fish_count("released_legal_marked", "Of the legal released, the marked ones."),
            _fish_count("released_sublegal_marked", "Of the sublegal released, the marked ones."),
            _fish_count(
                "released_deep_hooked",
                "Of all released, those hooked in gills, throat or gut or bleeding.",
            ),
        ),
        "One boat trip, as told to the sampler.",
    ),
    Table(
        "fish",
        ("fish_id",),
        (
            _text("fish_id", "Identifies the measured fish.", filled=True),
            _text(
                "source",
                "Where it was measured.",
                filled=True,
                allowed=("dockside", "test_fishing"),
            ),
            _text("interview_id", "Its interview, if any.", refers_to="interviews.interview_id"),
            _date("date", "Day it was caught."),
            _text("area", "Area fished.", **_AREA),
            _text("method", "Fishing method."),
            _flag("kept", "Kept rather than released."),
            _number("total_length_mm", "Total length.", "mm", low=50, high=2000),
            _number("fork_length_mm", "Fork length.", "mm", low=50, high=2000),
            _number("weight_g", "Weight.", "g", low=1, high=70_000),
            _flag("marked", "Adipose fin clipped."),
            _text("wound_site", "Where the hook held."),
        ),
        "A measured fish.",
    ),
    Table(
        "bycatch",
        ("interview_id", "species"),
        (
            _text(
                "interview_id",
                "Its interview.",
                filled=True,
                refers_to="interviews.interview_id",
            ),
            _text("species", "Species or group met.", filled=True),
            _count("kept", "Kept.", "fish"),
            _count("released", "Released.", "fish"),
        ),
        "Other species met on a boat trip.",
    ),
    Table(
        "boat_counts",
        ("count_id",),
        (
            _text("count_id", "Identifies the count.", filled=True),
            _text("area", "Area counted.", filled=True, **_AREA),
            _date("date", "Day.", filled=True),
            Column(name="time", kind=Kind.TIME, meaning="Local civil time.", filled=True),
            _count("boats", "Boats seen fishing at that moment.", "boat", required=True),
        ),
        "An instantaneous count of boats.",
    ),
    Table(
        "coverage",
        ("area", "date"),
        (
            _text("area", "Area of the contacts.", filled=True, **_AREA),
            _date("date", "Day.", filled=True),
            _count("boats_contacted", "Boats asked on the water.", "boat", filled=True),
            _count(
                "boats_to_listed_sites",
                "Of those, boats that will land at a listed site.",
                "boat",
                filled=True,
            ),
        ),
        "On-water contacts of one area and day.",
    ),
    Table(
        "release_rates",
        ("size_class", "method", "wound_class"),
        (
            _text(
                "size_class",
                "Size of the released fish.",
                filled=True,
                allowed=("legal", "sublegal", "any"),
            ),
            _text("method", "Fishing method, or any.", filled=True),
            _text(
                "wound_class",
                "Wound of the released fish.",
                filled=True,
                allowed=("any", "shallow", "deep"),
            ),
            _proportion("rate_prop", "Share of released fish that die.", filled=True),
            _proportion("rate_se", "Standard error of the rate."),
            _text("source", "Where the rate comes from."),
        ),
        "A rate of death after release.",
    ),
    Table(
        "drop_off",
        ("method",),
        (
            _text("method", "Fishing method, or any.", filled=True),
            _proportion("rate_prop", "Deaths of lost fish per fish of the base.", filled=True),
            _proportion("rate_se", "Standard error of the rate."),
            _text(
                "base",
                "What the rate is counted on.",
                filled=True,
                allowed=("encounters", "kept"),
            ),
            _text("source", "Where the rate comes from."),
        ),
        "A rate of death of fish lost before the boat.",
    ),
    Table(
        "limits",
        ("limit_id",),
        (
            _text("limit_id", "Identifies the limit.", filled=True),
            _text("season", "Season it holds in.", filled=True),
            _text("areas", "Areas it covers, joined by a semicolon.", filled=True),
            _text("quantity", "The quantity it limits.", filled=True),
            _number("limit_fish", "The limit.", "fish", filled=True, low=0, high=10_000_000),
        ),
        "A limit on what a season may cost.",
    ),
    Table(
        "holding_trials",
        ("trial_id", "group"),
        (
            _text("trial_id", "Identifies the trial.", filled=True),
            _text("group", "Such as a wound site, or control.", filled=True),
            _count("held", "Fish held.", "fish", filled=True),
            _count("died", "Of those, fish that died.", "fish", filled=True),
            _number("hours", "Hours held.", "h", low=0, high=10_000),
        ),
        "Fish held after capture.",
    ),
)

#: Every input table by name, in an order in which references point backwards.
TABLES: dict[str, Table] = {table.name: table for table in _TABLES}
