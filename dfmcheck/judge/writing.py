"""A spot of failing places is written as a finding, with the numbers of its worst place."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.capability import Shop
from dfmcheck.judge.finding import Finding, Source
from dfmcheck.judge.limits import Floats, Rows
from dfmcheck.judge.message import (
    UNNAMED,
    fingerprint,
    kind_words,
    measured_sentence,
    natural,
    rounded,
)
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Weight

MOST_LISTED = 50_000
"""So many places of one finding are listed, the worst; all are counted. The fullest finding of
the published boards has 31 000; a list of a million is read by nobody, and takes a report of
70 MB."""

_TAKEN = (
    "value", "uncertainty", "x", "y", "x2", "y2", "kind", "net_a", "net_b",
    "file_a", "line_a", "code_a", "file_b", "line_b", "code_b",
)  # fmt: skip


@dataclass(frozen=True)
class Failed:
    """Equal-length columns of all failing places; ``taken`` their rows of the measurements."""

    taken: Places
    rules: list[str]
    rule_code: Rows
    layers: list[str]
    layer_code: Rows
    value: Floats
    short: Floats
    tier: Rows
    fits: Rows
    past_all: npt.NDArray[np.bool_]
    limit: Floats
    wanted: Floats


@dataclass(frozen=True, slots=True)
class _Spot:
    """One spot: the numbers and words of its worst place by column, and what is of all places."""

    worst: dict[str, Any]
    count: int
    bbox: tuple[float, float, float, float] | None
    layers: set[int]
    places: tuple[tuple[float, float, float], ...]


def written(
    one: Failed, order: Rows, start: Rows, shop: Shop, tier: str, rules: Mapping[str, Rule]
) -> list[Finding]:
    """Write one finding per spot.

    Parameters
    ----------
    one : Failed
        n places.
    order : (n,) int
        Its rows, those of one spot together, the worst of each first.
    start : (k,) int
        Where each spot starts in ``order``, ascending from 0.
    """
    return [_finding(one, spot, shop, tier, rules) for spot in _spots(one, order, start)]


def _spots(one: Failed, order: Rows, start: Rows) -> list[_Spot]:
    taken, head = one.taken, order[start]
    columns = {
        **{name: taken[name][head].tolist() for name in _TAKEN},
        "rule": one.rule_code[head].tolist(),
        "layer": one.layer_code[head].tolist(),
        "judged": one.value[head].tolist(),
        "fails": one.tier[head].tolist(),
        "fits": one.fits[head].tolist(),
        "past_all": one.past_all[head].tolist(),
        "limit": one.limit[head].tolist(),
        "wanted": one.wanted[head].tolist(),
    }
    worst = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    layers = one.layer_code[order].tolist()
    ends = [*start.tolist(), len(order)]
    return [
        _Spot(place, stop - first, box, set(layers[first:stop]), listed)
        for place, (first, stop), box, listed in zip(
            worst, pairwise(ends), _boxes(taken, order, start), _listed(one, order, start),
            strict=True,
        )
    ]  # fmt: skip


def _boxes(
    taken: Places, order: Rows, start: Rows
) -> list[tuple[float, float, float, float] | None]:
    """Box of both ends of all measured lines of each spot, None where none has a place."""
    x, y, x2, y2 = (taken[name][order] for name in ("x", "y", "x2", "y2"))
    first, second = (np.isfinite(a) & np.isfinite(b) for a, b in ((x, y), (x2, y2)))

    def least(one_end: Floats, other: Floats) -> Floats:
        ends = np.where(first, one_end, np.inf), np.where(second, other, np.inf)
        return np.asarray(np.minimum.reduceat(np.minimum(*ends), start))

    sides = (least(x, x2), least(y, y2), -least(-x, -x2), -least(-y, -y2))
    return [
        box if np.isfinite(box[0]) else None
        for box in zip(*(side.tolist() for side in sides), strict=True)
    ]


def _listed(one: Failed, order: Rows, start: Rows) -> list[tuple[tuple[float, float, float], ...]]:
    """Middle of each measured line and its value, worst first, of spots of several places; no
    more than :data:`MOST_LISTED` of each."""
    taken = one.taken
    x = ((taken["x"] + taken["x2"]) / 2)[order].round(6)
    y = ((taken["y"] + taken["y2"]) / 2)[order].round(6)
    count = np.diff(np.append(start, len(order)))
    keep = np.isfinite(x) & np.isfinite(y) & np.repeat(count > 1, count)
    keep &= np.arange(len(order)) - np.repeat(start, count) < MOST_LISTED
    columns = (x[keep].tolist(), y[keep].tolist(), one.value[order][keep].round(6).tolist())
    listed = list(zip(*columns, strict=True))
    ends = np.concatenate([[0], np.cumsum(np.add.reduceat(keep, start, dtype=np.int64))])
    return [tuple(listed[a:b]) for a, b in pairwise(ends.tolist())]


def _finding(one: Failed, spot: _Spot, shop: Shop, tier: str, rules: Mapping[str, Rule]) -> Finding:
    at = spot.worst
    rule = rules[one.rules[at["rule"]]]
    layer = one.layers[at["layer"]]
    others = tuple(sorted({one.layers[code] for code in spot.layers} - {layer}, key=natural))
    heaviest = shop.limits[rule.id].weight
    weight = rule.weight if heaviest is None else heaviest
    if not at["past_all"] or at["kind"] in rule.mild:
        weight = min(weight, Weight.QUERY)
    nets = tuple(sorted({at["net_a"], at["net_b"]} - {""}))
    value, limit, kind = at["judged"], at["limit"], at["kind"]
    x, y, x2, y2 = line = at["x"], at["y"], at["x2"], at["y2"]
    placed = _finite(x, y)
    fails = shop.tiers[at["fails"]]
    fits = "" if at["fits"] < 0 else shop.tiers[at["fits"]]
    # A ratio and the length it was made of are not to be compared.
    told = value if rule.allowance in ("foil", "register") else at["value"]
    return Finding(
        rule=rule.id,
        step=str(rule.step),
        severity=weight.name.lower(),
        layer=layer,
        nets=nets,
        x=x if placed else None,
        y=y if placed else None,
        bbox=spot.bbox,
        line=line if placed and _finite(x2, y2) else None,
        measured=value,
        raw=told,
        uncertainty=at["uncertainty"],
        limit=limit,
        unit=rule.unit,
        tier=fails,
        fits=fits,
        count=spot.count,
        fingerprint=fingerprint(
            rule.id, layer, rounded(value, 3), rounded(x, 2), rounded(y, 2),
            *(net for net in nets if not UNNAMED.fullmatch(net)),
        ),
        message=measured_sentence(
            rule.quantity, rule.unit, rule.direction == "at-most", value, told, (layer, *others),
            nets, spot.count, tier, at["wanted"], fails, limit, fits, kind, rule.past,
        ) + _cut(spot.count),
        remedy=rule.change,
        who=rule.who,
        sources=_sources(at),
        places=spot.places,
        also_on=others,
        kind=kind_words(kind),
    )  # fmt: skip


def _cut(count: int) -> str:
    """What is said of a list that does not hold all places.

    >>> _cut(50_000), _cut(1_000_000)
    ('', '; the list of places is cut: it holds the 50,000 worst of 1,000,000')
    """
    if count <= MOST_LISTED:
        return ""
    return f"; the list of places is cut: it holds the {MOST_LISTED:,} worst of {count:,}"


def _finite(*values: float) -> bool:
    return all(map(math.isfinite, values))


def _sources(at: Mapping[str, Any]) -> tuple[Source, ...]:
    out: list[Source] = []
    for end in "ab":
        file, line, code = at[f"file_{end}"], at[f"line_{end}"], at[f"code_{end}"]
        source = Source(file, line if line > 0 else None, code if code >= 0 else None)
        if file and source not in out:
            out.append(source)
    return tuple(out)
