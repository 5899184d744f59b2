"""What the pages Catch rates and Seasonal pattern share: no hole, no old or empty bulletin."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from analytics.bulletin import archive
from analytics.catch_rates.schemas import RATE_SCHEMAS
from tests.app.rate_pages import old_archive
from tests.app.reading import words_of
from tests.app.sample_bulletin import AREAS, NOW, make
from tests.sizes import IS_FULL

PAGES = {
    "catch_rates": "There are no modelled catch rates to show",
    "seasonal_pattern": "There is no seasonal pattern to show",
}
RESPONSES = ("encounters", "kept", "sublegal")


#: On commit each rate of each season is shown for two choices of areas, at full size for all.
CHOICES = ([], ["A2"], ["A6"], list(AREAS))
VIEWS = [*(("catch_rates", {"rate": rate}) for rate in RESPONSES), ("seasonal_pattern", {})]
SHOWN = [
    (season, *view, CHOICES if IS_FULL else CHOICES[at % 2 :: 2])
    for at, season in enumerate([NOW, "2034-35"])
    for view in VIEWS
]


@pytest.mark.parametrize(("season", "name", "link", "choices"), SHOWN)
def test_every_area_is_told_in_words_without_a_hole(opener, season, name, link, choices):
    for areas in choices:
        page = opener(f"app_pages/{name}.py")(season=season, area=areas, **link)
        assert not page.exception
        assert not {"nan", "None", "inf", "null"} & set(re.split(r"[^\w]+", words_of(page)))
        assert not page.warning
        assert all(page.query_params[key] == value for key, value in link.items())


@pytest.mark.parametrize("name", PAGES)
def test_empty_tables_are_told_in_words_and_not_drawn(opener, tmp_path, name):
    archive.save(tmp_path, replace(make(NOW), rates={}))
    page = opener(f"app_pages/{name}.py")(folder=tmp_path)
    assert not page.exception
    assert PAGES[name] in words_of(page)
    assert not page.get("plotly_chart")


@pytest.mark.parametrize("name", PAGES)
def test_an_older_bulletin_says_so(opener, tmp_path, name):
    page = opener(f"app_pages/{name}.py")(folder=old_archive(tmp_path, *RATE_SCHEMAS))
    assert not page.exception
    assert "kept before bulletins modelled catch rates" in words_of(page)
    assert not page.get("plotly_chart")
