"""Cached reading of the shelf. Caches are keyed by names, never by frames, and are bounded."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

from analytics.bulletin import archive as shelves
from analytics.errors import UsageError
from dashboard import bulletin_index as books
from dashboard.alternative_estimates import bases as reckoned
from dashboard.catch_rates import records as modelled
from dashboard.options import compare
from dashboard.released import records as gone_back
from dashboard.revisions import moves as moved
from dashboard.season_limits import records as limited

if TYPE_CHECKING:
    from analytics.bulletin.archive import BulletinMetadata
    from dashboard.alternative_estimates.bases import Ways
    from dashboard.bulletin_index import BulletinIndex
    from dashboard.catch_rates.records import Rates
    from dashboard.options.compare import ComparisonInputs, ComparisonResult
    from dashboard.released.records import Released
    from dashboard.revisions.moves import Move
    from dashboard.season_limits.records import Standings

SHELF_VARIABLE = "BLACKMOUTH_SHELF"


def shelf_folder() -> Path | None:
    """Return the folder of bulletins named by the environment; None where none is named."""
    named = os.environ.get(SHELF_VARIABLE, "").strip()
    return Path(named) if named else None


def cards(folder: Path) -> list[BulletinMetadata]:
    """Return the readable cards on a shelf, read again only when a bulletin came or went."""
    return _cards(str(folder), _stamp(folder))


def damaged(folder: Path) -> list[str]:
    """Return the names of bulletins on a shelf whose card cannot be read."""
    return _damaged(str(folder), _stamp(folder))


def book(folder: Path, card: BulletinMetadata) -> BulletinIndex:
    """Return an indexed bulletin, shared between sessions and never changed.

    Raises
    ------
    UsageError, StoreError
        If the bulletin is gone or cannot be read.
    """
    return _book(str(folder), card.bulletin, card.made_utc)


def moves(folder: Path, card: BulletinMetadata) -> tuple[Move, ...]:
    """Return what moved since the bulletin before, shared between sessions and never changed.

    Raises
    ------
    UsageError, StoreError
        If the bulletin is gone or cannot be read.
    """
    return _moves(str(folder), card.bulletin, card.made_utc)


def ways(folder: Path, card: BulletinMetadata) -> Ways:
    """Return the season figures of other bases, shared between sessions and never changed.

    Raises
    ------
    UsageError, StoreError
        If the bulletin is gone or cannot be read.
    """
    return _ways(str(folder), card.bulletin, card.made_utc)


def released(folder: Path, card: BulletinMetadata) -> Released:
    """Return the tables of released fish, shared between sessions and never changed.

    Raises
    ------
    UsageError, StoreError
        If the bulletin is gone or cannot be read.
    """
    return _released(str(folder), card.bulletin, card.made_utc)


def rates(folder: Path, card: BulletinMetadata) -> Rates:
    """Return the tables of modelled catch rates, shared between sessions and never changed.

    Raises
    ------
    UsageError, StoreError
        If the bulletin is gone or cannot be read.
    """
    return _rates(str(folder), card.bulletin, card.made_utc)


def standings(folder: Path, card: BulletinMetadata) -> Standings:
    """Return the tables of a season's limits, shared between sessions and never changed.

    Raises
    ------
    UsageError, StoreError
        If the bulletin is gone or cannot be read.
    """
    return _standings(str(folder), card.bulletin, card.made_utc)


def scales(folder: Path, card: BulletinMetadata) -> ComparisonInputs | None:
    """Return the draws and limits that options are weighed on; None where none were kept.

    Raises
    ------
    UsageError, StoreError
        If the bulletin is gone or cannot be read.
    """
    return _scales(str(folder), card.bulletin, card.made_utc)


def weighed(folder: Path, card: BulletinMetadata, options: str) -> ComparisonResult:
    """Return the answer to a set of options as TOML, on draws that were kept.

    Raises
    ------
    UsageError, StoreError
        If the bulletin is gone or cannot be read, or the options cannot.
    """
    return _weighed(str(folder), card.bulletin, card.made_utc, options)


@st.cache_data(max_entries=4, show_spinner=False)
def _cards(folder: str, stamp: int) -> list[BulletinMetadata]:
    return shelves.list_bulletins(folder)


@st.cache_data(max_entries=4, show_spinner=False)
def _damaged(folder: str, stamp: int) -> list[str]:
    return shelves.unreadable_bulletins(folder)


def _stamp(folder: Path) -> int:
    return folder.stat().st_mtime_ns if folder.is_dir() else 0


# A bulletin never changes under its name; `made_utc` tells apart a shelf that was made anew.
@st.cache_resource(max_entries=12, show_spinner=False)
def _book(folder: str, bulletin: str, made_utc: str) -> BulletinIndex:
    return books.index(shelves.load(folder, bulletin))


@st.cache_resource(max_entries=12, show_spinner=False)
def _moves(folder: str, bulletin: str, made_utc: str) -> tuple[Move, ...]:
    return moved.index(_book(folder, bulletin, made_utc))


@st.cache_resource(max_entries=12, show_spinner=False)
def _ways(folder: str, bulletin: str, made_utc: str) -> Ways:
    return reckoned.index(_book(folder, bulletin, made_utc))


@st.cache_resource(max_entries=12, show_spinner=False)
def _released(folder: str, bulletin: str, made_utc: str) -> Released:
    return gone_back.index(_book(folder, bulletin, made_utc))


@st.cache_resource(max_entries=12, show_spinner=False)
def _rates(folder: str, bulletin: str, made_utc: str) -> Rates:
    return modelled.index(_book(folder, bulletin, made_utc))


@st.cache_resource(max_entries=12, show_spinner=False)
def _standings(folder: str, bulletin: str, made_utc: str) -> Standings:
    return limited.index(_book(folder, bulletin, made_utc))


# Draws are large: few seasons are weighed at once.
@st.cache_resource(max_entries=3, show_spinner=False)
def _scales(folder: str, bulletin: str, made_utc: str) -> ComparisonInputs | None:
    return compare.scales(_book(folder, bulletin, made_utc))


@st.cache_resource(max_entries=32, show_spinner=False)
def _weighed(folder: str, bulletin: str, made_utc: str, options: str) -> ComparisonResult:
    on = _scales(folder, bulletin, made_utc)
    if on is None:
        raise UsageError("the bulletin holds no draws to weigh options on")
    return compare.weighed(on, options)
