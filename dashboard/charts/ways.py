"""A season figure on every basis: one small figure a domain, a dot and an interval a basis."""

from __future__ import annotations

from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from analytics.quantities import QUANTITIES, QuantityKind
from dashboard import numbers, reasons
from dashboard.alternative_estimates import bases as reckoned
from dashboard.charts import theme
from dashboard.charts.series import HOVER_WIDTH, ceiling
from dashboard.charts.theme import plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.alternative_estimates.bases import Reading
    from dashboard.charts.theme import Palette

ROW_HEIGHT = 30
#: The signs of the figure with their words.
SIGNS = (
    ("●", "estimate"),
    ("◇", "stated assumption"),
    ("━", "interval"),
    ("┊", "the figure as sampled, its interval behind"),
    ("×", "no figure"),
)
#: Signs that are not drawn in the colour of estimates, and the colour of the palette they have.
HUES = {"◇": "copper", "×": "quiet"}
CUT = ("▶", "the interval runs on")


def panel(found: Sequence[Reading], *, palette: Palette) -> go.Figure:
    """Draw one quantity of one domain.

    Parameters
    ----------
    found : sequence of Reading
        One or more, the usual one first.
    palette : Palette
    """
    top = reach(found)
    figure = go.Figure()
    for is_assumed in (False, True):
        lines = [(at, one) for at, one in enumerate(found) if one.is_assumed is is_assumed]
        colour = palette.copper if is_assumed else palette.sea
        figure.add_trace(_intervals(lines, top=top, colour=colour))
        figure.add_trace(_dots(lines, colour=colour, is_assumed=is_assumed))
        figure.add_trace(_cut(lines, top=top, colour=colour))
    figure.add_trace(_gaps(found, top=top, palette=palette))
    usual = found[0].row
    if usual.ci_low is not None and usual.ci_high is not None:
        figure.add_vrect(
            usual.ci_low,
            min(usual.ci_high, top),
            fillcolor=palette.sea,
            opacity=0.10,
            line_width=0,
            layer="below",
        )
    if usual.estimate is not None:
        line = {"width": 1.2, "color": palette.sea, "dash": "dot"}
        figure.add_vline(usual.estimate, line=line, layer="below")
    _lay_out(figure, labels=[reckoned.short(one.basis) for one in found], palette=palette)
    is_share = QUANTITIES[usual.quantity].kind is QuantityKind.SHARE
    ticks: dict[str, Any] = {"tickformat": ".0%" if is_share else ",.2~f", "nticks": 5}
    figure.update_xaxes(range=[0, top], **ticks)
    return figure


def reach(found: Sequence[Reading]) -> float:
    """Return the end of the value axis; intervals that run on beyond it are marked."""
    top = ceiling([one.row for one in found])
    is_share = QUANTITIES[found[0].row.quantity].kind is QuantityKind.SHARE
    return min(top, 1.0) if is_share else top


def is_cut(found: Sequence[Reading]) -> bool:
    """Return whether an interval runs on beyond the panel."""
    return any((one.row.ci_high or 0.0) > reach(found) for one in found)


def description(found: Sequence[Reading], *, where: str) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    label = QUANTITIES[found[0].row.quantity].label
    parts = [f"{reckoned.short(one.basis)} {numbers.figure(one.row)}" for one in found]
    return f"{label}, {where}, by how it is reckoned: {'; '.join(parts)}."


def hover(one: Reading) -> str:
    """Return the words of a dot: basis, figure, precision, what stands behind it."""
    lines = [numbers.figure(one.row), reasons.precision(one.row)]
    lines += [" ".join(reasons.caution(one.row)).strip(), reasons.behind(one.row)]
    told = [escape(part) for line in lines if line for part in wrap(line, HOVER_WIDTH)]
    return "<br>".join([f"<b>{escape(reckoned.whole(one.basis))}</b>", *told])


Line = tuple[int, "Reading"]


def _intervals(lines: Sequence[Line], *, top: float, colour: str) -> go.Scatter:
    x: list[float | None] = []
    y: list[float | None] = []
    for at, one in lines:
        if one.row.ci_low is not None and one.row.ci_high is not None:
            x += [one.row.ci_low, min(one.row.ci_high, top), None]
            y += [at, at, None]
    line = {"width": 5, "color": colour}
    return go.Scatter(x=x, y=y, mode="lines", line=line, opacity=0.4, hoverinfo="skip")


def _dots(lines: Sequence[Line], *, colour: str, is_assumed: bool) -> go.Scatter:
    known = [(at, one) for at, one in lines if one.row.estimate is not None]
    return go.Scatter(
        x=[one.row.estimate for _, one in known],
        y=[at for at, _ in known],
        mode="markers",
        marker={
            "symbol": "diamond-open" if is_assumed else "circle",
            "size": 10,
            "color": colour,
            "line": {"width": 1.8, "color": colour},
        },
        text=[hover(one) for _, one in known],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
    )


def _cut(lines: Sequence[Line], *, top: float, colour: str) -> go.Scatter:
    over = [at for at, one in lines if (one.row.ci_high or 0.0) > top]
    return theme.cut(over, top=top, colour=colour)


def _gaps(found: Sequence[Reading], *, top: float, palette: Palette) -> go.Scatter:
    """Mark the bases that have no figure here."""
    lost = [(at, one) for at, one in enumerate(found) if one.row.estimate is None]
    words = [hover(one) for _, one in lost]
    return theme.gaps([at for at, _ in lost], words=words, top=top, palette=palette)


def _lay_out(figure: go.Figure, *, labels: Sequence[str], palette: Palette) -> None:
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    figure.update_layout(
        height=ROW_HEIGHT * len(labels) + 40,
        margin={"l": 8, "r": 16, "t": 6, "b": 26},
        **plain(palette),
    )
    figure.update_xaxes(gridcolor=palette.grid, **axis)
    figure.update_yaxes(
        tickvals=list(range(len(labels))),
        ticktext=list(labels),
        automargin=True,
        range=[len(labels) - 0.5, -0.5],
        showgrid=False,
        **(axis | {"color": palette.ink}),
    )
