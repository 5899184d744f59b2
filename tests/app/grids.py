"""The form to key of a page: where it stands, what the browser is given, and what it sends."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from streamlit.testing.v1 import AppTest
    from streamlit.testing.v1.element_tree import Node


COMPONENT = "bidi_component"


def as_typed(lines: Mapping[str, Sequence[Mapping[str, str]]], *, seq: int = 1) -> dict[str, Any]:
    """Return what the browser sends when all lines of every part stand so."""
    return {"typed": {"seq": seq, "lines": lines}}


def given_to(page: AppTest) -> dict[str, Any]:
    """Return what the browser is given to draw the form with."""
    (form,) = page.get(COMPONENT)
    found: dict[str, Any] = json.loads(form.proto.json)
    return found


def typed_into(page: AppTest, key: str, part: str, lines: dict[int, dict[str, str]]) -> None:
    """Send what the browser would after cells of lines, counted from 0, were typed into a part."""
    given = given_to(page)
    assert given["key"] == key
    stand = [dict(cells) for cells in given["lines"][part]]
    stand += [{} for _ in range(1 + max(lines) - len(stand))]
    for line, cells in lines.items():
        stand[line] |= cells
    typed = as_typed(given["lines"] | {part: stand}, seq=given["seq"] + 1)
    page.session_state[key] = typed


def place_of_grids(page: AppTest) -> dict[str, tuple[int, ...]]:
    """Return the way to each grid of the main part of a page, by its key."""
    found: dict[str, tuple[int, ...]] = {}

    def walk(node: Node, way: tuple[int, ...]) -> None:
        if node.type == COMPONENT:
            found[str(getattr(node, "key", ""))] = way
        for place, child in getattr(node, "children", {}).items():
            walk(child, (*way, place))

    walk(page.main, ())
    return found
