"""All packages of a data set judged at once, column by column.

Limits, allowances and conditions are applied by the functions that judge one package
(:mod:`dfmcheck.judge`), over the places of all packages together; what concerns a package as a
whole (its defects, what was not measured) goes through them package by package. So the verdict
of every package is the one `dfmcheck judge` gives; a test compares them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from dfmcheck.capability import Limit, Shop
from dfmcheck.fleet.dataset import JOBS, PLACES, SCREENED, Dataset, damaged, screening_of
from dfmcheck.judge.defects import assumption_findings, defect_findings
from dfmcheck.judge.judging import doubts_of, tier_fit
from dfmcheck.judge.limits import (
    Copper,
    judged_values,
    limit_by_copper,
    limit_entries,
    limit_values,
)
from dfmcheck.judge.segments import Compared
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Weight

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

Column = npt.NDArray[Any]
_TEXT = ("rule", "position", "kind")
_NUMBERS = ("value", "uncertainty", "hole", "depth", "volts", "plated")
# folders are named by customer, but what they tell is in the files themselves
_FILES = "read_parquet($files, hive_partitioning = false)"
# rows of older data sets have fewer columns
_JOB_FILES = "read_parquet($files, hive_partitioning = false, union_by_name = true)"
_BATCH = 3_000_000
"""Places looked at together; memory stays below about a gigabyte."""


@dataclass(frozen=True, slots=True)
class Group:
    """Equal-length columns: places of one job, rule, entry of its limit, and weight.

    ``need`` is the value that a limit, seen from the side of what passes, must not be above:
    a limit ``v`` takes all places of the group where ``need >= v`` for a rule whose value must
    be at least ``v``, ``need >= -v`` for one whose value must be at most ``v``.
    """

    job: Column
    rule: Column  # number in ``Judged.rules``
    entry: Column  # 0 the base values, n the nth variant
    mild: Column
    need: Column
    fails: Column  # (tiers, groups) places that fail
    hold: Column
    query: Column
    note: Column


@dataclass(slots=True)
class Judged:
    """Every job with its verdict, and why.

    ``data`` lists (job, rule, severity, places) of findings about the data; ``fits`` tells for
    each tier and job whether the tier takes it; ``short`` lists (job, tier number, rule) not
    measured far enough.
    """

    rows: list[dict[str, Any]]  # of ``jobs``
    rules: tuple[str, ...]
    groups: Group
    verdict: list[str] = field(default_factory=list)
    doubts: list[list[str]] = field(default_factory=list)
    data: list[tuple[int, str, str, int]] = field(default_factory=list)
    fits: Column = field(default_factory=lambda: np.zeros((0, 0), dtype=bool))
    short: list[tuple[int, int, str]] = field(default_factory=list)


def judge_all(
    store: Dataset, shop: Shop, tier: str, rules: Mapping[str, Rule], con: DuckDBPyConnection
) -> Judged:
    """Judge every package of a data set.

    Raises
    ------
    UsageError
        A file of the data set cannot be read.
    """
    rows = _rows(store, con)
    copper = [Copper.of(_facts(row), None) for row in rows]
    names = tuple(rules)
    parts: list[Group] = []
    told: list[Compared] = [Compared(kept_out={t: {} for t in shop.tiers}) for _ in rows]
    for job, table in _batches(store, rows, con):
        for id_, at in _runs(table["rule"]):
            rule = rules.get(id_)
            if rule is not None:
                number = names.index(id_)
                part = _group(rule, number, shop, tier, table, at, job[at], copper, told)
                if part is not None:
                    parts.append(part)
    out = Judged(rows, names, _joined(parts, len(shop.tiers)))
    _tell_kept_out(out.groups, shop, rules, names, told)
    _conclude(out, shop, tier, rules, copper, told)
    return out


# -- reading -----------------------------------------------------------------------------


def _rows(store: Dataset, con: DuckDBPyConnection) -> list[dict[str, Any]]:
    table = _read(
        con,
        store.files(JOBS),
        f"select * from {_JOB_FILES} order by package",
        {},
    )
    rows: list[dict[str, Any]] = table.to_pylist() if table is not None else []
    for row in rows:
        row["reach"] = dict(row["reach"])
    return rows


def _batches(
    store: Dataset, rows: list[dict[str, Any]], con: DuckDBPyConnection
) -> Iterator[tuple[Column, Places]]:
    """Job number of every place, and the columns that judging looks at."""
    number = {row["key"]: n for n, row in enumerate(rows)}
    wanted = [file for file in store.files(PLACES) if file.stem in number]
    there = {file.stem for file in wanted}
    for row in rows:
        if row["places"] and row["key"] not in there:
            lost = store.root / PLACES / f"{row['key']}.parquet"
            raise damaged(lost, ValueError(f"the places of {row['package']} are not there"))
    columns = ", ".join((*_TEXT, *_NUMBERS))
    batch: list[Path] = []
    size = 0
    for n, file in enumerate(wanted, start=1):
        batch.append(file)
        size += rows[number[file.stem]]["places"] or 0
        if size < _BATCH and n < len(wanted):
            continue
        keys = [file.stem for file in batch]
        query = (
            f"select k.at, {columns} from {_FILES} p join (select unnest($keys) as key, "
            "generate_subscripts($keys, 1) - 1 as at) k using (key)"
        )
        table = _read(con, batch, query, {"keys": keys})
        at = table.column("at").to_numpy().astype(np.int64)
        found = np.bincount(at, minlength=len(keys))
        for file_, key, count in zip(batch, keys, found.tolist(), strict=True):
            if count != (rows[number[key]]["places"] or 0):
                raise damaged(file_, ValueError(f"{count} places where its row tells another sum"))
        yield np.array([number[key] for key in keys], dtype=np.int64)[at], _places(table)
        batch, size = [], 0


def _read(con: DuckDBPyConnection, files: list[Path], query: str, more: dict[str, Any]) -> Any:
    """An Arrow table of the files, None where there are none; UsageError names a bad one."""
    import duckdb
    import pyarrow.parquet as parquet

    if not files:
        return None
    given = {"files": [str(file) for file in files], **more}
    try:
        return con.sql(query, params=given).to_arrow_table()
    except duckdb.Error as error:
        for file in files:
            try:
                parquet.ParquetFile(file).read()
            except Exception as reason:
                raise damaged(file, reason) from error
        raise damaged(files[0].parent, error) from error


def _places(table: Any) -> Places:
    columns: dict[str, Column] = {}
    for name in _TEXT:
        coded = table.column(name).combine_chunks().dictionary_encode()
        words = np.array([*coded.dictionary.to_pylist(), ""], dtype=object)[:-1]
        columns[name] = words[coded.indices.to_numpy(zero_copy_only=False)]
    for name in _NUMBERS:
        columns[name] = table.column(name).to_numpy()
    return Places(columns)


# -- comparing ---------------------------------------------------------------------------


def _runs(column: Column) -> Iterator[tuple[str, Column]]:
    """Rows of each rule."""
    from dfmcheck.judge.segments import word_codes

    code, names = word_codes(column)
    order = np.argsort(code.astype(np.uint16), kind="stable")
    cuts = np.flatnonzero(np.diff(code[order], prepend=-1, append=-1))
    for start, stop in pairwise(cuts):
        yield names[int(code[order[start]])], order[start:stop]


def _group(
    rule: Rule, number: int, shop: Shop, tier: str, places: Places, rows: Column, job: Column,
    copper: list[Copper], told: list[Compared],
) -> Group | None:  # fmt: skip
    value, margin = judged_values(rule, shop, places, rows)
    for n, count in _counts(job[np.isnan(value)]):
        told[n].no_number[rule.id] = count
    limit = shop.limits.get(rule.id)
    if limit is None:
        return None
    chosen = shop.tiers.index(tier)
    entry = _entries(limit, places, rows, job, copper)
    table = limit_values(limit, shop.tiers)[:, entry]
    for n, _ in _counts(
        job if limit.values.get(tier) is not None else job[~np.isnan(table[chosen])]
    ):
        told[n].judged.add(rule.id)
    sign = 1.0 if rule.direction == "at-least" else -1.0
    fails = sign * value < sign * table - margin
    past_all = ~(~fails & ~np.isnan(table)).any(axis=0)
    mild = _is(places["kind"][rows], rule.mild)
    weight = rule.weight if limit.weight is None else limit.weight
    failing = fails[chosen]
    heavy = failing & past_all & ~mild & (weight == Weight.HOLD)
    code = (job * (int(entry.max()) + 1) + entry) * 2 + mild
    _, first, group = np.unique(code, return_index=True, return_inverse=True)
    need = np.full(len(first), np.inf)
    np.fmin.at(need, group, sign * value + margin)

    def per_group(rows_: Column) -> Column:
        return np.bincount(group[rows_], minlength=len(first))

    light = failing & ~heavy
    nothing = np.zeros(len(first), dtype=np.int64)
    return Group(
        job[first], np.full(len(first), number), entry[first], mild[first], need,
        np.array([per_group(one) for one in fails]), per_group(heavy),
        per_group(light) if weight > Weight.NOTE else nothing,
        per_group(light) if weight == Weight.NOTE else nothing,
    )  # fmt: skip


def _entries(
    limit: Limit, places: Places, rows: Column, job: Column, copper: list[Copper]
) -> Column:
    """Entry of the limit that governs each place; copper differs from job to job."""
    if not limit_by_copper(limit):
        return limit_entries(limit, places, rows, Copper(np.nan, np.nan))
    kinds = {(str(c.outer), str(c.inner)): c for c in copper}
    names = list(kinds)
    of_job = np.array([names.index((str(c.outer), str(c.inner))) for c in copper])[job]
    out = np.zeros(len(rows), dtype=np.int64)
    for n, name in enumerate(names):
        mine = np.flatnonzero(of_job == n)
        if len(mine):
            out[mine] = limit_entries(limit, places, rows[mine], kinds[name])
    return out


def _is(column: Column, words: tuple[str, ...]) -> Column:
    hit = np.zeros(len(column), dtype=bool)
    for word in words:
        hit |= column == word
    return hit


def _counts(jobs: Column) -> Iterator[tuple[int, int]]:
    numbers, counts = np.unique(jobs, return_counts=True)
    yield from zip(numbers.tolist(), counts.tolist(), strict=True)


def _joined(parts: list[Group], tiers: int) -> Group:
    if not parts:
        nothing = np.zeros(0, dtype=np.int64)
        none = np.zeros((tiers, 0), dtype=np.int64)
        return Group(
            nothing, nothing, nothing, nothing > 0, nothing * 1.0, none, nothing, nothing, nothing
        )
    return Group(
        *(np.concatenate([getattr(part, f.name) for part in parts], axis=-1) for f in fields(Group))
    )


# -- concluding --------------------------------------------------------------------------


def _tell_kept_out(
    groups: Group, shop: Shop, rules: Mapping[str, Rule], names: tuple[str, ...],
    told: list[Compared],
) -> None:  # fmt: skip
    counts = np.array([rules[id_].weight > Weight.NOTE for id_ in names])[groups.rule]
    for tier, fails in zip(shop.tiers, groups.fails, strict=True):
        for at in np.flatnonzero((fails > 0) & counts).tolist():
            kept = told[int(groups.job[at])].kept_out[tier]
            id_ = names[int(groups.rule[at])]
            kept[id_] = kept.get(id_, 0) + int(fails[at])


def _conclude(
    out: Judged, shop: Shop, tier: str, rules: Mapping[str, Rule], copper: list[Copper],
    told: list[Compared],
) -> None:  # fmt: skip
    n = len(out.rows)
    hold = np.bincount(out.groups.job, out.groups.hold, minlength=n) > 0
    query = np.bincount(out.groups.job, out.groups.query, minlength=n) > 0
    out.fits = np.zeros((len(shop.tiers), n), dtype=bool)
    for job, row in enumerate(out.rows):
        if row["state"] != SCREENED:
            out.verdict.append(row["verdict"] or "")
            out.doubts.append([])
            continue
        screening = screening_of(row, Places.empty())
        findings = defect_findings(screening.defects, rules)
        findings += assumption_findings(screening.assumptions, rules)
        out.data += [(job, one.rule, one.severity, one.count) for one in findings]
        doubts = doubts_of(screening, shop, tier, told[job], copper[job], rules)
        weights = {one.severity for one in findings}
        if hold[job] or "hold" in weights:
            out.verdict.append("hold")
        else:
            asks = query[job] or "query" in weights or bool(doubts)
            out.verdict.append("query" if asks else "release")
        out.doubts.append(doubts)
        for number, name in enumerate(shop.tiers):
            fit = tier_fit(name, screening, shop, told[job], ())
            out.fits[number, job] = fit.fits
            out.short += [(job, number, id_) for id_, count in fit.places.items() if not count]


def _facts(row: dict[str, Any]) -> Any:
    import json
    from types import SimpleNamespace

    facts = json.loads(row["facts"]) if row["facts"] else {}
    return SimpleNamespace(
        outer_copper_um=facts.get("outer_copper_um"), inner_copper_um=facts.get("inner_copper_um")
    )
