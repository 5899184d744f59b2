"""Make a bulletin: all results of a season through a week, kept by version.

It also says how the projections of earlier bulletins did, by what later ones estimate.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from functools import partial
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import pyarrow as pa
from threadpoolctl import threadpool_limits

from analytics import findings
from analytics.bulletin import archive
from analytics.bulletin.places import place_tables
from analytics.bulletin.revisions import bulletin_before, moved_since
from analytics.bulletin.second_process import SharedParts, second_process
from analytics.catch_rates.build import OTHERS, rate_tables, response_rows
from analytics.data.calendar import season_days
from analytics.data.kept import NOT_KEPT, Kept
from analytics.data.store import Store
from analytics.errors import StoreError
from analytics.estimates.alternative_estimates import alternative_estimates
from analytics.estimates.estimate import LEVELS, Row, result_rows, week_changes
from analytics.estimates.sampling_report import (
    convenience_findings,
    rate_findings,
    row_warnings,
    sampling_findings,
    strata_table,
)
from analytics.estimates.schemas import AREA_SCHEMA
from analytics.estimates.season_survey import prepare_survey
from analytics.outlook.build import limit_tables, tested_seasons
from analytics.outlook.issued import Outcome, score_rows
from analytics.outlook.schemas import PROJECTION_SCORE_SCHEMA
from analytics.released.build import released_tables
from analytics.result_table import to_arrow
from analytics.settings import EstimationSettings, FishBasis, choice
from analytics.whole_files import require_writable

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import pandas as pd

    from analytics.bulletin.archive import Bulletin, BulletinMetadata
    from analytics.bulletin.second_process import SecondProcess
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.findings import Finding


def with_scores(folder: Path | str, bulletin: Bulletin, *, kept: Kept = NOT_KEPT) -> Bulletin:
    """Return a bulletin with the scores of the projections that an archive holds.

    Bulletins that reach further than this one are left out: an older season's bulletin says the
    same whether those of newer seasons were made before it or after. Projections of its own season
    are judged by its own estimates, those of other seasons by their last bulletin, once for as long
    as no bulletin of that season is added: none ever changes. A bulletin that cannot be read is
    passed over.
    """
    card = bulletin.card
    seasons: dict[str, list[BulletinMetadata]] = defaultdict(list)
    for one in archive.list_bulletins(folder):
        is_same_week = one.season == card.season and one.through == card.through
        if one.through <= card.through and not is_same_week and "projections" in one.tables:
            seasons[one.season].append(one)
    mine = seasons.pop(card.season, [])
    own = Outcome.of(
        bulletin.other_basis if _is_sampled(card) else bulletin.rows,
        bulletin.table("trend"),
        card.through,
    )
    tables = [_scored(folder, mine, own)]
    for cards in seasons.values():
        key = json.dumps([asdict(one) for one in cards])
        tables.append(kept.table("past_scores", key, partial(_by_last, folder, cards)))
    table = pa.concat_tables(tables)
    return replace(bulletin, outlook=dict(bulletin.outlook) | {"projection_scores": table})


def _by_last(folder: Path | str, cards: Sequence[BulletinMetadata]) -> pa.Table:
    """Return the scores of a season's bulletins by the estimates of the last that can be read."""
    for last in reversed(cards):
        try:
            # Projections are of fish as reported.
            rows = archive.load_table(folder, last, "other_basis" if _is_sampled(last) else "rows")
            trend = archive.load_table(folder, last, "trend")
        except StoreError:
            continue
        return _scored(folder, cards, Outcome.of(rows, trend, last.through))
    return PROJECTION_SCORE_SCHEMA.empty_table()


def _scored(folder: Path | str, cards: Sequence[BulletinMetadata], outcome: Outcome) -> pa.Table:
    """Return how the projections of some bulletins of a season did."""
    issued = []
    for card in cards:
        try:
            issued.append((card.bulletin, archive.load_table(folder, card, "projections")))
        except StoreError:
            continue
    return pa.Table.from_pylist(score_rows(issued, outcome), schema=PROJECTION_SCORE_SCHEMA)


def _is_sampled(card: BulletinMetadata) -> bool:
    return card.basis == FishBasis.SAMPLED


def make_bulletin(
    store: Store,
    *,
    season: str | None = None,
    through: str | None = None,
    level: float = 0.95,
    basis: str = FishBasis.REPORTED,
    progress: Callable[[str], None] = lambda words: None,
    second: SecondProcess | None = None,
) -> archive.BulletinMetadata:
    """Estimate a season at every level and keep the result in the store's archive.

    The same store version, season and week give the same bulletin, which is then left as it is.
    With a second process the result is the same, too.

    Parameters
    ----------
    store : Store
    season, through : str, optional
        As in `analytics.estimates.estimate.estimate`.
    level : float
        Confidence level.
    basis : str
        Where the released fish of its rows come from; the other basis has a table of its own.
    progress : callable, optional
        Called with a few words before each step.
    second : SecondProcess, optional
        A process that makes some of the parts, as `second_process` gives it.

    Raises
    ------
    UsageError, DataRejected
        As in `analytics.estimates.estimate.estimate`.
    """
    progress("reading the store")
    kept, folder = Kept(store.path), archive.archive_of(store.path)
    snapshot = store.snapshot()
    if second is not None:
        second.give(Request(store.path, snapshot.version, season, through, level, basis))
    with threadpool_limits(1, user_api="blas"):
        progress("reducing interviews")
        prepared = _prepared(snapshot, season=season, through=through, basis=basis)
        # A bulletin that is there already is not estimated again to be left as it is.
        card = _card(prepared, level)
        earlier = bulletin_before(store, card)
        since = earlier.card.bulletin if earlier else ""
        same = archive.kept_same(folder, replace(card, since=since))
        if same is not None:
            return same
        require_writable(folder)  # the long part begins
        parts = SharedParts(_parts(prepared, level, kept, progress), second, progress)
        bulletin = _made(prepared, level=level, progress=progress, parts=parts, kept=kept)
    progress("comparing with the bulletin before")
    return archive.save(
        folder, with_scores(folder, moved_since(store, bulletin, earlier), kept=kept)
    )


def bulletin_tables(
    store: Store,
    *,
    season: str | None = None,
    through: str | None = None,
    basis: str = FishBasis.REPORTED,
) -> dict[str, pa.Table]:
    """Return the tables of a week's bulletin, which is made and kept unless it is there already.

    Parameters
    ----------
    store : Store
    season, through, basis : str, optional
        As in `make_bulletin`.

    Returns
    -------
    dict of str to pyarrow.Table
        By name, all tables of `archive.TABLE_SCHEMAS`; a table that does not apply is empty.

    Examples
    --------
    >>> from analytics import Store, bulletin_tables, import_files
    >>> store = Store("mystore")
    >>> _ = import_files(store, "week05")
    >>> tables = bulletin_tables(store)
    >>> tables["areas"]["area"].to_pylist()
    ['A', 'B']

    Raises
    ------
    UsageError, DataRejected
        As in `make_bulletin`.
    """
    with second_process(store.path) as second:
        card = make_bulletin(store, season=season, through=through, basis=basis, second=second)
    kept = archive.load(archive.archive_of(store.path), card.bulletin)
    return {name: kept.table(name) for name in archive.TABLE_SCHEMAS}


def bulletin_of(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    through: str | None = None,
    level: float = 0.95,
    basis: str = FishBasis.REPORTED,
    progress: Callable[[str], None] = lambda words: None,
    kept: Kept = NOT_KEPT,
) -> archive.Bulletin:
    """Return the bulletin of a snapshot without keeping it; parameters as `make_bulletin`.

    `kept`: where the results of past seasons lie, which last for as long as their data. Nothing in
    it is compared with other bulletins: a snapshot knows no archive.
    """
    # Matrices are small: threads of linear algebra that wait for each other on busy cores made a
    # bulletin take many times as long.
    with threadpool_limits(1, user_api="blas"):
        progress("reducing interviews")
        prepared = _prepared(snapshot, season=season, through=through, basis=basis)
        parts = SharedParts(_parts(prepared, level, kept, progress), None, progress)
        return _made(prepared, level=level, progress=progress, parts=parts, kept=kept)


def _prepared(
    snapshot: Snapshot, *, season: str | None, through: str | None, basis: str
) -> SeasonSurvey:
    chosen = choice(FishBasis, basis, "basis")
    # What the sampled basis needs serves the reported one, too.
    both = EstimationSettings(basis=FishBasis.SAMPLED)
    prepared = prepare_survey(snapshot, season=season, through=through, settings=both)
    return replace(prepared, basis=chosen)


@dataclass(frozen=True, slots=True)
class Request:
    """What a second process makes the parts of a bulletin from; fields as of `make_bulletin`."""

    store: Path
    version: int
    season: str | None
    through: str | None
    level: float
    basis: str


def parts_of(request: Request, progress: Callable[[str], None]) -> dict[str, Callable[[], Any]]:
    """Return the parts of a bulletin by name, as a maker of `SecondProcess`."""
    threadpool_limits(1, user_api="blas")
    prepared = _prepared(
        Store(request.store).snapshot(as_of=request.version),
        season=request.season,
        through=request.through,
        basis=request.basis,
    )
    return _parts(prepared, request.level, Kept(request.store), progress)


def _parts(
    prepared: SeasonSurvey, level: float, kept: Kept, progress: Callable[[str], None]
) -> dict[str, Callable[[], Any]]:
    """Return the parts of a bulletin that do not need each other, first what others wait for."""

    def step(words: str, make: Callable[[], Any]) -> Callable[[], Any]:
        def begun() -> Any:
            progress(words)
            return make()

        return begun

    def of(make: Callable[..., Any]) -> Callable[[], Any]:
        return partial(make, prepared, level=level)

    responses = {
        one: partial(response_rows, prepared, one, level=level, progress=progress) for one in OTHERS
    }
    return {
        "past": partial(tested_seasons, prepared, kept=kept, progress=progress),
        **responses,
        "alternatives": step("making alternative estimates", of(alternative_estimates)),
        "released": step("following the fish that went back", of(released_tables)),
        "other": step("estimating on the other basis", of(_other_rows)),
        "findings": step("looking through the sample", partial(_findings, prepared)),
    }


def _made(
    prepared: SeasonSurvey,
    *,
    level: float,
    progress: Callable[[str], None],
    parts: SharedParts,
    kept: Kept,
) -> archive.Bulletin:
    snapshot = prepared.snapshot
    rows: list[Row] = []
    for by in LEVELS:
        progress("estimating by " + " and ".join(by))
        rows += result_rows(prepared, by=by, level=level)
    rates = rate_tables(prepared, level=level, progress=progress, others=parts.__getitem__)
    tested = parts["past"]
    outlook = limit_tables(
        prepared, rates, level=level, progress=progress, rows=rows, tested=tested, kept=kept
    )
    alternatives, released, other = parts["alternatives"], parts["released"], parts["other"]
    before, after = parts["findings"]
    progress("writing the bulletin")
    weekly = [row for row in rows if row["week"] is not None]
    days = season_days(snapshot, prepared.design.season)
    return archive.Bulletin(
        card=_card(prepared, level),
        rows=to_arrow(rows),
        changes=week_changes(
            weekly, weeks=list(prepared.design.weeks), open_days=_open(days), level=level
        ),
        findings=findings.to_arrow([*before, *alternatives.findings, *after]),
        strata=strata_table(prepared),
        areas=snapshot["areas"].select(AREA_SCHEMA.names),
        other_basis=other,
        alternative_estimates=alternatives.rows,
        coverage=alternatives.coverage,
        heaping=alternatives.heaping,
        variance_budget=alternatives.variance_budget,
        area_covariance=alternatives.area_covariance,
        released=released,
        rates=rates,
        outlook=outlook,
        places=place_tables(snapshot, prepared.design.season),
    )


def _other_rows(prepared: SeasonSurvey, *, level: float) -> pa.Table:
    """Return the result rows of the other basis; none are sampled without test fishing."""
    other, inputs = prepared.basis.other, prepared.by_sample
    if other is FishBasis.SAMPLED and (inputs is None or inputs.sample.why_none):
        return to_arrow([])
    season = replace(prepared, basis=other)
    return to_arrow([row for by in LEVELS for row in result_rows(season, by=by, level=level)])


def _findings(prepared: SeasonSurvey) -> tuple[list[Finding], list[Finding]]:
    """Return the findings that stand before those of alternative estimates, and after."""
    snapshot, design = prepared.snapshot, prepared.design
    first = [*sampling_findings(prepared), *convenience_findings(snapshot, design)]
    return first, [*row_warnings(snapshot, design), *rate_findings(prepared)]


def _open(days: pd.DataFrame) -> dict[tuple[str | None, str], int]:
    """Count open days by area and week, and over all areas by week."""
    counts: dict[tuple[str | None, str], int] = {}
    for area, week in zip(days["area"], days["week"], strict=True):
        for key in ((area, week), (None, week)):
            counts[key] = counts.get(key, 0) + 1
    return counts


def _card(prepared: SeasonSurvey, level: float) -> archive.BulletinMetadata:
    design = prepared.design
    days = season_days(prepared.snapshot, design.season)
    return archive.BulletinMetadata(
        bulletin=f"{_safe(design.season)}.{design.through}.v{prepared.snapshot.version}",
        season=design.season,
        through=design.through,
        version=prepared.snapshot.version,
        snapshot_key=prepared.snapshot.key,
        level=level,
        made_utc=datetime.now(UTC).isoformat(timespec="seconds"),
        program=version("blackmouth"),
        preliminary=bool(days["week"].max() > design.through),
        basis=str(prepared.basis),
    )


def _safe(label: str) -> str:
    """Return a season's label as part of a folder's name, whatever was stored."""
    return re.sub(r"[^0-9A-Za-z _-]+", "-", label)[:40].strip() or "season"
