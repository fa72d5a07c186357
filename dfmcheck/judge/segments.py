"""Cuts the places into runs of one rule on one layer, and compares each with its limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.capability import Limit, Shop
from dfmcheck.judge.finding import Tightest
from dfmcheck.judge.limits import Copper, Floats, Rows, judged_values, limit_table
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Weight


def word_codes(column: npt.NDArray[Any]) -> tuple[Rows, list[str]]:
    """Number the words of a text column.

    Tables are mostly long runs of one word, so only the first of each run is looked up.

    >>> word_codes(np.array(["a", "a", "b", "a"], dtype=object))
    (array([0, 0, 1, 0]), ['a', 'b'])
    """
    if not len(column):
        return np.zeros(0, dtype=np.int64), []
    first = np.flatnonzero(np.concatenate([[True], column[1:] != column[:-1]]))
    known: dict[str, int] = {}
    codes = [known.setdefault(word, len(known)) for word in column[first]]
    lengths = np.diff(np.append(first, len(column)))
    return np.repeat(np.array(codes, dtype=np.int64), lengths), list(known)


def segments(places: Places) -> Iterator[tuple[str, str, Rows]]:
    """Rule, layer and row numbers of each run; every row comes exactly once."""
    rule, rule_names = word_codes(places["rule"])
    layer, layer_names = word_codes(places["layer"])
    if not len(rule):
        return
    code = rule * len(layer_names) + layer
    if len(rule_names) * len(layer_names) < 2**16:
        code = code.astype(np.uint16)  # small numbers sort by radix, in linear time
    order = np.argsort(code, kind="stable")
    ordered = code[order]
    cuts = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1], [True]]))
    for start, stop in pairwise(cuts):
        rule_no, layer_no = divmod(int(ordered[start]), len(layer_names))
        yield rule_names[rule_no], layer_names[layer_no], order[start:stop]


@dataclass(slots=True)
class Failing:
    """Equal-length columns of the places of one rule on one layer that fail the tier judged
    against."""

    rule: str
    layer: str
    row: Rows
    value: Floats  # as judged
    margin: Floats  # uncertainty and tolerance
    short: Floats  # how far past the limit of ``tier``, positive
    tier: Rows  # number of the most capable tier that fails
    fits: Rows  # number of the first tier that takes it, -1 for none
    past_all: npt.NDArray[np.bool_]  # fails every tier that has a limit
    limit: Floats  # of ``tier``
    wanted: Floats  # limit of the tier judged against


@dataclass(frozen=True, slots=True)
class Blocking:
    """Places of one rule on one layer that are past a limit of some tier."""

    rule: str
    layer: str
    row: Rows
    value: Floats  # as judged
    limits: Floats  # (tiers, rows)
    fails: npt.NDArray[np.bool_]  # (tiers, rows)


@dataclass(slots=True)
class Compared:
    """What comparing gives, before clustering."""

    failing: list[Failing] = field(default_factory=list)
    blocking: list[Blocking] = field(default_factory=list)
    tightest: list[Tightest] = field(default_factory=list)
    kept_out: dict[str, dict[str, int]] = field(default_factory=dict)  # tier → rule → places
    no_number: dict[str, int] = field(default_factory=dict)  # rule → places without a value
    no_limit: dict[str, int] = field(default_factory=dict)  # rule → places without a limit
    judged: set[str] = field(default_factory=set)


def compare(
    places: Places, shop: Shop, tier: str, copper: Copper, rules: Mapping[str, Rule]
) -> Compared:
    """Compare every place with the limits of every tier."""
    out = Compared(kept_out={name: {} for name in shop.tiers})
    chosen = shop.tiers.index(tier)
    for id_, layer, rows in segments(places):
        rule = rules.get(id_)
        if rule is None:
            out.no_limit[id_] = out.no_limit.get(id_, 0) + len(rows)
            continue
        value, margin = judged_values(rule, shop, places, rows)
        sign = 1.0 if rule.direction == "at-least" else -1.0
        unknown = np.isnan(value)
        if unknown.any():
            out.no_number[id_] = out.no_number.get(id_, 0) + int(unknown.sum())
        limit = shop.limits.get(id_)
        tight = _tightest(rule, layer, places, rows, value, margin, sign)
        if tight is not None:
            at, entry = tight
            out.tightest.append(
                _against(entry, margin[at], limit, shop, chosen, places, rows[at], copper)
            )
        if limit is None:
            out.no_limit[id_] = out.no_limit.get(id_, 0) + len(rows)
            continue
        if limit.values.get(tier) is None:
            lacking = np.isnan(limit_table(limit, (tier,), places, rows, copper)[0])
            if lacking.any():
                out.no_limit[id_] = out.no_limit.get(id_, 0) + int(lacking.sum())
            if not lacking.all():
                out.judged.add(id_)
        else:
            out.judged.add(id_)
        bounds = limit.all_values()
        if not bounds:
            continue
        # cheap first: most places are past no limit of any tier under any condition
        loosest = max(sign * bound for bound in bounds)
        some = np.flatnonzero(sign * value < loosest - margin)
        if len(some):
            _collect(out, shop, chosen, places, rule, layer, limit, sign, copper,
                     rows[some], value[some], margin[some])  # fmt: skip
    return out


def _collect(
    out: Compared, shop: Shop, chosen: int, places: Places, rule: Rule, layer: str, limit: Limit,
    sign: float, copper: Copper, rows: Rows, value: Floats, margin: Floats,
) -> None:  # fmt: skip
    table = limit_table(limit, shop.tiers, places, rows, copper)
    fails = sign * value < sign * table - margin  # False where NaN: that tier is not judged
    # A note keeps no job out of a tier.
    counts = rule.weight > Weight.NOTE
    if counts and fails.any():
        out.blocking.append(Blocking(rule.id, layer, rows, value, table, fails))
    for name, count in zip(shop.tiers, fails.sum(axis=1).tolist(), strict=True):
        if counts and count:
            kept = out.kept_out[name]
            kept[rule.id] = kept.get(rule.id, 0) + count
    pick = np.flatnonzero(fails[chosen])
    if not len(pick):
        return
    table, fails, value = table[:, pick], fails[:, pick], value[pick]
    _show_failing(out, places, rows[pick], value, table[chosen], margin[pick], sign)
    last = len(shop.tiers) - 1 - np.argmax(fails[::-1], axis=0)
    takes = ~fails & ~np.isnan(table)
    taken = np.asarray(takes.any(axis=0))
    reached = table[last, np.arange(len(pick))]
    out.failing.append(
        Failing(
            rule=rule.id,
            layer=layer,
            row=rows[pick],
            value=value,
            margin=margin[pick],
            short=sign * (reached - value),
            tier=last,
            fits=np.where(taken, np.argmax(takes, axis=0), -1),
            past_all=~taken,
            limit=reached,
            wanted=table[chosen],
        )
    )


def _show_failing(
    out: Compared, places: Places, rows: Rows, value: Floats, bound: Floats, margin: Floats,
    sign: float,
) -> None:  # fmt: skip
    """Where conditions give several limits, the tightest value may meet its own while a larger
    one fails: then the place that fails by most stands for the layer."""
    last = out.tightest[-1]
    if last.limit is not None and sign * last.value < sign * last.limit and not last.at_limit:
        return
    x, y = (places[name][rows] for name in "xy")
    past = (sign * (bound - value)).round(9)
    at = int(np.lexsort((x.round(4), y.round(4), -past))[0])
    out.tightest[-1] = Tightest(
        rule=last.rule, layer=last.layer, value=float(value[at]), unit=last.unit,
        x=float(x[at]), y=float(y[at]), uncertainty=float(places["uncertainty"][rows[at]]),
        limit=float(bound[at]), at_limit=bool(abs(value[at] - bound[at]) <= margin[at]),
    )  # fmt: skip


def _tightest(
    rule: Rule, layer: str, places: Places, rows: Rows, value: Floats, margin: Floats, sign: float
) -> tuple[int, Tightest] | None:
    score = sign * value
    best = np.fmin.reduce(score)
    if np.isnan(best):
        return None
    ties = np.flatnonzero(score <= best + 1e-9)
    if len(ties) > 1:  # of equal values the leftmost, lowest: the same whatever the row order
        x, y = places["x"][rows[ties]], places["y"][rows[ties]]
        ties = ties[np.lexsort((places["uncertainty"][rows[ties]], y.round(4), x.round(4)))]
    at = int(ties[0])
    row = rows[at]
    return at, Tightest(
        rule=rule.id,
        layer=layer,
        value=float(value[at]),
        unit=rule.unit,
        x=float(places["x"][row]),
        y=float(places["y"][row]),
        uncertainty=float(places["uncertainty"][row]),
    )


def _against(
    entry: Tightest, margin: float, limit: Limit | None, shop: Shop, chosen: int,
    places: Places, row: Any, copper: Copper,
) -> Tightest:  # fmt: skip
    if limit is None:
        return entry
    bound = float(limit_table(limit, shop.tiers, places, np.array([row]), copper)[chosen, 0])
    if np.isnan(bound):
        return entry
    return Tightest(
        rule=entry.rule, layer=entry.layer, value=entry.value, unit=entry.unit, x=entry.x,
        y=entry.y, uncertainty=entry.uncertainty, limit=bound,
        at_limit=abs(entry.value - bound) <= margin,
    )  # fmt: skip
