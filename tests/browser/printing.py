"""A page on paper: its figures as they are printed, and the page as it was afterwards."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from playwright.sync_api import Page
    from pypdf import PageObject

#: Inside the margins of a sheet of A4, in CSS pixels.
PAPER = 695
PRINTED = """() => [...document.querySelectorAll('.js-plotly-plot')]
  .filter(plot => plot.checkVisibility())
  .map(plot => { const box = plot.querySelector('svg.main-svg').getBoundingClientRect();
    return {right: box.right, width: box.width, height: box.height,
      fits: plot.querySelector('svg.main-svg').hasAttribute('viewBox')}})"""


def shown_figures(page: Page) -> list[dict[str, Any]]:
    """Return the boxes of the figures that are seen, and whether they are fitted to paper."""
    found: list[dict[str, Any]] = page.evaluate(PRINTED)
    return found


def on_paper(page: Page) -> list[dict[str, Any]]:
    """Return the boxes of the figures that would be printed, the page as wide as paper."""
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": PAPER, "height": 900})
    page.wait_for_timeout(400)
    return shown_figures(page)


def off_paper(page: Page, width: int) -> None:
    """Show the page on the screen again."""
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(media="null")  # what the browser would use
    page.evaluate("dispatchEvent(new Event('afterprint'))")


def require_fits_paper(page: Page, printed: Sequence[dict[str, Any]]) -> None:
    """Require that figures and page, which is on paper now, keep to its width."""
    for box in printed:
        assert box["fits"]
        assert box["right"] <= PAPER + 1
        assert box["width"] > 150
        assert box["height"] > 40
    wide = "document.querySelector('[data-testid=stMain]').scrollWidth"
    assert page.evaluate(wide) <= PAPER + 1
    assert not page.locator("[data-testid=stHeader]").is_visible()


def sizes_of(sheets: Sequence[PageObject]) -> list[float]:
    """Return the heights of the letters on sheets of a PDF, in points."""
    found: list[float] = []

    def see(text: str, matrix: list[float], of_text: list[float], _font: Any, size: float) -> None:
        # A sign of another font may have no height of its own.
        if re.search(r"\w", text) and (height := abs(size * of_text[3] * matrix[3])) > 1:
            found.append(height)

    for sheet in sheets:
        sheet.extract_text(visitor_text=see)
    assert found
    return found
