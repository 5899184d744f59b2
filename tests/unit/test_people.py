"""Roles by a file of settings: what each may do, who has one, and how long a login lasts."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.errors import UsageError
from analytics.people import (
    ALLOWED,
    LOCAL,
    NOBODY,
    Action,
    People,
    Person,
    Role,
    Standing,
    read_people,
)

NOW = 2_000_000_000.0
PEOPLE = People.model_validate(
    {"people": {"Kim@example.org": "analyst", "subject:77": "manager", "sam@example.org": "viewer"}}
)


def claims(**more):
    given = {"is_logged_in": True, "sub": "1", "iat": NOW - 60, "email_verified": True}
    return given | {"email": "kim@example.org"} | more


def test_roles_are_found_by_verified_address_or_subject():
    assert PEOPLE.person_of(claims(), now=NOW).role is Role.ANALYST
    assert PEOPLE.person_of(claims(email=" KIM@Example.ORG "), now=NOW).role is Role.ANALYST
    assert PEOPLE.person_of(claims(sub="77"), now=NOW).role is Role.MANAGER
    assert PEOPLE.person_of(claims(email="sam@example.org"), now=NOW).role is Role.VIEWER


@pytest.mark.parametrize("verified", [None, False, "true", 1])
def test_an_address_that_the_provider_does_not_vouch_for_counts_for_nothing(verified):
    person = PEOPLE.person_of(claims(email_verified=verified), now=NOW)
    assert person.standing is Standing.NO_ROLE
    assert person.is_email_unverified
    assert person.name == "subject:1"
    trusting = PEOPLE.model_copy(update={"trust_email": True})
    assert trusting.person_of(claims(email_verified=verified), now=NOW).role is Role.ANALYST


def test_an_address_is_no_subject():
    """Somebody whose subject is written like another's key gets no role by it."""
    assert PEOPLE.person_of(claims(sub="kim@example.org", email=None), now=NOW).role is None
    assert PEOPLE.person_of(claims(email="subject:77"), now=NOW).role is None


@pytest.mark.parametrize(
    "changed",
    [{"is_logged_in": False}, {"is_logged_in": "yes"}, {"sub": None}, {"sub": ""}, {"sub": 7}],
)
def test_without_a_login_there_is_nobody(changed):
    assert PEOPLE.person_of(claims(**changed), now=NOW) == NOBODY
    assert PEOPLE.person_of({}, now=NOW) == NOBODY


@pytest.mark.parametrize("issued", [None, True, "2033", NOW - 36_000, NOW - 1e9, NOW + 1e6])
def test_an_old_login_or_one_of_no_time_is_expired(issued):
    person = PEOPLE.person_of(claims(iat=issued), now=NOW)
    assert person.standing is Standing.EXPIRED
    assert not any(person.may(action) for action in Action)
    assert person.might(Action.DRAFT)


def test_a_login_lasts_as_long_as_the_settings_say():
    short = PEOPLE.model_copy(update={"login_hours": 1})
    assert short.person_of(claims(iat=NOW - 3599), now=NOW).standing is Standing.HAS_ROLE
    assert short.person_of(claims(iat=NOW - 3600), now=NOW).standing is Standing.EXPIRED


def test_what_each_role_may_do():
    assert all(LOCAL.may(action) for action in Action)
    assert ALLOWED[Role.ANALYST] == set(Action)
    assert ALLOWED[Role.VIEWER] == {Action.READ, Action.DOWNLOAD}
    writing = {Action.DRAFT, Action.STORE, Action.WITHDRAW, Action.MAKE_BULLETIN}
    assert not ALLOWED[Role.MANAGER] & writing
    assert {*ALLOWED} == {*Role}


#: In one order: every worker must collect the same tests.
WITHOUT_ROLE = [one for one in Standing if one not in (Standing.LOCAL, Standing.HAS_ROLE)]


@pytest.mark.parametrize(
    ("standing", "role"),
    [
        *itertools.product(WITHOUT_ROLE, [None, *Role]),
        (Standing.HAS_ROLE, None),
    ],
)
def test_no_role_may_do_nothing(standing, role):
    assert not any(Person(standing, "a", role).may(action) for action in Action)


@given(
    st.dictionaries(
        st.sampled_from(["is_logged_in", "sub", "email", "iat"]),
        st.from_type(object) | st.text() | st.none(),
    )
)
def test_no_claim_of_any_shape_gives_a_role_it_should_not(given_claims):
    assert PEOPLE.person_of(given_claims, now=NOW).standing is not Standing.HAS_ROLE


def write(tmp_path, text):
    path = tmp_path / "people.toml"
    path.write_text(text, "utf-8")
    return path


def test_a_file_is_read(tmp_path):
    found = read_people(
        write(
            tmp_path,
            'login_hours = 8\nask = "the survey office"\n[people]\n"a@b.org" = "viewer"\n',
        )
    )
    assert (found.login_hours, found.ask) == (8, "the survey office")
    assert found.people == {"a@b.org": Role.VIEWER}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["people is missing", "[people]"]),
        ("[people]\n", ["people"]),
        ('[people]\n"a@b.org" = "boss"', ["a@b.org", "'boss'", "analyst, manager, viewer"]),
        ('[people]\n"Kim" = "viewer"', ["'Kim' is no e-mail address", "subject:"]),
        ('[people]\n"subject:" = "viewer"', ["is no e-mail address"]),
        ('[people]\n"a@b.org" = "viewer"\n"A@b.org" = "analyst"', ["twice"]),
        ('hours = 3\n[people]\n"a@b.org" = "viewer"', ["hours is not known", "login_hours"]),
        ('login_hours = 0\n[people]\n"a@b.org" = "viewer"', ["login_hours is 0"]),
        ('login_hours = nan\n[people]\n"a@b.org" = "viewer"', ["login_hours"]),
        ('trust_email = "no"\n[people]\n"a@b.org" = "viewer"', ["trust_email"]),
        ("people = 3", ["people is 3"]),
        ("[people", ["no TOML"]),
    ],
)
def test_a_wrong_file_is_refused_in_words(tmp_path, text, words):
    with pytest.raises(UsageError) as refused:
        read_people(write(tmp_path, text))
    assert all(word in str(refused.value) for word in words), str(refused.value)


def test_a_file_that_is_not_there_is_refused_in_words(tmp_path):
    with pytest.raises(UsageError, match="cannot be read"):
        read_people(tmp_path / "none.toml")
