"""The checks of a batch: within each of its tables, then the rules between rows and tables."""

from __future__ import annotations

from enum import Enum, auto
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.data import query as sql
from analytics.data.calendar import open_days, weekday_words
from analytics.data.checks import catch, frame, rule
from analytics.data.schema import EXTRA, FILE_SCHEMAS, TABLES
from analytics.findings import (
    MOST_OF_A_KIND,
    Finding,
    Severity,
    first_of_kind,
    how_many,
    row_words,
    shortened,
)
from analytics.result_table import texts

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

    import duckdb

    from analytics.data.checks.rule import Rule
    from analytics.data.columns import Column
    from analytics.data.importing.spilled import Spilled
    from analytics.data.importing.typed import Incoming


def check_keys(incoming: Incoming | Spilled) -> list[Finding]:
    """Return an error for every row whose key another row of the batch has too.

    Where rows are alike in every cell, the first of them stands.
    """
    table = FILE_SCHEMAS[incoming.table]
    key, cells = _listed(table.key), _listed([*table.arrow_schema.names, EXTRA])
    copies = _of_copies(
        incoming,
        f"SELECT r._n AS n, r._file AS file, r._row AS row, g.ns[1] AS first, g.files, g.lines, "
        f"g.n_different, concat_ws(' ', {key}) AS key, count(*) OVER () AS n_all "
        f"FROM suspects r JOIN (SELECT {key}, arg_min(_n, _n, 2) AS ns, "
        "arg_min(_file, _n, 2) AS files, arg_min(_row, _n, 2) AS lines, "
        f"count(DISTINCT ({cells})) AS n_different FROM suspects GROUP BY {key} "
        f"HAVING count(*) > 1) g USING ({key}) "
        f"WHERE g.n_different > 1 OR r._n <> g.ns[1] ORDER BY n LIMIT {MOST_OF_A_KIND}",
    ).to_pylist()

    def error(copy: dict[str, Any]) -> Finding:
        return Finding(
            severity=Severity.ERROR,
            table=incoming.table,
            file=copy["file"],
            row=copy["row"],
            column=", ".join(table.key),
            seen=f"{shortened(copy['key'])} again, as in {_place(copy)}",
            allowed="every key once",
            advice="remove the copy"
            if copy["n_different"] == 1
            else "keep one of them, or correct it",
        )

    return first_of_kind(copies, error, n=copies[0]["n_all"] if copies else 0)


def first_of_keys(incoming: Incoming | Spilled) -> Incoming | Spilled:
    """Return the rows without the later ones of a key, for rules that would count them twice."""
    key = _listed(FILE_SCHEMAS[incoming.table].key)
    later = _of_copies(
        incoming,
        f"SELECT _n FROM suspects QUALIFY row_number() OVER (PARTITION BY {key} ORDER BY _n) > 1",
    )
    return incoming.without(later["_n"].to_numpy()) if later.num_rows else incoming


def check_answers(incoming: Incoming | Spilled, *, found: Sequence[Finding]) -> list[Finding]:
    """Return a warning for every column of answers that some rows give and others do not.

    `found` holds what is wrong in their cells: a faulty cell is no empty one.
    """
    table = incoming.table
    faulty = [one for one in found if one.table == table and one.severity is Severity.ERROR]
    columns = [column for column in FILE_SCHEMAS[table].columns if column.if_empty]
    warnings = (
        _unanswered(incoming, column, how_many(one for one in faulty if one.column == column.name))
        for column in columns
    )
    return [one for one in warnings if one is not None]


def _unanswered(incoming: Incoming | Spilled, column: Column, n_faulty: int) -> Finding | None:
    """Return the warning about the rows without an answer, over those that could give one."""
    where, among = "true", f"{incoming.table}"
    if column.part_of:
        # Of no fish, no mark could be read.
        where = f"{sql.name(column.part_of)} > 0"
        among += f" with {column.part_of} over 0"
    query = (
        f"SELECT count(*) AS n, count(*) - count({sql.name(column.name)}) AS n_empty "
        f"FROM rows WHERE {where}"
    )
    (found,) = sql.run(query, {"rows": incoming.source()}).to_pylist()
    n_empty = found["n_empty"] - n_faulty
    if n_empty <= 0 or (n_empty == found["n"] and not column.required):
        return None
    files = set(incoming.files)
    return Finding(
        severity=Severity.WARNING,
        table=incoming.table,
        file=files.pop() if len(files) == 1 else "",
        column=column.name,
        seen=f"empty in {n_empty:,} of {found['n']:,} {among}",
        allowed="a number, 0 for none",
        advice=column.if_empty,
    )


def _of_copies(incoming: Incoming | Spilled, query: str) -> pa.Table:
    """Return the result of a query over ``suspects``, in which every row with a key of others is.

    It has no rows where no key comes twice. Empty keys are found as empty cells.
    """
    rows, keys = incoming.source(with_extra=True), FILE_SCHEMAS[incoming.table].key
    key = _listed(keys)
    filled = " AND ".join(f"{sql.name(one)} IS NOT NULL" for one in keys)
    # Of a hash only eight bytes a row are held: the rows themselves are read where one comes twice.
    hashed = sql.run(f"SELECT hash({key}) AS h FROM rows WHERE {filled}", {"rows": rows})
    hashes = np.sort(hashed["h"].to_numpy())
    twice = pa.table({"h": np.unique(hashes[1:][hashes[1:] == hashes[:-1]])})
    if not twice.num_rows:
        return twice
    suspects = f"SELECT * FROM rows WHERE hash({key}) IN (SELECT h FROM twice) AND {filled}"
    whole = f"WITH suspects AS MATERIALIZED ({suspects}) {query}"
    return sql.run(whole, {"rows": rows, "twice": twice})


def _listed(columns: Sequence[str]) -> str:
    return ", ".join(map(sql.name, columns))


def _place(copy: dict[str, Any]) -> str:
    other = 0 if copy["n"] != copy["first"] else 1
    same_file = copy["files"][other] == copy["file"]
    words = row_words(copy["files"][other], copy["lines"][other])
    return words if same_file else f"{copy['files'][other]} {words}"


RULES: tuple[Rule, ...] = (*rule.of_schema(), *frame.RULES, *frame.DRAWS_RULES, *catch.RULES)

_OPEN_SCHEMA = pa.schema(
    [
        *texts("season", "area"),
        ("date", pa.date32()),
        ("week", pa.string()),
        ("day_group", pa.int64()),
        ("group_words", pa.string()),
    ]
)

_VIEWS = (
    "CREATE TEMP TABLE openings AS SELECT * REPLACE ("
    "coalesce(open_weekdays, '1234567') AS open_weekdays, "
    "coalesce(day_groups, '12345|67') AS day_groups, "
    "coalesce(design, 'site_day') AS design) FROM seasons",
    "CREATE TEMP TABLE complete_trips AS SELECT sample_id, count(*) AS n, "
    "count(_row) AS n_fresh FROM interviews "
    "WHERE coalesce(trip_complete, true) AND sample_id IS NOT NULL GROUP BY sample_id",
    # Where sites were drawn within a day, a visit without a probability takes that of its plan.
    "CREATE TEMP TABLE units AS SELECT d.* REPLACE (CASE WHEN q.design = 'day_site' "
    "THEN coalesce(d.draw_probability, p.draw_probability) ELSE d.draw_probability END "
    "AS draw_probability), s.area AS landing_area, o.date IS NOT NULL AS is_open, "
    "q.season, q.design, o.week, o.day_group, "
    "coalesce(d.stratum, concat(o.week, ' ', o.day_group)) AS label, "
    "concat('stratum ', coalesce(d.stratum, concat(o.week, ', ', o.group_words))) AS stratum_words "
    "FROM site_days d LEFT JOIN (SELECT DISTINCT site, area FROM sites) s USING (site) "
    "LEFT JOIN open_days o ON o.area = s.area AND o.date = d.date "
    "LEFT JOIN openings q ON q.area = s.area AND d.date BETWEEN q.open_date AND q.close_date "
    "LEFT JOIN planned_site_days p ON p.sample_id = d.sample_id AND p.site = d.site "
    "AND p.date = d.date",
    "CREATE TEMP TABLE frames AS SELECT season, landing_area, label, "
    "count(DISTINCT CASE design WHEN 'day_site' THEN CAST(date AS VARCHAR) "
    "ELSE sample_id END) AS n, "
    "min(frame_site_days) AS low, max(frame_site_days) AS high, "
    # Whether another stratum holds site-days of the weeks and day groups that this one touches.
    "bool_or(day_group IS NULL OR EXISTS (SELECT 1 FROM units o WHERE o.season = u.season "
    "AND o.landing_area = u.landing_area AND o.week = u.week AND o.day_group = u.day_group "
    "AND o.label <> u.label)) AS is_shared FROM units u GROUP BY season, landing_area, label",
    # Areas and seasons of which a part of the site-days states its frame, where the batch has some.
    "CREATE TEMP TABLE part_stated AS SELECT season, landing_area, count(*) AS n, "
    "count(*) FILTER (stratum IS NOT NULL OR frame_site_days IS NOT NULL) AS n_stated "
    "FROM units WHERE season IS NOT NULL AND design <> 'opportunistic' "
    "GROUP BY season, landing_area HAVING n_stated BETWEEN 1 AND n - 1 AND count(_row) > 0",
    "CREATE TEMP VIEW trips AS SELECT i.*, coalesce(d.date, i.date) AS day "
    "FROM interviews i LEFT JOIN site_days d ON d.sample_id = i.sample_id",
    "CREATE TEMP VIEW landed AS SELECT f.* REPLACE (coalesce(f.area, t.area) AS area), "
    "coalesce(f.date, t.day) AS day FROM fish f LEFT JOIN trips t USING (interview_id) "
    "WHERE f.source = 'dockside' AND coalesce(f.kept, true)",
)


def check_between(
    stored: Mapping[str, sql.Source],
    incoming: Mapping[str, Incoming | Spilled],
    *,
    skip: Iterable[str] = (),
    origin: str = "",
    with_origin: Callable[[], Mapping[str, sql.Source]] | None = None,
) -> list[Finding]:
    """Return what the rules between rows and tables say of a batch on top of the stored rows.

    `stored`, `incoming`: current rows, and those of the batch, which supersede stored ones of the
    same key; `skip`: tables with faulty cells, whose rules are left out; `origin`: column of stored
    tables that says where a row came from, for the findings; `with_origin` gives the stored tables
    with that column where only findings ask for it, and it then stands in what was seen. Rows
    stored earlier that the batch would break have no row number.
    """
    fresh = {name: one.source() for name, one in incoming.items() if name in TABLES}
    skipped = set(skip)
    applied = [rule for rule in RULES if not skipped & set(rule.needs)]
    column = sql.name(origin) if origin else "NULL"
    if with_origin is None:
        return list(_said_of(stored, fresh, applied, origin=column))
    found = _said_of(stored, fresh, applied)
    kinds = {(one.table, one.column, one.allowed) for one in found}
    asked = any(
        one.names_stored and (one.table, one.column, one.allowed) in kinds for one in applied
    )
    if asked or any(one.is_of_stored for one in found):
        found = _said_of(with_origin(), fresh, applied, origin=column, is_named=True)
    return list(found)


def _said_of(
    stored: Mapping[str, sql.Source],
    fresh: Mapping[str, sql.Relation],
    rules: Sequence[Rule],
    *,
    origin: str = "NULL",
    is_named: bool = False,
) -> dict[Finding, None]:
    """Return what rules say, each finding once; `is_named`: where stored rows are from, in words.

    Otherwise it stands in the place of the file.
    """
    findings: dict[Finding, None] = {}
    with _connect(stored, fresh, origin=origin) as connection:
        for rule in _broken(connection, rules):
            findings |= dict.fromkeys(_findings_of(connection, rule, is_named=is_named))
    return findings


def first_warnings(
    stored: Mapping[str, sql.Source],
    fresh: Mapping[str, sql.Relation],
    *,
    of: Collection[str],
    over: Mapping[str, sql.Relation],
) -> Iterator[Finding]:
    """Yield the first warning of each rule of the tables `of` that fresh rows break.

    It stands for as many as rows break the rule; `fresh` are rows that need not be in memory, with
    ``_file`` and ``_row``, by which, then by key, the first is named. `over` is what they are
    queries over.
    """
    with _connect(stored, fresh, over=over) as connection:
        for rule in RULES:
            if rule.severity is not Severity.WARNING or rule.table not in of:
                continue
            key = ", ".join(map(sql.name, TABLES[rule.table].key))
            ((n, seen),) = connection.execute(
                f"SELECT count(*), arg_min(seen, (_row, {key})) "
                f"FROM (SELECT DISTINCT r._row, {key}, {rule.seen} AS seen {rule.faults})"
            ).fetchall()
            if n:
                yield _finding(rule, {"_file": "", "_row": 0, "seen": seen}, times=n)


def _connect(
    stored: Mapping[str, sql.Source],
    fresh: Mapping[str, sql.Relation],
    *,
    origin: str = "NULL",
    over: Mapping[str, sql.Relation] = MappingProxyType({}),
) -> duckdb.DuckDBPyConnection:
    """Return a connection with every table as it would stand, and the views of the rules."""
    relations: dict[str, sql.Relation] = {f"stored_{table}": stored[table] for table in TABLES}
    incoming = {f"incoming_{name}": one for name, one in fresh.items()}
    connection = sql.connect(dict(over) | relations | incoming)
    for name in TABLES:
        rows = _standing(connection, name, origin, stored=stored[name], fresh=fresh.get(name))
        connection.execute(f"CREATE TEMP {rows}")
    connection.register("open_days", _open_days(connection))
    for view in _VIEWS:
        connection.execute(view)
    return connection


class _Stay(Enum):
    """Which stored rows stay beside those of a batch."""

    ALL = auto()
    SOME = auto()
    NONE = auto()


def _standing(
    connection: duckdb.DuckDBPyConnection,
    name: str,
    origin: str,
    *,
    stored: sql.Source,
    fresh: sql.Relation | None,
) -> str:
    """Return the table or the view of a table's rows as they would stand.

    Rows in files are not copied, unless each reading would look up anew what supersedes them.
    """
    columns = ", ".join(sql.name(column.name) for column in TABLES[name].columns)
    old = f"SELECT {columns}, {origin}::VARCHAR AS _file, NULL::BIGINT AS _row FROM stored_{name}"
    new = f"SELECT {columns}, _file, _row FROM incoming_{name}"
    looks_up = isinstance(stored, sql.ParquetRows) and "{all_files}" in stored.query
    in_files = any(isinstance(one, (sql.ParquetRows, str)) for one in (stored, fresh))
    stay = _Stay.ALL if fresh is None else _staying(connection, name, stored, fresh)
    if fresh is None:
        rows = old
    elif stay is _Stay.NONE:
        rows, looks_up = new, False
        in_files = not isinstance(fresh, pa.Table)
    else:
        rows = f"{old} UNION ALL {new}"
    if stay is _Stay.SOME:
        key = ", ".join(map(sql.name, TABLES[name].key))
        rows = f"{old} ANTI JOIN incoming_{name} USING ({key}) UNION ALL {new}"
        looks_up |= not isinstance(fresh, pa.Table)
    kind = "VIEW" if in_files and not looks_up else "TABLE"
    return f"{kind} {sql.name(name)} AS {rows}"


def _staying(
    connection: duckdb.DuckDBPyConnection, name: str, stored: sql.Source, fresh: sql.Relation
) -> _Stay:
    """Return which stored rows stay; of a large batch that is counted, of others some may."""
    if isinstance(stored, pa.Table) and not stored.num_rows:
        return _Stay.NONE
    if isinstance(fresh, pa.Table):
        return _Stay.SOME
    key = ", ".join(map(sql.name, TABLES[name].key))
    gone, n = (
        connection.execute(f"SELECT count(*) FROM stored_{name} {more}").fetchall()[0][0]
        for more in (f"SEMI JOIN incoming_{name} USING ({key})", "")
    )
    if not gone:
        return _Stay.ALL
    return _Stay.NONE if gone == n else _Stay.SOME


def _open_days(connection: duckdb.DuckDBPyConnection) -> pa.Table:
    """Return the open days of the season rows that make sense, each area and day once."""
    seasons = connection.sql(
        "SELECT * EXCLUDE (_file, _row) FROM seasons WHERE area IS NOT NULL "
        "AND close_date - open_date BETWEEN 0 AND 366"
    ).to_arrow_table()
    holidays = connection.sql(
        "SELECT date, holiday FROM holidays WHERE date IS NOT NULL"
    ).to_arrow_table()
    if not seasons.num_rows:
        return _OPEN_SCHEMA.empty_table()
    days = open_days(seasons, holidays).drop_duplicates(["area", "date"])
    days["date"] = days["date"].dt.date
    days["group_words"] = days["group_digits"].map(weekday_words)
    return pa.Table.from_pandas(days[_OPEN_SCHEMA.names], _OPEN_SCHEMA, preserve_index=False)


def _broken(connection: duckdb.DuckDBPyConnection, rules: Sequence[Rule]) -> list[Rule]:
    """Return the rules that some row breaks, found by one query: most rules find nothing."""
    query = " UNION ALL ".join(
        f"SELECT {place} AS place WHERE EXISTS (SELECT 1 {rule.faults})"
        for place, rule in enumerate(rules)
    )
    return [rules[place] for (place,) in sorted(connection.execute(query).fetchall())]


def _findings_of(
    connection: duckdb.DuckDBPyConnection, rule: Rule, *, is_named: bool
) -> list[Finding]:
    some = connection.sql(f"{rule.query} LIMIT {MOST_OF_A_KIND}").to_arrow_table().to_pylist()
    n = len(some)
    if n == MOST_OF_A_KIND:
        ((n,),) = connection.execute(f"SELECT count(*) {rule.faults}").fetchall()
    return first_of_kind(some, lambda fault: _finding(rule, fault, is_named=is_named), n=n)


def _finding(
    rule: Rule, fault: Mapping[str, Any], *, times: int = 1, is_named: bool = False
) -> Finding:
    key, seen, file = ", ".join(TABLES[rule.table].key), fault["seen"], fault["_file"] or ""
    if fault["_row"] is None:
        of_batch = f" of batch {file}" if is_named else ""
        seen = f"stored row {key} {fault['key']}{of_batch}: {seen}"
        file = "" if is_named else file
    return Finding(
        severity=rule.severity,
        table=rule.table,
        file=file,
        row=fault["_row"],
        column=rule.column,
        seen=seen,
        allowed=rule.allowed,
        advice=rule.advice,
        times=times,
    )
