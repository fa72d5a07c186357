"""Lays a netlist over the board: its datum, and the copper every test point meets."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.formats.ipc356 import Netlist
from dfmcheck.formats.records import Kind
from dfmcheck.terms import Assumption, Defect, Weight

if TYPE_CHECKING:
    from scipy.spatial import KDTree

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Rows = npt.NDArray[Any]

NEAR = 0.05
"""A netlist hole and a drilled one nearer than this (mm) are the same hole."""
_SURE = 0.5  # share of points on their hole or land that settles the datum
_MOVED_SURE = 0.7  # the same after a move
_BEYOND_DOUBT = 0.95  # no other move is looked for
_ON_COPPER = 0.95  # share of points on copper that settles it where lands are not flashed
_FEW = 5
_TRIED = 150  # points whose differences vote for a move
_SCALES = (
    (1.0, ""), (25.4, "inch for mm"), (1 / 25.4, "mm for inch"),
    (2.54, "0.0001 inch for 0.001 mm"), (1 / 2.54, "0.001 mm for 0.0001 inch"),
    (10.0, "one decimal place"), (0.1, "one decimal place"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Placement:
    """Where the points of a netlist lie on the board, one row per point.

    Attributes
    ----------
    x, y : float64, mm
        In the files' coordinates, as the copper's.
    net : int32
        Board net of the copper met; -1 for none.
    hole : int32
        Row in ``board.holes``; -1 for none.
    access : int32
        Conductor number from the top; 0 any, -1 not stated.
    scale : float
        Factor that was applied to the netlist's lengths.
    trusted : bool
        False when the netlist does not lie on the board at any move that was tried.
    """

    x: Floats
    y: Floats
    net: Ints
    hole: Ints
    access: Ints
    scale: float
    trusted: bool
    defects: tuple[Defect, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


def place(board: Board, netlist: Netlist) -> Placement:
    """Find the netlist's datum by statistics, then the copper under every point.

    A through hole takes the net of the drilled hole it meets; other points that of the
    copper on the side they are reached from, at the point or within their land.
    """
    p = netlist.points
    x, y, scale, share, assumptions = _register(board, netlist)
    none = np.full(len(p), -1, dtype=np.int32)
    if share < _SURE:
        what = Defect(
            "data.datum-offset", Weight.HOLD,
            f"only {share:.0%} of the netlist's points meet a hole or land of the board, at any "
            "offset or unit that was tried",
            "nearly all of them",
            "The netlist was not compared; ask whether it belongs to this revision of the board.",
            netlist.file,
        )  # fmt: skip
        return Placement(x, y, none, none, p.access, scale, False, (what,))
    hole = _match_holes(board, x, y, p.hole * scale)
    access, more = _access(board, netlist, x, y)
    net = none.copy()
    drilled = hole >= 0
    net[drilled] = np.where(
        board.holes.plated[hole[drilled]] == 1, board.holes.net[hole[drilled]], -1
    )
    reach = _land_reach(netlist, scale)
    for number, layer in _from_outside(board):
        rows = np.flatnonzero(
            (net < 0)
            & ((access == number) | ((access <= 0) & ((p.record != 327) | _outer(board, number))))
        )
        net[rows] = copper_at(layer, x[rows], y[rows], reach[rows])
    return Placement(x, y, net, hole, access, scale, True, (), (*assumptions, *more))


def _land_reach(netlist: Netlist, scale: float) -> Floats:
    """How far from a point its land may reach, mm."""
    p = netlist.points
    reach = np.fmax(np.fmin(p.width, p.height), p.hole + 2 * NEAR) * scale / 2
    return np.where(np.isnan(reach), NEAR, reach)


def spots(board: Board, netlist: Netlist, placed: Placement, rows: Rows) -> tuple[Rows, Rows]:
    """What the points of ``rows`` lie on.

    Returns
    -------
    layer, row : intp (points,)
        Place in ``board.copper`` and row in its pieces; -1 and a row in ``board.holes`` for a
        point at a plated hole; row -1 for points not asked for and those without copper.
    """
    p = netlist.points
    layer, row = np.full(len(p), -1, dtype=np.intp), np.full(len(p), -1, dtype=np.intp)
    hole = placed.hole[rows]
    plated = board.holes.plated[hole] == 1 if len(board.holes) else np.zeros(len(rows), np.bool_)
    drilled = (hole >= 0) & plated
    row[rows[drilled]] = hole[drilled]
    left = rows[~drilled]
    reach = _land_reach(netlist, placed.scale)
    for number, each in _from_outside(board):
        image, access = each.image, placed.access[left]
        outer = (p.record[left] != 327) | _outer(board, number)
        mine = left[(row[left] < 0) & ((access == number) | ((access <= 0) & outer))]
        if len(mine) == 0 or len(image.pieces) == 0:
            continue
        pieces = image.pieces[:]
        tree = shapely.STRtree(pieces)
        for k in mine.tolist():
            at = shapely.points(placed.x[k], placed.y[k])
            near = tree.query(at, predicate="dwithin", distance=float(reach[k]))
            near = near[each.net[image.piece_component[near]] == placed.net[k]]
            if len(near):
                # Of what lies there, a land before a run, the nearest before the rest.
                far = shapely.distance(pieces[near], at)
                best = near[np.lexsort((~image.flash[near], np.round(far, 4)))[0]]
                layer[k], row[k] = number - 1, best
    return layer, row


def _from_outside(board: Board) -> Iterator[tuple[int, Layer]]:
    """Conductors, outer ones first: a point with a choice is probed from outside."""
    numbers = range(1, len(board.copper) + 1)
    for number in sorted(numbers, key=lambda n: (not _outer(board, n), n)):
        yield number, board.copper[number - 1]


def _outer(board: Board, number: int) -> bool:
    return number in (1, len(board.copper))


def copper_at(layer: Layer, x: Floats, y: Floats, reach: Floats) -> Ints:
    """Board net of a layer's copper at each point, or nearest to it within ``reach`` (mm)."""
    part = parts_at(layer, x, y, reach)
    if len(layer.image.parts) == 0:
        return part
    return np.where(part >= 0, layer.net[layer.image.component[part]], -1).astype(np.int32)


def parts_at(layer: Layer, x: Floats, y: Floats, reach: Floats) -> Ints:
    """Row in ``layer.image.parts`` at each point or within ``reach`` of it; -1 for none."""
    out = np.full(len(x), -1, dtype=np.int32)
    parts = layer.image.parts
    if len(x) == 0 or len(parts) == 0:
        return out
    points = shapely.points(x, y)
    # The parts are the prepared side: big pours have many points to test.
    of_part, of_point = shapely.STRtree(points).query(parts, predicate="intersects")
    out[of_point] = of_part
    lost = np.flatnonzero(out < 0)
    if len(lost) and (far := float(reach[lost].max())) > 0:
        (of_point, of_part), distance = shapely.STRtree(parts).query_nearest(
            points[lost], max_distance=far, return_distance=True, all_matches=False
        )
        near = distance <= reach[lost[of_point]]
        out[lost[of_point[near]]] = of_part[near]
    return out


def _centres(board: Board) -> Floats:
    h = board.holes
    return np.stack([(h.x0 + h.x1) / 2, (h.y0 + h.y1) / 2], axis=-1)


def _match_holes(board: Board, x: Floats, y: Floats, size: Floats) -> Ints:
    """Drilled hole of every point with a hole: the nearest, by size where several are near.

    A point anywhere inside a slot or routed hole belongs to it.
    """
    out = np.full(len(x), -1, dtype=np.int32)
    rows = np.flatnonzero(~np.isnan(size))
    h = board.holes
    if len(h) == 0 or len(rows) == 0:
        return out
    at = np.stack([x[rows], y[rows]], axis=-1)
    k = min(4, len(h))
    distance, found = _tree(_centres(board)).query(at, k=k)
    distance = np.asarray(distance).reshape(len(rows), k)
    found = np.asarray(found).reshape(len(rows), k)
    fits = distance <= np.fmax(NEAR, size[rows] / 2)[:, None]
    off = np.abs(2 * h.r[found] - size[rows][:, None])
    # Holes one over the other (blind and through): size decides; otherwise distance does.
    cost = np.where(fits, np.round(distance / NEAR) * 100 + off, np.inf)
    best = cost.argmin(axis=1)
    pick = np.arange(len(rows))
    out[rows] = np.where(np.isfinite(cost[pick, best]), found[pick, best], -1)
    lost = np.flatnonzero(out[rows] < 0)
    if len(lost):
        lines = shapely.linestrings(
            np.stack([np.stack([h.x0, h.y0], -1), np.stack([h.x1, h.y1], -1)], axis=1)
        )
        far = float(h.r.max())
        points = shapely.points(at[lost])
        (of_point, of_line), d = shapely.STRtree(lines).query_nearest(
            points, max_distance=far, return_distance=True, all_matches=False
        )
        inside = d <= h.r[of_line]
        out[rows[lost[of_point[inside]]]] = of_line[inside]
    return out


def _access(
    board: Board, netlist: Netlist, x: Floats, y: Floats
) -> tuple[Ints, tuple[Assumption, ...]]:
    """Conductor numbers; A02 means the bottom in netlists that know only two sides."""
    p, last = netlist.points, len(board.copper)
    access = p.access.copy()
    rows = np.flatnonzero((access == 2) & np.isnan(p.hole))
    if last <= 2 or len(rows) == 0 or int(access.max()) > 2:
        return access, ()
    second, bottom = (_share_on_lands(board.copper[n], x[rows], y[rows]) for n in (1, last - 1))
    if second > bottom:
        return access, ()
    access[access == 2] = last
    return access, (
        Assumption(
            "access side A02", f"bottom (conductor {last})",
            f"{bottom:.0%} of {len(rows)} surface points with A02 meet a land there, "
            f"{second:.0%} on conductor 2", netlist.file,
            0.95 if bottom > 0.9 and second < _SURE else 0.7,
        ),
    )  # fmt: skip


def _share_on_lands(layer: Layer, x: Floats, y: Floats) -> float:
    """Share of points at the centre of a piece of copper that is not a draw: planes have none."""
    image = layer.image
    pieces = image.pieces[image.kind > Kind.ARC]
    if len(pieces) == 0:
        return 0.0
    bounds = shapely.bounds(pieces)
    return _share(_tree((bounds[:, :2] + bounds[:, 2:]) / 2), np.stack([x, y], axis=-1))


def _register(
    board: Board, netlist: Netlist
) -> tuple[Floats, Floats, float, float, tuple[Assumption, ...]]:
    """Points in the board's coordinates, scale, share on target, and what was assumed.

    Holes and lands are each tried without a move first: drill data may be off by itself.
    """
    p = netlist.points
    if len(p) < _FEW:  # too few for statistics: taken as they are
        return p.x, p.y, 1.0, 1.0, ()
    anchors = [a for a in _anchors(board, netlist) if len(a[0]) and len(a[1])]
    before = [_share(_tree(targets), here) for here, targets, _ in anchors]
    if any(share >= _SURE for share in before):
        return p.x, p.y, 1.0, max(before), ()
    for share, anchor in zip(before, anchors, strict=True):
        moved = _moved(netlist, *anchor, share)
        if moved is not None:
            return moved
    # Lands that are drawn, not flashed, have no centre to meet: copper on the right side has.
    on_copper = _share_on_copper(board, netlist)
    if on_copper >= _ON_COPPER:
        return p.x, p.y, 1.0, on_copper, ()
    return p.x, p.y, 1.0, max(before, default=0.0), ()


def _share_on_copper(board: Board, netlist: Netlist) -> float:
    p = netlist.points
    rows = np.flatnonzero(p.net >= 0)
    met = np.zeros(len(rows), dtype=np.bool_)
    for number, layer in _from_outside(board):
        here = np.flatnonzero(~met & ((p.access[rows] == number) | (p.access[rows] <= 0)))
        points = rows[here]
        met[here] = parts_at(layer, p.x[points], p.y[points], np.zeros(len(points))) >= 0
    return float(met.mean()) if len(rows) >= _FEW else 0.0


def _moved(
    netlist: Netlist, here: Floats, targets: Floats, what: str, before: float
) -> tuple[Floats, Floats, float, float, tuple[Assumption, ...]] | None:
    """The move, scale or mirror that lays nearly all of ``here`` on ``targets``, if one does."""
    p = netlist.points
    tree = _tree(targets)
    best: tuple[float, float, str, float, Floats] = (before, 1.0, "", 1.0, np.zeros(2))
    for scale, slip in _SCALES:
        for mirror in (1.0, -1.0):
            if best[0] > _BEYOND_DOUBT:
                break
            turned = here * np.array([scale * mirror, scale])
            for move in _votes(turned, targets):
                share = _share(tree, turned + move)
                if share > best[0] + 0.02:
                    best = (share, scale, slip, mirror, move)
    share, scale, slip, mirror, move = best
    if share < _MOVED_SURE or share < before + 0.2:
        return None
    turned = here * np.array([scale * mirror, scale]) + move
    distance, nearest = tree.query(turned)
    move = move + np.median((targets[nearest] - turned)[distance < NEAR], axis=0)
    evidence = (
        f"{share:.0%} of its {len(here)} {what} then meet those of the layers, {before:.0%} before"
    )
    said: list[Assumption] = []
    if slip:
        value = f"lengths × {scale:.6g} ({slip})"
        said.append(Assumption("unit of the netlist", value, evidence, netlist.file, 0.75))
    if mirror < 0:
        value = "mirrored left to right"
        said.append(Assumption("view of the netlist", value, evidence, netlist.file, 0.75))
    if np.hypot(*move) > 1e-3:
        value = f"netlist moved by ({move[0]:.3f}, {move[1]:.3f}) mm onto the layers"
        said.append(Assumption("datum of the netlist", value, evidence, netlist.file, 0.9))
    x, y = p.x * scale * mirror + move[0], p.y * scale + move[1]
    return x, y, scale, share, tuple(said)


def _anchors(board: Board, netlist: Netlist) -> list[tuple[Floats, Floats, str]]:
    """What is laid over each other: holes where both sides have some, then lands."""
    p = netlist.points
    at = np.stack([p.x, p.y], axis=-1)
    out: list[tuple[Floats, Floats, str]] = []
    drilled = np.flatnonzero(~np.isnan(p.hole))
    if len(drilled) >= _FEW and len(board.holes) >= _FEW:
        out.append((at[drilled], _centres(board), "holes"))
    if board.copper:
        outer = [layer.image for layer in (board.copper[0], board.copper[-1])]
        lands = [np.stack([i.x, i.y], axis=-1)[i.kind == Kind.FLASH] for i in outer]
        out.append((at, np.concatenate(lands), "points"))
    return out


def _tree(points: Floats) -> KDTree:
    from scipy.spatial import KDTree  # loads slowly, and most packages hold no netlist

    return KDTree(points)


def _share(tree: KDTree, points: Floats) -> float:
    distance, _ = tree.query(points, distance_upper_bound=NEAR)
    return float(np.isfinite(distance).mean())


def _votes(points: Floats, targets: Floats) -> Floats:
    """The moves that most differences between points and targets agree on, up to three."""
    tried = min(_TRIED, max(_TRIED // 5, 400_000 // len(targets)))
    some = points[:: max(1, len(points) // tried)]
    step = 2 * NEAR
    cells = np.round((targets[None, :, :] - some[:, None, :]).reshape(-1, 2) / step)
    key = cells[:, 0].astype(np.int64) * 1_000_000 + cells[:, 1].astype(np.int64)
    _, first, count = np.unique(key, return_index=True, return_counts=True)
    top = np.argsort(-count, kind="stable")[:3]
    moves = []
    tree = _tree(targets)
    for move in cells[first[top]] * step:
        # A cell is coarse: the median of what lies near it is the move.
        distance, nearest = tree.query(some + move)
        close = distance < 2 * step
        rest = (targets[nearest] - some - move)[close]
        moves.append(move + (np.median(rest, axis=0) if len(rest) else 0.0))
    return np.array(moves).reshape(-1, 2)
