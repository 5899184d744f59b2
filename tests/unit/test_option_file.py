"""Option files and links: read as written, written as read, refused in words."""

from __future__ import annotations

import base64
import datetime as dt
import re
import string
import typing
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from analytics.data.schema import TABLES
from analytics.options import option_file
from analytics.options.option import AtLimit, Change, Option, OptionSet, ReleaseRate
from analytics.options.option_file import (
    LONGEST_LINK,
    LONGEST_TEXT,
    InvalidOptionsError,
    example,
    from_link,
    keys_of,
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
        first_day=draw(st.none() | st.just(first)),
        last_day=draw(st.none() | st.just(last)),
        close_from=draw(st.none() | st.just(close)),
        open_through=draw(st.none() | DAYS),
        reopen_from=draw(st.none() | st.just(reopen)),
        open_weekdays="".join(draw(st.lists(st.sampled_from("1234567"), max_size=7, unique=True))),
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


@given(option_sets())
def test_what_was_written_is_read_as_the_same_set(options):
    assert read_options(write_options(options)) == options


@given(option_sets())
def test_a_link_is_read_as_the_same_set(options):
    try:
        link = to_link(options)
    except InvalidOptionsError as error:  # the only reason that hypothesis may find
        assert error.faults[0].code == "link_too_long"
        return
    assert len(link) <= LONGEST_LINK
    assert re.fullmatch(r"[0-9A-Za-z._-]+", link)
    assert from_link(link) == options


def test_a_link_that_was_made_before_is_read():
    link = (
        "1.eNpdjbEOgjAURff3FaSzEATRycHBzc3EBUlT4QFNoK9pX6LE-O9WHDCu5-Tew5oHjPaROFunTSfAEKP_AL7T1QzaoBcA"
        "ZUmWNZmqAqPGeXAQgIPyrGvNUwBpsgEmSdyjk8qh8tI6srPJF9Oo6Udky3VS98p0GArzOOhSXI4nUUE9kEfZOhoDzNJ8G6d5"
        "nK7BIVk0_yLLYETuqZGjfgT-bJxu-VsrVpG4TVEINWImu-IFb6TRUKg"
    )
    change = Change(
        areas=("VEL",),
        close_from=dt.date(2036, 3, 1),
        reopen_from=dt.date(2036, 3, 22),
        method_mix={"drift": 0.25, "by hand": 0.75},
    )
    option = Option("A", (change,), 0.4, 0.3, 0.2)
    assert from_link(link) == OptionSet("Spring", (option,), "two\nlines")


def only(change: str, *, option: str = "") -> Change:
    """Return the one change of the one option of a file."""
    text = f'[[option]]\nname = "A"\n{option}\n[[option.change]]\n{change}\n'
    return read_options(text).options[0].changes[0]


@pytest.mark.parametrize(
    ("line", "field", "value"),
    [
        ('areas = ["VEL", "SOR"]', "areas", ("VEL", "SOR")),
        ("first_day = 2036-02-20", "first_day", dt.date(2036, 2, 20)),
        ("last_day = 2036-02-21", "last_day", dt.date(2036, 2, 21)),
        ("close_from = 2036-03-01", "close_from", dt.date(2036, 3, 1)),
        ("open_through = 2036-05-04", "open_through", dt.date(2036, 5, 4)),
        ("reopen_from = 2036-03-22", "reopen_from", dt.date(2036, 3, 22)),
        ('open_weekdays = "67"', "open_weekdays", "67"),
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
    ("line", "code"),
    [
        ("closed_from = 2036-03-01", "unknown_key"),
        ("zzz = 1", "unknown_key"),
        ("elasticity = 0.3", "unknown_key"),
        ("close_from = '2036-03-01'", "date_type"),
        ("close_from = 2036-03-01T07:30:00", "date_type"),
        ("close_from = 07:30:00", "date_type"),
        ("close_from = 0001-01-01", "greater_than_equal"),
        ("first_day = 2036-03-02\nlast_day = 2036-03-01", "days_reversed"),
        ("close_from = 2036-03-02\nreopen_from = 2036-03-02", "reopening_reversed"),
        ("open_weekdays = 67", "string_type"),
        ('open_weekdays = "08"', "string_pattern_mismatch"),
        ('open_weekdays = "66"', "repeated"),
        ('open_weekdays = ""', "string_pattern_mismatch"),
        ("daily_limit_fish = -1", "greater_than_equal"),
        ("daily_limit_fish = 1.5", "int_type"),
        ("daily_limit_fish = true", "int_type"),
        ('daily_limit_fish = "2"', "int_type"),
        ("daily_limit_fish = 99999999999999999999999", "less_than_equal"),
        ('at_limit = "leave"', "enum"),
        ("min_length_mm = nan", "finite_number"),
        ("min_length_mm = inf", "finite_number"),
        ("mark_selective = 1", "bool_type"),
        ("areas = []", "too_short"),
        ('areas = "VEL"', "tuple_type"),
        ('areas = ["VEL", "VEL"]', "repeated"),
        ('areas = ["VEL", 3]', "string_type"),
        ("method_mix = {a = 0.5, b = 0.4}", "shares_sum"),
        ('method_mix = {a = 0.5, "b c" = 0.4}', "shares_sum"),
        ("method_mix = {a = 1.5, b = -0.5}", "less_than_equal"),
        ('method_mix = {"" = 1}', "string_too_short"),
        ("method_mix = {}", "too_short"),
        ("effort_factor = 90", "less_than_equal"),
        ("release_rates = 0.2", "tuple_type"),
        ("release_rates = [{rate_prop = 0.2}]", "missing"),
        (
            "release_rates = ["
            + ", ".join(
                ['{size_class = "any", method = "any", wound_class = "any", rate_prop = 0.2}'] * 2
            )
            + "]",
            "repeated",
        ),
        (
            'release_rates = [{size_class = "big", method = "any", wound_class = "any", '
            "rate_prop = 20}]",
            "literal_error",
        ),
        (
            'release_rates = [{size_class = "any", method = "any", wound_class = "any", '
            "rate_prop = 20}]",
            "less_than_equal",
        ),
    ],
)
def test_a_bad_change_is_refused_with_its_place(line, code):
    with pytest.raises(InvalidOptionsError) as refused:
        only(line)
    fault = refused.value.faults[0]
    assert fault.code == code
    assert fault.place.startswith('option 1 "A", change 1')


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("zzz = 1", 'unknown key "zzz"; allowed: areas, first_day'),
        ("closed_from = 2036-03-01", "did you mean close_from?"),
        ("elasticity = 0.3", "it belongs to the option"),
        ("close_from = '2036-03-01'", "write it without quotes"),
        ("close_from = 2036-03-01T07:30:00", "leave the time of day out"),
        ("daily_limit_fish = -1", "daily_limit_fish: -1; allowed: a whole number from 0 to 100"),
        ("daily_limit_fish = 99999999999999999999999", "a whole number of 16 digits or more"),
        ("open_weekdays = 67", 'in quotes, such as "4567"; write "67"'),
        ("areas = []", "leave the key out for all areas"),
        ('areas = ["VEL", 3]', "an array of 2; allowed: an array of 1 to 100 names"),
        ('method_mix = {a = 0.5, "b c" = 0.4}', '{a = 0.5, "b c" = 0.4}; allowed: shares'),
        ("method_mix = {a = 1.5, b = -0.5}", "a has 1.5"),
        ("release_rates = 0.2", "tables that begin with [[option.change.release_rates]]"),
        ("release_rates = [{rate_prop = 0.2}]", "release rate 1: no size_class; add the key"),
    ],
)
def test_a_fault_says_what_was_seen_what_is_allowed_and_what_to_do(line, words):
    with pytest.raises(InvalidOptionsError, match=re.escape(words)):
        only(line)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "empty_file"),
        ("\ufeff \r\n\n", "empty_file"),
        ("# nothing but words\n", "no_option"),
        ("option = []", "no_option"),
        ("title = 'x'", "no_option"),
        ("option = 3", "tuple_type"),
        ('[option]\nname = "A"', "tuple_type"),
        ("[[option]]\n", "missing"),
        ('[[option]]\nname = ""', "string_too_short"),
        ('[[option]]\nname = "=1+1"', "formula"),
        ('[[option]]\nname = " A"', "not_plain"),
        ('[[option]]\nname = "A\\nB"', "not_plain"),
        ('[[option]]\nname = "A"\n[[option]]\nname = "a"', "same_name"),
        ('tittle = "x"\n[[option]]\nname = "A"', "unknown_key"),
        ('[[option]]\nname = "A"\nelasticity = 9', "less_than_equal"),
        (
            '[[option]]\nname = "A"\nto_other_areas_prop = 0.7\nto_other_days_prop = 0.7',
            "displaced_sum",
        ),
        ('[[option]]\nname = "A"\n[option.change]', "tuple_type"),
        ('[[option]]\nname = "A"\nclose_from = 2036-03-01', "unknown_key"),
        ('title = "x"\n[[option]]\nname = "A"\nclose_from = 1 March', "not_toml"),
        ("a = [", "not_toml"),
        ("a = 1\na = 2", "not_toml"),
        ("a = " + "[" * 20_000, "too_deep"),
        ("a = " + "9" * 5_000, "long_number"),
        ("#" * (LONGEST_TEXT + 1), "text_too_long"),
        (b"title = 'x'\nname = '\xe9'", "not_utf8"),
        ("".join(f'[[option]]\nname = "{n}"\n' for n in range(51)), "too_long"),
        ('[[option]]\nname = "A"\n' + "[[option.change]]\n" * 51, "too_long"),
    ],
)
def test_a_bad_file_is_refused(text, code):
    with pytest.raises(InvalidOptionsError) as refused:
        read_options(text)
    assert refused.value.faults[0].code == code


def test_every_fault_is_told_in_the_order_of_the_file():
    text = 'x = 1\n[[option]]\nnam = "A"\n[[option]]\nname = "B"\nelasticity = "much"'
    with pytest.raises(InvalidOptionsError) as refused:
        read_options(text)
    found = [(one.place, one.code) for one in refused.value.faults]
    assert found == [
        ("", "unknown_key"),
        ("option 1", "unknown_key"),
        ("option 1", "missing"),
        ('option 2 "B"', "float_type"),
    ]


def test_many_faults_are_counted():
    text = "".join(f'[[option]]\nname = "{at}"\nzzz = 1\n' for at in range(30))
    with pytest.raises(InvalidOptionsError, match=re.escape("... and 10 more")):
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
        with pytest.raises(InvalidOptionsError):
            write(options)


def test_numbers_of_numpy_are_written_as_numbers():
    import numpy as np

    change = Change(daily_limit_fish=np.int64(1), min_length_mm=np.float64(580.5))
    text = write_options(OptionSet("", (Option("A", (change,)),)))
    assert "daily_limit_fish = 1\nmin_length_mm = 580.5\n" in text


def test_the_example_explains_every_key_and_can_be_read():
    text = example()
    assert len(read_options(text).options) > 2
    for level in ("", "option", "change", "release_rates"):
        for key in keys_of(level):
            assert re.search(rf"^{key} = [^#\n]*  # \S", text, flags=re.MULTILINE), key


def test_a_release_rate_is_a_row_of_its_table():
    columns = {one.name: one for one in TABLES["release_rates"].columns}
    kinds = typing.get_type_hints(ReleaseRate)
    assert list(kinds) == list(columns)
    for name in ("size_class", "wound_class"):
        assert typing.get_args(kinds[name]) == columns[name].allowed
    required = TypeAdapter(ReleaseRate).json_schema()["required"]
    assert required == [name for name, one in columns.items() if one.filled]


def packed(text: str) -> str:
    return "1." + base64.urlsafe_b64encode(zlib.compress(text.encode(), 9)).decode().rstrip("=")


GOOD = '[[option]]\nname = "A"\n'


@pytest.mark.parametrize(
    ("link", "code"),
    [
        ("", "broken_link"),
        ("1.", "broken_link"),
        ("2." + packed(GOOD)[2:], "broken_link"),
        (packed(GOOD)[:-4], "broken_link"),
        (packed(GOOD) + "AAAA", "broken_link"),
        (packed(GOOD)[:-1] + "é", "broken_link"),
        ("1." + "A" * 9, "broken_link"),
        ("1." + "A" * LONGEST_LINK, "link_too_long"),
        (packed(GOOD + "#" * 5_000_000), "text_too_long"),
        (packed(GOOD + "zzz = 1"), "unknown_key"),
    ],
    ids=["empty", "bare", "other form", "cut", "longer", "letter", "odd", "long", "bomb", "key"],
)
def test_a_bad_link_is_refused(link, code):
    with pytest.raises(InvalidOptionsError) as refused:
        from_link(link)
    assert [one.code for one in refused.value.faults] == [code]


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
    with pytest.raises(InvalidOptionsError, match=r"a link of 8,9\d{2} characters; allowed: 8,000"):
        to_link(options)
    assert read_options(write_options(options)) == options
