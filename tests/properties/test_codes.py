"""A code written into a table is read back as it was, whatever its arguments hold."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics import codes

NAMES = sorted(codes.registry())
ITEMS = st.text(alphabet="%;(),=| aA1é–\n'", max_size=6)


@st.composite
def written(draw: st.DrawFn) -> codes.Code:
    name = draw(st.sampled_from(NAMES))
    arguments = [
        (key, tuple(draw(st.lists(ITEMS, min_size=1, max_size=3))))
        for key in sorted(codes.arguments_of(name))
    ]
    return codes.Code(name, tuple(arguments))


@given(st.lists(written(), min_size=1, max_size=4, unique_by=str))
def test_a_cell_of_codes_is_read_back_as_it_was_written(given_codes: list[codes.Code]) -> None:
    cell = codes.join_codes(map(str, given_codes))
    assert codes.parse(cell) == tuple(given_codes)
    for one in given_codes:
        assert codes.has_code(cell, one.name)
        is_bare = not any(item for _, items in one.arguments for item in items)
        assert codes.sentence(one) or (one.arguments and is_bare)


@given(st.lists(written(), min_size=1, max_size=3, unique_by=str))
def test_what_is_selected_and_excluded_makes_up_the_cell(given_codes: list[codes.Code]) -> None:
    cell, name = codes.join_codes(map(str, given_codes)), given_codes[0].name
    parts = codes.parse(codes.select(cell, [name])) + codes.parse(codes.exclude(cell, [name]))
    assert set(parts) == set(given_codes)


def test_text_that_is_no_code_stays_as_it_is() -> None:
    cell = "two_stage_total; a note of an older version; one_unit(boats=2)"
    assert [str(one) for one in codes.parse(cell)] == cell.split("; ")
    assert codes.sentence("a note of an older version") == "a note of an older version"
    assert isinstance(codes.parse("one_unit(boats=2)")[0], str)


def test_full_sentences_of_a_cell_are_not_joined_by_semicolons() -> None:
    first, second = codes.coded("draws_sum_areas"), codes.coded("no_fish_in_trips", trips=2)
    whole = codes.sentences(first)
    assert whole.endswith(".")
    assert codes.sentences(f"{first}; {second}") == f"{whole} No fish in 2 trips"
    assert codes.sentences(f"{second}; {second}") == "no fish in 2 trips; no fish in 2 trips"


def test_days_of_assumptions_are_written_out() -> None:
    days = codes.coded("days_to_come", first="2036-02-18", last="2036-05-04", days=28, weeks=53)
    assert codes.sentences(days).startswith("From 18 February 2036 to 4 May 2036: ")


def test_a_number_and_a_list_choose_the_word_that_fits() -> None:
    one = codes.coded("no_fish_in_trips", trips=1)
    many = codes.coded("no_fish_in_trips", trips=1200)
    assert [codes.sentences(cell) for cell in (one, many)] == [
        "no fish in 1 trip",
        "no fish in 1,200 trips",
    ]
    alone, two = (codes.coded("not_recorded", columns=one) for one in (["kept"], ["kept", "hours"]))
    assert codes.sentences(alone).endswith(": kept")
    assert codes.sentences(two).endswith(": kept, hours together")


def test_areas_are_called_by_their_names() -> None:
    cell = codes.coded("without_never_sampled", areas=["SOR", "KET"])
    shown = codes.sentences(cell, {"SOR": "Sorrel", "KET": "Kettle"}.__getitem__)
    assert "Sorrel, Kettle" in shown


@pytest.mark.parametrize(("name", "arguments"), [("no_such_code", {}), ("one_unit", {"n": 1})])
def test_a_code_that_the_registry_lacks_is_refused(name: str, arguments: dict[str, int]) -> None:
    with pytest.raises(KeyError):
        codes.coded(name, **arguments)
