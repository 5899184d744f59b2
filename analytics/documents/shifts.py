"""What samplers are handed: a printable sheet a shift, and the shifts as an iCalendar file."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any
from uuid import NAMESPACE_URL, uuid5
from zoneinfo import ZoneInfo, available_timezones

from analytics.documents.paper_form import form_data, form_template
from analytics.documents.typesetting import pdf_of
from analytics.errors import UsageError
from analytics.settings import Paper
from analytics.wording.numbers import holiday_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

#: Names the time zone of the sites, for calendars: an IANA name, such as ``Etc/GMT+9``.
ZONE_VARIABLE = "BLACKMOUTH_TIMEZONE"
#: What Typst calls each size of paper.
_TYPST_PAPERS = {Paper.A4: "a4", Paper.LETTER: "us-letter"}
#: A shift lasts from sunrise until so long after sunset: boats come back until dark (our choice).
_AFTER_SUNSET = timedelta(hours=1)
#: Civil time further from that of the sun at the site belongs to another part of the world.
_MOST_HOURS_OFF = 4.0
_NO_NAME = ""

_DO = (
    "Be there before the first boats come back and stay until the last one is in or it is dark. "
    "Write the hours you stood there.",
    "Count every boat that came back, interviewed or not: the number cannot be made up later.",
    "Interview every boat you can. Where too many come at once, take the next boat that lands when "
    "you are free; never choose by its catch.",
    "Ask for anglers, hours, method, area fished; fish kept and released, legal and sublegal, "
    "marked ones apart. 0 is an answer; empty is not recorded.",
    "Measure every kept fish you can: total and fork length in mm, mark, wound.",
    "No boat came back: write 0 boats. The sheet counts all the same.",
    "Leave the boxes for frame, stratum and draw probability empty: the plan has them.",
)
_MISSED = (
    "Say so at once: another sampler takes the same site and day.",
    "Nobody can go: the site-day is left out, or its place goes to the next of the reserve by the "
    "rule that stands with the reserve list. Never choose another day or another ramp that suits "
    "better: counts of days that suit are not those of all days.",
    "Storm or closed ramp: if it is known that no boat came back, send the form with 0 boats. If "
    "it is not known, send it with the reason and without a number.",
)
#: The usual caution, in our words; local rules come first.
_SAFETY = (
    "Your safety comes before the sample. A missed day is no fault.",
    "Wear a life jacket on docks, floats and ramps, over warm clothes too: cold water takes breath "
    "and strength within minutes.",
    "Ramps and docks are slippery with ice, weed and fish. Stand clear of trailers, winch lines "
    "and reversing cars; do not step onto boats that are not tied up.",
    "No work in storm warnings, on iced docks or beside breaking water.",
    "Tell somebody when you go and when you are back. Carry a light, a phone and dry clothes.",
    "Local rules and your own crew's instructions come first.",
)
_RESERVE = (
    "In the order drawn, by stratum. A site-day of this list takes the place of a missed one of "
    "its stratum only while every date of the stratum is ahead (then the next of the list, "
    "whatever it is), or on the same date (then the first of that date). Else the missed one is "
    "left out."
)


@dataclass(frozen=True, slots=True)
class Shift:
    """A site-day of a plan with what people call its place.

    `position`: latitude and longitude in degrees, None where the site has none. `holiday`: its
    name, where the day is one; empty else.
    """

    sample_id: str
    season: str
    site: str
    site_name: str
    area_name: str
    date: date
    stratum_name: str
    order: int
    is_reserve: bool
    sampler: str
    state: str
    position: tuple[float, float] | None
    holiday: str = ""

    @property
    def place(self) -> str:
        """The site with its code, as the form has it."""
        return f"{self.site_name} ({self.site})" if self.site_name != self.site else self.site


def shifts_of(
    plan: Iterable[Mapping[str, Any]],
    *,
    sites: Iterable[Mapping[str, Any]],
    area_names: Mapping[str, str],
    holidays: Iterable[Mapping[str, Any]] = (),
) -> list[Shift]:
    """Return the shifts of a plan by sampler, date and site.

    Parameters
    ----------
    plan : iterable of mapping
        Rows of ``planned_site_days``.
    sites : iterable of mapping
        Rows of ``sites``.
    area_names : mapping of str to str
        By code.
    holidays : iterable of mapping, optional
        Rows of ``holidays``.
    """
    known = {row["site"]: row for row in sites}
    named = {row["date"]: row["holiday"] or "holiday" for row in holidays}
    found = [
        replace(
            _shift(row, known.get(row["site"], {}), area_names), holiday=named.get(row["date"], "")
        )
        for row in plan
    ]
    return sorted(found, key=lambda one: (one.sampler, one.date, one.site))


def _shift(row: Mapping[str, Any], site: Mapping[str, Any], area_names: Mapping[str, str]) -> Shift:
    area = site.get("area") or ""
    position = (site.get("latitude"), site.get("longitude"))
    return Shift(
        sample_id=row["sample_id"],
        season=row["season"],
        site=row["site"],
        site_name=site.get("site_name") or row["site"],
        area_name=area_names.get(area) or area,
        date=row["date"],
        stratum_name=row.get("stratum_name") or _NO_NAME,
        order=row.get("draw_order") or 0,
        is_reserve=bool(row.get("is_reserve")),
        sampler=row.get("sampler") or _NO_NAME,
        state=row.get("state") or "planned",
        position=None if None in position else position,  # type: ignore[arg-type]
    )


def _weekday_words(day: date) -> str:
    return f"{day:%A} {day.day} {day:%B %Y}"


# Sheets.


def sheets_pdf(shifts: Sequence[Shift], *, paper: str = Paper.A4) -> bytes:
    """Return the printable sheets of the planned shifts, and the reserve list, as a tagged PDF.

    Parameters
    ----------
    shifts : sequence of Shift
        Of a plan, its reserve too.
    paper : str, optional
        One of `analytics.settings.Paper`.

    Raises
    ------
    UsageError
        If the size of paper is none of them, or nothing is planned.
    """
    if paper not in list(Paper):
        raise UsageError(f"paper {paper!r}; allowed: {', '.join(Paper)}")
    planned = [one for one in shifts if not one.is_reserve and one.state == "planned"]
    if not planned:
        raise UsageError("no shift is planned, so there is no sheet to print; plan some first")
    data = {
        "title": f"Shift sheets, season {planned[0].season}",
        "paper": _TYPST_PAPERS[Paper(paper)],
        "form": form_data(),
        "shifts": [_sheet(one) for one in planned],
        "do": {"head": "What to record", "lines": _DO},
        "missed": {"head": "If you cannot go", "lines": _MISSED},
        "safety": {"head": "Safety", "lines": _SAFETY, "call": "In need call"},
        "reserve": {
            "head": "Reserve list",
            "rule": _RESERVE,
            "heads": ("Stratum", "No.", "Site", "Date"),
            "lines": _reserve_lines(shifts),
        },
    }
    return pdf_of(form_template("shift_sheets.typ"), data)


def _sheet(one: Shift) -> dict[str, Any]:
    day, why = _weekday_words(one.date), holiday_words(one.date, one.holiday)
    return {
        "title": f"{one.site_name}, {day}",
        "foot": f"{one.sample_id}  ·  {one.sampler or 'sampler: .....................'}",
        "facts": (
            ("Where", f"{one.place}, {one.area_name}"),
            ("When", f"{day}, {why}" if why else day),
            ("Sampler", one.sampler),
            ("Number of the site-day", one.sample_id),
            ("Stratum", one.stratum_name),
            ("Position, latitude and longitude", _position_words(one)),
        ),
        "known": (one.place, f"{one.date:%Y-%m-%d}", "", one.sampler),
    }


def _position_words(one: Shift) -> str:
    words = "{:.4f}, {:.4f}".format(*one.position) if one.position else ""
    return words.replace("-", "−")


def _reserve_lines(shifts: Sequence[Shift]) -> list[tuple[str, str, str, str]]:
    reserve = [one for one in shifts if one.is_reserve and one.state == "planned"]
    return [
        (
            one.stratum_name,
            str(one.order),
            one.site_name,
            f"{one.date:%a} {one.date.day} {one.date:%b}"
            + (", holiday" if holiday_words(one.date, one.holiday) else ""),
        )
        for one in sorted(reserve, key=lambda one: (one.stratum_name, one.order))
    ]


# The calendar.


def zone_of_environment() -> ZoneInfo | None:
    """Return the time zone that the environment names; None where it names none.

    Raises
    ------
    UsageError
        If it is no time zone.
    """
    name = os.environ.get(ZONE_VARIABLE, "").strip()
    if not name:
        return None
    if name not in available_timezones():
        raise UsageError(
            f"{ZONE_VARIABLE} is {name!r}; allowed: an IANA name of a time zone, such as "
            "Etc/GMT+9; leave it empty for shifts that last the whole day"
        )
    return ZoneInfo(name)


def schedule_ics(shifts: Sequence[Shift], *, made: datetime, zone: ZoneInfo | None = None) -> bytes:
    """Return the planned shifts as an iCalendar file (RFC 5545); missed ones are cancelled.

    The number of an event follows from season and sample, so that a schedule imported again moves
    its events and adds none.

    Parameters
    ----------
    shifts : sequence of Shift
        Of a plan; the reserve has no event.
    made : datetime.datetime
        With its time zone.
    zone : zoneinfo.ZoneInfo, optional
        Of the sites: a shift then lasts from sunrise to an hour after sunset. Without it, and where
        a site has no position, a shift is an event of its whole day, whatever the zone.

    Raises
    ------
    UsageError
        If the zone does not fit where a site lies.
    """
    from icalendar import Calendar  # noqa: PLC0415 - only schedules need it

    calendar = Calendar()
    calendar.add("prodid", "-//Blackmouth//Sampling plan//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for one in sorted(shifts, key=lambda one: (one.date, one.site)):
        if not one.is_reserve:
            calendar.add_component(_event(one, made, zone))
    if zone is not None and shifts:
        dates = [one.date for one in shifts]
        year = timedelta(days=366)
        calendar.add_missing_timezones(first_date=min(dates) - year, last_date=max(dates) + year)
    written: bytes = calendar.to_ical()
    return written


def _event(one: Shift, made: datetime, zone: ZoneInfo | None) -> Any:
    from icalendar import Event  # noqa: PLC0415 - only schedules need it

    event = Event()
    event.add("uid", str(uuid5(NAMESPACE_URL, f"blackmouth:{one.season}:{one.sample_id}")))
    event.add("dtstamp", made)
    begins, ends = _hours(one, zone)
    event.add("dtstart", begins)
    event.add("dtend", ends)
    who = f": {one.sampler}" if one.sampler else ""
    why = holiday_words(one.date, one.holiday)
    event.add("summary", f"Sampling at {one.site_name}{who}")
    event.add("location", f"{one.place}, {one.area_name}")
    if one.position:
        event.add("geo", one.position)
    event.add(
        "description",
        f"Site-day {one.sample_id}, {one.stratum_name}{why and f', {why}'}. Count every boat that "
        "comes back and interview all you can. Life jacket on docks and ramps. If you cannot go, "
        "say so at once and do not choose another day or ramp.",
    )
    is_on = one.state in ("planned", "done")
    event.add("status", "CONFIRMED" if is_on else "CANCELLED")
    event.add("sequence", 0 if is_on else 1)
    event.add("transp", "OPAQUE" if is_on else "TRANSPARENT")
    return event


def _hours(one: Shift, zone: ZoneInfo | None) -> tuple[date, date]:
    """Return when a shift begins and ends: by the sun in a zone, else its whole day."""
    whole = one.date, one.date + timedelta(days=1)
    if zone is None or one.position is None:
        return whole
    from astral import Observer  # noqa: PLC0415 - only timed shifts need it
    from astral.sun import sun  # noqa: PLC0415

    latitude, longitude = one.position
    noon = datetime(one.date.year, one.date.month, one.date.day, 12, tzinfo=zone)
    offset = noon.utcoffset() or timedelta()
    hours_off = (offset.total_seconds() / 3600 - longitude / 15 + 12) % 24 - 12
    if abs(hours_off) > _MOST_HOURS_OFF:
        raise UsageError(
            f"time zone {zone.key} is {abs(hours_off):.1f} h off the sun at site {one.site} "
            f"(longitude {longitude:g}); allowed: up to {_MOST_HOURS_OFF:g} h; name the zone of "
            f"the sites in {ZONE_VARIABLE}"
        )
    try:
        found = sun(Observer(latitude, longitude), date=one.date, tzinfo=zone)
    except ValueError:  # the sun does not rise or set there that day
        return whole
    begins, ends = found["sunrise"], found["sunset"] + _AFTER_SUNSET
    return begins.replace(second=0, microsecond=0), ends.replace(second=0, microsecond=0)
