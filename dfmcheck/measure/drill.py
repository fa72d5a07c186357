"""Drill: holes through the pressed stack. Copper near a hole, depth over diameter."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.geometry.gaps import Gaps, gaps_between
from dfmcheck.geometry.rows import run_starts
from dfmcheck.measure.common import (
    Floats,
    Rows,
    concat_layers,
    hole_source,
    names,
    place_points,
    source,
    with_tightest,
)
from dfmcheck.measure.hairlines import on_hairline, without_hairlines
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step

_ROUNDING = 0.02
"""Copper that stands out of a hole by no more than this (mm) is drilled away with it."""

IN_LAND = "in its land"
"""Kind of an unplated hole in the middle of a land: an unsupported hole, mostly on purpose."""

_SAFETY = (
    "Insulation to mains or other dangerous voltage needs the distances of the safety standard "
    "that applies, judged by licensed practice."
)

COPPER = Rule(
    id="drill.hole-to-copper",
    step=Step.DRILL,
    looks_at="copper",
    through=True,
    quantity="distance from a plated hole's wall to copper of another net",
    unit="mm",
    direction="at-least",
    on_the_floor="With the drill off by its tolerance and the layers by theirs, the plated wall "
    "meets copper of another net: a short inside the board that no repair reaches.",
    change="Widen the clearance round the hole on the layer named, or move hole or copper.",
    who="ask",
    front_end="May widen a clearance in a plane where no other hole's web is cut; must ask "
    "otherwise.",
    source="IPC-2222 9.1.2.2 (clearance in planes; value from memory), limits per shop",
    allowance="radius",
    caution=_SAFETY,
)

BARE = Rule(
    id="drill.unplated-to-copper",
    step=Step.DRILL,
    looks_at="copper",
    through=True,
    quantity="distance from an unplated hole's wall to copper",
    unit="mm",
    direction="at-least",
    on_the_floor="The drill meets copper: it tears it into burrs and leaves it bare to damp, to "
    "the screw and to whatever goes through the hole.",
    change="Pull the copper back from the hole on the layer named, or state the hole as plated.",
    who="ask",
    front_end="May pull a pour back from the hole; must ask before cutting a conductor or a land.",
    source="common practice",
    allowance="radius",
    mild=(IN_LAND,),
    caution=_SAFETY,
    past="copper inside the wall of an unplated hole",
)


@measures(COPPER, BARE)
def hole_to_copper(board: Board, reach: float) -> Places:
    """Nearest copper to every hole, on each copper layer it crosses.

    For a plated hole copper of another net counts. An unplated hole belongs to no net, so all
    copper counts, except what the drill removes whole; where it cuts the copper, the value is
    minus how far the copper reaches into the hole, at most its diameter. Hairlines do not count.
    """
    numbers = {id(layer): n for n, layer in board.numbered()}
    plated = board.holes.plated == 1

    def one(board: Board, layer: Layer) -> Places:
        number = numbers[id(layer)]
        crossed = (board.holes.first <= number) & (board.holes.last >= number)
        return Places.concat(
            [
                _to_copper(board, layer, rule, np.flatnonzero(crossed & rows), reach)
                for rule, rows in ((COPPER, plated), (BARE, ~plated))
            ]
        )

    return concat_layers(board, board.copper, one)


def _to_copper(board: Board, layer: Layer, rule: Rule, rows: Rows, reach: float) -> Places:
    """Nearest copper that counts for each of the holes ``rows``."""
    whole, layer = layer, without_hairlines(layer)
    holes, image = board.holes, layer.image
    walls = holes.edges.take(rows)
    bare = rule is BARE
    gone = _DrilledAway(board, layer, rows if bare else rows[:0])

    net, edge_net = holes.net[rows], layer.edge_net

    def counts(a: Rows, b: Rows) -> npt.NDArray[np.bool_]:
        if bare:
            return ~gone.of(rows[a], image.part[image.edges.piece[b]])
        return np.asarray((net[a] != edge_net[b]) | (net[a] < 0))

    def search(far: float) -> Gaps:
        gaps = gaps_between(walls, image.edges, far, counts)
        gaps = replace(gaps, a=rows[gaps.a])
        gaps = gaps.take(~on_hairline(image, gaps.b, gaps.q, gaps.p))
        order = np.lexsort((gaps.value, gaps.a))
        return gaps.take(order[run_starts(gaps.a[order])])

    gaps = with_tightest(search, reach)
    value, kind = gaps.value, np.full(len(gaps), "", dtype=object)
    if bare:
        gaps = Gaps.concat([gaps, _covered(layer, board, rows, gaps, gone)])
        value, kind = _cut(gaps, board, layer, gone)
    return Places.of(
        rule=rule.id,
        layer=layer.name,
        position=board.position(whole),
        kind=kind,
        value=value,
        uncertainty=gaps.error,
        **place_points(board, gaps.p, gaps.q),
        hole=2 * holes.r[gaps.a],
        plated=holes.plated[gaps.a],
        group=gaps.a.astype(np.int64),
        net_a=names(board.net_names, holes.net[gaps.a]),
        net_b=names(board.net_names, edge_net[gaps.b]),
        **hole_source(board, gaps.a, "a"),
        **source(image, gaps.b, "b"),
    )


def _starts(board: Board, rows: Rows) -> Any:
    return shapely.points(board.holes.x0[rows], board.holes.y0[rows])


def _covered(layer: Layer, board: Board, rows: Rows, known: Gaps, gone: _DrilledAway) -> Gaps:
    """Holes that begin inside copper with no outline near: the copper covers them wholly."""
    rest = np.setdiff1d(rows, known.a)
    holes, image = board.holes, layer.image
    if len(rest) == 0 or len(image.pieces) == 0:
        return Gaps.concat([])
    hit, piece = image.pieces.meeting(_starts(board, rest))
    stays = ~gone.of(rest[hit], image.part[piece])
    piece, hit = piece[stays], hit[stays]
    _, first = np.unique(hit, return_index=True)
    row, edge_piece = rest[hit[first]], piece[first]
    # Any edge of the piece tells its source.
    order = np.argsort(image.edges.piece, kind="stable")
    edge = order[np.searchsorted(image.edges.piece[order], edge_piece)]
    p = np.stack([holes.x0[row] - holes.r[row], holes.y0[row]], axis=-1)
    q = np.stack([holes.x0[row] + holes.r[row], holes.y0[row]], axis=-1)
    return Gaps(row, edge, np.full(len(row), np.inf), p, q, holes.error[row])


def _cut(
    gaps: Gaps, board: Board, layer: Layer, gone: _DrilledAway
) -> tuple[Floats, npt.NDArray[Any]]:
    """Signed distance to the copper and kind, for gaps of unplated holes.

    A hole whose centre line begins inside the copper reaches further in than its nearest
    outline tells.
    """
    holes, image = board.holes, layer.image
    value = gaps.value.copy()
    kind = np.where(value <= 0, "cut", "").astype(object)
    if len(gaps) == 0:
        return value, kind
    tree = shapely.STRtree(_starts(board, gaps.a))
    part, hit = tree.query(image.parts, predicate="intersects")
    inside = np.zeros(len(gaps), dtype=np.bool_)
    inside[hit[~gone.of(gaps.a[hit], part)]] = True
    r = holes.r[gaps.a]
    # A round outline is solid, its distance goes below nought inside; a straight one is a line.
    depth = np.where(image.edges.r[gaps.b] > 0, -gaps.value, gaps.value + 2 * r)
    value = np.where(inside, -np.clip(depth, 0.0, 2 * r), np.maximum(value, -2 * r))
    kind[inside] = "cut"
    lands = np.flatnonzero(image.flash)
    if len(lands):
        tree = shapely.STRtree(shapely.points(image.x[lands], image.y[lands]))
        near = shapely.buffer(_starts(board, gaps.a), 0.25 * r)
        own = np.zeros(len(gaps), dtype=np.bool_)
        own[tree.query(near, predicate="intersects")[0]] = True
        kind[inside & own] = IN_LAND
    return value, kind


class _DrilledAway:
    """Copper that goes out with the core of an unplated hole: parts wholly inside it."""

    def __init__(self, board: Board, layer: Layer, rows: Rows) -> None:
        self.count = len(layer.image.parts)
        grown = shapely.buffer(hole_polygons(board.holes, rows), _ROUNDING)
        hole, part = shapely.STRtree(layer.image.parts).query(grown, predicate="contains")
        self.keys = np.unique(rows[hole] * self.count + part)

    def of(self, hole: Rows, part: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
        """Whether each part (n,) goes out with its hole (n,)."""
        return np.isin(hole * self.count + part, self.keys)


ASPECT = Rule(
    id="drill.aspect-ratio",
    step=Step.DRILL,
    looks_at="drill",
    quantity="depth of a plated hole over its diameter",
    unit="1",
    direction="at-most",
    on_the_floor="Plating solution does not reach the middle of a deep narrow hole: the wall is "
    "thin there and cracks when the board is soldered.",
    change="Use a larger hole or a thinner board.",
    who="ask",
    front_end="May choose a drill up to the top of the stated tolerance; must ask otherwise.",
    source="IPC-2222 (hole aspect ratio guidance; value from memory), limits per shop",
    allowance="aspect",
)


@measures(ASPECT)
def aspect_ratio(board: Board, reach: float) -> Places:
    """Board thickness over hole diameter, one place per plated tool (its first hole).

    Holes of a partial span take the share of the thickness their layers span. Nothing is
    measured when the thickness is not known; ``reach`` does not apply.
    """
    holes = board.holes
    rows = np.flatnonzero(holes.plated == 1)
    if board.thickness is None or len(rows) == 0:
        return Places.empty()
    key = np.stack([holes.file[rows], holes.tool[rows], holes.first[rows], holes.last[rows]], -1)
    _, first, count = np.unique(key, axis=0, return_index=True, return_counts=True)
    row = rows[first]
    layers = max(len(board.copper) - 1, 1)
    depth = board.thickness * (holes.last[row] - holes.first[row]) / layers
    depth = np.where(depth > 0, depth, board.thickness)
    size = 2 * holes.r[row]
    points = np.stack([holes.x0[row], holes.y0[row]], axis=-1)
    return Places.of(
        rule=ASPECT.id,
        layer=names(board.drill_roles, holes.file[row]),
        kind=np.array([f"{n} holes" for n in count.tolist()], dtype=object),
        value=depth / size,
        **place_points(board, points, points),
        hole=size,
        depth=depth,
        plated=1,
        group=row.astype(np.int64),
        net_a=names(board.net_names, holes.net[row]),
        **hole_source(board, row, "a"),
    )
