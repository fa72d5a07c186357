"""Holds the findings on a planted board against the plant and the board's own findings."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import shapely

from benchmarks.defects.plant import Companion, Expect, Plant
from dfmcheck.judge.finding import Finding

NEAR = 0.3
"""A finding this near the plant (mm) is the plant's."""
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


def judge_plant(
    result: Result,
    plant: Plant,
    findings: Sequence[Finding],
    base: Sequence[Finding],
    origin: tuple[float, float],
) -> None:
    """Fill in what was found: the plant, nothing, or something else."""
    new = [f for f in findings if not any(_same(f, g) for g in base)]
    explained: set[int] = set()
    hits: list[tuple[float, float, Finding, Expect]] = []
    for one in plant.expect:
        mine = []
        for n, f in enumerate(new):
            if f.rule not in one.rule.split("|") or (
                one.layer and f.layer and f.layer != one.layer
            ):
                continue
            away = _away(f, one.where, origin)
            if away > NEAR:
                continue
            off = abs(f.measured - one.value) if None not in (f.measured, one.value) else 0.0  # type: ignore[operator]
            mine.append((off, away, f, one))
            explained.add(n)
        if mine:
            hits.append(min(mine, key=lambda m: (m[0], m[1])))
    result.truth = plant.expect[0].value if plant.expect else None
    if hits:
        # the worst of the findings a plant must bring about speaks for it
        off, away, f, one = max(hits, key=lambda m: (m[0], m[1]))
        result.truth, result.measured = one.value, f.measured
        result.position_error = away if one.where is not None else None
    if result.past:
        result.caught = len(hits) == len(plant.expect)
        leftover = [f for n, f in enumerate(new) if n not in explained]
    else:
        result.caught = False
        leftover = new
    accompany = [f for f in leftover if any(_goes_with(f, c, origin) for c in plant.companions)]
    result.companions = len(accompany)
    result.false = [_short(f, origin) for f in leftover if f not in accompany]


def _short(f: Finding, origin: tuple[float, float]) -> str:
    at = "" if f.x is None or f.y is None else f" at {f.x + origin[0]:.3f} {f.y + origin[1]:.3f}"
    value = "" if f.measured is None else f" {f.measured:.4f}"
    return f"{f.rule} {f.layer}{value}{at}: {f.message[:160]}"


def _points(f: Finding) -> tuple[float, float] | None:
    if f.line is not None:
        x, y, x2, y2 = f.line
        return (x + x2) / 2, (y + y2) / 2
    return None if f.x is None or f.y is None else (f.x, f.y)


def _away(f: Finding, where: Any, origin: tuple[float, float]) -> float:
    """How far a finding is from where it should be; nought when there is no place to tell."""
    at = _points(f)
    if where is None:
        return 0.0
    if at is None:
        return float("inf")
    return float(shapely.distance(where, shapely.Point(at[0] + origin[0], at[1] + origin[1])))


def _goes_with(f: Finding, companion: Companion, origin: tuple[float, float]) -> bool:
    return f.rule == companion.rule and _away(f, companion.where, origin) <= NEAR


def _same(f: Finding, g: Finding) -> bool:
    """Whether a finding is one the board had before."""
    if f.rule != g.rule or f.layer != g.layer:
        return False
    if f.measured is None or g.measured is None:
        if _DIGITS.sub("#", f.message) != _DIGITS.sub("#", g.message):
            return f.rule == "data.assumption" and f.message[:60] == g.message[:60]
        return f.count <= g.count or f.rule == "data.deprecated-construct"
    if abs(f.measured - g.measured) > 1e-4:
        return False
    a, b = _points(f), _points(g)
    if a is None or b is None:
        return a is b
    box = shapely.box(*g.bbox) if g.bbox else shapely.Point(b)
    return bool(shapely.distance(box, shapely.Point(a)) < 0.05)
