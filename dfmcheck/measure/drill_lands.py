"""Drill: holes without lands, and lands that look as if a hole were missing."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons, holes_met
from dfmcheck.geometry.index import BoxIndex
from dfmcheck.geometry.rows import run_starts
from dfmcheck.measure.at_holes import at_holes, path_numbers
from dfmcheck.measure.common import Rows, names, place_points
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

_SAME_PLACE = 0.005
"""Lands whose flash points lie no further apart than this (mm) are one stack."""
_LARGEST = 5.0
"""A larger stack (mm) is a power or contact area, not the land of a hole."""
_NEARLY_ALL = 0.9
_ENOUGH = 10

BARE = Rule(
    id="drill.hit-without-land",
    step=Step.DRILL,
    looks_at="drill",
    quantity="plated holes without a land",
    unit="count",
    direction="at-most",
    on_the_floor="Nothing holds the plated wall at the board's face, and nothing joins it to the "
    "circuit: either the land is missing or the hole should not be plated.",
    change="Add the land, or move the hole to the unplated drill file.",
    who="ask",
    front_end="Must ask whether land or plating is wrong.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(BARE)
def hit_without_land(board: Board, reach: float) -> Places:
    """Plated holes that meet no copper at the ends of their span: one place each, value 1.

    Kinds: ``no copper`` (on no layer at all), ``no outer land`` (at neither end), ``one side``.
    Holes outside the profile are tooling of the panel, not of the board. A routed path is one
    hole, which meets copper where any piece of it does. ``reach`` does not apply.
    """
    holes = board.holes
    rows = np.flatnonzero(holes.plated == 1)
    if len(rows) == 0 or not board.copper:
        return Places.empty()
    discs = hole_polygons(holes, rows)
    first = np.zeros(len(rows), dtype=np.bool_)
    last, some = first.copy(), first.copy()
    for number, layer in board.numbered():
        met = np.isin(rows, holes_met(holes, layer.image)[1])
        met &= (holes.first[rows] <= number) & (holes.last[rows] >= number)
        some |= met
        first |= met & (holes.first[rows] == number)
        last |= met & (holes.last[rows] == number)
    _, path = np.unique(path_numbers(holes)[rows], return_inverse=True)
    first, last, some = (_any(of, path) for of in (first, last, some))
    lone = ~(first & last)
    if board.profile is not None and not board.profile.area.is_empty:
        shapely.prepare(board.profile.area)
        lone &= _any(np.asarray(shapely.intersects(board.profile.area, discs)), path)
    pick = np.flatnonzero(lone)
    pick = pick[np.unique(path[pick], return_index=True)[1]]
    kind = np.where(
        ~some[pick], "no copper", np.where(~(first | last)[pick], "no outer land", "one side")
    )
    return Places.of(
        rule=BARE.id,
        kind=kind.astype(object),
        value=np.ones(len(pick)),
        **at_holes(board, rows[pick]),
    )


def _any(of: npt.NDArray[np.bool_], group: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Whether any row of each row's group is marked."""
    out = np.zeros(int(group.max(initial=-1)) + 1, dtype=np.bool_)
    out[group[of]] = True
    return np.asarray(out[group])


MISSING = Rule(
    id="drill.land-without-hole",
    step=Step.DRILL,
    looks_at="drill",
    quantity="stacks of lands without a hole",
    unit="count",
    direction="at-most",
    on_the_floor="The board is made without the hole: a net stays open, a terminal does not go "
    "in, and bare-board test finds it when all panels are drilled.",
    change="Add the hole to the drill data, or take the lands away.",
    who="ask",
    front_end="Must ask whether hole or lands are wrong.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(MISSING)
def land_without_hole(board: Board, reach: float) -> Places:
    """Lands at one place on both outer layers that no hole goes through: value 1 each.

    Only where there is reason to expect a hole: the land is no larger than 5 mm, and the stack
    goes on through every inner layer
    (kind ``all layers``), or at least ten other stacks of the same two apertures, and nine in
    ten of them, have one (kind ``like its neighbours``). ``reach`` does not apply.
    """
    if len(board.copper) < 2 or len(board.holes) == 0:
        return Places.empty()
    top, bottom = board.copper[0], board.copper[-1]
    a, b = _stacks(top, bottom)
    if len(a) == 0:
        return Places.empty()
    image = top.image
    x0, y0, x1, y1 = shapely.bounds(image.pieces[a]).T
    small = np.maximum(x1 - x0, y1 - y0) <= _LARGEST
    a, b = a[small], b[small]
    at = np.stack([image.x[a], image.y[a]], axis=-1)
    points = shapely.points(at)
    # A hole out of the middle of its land is still the land's hole.
    drilled = np.zeros(len(a), dtype=np.bool_)
    discs = hole_polygons(board.holes, np.arange(len(board.holes)))
    one, two = image.pieces[a], bottom.image.pieces[b]
    middle = shapely.STRtree(points).query(discs, predicate="intersects")[1]
    middle = middle[shapely.intersects(one[middle], points[middle])]
    drilled[middle[shapely.intersects(two[middle], points[middle])]] = True
    # Of the others not the middle is drilled, but some of what both lands cover may be.
    left = np.flatnonzero(~drilled)
    both = shapely.intersection(one[left], two[left])
    drilled[left[shapely.STRtree(both).query(discs, predicate="intersects")[1]]] = True
    through = np.full(len(a), len(board.copper) > 2)
    for layer in board.copper[1:-1]:
        through &= _flashed(layer, at)
    kind_of = np.stack([image.code[a], bottom.image.code[b]], axis=-1)
    _, group, size = np.unique(kind_of, axis=0, return_inverse=True, return_counts=True)
    group = group.reshape(-1)
    share = np.bincount(group, weights=drilled.astype(np.float64)) / size
    alike = ((share >= _NEARLY_ALL) & (size > _ENOUGH))[group]
    pick = np.flatnonzero(~drilled & (through | alike))
    if board.profile is not None and not board.profile.area.is_empty:
        shapely.prepare(board.profile.area)
        pick = pick[np.asarray(shapely.intersects(board.profile.area, points[pick]))]
    a, b = a[pick], b[pick]
    at = np.stack([image.x[a], image.y[a]], axis=-1)
    net = top.net[image.piece_component[a]] if len(top.net) else np.full(len(a), -1)
    return Places.of(
        rule=MISSING.id,
        layer=top.name,
        kind=np.where(through[pick], "all layers", "like its neighbours").astype(object),
        value=np.ones(len(pick)),
        **place_points(board, at, at),
        group=a.astype(np.int64),
        net_a=names(board.net_names, net),
        file_a=image.file,
        line_a=image.line[a],
        code_a=image.code[a],
        file_b=bottom.image.file,
        line_b=bottom.image.line[b],
        code_b=bottom.image.code[b],
    )


def _stacks(top: Layer, bottom: Layer) -> tuple[Rows, Rows]:
    """Pieces of lands flashed at one place on both layers."""
    a, b = np.flatnonzero(top.image.flash), np.flatnonzero(bottom.image.flash)
    if len(a) == 0 or len(b) == 0:
        return a[:0], b[:0]
    x, y = bottom.image.x[b], bottom.image.y[b]
    of, near = BoxIndex(x, y, x, y).at(top.image.x[a], top.image.y[a], _SAME_PLACE)
    away = np.hypot(top.image.x[a[of]] - x[near], top.image.y[a[of]] - y[near])
    order = np.lexsort((near, away, of))
    order = order[run_starts(of[order])]
    order = order[away[order] <= _SAME_PLACE]
    return a[of[order]], b[near[order]]


def _flashed(layer: Layer, points: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Whether the layer has a land flashed at each point."""
    image = layer.image
    lands = np.flatnonzero(image.flash)
    out = np.zeros(len(points), dtype=np.bool_)
    if len(lands):
        x, y = image.x[lands], image.y[lands]
        of, land = BoxIndex(x, y, x, y).at(points[:, 0], points[:, 1], _SAME_PLACE)
        off = np.hypot(points[of, 0] - x[land], points[of, 1] - y[land])
        out[of[off <= _SAME_PLACE]] = True
    return out
