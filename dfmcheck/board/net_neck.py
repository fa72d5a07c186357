"""The narrowest neck between two places of one image."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board
from dfmcheck.board.net_graph import Joint, NetGraph
from dfmcheck.geometry.facing import Widths, narrow_places

Floats = npt.NDArray[np.float64]

_KNIFE = 1e-4  # mm; a cut this wide parts copper, and reaches this far past its outline
_MARGIN = 0.3  # mm of surroundings looked at beside the shapes concerned
_TRIED = 40  # of them, how many are looked at to tell the middle of a stretch
_ALIKE = 1e-3  # necks that differ by less than this share are equally narrow


@dataclass(frozen=True, slots=True)
class Neck:
    """A line across copper, from outline to outline: its ends, mm, and its length."""

    p: tuple[float, float]
    q: tuple[float, float]
    width: float
    layer: int  # place in board.copper

    @property
    def middle(self) -> tuple[float, float]:
        return (self.p[0] + self.q[0]) / 2, (self.p[1] + self.q[1]) / 2


def narrowest(copper: Any, one: Any, two: Any, reach: float, window: Any = None) -> Neck | None:
    """The neck that has to be passed between two areas of ``copper``.

    Of all ways through the copper the widest is taken, and its narrowest place told: cut at
    every neck up to that width, the copper falls apart between the two areas.

    Parameters
    ----------
    copper : Polygon or MultiPolygon
    one, two : geometry
        Areas, lines or points within the copper.
    reach : float, mm
        Wider necks are not looked for.
    window : Polygon, optional
        What ``copper`` was clipped to: its sides are no outline.

    Returns
    -------
    Neck or None
        None when no neck up to ``reach`` parts the two.
    """
    parts = shapely.get_parts(copper)
    parts = parts[shapely.area(parts) > 0]
    necks = narrow_places(parts, reach)
    if window is not None and len(necks):
        ends = shapely.points(np.concatenate([necks.p, necks.q]))
        clipped = shapely.dwithin(shapely.get_exterior_ring(window), ends, 1e-6)
        necks = necks.take(~clipped[: len(necks)] & ~clipped[len(necks) :])
    necks = necks.take(np.argsort(necks.value, kind="stable"))
    if len(necks) == 0 or not _apart(copper, one, two, necks):
        return None
    low, high = 0, len(necks)  # parted by the first `high` necks, not by the first `low`
    while high - low > 1:
        middle = (low + high) // 2
        if _apart(copper, one, two, necks.take(np.arange(middle))):
            high = middle
        else:
            low = middle
    return _told(copper, one, two, necks, high - 1)


def _told(copper: Any, one: Any, two: Any, necks: Widths, last: int) -> Neck:
    """Of necks as narrow as the one that parts the copper, the middle of their stretch."""
    value = necks.value[last]
    slack = value * _ALIKE + 1e-6
    alike = np.flatnonzero(np.abs(necks.value - value) <= slack)
    lines = [(necks.p[last], necks.q[last])]
    if len(alike) > 1:
        narrower = necks.take(np.flatnonzero(necks.value < value - slack))
        lines += [
            (necks.p[k], necks.q[k])
            for k in alike[:_TRIED].tolist()
            if k != last and _apart(copper, one, two, _with(narrower, necks, k))
        ]
    middles = np.array([(p + q) / 2 for p, q in lines])
    half = shapely.get_coordinates(
        shapely.line_interpolate_point(shapely.shortest_line(one, two), 0.5, normalized=True)
    )[0]
    p, q = lines[int(np.argmin(np.hypot(*(middles - half).T)))]
    first = int(np.argmax(np.hypot(*(middles - middles[0]).T)))
    a, b = lines[0]
    c, d = lines[first]
    if np.dot(b - a, d - c) < 0:
        c, d = d, c
    r, s = (a + c) / 2, (b + d) / 2
    # A straight stretch of one width has its narrow places at its ends: its middle is told.
    along = shapely.points([r, s, (3 * a + c) / 4, (3 * b + d) / 4])
    on_outline = shapely.dwithin(shapely.boundary(copper), along, slack)
    if abs(np.hypot(*(s - r)) - value) <= slack and bool(on_outline.all()):
        p, q = r, s
    return Neck(tuple(p.tolist()), tuple(q.tolist()), float(value), -1)


def _with(some: Widths, necks: Widths, row: int) -> Widths:
    one = necks.take(np.array([row]))
    return Widths(*(np.concatenate([getattr(w, n) for w in (some, one)])
                    for n in ("value", "p", "q", "part")))  # fmt: skip


def _apart(copper: Any, one: Any, two: Any, necks: Widths) -> bool:
    """Whether copper cut at ``necks`` holds no piece that meets both areas."""
    along = (necks.q - necks.p) / necks.value[:, None]
    lines = shapely.linestrings(
        np.stack([necks.p - along * _KNIFE, necks.q + along * _KNIFE], axis=1)
    )
    cuts = shapely.buffer(lines, _KNIFE / 2, cap_style="flat")
    pieces = shapely.get_parts(shapely.difference(copper, shapely.union_all(cuts)))
    shapely.prepare(pieces)
    return not bool((shapely.intersects(pieces, one) & shapely.intersects(pieces, two)).any())


def neck_of(board: Board, graph: NetGraph, joint: Joint) -> Neck:
    """Where a joint is narrowest: between the shapes that surely belong to either name.

    Where no neck can be told (one shape lies wholly in the other), the middle of what the two
    shapes share, with the narrower one's width.
    """
    if joint.contact < 0:
        found = _inside(board, graph, joint)
    else:
        found = [
            neck
            for run in _runs(graph, joint.chain[joint.first : joint.last + 1])
            if (neck := _between(board, graph, run)) is not None
        ]
    if found:
        return min(found, key=lambda neck: neck.width)
    return _plain(graph, joint)


def _plain(graph: NetGraph, joint: Joint) -> Neck:
    """The middle of the contact, or of the shape, and its width."""
    if joint.contact >= 0:
        one, two = int(graph.a[joint.contact]), int(graph.b[joint.contact])
        shared, width = graph.touching(joint.contact), float(graph.contact[joint.contact])
        layer = max(int(graph.layer[one]), int(graph.layer[two]))
    else:
        node = joint.chain[joint.first]
        shared, width = graph.shape[node], float(graph.width[node])
        layer = int(graph.layer[node])
    at = shapely.centroid(shared)
    x, y = shapely.get_coordinates(at)[0].tolist()
    return Neck((x, y), (x, y), width, layer)


def _runs(graph: NetGraph, nodes: tuple[int, ...]) -> list[list[int]]:
    """The stretch of a chain on each layer; a hole ends one run and begins the next."""
    out: list[list[int]] = []
    run: list[int] = []
    for node in nodes:
        run.append(node)
        if graph.layer[node] < 0 and len(run) > 1:
            out.append(run)
            run = [node]
    if len(run) > 1:
        out.append(run)
    return out


def _between(board: Board, graph: NetGraph, run: list[int]) -> Neck | None:
    """The neck between the first and the last shape of a run on one layer."""
    layer = int(graph.layer[run].max())
    if layer < 0:
        return None
    shapes = graph.shape[run]
    middle = shapes[1:-1]
    shared = [shapely.intersection(a, b) for a, b in pairwise(shapes)]
    reach = 1.2 * max(float(graph.width[run].min()), 0.001)
    ends = [s for s in shared if not s.is_empty] or [shapely.shortest_line(shapes[0], shapes[-1])]
    window = shapely.box(
        *(shapely.total_bounds([*middle, *ends]) + np.array([-1, -1, 1, 1]) * (_MARGIN + reach))
    )
    rest = shapely.union_all(middle)
    one = shapely.difference(shapely.difference(shapes[0], rest), shapes[-1])
    two = shapely.difference(shapely.difference(shapes[-1], rest), shapes[0])
    one, two = shapely.intersection(one, window), shapely.intersection(two, window)
    if shapely.area(one) < 1e-9 or shapely.area(two) < 1e-9:
        return None
    mine = np.flatnonzero(graph.layer == layer)
    mine = mine[shapely.intersects(graph.shape[mine], window)]
    copper = shapely.intersection(shapely.union_all(graph.shape[mine]), window)
    # A hole is no copper of the layer, but joins all it touches.
    neck = narrowest(copper, one, two, reach, window)
    return None if neck is None else Neck(neck.p, neck.q, neck.width, layer)


def _inside(board: Board, graph: NetGraph, joint: Joint) -> list[Neck]:
    """The neck within the one shape both names need."""
    at = joint.first
    node = joint.chain[at]
    layer = int(graph.layer[node])
    if layer < 0 or at == 0 or at == len(joint.chain) - 1:
        return []
    before, after = joint.chain[at - 1], joint.chain[at + 1]
    if before == after:
        return []
    shape = graph.shape[node]
    one = shapely.intersection(shape, graph.shape[before])
    two = shapely.intersection(shape, graph.shape[after])
    mine = np.flatnonzero(graph.layer == layer)
    copper = shapely.union_all(graph.shape[mine])
    for reach in (0.05, 0.3, 1.5):
        if reach > 4 * graph.width[node]:
            break
        neck = narrowest(copper, one, two, reach)
        if neck is not None:
            return [Neck(neck.p, neck.q, neck.width, layer)]
    return []
