"""Cached reading of the archive. Caches are keyed by names, never by frames, and are bounded."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from analytics.bulletin import archive
from analytics.data.store import Store
from analytics.errors import StoreError, UsageError
from analytics.people import Action
from analytics.result_table import area_names
from analytics.wording import limits
from analytics.wording.bulletin_index import index_bulletin
from analytics.wording.regulations import openings_of
from dashboard import people, store_access
from dashboard.alternative_estimates import bases
from dashboard.catch_rates import records as rates
from dashboard.options import compare
from dashboard.released import records as released
from dashboard.revisions import moves

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pyarrow as pa

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.regulations import Opening
    from dashboard.options.compare import ComparisonInputs, ComparisonResult

ARCHIVE_VARIABLE = "BLACKMOUTH_ARCHIVE"
#: What is made of a bulletin, once, for the pages of a subject.
_VIEWS = {
    "moves": moves.read,
    "alternative_estimates": bases.read,
    "released": released.read,
    "rates": rates.read,
    "limits": limits.read,
}


def archive_folder() -> Path | None:
    """Return the folder of bulletins named by the environment; None where none is named.

    Every page comes by its bulletins here, so here it is asked whether the person may read.
    """
    people.require(Action.READ)
    named = os.environ.get(ARCHIVE_VARIABLE, "").strip()
    return Path(named) if named else None


def seasons_of(cards: Sequence[BulletinMetadata]) -> list[str]:
    """Return the seasons of bulletins, the newest first."""
    return list(dict.fromkeys(card.season for card in reversed(cards)))


def store_openings() -> tuple[tuple[Opening, ...], Mapping[str, str]]:
    """Return the openings that the store behind the pages has, and the names of areas.

    Openings are no figures: whoever may read a bulletin, which keeps its season's, may see them.
    Without a store, or one that holds nothing, both are empty; also where it cannot be read, which
    the pages that need it say: bulletins can be read all the same.
    """
    people.require(Action.READ)
    path = store_access.store_path()
    try:
        if path is None or not (store := Store(path)).exists:
            return (), {}
        openings = openings_of(store.read("seasons"))
        return openings, area_names(store.read("areas"))
    except StoreError:
        return (), {}


def kept_bulletins(folder: Path) -> tuple[list[BulletinMetadata], list[str]]:
    """Return the readable cards in an archive, and the names of bulletins whose card is not.

    It is read again only when a bulletin came or went.
    """
    return _kept_bulletins(str(folder), folder.stat().st_mtime_ns if folder.is_dir() else 0)


def bulletin_index(folder: Path, card: BulletinMetadata) -> BulletinIndex:
    """Return an indexed bulletin, shared between sessions and never changed.

    Raises `UsageError` or `StoreError` if it is gone or cannot be read; so do `view` and
    `compared`.
    """
    return _bulletin_index(str(folder), card.bulletin, card.made_utc)


def view(name: str, card: BulletinMetadata) -> Any:
    """Return what pages of a subject need of a bulletin, shared and never changed.

    `name` is one of ``moves``, ``alternative_estimates``, ``released``, ``rates``, ``limits``, or
    ``inputs``: the simulations and limits by which options are compared, None where none were
    saved.
    """
    made = _inputs if name == "inputs" else _view
    keys = () if name == "inputs" else (name,)
    return made(str(archive_folder()), card.bulletin, card.made_utc, *keys)


def compared(card: BulletinMetadata, options: str) -> ComparisonResult:
    """Return the comparison of a set of options as TOML, by simulations that were saved."""
    return _compared(str(archive_folder()), card.bulletin, card.made_utc, options)


def how_far(
    card: BulletinMetadata, options: str, *, is_frontier: bool = False
) -> Mapping[str, pa.Table]:
    """Return the answers of options as TOML that ask how far a rule may go, or their frontier.

    Raises `UsageError` if the season cannot support an option.
    """
    folder = str(archive_folder())
    return _how_far(folder, card.bulletin, card.made_utc, options, is_frontier=is_frontier)


# Shared and never changed: a copy for each run of a page would grow with the archive.
@st.cache_resource(max_entries=4, show_spinner=False)
def _kept_bulletins(folder: str, stamp: int) -> tuple[list[BulletinMetadata], list[str]]:
    return archive.sorted_bulletins(folder)


# A bulletin never changes under its name; `made_utc` tells apart an archive that was made anew.
@st.cache_resource(max_entries=12, show_spinner=False)
def _bulletin_index(folder: str, bulletin: str, made_utc: str) -> BulletinIndex:
    return index_bulletin(archive.load(folder, bulletin))


@st.cache_resource(max_entries=60, show_spinner=False)
def _view(folder: str, bulletin: str, made_utc: str, name: str) -> Any:
    return _VIEWS[name](_bulletin_index(folder, bulletin, made_utc))


# Draws are large: options of few seasons are compared at once.
@st.cache_resource(max_entries=3, show_spinner=False)
def _inputs(folder: str, bulletin: str, made_utc: str) -> ComparisonInputs | None:
    return compare.inputs(_bulletin_index(folder, bulletin, made_utc))


@st.cache_resource(max_entries=32, show_spinner=False)
def _compared(folder: str, bulletin: str, made_utc: str, options: str) -> ComparisonResult:
    on = _inputs(folder, bulletin, made_utc)
    if on is None:
        raise UsageError("the bulletin holds no simulations by which to compare options")
    return compare.compare(on, options)


@st.cache_resource(max_entries=32, show_spinner=False)
def _how_far(
    folder: str, bulletin: str, made_utc: str, options: str, *, is_frontier: bool
) -> Mapping[str, pa.Table]:
    on = _inputs(folder, bulletin, made_utc)
    if on is None:
        raise UsageError("the bulletin holds no simulations by which to compare options")
    return compare.how_far(on, options, is_frontier=is_frontier)
