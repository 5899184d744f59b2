"""Figures and tables as HTML, and the files they can be downloaded in.

One set of templates that escapes what it is given: cells are plain words, or HTML made here.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from jinja2 import DictLoader, Environment

from analytics.catch_limits import split_list
from analytics.codes import sentences
from analytics.csv_text import table_csv
from analytics.precision import DASH, marks_of, pse
from analytics.quantities import QUANTITIES
from analytics.wording import numbers, reasons
from analytics.wording.numbers import PARTIAL, PLAIN, mark
from analytics.wording.week import HEADLINE, headline_sums
from dashboard.catalogue import phrase, say, say_n

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from markupsafe import Markup

    from analytics.wording.bulletin_index import BulletinIndex, Change, Row
    from analytics.wording.numbers import Mark, Measurement

_TEMPLATES = """
{% macro small(lines, kind='') -%}
{% for one in lines if one %}<small{% if kind %} class='{{ kind }}'{% endif %}>{{ one }}</small>
{%- endfor %}
{%- endmacro %}

{% macro bold(words, kind='') -%}
<b{% if kind %} class='{{ kind }}'{% endif %}>{{ words }}</b>
{%- endmacro %}

{% macro line(first, below, cells, is_all) -%}
<tr{% if is_all %} class='bm-all'{% endif %}><th scope='row'>{{ first }}{{ below }}</th>
{%- for head, cell in cells %}<td data-label='{{ head }}'>{{ cell }}</td>{% endfor %}</tr>
{%- endmacro %}

{% macro group(n, name) -%}
<tr class='bm-group'><th scope='rowgroup' colspan='{{ n }}'>{{ name }}</th></tr>
{%- endmacro %}

{% macro words_line(n, words) -%}
<tr><td colspan='{{ n }}'>{{ words }}</td></tr>
{%- endmacro %}

{% macro table(heads, lines, kind, titles) -%}
<table class='bm-table {{ kind }}'><thead><tr>
{%- for head in heads %}<th scope='col'{% if head in titles %} title='{{ titles[head] }}'
{%- endif %}>{{ head }}</th>{% endfor %}</tr></thead><tbody>
{%- for line in lines %}{{ line }}{% endfor %}</tbody></table>
{%- endmacro %}

{% macro cell(value, sign, words, limits, precision) -%}
{{ value }}
{%- if sign %} <span class='bm-mark' title='{{ words }}'>{{ sign }}</span>{% endif -%}
{{ small([limits, precision]) }}{{ small([words.partition(':')[0]], 'bm-care') }}
{%- endmacro %}

{% macro no_cell(why, short) -%}
<span title='{{ why }}'>–{{ small([short]) }}</span>
{%- endmacro %}

{% macro cards(label, cards) -%}
<div class='bm-cards' role='group' aria-label='{{ label }}'>
{%- for one in cards -%}
<div class='bm-card' title='{{ one.quantity.meaning }}'>
{{- block('bm-label', one.quantity.label) }}
{%- if one.why %}{{ block('bm-words', one.why) }}
{%- else %}{{ block('bm-value', one.value) }}<div class='bm-interval'>{{ one.limits }}
{%- if one.precision %}<div>{{ one.precision }}</div>{% endif %}</div>{% endif %}
{%- for sign, words in one.cares %}{{ block('bm-care', sign ~ ' ' ~ words) }}{% endfor -%}
<div class='bm-change'>{{ bold(one.word) }}
{%- if one.amount %}<br>{{ one.amount }}{% endif %}</div></div>
{%- endfor %}</div>
{%- endmacro %}

{% macro legend(signs, week='') -%}
<div class='bm-legend'>
{%- for sign, hue, words in signs %}<span>{{ bold(sign, hue) }} {{ words }}</span>{% endfor %}
{%- if week %}<span class='bm-week'>{{ say('{week}: the chosen week', week=week) }}</span>
{%- endif %}</div>
{%- endmacro %}

{% macro block(kind, words) -%}
<div class='{{ kind }}'>{{ words }}</div>
{%- endmacro %}

{% macro framed(figure, line, column, words) -%}
<span class='bm-framed' data-figure='{{ figure }}' data-line='{{ line }}' data-column='{{ column }}'
 data-words='{{ words }}'></span>
{%- endmacro %}

{% macro folded(words, inside) -%}
<details class='bm-signs'><summary>{{ words }}</summary>{{ inside }}</details>
{%- endmacro %}

{% macro head_link(words, link) -%}
<h2 class='bm-today-head'><a class='bm-go' href='{{ link }}'>{{ words }}</a></h2>
{%- endmacro %}

{% macro dated(name, week) -%}
{{ name }}, <span class='bm-whole'>{{ week }}</span>
{%- endmacro %}
"""
_PARTS: Any = (
    Environment(autoescape=True, loader=DictLoader({"parts": _TEMPLATES}))
    .get_template("parts", globals={"say": say})
    .module
)

_EVERY_HEADS = (
    phrase("Quantity"),
    phrase("Estimate"),
    phrase("Change from last week"),
    phrase("How it was made"),
)
#: What the site-days beside an area are.
SITE_DAYS = phrase(
    "Sample size: the site-days of an area are those of every landing site where boats that "
    "fished there came back, so the areas do not add up to all areas."
)


# The parts of tables.


def line(
    heads: Sequence[str], first: str, cells: Sequence[str], *, is_all: bool = False, below: str = ""
) -> Markup:
    """Return a line of a table; `below` stands under its first cell. Heads may be phrases."""
    return _PARTS.line(first, below, list(zip(map(say, heads[1:]), cells, strict=True)), is_all)


def group(heads: Sequence[str], name: str) -> Markup:
    """Return a line that heads the lines after it."""
    return _PARTS.group(len(heads), name)


def words_line(heads: Sequence[str], words: str) -> Markup:
    """Return a line of words in the place of figures."""
    return _PARTS.words_line(len(heads), words)


def table(
    heads: Sequence[str],
    lines: Sequence[str],
    *,
    kind: str = "",
    titles: Mapping[str, str] | None = None,
) -> Markup:
    """Return a table of finished lines; heads may be phrases, `titles` are what they say more."""
    more = {say(head): words for head, words in (titles or {}).items()}
    return _PARTS.table(list(map(say, heads)), lines, kind, more)


def small(*lines: str, is_unbroken: bool = False) -> Markup:
    """Return lines in small print, none of them broken where asked; empty ones are left out."""
    return _PARTS.small(lines, "bm-whole" if is_unbroken else "")


def bold(words: str, *, is_unbroken: bool = False) -> Markup:
    """Return words in bold print, on one line where asked."""
    return _PARTS.bold(words, "bm-whole" if is_unbroken else "")


def dated(name: str, week: str) -> Markup:
    """Return a name with its week, which stays on one line."""
    return _PARTS.dated(name, week)


def head_link(words: str, link: str) -> Markup:
    """Return the head of a part of a page, which opens a page."""
    return _PARTS.head_link(words, link)


def block(kind: str, words: str) -> Markup:
    """Return words in a block that the style sheet knows."""
    return _PARTS.block(kind, words)


def amount(one: Measurement, *, below: Sequence[str] = (), why: str = "") -> Markup:
    """Return a number with its interval below it, then further lines; or why there is none."""
    if one.value is None:
        return DASH + small(why)
    return one.words + small(one.limits or say("no interval"), *below)


def cell(row: Row | None, *, place: int | None = None) -> Markup:
    """Return a figure with its interval, its percent standard error and its caution.

    `place` is the power of ten of its last digit; as its error has it when not given.
    """
    if row is None or row.estimate is None:
        return _PARTS.no_cell(reasons.why_no_estimate(row), reasons.why_no_estimate_short(row))
    limits = numbers.interval(row) or reasons.why_no_interval(row)
    return _PARTS.cell(
        numbers.value(row, place=place), *reasons.caution(row), limits, reasons.precision(row)
    )


# Figures and tables of the week.


def cards(index: BulletinIndex, *, area: str | None, week: str) -> Markup:
    """Return the five figures of a domain: value, interval, change from last week."""
    found = [
        _card(name, index.row(area, week, name), index.change(area, week, name))
        for name in HEADLINE
    ]
    return _PARTS.cards(
        say("Figures of {area}, week {week}", area=index.name(area), week=week), found
    )


def _card(name: str, row: Row | None, change: Change | None) -> dict[str, Any]:
    word, _, amount = numbers.change(change).partition(":")
    shown = {"quantity": QUANTITIES[name], "cares": _cares(row), "word": word, "amount": amount}
    if row is None or row.estimate is None:
        return shown | {"why": reasons.why_no_estimate(row)}
    limits = numbers.interval(row)
    if limits:
        limits = say("{level} CI {limits}", level=numbers.level(row.ci_level), limits=limits)
    return shown | {
        "value": numbers.value(row),
        "limits": limits or reasons.why_no_interval(row),
        "precision": reasons.precision(row),
    }


def _cares(row: Row | None) -> list[tuple[str, str]]:
    """Return the warnings of a figure: its sign and words; none where all is well."""
    left_out = (mark(row).glyph if mark(row) == PARTIAL else "", reasons.left_out(row))
    return [one for one in (reasons.caution(row), left_out) if one[1]]


#: How the row of several chosen areas is made.
SUM_OF_AREAS = phrase("added up, with the covariance of their errors")


def week_table(index: BulletinIndex, *, areas: Sequence[str], week: str, together: bool) -> Markup:
    """Return the week by area, the row of all areas, or of several chosen ones, first."""
    heads = (say("Area"), *(QUANTITIES[name].label for name in HEADLINE), say("Sample size"))
    lines = []
    sums = [] if together else headline_sums(index, areas=areas, week=week)
    if any(sums):
        added = [*map(cell, sums), small(say(SUM_OF_AREAS))]
        lines.append(line(heads, say("These areas together"), added, is_all=True))
    for area in (None, *areas) if together else areas:
        rows = [index.row(area, week, name) for name in HEADLINE]
        cells = [*map(cell, rows), _behind(rows)]
        lines.append(line(heads, _head(index, area), cells, is_all=area is None))
    return table(heads, lines, titles={heads[-1]: say(SITE_DAYS)})


def _head(index: BulletinIndex, area: str | None) -> str:
    return say("All areas") if area is None else index.name(area)


def _behind(rows: Sequence[Row | None]) -> str:
    """Return the sample behind a line and every reservation among its figures."""
    known = [row for row in rows if row is not None]
    if not known:
        return say("no open day")
    marks = dict.fromkeys(mark(row) for row in known)
    left_out = dict.fromkeys(found for row in known if (found := reasons.left_out(row)))
    words = [f"{one.glyph} {one.words}" for one in marks if one not in (PLAIN, PARTIAL)]
    words += [f"{PARTIAL.glyph} {one}" if PARTIAL in marks else one for one in left_out]
    first = known[0]
    sample = (_site_days(first), say_n(first.n_interviews or 0, "{n} interview", "{n} interviews"))
    return small(*sample, *words)


def _site_days(row: Row) -> str:
    """Return how many site-days were sampled, and of how many where they were drawn from any."""
    sampled = row.n_psu or 0
    if row.n_psu_frame is None:
        return say_n(sampled, "{n} site-day", "{n} site-days")
    return say(
        "{sampled} of {site_days}",
        sampled=sampled,
        site_days=say_n(row.n_psu_frame, "{n} site-day", "{n} site-days"),
    )


def every_quantity(
    index: BulletinIndex, *, areas: Sequence[str | None], week: str | None
) -> Markup:
    """Return every quantity of a week, None the season, one area after the other, in full words."""
    lines = []
    for area in areas:
        rows = [row for name in QUANTITIES if (row := index.row(area, week, name)) is not None]
        lines.append(group(_EVERY_HEADS, _head(index, area)))
        found = [_every_line(index, row) for row in rows]
        lines += found or [words_line(_EVERY_HEADS, say("no open day"))]
    return table(_EVERY_HEADS, lines, kind="bm-every")


def _every_line(index: BulletinIndex, row: Row) -> Markup:
    care = " ".join(reasons.caution(row)).strip()
    figure = DASH if row.estimate is None else numbers.figure(row)
    figure += small(reasons.precision(row)) + _PARTS.small([care], "bm-care")
    change = numbers.change(index.change(row.area, row.week, row.quantity))
    cells = (figure, change, reasons.behind(row))
    return line(_EVERY_HEADS, QUANTITIES[row.quantity].label, cells)


# Signs of figures.


def legend(marks: Iterable[Mark], *, chosen: str, more: Sequence[tuple[str, str]] = ()) -> Markup:
    """Return the legend of a figure; `more` are further signs with their words."""
    signs = [*((one.glyph, one.words) for one in marks), *more]
    return _PARTS.legend([(sign, "", say(words)) for sign, words in signs], chosen)


def signs(words: Iterable[tuple[str, str]], *, hues: Mapping[str, str] | None = None) -> Markup:
    """Return the signs of a figure with their words.

    `hues` name the colour of signs drawn in another one than estimates: ``copper``, ``ink`` or
    ``quiet``.
    """
    kinds = {sign: f"bm-{hue}" for sign, hue in (hues or {}).items()}
    return _PARTS.legend([(sign, kinds.get(sign, ""), say(said)) for sign, said in words])


def framed(
    figure: str, *, line: int | None = None, column: int | None = None, words: Sequence[str] = ()
) -> Markup:
    """Return a mark by which the page marks a place of the figure with this key; none: no place.

    A line is framed. A column is shaded; of its `words` the first stands at the right over all
    strips, the others over the upper right end of a strip each.
    """
    places = ("" if place is None else str(place) for place in (line, column))
    return _PARTS.framed(figure, *places, json.dumps(list(words), ensure_ascii=False))


def folded(words: str, inside: str) -> Markup:
    """Return what a reader may unfold, finished HTML, under its words."""
    return _PARTS.folded(words, inside)


# Files.


def with_precision(table: pa.Table) -> pa.Table:
    """Return result rows with their percent standard error and what it says, as two more columns.

    `pse_percent` is null where there is none, `precision` is in words throughout.
    """
    columns = (table[name].to_pylist() for name in ("estimate", "se"))
    percents = pse(*(np.array(column, float) for column in columns))
    given = pa.array(percents, pa.float64(), from_pandas=True)
    words = pa.array([str(mark) for mark in marks_of(percents)], pa.string())
    return table.append_column("pse_percent", given).append_column("precision", words)


def of_areas(table: pa.Table, *, areas: Sequence[str]) -> pa.Table:
    """Return the lines of some areas; every line where none is chosen or the table has none."""
    if not areas or "area" not in table.schema.names:
        return table
    chosen = pc.is_in(table["area"], value_set=pa.array(areas, pa.string()))
    return table.filter(pc.fill_null(chosen, False))


def csv(
    table: pa.Table, names: Mapping[str, str], limits: Mapping[str, str] | None = None
) -> bytes:
    """Return a table as CSV, names of areas and limits and words of assumptions after their codes.

    `limits` holds the names of limits by id; without it a table names none. Null is empty, but for
    an area, which then is all of them.
    """

    def name(area: str) -> str:
        return names.get(area) or area

    said: dict[str, Callable[[str], str]] = {
        "area_name": name,
        "landing_area_name": name,
        "areas_name": lambda areas: "; ".join(map(name, split_list(areas))),
        "assumption_words": lambda codes: sentences(codes, name),
    }
    if limits is not None:
        said["limit_name"] = lambda limit: limits.get(limit) or limit
    for head, words in said.items():
        of = "limit_id" if head == "limit_name" else head.rpartition("_")[0]
        at = table.schema.get_field_index(of)
        if at < 0:
            continue
        empty = "all areas" if head == "area_name" else None
        cells = [empty if one is None else words(one) for one in table.column(at).to_pylist()]
        table = table.add_column(at + 1, head, pa.array(cells, pa.string()))
    return table_csv(table).encode()
