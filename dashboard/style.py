"""The look that Streamlit's theme does not reach: one style sheet, colours from the theme."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

if TYPE_CHECKING:
    from analytics.palette import Palette


_SHEET = """
<style>
.stMainBlockContainer {max-width: 1180px; padding-top: 3.2rem; padding-bottom: 3rem;}
.st-key-answer p {font-size: 1.2rem; line-height: 1.65; max-width: 62rem;}
.st-key-document-text h4 {font-size: 1.05rem;}
.bm-cards {display: grid; gap: .75rem; grid-template-columns: repeat(auto-fit, minmax(170px, 1fr));}
.bm-card {border: 1px solid LINE; border-top: 3px solid SEA; border-radius: .5rem;
  padding: .7rem .9rem .75rem .9rem; min-width: 0; overflow-wrap: anywhere;}
.bm-card .bm-label {font-size: .86rem; color: QUIET;}
.bm-card .bm-value {font-size: 1.75rem; line-height: 1.25; font-variant-numeric: tabular-nums;}
.bm-card .bm-words {font-size: 1.15rem; line-height: 1.25; padding: .3rem 0;}
.bm-card .bm-interval, .bm-card .bm-change {font-size: .86rem; line-height: 1.4;}
.bm-card .bm-change {margin-top: .4rem; color: QUIET;}
.bm-card .bm-change b {color: INK;}
.bm-care {font-size: .82rem; margin-top: .35rem; color: COPPER; font-weight: 600;}
.bm-mark {display: inline-block; min-width: 1.25rem; color: COPPER; font-weight: 700;}
.bm-legend {display: flex; flex-wrap: wrap; gap: .15rem 1.1rem; font-size: .84rem; color: QUIET;}
.bm-legend b {color: SEA; font-weight: 600; margin-right: .15rem;}
.bm-legend b.bm-copper {color: COPPER;}
.bm-legend b.bm-ink {color: INK;}
.bm-legend b.bm-quiet {color: QUIET;}
.bm-legend .bm-week {background: BAND; padding: 0 .35rem; border-radius: .2rem;}
.bm-table {width: 100%; border-collapse: collapse; font-size: .92rem;
  font-variant-numeric: tabular-nums;}
.bm-table th, .bm-table td {text-align: left; padding: .45rem .6rem; vertical-align: top;
  border-bottom: 1px solid LINE;}
.bm-table thead th {color: QUIET; font-weight: 600; font-size: .84rem;}
.bm-table small.bm-care {color: COPPER;}
.bm-table tr.bm-group th {padding-top: 1.1rem; font-size: 1rem; border-bottom: 2px solid LINE;}
.bm-every {table-layout: fixed;}
.bm-moves {table-layout: fixed;}
.bm-moves thead th:last-child {width: 28%;}
.bm-rates td:not(:last-child) {white-space: nowrap;}
.bm-whole {white-space: nowrap;}
.bm-table small {display: block; color: QUIET; font-size: .8rem;}
.bm-table tr.bm-all th, .bm-table tr.bm-all td {border-bottom: 2px solid LINE; font-weight: 600;}
.bm-table tr.bm-all small {font-weight: 400;}
[data-testid=stCaptionContainer], [data-testid=stCaptionContainer] * {color: QUIET; opacity: 1;}
.stApp button[data-variant=segmented_control][data-selected=true],
.stApp button[data-variant=pills][data-selected=true] {color: INK; border-color: SEA;}
.stAlert p {color: INK;}
.st-key-fold, .st-key-heat-narrow {display: none;}
[data-testid=stExpandSidebarButton] {width: auto; padding: 0 .6rem; gap: .35rem;}
[data-testid=stExpandSidebarButton]::after {content: "Menu"; font-size: 1rem;}
@media (max-width: 820px) {
  .st-key-heat-wide {display: none;}
  .st-key-heat-narrow {display: flex;}
}
@media (max-width: 640px) {
  .st-key-fold {display: flex; flex-direction: row; align-items: center;
    justify-content: space-between; border: 1px solid LINE; border-radius: .5rem;
    padding: .45rem .75rem;}
  .st-key-fold > * {width: auto !important; min-width: 0;}
  .st-key-fold > :last-child {flex: none;}
  .bm-fold summary {cursor: pointer; white-space: nowrap; color: SEA; font-weight: 600;
    padding: .35rem 0;}
  /* Where a browser does not know :has, the filters simply stay in sight. */
  .st-key-filters-box:has(.bm-fold:not([open])) .st-key-filters {display: none;}
  .stMainBlockContainer {padding-left: 1rem; padding-right: 1rem;}
  .st-key-answer p {font-size: 1.08rem;}
  .bm-cards {grid-template-columns: repeat(2, minmax(0, 1fr)); gap: .55rem;}
  .bm-card {padding: .55rem .65rem;}
  .bm-card:last-child:nth-child(odd) {grid-column: 1 / -1;}
  .bm-card .bm-value {font-size: 1.45rem;}
  .bm-table thead {display: none;}
  .bm-table tr {display: grid; grid-template-columns: 1fr 1fr; padding: .5rem 0;
    border-bottom: 1px solid LINE;}
  .bm-table th, .bm-table td {border: 0 !important; padding: .2rem .4rem .2rem 0;}
  .bm-table tbody th {grid-column: 1 / -1; font-size: 1rem;}
  .bm-table td:empty {display: none;}
  .bm-every td:last-child, .bm-moves td:last-child, .bm-rates td:last-child {grid-column: 1 / -1;}
  .st-key-document-text thead {display: none;}
  .st-key-document-text tr, .st-key-document-text td {display: block; border: 0;}
  .st-key-document-text tr {padding: .5rem 0; border-bottom: 1px solid LINE;}
  .st-key-document-text td {padding: .1rem 0; overflow-wrap: anywhere;}
  .st-key-document-text table {border: 0;}
  .st-key-document-text td:empty {display: none;}
  .bm-table td::before {content: attr(data-label); display: block; font-size: .76rem;
    font-weight: 400; color: QUIET;}
}
</style>
"""


def sheet(palette: Palette) -> str:
    """Return the style sheet in the colours of a theme."""
    parts = {
        "LINE": palette.grid,
        "SEA": palette.sea,
        "QUIET": palette.quiet,
        "INK": palette.ink,
        "COPPER": palette.copper,
        "BAND": palette.band,
    }
    words = _SHEET
    for name, colour in parts.items():
        words = words.replace(name, colour)
    return words


# Whether the reader's page is light or dark.


def is_dark() -> bool:
    """Return whether the browser shows the dark theme; light where that is not known."""
    return st.context.theme.type == "dark"
