"""Today, run headless: limits, openings, points and facts with their links; and where they lack."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from urllib.parse import parse_qs, urlsplit

import pyarrow as pa
import pytest

from analytics.bulletin import archive
from analytics.bulletin.notes import NOTES_FILE, add_note
from analytics.bulletin.places import REGULATION_SCHEMA
from analytics.errors import StoreError
from analytics.outlook.schemas import OUTLOOK_SCHEMAS
from analytics.precision import DASH
from analytics.revision_order import OWN_DATA, POOLING, REVISED
from analytics.units import short_day
from analytics.wording import limits
from analytics.wording.bulletin_index import index_bulletin
from analytics.wording.week import EFFORT, Topic, key_points, next_release
from dashboard import store_access, today
from dashboard.pages import RESULTS
from tests.app import sample_season
from tests.app.rate_pages import old_archive, plain
from tests.app.reading import words_of
from tests.app.sample_bulletin import NOW, for_the_public, make

#: The day after the sample's last week.
NEXT_DAY = date(2036, 2, 11)
HOLES = {"nan", "None", "inf", "null"}


@pytest.fixture
def open_today(opener):
    """Return a function that opens the page with a link."""
    return opener("app_pages/today.py")


@pytest.fixture
def open_kept(open_today, tmp_path):
    """Return a function that opens the page on an archive of one bulletin."""

    def opened(bulletin, **link):
        archive.save(tmp_path, bulletin)
        return open_today(folder=tmp_path, **link)

    return opened


def states(page):
    return re.findall(r"bm-state bm-(\w+)", words_of(page))


def links(page):
    """Return the pages that the items open, each with its choices."""
    found = [urlsplit(html.unescape(one)) for one in re.findall(r"href='(.*?)'", words_of(page))]
    return [(one.path, parse_qs(one.query)) for one in found]


def assert_whole(page):
    assert not page.exception
    assert not page.error
    assert not HOLES & set(re.split(r"[^\w]+", words_of(page)))


def test_each_limit_has_a_line_with_its_state(open_today):
    page = open_today()
    assert_whole(page)
    found = limits.read(index_bulletin(make(NOW)))
    assert states(page) == [limits.state(line).value for line in found.limits]
    assert set(states(page)) == {"near", "exceeded", "watch", "well_below", "unknown"}
    opened = [choices["limit"] for path, choices in links(page) if "limit" in choices]
    assert opened == [[line["limit_id"]] for line in found.limits]
    assert plain(limits.STATE_RULE) in words_of(page)


def test_every_item_opens_a_page_with_the_choices(open_today):
    page = open_today(area="A1")
    assert_whole(page)
    found = links(page)
    assert {"season_limits", "seasonal_pattern", "week", "revisions"} <= {path for path, _ in found}
    for path, choices in found:
        assert path in RESULTS or path == "waters"
        assert (choices["season"], choices["area"]) == ([NOW], ["A1"])


def test_areas_stand_with_their_rules_and_the_day(open_today):
    words = words_of(open_today())
    assert "Open where, on Monday 11 February 2036" in words
    table = words[words.index("Open where") :]
    for name in ("Quillon Bank", "Pale Hook", "Umbra Flats"):
        assert name in table
    assert "Check the official rules before you go" in table
    assert table.count("bm-open") == 2  # of the sample's areas; others are closed that day


def test_rules_of_every_area_are_said_once(open_today):
    choices = words_of(open_today(area=["A1", "A2"]))
    assert choices.count("at least 559 mm (22 in)") == 1
    assert "Everywhere 2 a day, at least 559 mm (22 in)" in choices
    chosen = words_of(open_today(area=["A1", "A2"], units="cm.kg.ymd"))
    assert "at least 55.9 cm (22 in)" in chosen.replace("\u00a0", " ")
    assert "Open where, on Monday 2036-02-11" in chosen


def test_the_key_points_are_those_of_the_documents(open_today):
    words = words_of(open_today())
    said = re.sub(r"<[^>]+>|\s", "", words.partition("Key points")[2])
    for one in key_points(index_bulletin(make(NOW))).values():
        assert re.sub(r"\s", "", html.escape(plain(one).replace("**", ""), quote=False)) in said


def revised_point(effects, far):
    """Return the key point on revisions, one figure revised by each effect."""
    bulletin = make(NOW)
    lines = [one for one in bulletin.revisions.to_pylist() if one["kind"] == REVISED]
    size = 1.5 if far else 0.5
    given = [
        one | {"effect": effect, "change_in_se": size}
        for one, effect in zip(lines, effects, strict=False)
    ]
    revisions = pa.Table.from_pylist(given, schema=bulletin.revisions.schema)
    return key_points(index_bulletin(replace(bulletin, revisions=revisions))).get(Topic.REVISED, "")


def test_what_pooling_alone_moved_a_little_is_no_key_point():
    assert revised_point([POOLING, POOLING], far=False) == ""
    assert "late data" not in revised_point([POOLING, POOLING], far=True)
    assert "**2** of them" in revised_point([POOLING, POOLING], far=True)
    assert "late data revised 2 figures" in revised_point([OWN_DATA, POOLING], far=False)
    assert "**none**" in revised_point([OWN_DATA], far=False)


def test_facts_name_close_sampling_and_bulletin(open_today):
    words = plain(words_of(open_today()))
    assert "<b>80 days</b>" in words  # both of the days below counted
    assert "from 11 February to 30 April 2036" in words
    assert "site-days</b>" in words
    assert "Newest: through week 2036-W06" in words
    assert f"Next release: {next_release(index_bulletin(make(NOW)))}." in words  # as the documents
    assert "There is a newer one" in plain(words_of(open_today(bulletin="older")))


def test_the_next_release_is_the_imprints(open_today, tmp_path, monkeypatch):
    (tmp_path / "desk").mkdir()
    (tmp_path / "desk" / "imprint.toml").write_text('next_release = "<b>18 February</b>."')
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(tmp_path))
    words = plain(words_of(open_today()))
    assert "Next release: &lt;b&gt;18 February&lt;/b&gt;." in words
    (tmp_path / "desk" / "imprint.toml").write_text("next_release = 3")
    page = open_today()
    assert_whole(page)
    assert "cannot be read" in words_of(page)


def test_the_analysts_note_is_shown_in_brief(open_kept, tmp_path, monkeypatch):
    bulletin = make(NOW)
    archive.save(tmp_path, bulletin)
    long = "<b>Ramps</b> were closed for a storm. " + "It stayed " + "cold, " * 80 + "*and ended.*"
    add_note(tmp_path, bulletin.card.bulletin, long, author="Wren")
    assert "Wren" not in words_of(open_kept(bulletin)), "the public's archive has no notes"
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(tmp_path / "store"))
    page = open_kept(bulletin)
    assert_whole(page)
    words = words_of(page)
    assert "(Wren)" in words
    assert "&lt;b&gt;Ramps" in words
    assert "…" in words
    assert "and ended" not in words
    path = tmp_path / bulletin.card.bulletin / NOTES_FILE
    path.write_text(path.read_text() + " ")
    assert_whole(open_kept(bulletin))


@pytest.mark.parametrize(("more", "is_said"), [(0, False), (2, True)])
def test_what_came_in_since_the_bulletin_is_counted(open_today, monkeypatch, more, is_said):
    version = make(NOW).card.version + more
    store = SimpleNamespace(exists=True, version=version)
    monkeypatch.setattr(store_access, "store", lambda: store)
    page = open_today()
    assert_whole(page)
    assert ("came in since" in words_of(page)) == is_said


def test_a_store_that_cannot_be_read_leaves_the_page_whole(open_today, monkeypatch):
    def damaged():
        raise StoreError("damaged")

    monkeypatch.setattr(store_access, "store", damaged)
    page = open_today()
    assert_whole(page)
    assert "came in since" not in words_of(page)


def test_what_sampling_missed_is_named():
    def said(**changed):
        index = index_bulletin(make(NOW))
        week = [one for one in index.strata if one.week == index.card.through]
        first = replace(week[0], **changed)
        return plain(today.sampling(_Choice(replace(index, strata=(first, *week[1:])))))

    assert "Missed: nothing." in said(n_psu=4, n_missing_psu=0)
    assert "no sample of" in said(n_psu=0)
    assert "2 site-days without an interview" in said(n_missing_psu=2)


@pytest.mark.parametrize("n", [1, 8])
def test_interviews_of_convenience_are_not_said_to_be_a_designed_sample(n):
    index = index_bulletin(make(NOW))
    row = index.row(None, index.card.through, EFFORT)
    mine = replace(row, status="no_design", n_psu=n, n_psu_frame=None, n_interviews=40)
    bare = replace(index, strata=(), rows={**index.rows, (None, row.week, EFFORT): mine})
    said = plain(today.sampling(_Choice(bare)))
    assert f"40 interviews of convenience on {n} site-day" in said
    assert said.startswith("**No designed sample**")


class _Choice:
    def __init__(self, index):
        self.index = index


def test_a_season_without_limits_says_so(open_kept):
    bulletin = make(NOW)
    none = OUTLOOK_SCHEMAS["limit_status"].empty_table()
    page = open_kept(replace(bulletin, outlook=dict(bulletin.outlook) | {"limit_status": none}))
    assert_whole(page)
    assert states(page) == []
    assert f"No limit is set for season {NOW}" in plain(words_of(page))


def test_a_bulletin_without_rules_and_rates_says_so(open_today, tmp_path):
    lacking = ("regulations", "index", "seasonal_pattern", "run_strength")
    page = open_today(folder=old_archive(tmp_path, *lacking))
    assert_whole(page)
    words = words_of(page)
    assert "keeps no rules of its areas" in words
    assert "cannot set its season beside past ones" in words
    assert not page.get("plotly_chart")
    assert f"to {sample_season.CLOSE.day} April 2036" in words  # of the limits


def test_a_thin_bulletin_is_drawn(open_kept):
    bulletin = make(NOW)
    empty = {name: of.schema.empty_table() for name, of in bulletin.outlook.items()}
    thin = replace(
        bulletin,
        rows=bulletin.rows.slice(0, 0),
        changes=bulletin.changes.slice(0, 0),
        strata=bulletin.strata.slice(0, 0),
        outlook=empty,
        rates={name: of.schema.empty_table() for name, of in bulletin.rates.items()},
    )
    page = open_kept(thin)
    assert_whole(page)
    assert "says nothing of the sampling" in words_of(page)


def test_a_season_that_is_over_says_so(open_today):
    page = open_today(season="2034-35")
    assert_whole(page)
    words = plain(words_of(page))
    assert "The season is over; its last day was 30 April 2035." in words
    assert "closed: the season is over" in words
    assert "unknown" in states(page)


def test_the_public_sees_no_site_day(open_kept):
    page = open_kept(for_the_public(make(NOW)))
    assert_whole(page)
    assert set(states(page)) >= {"near", "well_below"}
    assert "Missed" not in words_of(page)


def test_a_limit_without_a_figure_is_not_said_to_be_kept():
    withheld = {"estimate": None, "limit_fish": 10.0, "is_preliminary": False}
    assert today._reached(withheld) == DASH
    assert today._reached(withheld | {"estimate": 9.0}) == "no"


def test_an_area_that_has_closed_is_not_the_next_to_close(open_kept):
    bulletin = make(NOW)
    lines = bulletin.table("regulations").to_pylist()
    assert any(one["close_date"] < NEXT_DAY for one in lines)
    words = plain(words_of(open_kept(bulletin)))
    said = re.search(r"the next area closes for the season on (\d+ \w+)\.", words)
    assert said
    assert said[1] != "31 January"


def test_the_planned_close_is_that_of_the_chosen_areas(open_kept):
    bulletin = make(NOW)
    ends = {one["area"]: one["close_date"] for one in bulletin.table("regulations").to_pylist()}
    early = min(ends, key=ends.__getitem__)
    assert ends[early] < NEXT_DAY < max(ends.values())
    words = plain(words_of(open_kept(bulletin, area=early)))
    assert short_day(ends[early]) in words
    assert (
        short_day(max(ends.values())) not in words.split("Planned close")[-1].split("Sampling")[0]
    )


def test_an_archive_without_a_bulletin_says_what_to_do(open_today, tmp_path):
    page = open_today(folder=tmp_path)
    assert not page.exception
    assert "There is no bulletin to show yet" in words_of(page)


def test_a_link_to_what_is_not_there_says_so(open_today):
    page = open_today(season="1999", area="<b>B9", colour="red")
    assert_whole(page)
    asked = plain(page.warning[0].value)
    assert "there is no bulletin of season 1999" in asked
    assert "the bulletin has no area <b>B9" in asked
    assert "there is no choice called colour" in asked


def test_a_bulletin_with_no_opening_has_no_rules(open_kept):
    bulletin = make(NOW)
    places = {name: bulletin.table(name) for name in ("landing_sites",)}
    places["regulations"] = REGULATION_SCHEMA.empty_table()
    page = open_kept(replace(bulletin, places=places))
    assert_whole(page)
    assert "keeps no rules of its areas" in words_of(page)
