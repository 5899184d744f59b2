"""Today: what matters now in the season, and where to read on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.wording import limits
from dashboard import notices
from dashboard.page_frame import Chosen, draw_page, lead

if TYPE_CHECKING:
    from analytics.wording.limits import Standings


def _body(chosen: Chosen, found: Standings) -> None:
    notices.standing(chosen.choice)
    lead(limits.limits_answer(chosen.choice.index, found, chosen.choice.areas))


draw_page("Today", "", body=_body, view="limits")
