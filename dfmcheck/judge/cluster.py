"""Failing places become findings: one per spot, one per row of identical spots."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.capability import Shop
from dfmcheck.judge.chains import chains
from dfmcheck.judge.finding import Finding, Source
from dfmcheck.judge.limits import Rows
from dfmcheck.judge.message import (
    UNNAMED,
    fingerprint,
    kind_words,
    measured_sentence,
    natural,
    rounded,
)
from dfmcheck.judge.segments import Failing, word_codes
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Weight

REACH = 1.0
"""Places this near each other (mm), of one rule, layer and tier, are one spot."""

ALIKE = 6
"""So many spots alike in kind and value on a layer are one finding: a row of equal lands."""

SAME_VALUE = 1e-3
"""Values no further apart than this (mm, or the rule's unit) count as identical."""

FLOOD = 20
"""So many spots alike in kind on a layer are one finding whatever their values: nobody reads
885 findings about one habit of the layout, but everybody reads the worst and the list."""


def findings_of(
    failing: Sequence[Failing], places: Places, shop: Shop, tier: str, rules: Mapping[str, Rule]
) -> list[Finding]:
    """Cluster the failing places and write a finding for each cluster."""
    if not failing:
        return []
    one = Failing(
        *(np.concatenate([getattr(part, f.name) for part in failing]) for f in fields(Failing))
    )
    taken = places.take(one.row)
    rank = _rank(one, taken)
    layer = _layer_codes(one, rules)
    kinds = _numbered(
        word_codes(one.rule)[0], layer,
        taken["group"], one.tier, one.past_all, _mild(one, taken, rules),
    )  # fmt: skip
    x = (taken["x"] + taken["x2"]) / 2
    y = (taken["y"] + taken["y2"]) / 2
    # Points without a place are one chain.
    x = np.where(taken["group"] <= WHOLE_LAYER, np.nan, x)
    label = _alike(chains(kinds, x, y, REACH), one, layer, taken, rank)
    return [
        _finding(one, taken, at, rows, shop, tier, rules) for at, rows in _clusters(label, rank)
    ]


def _layer_codes(one: Failing, rules: Mapping[str, Rule]) -> Rows:
    """A number per layer; all layers of a rule of holes that go through them have the same."""
    code = word_codes(one.layer)[0].astype(np.int64)
    id_, ids = word_codes(one.rule)
    through = np.array([rules[name].through for name in ids], dtype=bool)
    return np.where(through[id_], -1, code)


def _mild(one: Failing, taken: Places, rules: Mapping[str, Rule]) -> npt.NDArray[np.bool_]:
    """Places that weigh a query at most: they must not hide a heavier one in their spot."""
    kind, kinds = word_codes(taken["kind"])
    id_, ids = word_codes(one.rule)
    table = np.array([[word in rules[name].mild for word in kinds] for name in ids], dtype=bool)
    return np.asarray(table[id_, kind], dtype=bool)


def _rank(one: Failing, taken: Places) -> Rows:
    """Position of each row in an order that depends on the rows only: worst first, then by
    place. Coarser than a nanometre nothing counts, so a shifted datum ranks alike."""
    keys: list[npt.NDArray[Any]] = [
        sorted_words(taken[name]) for name in ("file_b", "file_a", "net_b", "net_a", "kind")
    ]
    keys += [taken[name] for name in ("line_b", "line_a", "code_b", "code_a", "group")]
    keys += [taken[name].round(4) for name in ("y2", "x2", "y", "x")]
    keys.append(-one.short.round(6))
    rank = np.empty(len(one.row), dtype=np.int64)
    rank[np.lexsort(keys)] = np.arange(len(one.row))
    return rank


def sorted_words(column: npt.NDArray[Any]) -> Rows:
    """Numbers of words that sort as the words do, whatever the order of the rows.

    >>> sorted_words(np.array(["b", "a", "b"], dtype=object)).tolist()
    [1, 0, 1]
    """
    codes, words = word_codes(column)
    place = np.empty(len(words), dtype=np.int64)
    place[sorted(range(len(words)), key=words.__getitem__)] = np.arange(len(words))
    return place[codes]


def _numbered(*columns: npt.NDArray[Any]) -> Rows:
    """One number per distinct combination of the columns."""
    code = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        index = np.unique(column, return_inverse=True)[1]
        code = np.unique(code * (int(index.max()) + 1) + index, return_inverse=True)[1]
    return code.astype(np.int64)


def _clusters(label: Rows, rank: Rows) -> Iterator[tuple[int, Rows]]:
    """Leading row (the worst) and all rows of each cluster, in order of their leaders."""
    order = np.lexsort((rank, label))
    cuts = np.flatnonzero(np.diff(label[order], prepend=-1, append=-1))
    for start, stop in pairwise(cuts):
        yield int(order[start]), order[start:stop]


def _alike(label: Rows, one: Failing, layer: Rows, taken: Places, rank: Rows) -> Rows:
    """Give the same label to clusters whose worst places are alike, where there are many: to
    those of one value first, then to all of a kind when too many are still left."""
    order = np.lexsort((rank, label))
    head = order[np.flatnonzero(np.diff(label[order], prepend=-1))]
    if len(head) < ALIKE:
        return label
    kind = _numbered(
        word_codes(one.rule[head])[0], layer[head],
        word_codes(taken["kind"][head])[0], one.tier[head], one.past_all[head],
        one.limit[head].round(6),
    )  # fmt: skip
    value = one.value[head]
    by_value = np.lexsort((value, kind))
    new = np.diff(kind[by_value], prepend=-1) != 0
    new |= np.diff(value[by_value], prepend=-np.inf) > SAME_VALUE
    family = np.empty(len(head), dtype=np.int64)
    family[by_value] = np.cumsum(new) - 1
    many = np.bincount(family)[family] >= ALIKE
    merged = np.where(many, family + len(label), label[head])
    pairs = np.unique(np.stack([kind, merged]), axis=1)
    flood = np.bincount(pairs[0])[kind] >= FLOOD
    merged = np.where(flood, kind + 2 * len(label), merged)
    to = np.empty(int(label.max()) + 1, dtype=np.int64)
    to[label[head]] = merged
    return to[label]


def _finding(
    one: Failing, taken: Places, at: int, rows: Rows, shop: Shop, tier: str,
    rules: Mapping[str, Rule],
) -> Finding:  # fmt: skip
    rule = rules[str(one.rule[at])]
    layer = str(one.layer[at])
    others = tuple(sorted(set(one.layer[rows].tolist()) - {layer}, key=natural))
    heaviest = shop.limits[rule.id].weight
    weight = rule.weight if heaviest is None else heaviest
    if not one.past_all[at] or str(taken["kind"][at]) in rule.mild:
        weight = min(weight, Weight.QUERY)
    nets = tuple(sorted({str(taken["net_a"][at]), str(taken["net_b"][at])} - {""}))
    value, limit = float(one.value[at]), float(one.limit[at])
    x, y, x2, y2 = (float(taken[name][at]) for name in ("x", "y", "x2", "y2"))
    placed = bool(np.isfinite([x, y]).all())
    fails = shop.tiers[int(one.tier[at])]
    fits = "" if one.fits[at] < 0 else shop.tiers[int(one.fits[at])]
    # A ratio and the length it was made of are not to be compared.
    told = value if rule.allowance == "foil" else float(taken["value"][at])
    return Finding(
        rule=rule.id,
        step=str(rule.step),
        severity=weight.name.lower(),
        layer=layer,
        nets=nets,
        x=x if placed else None,
        y=y if placed else None,
        bbox=_bbox(taken, rows),
        line=(x, y, x2, y2) if placed and np.isfinite([x2, y2]).all() else None,
        measured=value,
        raw=told,
        uncertainty=float(taken["uncertainty"][at]),
        limit=limit,
        unit=rule.unit,
        tier=fails,
        fits=fits,
        count=len(rows),
        fingerprint=fingerprint(
            rule.id, layer, rounded(value, 3), rounded(x, 2), rounded(y, 2),
            *(net for net in nets if not UNNAMED.fullmatch(net)),
        ),
        message=measured_sentence(
            rule.quantity, rule.unit, rule.direction == "at-most", value, told, (layer, *others),
            nets, len(rows), tier, float(one.wanted[at]), fails, limit, fits,
            str(taken["kind"][at]),
        ),
        remedy=rule.change,
        who=rule.who,
        sources=_sources(taken, at),
        places=_listed(one, taken, rows) if len(rows) > 1 else (),
        also_on=others,
        kind=kind_words(str(taken["kind"][at])),
    )  # fmt: skip


def _listed(one: Failing, taken: Places, rows: Rows) -> tuple[tuple[float, float, float], ...]:
    """Middle of each measured line and its value, worst first."""
    x = ((taken["x"][rows] + taken["x2"][rows]) / 2).round(6)
    y = ((taken["y"][rows] + taken["y2"][rows]) / 2).round(6)
    keep = np.isfinite(x) & np.isfinite(y)
    columns = (x[keep].tolist(), y[keep].tolist(), one.value[rows][keep].round(6).tolist())
    return tuple(zip(*columns, strict=True))


def _bbox(taken: Places, rows: Rows) -> tuple[float, float, float, float] | None:
    x = np.concatenate([taken["x"][rows], taken["x2"][rows]])
    y = np.concatenate([taken["y"][rows], taken["y2"][rows]])
    keep = np.isfinite(x) & np.isfinite(y)
    if not keep.any():
        return None
    x, y = x[keep], y[keep]
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def _sources(taken: Places, at: int) -> tuple[Source, ...]:
    out: list[Source] = []
    for end in "ab":
        file = str(taken[f"file_{end}"][at])
        line, code = int(taken[f"line_{end}"][at]), int(taken[f"code_{end}"][at])
        source = Source(file, line if line > 0 else None, code if code >= 0 else None)
        if file and source not in out:
            out.append(source)
    return tuple(out)
