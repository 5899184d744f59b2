"""The baseline of a season as the kept table `draws`, and back."""

from __future__ import annotations

import json
from datetime import date
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.catch_limits import join_words, nouns, split_list
from analytics.codes import sentences
from analytics.errors import UsageError
from analytics.options.baseline import PARTS, Baseline, Limit, Rules
from analytics.options.schemas import DRAW_SCHEMA
from analytics.weeks import days_from

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float32]
    Row = tuple[str, dict[str, Any], NDArray[Any]]

ABOUT = "about"
_RULES = ("is_open", "min_length_mm", "daily_limit_fish", "is_mark_selective")
_NAMED = ("to_date", "class_per_fish")
_LABELS = ("key", "area", "method", "week", "day")
_NONE = np.zeros(0, dtype=np.float32)


def to_table(baseline: Baseline) -> pa.Table:
    """Return a baseline as the table `draws`.

    Returns
    -------
    pyarrow.Table
        In `DRAW_SCHEMA`, values in single precision.
    """
    rows = list(_rows(baseline))
    values = [np.asarray(one, dtype=np.float32).ravel() for _, _, one in rows]
    offsets = np.concatenate([[0], np.cumsum([len(one) for one in values])])
    columns = [pa.array([array for array, _, _ in rows], pa.string())]
    columns += [
        pa.array([labels.get(name) for _, labels, _ in rows], DRAW_SCHEMA.field(name).type)
        for name in _LABELS
    ]
    flat = pa.array(np.concatenate([_NONE, *values]), pa.float32())
    columns.append(pa.ListArray.from_arrays(pa.array(offsets, pa.int32()), flat))
    return pa.Table.from_arrays(columns, schema=DRAW_SCHEMA)


def from_table(draws: pa.Table) -> Baseline:
    """Return the baseline of a kept table `draws`.

    Parameters
    ----------
    draws : pyarrow.Table
        As `to_table` makes it.

    Raises
    ------
    UsageError
        If the table holds no draws.
    """
    kept = _Kept(draws)
    about = kept.about()
    areas, methods, weeks = (tuple(about[one]) for one in ("areas", "methods", "weeks"))
    first = date.fromisoformat(about["first_day"] or about["through"])
    days = days_from(first, about["n_days"])
    at = {"area": areas, "method": methods, "week": weeks, "day": _dates(days), "key": PARTS}
    stacked = partial(kept.stacked, at=at, n_draws=about["n_draws"])
    return Baseline(
        season=about["season"],
        through=date.fromisoformat(about["through"]),
        areas=areas,
        methods=methods,
        weeks=weeks,
        days=days,
        week=np.array(about["week"], dtype=np.int64),
        rules=kept.rules("rules", len(areas), len(days)),
        rules_to_date=kept.rules("so_far", len(areas), 1),
        to_date=kept.named("to_date", areas),
        by_method=stacked("by_method", ("area", "method", "key")),
        deep_hook_share=stacked("deep", ("area", "method")),
        effort=stacked("effort", ("area", "day")),
        rate=stacked("rate", ("area", "week")),
        sublegal=stacked("sublegal", ("area", "week")),
        class_per_fish=kept.named("class_per_fish", areas),
        uncapped_mean=stacked("wanted_mean", ("area",)),
        uncapped_size=kept.of("wanted_size")[0][1],
        party_size_share=np.stack([one for _, one in kept.of("party")]).astype(np.float64),
        rates=tuple(json.loads(labels["key"]) for labels, _ in kept.of("rates")),
        drop_off_rates=tuple(json.loads(labels["key"]) for labels, _ in kept.of("lost")),
        normal={labels["key"]: one for labels, one in kept.of("normal")},
        lengths={
            (labels["area"], labels["key"]): one.astype(np.float64)
            for labels, one in kept.of("lengths")
        },
        level=about["level"],
        marked_prop=stacked("marked_prop", ("area",)) if kept.of("marked_prop") else None,
    )


def _dates(days: NDArray[np.datetime64]) -> list[date]:
    return [day.astype(object) for day in days]


def _rows(b: Baseline) -> Iterator[Row]:
    """Yield the name, the labels and the values of every row of the table."""
    yield ABOUT, {"key": json.dumps(_about(b))}, _NONE
    for name, rules in (("rules", b.rules), ("so_far", b.rules_to_date)):
        for field in _RULES:
            for area, values in zip(b.areas, getattr(rules, field), strict=True):
                yield name, {"key": field, "area": area}, values
    for name in _NAMED:
        named: Mapping[str, Floats] = getattr(b, name)
        for key, table in named.items():
            for place, area in enumerate(b.areas):
                yield name, {"key": key, "area": area}, table[:, place]
    yield from _of_areas(b)
    yield from _of_keys(b)


def _of_areas(b: Baseline) -> Iterator[Row]:
    """Yield the rows of each area with their other labels."""
    axes: dict[str, tuple[str, Sequence[Any], Floats]] = {
        "deep": ("method", b.methods, b.deep_hook_share),
        "effort": ("day", _dates(b.days), b.effort),
        "rate": ("week", b.weeks, b.rate),
        "sublegal": ("week", b.weeks, b.sublegal),
    }
    for place, area in enumerate(b.areas):
        for at, method in enumerate(b.methods):
            for part, key in enumerate(PARTS):
                labels = {"key": key, "area": area, "method": method}
                yield "by_method", labels, b.by_method[:, place, at, part]
        for name, (label, items, values) in axes.items():
            for at, item in enumerate(items):
                yield name, {"area": area, label: item}, values[:, place, at]
        yield "wanted_mean", {"area": area}, b.uncapped_mean[:, place]
        yield "party", {"area": area}, b.party_size_share[place]
        if b.marked_prop is not None:
            yield "marked_prop", {"area": area}, b.marked_prop[:, place]


def _of_keys(b: Baseline) -> Iterator[Row]:
    """Yield the rows that no area, day or method holds, and lengths."""
    yield "wanted_size", {}, b.uncapped_size
    for name, rows in (("rates", b.rates), ("lost", b.drop_off_rates)):
        for row in rows:
            yield name, {"key": json.dumps(dict(row))}, _NONE
    for key, values in b.normal.items():
        yield "normal", {"key": key}, values
    for (area, key), lengths in b.lengths.items():
        yield "lengths", {"key": key, "area": area}, lengths


def _about(b: Baseline) -> dict[str, Any]:
    return {
        "season": b.season,
        "through": b.through.isoformat(),
        "level": b.level,
        "areas": b.areas,
        "methods": b.methods,
        "weeks": b.weeks,
        "first_day": str(b.days[0]) if len(b.days) else None,
        "n_days": len(b.days),
        "n_draws": len(b.uncapped_size),
        "week": b.week.tolist(),
    }


class _Kept:
    """The rows of a table of draws, by the name of their array."""

    def __init__(self, draws: pa.Table) -> None:
        table = draws.combine_chunks()
        lists = table["values"].combine_chunks()
        # A chunked array of one chunk, or of none, keeps its own type.
        lists = lists.chunk(0) if isinstance(lists, pa.ChunkedArray) and lists.num_chunks else lists
        labels = table.select(list(_LABELS)).to_pylist()
        values = lists.values.to_numpy() if len(labels) else _NONE
        ends = lists.offsets.to_pylist() if len(labels) else [0]
        self._rows: dict[str, list[tuple[dict[str, Any], Floats]]] = {}
        for place, array in enumerate(table["array"].to_pylist()):
            part = values[ends[place] : ends[place + 1]]
            self._rows.setdefault(array, []).append((labels[place], part))

    def about(self) -> dict[str, Any]:
        """Return the labels and sizes of all arrays."""
        if ABOUT not in self._rows:
            raise UsageError(
                "the bulletin keeps no draws of its season; make it again with blackmouth bulletin"
            )
        found: dict[str, Any] = json.loads(self._rows[ABOUT][0][0]["key"])
        return found

    def of(self, array: str) -> list[tuple[dict[str, Any], Floats]]:
        """Return the labels and values of one array, in the order kept."""
        return self._rows.get(array, [])

    def named(self, array: str, areas: Sequence[str]) -> dict[str, Floats]:
        """Return tables (D, A) by key."""
        keys = dict.fromkeys(labels["key"] for labels, _ in self.of(array))
        by_place = {(labels["key"], labels["area"]): one for labels, one in self.of(array)}
        return {key: np.stack([by_place[key, area] for area in areas], axis=1) for key in keys}

    def stacked(
        self, array: str, axes: tuple[str, ...], at: Mapping[str, Sequence[Any]], n_draws: int
    ) -> Floats:
        """Return an array (D, ...) whose other axes are labels."""
        places = {axis: {word: place for place, word in enumerate(at[axis])} for axis in axes}
        found = np.full((*(len(at[axis]) for axis in axes), n_draws), np.nan, dtype=np.float32)
        for labels, values in self.of(array):
            found[tuple(places[axis][labels[axis]] for axis in axes)] = values
        return np.ascontiguousarray(np.moveaxis(found, -1, 0))

    def rules(self, array: str, n_areas: int, n: int) -> Rules:
        """Return rules (A, N)."""
        rows = self.of(array)
        found = {
            field: np.array([one for labels, one in rows if labels["key"] == field])
            for field in _RULES
        }
        table = {field: one.reshape(n_areas, n) for field, one in found.items()}
        return Rules(
            is_open=table["is_open"] > 0,
            min_length_mm=table["min_length_mm"].astype(np.float64),
            daily_limit_fish=table["daily_limit_fish"].astype(np.float64),
            is_mark_selective=table["is_mark_selective"] > 0,
        )


# Limits as a bulletin keeps them.


def limits_of(
    status: pa.Table, area_name: Callable[[str], str] = str
) -> tuple[tuple[Limit, ...], tuple[str, ...]]:
    """Return the limits of a `limit_status` that can be compared, and in words which cannot."""
    limits, left_out = [], []
    for row in status.to_pylist():
        if row["estimate"] is None or row["limit_fish"] is None:
            reason = sentences(row["reason"], area_name) or "it has no estimate"
            where = join_words([area_name(one) for one in split_list(row["areas"])])
            named = f"{row['limit_id']}, {nouns(split_list(row['quantity']))} in {where},"
            left_out.append(f"limit {named} is not compared: {reason}")
            continue
        limits.append(limit_of(row))
    return tuple(limits), tuple(left_out)


def limit_of(row: Mapping[str, Any]) -> Limit:
    """Return the limit of a row of `limits` or of `limit_status`."""
    areas, quantities = split_list(row["areas"]), split_list(row["quantity"])
    return Limit(row["limit_id"], areas, quantities, float(row["limit_fish"]))


def passed_already(status: pa.Table) -> dict[str, float | None]:
    """Return the chance that the total so far is over each limit, from a `limit_status`."""
    return {row["limit_id"]: row["prob_exceeded_to_date"] for row in status.to_pylist()}
