"""The page Today as HTML: limits and areas as tables whose lines open pages, points and facts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from jinja2 import DictLoader, Environment

from dashboard.catalogue import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

    from dashboard.today.records import AreaLine, Item, LimitLine

_TEMPLATES = """
{% macro limits(lines, rest, brief, rule) -%}
<table class='bm-today'><caption>{{ say('Limits of the season') }}</caption><thead><tr>
{%- for head in (say('State'), say('Limit on'), say('Used so far'),
 say('Chance to exceed'), say('Reached')) -%}
<th scope='col'>{{ head }}</th>{% endfor %}</tr></thead><tbody>
{%- for one in lines %}<tr>
<td><b class='bm-state bm-{{ one.state }}'>{{ one.words }}</b></td>
<th scope='row' class='bm-first'><a class='bm-go' href='{{ one.link }}'>{{ one.limit }}</a></th>
<td data-label='{{ say('Used') }}'>{{ one.used }}</td>{# -#}
<td data-label='{{ say('Chance') }}'>{{ one.chance }}</td>
<td data-label='{{ say('Reached') }}'>{{ one.reached }}</td></tr>
{%- endfor %}</tbody></table>
{%- if rest[0] %}<p class='bm-fine'><a class='bm-go' href='{{ rest[1] }}'>{{ rest[0] }}</a></p>
{%- endif %}<details class='bm-fine'><summary>{{ brief }}</summary>{{ rule }}
</details>
{%- endmacro %}

{% macro areas(lines, day, common) -%}
<table class='bm-today'><caption>{{ say('Open where, on {day}', day=day) }}</caption><thead><tr>
{%- for head in (say('Area'), say('Open'), say('May be kept')) -%}
<th scope='col'>{{ head }}</th>{% endfor %}</tr></thead><tbody>
{%- for one in lines %}<tr{% if one.is_open %} class='bm-open'{% endif %}>
<th scope='row'><a class='bm-go' href='{{ one.link }}'>{{ one.area }}</a></th>
<td class='bm-wraps'>{{ one.times }}</td><td>{{ one.rules }}</td></tr>
{%- endfor %}</tbody></table><p class='bm-fine'>
{%- if common %}{{ say('Everywhere {rules}.', rules=common) }} {% endif -%}
{{ say('As the bulletin has them. Check the official rules before you go.') }}</p>
{%- endmacro %}

{% macro said(words) -%}
{% for one in words %}{% if one.is_bold %}<b>{{ one.text }}</b>{% else %}{{ one.text }}
{%- endif %}{% endfor %}
{%- endmacro %}

{% macro points(items) -%}
<h2 class='bm-today-head'>{{ say('Key points') }}</h2><ul class='bm-points'>
{%- for one in items %}<li><a class='bm-go' href='{{ one.link }}'>{{ one.head }}</a>:
 {{ said(one.words) }}</li>{% endfor %}</ul>
{%- endmacro %}

{% macro facts(items) -%}
<div class='bm-facts'>
{%- for one in items %}<div><a class='bm-go' href='{{ one.link }}'>{{ one.head }}</a>:
<p>{{ said(one.words) }}</p></div>{% endfor %}</div>
{%- endmacro %}

{% macro lone_link(words, link) -%}
<h2 class='bm-today-head'><a class='bm-go' href='{{ link }}'>{{ words }}</a></h2>
{%- endmacro %}
"""
_PARTS: Any = (
    Environment(autoescape=True, loader=DictLoader({"parts": _TEMPLATES}))
    .get_template("parts", globals={"say": say})
    .module
)


def limits(lines: Sequence[LimitLine], rest: tuple[str, str], *, brief: str, rule: str) -> Markup:
    """Return a table of limits, a line each; `rest` are words and link for those left out.

    `rule` says how a limit gets its state, under its `brief` form.
    """
    return _PARTS.limits(lines, rest, brief, rule)


def areas(lines: Sequence[AreaLine], *, day: str, common: str) -> Markup:
    """Return a table of areas with their rules on a day; `common` are those of every area."""
    return _PARTS.areas(lines, day, common)


def points(items: Sequence[Item]) -> Markup:
    """Return key points as a list, the head of each a link."""
    return _PARTS.points(items)


def facts(items: Sequence[Item]) -> Markup:
    """Return facts side by side, the head of each a link."""
    return _PARTS.facts(items)


def lone_link(words: str, link: str) -> Markup:
    """Return the head of a part, which opens a page."""
    return _PARTS.lone_link(words, link)
