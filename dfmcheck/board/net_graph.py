"""One net as a graph: its pieces of copper and its plated holes, and where they touch.

The graph answers where nets that should be apart are joined. Access points of each name hold
what lies on every way between two points of one name; copper is then grown from its widest
contacts to its narrowest, and a contact that would let two names meet is not made: it is the
joint.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board
from dfmcheck.board.nets import crossing, hole_polygons
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.gaps import gaps_between
from dfmcheck.geometry.groups import connected
from dfmcheck.geometry.merge import TOUCHING

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Shapes = npt.NDArray[Any]

_NEAR = 0.5  # mm; contacts nearer than this are one place
_LOOKED_AT = 500  # contacts of a pair of names that are looked at for their number of places


@dataclass(frozen=True)
class NetGraph:
    """Pieces and holes of one board net and their contacts.

    Attributes
    ----------
    layer : intp (n,)
        Place of the node's layer in ``board.copper``; -1 for a plated hole.
    row : intp (n,)
        Row in that layer's ``image.pieces``, or in ``board.holes``.
    shape : array of Polygon (n,)
    width : float64 (n,)
        Narrower side of the shape, mm; a pour's is that of a disc of like area and girth.
    a, b : intp (m,)
        Nodes that touch.
    contact : float64 (m,)
        How wide they touch: no wider than either.
    """

    layer: Rows
    row: Rows
    shape: Shapes
    width: Floats
    a: Rows
    b: Rows
    contact: Floats

    def __len__(self) -> int:
        return len(self.layer)

    @cached_property
    def neighbours(self) -> list[list[int]]:
        """Contacts of every node."""
        out: list[list[int]] = [[] for _ in range(len(self))]
        for contact, (a, b) in enumerate(zip(self.a.tolist(), self.b.tolist(), strict=True)):
            out[a].append(contact)
            out[b].append(contact)
        return out

    def other(self, contact: int, node: int) -> int:
        a, b = int(self.a[contact]), int(self.b[contact])
        return b if a == node else a

    def touching(self, contact: int) -> Any:
        """What the two shapes of a contact share; a line or point where they only touch."""
        one, two = self.shape[self.a[contact]], self.shape[self.b[contact]]
        shared = shapely.intersection(one, two)
        return shapely.shortest_line(one, two) if shared.is_empty else shared

    def path(self, start: int, goals: set[int], closed: set[int]) -> list[int]:
        """Fewest shapes from ``start`` to one of ``goals`` without the ``closed`` contacts."""
        came: dict[int, int] = {start: -1}
        queue = deque([start])
        while queue:
            node = queue.popleft()
            if node in goals:
                out = [node]
                while came[out[-1]] >= 0:
                    out.append(came[out[-1]])
                return out[::-1]
            for contact in self.neighbours[node]:
                if contact not in closed and (other := self.other(contact, node)) not in came:
                    came[other] = node
                    queue.append(other)
        return [start]


def net_graph(board: Board, net: int) -> NetGraph:
    """The graph of one board net."""
    layer: list[Rows] = []
    row: list[Rows] = []
    shape: list[Shapes] = []
    a: list[Rows] = []
    b: list[Rows] = []
    holes = np.flatnonzero(board.holes.net == net)
    discs = hole_polygons(board.holes, holes)
    count = len(holes)
    layer.append(np.full(count, -1))
    row.append(holes)
    shape.append(discs)
    if count > 1:
        one, two = shapely.STRtree(discs).query(discs, predicate="intersects")
        keep = (one < two) & crossing(board.holes, holes[one], holes[two])
        a.append(one[keep])
        b.append(two[keep])
    for number, each in enumerate(board.copper):
        image = each.image
        if len(image.pieces) == 0:
            continue
        rows = np.flatnonzero(each.net[image.piece_component] == net)
        pieces = image.pieces[rows]
        if len(rows) == 0:
            continue
        tree = shapely.STRtree(pieces)
        one, two = tree.query(pieces, predicate="intersects")
        keep = one < two
        one, two = one[keep], two[keep]
        for extra in _exact_contacts(board, number, rows):
            one, two = np.append(one, extra[0]), np.append(two, extra[1])
        a.append(one + count)
        b.append(two + count)
        if len(holes):
            hole, piece = tree.query(discs, predicate="intersects")
            span = board.holes
            crossed = (span.first[holes[hole]] <= number + 1) & (
                span.last[holes[hole]] >= number + 1
            )
            a.append(hole[crossed])
            b.append(piece[crossed] + count)
        layer.append(np.full(len(rows), number))
        row.append(rows)
        shape.append(pieces)
        count += len(rows)
    shapes = np.concatenate(shape)
    none = np.empty(0, dtype=np.intp)
    ends = np.concatenate([none, *a]), np.concatenate([none, *b])
    width = shape_width(shapes)
    return NetGraph(
        np.concatenate(layer), np.concatenate(row), shapes, width, *ends,
        _contact_width(shapes, width, *ends),
    )  # fmt: skip


def _exact_contacts(board: Board, number: int, rows: Rows) -> list[tuple[int, int]]:
    """Pairs of pieces whose exact outlines touch although their chords do not."""
    image = board.copper[number].image
    parts = np.unique(image.part[rows])
    joined = image.component[parts]
    values, count = np.unique(joined, return_counts=True)
    out: list[tuple[int, int]] = []
    for component in values[count > 1].tolist():
        for part in parts[joined == component].tolist():
            mine = rows[image.part[rows] == part]
            others = rows[(image.part[rows] > part) & (image.piece_component[rows] == component)]
            near = shapely.dwithin(
                image.parts[part], image.pieces[others], 2 * CHORD_ERROR + TOUCHING
            )
            if not near.any():
                continue
            first = image.edges.take(np.flatnonzero(np.isin(image.edges.piece, mine)))
            second = image.edges.take(np.flatnonzero(np.isin(image.edges.piece, others[near])))
            gaps = gaps_between(first, second, TOUCHING)
            found = np.unique(
                np.stack([first.piece[gaps.a], second.piece[gaps.b]], axis=-1), axis=0
            )
            out += [tuple(np.searchsorted(rows, pair).tolist()) for pair in found]
    return out


def shape_width(shapes: Shapes) -> Floats:
    """Narrower side of each shape, mm."""
    if len(shapes) == 0:
        return np.empty(0)
    girth = shapely.length(shapes)
    even = 4 * shapely.area(shapes) / np.maximum(girth, 1e-12)
    return np.asarray(np.minimum(even, _sides(shapes)[0]))


def _sides(shapes: Shapes) -> tuple[Floats, Floats]:
    """Shorter and longer side of the smallest rectangle round each shape."""
    rectangles = shapely.minimum_rotated_rectangle(shapes)
    short, long = np.zeros(len(shapes)), shapely.length(rectangles)
    flat = shapely.get_dimensions(rectangles) == 2
    rings = shapely.get_exterior_ring(rectangles[flat])
    corners = shapely.get_coordinates(rings).reshape(-1, 5, 2)[:, :3]
    sides = np.sort(np.hypot(*np.diff(corners, axis=1).transpose(2, 0, 1)), axis=1)
    short[flat], long[flat] = sides.T
    return short, long


def _contact_width(shapes: Shapes, width: Floats, a: Rows, b: Rows) -> Floats:
    """How wide two shapes touch: the longer side of what they share, no more than either."""
    out = np.minimum(width[a], width[b])
    if len(a) == 0:
        return out
    # The smaller shape of a pair decides where to look: pours have many points.
    large = shapely.get_num_coordinates(shapes) > 200
    swap = large[a] & ~large[b]
    one, two = np.where(swap, b, a), np.where(swap, a, b)
    box = shapely.bounds(shapes[one]) + np.array([-1, -1, 1, 1]) * 1e-3
    for big in np.unique(two[large[two]]).tolist():
        shapely.prepare(shapes[big])
    inside = shapely.contains_properly(shapes[two], shapes[one])
    rest = np.flatnonzero(~inside)
    far = shapes[two[rest]].copy()
    for k in np.flatnonzero(large[two[rest]]).tolist():
        far[k] = shapely.clip_by_rect(far[k], *box[rest[k]].tolist())
    shared = shapely.intersection(shapes[one[rest]], shapely.make_valid(far))
    out[rest] = np.minimum(out[rest], _sides(shared)[1])
    return out


def held_between(graph: NetGraph, points: Rows) -> set[int]:
    """Nodes without which some of ``points`` would lose each other, and ``points`` themselves.

    Articulation nodes of the graph by depth-first search (Tarjan 1972), with the number of
    points counted on each side.
    """
    out = set(points.tolist())
    total = len(points)
    if total < 2:
        return out
    marked = np.zeros(len(graph), dtype=np.bool_)
    marked[points] = True
    order = np.full(len(graph), -1)
    low = np.zeros(len(graph), dtype=np.intp)
    below = marked.astype(np.intp)
    root = int(points[0])
    order[root], clock = 0, 1
    stack: list[tuple[int, int, int]] = [(root, -1, 0)]
    while stack:
        node, parent, at = stack.pop()
        edges = graph.neighbours[node]
        while at < len(edges):
            other = graph.other(edges[at], node)
            at += 1
            if other in (parent, node):
                continue
            if order[other] >= 0:
                low[node] = min(low[node], order[other])
                continue
            order[other] = low[other] = clock
            clock += 1
            stack += [(node, parent, at), (other, node, 0)]
            break
        else:
            if parent >= 0:
                low[parent] = min(low[parent], low[node])
                below[parent] += below[node]
                # Without its parent this part is cut off: are points in it, and elsewhere?
                elsewhere = total - int(marked[parent]) - below[node]
                if low[node] >= order[parent] and below[node] and elsewhere:
                    out.add(parent)
    return out


@dataclass(frozen=True, slots=True)
class Joint:
    """Where two names meet: a contact, or a shape that both of them need.

    ``names`` are the two; ``contact`` is -1 where one shape (``chain[at]``) serves both.
    ``chain`` runs from an access point of the first name to one of the second; the shapes
    from ``first`` to ``last`` in it (both included) are those the joint may lie between.
    """

    names: tuple[int, int]
    contact: int
    chain: tuple[int, ...]
    first: int
    last: int
    count: int = 1  # separate places at which these two names meet


def joints(graph: NetGraph, points: Mapping[int, Rows]) -> list[Joint]:
    """Where copper that carries several names is joined, the widest joint of each pair first.

    Parameters
    ----------
    points : mapping of name to nodes
        Access points of every name.
    """
    held = {name: held_between(graph, np.unique(nodes)) for name, nodes in points.items()}
    owner: dict[int, int] = {}
    shared: dict[int, list[int]] = {}
    for name, nodes in held.items():
        for node in nodes:
            shared.setdefault(node, []).append(name)
    for node, names in shared.items():
        if len(names) == 1:
            owner[node] = names[0]
    out = _shared_shapes(graph, points, shared)
    group = list(range(len(graph)))
    label = {node: owner.get(node, -1) for node in range(len(graph))}

    def root(node: int) -> int:
        while group[node] != node:
            group[node] = group[group[node]]
            node = group[node]
        return node

    refused: list[int] = []
    for contact in np.argsort(-graph.contact, kind="stable").tolist():
        a, b = root(int(graph.a[contact])), root(int(graph.b[contact]))
        if a == b:
            continue
        if label[a] >= 0 and label[b] >= 0 and label[a] != label[b]:
            refused.append(contact)
            continue
        group[b] = a
        label[a] = max(label[a], label[b])
    known = {j.names for j in out}
    by_pair: dict[tuple[int, int], list[int]] = {}
    for contact in refused:
        one = label[root(int(graph.a[contact]))]
        two = label[root(int(graph.b[contact]))]
        if one != two:
            by_pair.setdefault((min(one, two), max(one, two)), []).append(contact)
    closed = set(refused)
    for (one, two), contacts in by_pair.items():
        if (one, two) in known:
            continue
        a, b = int(graph.a[contacts[0]]), int(graph.b[contacts[0]])
        if label[root(a)] != one:
            a, b = b, a
        head = graph.path(a, set(points[one].tolist()), closed)[::-1]
        tail = graph.path(b, set(points[two].tolist()), closed)
        first = max(k for k, node in enumerate(head) if k == 0 or node in held[one])
        last = min(k for k, node in enumerate(tail) if k == len(tail) - 1 or node in held[two])
        out.append(
            Joint(
                (one, two), contacts[0], (*head, *tail), first, len(head) + last,
                _places(graph, contacts),
            )
        )  # fmt: skip
    return out


def _shared_shapes(
    graph: NetGraph, points: Mapping[int, Rows], shared: Mapping[int, Sequence[int]]
) -> list[Joint]:
    """One joint for each pair of names that need the same shape."""
    best: dict[tuple[int, int], int] = {}
    for node, names in shared.items():
        for k, one in enumerate(names):
            for two in names[k + 1 :]:
                pair = (min(one, two), max(one, two))
                if pair not in best or graph.width[node] < graph.width[best[pair]]:
                    best[pair] = node
    out: list[Joint] = []
    for (one, two), node in sorted(best.items()):
        head = graph.path(node, set(points[one].tolist()), set())[::-1]
        tail = graph.path(node, set(points[two].tolist()), set())
        at = len(head) - 1
        out.append(Joint((one, two), -1, (*head, *tail[1:]), at, at))
    return out


def _places(graph: NetGraph, contacts: Sequence[int]) -> int:
    """How many places the contacts make: those within ``_NEAR`` of each other are one."""
    some = np.array(contacts[:_LOOKED_AT])
    a, b = graph.a[some], graph.b[some]
    middle = shapely.get_coordinates(
        shapely.line_interpolate_point(
            shapely.shortest_line(shapely.boundary(graph.shape[a]), graph.shape[b]), 0.0
        )
    )
    layer = np.maximum(graph.layer[a], graph.layer[b])
    # Layers are set far apart, so that places over each other stay two.
    at = np.concatenate([middle, layer[:, None] * 10 * _NEAR], axis=1)
    from scipy.spatial import KDTree

    pairs = KDTree(at).query_pairs(_NEAR, output_type="ndarray")
    return int(connected(len(some), *pairs.T).max()) + 1
