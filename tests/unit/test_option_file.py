"""Option files and links: read as written, written as read, refused in words."""

from __future__ import annotations

import base64
import datetime as dt
import re
import string
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.errors import UsageError
from analytics.options import option_file
from analytics.options.option import AtLimit, Change, Option
from analytics.options.option_file import (
    CHANGE_KEYS,
    EXAMPLE,
    LONGEST_LINK,
    LONGEST_TEXT,
    OPTION_KEYS,
    RATE_KEYS,
    SET_KEYS,
    OptionSet,
    from_link,
    read_options,
    to_link,
    write_options,
)

#: Quotes, backslashes, signs of TOML and letters that JSON and TOML escape unlike each other.
SIGNS = string.ascii_letters + "0189 \"'\\#=[]{}.,;éß漢🐟\u007e"
NAMES = st.text(SIGNS, min_size=1, max_size=20).filter(
    lambda name: name == name.strip() and name[0] not in "=+-@"
)
DAYS = st.dates(dt.date(2030, 1, 1), dt.date(2036, 12, 31))
PROPORTIONS = st.floats(0, 1)


@st.composite
def mixes(draw):
    names = draw(st.lists(NAMES, min_size=1, max_size=4, unique=True))
    sizes = [draw(st.floats(0.01, 1)) for _ in names]
    return {name: size / sum(sizes) for name, size in zip(names, sizes, strict=True)}


RATES = st.fixed_dictionaries(
    {
        "size_class": st.sampled_from(["legal", "sublegal", "any"]),
        "method": NAMES,
        "wound_class": st.sampled_from(["any", "shallow", "deep"]),
        "rate_prop": PROPORTIONS,
        "rate_se": st.none() | PROPORTIONS,
        "source": st.none() | NAMES,
    }
)


@st.composite
def changes(draw):
    first, last = sorted([draw(DAYS), draw(DAYS)])
    close, before = sorted([draw(DAYS), draw(DAYS)])
    reopen = before + dt.timedelta(days=1)
    rates = draw(
        st.lists(
            RATES,
            max_size=3,
            unique_by=lambda row: (row["size_class"], row["method"], row["wound_class"]),
        )
    )
    return Change(
        areas=tuple(draw(st.lists(NAMES, max_size=3, unique=True))),
        first=draw(st.none() | st.just(first)),
        last=draw(st.none() | st.just(last)),
        close=draw(st.none() | st.just(close)),
        open=draw(st.none() | DAYS),
        reopen=draw(st.none() | st.just(reopen)),
        weekdays="".join(draw(st.lists(st.sampled_from("1234567"), max_size=7, unique=True))),
        daily_limit_fish=draw(st.none() | st.integers(0, 100)),
        at_limit=draw(st.sampled_from(AtLimit)),
        min_length_mm=draw(st.none() | st.floats(0, 1500)),
        mark_selective=draw(st.none() | st.booleans()),
        method_mix=draw(st.none() | mixes()),
        release_rates=tuple(rates),
        effort_factor=draw(st.floats(0, 10)),
    )


@st.composite
def option_sets(draw):
    names = draw(st.lists(NAMES, min_size=1, max_size=4, unique_by=str.casefold))
    options = []
    for name in names:
        share = draw(PROPORTIONS)
        options.append(
            Option(
                name,
                tuple(draw(st.lists(changes(), max_size=3))),
                elasticity=draw(st.floats(0, 5)),
                to_other_areas_prop=share,
                to_other_days_prop=draw(st.floats(0, 1 - share)),
            )
        )
    notes = st.text(SIGNS + "\n\t", max_size=60)
    return OptionSet(draw(st.just("") | NAMES), tuple(options), draw(notes))


@settings(deadline=None)  # busy machines: no test is timed
@given(option_sets())
def test_what_was_written_is_read_as_the_same_set(options):
    assert read_options(write_options(options)) == options


@settings(deadline=None)  # busy machines: no test is timed
@given(option_sets())
def test_a_link_is_read_as_the_same_set(options):
    try:
        link = to_link(options)
    except UsageError as error:  # the only reason that hypothesis may find
        assert "pass them on as a file" in str(error)
        return
    assert len(link) <= LONGEST_LINK
    assert re.fullmatch(r"[0-9A-Za-z._-]+", link)
    assert from_link(link) == options


def only(change: str, *, option: str = "") -> Change:
    """Return the one change of the one option of a file."""
    text = f'[[option]]\nname = "A"\n{option}\n[[option.change]]\n{change}\n'
    return read_options(text).options[0].changes[0]


@pytest.mark.parametrize(
    ("line", "field", "value"),
    [
        ('areas = ["VEL", "SOR"]', "areas", ("VEL", "SOR")),
        ("first_day = 2036-02-20", "first", dt.date(2036, 2, 20)),
        ("last_day = 2036-02-21", "last", dt.date(2036, 2, 21)),
        ("close_from = 2036-03-01", "close", dt.date(2036, 3, 1)),
        ("open_through = 2036-05-04", "open", dt.date(2036, 5, 4)),
        ("reopen_from = 2036-03-22", "reopen", dt.date(2036, 3, 22)),
        ('open_weekdays = "67"', "weekdays", "67"),
        ("daily_limit_fish = 0", "daily_limit_fish", 0),
        ('at_limit = "stop"', "at_limit", AtLimit.STOP),
        ("min_length_mm = 580", "min_length_mm", 580.0),
        ("mark_selective = false", "mark_selective", False),
        ('method_mix = {drift = 1, "by hand" = 0}', "method_mix", {"drift": 1.0, "by hand": 0.0}),
        ("effort_factor = 0.9", "effort_factor", 0.9),
    ],
)
def test_each_key_fills_its_field_and_nothing_else(line, field, value):
    change = only(line)
    assert getattr(change, field) == value
    assert type(getattr(change, field)) is type(value)
    untouched = [name for name in Change.__dataclass_fields__ if name != field]
    assert [getattr(change, name) for name in untouched] == [
        getattr(Change(), name) for name in untouched
    ]


def test_a_release_rate_has_every_column_of_its_table():
    rate = 'size_class = "any"\nmethod = "any"\nwound_class = "deep"\nrate_prop = 0.3'
    change = only("[[option.change.release_rates]]\n" + rate)
    assert change.release_rates == (
        {
            "size_class": "any",
            "method": "any",
            "wound_class": "deep",
            "rate_prop": 0.3,
            "rate_se": None,
            "source": None,
        },
    )


def test_an_option_without_changes_is_todays_rule():
    assert read_options('[[option]]\nname = "As it is"').options == (Option("As it is"),)


def test_bytes_with_a_byte_order_mark_and_windows_lines_are_read():
    text = '\ufefftitle = "Élan"\r\n[[option]]\r\nname = "A"\r\n'
    assert read_options(text.encode()) == OptionSet("Élan", (Option("A"),))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("closed_from = 2036-03-01", "did you mean close_from?"),
        ("zzz = 1", 'change 1: unknown key "zzz"; allowed: areas, first_day'),
        ("elasticity = 0.3", "it belongs to the option"),
        ("close_from = '2036-03-01'", "write it without quotes"),
        ("close_from = 2036-03-01T07:30:00", "leave the time of day out"),
        ("close_from = 07:30:00", "a date of 1900 to 2199"),
        ("close_from = 0001-01-01", "a date of 1900 to 2199"),
        ("first_day = 2036-03-02\nlast_day = 2036-03-01", "last_day comes before first_day"),
        ("close_from = 2036-03-02\nreopen_from = 2036-03-02", "reopen_from does not come after"),
        ("open_weekdays = 67", 'write "67"'),
        ('open_weekdays = "08"', "digits 1 (Monday) to 7 (Sunday)"),
        ('open_weekdays = "66"', "each once"),
        ('open_weekdays = ""', 'open_weekdays: ""; allowed: digits'),
        ("daily_limit_fish = -1", "daily_limit_fish: -1; allowed: a whole number from 0 to 100"),
        ("daily_limit_fish = 1.5", "a whole number from 0 to 100"),
        ("daily_limit_fish = true", "daily_limit_fish: true; allowed: a whole number"),
        ('daily_limit_fish = "2"', "write it without quotes"),
        ("daily_limit_fish = 99999999999999999999999", "a whole number of 16 digits or more"),
        ('at_limit = "leave"', '"go_on" or "stop"'),
        ("min_length_mm = nan", "a number from 0 to 1,500"),
        ("min_length_mm = inf", "a number from 0 to 1,500"),
        ("mark_selective = 1", "true or false"),
        ("areas = []", "leave the key out for all areas"),
        ('areas = "VEL"', "an array of 1 to 100 names"),
        ('areas = ["VEL", "VEL"]', "one stands twice"),
        ('areas = ["VEL", 3]', "an array of 2"),
        ("method_mix = {a = 0.5, b = 0.4}", "method_mix: {a = 0.5, b = 0.4}; allowed: shares"),
        ('method_mix = {a = 0.5, "b c" = 0.4}', '{a = 0.5, "b c" = 0.4}; allowed: shares'),
        ("method_mix = {a = 0.5, b = 0.4}", "they sum to 0.9"),
        ("method_mix = {a = 1.5, b = -0.5}", "a has 1.5"),
        ('method_mix = {"" = 1}', "text on one line"),
        ("method_mix = {}", "shares of 1 to 100 fishing methods"),
        ("effort_factor = 90", "a number from 0 to 10"),
        ("release_rates = 0.2", "[[option.change.release_rates]]"),
        ("release_rates = [{rate_prop = 0.2}]", "release rate 1: no size_class"),
        (
            "release_rates = ["
            + ", ".join(
                ['{size_class = "any", method = "any", wound_class = "any", rate_prop = 0.2}'] * 2
            )
            + "]",
            "two rows of one size class",
        ),
        (
            'release_rates = [{size_class = "big", method = "any", wound_class = "any", '
            "rate_prop = 20}]",
            'size_class: "big"; allowed: "legal" or "sublegal" or "any"',
        ),
        (
            'release_rates = [{size_class = "any", method = "any", wound_class = "any", '
            "rate_prop = 20}]",
            "rate_prop: 20; allowed: a number from 0 to 1; 10 % is written 0.1",
        ),
    ],
)
def test_a_bad_change_is_refused_with_its_place(line, words):
    with pytest.raises(UsageError, match=re.escape(words)) as told:
        only(line)
    assert str(told.value).startswith('option 1 "A", change 1')


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "an empty file"),
        ("\ufeff \r\n\n", "an empty file"),
        ("# nothing but words\n", "no option; write [[option]]"),
        ("option = []", "no option; write [[option]]"),
        ("title = 'x'", "no option; write [[option]]"),
        ("option = 3", "option: 3; allowed: tables that begin with [[option]]"),
        ('[option]\nname = "A"', "option: a table; allowed: tables that begin with [[option]]"),
        ("[[option]]\n", "option 1: no name"),
        ('[[option]]\nname = ""', "of 1 to 80 characters"),
        ('[[option]]\nname = "=1+1"', "a spreadsheet would run it as a formula"),
        ('[[option]]\nname = " A"', "without spaces at its ends"),
        ('[[option]]\nname = "A\\nB"', "or control characters"),
        ('[[option]]\nname = "A"\n[[option]]\nname = "a"', "has the name of option 1"),
        ('tittle = "x"\n[[option]]\nname = "A"', "did you mean title?"),
        ('[[option]]\nname = "A"\nelasticity = 9', 'option 1 "A": elasticity: 9; allowed:'),
        (
            '[[option]]\nname = "A"\nto_other_areas_prop = 0.7\nto_other_days_prop = 0.7',
            "to_other_areas_prop and to_other_days_prop sum to 1.4; allowed: at most 1",
        ),
        ('[[option]]\nname = "A"\n[option.change]', "tables that begin with [[option.change]]"),
        ('[[option]]\nname = "A"\nclose_from = 2036-03-01', "it belongs to the change"),
        ('title = "x"\n[[option]]\nname = "A"\nclose_from = 1 March', "not TOML in line 4"),
        ("a = [", "not TOML at its end"),
        ("a = 1\na = 2", "a key stands once in its table"),
        ("a = " + "[" * 20_000, "brackets within brackets"),
        ("a = " + "9" * 5_000, "thousands of digits"),
        ("#" * (LONGEST_TEXT + 1), "200,001 characters"),
        (b"title = 'x'\nname = '\xe9'", "line 2: the byte 0xE9 is not UTF-8"),
        ("".join(f'[[option]]\nname = "{n}"\n' for n in range(51)), "51 of them; allowed: at most"),
        ('[[option]]\nname = "A"\n' + "[[option.change]]\n" * 51, "change: 51 of them"),
    ],
)
def test_a_bad_file_is_refused_in_words(text, words):
    with pytest.raises(UsageError, match=re.escape(words)):
        read_options(text)


def test_every_fault_is_told_in_the_order_of_the_file():
    text = 'x = 1\n[[option]]\nnam = "A"\n[[option]]\nname = "B"\nelasticity = "much"'
    with pytest.raises(UsageError) as told:
        read_options(text)
    places = [line.split(":")[0] for line in str(told.value).splitlines()]
    assert places == ['unknown key "x"; allowed', "option 1", "option 1", 'option 2 "B"']


def test_many_faults_are_counted():
    text = "".join(f'[[option]]\nname = "{at}"\nzzz = 1\n' for at in range(30))
    with pytest.raises(UsageError, match=re.escape("... and 10 more")):
        read_options(text)


@pytest.mark.parametrize(
    "options",
    [
        OptionSet("", ()),
        OptionSet("", (Option("A"), Option("a"))),
        OptionSet("", (Option("A", (Change(min_length_mm=float("nan")),)),)),
        OptionSet("", (Option("A", (Change(method_mix={"drift": 0.5}),)),)),
        OptionSet("x\ud800", (Option("A"),)),
    ],
    ids=["no option", "names alike", "no number", "half a mix", "half a character"],
)
def test_a_set_that_could_not_be_read_again_is_not_written(options):
    for write in (write_options, to_link):
        with pytest.raises(UsageError):
            write(options)


def test_numbers_of_numpy_are_written_as_numbers():
    import numpy as np

    change = Change(daily_limit_fish=np.int64(1), min_length_mm=np.float64(580.5))
    text = write_options(OptionSet("", (Option("A", (change,)),)))
    assert "daily_limit_fish = 1\nmin_length_mm = 580.5\n" in text


def test_the_example_explains_every_key_and_can_be_read():
    options = read_options(EXAMPLE)
    assert len(options.options) > 2
    keys = [*SET_KEYS, *OPTION_KEYS, *CHANGE_KEYS, *RATE_KEYS]
    for key in keys:
        assert re.search(rf"^{key.name} = [^#\n]*  # \S", EXAMPLE, flags=re.MULTILINE), key.name


def test_the_keys_fill_every_field():
    fields = {"changes", *(key.field for key in OPTION_KEYS)}
    assert fields == set(Option.__dataclass_fields__)
    fields = {"release_rates", *(key.field for key in CHANGE_KEYS)}
    assert fields == set(Change.__dataclass_fields__)


def packed(text: str) -> str:
    return "1." + base64.urlsafe_b64encode(zlib.compress(text.encode(), 9)).decode().rstrip("=")


GOOD = '[[option]]\nname = "A"\n'


@pytest.mark.parametrize(
    ("link", "words"),
    [
        ("", "cut short or changed"),
        ("1.", "cut short or changed"),
        ("2." + packed(GOOD)[2:], "cut short or changed"),
        (packed(GOOD)[:-4], "cut short or changed"),
        (packed(GOOD) + "AAAA", "cut short or changed"),
        (packed(GOOD)[:-1] + "é", "cut short or changed"),
        ("1." + "A" * 9, "cut short or changed"),
        ("1." + "A" * LONGEST_LINK, "a link of 8,002 characters"),
        (packed(GOOD + "#" * 5_000_000), "200,001 characters"),
        (packed(GOOD + "zzz = 1"), "unknown key"),
    ],
    ids=["empty", "bare", "other form", "cut", "longer", "letter", "odd", "long", "bomb", "key"],
)
def test_a_bad_link_is_refused_in_words(link, words):
    with pytest.raises(UsageError, match=re.escape(words)):
        from_link(link)


def test_a_bomb_is_unpacked_no_further_than_a_file_may_be(monkeypatch):
    seen = []
    monkeypatch.setattr(option_file, "read_options", lambda text: seen.append(len(text)))
    from_link(packed("#" * 5_000_000))
    assert seen == [LONGEST_TEXT + 1]


def test_a_set_too_long_for_a_link_is_refused_with_its_length():
    import random

    noise = random.Random(1)
    notes = "".join(noise.choices(string.ascii_letters, k=5_000))
    names = ["".join(noise.choices(string.ascii_letters, k=80)) for _ in range(50)]
    options = OptionSet("", tuple(map(Option, names)), notes)
    with pytest.raises(UsageError, match=r"a link of 8,9\d{2} characters; allowed: 8,000"):
        to_link(options)
    assert read_options(write_options(options)) == options
