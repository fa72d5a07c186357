"""Compares two revisions of a board: which findings are new, gone, moved, worse or better.

A finding keeps its fingerprint over an edit elsewhere. Where the datum moved, or the finding
itself changed, findings are matched by where they lie, once the shift between the two datums is
known; that shift is the one most measurements agree on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.geometry.rows import repeats
from dfmcheck.judge.artwork import (
    HoleChange,
    LayerChange,
    hole_changes,
    layer_changes,
    profile_changed,
)
from dfmcheck.judge.finding import Finding, Judgement
from dfmcheck.judge.message import UNNAMED
from dfmcheck.judge.segments import word_codes
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.screening import Screening

STATES = ("new", "worse", "moved", "better", "gone", "same")
"""In the order a reader needs them."""

SAME_PLACE = 0.02
"""Places no further apart (mm), the shift allowed for, are one place."""

NEIGHBOUR = 2.0
"""A finding may have moved so far (mm) and still be taken for the same."""

_CELL = 0.005  # mm, how far shifts that agree may lie apart
_ALIKE = 8  # values that occur more often say little about the shift
_VOTES = 3

Floats = npt.NDArray[np.float64]
_WEIGHTS = {"note": 0, "query": 1, "hold": 2}


@dataclass(frozen=True, slots=True)
class FindingChange:
    """One finding over two revisions; ``state`` is one of :data:`STATES`.

    ``distance`` (mm) is how far it moved, None for new, gone and what has no place.
    """

    state: str
    old: Finding | None
    new: Finding | None
    distance: float | None = None

    @property
    def finding(self) -> Finding:
        """The finding as it is now, or as it was."""
        either = self.new or self.old
        assert either is not None
        return either


@dataclass(frozen=True, slots=True)
class Revision:
    """What changed from ``old`` to ``new``.

    ``shift`` (mm) brings places of the old datum onto the new one; ``agreed`` is the share of
    the measurements found in both that agree on it, None where too few did to tell. ``layers``
    is None where a drawing is lacking, and the artwork therefore not compared.
    """

    old: Judgement
    new: Judgement
    shift: tuple[float, float]
    agreed: float | None
    findings: tuple[FindingChange, ...]
    layers: tuple[LayerChange, ...] | None
    holes: tuple[HoleChange, ...] = ()
    profile_changed: bool = False

    def count(self, state: str) -> int:
        return sum(change.state == state for change in self.findings)


def compare_revisions(old: Judgement, new: Judgement, rules: Mapping[str, Rule]) -> Revision:
    """Compare two judgements made with the same shop and tier."""
    shift, agreed = datum_shift(old.screening, new.screening)
    before, after = old.screening.drawing, new.screening.drawing
    drawn = before is not None and after is not None
    return Revision(
        old=old,
        new=new,
        shift=shift,
        agreed=agreed,
        findings=match(old.findings, new.findings, shift, rules),
        layers=layer_changes(before, after, shift) if before and after else None,
        holes=hole_changes(before, after, shift) if before and after else (),
        profile_changed=bool(drawn and before and after and profile_changed(before, after, shift)),
    )


# -- the datum ---------------------------------------------------------------------------


def datum_shift(old: Screening, new: Screening) -> tuple[tuple[float, float], float | None]:
    """Shift from the old datum to the new one, and the share of measurements that agree.

    Every value measured on a layer that is there in both revisions, and is not too common, votes
    with the difference of its places. No shift is taken for granted unless the votes say so.
    """
    a, b = _votes(old), _votes(new)
    key_a, key_b = a[0], b[0]
    common, index_a, index_b = _common(key_a, key_b)
    if not common:
        return (0.0, 0.0), None
    moved = b[1][index_b] - a[1][index_a]
    voters = len(np.unique(key_a[index_a], axis=0))
    cell = np.round(moved / _CELL).astype(np.int64)
    cells, size = np.unique(cell, axis=0, return_counts=True)
    still = int((np.abs(moved).max(axis=1) <= _CELL).sum())
    best = int(np.argmax(size))
    if still * 2 >= size[best]:
        return (0.0, 0.0), min(1.0, still / voters) if still >= _VOTES else None
    near = np.abs(moved - cells[best] * _CELL).max(axis=1) <= _CELL
    if int(near.sum()) < _VOTES:
        return (0.0, 0.0), None
    x, y = np.median(moved[near], axis=0).round(4).tolist()
    return (x, y), min(1.0, int(near.sum()) / voters)


def _votes(screening: Screening) -> tuple[npt.NDArray[Any], Floats]:
    """Keys (rule, layer, value) and places of all measurements that have a place, and of holes
    known by their size and the way to their neighbour."""
    places = screening.places
    x, y = (places["x"] + places["x2"]) / 2, (places["y"] + places["y2"]) / 2
    keep = np.isfinite(x) & np.isfinite(y) & np.isfinite(places["value"])
    rule, rules = word_codes(places["rule"])
    layer, layers = word_codes(places["layer"])
    names = np.array([[hash((r, s)) for s in layers] for r in rules], dtype=np.int64)
    value = np.zeros(len(x))
    value[keep] = places["value"][keep].round(4)
    key = np.empty((len(x), 3), dtype=np.int64)
    key[:, 0] = names[rule, layer] if len(x) else 0
    key[:, 1] = (value * 1e4).round()
    key[:, 2] = 0
    keys, points = [key[keep]], [np.stack([x, y], axis=-1)[keep]]
    drawing = screening.drawing
    if drawing is not None and len(drawing.holes) > 1:
        from scipy.spatial import cKDTree

        h = drawing.holes.astype(np.float64)
        middle = (h[:, :2] + h[:, 2:4]) / 2
        near: Any = cKDTree(middle).query(middle, k=2)[1]
        way = middle[near[:, 1]] - middle
        steps = np.hstack([h[:, 4:5], way]) / 0.01
        keys.append(steps.round().astype(np.int64))
        points.append(middle)
    return np.concatenate(keys), np.concatenate(points)


def _common(
    a: npt.NDArray[Any], b: npt.NDArray[Any]
) -> tuple[bool, npt.NDArray[Any], npt.NDArray[Any]]:
    """Rows of ``a`` and ``b`` paired where they have the same, not too common, key."""
    _, code = np.unique(np.concatenate([a, b]), axis=0, return_inverse=True)
    code = code.reshape(-1)
    code_a, code_b = code[: len(a)], code[len(a) :]
    n = int(code.max()) + 1 if len(code) else 0
    count_a, count_b = np.bincount(code_a, minlength=n), np.bincount(code_b, minlength=n)
    good = (count_a > 0) & (count_b > 0) & (count_a <= _ALIKE) & (count_b <= _ALIKE)
    order_b = np.argsort(code_b, kind="stable")
    start_b = np.searchsorted(code_b[order_b], np.arange(n))
    rows_a = np.flatnonzero(good[code_a])
    of, within = repeats(count_b[code_a[rows_a]])
    out_a = rows_a[of]
    out_b = order_b[start_b[code_a[out_a]] + within]
    return len(out_a) > 0, out_a, out_b


# -- findings ----------------------------------------------------------------------------


def match(
    old: Sequence[Finding], new: Sequence[Finding], shift: tuple[float, float],
    rules: Mapping[str, Rule],
) -> tuple[FindingChange, ...]:  # fmt: skip
    """Pair findings of two revisions; what stays without a partner is new or gone.

    Partners are, in this order: the same fingerprint at the same place; the same rule and layer
    with a place in common; the same rule, layer and named nets within :data:`NEIGHBOUR`. Of
    findings of several layers one layer in common is enough.
    """
    pairs: dict[int, int] = {}
    free_new = dict.fromkeys(range(len(new)))
    by_print = {finding.fingerprint: n for n, finding in enumerate(new)}
    for j, finding in enumerate(old):
        k = by_print.get(finding.fingerprint)
        if k is None or finding.rule != new[k].rule:
            continue
        distance = _distance(finding, new[k], shift)
        if distance is None or distance <= SAME_PLACE:
            pairs[j] = k
            free_new.pop(k)
    for step in (_by_place, _by_neighbour):
        left = [j for j in range(len(old)) if j not in pairs]
        for j, k in step(old, new, left, list(free_new), shift):
            pairs[j] = k
            free_new.pop(k)
    changes = [_change(old[j], new[k], shift, rules) for j, k in pairs.items()]
    changes += [FindingChange("new", None, new[k]) for k in free_new]
    changes += [FindingChange("gone", old[j], None) for j in range(len(old)) if j not in pairs]
    order = {id(f): n for n, f in enumerate((*new, *old))}
    return tuple(sorted(changes, key=lambda c: (STATES.index(c.state), order[id(c.finding)])))


def _point(finding: Finding) -> tuple[float, float] | None:
    if finding.line is not None:
        x, y, x2, y2 = finding.line
        return (x + x2) / 2, (y + y2) / 2
    return None if finding.x is None or finding.y is None else (finding.x, finding.y)


def _distance(old: Finding, new: Finding, shift: tuple[float, float]) -> float | None:
    a, b = _point(old), _point(new)
    if a is None or b is None:
        return None
    return float(np.hypot(b[0] - a[0] - shift[0], b[1] - a[1] - shift[1]))


def _all_places(finding: Finding) -> list[tuple[float, float]]:
    own = _point(finding)
    return [*([own] if own is not None else []), *((x, y) for x, y, _ in finding.places)]


def _spread(
    findings: Sequence[Finding], rows: Sequence[int], shift: tuple[float, float]
) -> tuple[list[int], Floats, list[Finding]]:
    """Every place of the findings given: whose it is, where, and the finding."""
    owner, points, mine = [], [], []
    for row in rows:
        for x, y in _all_places(findings[row]):
            owner.append(row)
            points.append((x + shift[0], y + shift[1]))
            mine.append(findings[row])
    return owner, np.array(points, dtype=np.float64).reshape(-1, 2), mine


def _alike(one: Finding, other: Finding) -> bool:
    """Whether two findings are of one rule, and of one layer at least."""
    return one.rule == other.rule and any(on in other.every_layer for on in one.every_layer)


def _by_place(
    old: Sequence[Finding], new: Sequence[Finding], left: Sequence[int], free: Sequence[int],
    shift: tuple[float, float],
) -> list[tuple[int, int]]:  # fmt: skip
    """Findings that share places, most places first."""
    from scipy.spatial import cKDTree

    owner_a, a, of_a = _spread(old, left, shift)
    owner_b, b, of_b = _spread(new, free, (0.0, 0.0))
    if not len(a) or not len(b):
        return []
    shared: dict[tuple[int, int], int] = {}
    near: Any = cKDTree(b).query_ball_point(a, SAME_PLACE, return_sorted=True)
    for i, ones in enumerate(near):
        for one in ones:
            if _alike(of_a[i], of_b[one]):
                key = owner_a[i], owner_b[one]
                shared[key] = shared.get(key, 0) + 1
    return _greedy(sorted(shared, key=lambda pair: (-shared[pair], pair)))


def _by_neighbour(
    old: Sequence[Finding], new: Sequence[Finding], left: Sequence[int], free: Sequence[int],
    shift: tuple[float, float],
) -> list[tuple[int, int]]:  # fmt: skip
    """Findings of one rule, layer and pair of nets that lie near each other, nearest first."""
    near: dict[tuple[object, ...], list[int]] = {}
    for k in free:
        near.setdefault(_kind(new[k]), []).append(k)
    found = []
    for j in left:
        for k in near.get(_kind(old[j]), ()):
            distance = _distance(old[j], new[k], shift)
            if distance is not None and distance <= NEIGHBOUR and _alike(old[j], new[k]):
                found.append((round(distance, 4), j, k))
    return _greedy([(j, k) for _, j, k in sorted(found)])


def _kind(finding: Finding) -> tuple[object, ...]:
    named = tuple(net for net in finding.nets if not UNNAMED.fullmatch(net))
    return finding.rule, named


def _greedy(pairs: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    taken_old: set[int] = set()
    taken_new: set[int] = set()
    out = []
    for j, k in pairs:
        if j not in taken_old and k not in taken_new:
            taken_old.add(j)
            taken_new.add(k)
            out.append((j, k))
    return out


def _change(
    old: Finding, new: Finding, shift: tuple[float, float], rules: Mapping[str, Rule]
) -> FindingChange:
    distance = _distance(old, new, shift)
    trend = _trend(old, new, rules)
    if trend:
        return FindingChange(trend, old, new, distance)
    moved = distance is not None and distance > SAME_PLACE and not _shares_place(old, new, shift)
    return FindingChange("moved" if moved else "same", old, new, distance)


def _shares_place(old: Finding, new: Finding, shift: tuple[float, float]) -> bool:
    """Whether some place is in both: of equal places another may just have become the worst."""
    a = np.array(_all_places(old)) + np.asarray(shift)
    b = np.array(_all_places(new))
    return bool((np.hypot(*(a[:, None] - b[None]).transpose(2, 0, 1)) <= SAME_PLACE).any())


def _trend(old: Finding, new: Finding, rules: Mapping[str, Rule]) -> str:
    """``worse``, ``better`` or ``""``: by severity, then by value beyond the uncertainty, then
    by the number of places."""
    if old.severity != new.severity:
        return "worse" if _WEIGHTS[new.severity] > _WEIGHTS[old.severity] else "better"
    rule = rules.get(new.rule)
    if old.measured is not None and new.measured is not None and rule is not None:
        sign = 1.0 if rule.direction == "at-least" else -1.0
        gained = sign * (new.measured - old.measured)
        if abs(gained) > old.uncertainty + new.uncertainty + 1e-6:
            return "better" if gained > 0 else "worse"
    if old.count != new.count:
        return "worse" if new.count > old.count else "better"
    return ""
