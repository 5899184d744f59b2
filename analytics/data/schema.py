"""Every input table in one place: columns, types, units, keys, ranges, meanings.

The import, the checks and the data dictionary all follow from `TABLES`.
"""

from __future__ import annotations

import json

import pyarrow as pa

from analytics.data.columns import (
    Column,
    ColumnKind,
    Pattern,
    Table,
    count,
    date,
    fish_count,
    flag,
    number,
    proportion,
    text,
)
from analytics.errors import DataRejected

__all__ = ["TABLES", "Column", "ColumnKind", "Table"]

_AREA = {"refers_to": "areas.area"}
_SITE = {"refers_to": "sites.site"}
_INTERVIEW = {"refers_to": "interviews.interview_id"}
#: Bulletins are kept in folders named for their season.
_LABEL = Pattern(
    r"[A-Za-z0-9_][A-Za-z0-9 _.-]{0,39}",
    "letters a to z, digits, blanks, - _ and . (not first), at most 40 characters",
)
_ANSWER = {"required": True, "if_empty": "a boat without the number is left out of it"}
_MARKS = {"if_empty": "fish whose mark was not read are split like those that were read"}

_TABLES = (
    Table(
        "areas",
        ("area",),
        (text("area", "Marine area.", filled=True), text("area_name", "Its name for people.")),
        "A marine area.",
    ),
    Table(
        "area_outlines",
        ("area",),
        (
            text("area", "Area that it outlines.", filled=True, **_AREA),
            Column(
                name="outline",
                kind=ColumnKind.OUTLINE,
                meaning="Its shores and borders as a GeoJSON geometry in degrees of WGS 84.",
                filled=True,
            ),
        ),
        "The outline of an area, for maps: a feature of `areas.geojson` (RFC 7946) whose property "
        "`area` names the area, or a row of a table.",
    ),
    Table(
        "sites",
        ("site",),
        (
            text("site", "Landing site.", filled=True),
            text("site_name", "Its name for people."),
            text("area", "Area where the site lies.", filled=True, **_AREA),
            number("longitude", "Position, WGS 84.", "degree", low=-180, high=180),
            number("latitude", "Position, WGS 84.", "degree", low=-90, high=90),
            number("draw_weight", "Relative size used when sites are drawn.", "1", low=0),
        ),
        "A place where boats land.",
    ),
    Table(
        "seasons",
        ("season", "area", "open_date"),
        (
            text("season", "Its label, such as 2030-31.", filled=True, pattern=_LABEL),
            text("area", "Area that is open.", filled=True, **_AREA),
            date("open_date", "First open day.", filled=True),
            date("close_date", "Last open day.", filled=True),
            text("open_weekdays", "Open weekdays as ISO digits (1 is Monday).", default="1234567"),
            text(
                "day_groups",
                "Weekday digits split by a bar; a holiday belongs to the group of day 7.",
                default="12345|67",
            ),
            text(
                "design",
                "How site-days were chosen.",
                allowed=("site_day", "day_site", "opportunistic"),
                default="site_day",
            ),
            number("min_length_mm", "Legal minimum total length.", "mm", low=100, high=1500),
            count("daily_limit_fish", "Chinook an angler may keep a day.", "fish", high=100),
            flag("mark_selective", "Only marked (adipose-clipped) fish may be kept."),
        ),
        "One opening of one area; a season that closes and opens again has two rows.",
    ),
    Table(
        "holidays",
        ("date",),
        (date("date", "Day.", filled=True), text("holiday", "Its name.")),
        "A day that counts with day 7 of the week.",
    ),
    Table(
        "site_days",
        ("sample_id",),
        (
            text("sample_id", "Identifies the sampled site-day.", filled=True),
            text("site", "Where the sampler stood.", filled=True, **_SITE),
            date("date", "When.", filled=True),
            count(
                "boats_returned",
                "Every boat that came back, interviewed or not.",
                "boat",
                required=True,
                plausible_high=2000,
            ),
            count(
                "frame_site_days",
                "Units in the stratum's frame, where the calendar cannot say (site-days; days in "
                "design day_site).",
                "site_day",
                low=1,
                high=10_000_000,
            ),
            text("stratum", "Overrides the default stratum."),
            proportion("draw_probability", "Single-draw probability of the site that day."),
            number(
                "tide_range_m",
                "From the day's lowest low water to its highest high water.",
                "m",
                low=0,
                high=20,
            ),
        ),
        "A primary sampling unit: one sampler, one site, one day.",
    ),
    Table(
        "planned_site_days",
        ("sample_id",),
        (
            text("sample_id", "Identifies the site-day; its visit carries the same.", filled=True),
            text("season", "Season it was drawn for.", filled=True, pattern=_LABEL),
            text("site", "Where the sampler is to stand.", filled=True, **_SITE),
            date("date", "When.", filled=True),
            text("stratum_name", "Landing area, week and day group, for people."),
            count("frame_size", "Units it was drawn from.", "site_day", low=1, high=10_000_000),
            proportion("inclusion_prob", "Probability of being in the sample; not of one draw."),
            count("draw_order", "Its place in the stratum's draw: 1, 2, and so on.", "1", low=1),
            flag("is_reserve", "Drawn to replace a planned one only.", default="false"),
            text("sampler", "Who is to go."),
            count("seed", "Seed of the random draw.", "1", high=2**53),
            text(
                "state",
                "What became of it.",
                allowed=("planned", "done", "missed", "replaced"),
                default="planned",
            ),
            text("reason", "Why it was missed or replaced."),
            proportion(
                "draw_probability",
                "Single-draw probability of the site that day, where its visit gives none.",
            ),
        ),
        "What a schedule drew: no estimate reads it as a sample.",
    ),
    Table(
        "interviews",
        ("interview_id",),
        (
            text("interview_id", "Identifies the interview.", filled=True),
            text(
                "sample_id",
                "Its site-day; empty for an opportunistic interview.",
                refers_to="site_days.sample_id",
            ),
            text("site", "Site of an opportunistic interview.", **_SITE),
            date("date", "Day of an opportunistic interview."),
            text("area", "Area fished.", filled=True, **_AREA),
            count("anglers", "Anglers aboard.", "angler", plausible_high=60, **_ANSWER),
            number("hours_fished", "Hours the boat fished.", "h", low=0, high=24, **_ANSWER),
            flag("trip_complete", "The trip was over when interviewed.", default="true"),
            text("method", "Fishing method, such as mooching, trolling or jigging."),
            fish_count("kept", "Chinook kept.", **_ANSWER),
            fish_count("released_legal", "Legal-size Chinook released.", **_ANSWER),
            fish_count("released_sublegal", "Sublegal Chinook released.", **_ANSWER),
            fish_count(
                "released_unknown",
                "Chinook released whose size is not known.",
                if_empty="empty means not recorded; sums of releases take an empty "
                "released_unknown as none",
            ),
            fish_count("kept_marked", "Of the kept, the marked ones.", part_of="kept", **_MARKS),
            fish_count(
                "released_legal_marked",
                "Of the legal released, the marked ones.",
                part_of="released_legal",
                **_MARKS,
            ),
            fish_count(
                "released_sublegal_marked",
                "Of the sublegal released, the marked ones.",
                part_of="released_sublegal",
                **_MARKS,
            ),
            fish_count(
                "released_deep_hooked",
                "Of all released, those hooked in gills, throat or gut or bleeding.",
            ),
        ),
        "One boat trip, as reported to the sampler.",
    ),
    Table(
        "fish",
        ("fish_id",),
        (
            text("fish_id", "Identifies the measured fish.", filled=True),
            text(
                "source",
                "Where it was measured.",
                filled=True,
                allowed=("dockside", "test_fishing"),
            ),
            text("interview_id", "Its interview, if any.", **_INTERVIEW),
            date("date", "Day it was caught."),
            text("area", "Area fished.", **_AREA),
            text("method", "Fishing method."),
            flag("kept", "Kept rather than released."),
            number("total_length_mm", "Total length.", "mm", low=50, high=2000),
            number("fork_length_mm", "Fork length.", "mm", low=50, high=2000),
            number("weight_g", "Weight.", "g", low=1, high=70_000),
            flag("marked", "Adipose fin clipped."),
            text("wound_site", "Where the hook held."),
            text("test_trip_id", "Trip of test fishing it was caught on."),
        ),
        "A measured fish.",
    ),
    Table(
        "bycatch",
        ("interview_id", "species"),
        (
            text("interview_id", "Its interview.", filled=True, **_INTERVIEW),
            text("species", "Species or group met.", filled=True),
            count("kept", "Kept.", "fish"),
            count("released", "Released.", "fish"),
        ),
        "Other species met on a boat trip.",
    ),
    Table(
        "boat_counts",
        ("count_id",),
        (
            text("count_id", "Identifies the count.", filled=True),
            text("area", "Area counted.", filled=True, **_AREA),
            date("date", "Day.", filled=True),
            Column(name="time", kind=ColumnKind.TIME, meaning="Local civil time.", filled=True),
            count("boats", "Boats seen fishing at that moment.", "boat", required=True),
        ),
        "An instantaneous count of boats.",
    ),
    Table(
        "coverage",
        ("area", "date"),
        (
            text("area", "Area of the contacts.", filled=True, **_AREA),
            date("date", "Day.", filled=True),
            count("boats_contacted", "Boats asked on the water.", "boat", filled=True),
            count(
                "boats_to_listed_sites",
                "Of those, boats that will land at a listed site.",
                "boat",
                filled=True,
                part_of="boats_contacted",
            ),
        ),
        "On-water contacts of one area and day.",
    ),
    Table(
        "release_rates",
        ("size_class", "method", "wound_class"),
        (
            text(
                "size_class",
                "Size of the released fish.",
                filled=True,
                allowed=("legal", "sublegal", "any"),
            ),
            text("method", "Fishing method, or any.", filled=True),
            text(
                "wound_class",
                "Wound of the released fish.",
                filled=True,
                allowed=("any", "shallow", "deep"),
            ),
            proportion("rate_prop", "Share of released fish that die.", filled=True),
            proportion("rate_se", "Standard error of the rate."),
            text("source", "Where the rate comes from."),
        ),
        "A rate of death after release.",
    ),
    Table(
        "drop_off",
        ("method",),
        (
            text("method", "Fishing method, or any.", filled=True),
            proportion("rate_prop", "Deaths of lost fish per fish of the base.", filled=True),
            proportion("rate_se", "Standard error of the rate."),
            text(
                "base", "What the rate is counted on.", filled=True, allowed=("encounters", "kept")
            ),
            text("source", "Where the rate comes from."),
        ),
        "A rate of death of fish lost before the boat.",
    ),
    Table(
        "limits",
        ("limit_id",),
        (
            text("limit_id", "Identifies the limit.", filled=True),
            text("season", "Season it holds in.", filled=True, pattern=_LABEL),
            text("areas", "Areas it covers, joined by a semicolon.", filled=True),
            text(
                "quantity",
                "The quantity it limits; several totals of fish whose sum it limits, joined by a "
                "semicolon.",
                filled=True,
            ),
            number("limit_fish", "The limit.", "fish", filled=True, low=0, high=10_000_000),
        ),
        "A limit on what a season may cost.",
    ),
    Table(
        "holding_trials",
        ("trial_id", "group"),
        (
            text("trial_id", "Identifies the trial.", filled=True),
            text("group", "Such as a wound site, or control.", filled=True),
            count("held", "Fish held.", "fish", filled=True),
            count("died", "Of those, fish that died.", "fish", filled=True, part_of="held"),
            number("hours", "Hours held.", "h", low=0, high=10_000),
        ),
        "Fish held after capture.",
    ),
)

#: Every input table by name, in an order in which references point backwards.
TABLES: dict[str, Table] = {table.name: table for table in _TABLES}


def site_day_id(site: str, day: str) -> str:
    """Return the id of a site-day, such as ``R3-20360214``; empty where one of the two is.

    A plan, its visit and the paper form of the visit all make it so, that they find each other.
    """
    site, day = site.strip(), day.strip().replace("-", "")
    return f"{site}-{day}" if site and day else ""


# A table brought into a schema; readers need pyarrow only.


def cast_to_schema(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """Return a table with the columns of a schema alone, cast; one that it lacks is null.

    A column that cannot be cast without loss is a `pyarrow.ArrowInvalid`.
    """
    columns = [
        table[field.name].cast(field.type)
        if field.name in table.column_names
        else pa.nulls(table.num_rows, field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(columns, schema=schema)


#: The column of the others as JSON, and the one that numbers the rows of a batch.
EXTRA, PLACE = "_extra", "_n"


def packed(data: pa.Table, *, table: Table) -> pa.Table:
    """Return `data` in the columns of its schema, all others as text in one JSON column.

    A column that cannot be cast to its type is `DataRejected`; rows packed already stay as they
    are.
    """
    columns = [_cast(data, field) for field in table.arrow_schema]
    known = pa.Table.from_arrays(columns, schema=table.arrow_schema)
    if EXTRA in data.column_names:
        return known.append_column(EXTRA, data[EXTRA])
    return known.append_column(EXTRA, _json_of(data, set(table.arrow_schema.names)))


def _cast(data: pa.Table, field: pa.Field) -> pa.ChunkedArray | pa.Array:
    if field.name not in data.column_names:
        return pa.nulls(data.num_rows, field.type)
    try:
        return data[field.name].cast(field.type)
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
        raise DataRejected(f"column {field.name} is not {field.type}: {error}") from error


def _json_of(data: pa.Table, known: set[str]) -> pa.Array:
    extras = sorted(set(data.column_names) - known)
    if not extras:
        return pa.nulls(data.num_rows, pa.string())
    columns = [data[name].cast(pa.string()).to_pylist() for name in extras]
    texts = []
    for cells in zip(*columns, strict=True):
        filled = {name: cell for name, cell in zip(extras, cells, strict=True) if cell is not None}
        texts.append(json.dumps(filled, ensure_ascii=False) if filled else None)
    return pa.array(texts, pa.string())


# Every table that a file can hold: the input tables, and those that a command reads alone.

#: Fish held after capture, one by one; no store keeps them.
HELD_FISH = Table(
    "held_fish",
    ("held_id",),
    (
        text("held_id", "Identifies the fish.", filled=True),
        text("trial_id", "Its trial."),
        text("group", "Where the hook held, or control for fish not hooked.", filled=True),
        number("total_length_mm", "Total length.", "mm", low=50, high=2000),
        number(
            "hours",
            "Hours until it died, or until it was last seen alive.",
            "h",
            filled=True,
            low=0,
            high=10_000,
        ),
        flag("died", "It died; false where it was alive when last seen.", filled=True),
        text("test_trip_id", "Trip on which it was caught; fish of one trip are alike."),
    ),
    "A fish held after capture.",
)

FILE_SCHEMAS: dict[str, Table] = TABLES | {HELD_FISH.name: HELD_FISH}


# What lengths and weights of one fish can be: the limits that checks and conversions share.

#: Fork over total length of most Chinook (common practice, no source).
FORK_PER_TOTAL_USUAL = (0.928, 0.95)
#: Fork over total length outside which one of the two was misread (common practice, no source).
FORK_PER_TOTAL_POSSIBLE = (0.85, 1.0)
#: Total over fork length where no fish can tell: the middle of the usual range.
TOTAL_PER_FORK = 2 / sum(FORK_PER_TOTAL_USUAL)

#: Condition K = 100 W/L³ (g, cm of fork length) of most Chinook (common practice, no source).
CONDITION_USUAL = (1.1, 1.3)
#: Condition outside which length or weight was misread, by either length (working rule).
CONDITION_POSSIBLE = (0.5, 2.5)
#: Condition where no fish can tell: the middle of the usual range.
CONDITION = sum(CONDITION_USUAL) / 2
