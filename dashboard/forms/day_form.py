"""A day's paper form as keyed, once or twice: text in every cell, turned into rows by rule.

What the store has of a form's site-day is read beside it, and that site-day as a form to correct.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.importing import Incoming, check, check_on, read_rows
from analytics.data.snapshot import Snapshot
from analytics.documents import paper_form
from analytics.documents.paper_form import LINE, PARTS, head
from analytics.findings import Severity
from dashboard.catalogue import say
from dashboard.forms.grid import Cells, Placed, column_of, filled
from dashboard.forms.table_edit import changes, text_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from analytics.data.importing import Checked, Reading
    from analytics.data.store import Store
    from analytics.findings import Finding


#: Parts that have lines, in their order.
LINED = tuple(name for name, part in PARTS.items() if part.lines)
#: The site-day's row in a table, and that of line 1: the header of a file is row 1.
_FIRST_ROW = 2
#: Days around the form whose site-days are looked at while it is keyed, and seasons, which last
#: up to a year; all are when it is stored.
_DAYS_NEAR, _SEASONS_NEAR = 400, 800


@dataclass(frozen=True, slots=True)
class DayForm:
    """One form: the site-day's cells, and of every other part the cells of lines 1, 2, and on.

    A line that was left out is an empty mapping.
    """

    site_day: Cells = field(default_factory=dict)
    boats: tuple[Cells, ...] = ()
    fish: tuple[Cells, ...] = ()
    bycatch: tuple[Cells, ...] = ()

    def lines(self, part: str) -> tuple[Cells, ...]:
        """Return the lines of a part, the site-day as one."""
        return (self.site_day,) if part == "site_day" else getattr(self, part)

    def with_lines(self, part: str, lines: Sequence[Mapping[str, Any]]) -> DayForm:
        """Return the form with other lines in a part, without empty cells and lines at its end."""
        kept = [filled(one) for one in lines]
        while kept and not kept[-1]:
            kept.pop()
        if part == "site_day":
            return replace(self, site_day=kept[0] if kept else {})
        lines_of: dict[str, Any] = {part: tuple(kept)}
        return replace(self, **lines_of)

    @property
    def site(self) -> str:
        """The site, as keyed."""
        return self.site_day.get("site", "").strip()

    @property
    def date(self) -> str:
        """The date, as keyed."""
        return self.site_day.get("date", "").strip()

    @property
    def is_empty(self) -> bool:
        """Whether nothing was keyed yet."""
        return not any(any(self.lines(part)) for part in PARTS)

    @property
    def title(self) -> str:
        """What the form is called, and its rows by; empty before it has a site or a date."""
        return " ".join(one for one in (self.date, self.site) if one)

    @property
    def source(self) -> str:
        """Where its rows come from, as a batch says it: a name without the signs of a path."""
        return f"keyed {self.title or 'form'}".replace("/", "-").replace("\\", "-")


def title_words(form: DayForm) -> str:
    """Return what a form is called, also before it has a site or a date."""
    return form.title or say("no site and date yet")


def to_json(form: DayForm) -> dict[str, Any]:
    """Return a form as what JSON can hold."""
    return {part: list(form.lines(part)) for part in PARTS}


def from_json(content: Mapping[str, Any]) -> DayForm:
    """Return the form of `to_json`; what is no form is a `ValueError` or a `TypeError`."""
    form = DayForm()
    for part in PARTS:
        form = form.with_lines(part, [dict(one) for one in content.get(part, [])])
    return form


# Rows of tables: ids by rule, the boat's area, method and date on its fish.


def sample_of(form: DayForm, snapshot: Snapshot) -> str:
    """Return the id of the form's site-day: that of the store or of its plan, else by rule."""
    site, date = form.site, form.date
    for table in ("site_days", "planned_site_days"):
        rows = snapshot[table]
        same = pc.and_(
            pc.equal(rows["site"], site), pc.equal(pc.strftime(rows["date"], "%Y-%m-%d"), date)
        )
        found = rows.filter(same)["sample_id"]
        if len(found) == 1:
            return str(found[0])
    return paper_form.sample_id(site, date)


def rows_of(form: DayForm, sample: str) -> dict[str, dict[int, Cells]]:
    """Return the rows of a form by table; line 1 is row 2, as in a file with a header."""
    rows: dict[str, dict[int, Cells]] = {
        "site_days": {_FIRST_ROW: {"sample_id": sample, **form.site_day}}
    }
    boats = dict(_numbered(form.boats))
    rows["interviews"] = {
        line + 1: {
            "interview_id": paper_form.interview_id(sample, line),
            "sample_id": sample,
            **cells,
        }
        for line, cells in boats.items()
    }
    rows["fish"] = {
        line + 1: _fish_row(cells, number, boats, form=form, sample=sample)
        for line, cells, number in _of_boats(form.fish)
    }
    rows["bycatch"] = {
        line + 1: {
            "interview_id": paper_form.interview_id(sample, _line_of(cells)),
            **_without_line(cells),
        }
        for line, cells in _numbered(form.bycatch)
    }
    return {table: found for table, found in rows.items() if found}


def _fish_row(
    cells: Cells, number: int, boats: Mapping[int, Cells], *, form: DayForm, sample: str
) -> Cells:
    line = _line_of(cells)
    interview = paper_form.interview_id(sample, line)
    boat = boats.get(line, {}) if isinstance(line, int) else {}
    taken = {name: boat[name] for name in ("area", "method") if name in boat}
    return {
        "fish_id": paper_form.fish_id(interview, number),
        "source": "dockside",
        "interview_id": interview,
        "date": form.date,
        **taken,
        **_without_line(cells),
    }


def _numbered(lines: Sequence[Cells]) -> Iterator[tuple[int, Cells]]:
    return ((line, cells) for line, cells in enumerate(lines, start=1) if cells)


def _of_boats(lines: Sequence[Cells]) -> Iterator[tuple[int, Cells, int]]:
    """Give every filled line with its number among those of its boat."""
    seen: dict[int | str, int] = {}
    for line, cells in _numbered(lines):
        boat = _line_of(cells)
        seen[boat] = seen.get(boat, 0) + 1
        yield line, cells, seen[boat]


def _line_of(cells: Cells) -> int | str:
    """Return the number of the boat's line; what is no number stands as it was keyed."""
    text = cells.get(paper_form.LINE.name, "").strip()
    return int(text) if text.isascii() and text.isdigit() and len(text) < 6 else text


def _without_line(cells: Cells) -> Cells:
    return {name: text for name, text in cells.items() if name != paper_form.LINE.name}


# Checks: those of every import, against the part of the store that the form touches.


@dataclass(frozen=True, slots=True, eq=False)
class CheckedForm:
    """A form after the checks: its id, what is checked, findings by part at their lines."""

    sample: str
    checked: Checked
    found: Mapping[str, tuple[Placed, ...]]

    @property
    def n_errors(self) -> int:
        """How many errors forbid storing it."""
        return sum(one.is_error for found in self.found.values() for one in found)

    def beyond(self, seen: CheckedForm) -> list[Placed]:
        """Return the errors and warnings that another check of the same form has not."""
        known = {_what(part, one) for part, found in seen.found.items() for one in found}
        return [
            one
            for part, found in self.found.items()
            for one in found
            if one.finding.severity is not Severity.NOTE and _what(part, one) not in known
        ]


def _what(part: str, one: Placed) -> tuple[object, ...]:
    """Return what tells a finding from others, whatever rows of the store it was seen beside."""
    return part, one.line, one.finding.severity, one.finding.column, one.finding.allowed


def check_form(form: DayForm, store: Store) -> CheckedForm:
    """Check a form as it is keyed, against what stands near it in the store."""
    snapshot, sample, reading = _read(form, store)
    return _placed(sample, check_on(reading, _near(snapshot, form, sample)))


def check_whole(form: DayForm, store: Store) -> CheckedForm:
    """Check a form against all of the store, as before it is stored."""
    _, sample, reading = _read(form, store)
    return _placed(sample, check(reading, store))


def _read(form: DayForm, store: Store) -> tuple[Snapshot, str, Reading]:
    """Return the store as it is, and the id and the rows of a form's site-day."""
    snapshot = store.snapshot() if store.exists else Snapshot.of({})
    sample = sample_of(form, snapshot)
    return snapshot, sample, read_rows(rows_of(form, sample), source=form.source)


def rows_of_sample(snapshot: Snapshot, sample: str) -> dict[str, pa.Table]:
    """Return the stored rows of a site-day by table: itself, its boats, their fish and bycatch."""
    rows = {
        name: snapshot[name].filter(pc.equal(snapshot[name]["sample_id"], sample))
        for name in ("site_days", "interviews")
    }
    ids = pa.array(rows["interviews"]["interview_id"].to_pylist(), pa.string())
    for name in ("fish", "bycatch"):
        rows[name] = snapshot[name].filter(pc.is_in(snapshot[name]["interview_id"], value_set=ids))
    return rows


def _near(snapshot: Snapshot, form: DayForm, sample: str) -> Snapshot:
    """Return the rows that rules about this site-day look at: its own, and days around it."""
    kept = rows_of_sample(snapshot, sample) | {
        name: snapshot[name] for name in ("areas", "sites", "limits", "release_rates", "drop_off")
    }
    try:
        day = pa.scalar(form.date, pa.string()).cast(pa.date32())
    except pa.ArrowInvalid:
        day = None
    for name in ("site_days", "planned_site_days", "holidays", "seasons"):
        column, days = ("open_date", _SEASONS_NEAR) if name == "seasons" else ("date", _DAYS_NEAR)
        kept[name] = snapshot[name] if day is None else _around(snapshot[name], column, day, days)
    return Snapshot.of(kept, version=snapshot.version)


def _around(rows: pa.Table, column: str, day: pa.Scalar, days: int) -> pa.Table:
    apart = pc.days_between(rows[column], day)
    return rows.filter(pc.less_equal(pc.abs(apart), days))


def _placed(sample: str, checked: Checked) -> CheckedForm:
    parts = {part.table: part for part in PARTS.values()}
    found: dict[str, list[Placed]] = {name: [] for name in PARTS}
    for one in checked.findings:
        part = parts.get(one.table)
        if not sample and not _is_keyed(one):
            continue  # ids follow once site and date are there
        line = 0 if one.row is None or part is None else one.row - 1
        column = "" if part is None else column_of(part.columns, one)
        field_of = head(part.column(column)) if part and column else (one.column or "")
        found["site_day" if part is None else part.name].append(Placed(line, field_of, one))
    return CheckedForm(sample, checked, {name: tuple(some) for name, some in found.items()})


def _is_keyed(finding: Finding) -> bool:
    """Whether a finding is about a column that is typed, not made by rule."""
    return any(finding.column == one.name for part in PARTS.values() for one in part.columns)


#: Which keying a cell was chosen from.
FIRST_KEYING, SECOND_KEYING = "first", "second"
#: A line of a part: of fish and other species by their boat and their number there.
_Place = tuple[str, int]


@dataclass(frozen=True, slots=True)
class Difference:
    """A cell that the two keyings give differently; an empty text is an empty cell."""

    part: str
    boat: str
    number: int
    column: str
    first: str
    second: str

    @property
    def address(self) -> str:
        """Where it is, as one text; the key of a choice."""
        return f"{self.part}/{self.boat}/{self.number}/{self.column}"

    @property
    def place(self) -> _Place:
        """Its line."""
        return self.boat, self.number


def differences(first: DayForm, second: DayForm) -> list[Difference]:
    """Return every cell in which two keyings differ, in the order of the form.

    Boats are matched by their line; fish and other species by their boat's line and their order.
    """
    found = []
    for name, part in PARTS.items():
        one, two = _lines(first, name), _lines(second, name)
        for place in sorted(one.keys() | two.keys(), key=_order):
            a, b = one.get(place, {}), two.get(place, {})
            found += [
                Difference(
                    name, *place, column.name, a.get(column.name, ""), b.get(column.name, "")
                )
                for column in part.columns
                if a.get(column.name, "") != b.get(column.name, "")
            ]
    return found


def undecided(found: Iterable[Difference], chosen: Mapping[str, str]) -> list[Difference]:
    """Return the differences for which no keying was chosen yet."""
    return [one for one in found if chosen.get(one.address) not in (FIRST_KEYING, SECOND_KEYING)]


def decided(first: DayForm, second: DayForm, chosen: Mapping[str, str]) -> DayForm:
    """Return the form in which every difference is as chosen; undecided ones as keyed first."""
    form = first
    found = differences(first, second)
    for name in PARTS:
        lines = {place: dict(cells) for place, cells in _lines(first, name).items()}
        for one in found:
            if one.part == name and chosen.get(one.address) == SECOND_KEYING:
                lines.setdefault(one.place, {})[one.column] = one.second
        form = form.with_lines(name, _laid_out(name, lines))
    return form


def _lines(form: DayForm, part: str) -> dict[_Place, Cells]:
    """Return the filled lines of a part by place."""
    if LINE not in PARTS[part].columns:
        return {("", n): filled(cells) for n, cells in enumerate(form.lines(part), 1) if cells}
    lines: dict[_Place, Cells] = {}
    seen: dict[str, int] = {}
    for cells in filter(None, map(filled, form.lines(part))):
        boat = cells.get(LINE.name, "")
        seen[boat] = seen.get(boat, 0) + 1
        lines[boat, seen[boat]] = cells
    return lines


def _laid_out(part: str, lines: Mapping[_Place, Cells]) -> list[Cells]:
    """Return lines by place as a list; boats keep their line."""
    ordered = sorted(
        ((place, filled(cells)) for place, cells in lines.items()), key=lambda p: _order(p[0])
    )
    if LINE in PARTS[part].columns:
        return [cells for _, cells in ordered if cells]
    last = max((number for (_, number), _ in ordered), default=0)
    by_number = {number: cells for (_, number), cells in ordered}
    return [by_number.get(number, {}) for number in range(1, last + 1)]


def _order(place: _Place) -> tuple[int, str, int]:
    boat, number = place
    return (int(boat) if boat.isascii() and boat.isdigit() else -1, boat, number)


_BOAT = re.compile(r"-(\d{2,})$")
_FISH = re.compile(r"-F(\d+)$")


@dataclass(frozen=True, slots=True)
class StoredDay:
    """A site-day of the store beside the form: rows that would change, ids that are not on it."""

    n_boats: int
    n_changed: int
    n_added: int
    not_on_form: tuple[str, ...]


def stored_day(checked: CheckedForm, snapshot: Snapshot) -> StoredDay | None:
    """Return what the store has of a form's site-day; None where it has none."""
    rows = rows_of_sample(snapshot, checked.sample)
    if not rows["site_days"].num_rows:
        return None
    found = {
        name: changes(typed.data, rows[name], table=name)
        for name, typed in checked.checked.reading.tables.items()
        if name in rows and isinstance(typed, Incoming)
    }
    missing = {name: changes(one.slice(0, 0), one, table=name) for name, one in rows.items()}
    gone = [
        " ".join(key)
        for name in ("interviews", "fish", "bycatch")
        for key in found.get(name, missing[name]).gone
    ]
    return StoredDay(
        rows["interviews"].num_rows,
        sum(one.n_changed for one in found.values()),
        sum(len(one.added) for one in found.values()),
        tuple(gone),
    )


def as_form(snapshot: Snapshot, sample: str) -> DayForm | None:
    """Return a stored site-day as a form; None where its ids are not those that a form would make.

    Keyed again, the same ids come out, so that corrected rows take the place of the stored ones.
    """
    rows = rows_of_sample(snapshot, sample)
    boats: dict[int, Cells] = {}
    for row in rows["interviews"].to_pylist():
        line = _line(row["interview_id"], sample)
        if line is None:
            return None
        boats[line] = _cells("boats", row)
    fish = [(_number(row, sample), row) for row in rows["fish"].to_pylist()]
    if any(place is None for place, _ in fish) or not _is_in_turn([place for place, _ in fish]):
        return None
    form = DayForm().with_lines("site_day", [_cells("site_day", rows["site_days"].to_pylist()[0])])
    last = max(boats, default=0)
    form = form.with_lines("boats", [boats.get(line, {}) for line in range(1, last + 1)])
    placed = sorted(((place, row) for place, row in fish if place), key=lambda one: one[0])
    form = form.with_lines(
        "fish", [{LINE.name: str(line), **_cells("fish", row)} for (line, _), row in placed]
    )
    others = [(_line(row["interview_id"], sample), row) for row in rows["bycatch"].to_pylist()]
    return form.with_lines(
        "bycatch", [{LINE.name: str(line), **_cells("bycatch", row)} for line, row in others]
    )


def _cells(part: str, row: dict[str, Any]) -> Cells:
    names = [column.name for column in PARTS[part].columns if column.name != LINE.name]
    return filled({name: text_of(row[name]) for name in names})


def _line(interview: str, sample: str) -> int | None:
    found = _BOAT.fullmatch(interview.removeprefix(sample))
    return int(found[1]) if found else None


def _number(row: dict[str, Any], sample: str) -> tuple[int, int] | None:
    """Return the boat's line of a fish and its number there; None where its id says neither."""
    line = _line(row["interview_id"], sample)
    found = _FISH.fullmatch(row["fish_id"].removeprefix(row["interview_id"]))
    return (line, int(found[1])) if line is not None and found else None


def _is_in_turn(places: list[tuple[int, int] | None]) -> bool:
    """Whether the fish of every boat are numbered 1, 2, and on."""
    by_line: dict[int, list[int]] = {}
    for line, number in filter(None, places):
        by_line.setdefault(line, []).append(number)
    return all(sorted(some) == list(range(1, len(some) + 1)) for some in by_line.values())
