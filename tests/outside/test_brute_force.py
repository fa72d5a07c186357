"""Smallest values of every distance rule against plain shapely over all pairs.

The boards are random (hypothesis). On our side they are written as files, read, assembled and
measured; on the other side every object is one shapely polygon, and every distance is asked
for over all pairs of pieces, without index, edges or closed forms.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, settings
from scipy import ndimage
from shapely import LineString, Point, Polygon
from shapely.ops import nearest_points

from dfmcheck.board.assemble import assemble
from dfmcheck.board.model import Board
from dfmcheck.intake import open_package
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import measure_functions
from tests.outside.board_strategies import plans
from tests.outside.boards import Boards, Flash, Plan, nearest, nets, painted, pairs, parts

SLACK = 2e-4
"""mm; the chords of both sides. Our own uncertainty is added to it."""
REACH = 0.4
_SEARCH = "search of "
many = settings(
    max_examples=15, deadline=None, derandomize=True, database=None,
    suppress_health_check=list(HealthCheck), phases=(Phase.explicit, Phase.generate),
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Boards:
    return Boards(tmp_path_factory.mktemp("boards"))


def assembled(folder: Boards, plan: Plan) -> Board:
    return assemble(open_package(folder.write(plan), roles={}), thickness=1.6)


def measured(board: Board, rule: str, layer: str | None = None, reach: float = REACH) -> Places:
    """Places of one rule; a rule before which stands ``search of`` with all of its search."""
    every = rule.startswith(_SEARCH)
    rule = rule.removeprefix(_SEARCH)
    places = measure_functions()[rule](board, reach)
    keep = (places["rule"] == rule) | every
    if layer is not None:
        keep &= places["layer"] == layer
    return places.take(np.flatnonzero(keep))


def lowest(places: Places) -> tuple[float, float]:
    k = int(np.argmin(places["value"]))
    return float(places["value"][k]), float(places["uncertainty"][k])


def close(value: float, uncertainty: float, brute: float) -> bool:
    return abs(value - brute) <= uncertainty + SLACK


def gap(a: Any, b: Any) -> tuple[float, Any]:
    """Distance of two shapes, and the disc on the measured line, a little shrunk."""
    p, q = nearest_points(a, b)
    distance = float(p.distance(q))
    middle = Point((p.x + q.x) / 2, (p.y + q.y) / 2)
    return distance, middle.buffer(max(distance / 2 * 0.9 - 0.002, 1e-4), 16)


def all_gaps_found(
    places: Places, pieces: list[Any], label: list[int], origin: tuple[float, float]
) -> None:
    """Of pieces of unlike label: no listed value lies, and every free gap is listed."""
    found: dict[tuple[int, int], list[tuple[float, float]]] = {}
    columns = [places[n].tolist() for n in ("x", "y", "x2", "y2", "value", "uncertainty")]
    for x, y, x2, y2, value, uncertainty in zip(*columns, strict=True):
        i = nearest(pieces, x + origin[0], y + origin[1])
        j = nearest(pieces, x2 + origin[0], y2 + origin[1])
        assert label[i] != label[j]
        found.setdefault((min(i, j), max(i, j)), []).append((value, uncertainty))
    smallest = math.inf
    for i, j in pairs(len(pieces)):
        if label[i] == label[j]:
            continue
        brute, between = gap(pieces[i], pieces[j])
        smallest = min(smallest, brute)
        mine = min(found.get((i, j), [(math.inf, 0.0)]))
        if mine[0] < math.inf:
            assert mine[0] >= brute - mine[1] - SLACK, (mine, brute)
        free = not any(p.intersects(between) for k, p in enumerate(pieces) if k not in (i, j))
        if free and brute < REACH - SLACK:
            assert close(*mine, brute), (i, j, mine, brute)
    if smallest < 8.0:
        assert close(*lowest(places), smallest)
    elif smallest == math.inf:
        assert len(places) == 0


@many
@given(plan=plans())
def test_spacing_between_nets(folder: Boards, plan: Plan) -> None:
    board = assembled(folder, plan)
    top, bottom, net_top, net_bottom, _ = nets(plan)
    for layer, pieces, net in (("conductor-1", top, net_top), ("conductor-2", bottom, net_bottom)):
        found = measured(board, "etch.conductor-spacing", layer)
        all_gaps_found(found, pieces, net, plan.origin)


@many
@given(plan=plans())
def test_mask_web(folder: Boards, plan: Plan) -> None:
    openings = parts(painted(plan.mask))
    found = measured(assembled(folder, plan), "mask.web")
    all_gaps_found(found, openings, list(range(len(openings))), plan.origin)


@many
@given(plan=plans())
def test_walls_between_holes(folder: Boards, plan: Plan) -> None:
    board = assembled(folder, plan)
    found = measured(board, "drill.hole-to-hole")
    into = measured(board, "drill.overlapping-hits")
    shapes = [(Point(h.ends[0]), h.diameter / 2) for h in plan.holes]
    brute = [
        shapes[i][0].distance(shapes[j][0]) - shapes[i][1] - shapes[j][1]
        for i, j in pairs(len(shapes))
        if shapes[i] != shapes[j]
    ]
    overlaps = sorted(-b for b in brute if b < 0)
    assert np.sort(into["value"]) == pytest.approx(overlaps, abs=SLACK)
    apart = [b for b in brute if b > 0]
    if apart and min(apart) < 8.0:
        assert close(*lowest(found), min(apart))
        near = sorted(b for b in apart if b < REACH - SLACK)
        assert len(near) <= len(found)
        assert np.sort(found["value"])[: len(near)] == pytest.approx(near, abs=SLACK)


@many
@given(plan=plans())
def test_holes_to_copper(folder: Boards, plan: Plan) -> None:
    """Plated holes to other nets, unplated ones to all copper that stays on the board."""
    board = assembled(folder, plan)
    top, bottom, net_top, net_bottom, net_hole = nets(plan)
    for layer, pieces, net in (("conductor-1", top, net_top), ("conductor-2", bottom, net_bottom)):
        for rule, plated in (("drill.hole-to-copper", True), ("drill.unplated-to-copper", False)):
            found = measured(board, rule, layer)
            brute = [
                min(
                    (
                        max(part.distance(Point(hole.ends[0])) - hole.diameter / 2, 0.0)
                        for part, owner in zip(pieces, net, strict=True)
                        if owner != mine and not hole.shape().buffer(0.02).covers(part)
                    ),
                    default=math.inf,
                )
                for hole, mine in zip(plan.holes, net_hole, strict=True)
                if hole.plated == plated
            ]
            near = sorted(b for b in brute if b < REACH - SLACK)
            values = np.sort(np.maximum(found["value"], 0.0))
            if near:
                assert values[: len(near)] == pytest.approx(near, abs=1e-3)
                assert len(values) <= len([b for b in brute if b < REACH + SLACK])
            elif brute and min(brute) < 8.0:
                assert close(*lowest(found), min(brute))


@many
@given(plan=plans())
def test_annular_ring(folder: Boards, plan: Plan) -> None:
    board = assembled(folder, plan)
    plated = [h for h in plan.holes if h.plated]
    discs = [h.shape() for h in plated]
    for layer, objects in (("conductor-1", plan.top), ("conductor-2", plan.bottom)):
        found = measured(board, "plate.annular-ring", layer)
        pieces = [_filled(p, discs) for p in parts(painted(objects))]
        brute = []
        for hole in plated:
            centre, r = Point(hole.ends[0]), hole.diameter / 2
            here = [p for p in pieces if p.contains(centre)]
            if here:
                brute.append(here[0].boundary.distance(centre) - r)
            elif pieces:
                away = min(p.distance(centre) for p in pieces)
                brute.append(-away - r)
        near = sorted(b for b in brute if -2 * 0.25 < b < REACH - SLACK)
        values = np.sort(found["value"])
        for value in near:
            hit = np.abs(found["value"] - value) <= found["uncertainty"] + SLACK
            assert hit.any() or value < -r, (value, values)
        assert len(values) <= len(plated)
        if near and near[0] > -0.1:
            assert close(*lowest(found), near[0])


def _filled(part: Any, discs: list[Any]) -> Any:
    """A bore wholly inside a hole is drilled away with it."""
    kept = [r for r in part.interiors if not any(d.covers(Polygon(r)) for d in discs)]
    return Polygon(part.exterior, kept)


@many
@given(plan=plans(clear=False))
def test_mask_clearance(folder: Boards, plan: Plan) -> None:
    """Lands with an opening to themselves, their whole outline showing."""
    board = assembled(folder, plan)
    found = measured(board, "mask.clearance")
    openings = parts(painted(plan.mask))
    lands = [o for o in plan.top if isinstance(o, Flash)]
    spots = np.array([o.shape().centroid for o in lands], dtype=object)
    columns = zip(*(found[n].tolist() for n in ("x2", "y2", "value", "uncertainty")), strict=True)
    listed: dict[int, tuple[float, float]] = {}
    for x, y, value, uncertainty in columns:
        k = nearest(openings, x + plan.origin[0], y + plan.origin[1])
        listed[k] = min(listed.get(k, (math.inf, 0.0)), (value, uncertainty))
    for k, opening in enumerate(openings):
        mine: list[int] = []
        if len(spots):
            mine = np.flatnonzero(shapely.contains(opening, spots)).tolist()
        if len(mine) != 1 or opening.centroid.distance(lands[mine[0]].shape()) > 0:
            continue
        land = lands[mine[0]].shape()
        if opening.covers(land):
            brute = float(opening.boundary.distance(land))
            if brute < REACH - SLACK:
                assert close(*listed[k], brute), (listed.get(k), brute)
        elif k in listed:
            assert listed[k][0] < 0


@many
@given(plan=plans())
def test_copper_to_profile(folder: Boards, plan: Plan) -> None:
    board = assembled(folder, plan)
    line = LineString([*plan.profile, plan.profile[0]])
    for layer, objects in (("conductor-1", plan.top), ("conductor-2", plan.bottom)):
        pieces = parts(painted(objects))
        found = measured(board, "rout.copper-to-profile", layer)
        if not pieces:
            assert len(found) == 0
            continue
        on_line = [p for p in pieces if p.intersects(line)]
        if on_line:
            assert lowest(found)[0] <= 0
        else:
            assert close(*lowest(found), min(p.distance(line) for p in pieces))
        for piece in pieces:
            brute = piece.distance(line)
            if 0 < brute < REACH - SLACK:
                hit = np.abs(found["value"] - brute) <= found["uncertainty"] + SLACK
                assert hit.any(), (brute, found["value"])


# -- a second way: distance transforms of rasters (scipy.ndimage) -------------------------

_PITCH = 0.01


@settings(many, max_examples=4)
@given(plan=plans())
def test_spacing_and_holes_on_a_raster(folder: Boards, plan: Plan) -> None:
    board = assembled(folder, plan)
    top, _, net, _, net_hole = nets(plan)
    x, y = np.meshgrid(np.arange(0.0, 7.0, _PITCH) + 0.0031, np.arange(0.0, 5.0, _PITCH) + 0.0017)
    masks: dict[int, Any] = {}
    for part, owner in zip(top, net, strict=True):
        inside = shapely.contains_xy(part, x, y)
        masks[owner] = masks.get(owner, False) | inside
    away = {n: ndimage.distance_transform_edt(~mask) * _PITCH for n, mask in masks.items()}
    brute = [float(away[a][masks[b]].min()) for a in masks for b in masks if a < b]
    if brute and min(brute) < 7.0:
        value, _ = lowest(measured(board, "etch.conductor-spacing", "conductor-1"))
        assert value == pytest.approx(min(brute), abs=2 * _PITCH)
    near = [
        float(away[owner][shapely.contains_xy(hole.shape(), x, y)].min())
        for hole, mine in zip(plan.holes, net_hole, strict=True)
        if hole.plated
        for owner in masks
        if owner != mine
    ]
    found = measured(board, "drill.hole-to-copper", "conductor-1")
    if near and min(near) < 7.0:
        assert lowest(found)[0] == pytest.approx(min(near), abs=2 * _PITCH)


# -- widths and notches: where eroding the image changes it by a jump ---------------------

_STEP = 0.002
_JUMP = 0.03
_CORNER = 0.003
"""mm. Where round outlines cross at a small angle, a chord moves the corner they make by more
than its own error; the stated uncertainty of a notch does not hold that."""


def first_jump(image: Any, most: float) -> float | None:
    """Twice the depth at which an image, eroded by a growing disc, first changes by a jump.

    A neck parts, a stub or a bar goes all at once; a wedge only shortens, and what shrinks to
    a point (a triangle) is narrow nowhere. None when nothing jumps up to ``most``.
    """
    before = parts(image)
    for t in np.arange(_STEP, most / 2, _STEP).tolist():
        after = [p for p in parts(image.buffer(-t, 24)) if p.area > 1e-6]
        left = shapely.union_all(after)
        before = [p for p in before if p.intersects(left) or _size(p) > 2 * _JUMP]
        if _count(after) != _count(before) or (
            after and shapely.hausdorff_distance(shapely.union_all(before), left) > _JUMP
        ):
            return float(2 * t - _STEP)
        before = after
    return None


def _size(part: Any) -> float:
    x0, y0, x1, y1 = part.bounds
    return float(max(x1 - x0, y1 - y0))


def _count(pieces: list[Any]) -> tuple[int, int]:
    return len(pieces), sum(len(p.interiors) for p in pieces)


fewer = settings(many, max_examples=6)


@fewer
@given(plan=plans(most=6))
def test_width(folder: Boards, plan: Plan) -> None:
    found = measured(assembled(folder, plan), "search of etch.conductor-width", "conductor-1", 0.3)
    brute = first_jump(painted(plan.top), 0.3) if plan.top else None
    if brute is None:
        assert len(found) == 0 or found["value"].min() > 0.3 - _STEP
    else:
        value, uncertainty = lowest(found)
        assert abs(value - brute) <= uncertainty + _STEP + 1e-9, (value, brute)


@fewer
@given(plan=plans(most=6))
def test_notch(folder: Boards, plan: Plan) -> None:
    """The largest piece of copper alone, so that no other net stands in a notch."""
    if not plan.top:
        return
    image = max(parts(painted(plan.top)), key=lambda p: p.area)
    alone = tuple(o for o in plan.top if not o.dark or o.shape().intersects(image))
    if len(parts(painted(alone))) != 1:
        return
    board = assembled(folder, replace(plan, top=alone, bottom=(), mask=(), holes=()))
    found = measured(board, "search of etch.notch", "conductor-1", 0.3)
    void = shapely.box(-5, -5, 12, 10) - image
    brute = first_jump(void, 0.3)
    if brute is None:
        assert len(found) == 0 or found["value"].min() > 0.3 - _STEP
    else:
        value, uncertainty = lowest(found)
        assert abs(value - brute) <= uncertainty + _STEP + _CORNER, (value, brute)
