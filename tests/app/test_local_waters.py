"""Local waters: every state of an area, in few numbers and short words, in two languages."""

from __future__ import annotations

import io
import re
from contextvars import copy_context
from dataclasses import replace
from datetime import date
from pathlib import Path

import pyarrow as pa
import pytest
from babel.messages.pofile import read_po

from analytics import Store, import_files
from analytics.bulletin import archive
from analytics.bulletin.archive import archive_of
from analytics.codes import coded, join_codes, registry, sentences
from analytics.palette import DARK, LIGHT
from analytics.units import read_units
from analytics.wording import limits, regulations
from analytics.wording.bulletin_index import index_bulletin
from analytics.wording.limits import LimitState
from dashboard import catalogue, store_access
from dashboard.catch_rates import records
from dashboard.charts import area_map
from dashboard.charts.area_map import NONE, SURE, UNSURE, MapArea
from dashboard.local_waters import facts
from dashboard.local_waters import text as waters
from dashboard.local_waters.text import Words, lately, limit_lines
from dashboard.page_frame import tool_words
from tests import catalogues
from tests.app.reading import table_of, words_of
from tests.app.sample_bulletin import AREAS, NOW, for_the_public, make

ROOT = Path(__file__).parents[2]
PLACEHOLDER = re.compile(r"\{\w+\}")
LIMIT = facts.LimitFact(("kept_fish",), ("A1",), LimitState.NEAR, 0.9, None)
MOST_NUMBERS, HARDEST = 60, 9.0


@pytest.fixture
def open_waters(opener):
    return opener("app_pages/local_waters.py")


def texts_of(page):
    """Return what a reader sees, without what is given to the script of the pages."""
    seen = re.sub("<div class='bm-words'.*?</div>", "", words_of(page), flags=re.DOTALL)
    return seen.replace("\\", "").replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("area", "said"),
    [
        ("A1", "**Open** on Monday, 11 February 2036."),
        ("A2", "**Closed** on Monday, 11 February 2036. It opens on Thursday, 14 February 2036."),
        ("A3", "It opens on Saturday, 1 March 2036."),
        ("A4", "**Closed.** The season ended on 31 January."),
        ("A5", "It opens on Saturday, 16 February 2036."),
    ],
)
def test_every_state_of_an_area_is_said_with_its_day(open_waters, area, said):
    page = open_waters(area=area)
    assert not page.exception
    assert page.selectbox("area").value == area
    assert said in texts_of(page)
    assert "Check the official rules before you go." in texts_of(page)
    assert "This page is no regulation." in texts_of(page)


def test_rules_of_a_closed_season_are_not_given_as_in_force(open_waters):
    assert "Daily limit" not in texts_of(open_waters(area="A4"))
    assert "Daily limit: **2 Chinook an angler**" in texts_of(open_waters(area="A1"))
    assert "only fish with a clipped fin" in texts_of(open_waters(area="A5"))
    assert "Smallest fish" not in texts_of(open_waters(area="A6"))  # none is recorded


@pytest.mark.parametrize("area", AREAS)
def test_the_page_has_few_numbers_and_reads_as_a_newspaper(open_waters, area):
    said = texts_of(open_waters(area=area))
    assert len(re.findall(r"\d+(?:[.,]\d+)*", said)) < MOST_NUMBERS
    assert grade(said) <= HARDEST


def test_hard_words_would_be_seen():
    hard = "Standardised probabilistic exceedance characteristics necessitate interpretation. " * 9
    assert grade(hard) > HARDEST
    assert grade("The cat sat on the mat. It was warm. " * 9) < 3


def grade(said: str) -> float:
    """Return the grade of a text (Kincaid et al. 1975; coefficients from memory).

    A syllable is a run of vowels; a silent e at the end of a word counts for none.
    """
    plain = re.sub(r"[*_#]", "", said)
    sentences = [one for one in re.split(r"[.!?:]\s|\n", plain) if re.search("[a-z]{2}", one)]
    words = re.findall(r"[A-Za-z]+(?:'[a-z]+)?", plain)
    syllables = sum(max(1, len(re.findall(r"[aeiouy]+", _spoken(one)))) for one in words)
    return 0.39 * len(words) / len(sentences) + 11.8 * syllables / len(words) - 15.59


def _spoken(word: str) -> str:
    return re.sub(r"(?<![l])e$|(?<=[^td])ed$", "", word.lower())


def test_units_and_language_stand_in_the_link_and_change_the_page(open_waters):
    page = open_waters(area="A1")
    assert "22 in (55.9 cm)" in texts_of(page)
    assert "lang" not in page.query_params
    metric = open_waters(area="A1", units="cm.kg.ymd")
    assert "55.9 cm (22 in)" in texts_of(metric)
    assert "2036-02-11" in texts_of(metric)
    page.selectbox("units").set_value("in.lb.mdy").run()
    assert page.query_params["units"] == "in.lb.mdy"
    assert "February 11" in texts_of(page)
    page.selectbox("lang").set_value("es").run()
    assert page.query_params["lang"] == "es"
    assert page.title[0].value == "Aguas locales"


@pytest.mark.parametrize("link", [{"area": "Z9"}, {"lang": "xx"}, {"units": "furlong"}])
def test_a_bad_link_is_said_and_the_page_is_drawn(open_waters, link):
    page = open_waters(**link)
    assert not page.exception
    assert page.warning
    assert "**Check the official rules" in texts_of(page)


def test_a_link_from_another_page_keeps_its_season_and_bulletin(open_waters):
    page = open_waters(season="2034-35", area="A1")
    assert not page.warning
    assert page.query_params["season"] == "2034-35"
    assert "Monday, 12 February 2035" in texts_of(page)
    older = open_waters(season=NOW, bulletin="older", area=["A2", "A1"])
    assert not older.warning
    assert older.query_params["bulletin"] == "older"


def test_language_and_units_survive_a_change_of_page(opener):
    week = opener("app_pages/week.py")(lang="es", units="cm.kg.dmy")
    assert week.query_params["lang"] == "es"
    assert week.query_params["units"] == "cm.kg.dmy"
    assert not week.warning


def test_an_empty_archive_a_bulletin_without_tables_and_the_public_one(open_waters, tmp_path):
    assert not open_waters(folder=tmp_path).exception
    bare = replace(make(NOW), places={}, rates={}, outlook={})
    archive.save(tmp_path / "bare", bare)
    page = open_waters(folder=tmp_path / "bare")
    assert not page.exception
    said = texts_of(page)
    assert "This bulletin has no rules for the area." in said
    assert "No limit is set for this area." in said
    assert "**Is it getting better?** Not known: this bulletin gives no trend of the area." in said
    archive.save(tmp_path / "public", for_the_public(make(NOW)))
    shown = open_waters(folder=tmp_path / "public", area="A1")
    assert not shown.exception
    assert "**Open** on Monday" in texts_of(shown)
    assert "Triangles" not in texts_of(shown)  # no landing site is drawn for the public


@pytest.mark.parametrize(
    ("day", "start", "days"),
    [
        (date(2034, 12, 15), date(2035, 10, 31), 45),
        (date(2035, 2, 1), date(2035, 10, 31), 93),
        (date(2034, 11, 20), date(2035, 12, 1), -11),  # a past season began earlier
        (date(2035, 7, 1), date(2035, 10, 1), 273),
        (date(2035, 3, 11), date(2036, 2, 29), 10),
    ],
)
def test_days_of_past_seasons_are_counted_from_the_seasons_first_day(day, start, days):
    assert facts._days_into(day, start) == days


RATE = "encounters_per_angler_hour"  # the invented bulletin has no rate a trip


@pytest.mark.parametrize(
    ("area", "is_withheld", "week", "reason"),
    [
        ("A1", False, "2036-W06", ""),
        ("A1", True, "2036-W05", "too few boats were asked"),
        ("A4", False, "2036-W05", "the area was closed"),
    ],
)
def test_a_figure_of_an_earlier_week_is_given_with_the_reason(
    monkeypatch, area, is_withheld, week, reason
):
    monkeypatch.setattr(facts, "MET", RATE)
    bulletin = make(NOW)
    rows = bulletin.rows.to_pylist()
    for row in rows:
        if (row["area"], row["quantity"]) == (area, RATE) and row["week"]:
            is_last = row["week"] == "2036-W06"
            row |= {"estimate": 1.0, "se": 0.9 if is_withheld and is_last else 0.1}
            row |= {"ci_low": 0.8, "ci_high": 1.2, "status": "ok"}
    gone = ("A4", "2036-W06")
    rows = [one for one in rows if (one["area"], one["week"]) != gone]
    index = index_bulletin(replace(bulletin, rows=pa.Table.from_pylist(rows, bulletin.rows.schema)))
    found = facts.local_facts(index, records.read(index), area)
    assert found.week == week
    said = lately(Words("en"), found, area)
    newest = "The week of 4 February to 10 February has no figure: "
    assert (newest in said) == bool(reason)
    assert said.endswith(f"{newest}{reason}." if reason else said[-1])
    assert reason not in in_spanish(lately, Words("es"), found, area) or not reason


@pytest.mark.parametrize(
    ("kept", "a_day", "small", "said"),
    [
        (0.0, 0.0, 1.0, ["kept none.", "Nearly all"]),
        (0.02, 0.03, 0.97, ["Fewer than 0.1 a trip", "Nearly all"]),
        (
            0.06,
            0.4,
            0.93,
            ["About 0.1 a trip", "9 were too small", "about 0.4 Chinook an open day"],
        ),
        (0.5, 12.0, 0.0, ["About 0.5 a trip", "Hardly any", "about 12 Chinook"]),
    ],
)
def test_what_is_nothing_or_nearly_all_is_said_in_words(kept, a_day, small, said):
    index = index_bulletin(make(NOW))
    found = facts.local_facts(index, records.read(index), "A1")
    row = index.row("A1", "2036-W06", RATE)
    rows = {"kept": replace(row, estimate=kept), "small": replace(row, estimate=small)}
    some = replace(found, met=row, week="2036-W06", kept_a_day=a_day, **rows)
    words = lately(Words("en"), some, "A1")
    assert all(one in words for one in said), words
    assert "0.0" not in words
    assert "10 were" not in words
    assert in_spanish(lately, Words("es"), some, "A1") != words


def test_every_state_of_a_limit_has_words():
    words, index = Words("en"), index_bulletin(make(NOW))
    found = facts.local_facts(index, records.read(index), "A1")
    said = {
        one: limit_lines(words, index, replace(found, limits=(replace(LIMIT, state=one),)))
        for one in LimitState
    }
    assert len({line for (line,) in said.values()}) == len(LimitState)


def test_what_is_not_known_has_one_reason_in_short_words():
    words, index = Words("en"), index_bulletin(make(NOW))
    found = facts.local_facts(index, records.read(index), "A1")
    assert set(waters._WHY) <= set(registry())

    def trend_for(why):
        return waters.trend(words, replace(found, direction="not_known", chance=None, no_trend=why))

    def limit_for(why):
        limit = replace(LIMIT, state=LimitState.UNKNOWN, why=why)
        return limit_lines(words, index, replace(found, limits=(limit,)))[0]

    for name, said in waters._WHY.items():
        if "{" not in registry()[name]:
            assert said in trend_for(coded(name))
    assert "gives no trend" in trend_for("")  # the area has no line
    cell = join_codes(
        [coded("no_outlook"), coded("missing_in", areas=["A1"]), coded("no_site_day_of_area")]
    )
    assert f": not known ({waters._WHY['no_site_day_of_area']});" in limit_for(cell)
    other = coded("frame_unknown")
    assert other not in waters._WHY
    assert sentences(other) in limit_for(other)


@pytest.mark.parametrize(
    ("is_unopened", "is_unsampled", "why"),
    [
        (True, True, "the area was closed"),
        (False, True, "no boat was asked"),
        (False, False, "too few boats were asked"),
    ],
)
def test_an_area_without_any_figure_says_the_one_reason_that_holds(is_unopened, is_unsampled, why):
    index = index_bulletin(make(NOW))
    found = facts.local_facts(index, records.read(index), "A1")
    bare = replace(found, week=None, met=None, is_unopened=is_unopened, is_unsampled=is_unsampled)
    assert lately(Words("en"), bare, "A1").endswith(f": {why}.")


def test_the_reasons_are_those_of_the_bulletin():
    bulletin = make(NOW)
    index = index_bulletin(bulletin)
    of = {area: facts.local_facts(index, records.read(index), area) for area in AREAS}
    assert [area for area, one in of.items() if one.is_unopened] == ["A5"]  # opens later
    unknown = [
        limit for one in of.values() for limit in one.limits if limit.state is LimitState.UNKNOWN
    ]
    assert unknown
    assert all(one.why for one in unknown)
    rows = bulletin.rows.filter(pa.compute.not_equal(bulletin.rows["quantity"], facts.MET))
    bare = index_bulletin(replace(bulletin, rows=rows))
    assert facts.local_facts(bare, records.read(bare), "A1").is_unsampled


def test_a_week_without_an_open_day_is_known_by_its_openings_and_else_by_its_rows():
    made = make(NOW)
    index = index_bulletin(made)
    assert facts.is_closed(index, "A5", index.weeks[0])
    assert not facts.is_closed(index, "A1", index.weeks[0])
    older = index_bulletin(replace(made, places={}))
    assert not facts.is_closed(older, "A5", index.weeks[0])  # has rows
    assert facts.is_closed(older, "A5", "2035-W20")


def test_a_limit_of_which_half_is_used_is_likely_reached_and_not_called_near():
    words, index = Words("en"), index_bulletin(make(NOW))
    found = facts.local_facts(index, records.read(index), "A1")
    limit = replace(LIMIT, used=0.56, reached=date(2036, 2, 26))
    (line,) = limit_lines(words, index, replace(found, limits=(limit,)))
    assert line.endswith(": likely to be reached about 26 February; 56 % used so far.")


def test_a_limit_of_a_season_that_is_over_is_not_said_to_lie_ahead():
    line = limits.read(index_bulletin(make(NOW))).of_areas(["A1"])[0]
    ahead = line | {"is_preliminary": True, "exceedance_date_p50": date(2036, 2, 26)}
    ahead |= {"prob_exceeded_by_close": 0.7, "prob_exceeded_to_date": 0.3, "estimate": 1.0}
    found = facts._limit(ahead)
    assert (found.state, found.reached) == (LimitState.NEAR, date(2036, 2, 26))
    assert facts._limit(ahead | {"exceedance_date_p50": ahead["through"]}).reached is None
    over = facts._limit(ahead | {"is_preliminary": False})
    assert (over.state, over.reached, over.is_final) == (LimitState.UNSURE, None, True)
    kept = facts._limit(ahead | {"is_preliminary": False, "prob_exceeded_to_date": 0.01})
    assert kept.state is LimitState.STAYED_BELOW


# Before the first bulletin, between seasons, and weeks without an open day.


@pytest.fixture
def openings_stored(tmp_path, monkeypatch):
    """A store that has areas and openings of one season, and no site-day."""
    folder = tmp_path / "tables"
    folder.mkdir()
    (folder / "areas.csv").write_text("area,area_name\nA1,Reach\nA9,Far\n")
    (folder / "sites.csv").write_text("site,site_name,area\nS1,Slip,A1\nS9,Ramp,A9\n")
    (folder / "seasons.csv").write_text(
        "season,area,open_date,close_date,daily_limit_fish\n"
        "2040-41,A1,2040-11-01,2041-04-30,2\n2040-41,A9,2041-01-01,2041-04-15,1\n"
    )
    store = Store(tmp_path / "store")
    import_files(store, folder)
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(store.path))
    return store


@pytest.mark.parametrize("lang", ["en", "es"])
def test_before_the_first_bulletin_openings_and_rules_are_shown(open_waters, openings_stored, lang):
    page = open_waters(folder=archive_of(openings_stored.path), area="A9", lang=lang)
    assert not page.exception
    assert page.selectbox("area").options == ["Reach", "Far"]
    said = texts_of(page)
    opens = {"en": "It opens on Tuesday, 1 January 2041", "es": "Abre el martes 1 de enero de 2041"}
    assert said.count(opens[lang]) == 2  # of the area, and in the list of all
    assert ("1 Chinook an angler" in said) == (lang == "en")
    assert waters.no_regulation() not in said  # there are no figures that could be wrong
    plain = re.sub("«.*?»", "", said)  # the title of a source stays as it was published
    assert (lang == "es") == (not ENGLISH.findall(plain))


def test_a_bulletin_that_cannot_be_read_is_not_passed_by_for_openings(open_waters, openings_stored):
    folder = archive_of(openings_stored.path)
    (folder / "broken").mkdir(parents=True)
    (folder / "broken" / "bulletin.json").write_text("{")
    page = open_waters(folder=folder)
    assert not page.exception
    assert page.warning
    assert not page.selectbox or "area" not in {one.key for one in page.selectbox}


def test_a_store_that_cannot_be_read_keeps_no_bulletin_from_being_shown(
    open_waters, tmp_path, monkeypatch
):
    (tmp_path / "foreign.txt").write_text("no store")
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(tmp_path))
    page = open_waters(area="A1")
    assert not page.exception
    assert not page.error
    assert "**Open** on Monday" in texts_of(page)


def test_once_a_season_is_over_the_next_one_of_the_store_is_named():
    index = index_bulletin(make(NOW))
    last = regulations.openings(index)[0]
    later = replace(last, season="2036-37", area="A4", open_date=date(2036, 11, 1), close_date=None)
    same = replace(last, open_date=date(2036, 3, 20))
    assert facts.openings_after(index, [later, same]) == (later,)
    of = {
        area: facts.local_facts(index, records.read(index), area, ahead=lambda: [later]).rules
        for area in ("A4", "A1")
    }
    assert of["A4"].next_open == date(2036, 11, 1)
    assert of["A1"] == facts.local_facts(index, records.read(index), "A1").rules
    assert facts.local_facts(index, records.read(index), "A4").rules.next_open is None


def test_a_week_without_an_open_day_has_no_figure_even_where_boats_reported_the_area(monkeypatch):
    monkeypatch.setattr(facts, "MET", RATE)
    made = make(NOW)
    rows = made.rows.to_pylist()
    for row in rows:
        if (row["area"], row["quantity"]) == ("A4", RATE) and row["week"]:
            row |= {"estimate": 1.0, "se": 0.1, "ci_low": 0.8, "ci_high": 1.2, "status": "ok"}
    index = index_bulletin(replace(made, rows=pa.Table.from_pylist(rows, made.rows.schema)))
    assert facts.is_closed(index, "A4", "2036-W06")
    assert index.row("A4", "2036-W06", RATE).estimate == 1.0
    found = facts.local_facts(index, records.read(index), "A4")
    assert (found.week, found.was_closed) == ("2036-W05", True)
    assert facts.area_figures(index, "2036-W06")["A4"] is None
    (point,) = waters.points(Words("en"), index, [("A4", "2036-W06")])
    assert point.value is None


def test_areas_that_open_later_can_be_chosen():
    made = make(NOW)
    rows = [one for one in made.rows.to_pylist() if one["area"] != "A5"]
    index = index_bulletin(replace(made, rows=pa.Table.from_pylist(rows, made.rows.schema)))
    assert "A5" not in index.areas
    assert facts.areas(index) == tuple(AREAS)
    found = facts.local_facts(index, records.read(index), "A5")
    assert found.is_unopened
    assert found.no_trend == "closed"


# The catalogue.


def messages(name="local_waters"):
    with io.BytesIO(catalogues.template(name).encode()) as file:
        return {one.id for one in read_po(file) if one.id}


def in_spanish(call, *given):
    """Return what a call returns where the texts of the page are said in Spanish."""
    context = copy_context()
    context.run(catalogue.read_in, "local_waters", "es")
    return context.run(call, *given)


def translations(name="local_waters"):
    with (catalogue.FOLDER / f"{name}.es.po").open("rb") as file:
        return {one.id: one for one in read_po(file) if one.id}


def test_every_message_is_translated_with_the_same_places_and_none_is_left_over():
    texts, known = messages(), translations()
    assert len(texts) > 70
    assert set(texts) == set(known)
    shared = translations("frame")
    assert set(shared) <= messages("frame")
    for text, one in (known | shared).items():
        assert one.string.strip()
        assert "fuzzy" not in one.flags
        assert sorted(PLACEHOLDER.findall(text)) == sorted(PLACEHOLDER.findall(one.string)), text
        assert text.count("**") == one.string.count("**")


@pytest.mark.parametrize("area", AREAS)
def test_no_english_is_left_on_the_spanish_page(open_waters, area):
    said = texts_of(open_waters(area=area, lang="es"))
    # The title of a source stays as it was published.
    said = re.sub("«.*?»", "", said)
    english = re.findall(r"\b(the|and|of|is|are|fish|with|this|open|closed|week|trip)\b", said)
    assert english == []
    for text in messages():
        if (
            len(text) > 12
            and "{" not in text
            and text not in ("MMMM d", "d MMMM", "MMMM d, y", "d MMMM y")
        ):
            assert text not in said


ENGLISH = re.compile(r"\b(the|and|of|is|are|fish|with|this|there|link|bulletins?)\b", re.IGNORECASE)


def test_what_is_wrong_is_said_in_the_language(open_waters, tmp_path):
    (tmp_path / "none").mkdir()
    archive.save(tmp_path / "one", make(NOW))
    damaged = archive.save(tmp_path / "damaged", make(NOW))
    (tmp_path / "damaged" / damaged.bulletin / archive.CARD_FILE).write_text("{")
    links = {"area": "XX", "season": "1999-00", "foo": "1"}
    said = [
        texts_of(open_waters(folder=tmp_path / "none", lang="es")),
        texts_of(open_waters(folder=tmp_path / "damaged", lang="es")),
        open_waters(folder=tmp_path / "one", lang="es", **links).warning[0].value,
    ]
    assert "no hay ningún boletín" in said[0]
    assert "Boletines que faltan porque no se pueden leer: 1." in said[1]
    assert "zona XX" in said[2]
    for one in said:
        assert ENGLISH.findall(one) == [], one


def test_the_tools_of_the_page_have_their_words_in_the_language():
    given = in_spanish(tool_words)
    script = (ROOT / "dashboard" / "page_tools.js").read_text("utf-8")
    asked = re.findall(r"dataset\.say = ([^;]*);|const (?:fill|left) = ([^;]*);", script)
    known = {
        one
        for part in map("".join, asked)
        for one in re.findall(r'"([^"]*[a-z][^"]* [^"]*)"', part)
    }
    menu = re.search(r"const NAMES = \{(.*?)\};", script)
    assert menu is not None
    known |= set(re.findall(r'\]"?: "([^"]*)"', menu[1]))
    assert known == set(given)
    assert not set(given) & set(given.values())
    assert all("{kind}" in given[one] for one in given if "{kind}" in one)


def test_numbers_and_dates_follow_the_language():
    spanish = Words("es", read_units("cm.kg.dmy"))
    assert spanish.number(1234.5, 1) == "1.234,5"
    assert in_spanish(spanish.least_length, 559) == "55,9\u00a0cm (22\u00a0pulg.)"
    assert spanish.weekdays("4567") == "jue–dom"
    english = Words("en")
    assert [english.rough(one) for one in (1234.0, 9.9, 1.94)] == ["1,200", "10", "1.9"]
    assert {"en", "es"} <= set(catalogue.languages("local_waters"))
    assert in_spanish(lambda: catalogue.say("never seen {x}", x=1)) == "never seen 1"


# The map.

SQUARE = '{"type":"MultiPolygon","coordinates":[[[[0,60],[2,60],[2,61],[0,61],[0,60]]]]}'
TALL = '{"type":"MultiPolygon","coordinates":[[[[2,60],[2.2,60],[2.2,62],[2,62],[2,60]]]]}'


def areas(*outlines):
    sure = (SURE, UNSURE, NONE)
    return [
        MapArea(
            f"A{at}", f"Area number {at}", one, None if at == 2 else 1.0 + at, "x", sure[at], "w"
        )
        for at, one in enumerate(outlines)
    ]


@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_the_map_keeps_shapes_and_shows_certainty_twice(palette):
    figure = area_map.figure(areas(SQUARE, TALL, SQUARE), palette=palette, chosen="A1")
    content = figure.to_dict()
    by_name = {one["name"]: one for one in content["data"]}
    # At 61 degrees a degree of longitude is about half as long as one of latitude.
    assert max(by_name["A0"]["x"]) == pytest.approx(2 * 0.4848, abs=0.001)
    assert content["layout"]["yaxis"]["scaleanchor"] == "x"
    assert "fillpattern" not in by_name["A0"]
    shapes = {by_name[name]["fillpattern"]["shape"] for name in ("A1", "A2")}
    assert len(shapes) == 2
    assert by_name["A2"]["fillcolor"] == palette.grid  # no figure, no colour of the scale
    assert by_name["A1"]["line"]["width"] > by_name["A0"]["line"]["width"]
    assert by_name["areas"]["customdata"] == ["A0", "A1", "A2"]
    places = by_name["labels"]["textposition"]
    assert places[:2] == ["middle center", "middle right"]  # beside an area that is narrow
    assert figure.data  # plotly knows every attribute
    columns, lines = table_of(figure)
    assert columns[:3] == ["area", "area_name", "estimate"]
    assert [line[0] for line in lines] == ["A0", "A1", "A2"]
    assert [line[2] for line in lines] == [1.0, 2.0, None]


def test_without_an_outline_areas_are_tiles_and_ramps_are_left_out():
    ramps = {"Ramp": (1.0, 60.5)}
    drawn = area_map.figure(areas(SQUARE, TALL, ""), palette=LIGHT, ramps=ramps).to_dict()
    names = [one["name"] for one in drawn["data"]]
    assert "ramps" not in names
    assert "ramps" in [
        one["name"]
        for one in area_map.figure(areas(SQUARE, TALL, SQUARE), palette=LIGHT, ramps=ramps).data
    ]
    tiles = [one for one in drawn["data"] if one["name"].startswith("A")]
    assert len({tuple(one["x"] + one["y"]) for one in tiles}) == 3
