"""Strategies that draw the random boards of ``boards.py``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from hypothesis import strategies as st
from shapely import Polygon

from tests.outside.boards import DOUBT, Draw, Drawn, Flash, Hole, Plan, Region, painted, parts

WIDE, HIGH = 7.0, 5.0


def _grid(low: float, high: float, step: float = 0.01) -> st.SearchStrategy[float]:
    # Off the round figures, so that no two values are equal by chance.
    return st.integers(round(low / step), round(high / step)).map(lambda n: round(n * step, 6))


_POINT = st.tuples(_grid(0.5, WIDE - 0.5, 0.007), _grid(0.5, HIGH - 0.5, 0.007))
_STEP = st.tuples(_grid(-1.9, 1.9, 0.011), _grid(-1.9, 1.9, 0.011))


def _draws(width: st.SearchStrategy[float]) -> st.SearchStrategy[Draw]:
    def made(width: float, start: tuple[float, float], step: tuple[float, float]) -> Draw:
        x = min(max(start[0] + step[0], 0.3), WIDE - 0.3)
        y = min(max(start[1] + step[1], 0.3), HIGH - 0.3)
        return Draw(width, (start, (round(x, 6), round(y, 6))))

    return st.builds(made, width, _POINT, _STEP)


def _flashes() -> st.SearchStrategy[Flash]:
    size = _grid(0.35, 1.1)
    shapes = st.one_of(
        st.tuples(st.just("C"), st.tuples(size)),
        st.tuples(st.just("R"), st.tuples(size, size)),
        st.tuples(st.just("O"), st.tuples(size, _grid(1.15, 1.6))),
        st.tuples(st.just("O"), st.tuples(_grid(1.15, 1.6), size)),
        st.tuples(
            st.just("P"),
            st.tuples(_grid(0.6, 1.2), st.sampled_from([4.0, 6.0, 8.0]), _grid(0, 90, 0.5)),
        ),
    )
    return st.builds(lambda shape, at: Flash(shape[0], shape[1], at), shapes, _POINT)


def _regions() -> st.SearchStrategy[Region]:
    """Quadrangles and pentagons, star-shaped about a point, so never crossing themselves."""

    def made(at: tuple[float, float], radii: list[float], turn: float) -> Region:
        n = len(radii)
        corners = []
        for k, r in enumerate(radii):
            t = math.radians(turn) + math.tau * k / n
            x = min(max(at[0] + r * math.cos(t), 0.25), WIDE - 0.25)
            y = min(max(at[1] + r * math.sin(t), 0.25), HIGH - 0.25)
            corners.append((round(x, 6), round(y, 6)))
        return Region(tuple(corners))

    radii = st.lists(_grid(0.4, 1.3), min_size=4, max_size=5)
    return st.builds(made, _POINT, radii, _grid(0, 90, 0.37))


def _sure(objects: Sequence[Drawn]) -> bool:
    """Whether rounding can neither join nor part anything in the image."""
    image = painted(objects)
    count = _topology(image)
    return _topology(image.buffer(DOUBT, 8)) == count == _topology(image.buffer(-DOUBT, 8))


def _topology(image: Any) -> tuple[int, int]:
    found = parts(image)
    return len(found), sum(len(p.interiors) for p in found)


def kept(objects: Sequence[Drawn]) -> tuple[Drawn, ...]:
    """The objects in order, without those that would leave something in doubt."""
    out: list[Drawn] = []
    for one in objects:
        if one.shape().is_valid and one.shape().area > 0.01 and _sure([*out, one]):
            out.append(one)
    return tuple(out)


@st.composite
def plans(draw: Any, most: int = 9, clear: bool = True) -> Plan:
    """A board with copper on both sides, holes in some lands and beside them, and a mask."""
    thin = _grid(0.1, 0.4)
    one = st.one_of(_draws(thin), _flashes(), _regions())
    top = [*draw(st.lists(one, min_size=2, max_size=most))]
    if clear and draw(st.booleans()):
        # Clear objects bite into what is there; lands may be set in them again.
        bites = draw(st.lists(st.one_of(_flashes(), _draws(thin)), min_size=1, max_size=2))
        top = [*top, *(replace(b, dark=False) for b in bites), *draw(st.lists(one, max_size=2))]
    top = list(kept(top))
    bottom = list(kept(draw(st.lists(one, max_size=4))))
    holes: list[Hole] = []
    lands = [f for f in top if isinstance(f, Flash) and f.dark]
    off = st.tuples(_grid(-0.08, 0.08, 0.003), _grid(-0.08, 0.08, 0.003))
    for land in lands:
        if draw(st.booleans()):
            dx, dy = draw(off)
            at = (round(land.at[0] + dx, 6), round(land.at[1] + dy, 6))
            hole = Hole(draw(st.sampled_from([0.15, 0.2, 0.25])), (at,), True)
            holes.append(hole)
    bare = st.builds(lambda d, at: Hole(d, (at,), False), st.sampled_from([0.3, 0.5]), _POINT)
    holes += draw(st.lists(bare, max_size=2))
    holes = [h for k, h in enumerate(holes) if _hole_sure(h, holes[:k], top, bottom)]
    mask = kept([m for land in lands if (m := _opening(land, draw(_grid(0.04, 0.13)), draw(off)))])
    corners = ((0.0, 0.0), (WIDE, 0.0), (WIDE, HIGH), (0.0, HIGH))
    return Plan(corners, tuple(top), tuple(bottom), mask, tuple(holes))


def _hole_sure(
    hole: Hole, before: Sequence[Hole], top: Sequence[Drawn], bottom: Sequence[Drawn]
) -> bool:
    rim = hole.shape().exterior
    others = [h.shape() for h in before]
    return not any(
        0 < _to_touching(rim, shape) < DOUBT
        for shape in [*others, *parts(painted(top)), *parts(painted(bottom))]
    )


def _to_touching(rim: Any, shape: Any) -> float:
    """How far a hole is from just touching a shape, from outside or inside."""
    disc = Polygon(rim)
    if not disc.intersects(shape):
        return float(disc.distance(shape))
    if disc.buffer(-DOUBT).intersects(shape):
        return 0.0
    return DOUBT / 2


def _opening(land: Flash, clearance: float, off: tuple[float, float]) -> Flash | None:
    if land.template == "P":
        return None
    at = (round(land.at[0] + off[0] / 4, 6), round(land.at[1] + off[1] / 4, 6))
    return Flash(land.template, tuple(round(v + 2 * clearance, 6) for v in land.values), at)
