"""Sheets and calendar of a plan's shifts: what they say, on paper and to a calendar."""

from __future__ import annotations

import datetime as dt
import io
from zoneinfo import ZoneInfo

import pypdf
import pytest
from icalendar import Calendar

from analytics.documents import shifts
from analytics.documents.shifts import schedule_ics, sheets_pdf, shifts_of
from analytics.errors import UsageError
from analytics.wording.numbers import holiday_words
from tests import pdf_structure

MADE = dt.datetime(2031, 1, 10, 8, tzinfo=dt.UTC)
#: Nine hours behind universal time all year.
ZONE = ZoneInfo("Etc/GMT+9")
SITES = [
    {"site": "r1", "site_name": "First Ramp", "area": "A", "latitude": 47.0, "longitude": -139.9},
    {"site": "r2", "site_name": None, "area": "A", "latitude": None, "longitude": None},
]


def plan_row(site, day, **more):
    return {
        "sample_id": f"{site}-203101{day}",
        "season": "2030-31",
        "site": site,
        "date": dt.date(2031, 1, day),
        "stratum_name": "A 2031-W03 Mon–Fri",
        "draw_order": 1,
        "is_reserve": False,
        "sampler": None,
        "state": "planned",
    } | more


ROWS = [
    plan_row("r1", 14, sampler="Ada <Fenn>"),
    plan_row("r2", 13, draw_order=2),
    plan_row("r1", 15, draw_order=3, state="missed"),
    plan_row("r2", 16, draw_order=4, is_reserve=True),
]


#: A Tuesday and a Thursday.
HOLIDAYS = [
    {"date": dt.date(2031, 1, 14), "holiday": "Ramp Day"},
    {"date": dt.date(2031, 1, 16), "holiday": None},
]


def found(rows=ROWS):
    return shifts_of(rows, sites=SITES, area_names={"A": "North"}, holidays=HOLIDAYS)


def pages(pdf):
    return [" ".join(one.extract_text().split()) for one in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_only_a_holiday_that_is_no_sunday_stands_elsewhere_than_its_weekday():
    monday, sunday = dt.date(2031, 1, 13), dt.date(2031, 1, 12)
    assert holiday_words(monday, "holiday") == "a holiday: sampled with the Sundays"
    assert holiday_words(sunday, "Ramp Day") == holiday_words(monday, "") == ""


def events(ics):
    return {str(one["location"])[:10]: one for one in Calendar.from_ical(ics).walk("VEVENT")}


@pytest.mark.parametrize(("paper", "width"), [("a4", 842), ("letter", 792)])
def test_a_sheet_a_planned_shift_and_the_form_begun(paper, width):
    pdf = sheets_pdf(found(), paper=paper)
    text = pages(pdf)
    assert len(text) == 2 * 4 + 1
    assert "r2, Monday 13 January 2031" in text[0]
    assert "First Ramp, Tuesday 14 January 2031" in text[4]
    for words in ("First Ramp (r1), North", "Ada <Fenn>", "r1-20310114", "47.0000, −139.9000"):
        assert words in text[4]
    for words in ("What to record", "If you cannot go", "life jacket", "Local rules"):
        assert words in text[4]
    assert "2031-01-14" in text[5]
    assert "Reserve list" in text[8]
    assert "A 2031-W03 Mon–Fri 4 r2 Thu 16 Jan, holiday" in text[8]
    assert "14 January 2031, a holiday (Ramp Day): sampled with the Sundays" in text[4]
    assert "sampled with the Sundays" not in text[0]
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert float(reader.pages[0].mediabox.width) == pytest.approx(width, abs=1)
    assert pdf_structure.faults(pdf) == []


def boxes_of_words(page):
    """Return where each line of a page stands and how high its letters are, in points."""
    found = []

    def see(words, matrix, of_text, _font, size):
        if words.strip():
            height = abs(size * of_text[3] * matrix[3])
            found.append((words.strip(), of_text[5] * matrix[3] + matrix[5], height))

    page.extract_text(visitor_text=see)
    return found


@pytest.mark.parametrize("times", [25, 60])
def test_long_names_keep_to_their_boxes(times):
    name = " ".join(f"Reach{at:02}" for at in range(times))
    shift = shifts_of([ROWS[0]], sites=SITES, area_names={"A": name}, holidays=())
    reader = pypdf.PdfReader(io.BytesIO(sheets_pdf(shift, paper="a4")))
    assert len(reader.pages) == 4
    lines = boxes_of_words(reader.pages[0])
    of_name = [(y, height) for words, y, height in lines if "Reach" in words]
    assert f"Reach{times - 1}" in pages(sheets_pdf(shift, paper="a4"))[0]
    assert min(height for _, height in of_name) >= 6.9
    (below,) = (y + height for words, y, height in lines if words == "Number of the site-day")
    top = float(reader.pages[0].mediabox.height)
    ends = [y if y > 0 else y + top for y, _ in of_name]
    assert min(ends) > (below if below > 0 else below + top)


def test_what_cannot_be_printed_is_said():
    with pytest.raises(UsageError, match="paper 'a5'; allowed: a4, letter"):
        sheets_pdf(found(), paper="a5")
    with pytest.raises(UsageError, match="no shift is planned"):
        sheets_pdf(found(ROWS[2:]))


def test_a_calendar_has_every_shift_but_the_reserve_as_whole_days_without_a_zone():
    calendar = Calendar.from_ical(schedule_ics(found(), made=MADE))
    assert str(calendar["version"]) == "2.0"
    by_day = {one.decoded("dtstart"): one for one in calendar.walk("VEVENT")}
    assert sorted(by_day) == [dt.date(2031, 1, day) for day in (13, 14, 15)]
    assert all(one.decoded("dtend") == day + dt.timedelta(days=1) for day, one in by_day.items())
    assert str(by_day[dt.date(2031, 1, 15)]["status"]) == "CANCELLED"
    assert str(by_day[dt.date(2031, 1, 13)]["status"]) == "CONFIRMED"
    assert "Ada <Fenn>" in str(by_day[dt.date(2031, 1, 14)]["summary"])
    assert "holiday (Ramp Day)" in str(by_day[dt.date(2031, 1, 14)]["description"])
    assert not calendar.walk("VTIMEZONE")


def test_in_a_zone_a_shift_lasts_from_sunrise_to_an_hour_after_sunset_in_its_local_time():
    calendar = Calendar.from_ical(schedule_ics(found(), made=MADE, zone=ZONE))
    (timed,) = (one for one in calendar.walk("VEVENT") if "Ada" in one["summary"])
    begins, ends = timed.decoded("dtstart"), timed.decoded("dtend")
    assert (begins.utcoffset(), begins.date()) == (dt.timedelta(hours=-9), dt.date(2031, 1, 14))
    # 47° N in the middle of January has some 8.9 h of daylight; noon of the sun is 12:29 here.
    assert (ends - begins).total_seconds() / 3600 == pytest.approx(9.9, abs=0.1)
    noon = begins + (ends - dt.timedelta(hours=1) - begins) / 2
    assert noon.hour * 60 + noon.minute == pytest.approx(12 * 60 + 29, abs=3)
    assert [str(one["tzid"]) for one in calendar.walk("VTIMEZONE")] == ["Etc/GMT+9"]
    # A site without a position keeps its whole day.
    assert dt.date(2031, 1, 13) in [one.decoded("dtstart") for one in calendar.walk("VEVENT")]


def test_an_event_keeps_its_number_when_the_schedule_comes_again():
    def numbers(rows, **how):
        calendar = Calendar.from_ical(schedule_ics(found(rows), **how))
        return {str(one["uid"]) for one in calendar.walk("VEVENT")}

    first = numbers(ROWS, made=MADE)
    moved = [ROWS[0] | {"sampler": "Bo"}, *ROWS[1:]]
    assert numbers(moved, made=MADE + dt.timedelta(days=1), zone=ZONE) == first
    assert len(first) == 3
    assert numbers([ROWS[0] | {"season": "2031-32"}], made=MADE).isdisjoint(first)


def test_zones_are_checked_in_words(monkeypatch):
    with pytest.raises(UsageError, match=r"Asia/Tokyo is 5\.7 h off the sun at site r1"):
        schedule_ics(found(), made=MADE, zone=ZoneInfo("Asia/Tokyo"))
    monkeypatch.delenv(shifts.ZONE_VARIABLE, raising=False)
    assert shifts.zone_of_environment() is None
    monkeypatch.setenv(shifts.ZONE_VARIABLE, "Etc/GMT+9")
    assert shifts.zone_of_environment() == ZONE
    monkeypatch.setenv(shifts.ZONE_VARIABLE, "noon")
    with pytest.raises(UsageError, match="is 'noon'; allowed: an IANA name"):
        shifts.zone_of_environment()
