"""The archive of bulletins: one folder each, written completely or not at all, never changed.

A bulletin is the finished result tables of one season through one week, as of one version of the
store. Readers need pyarrow only, so that the dashboard stays light.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import tempfile
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from analytics import whole_files
from analytics.bulletin.places import PLACE_SCHEMAS
from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.data.schema import cast_to_schema
from analytics.errors import StoreError, UsageError
from analytics.estimates.schemas import (
    ALTERNATIVE_SCHEMA,
    AREA_COVARIANCE_SCHEMA,
    AREA_SCHEMA,
    CHANGE_SCHEMA,
    COVERAGE_SCHEMA,
    HEAPING_SCHEMA,
    STRATUM_SCHEMA,
    VARIANCE_SCHEMA,
)
from analytics.findings import FINDING_SCHEMA
from analytics.outlook.schemas import OUTLOOK_SCHEMAS
from analytics.released.schemas import RELEASED_SCHEMAS
from analytics.result_table import RESULT_SCHEMA, counts, numbers, texts
from analytics.whole_files import BULLETINS, CARD_FILE, writing_allowed

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


# The shapes of every table of a kept bulletin; readers need pyarrow only.

#: What moved between two versions of the store, by domain and quantity, and which batches did it.
#: Where one row nets several steps, their batches, events, instants and files are joined by "; ".
REVISION_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),  # null: all areas
        ("week", pa.string()),  # null: the season
        *texts("quantity", "unit"),
        ("kind", pa.string()),  # revised | restated | new | removed
        *numbers("previous", "estimate"),
        ("change", pa.float64()),  # estimate - previous
        ("change_in_se", pa.float64()),  # change over the standard error before
        *numbers(
            "previous_se",
            "se",
            "previous_ci_low",
            "previous_ci_high",
            "ci_low",
            "ci_high",
            "ci_level",
        ),
        *texts("previous_method", "method", "previous_status", "status"),
        *counts("since_version", "version"),
        ("batch", pa.string()),
        ("event", pa.string()),  # imported | withdrawn | restored | program
        *texts("at_utc", "sources"),
        ("effect", pa.string()),  # own_data | whole_season | program | pooling
    ]
)

#: Fields of a bulletin that hold several tables, and the shapes of these.
GROUPS: dict[str, dict[str, pa.Schema]] = {
    "released": RELEASED_SCHEMAS,
    "rates": RATE_SCHEMAS,
    "outlook": OUTLOOK_SCHEMAS,
    "places": PLACE_SCHEMAS,
}
TABLE_SCHEMAS: dict[str, pa.Schema] = {
    "rows": RESULT_SCHEMA,
    "changes": CHANGE_SCHEMA,
    "findings": FINDING_SCHEMA,
    "strata": STRATUM_SCHEMA,
    "areas": AREA_SCHEMA,
    "revisions": REVISION_SCHEMA,
    "other_basis": RESULT_SCHEMA,
    "alternative_estimates": ALTERNATIVE_SCHEMA,
    "coverage": COVERAGE_SCHEMA,
    "heaping": HEAPING_SCHEMA,
    "variance_budget": VARIANCE_SCHEMA,
    "area_covariance": AREA_COVARIANCE_SCHEMA,
}
#: Tables that a bulletin has as fields of their own.
FIELDS = tuple(TABLE_SCHEMAS)
for schemas in GROUPS.values():
    TABLE_SCHEMAS |= schemas
#: Tables of bulletins whose card does not name its tables; a bulletin lacks those added later.
FIRST_TABLES = ("rows", "changes", "findings", "strata", "areas")


#: Version of the names of tables and columns. Bulletins whose metadata give none are of version 1.
SCHEMA_VERSION = 3
#: Columns that version 2 called otherwise, by table.
_COLUMNS_OF_2 = {"alternative_estimates": {"basis": "alternative"}}
#: Names that no version uses any more, by table.
_GONE = {"assumptions": {"words": "assumption"}}
#: Names of version 1 and what they became: tables, columns, and cells by their column of today.
_OLD_TABLES = {
    "moved": "revisions",
    "readings": "alternative_estimates",
    "compared": "composition_ratio",
    "method_mix": "method_mix_deaths",
    "trials": "holding_rates",
    "timing": "seasonal_pattern",
    "strength": "run_strength",
    "standing": "limit_status",
    "fan": "limit_paths",
    "assumed": "assumptions",
}
_OLD_COLUMNS = {
    "moved": "change",
    "moved_in_se": "change_in_se",
    "raw": "survey_estimate",
    "raw_low": "survey_low",
    "raw_high": "survey_high",
    "filled_prop": "imputed_prop",
    "is_ahead": "is_projected",
    "rise_1": "change_1_weeks",
    "rose_1": "prob_increase_1_weeks",
    "rise_4": "change_4_weeks",
    "rose_4": "prob_increase_4_weeks",
    "word": "direction",
    "behind": "score_gap",
    "behind_se": "score_gap_se",
    "is_now": "is_current_season",
    "from_fish_prop": "catch_variance_prop",
    "standing": "evidence",
    "used": "share_used",
    "used_low": "share_used_low",
    "used_high": "share_used_high",
    "remains": "fish_remaining",
    "passed_prob": "prob_exceeded_to_date",
    "pass_prob": "prob_exceeded_by_close",
    "expected": "projected_total",
    "expected_low": "projected_total_low",
    "expected_high": "projected_total_high",
    "date_10": "exceedance_date_p10",
    "date_50": "exceedance_date_p50",
    "date_90": "exceedance_date_p90",
}
_OLD_VALUES = {
    "fate": {"lost": "drop_off"},
    "kind": {"gone": "removed"},
    "method": {"not told": "not reported"},
}


@dataclass(frozen=True, slots=True)
class BulletinMetadata:
    """What a bulletin is about and what it was made from.

    Parameters
    ----------
    bulletin : str
        Its name in the archive, such as ``2035-36.2036-W05.v3``.
    season, through : str
        Season, and the last ISO week in it.
    version : int
        Version of the store it was made from.
    snapshot_key : str
        Content hash of that snapshot.
    level : float
        Confidence level of its intervals.
    made_utc : str
        ISO 8601 instant.
    program : str
        Version of this program.
    preliminary : bool
        Open days of the season come after `through`.
    since : str
        Name of the bulletin of the season kept before, from an earlier version of the store, that
        `revisions.compared_versions` compares with; empty where there is none.
    tables : tuple of str
        Tables it was kept with; `save` writes them here.
    schema_version : int
        Version of the names of its files, see `SCHEMA_VERSION`; `save` writes it here.
    basis : str
        Where the released fish of its rows come from; empty where its tables mix the two.
    has_sums : bool
        The checksums of its files are kept with it; `save` writes it here.
    """

    bulletin: str
    season: str
    through: str
    version: int
    snapshot_key: str
    level: float
    made_utc: str
    program: str
    preliminary: bool
    since: str = ""
    tables: tuple[str, ...] = FIRST_TABLES
    schema_version: int = 1
    basis: str = ""
    has_sums: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Bulletin:
    """A card with its tables, each in its schema of `TABLE_SCHEMAS`.

    Tables after `FIRST_TABLES` are empty where a bulletin is older than they are. `released` holds
    those of `RELEASED_SCHEMAS` by name, `rates` those of `RATE_SCHEMAS`, `outlook` those of
    `OUTLOOK_SCHEMAS`, `places` those of `PLACE_SCHEMAS`.
    """

    card: BulletinMetadata
    rows: pa.Table
    changes: pa.Table
    findings: pa.Table
    strata: pa.Table
    areas: pa.Table
    revisions: pa.Table = field(default_factory=REVISION_SCHEMA.empty_table)
    other_basis: pa.Table = field(default_factory=RESULT_SCHEMA.empty_table)
    alternative_estimates: pa.Table = field(default_factory=ALTERNATIVE_SCHEMA.empty_table)
    coverage: pa.Table = field(default_factory=COVERAGE_SCHEMA.empty_table)
    heaping: pa.Table = field(default_factory=HEAPING_SCHEMA.empty_table)
    variance_budget: pa.Table = field(default_factory=VARIANCE_SCHEMA.empty_table)
    area_covariance: pa.Table = field(default_factory=AREA_COVARIANCE_SCHEMA.empty_table)
    released: Mapping[str, pa.Table] = field(default_factory=dict)
    rates: Mapping[str, pa.Table] = field(default_factory=dict)
    outlook: Mapping[str, pa.Table] = field(default_factory=dict)
    places: Mapping[str, pa.Table] = field(default_factory=dict)

    def table(self, name: str) -> pa.Table:
        """Return a table by its name in `TABLE_SCHEMAS`, empty where the bulletin lacks it."""
        if name in FIELDS:
            return getattr(self, name)
        none = TABLE_SCHEMAS[name].empty_table()  # a name that is none is a KeyError
        group = next(group for group, schemas in GROUPS.items() if name in schemas)
        return getattr(self, group).get(name, none)


def archive_of(store: Path | str) -> Path:
    """Return the folder of a store that holds its bulletins."""
    return Path(store) / BULLETINS


def list_bulletins(folder: Path | str) -> list[BulletinMetadata]:
    """Return the readable bulletins of an archive by season, week and version; no folder, none."""
    return sorted_bulletins(folder)[0]


def sorted_bulletins(folder: Path | str) -> tuple[list[BulletinMetadata], list[str]]:
    """Return the readable bulletins as `list_bulletins`, and the names of those that are not.

    Each card is read once, and of a bulletin nothing but its card.
    """
    cards = {path.parent.name: _read_card(path) for path in _card_files(folder)}
    readable = [card for card in cards.values() if card is not None]
    readable.sort(key=lambda card: (card.season, card.through, card.version, card.made_utc))
    return readable, sorted(name for name, card in cards.items() if card is None)


def load(folder: Path | str, bulletin: str) -> Bulletin:
    """Return one bulletin; a table that it was kept without is empty.

    Raises
    ------
    UsageError
        If no bulletin of that name is in the archive.
    StoreError
        If one of its files cannot be read or is not as it was written.
    """
    # Among many bulletins, only the card of this one is read.
    path = Path(folder) / bulletin / CARD_FILE
    card = _card(path) if _is_name(bulletin) and path.parent.is_dir() else None
    if card is None or card.bulletin != bulletin:
        names = ", ".join(one.bulletin for one in list_bulletins(folder)) or "none"
        raise UsageError(f"no bulletin {bulletin!r} in the archive; there are: {names}")
    tables = {name: load_table(folder, card, name) for name in TABLE_SCHEMAS if name in card.tables}
    groups = {
        group: {name: tables.pop(name) for name in schemas if name in tables}
        for group, schemas in GROUPS.items()
    }
    return Bulletin(card, **tables, **groups)


def load_table(folder: Path | str, card: BulletinMetadata, name: str) -> pa.Table:
    """Return one table of a bulletin; one that it was kept without is empty.

    Raises
    ------
    StoreError
        If its file cannot be read.
    """
    schema = TABLE_SCHEMAS[name]
    if name not in card.tables:
        return schema.empty_table()
    try:
        table = _read_table(Path(folder) / card.bulletin, name, card.schema_version)
        return cast_to_schema(table, schema)
    except (OSError, pa.ArrowException) as error:
        raise StoreError(f"bulletin {card.bulletin} cannot be read: {error}") from error


def _read_table(folder: Path, name: str, schema_version: int) -> pa.Table:
    """Read a table of a bulletin with the names of today, whatever version it was kept in."""
    if schema_version > SCHEMA_VERSION:
        raise StoreError(
            f"{folder.name} was kept by a newer program (schema version {schema_version}; this one "
            f"reads up to {SCHEMA_VERSION}): update the program"
        )
    if schema_version > 1:
        table = _parquet(folder / f"{name}.parquet")
    else:
        table = _read_version_1(folder, name)
    renamed = _GONE.get(name, {}) | ({} if schema_version > 2 else _COLUMNS_OF_2.get(name, {}))
    return table.rename_columns([renamed.get(one, one) for one in table.column_names])


def _as_written(file: Path) -> Path:
    """Return a file of a bulletin; one that is not as it was written is refused (`StoreError`)."""
    sums = whole_files.read_sums(file.parent)
    if sums is not None:
        whole_files.require(file, sums.get(file.name))
    return file


def _parquet(file: Path) -> pa.Table:
    """Read one file, in two thirds of the time that is taken where it may be a set of files."""
    with pq.ParquetFile(_as_written(file)) as opened:
        return opened.read()


def _read_version_1(folder: Path, name: str) -> pa.Table:
    old = {today: before for before, today in _OLD_TABLES.items()}
    table = _parquet(folder / f"{old.get(name, name)}.parquet")
    table = table.rename_columns([_OLD_COLUMNS.get(one, one) for one in table.column_names])
    for column, values in _OLD_VALUES.items():
        if column in table.column_names:
            cells = [values.get(cell, cell) for cell in table[column].to_pylist()]
            place = table.column_names.index(column)
            table = table.set_column(place, column, pa.array(cells, pa.string()))
    return table


def save(folder: Path | str, bulletin: Bulletin) -> BulletinMetadata:
    """Add a bulletin to the archive, completely or not at all.

    The same bulletin is left as it is; one of the same name that another program version or level
    made, or that is damaged, stays, and the new one gets the next number.

    Returns
    -------
    BulletinMetadata
        The metadata as kept.
    """
    root = Path(folder)
    with writing_allowed(root):
        root.mkdir(parents=True, exist_ok=True)
    for card in _numbered(bulletin.card):
        if not (root / card.bulletin).exists() and _write(root, replace(bulletin, card=card)):
            from analytics.data.store import sent  # noqa: PLC0415 - readers need pyarrow only

            sent(root.parent, root.name)
            return card
        kept = _same(root, card)
        if kept is not None:
            return kept
    raise AssertionError  # the count has no end


def kept_same(folder: Path | str, card: BulletinMetadata) -> BulletinMetadata | None:
    """Return the metadata of the bulletin that `save` would leave as it is, None if it writes one.

    What a bulletin holds follows from its metadata: those alone say whether it is the same.
    """
    root = Path(folder)
    for numbered in _numbered(card):
        if not (root / numbered.bulletin).exists():
            return None
        kept = _same(root, numbered)
        if kept is not None:
            return kept
    raise AssertionError  # the count has no end


def _numbered(card: BulletinMetadata) -> Iterator[BulletinMetadata]:
    """Give the metadata of a bulletin with each name that it may have, as they are kept."""
    card = replace(card, tables=tuple(TABLE_SCHEMAS), schema_version=SCHEMA_VERSION, has_sums=True)
    yield card
    for number in itertools.count(2):
        yield replace(card, bulletin=f"{card.bulletin}-{number}")


def _same(root: Path, card: BulletinMetadata) -> BulletinMetadata | None:
    """Return the card that is kept under a name where it is the same, whenever it was made."""
    kept = _kept(root, card.bulletin)
    if kept is None or replace(kept, made_utc=card.made_utc, has_sums=True) != card:
        return None
    return kept


def _kept(root: Path, name: str) -> BulletinMetadata | None:
    """Return the card of a bulletin that can be read completely, else None."""
    try:
        return load(root, name).card
    except (UsageError, StoreError):
        return None


def _write(root: Path, bulletin: Bulletin) -> bool:
    """Write a bulletin; return whether its name was still free at the last step."""
    with writing_allowed(root):
        draft = Path(tempfile.mkdtemp(prefix=".draft-", dir=root))
    try:
        write_tables(bulletin, draft)
        (draft / CARD_FILE).write_text(json.dumps(asdict(bulletin.card), indent=2) + "\n")
        whole_files.write_sums(draft, whole_files.files_under(draft))
        draft.chmod(0o755)
        target = root / bulletin.card.bulletin
        try:
            os.rename(draft, target)  # noqa: PTH104 - the one step that makes it visible
        except OSError:
            if target.exists():  # another process took the name first
                return False
            raise
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return True


def write_tables(bulletin: Bulletin, folder: Path) -> None:
    """Write the tables of a bulletin as Parquet into an existing folder."""
    for name, schema in TABLE_SCHEMAS.items():
        pq.write_table(bulletin.table(name).cast(schema), folder / f"{name}.parquet")


def _is_name(bulletin: str) -> bool:
    """Whether a text can be a bulletin's name: one folder of the archive, none that is hidden."""
    return bool(bulletin) and Path(bulletin).name == bulletin and not bulletin.startswith(".")


def _card_files(folder: Path | str) -> list[Path]:
    return list(Path(folder).glob(f"[!.]*/{CARD_FILE}"))


def _read_card(path: Path) -> BulletinMetadata | None:
    try:
        return _card(path)
    except StoreError:
        return None


def _card(path: Path) -> BulletinMetadata:
    """Return the card of a bulletin; a damaged one is refused (`StoreError`).

    It costs what little it can, since the first page reads every card of an archive.
    """
    data, has_sums = whole_files.read(path)
    try:
        given = dict(json.loads(data))
        names = given.get("tables", FIRST_TABLES)
        given["tables"] = tuple([_OLD_TABLES.get(name, name) for name in names])
        card = BulletinMetadata(**given)
    except (ValueError, TypeError) as error:
        raise whole_files.refusal(whole_files.DAMAGED, path) from error
    if card.has_sums and not has_sums:
        raise whole_files.refusal(whole_files.MISSING, path.parent / whole_files.SUMS)
    return card
