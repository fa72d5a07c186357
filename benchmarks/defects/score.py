"""Holds the findings on a planted board against the plant and the board's own findings."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import shapely

from benchmarks.defects.plant import Companion, Expect, Plant, Shift
from dfmcheck.judge.finding import Finding

NEAR = 0.3
"""A finding this near the plant (mm) is the plant's."""
SPREAD = 3.0
"""Further places of the plant's finding this near the plant (mm) are the plant's, too."""
ALONG = 1.0
"""So far apart (mm) two places of one value on one layer may be and still be one gap's."""
_DIGITS = re.compile(r"\d+(?:\.\d+)?")


@dataclass(slots=True)
class Result:
    """One plant's outcome, one line of the results file. Lengths mm, ratios plain."""

    planter: str
    rule: str
    board: str
    number: int
    size: str
    past: bool
    digest: str
    caught: bool = False
    truth: float | None = None
    measured: float | None = None
    position_error: float | None = None
    false: list[str] = field(default_factory=list)
    companions: int = 0
    shifted: int = 0  # findings of the board's own whose value the plant has changed
    seconds: float = 0.0
    error: str = ""
    gone: bool = False  # the board has no such place any more: an earlier result does not count

    @property
    def key(self) -> tuple[str, str, int]:
        return self.board, self.planter, self.number

    @property
    def missed(self) -> bool:
        return self.past and not self.caught

    def plain(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Sighting:
    """One place of a finding, mm of the files: a finding may name many places alike.

    ``layers``: those the finding names; of a hole that concerns several, any may be the place's.
    """

    rule: str
    layers: tuple[str, ...]
    value: float | None
    at: tuple[float, float] | None
    of: Finding


def sightings(findings: Sequence[Finding], origin: tuple[float, float]) -> list[Sighting]:
    """Every place of every finding."""
    out = []
    for f in findings:
        places: Sequence[tuple[float | None, float | None, float | None]] = f.places
        if not places:
            at = _middle(f)
            places = [(None, None, f.measured)] if at is None else [(*at, f.measured)]
        for x, y, value in places:
            at = None if x is None or y is None else (x + origin[0], y + origin[1])
            out.append(Sighting(f.rule, f.every_layer, value, at, f))
    return out


def judge_plant(
    result: Result,
    plant: Plant,
    findings: Sequence[Finding],
    base: Sequence[Finding],
    origin: tuple[float, float],
    base_origin: tuple[float, float] | None = None,
) -> None:
    """Fill in what was found: the plant, nothing, or something else.

    ``origin`` is the datum the findings' places are told from, ``base_origin`` that of the
    board's own findings where the plant has moved it.
    """
    own = sightings(base, origin if base_origin is None else base_origin)
    by_kind: dict[tuple[str, str], list[Sighting]] = {}
    for g in own:
        for layer in g.layers:
            by_kind.setdefault((g.rule, layer), []).append(g)
    new = [
        f
        for f in sightings(findings, origin)
        if not any(_same(f, g) for layer in f.layers for g in by_kind.get((f.rule, layer), ()))
    ]
    explained: set[int] = set()
    hits: list[tuple[float, float, Sighting, Expect]] = []
    for one in plant.expect:
        mine = []
        for n, f in enumerate(new):
            if f.rule not in one.rule.split("|") or not (
                one.layer in f.layers or "" in (one.layer, *f.layers)
            ):
                continue
            away = _away(f, one.where)
            if away > NEAR or not _names(f, one.source):
                continue
            off = abs(f.value - one.value) if None not in (f.value, one.value) else 0.0  # type: ignore[operator]
            mine.append((off, away, f, one))
            explained.add(n)
        if mine:
            hits.append(min(mine, key=lambda m: (m[0], m[1])))
    result.truth = plant.expect[0].value if plant.expect else None
    if hits:
        # the worst of the findings a plant must bring about speaks for it
        off, away, f, one = max(hits, key=lambda m: (m[0], m[1]))
        result.truth, result.measured = one.value, f.value
        result.position_error = away if one.where is not None else None
    if result.past:
        result.caught = len(hits) == len(plant.expect)
        # a gap has several places, and so has a cut-out: those of one finding are one defect
        told = [(hit.of, one.where) for _, _, hit, one in hits]
        leftover = [
            f for n, f in enumerate(new)
            if n not in explained
            and not any(f.of is of and _away(f, where) <= SPREAD for of, where in told)
        ]  # fmt: skip
    else:
        result.caught = False
        leftover = new
    stray = [f for f in leftover if not any(_goes_with(f, c) for c in plant.companions)]
    result.companions = len(leftover) - len(stray)
    moved = [f for f in stray if any(_shifted(f, own, s) for s in plant.shifts)]
    result.shifted = len(moved)
    result.false = [_short(f) for f in stray if f not in moved]


def _short(f: Sighting) -> str:
    at = "" if f.at is None else f" at {f.at[0]:.3f} {f.at[1]:.3f}"
    value = "" if f.value is None else f" {f.value:.4f}"
    return f"{f.rule} {', '.join(f.layers)}{value}{at}: {f.of.message[:160]}"


def _middle(f: Finding) -> tuple[float, float] | None:
    if f.line is not None:
        x, y, x2, y2 = f.line
        return (x + x2) / 2, (y + y2) / 2
    return None if f.x is None or f.y is None else (f.x, f.y)


def _away(f: Sighting, where: Any) -> float:
    """How far a finding is from where it should be; nought when there is no place to tell."""
    if where is None:
        return 0.0
    if f.at is None:
        return float("inf")
    return float(shapely.distance(where, shapely.Point(f.at)))


def _names(f: Sighting, source: tuple[str, int | None] | None) -> bool:
    """Whether a finding names the file, and the line where one is asked for."""
    if source is None:
        return True
    file, line = source
    return any(s.file == file and line in (None, s.line) for s in f.of.sources)


def _goes_with(f: Sighting, companion: Companion) -> bool:
    return f.rule == companion.rule and _away(f, companion.where) <= NEAR


def _shifted(f: Sighting, own: Sequence[Sighting], shift: Shift) -> bool:
    """Whether a place is one of the board's own at the feature the plant has changed, and its
    value no further from what it was than that change accounts for.

    Such a place is neither the plant nor false: the board has the defect, and it is told as it
    is now. Where the board had no finding, or the value moved further, it is held against the
    rule.
    """
    if f.rule != shift.rule or f.at is None or f.value is None or _away(f, shift.where) > NEAR:
        return False
    return any(
        g.rule == f.rule
        and set(f.layers) & set(g.layers)
        and g.at is not None
        and g.value is not None
        and abs(f.value - g.value) <= shift.most + 1e-4
        and math.dist(f.at, g.at) <= ALONG
        for g in own
    )


def _same(f: Sighting, g: Sighting) -> bool:
    """Whether a place is one the board had before.

    A gap of one width has no worst place, and which of its places is told may change with what
    is drawn elsewhere: the same value to a tenth of a micrometre within ALONG is the same gap.
    Plants keep further than that from the board's own places of their kind (``Site.lonely``).
    """
    if f.rule != g.rule or not set(f.layers) & set(g.layers):
        return False
    if f.value is None or g.value is None:
        if f.value is not g.value:
            return False
        if _DIGITS.sub("#", f.of.message) != _DIGITS.sub("#", g.of.message):
            guessed = f.rule in ("data.assumption", "data.plating-unknown")
            return guessed and f.of.message[:60] == g.of.message[:60]
        return f.of.count <= g.of.count or f.rule == "data.deprecated-construct"
    if f.at is None or g.at is None:
        return f.at is g.at and abs(f.value - g.value) <= 1e-4
    return abs(f.value - g.value) <= 1e-4 and math.dist(f.at, g.at) <= ALONG
