"""Where the grids of a page stand in it: the way to each from the top."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from streamlit.testing.v1 import AppTest
    from streamlit.testing.v1.element_tree import Node


def place_of_grids(page: AppTest) -> dict[str, tuple[int, ...]]:
    """Return the way to each grid of the main part of a page, by its key."""
    found: dict[str, tuple[int, ...]] = {}

    def walk(node: Node, way: tuple[int, ...]) -> None:
        if node.type == "dataframe":
            found[str(getattr(node, "key", ""))] = way
        for place, child in getattr(node, "children", {}).items():
            walk(child, (*way, place))

    walk(page.main, ())
    return found
