"""Failing places become findings: one per spot, one per row of identical spots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.capability import Shop
from dfmcheck.geometry.rows import run_starts
from dfmcheck.judge.chains import chains
from dfmcheck.judge.finding import Finding
from dfmcheck.judge.limits import Rows
from dfmcheck.judge.segments import Failing, word_codes
from dfmcheck.judge.writing import Failed, written
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule

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
    one = _joined(failing, places)
    taken = one.taken
    ranked = _ranked(one)
    spot_layer, layer = _layer_codes(one, rules)
    kinds = _numbered(
        one.rule_code, spot_layer, taken["group"], one.tier, one.past_all, _mild(one, rules)
    )
    x = (taken["x"] + taken["x2"]) / 2
    y = (taken["y"] + taken["y2"]) / 2
    # Points without a place are one chain.
    x = np.where(taken["group"] <= WHOLE_LAYER, np.nan, x)
    label = _alike(chains(kinds, x, y, REACH), one, layer, ranked)
    order = _by_label(label, ranked)
    return written(one, order, np.flatnonzero(run_starts(label[order])), shop, tier, rules)


def _joined(failing: Sequence[Failing], places: Places) -> Failed:
    lengths = [len(part.row) for part in failing]

    def coded(words: list[str]) -> tuple[list[str], Rows]:
        known = list(dict.fromkeys(words))
        return known, np.repeat([known.index(word) for word in words], lengths)

    def column(name: str) -> npt.NDArray[Any]:
        return np.concatenate([getattr(part, name) for part in failing])

    rules, rule_code = coded([part.rule for part in failing])
    layers, layer_code = coded([part.layer for part in failing])
    return Failed(
        taken=places.take(column("row")),
        rules=rules,
        rule_code=rule_code,
        layers=layers,
        layer_code=layer_code,
        value=column("value"),
        short=column("short"),
        tier=column("tier"),
        fits=column("fits"),
        past_all=column("past_all"),
        limit=column("limit"),
        wanted=column("wanted"),
    )


def _layer_codes(one: Failed, rules: Mapping[str, Rule]) -> tuple[Rows, Rows]:
    """A number per layer for spots, and for rows of them; all layers of a rule have the same
    where they count as one."""
    through = np.array([rules[name].through for name in one.rules], dtype=bool)
    once = through | np.array([rules[name].repeats for name in one.rules], dtype=bool)
    spot, row = (np.where(mask[one.rule_code], -1, one.layer_code) for mask in (once, through))
    return spot, row


def _mild(one: Failed, rules: Mapping[str, Rule]) -> npt.NDArray[np.bool_]:
    """Places that weigh a query at most: they must not hide a heavier one in their spot."""
    kind, kinds = word_codes(one.taken["kind"])
    table = np.array([[word in rules[id_].mild for word in kinds] for id_ in one.rules], dtype=bool)
    return np.asarray(table[one.rule_code, kind], dtype=bool)


def _ranked(one: Failed) -> Rows:
    """The rows in an order that depends on what they say only: worst first, then by place.
    Coarser than a nanometre nothing counts, so a shifted datum ranks alike."""
    taken = one.taken
    places = (np.nan_to_num(taken[name], nan=np.inf) for name in ("x", "y", "x2", "y2"))
    keys = [-one.short.round(6), *(place.round(4) for place in places)]
    keys += [taken[name] for name in ("group", "code_a", "code_b", "line_a", "line_b")]
    words = [taken[name] for name in ("kind", "net_a", "net_b", "file_a", "file_b")]
    # the few that are still level are settled by the rest, text last as it is slow to sort
    order = np.lexsort(keys[2::-1])
    at = _level(order, keys[:3])
    rows = order[at]
    rows = rows[np.lexsort([key.take(rows) for key in keys[::-1]])]
    still = _level(rows, keys)
    same = rows[still]
    text = [sorted_words(word.take(same)) for word in words]
    rows[still] = same[np.lexsort([*text[::-1], *(key.take(same) for key in keys[::-1])])]
    order[at] = rows
    return order


def _level(order: Rows, keys: Sequence[npt.NDArray[Any]]) -> Rows:
    """Positions in ``order`` that have all ``keys`` in common with one beside them."""
    level = np.ones(max(len(order) - 1, 0), dtype=bool)
    for key in keys:
        ordered = key.take(order)
        level &= ordered[1:] == ordered[:-1]
    return np.flatnonzero(np.append(level, False) | np.append(False, level))


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
    """One number per distinct combination of the columns, in their order."""
    code, size = np.zeros(len(columns[0]), dtype=np.int64), 1
    for column in columns:
        if column.dtype.kind == "f" or int(column.max()) - int(column.min()) > 2 * len(column):
            column = np.unique(column, return_inverse=True)[1]
        low = int(column.min())
        span = int(column.max()) - low + 1
        if size * span > 2**62:
            code = np.unique(code, return_inverse=True)[1]
            size = int(code.max()) + 1
        code, size = code * span + (column.astype(np.int64) - low), size * span
    return np.unique(code, return_inverse=True)[1].astype(np.int64)


def _by_label(label: Rows, ranked: Rows) -> Rows:
    """All rows of one label together, each label's in the order given."""
    ordered = label.take(ranked)
    if len(ordered) and int(ordered.max()) < 2**16:
        ordered = ordered.astype(np.uint16)  # small numbers sort by radix, in linear time
    return ranked.take(np.argsort(ordered, kind="stable"))


def _alike(label: Rows, one: Failed, layer: Rows, ranked: Rows) -> Rows:
    """Give the same label to clusters whose worst places are alike, where there are many: to
    those of one value first, then to all of a kind when too many are still left."""
    order = _by_label(label, ranked)
    head = order[run_starts(label[order])]
    if len(head) < ALIKE:
        return label
    kind = _numbered(
        one.rule_code[head], layer[head],
        word_codes(one.taken["kind"][head])[0], one.tier[head], one.past_all[head],
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
    order = np.lexsort((merged, kind))
    first = np.diff(kind[order], prepend=-1) != 0
    first |= np.diff(merged[order], prepend=-1) != 0
    flood = np.bincount(kind[order[first]])[kind] >= FLOOD
    merged = np.where(flood, kind + 2 * len(label), merged)
    to = np.empty(int(label.max()) + 1, dtype=np.int64)
    to[label[head]] = merged
    return to[label]
