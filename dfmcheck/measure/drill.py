"""Drill: holes through the pressed stack. Copper near a hole, walls between holes, aspect."""

from __future__ import annotations

import numpy as np

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.gaps import Gaps, gaps_between, gaps_within
from dfmcheck.geometry.rows import run_starts
from dfmcheck.measure.common import (
    concat_layers,
    hole_source,
    names,
    pair_key,
    place_points,
    source,
    with_tightest,
)
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step

_ROUNDING = 0.01
"""Copper that stands out of a hole by no more than this (mm) is drilled away with it."""

COPPER = Rule(
    id="drill.hole-to-copper",
    step=Step.DRILL,
    looks_at="copper",
    quantity="distance from a hole's wall to copper of another net",
    unit="mm",
    direction="at-least",
    on_the_floor="With the drill off by its tolerance and the layers by theirs, the hole meets "
    "copper it must not: a plated wall shorts, a bare one leaves copper open to damp.",
    change="Widen the clearance round the hole on the layer named, or move hole or copper.",
    who="ask",
    front_end="May widen a clearance in a plane where no other hole's web is cut; must ask "
    "otherwise.",
    source="IPC-2222 9.1.2.2 (clearance in planes; value from memory), limits per shop",
    allowance="radius",
    caution="Insulation to mains or other dangerous voltage needs the distances of the safety "
    "standard that applies, judged by licensed practice.",
)


@measures(COPPER)
def hole_to_copper(board: Board, reach: float) -> Places:
    """Nearest copper of another net to every hole, on each copper layer it crosses.

    An unplated hole belongs to no net, so all copper counts, except what the drill removes
    whole. Nought where the hole cuts the copper.
    """
    walls, holes = board.holes.edges, board.holes
    numbers = {id(layer): n for n, layer in board.numbered()}

    def one(board: Board, layer: Layer) -> Places:
        image, number = layer.image, numbers[id(layer)]

        def search(far: float) -> Gaps:
            gaps = gaps_between(walls, image.edges, far)
            other = (holes.net[gaps.a] != layer.edge_net[gaps.b]) | (holes.net[gaps.a] < 0)
            crossed = (holes.first[gaps.a] <= number) & (holes.last[gaps.a] >= number)
            gone = (holes.plated[gaps.a] == 0) & _swallowed(gaps, board, layer)
            gaps = gaps.take(other & crossed & ~gone)
            order = np.lexsort((gaps.value, gaps.a))
            first = run_starts(gaps.a[order])
            return gaps.take(order[first])

        gaps = with_tightest(search, reach)
        cut = gaps.value <= 0
        return Places.of(
            rule=COPPER.id,
            layer=layer.name,
            position=board.position(layer),
            kind=np.where(
                cut, "cut", np.where(holes.plated[gaps.a] == 1, "plated", "unplated")
            ).astype(object),
            # How deep a hole cuts into copper has no meaning for what goes wrong: it cuts.
            value=np.where(cut, 0.0, gaps.value),
            uncertainty=gaps.error,
            **place_points(board, gaps.p, gaps.q),
            hole=2 * holes.r[gaps.a],
            plated=holes.plated[gaps.a],
            group=gaps.a.astype(np.int64),
            net_a=names(board.net_names, holes.net[gaps.a]),
            net_b=names(board.net_names, layer.edge_net[gaps.b]),
            **hole_source(board, gaps.a, "a"),
            **source(image, gaps.b, "b"),
        )

    return concat_layers(board, board.copper, one)


def _swallowed(gaps: Gaps, board: Board, layer: Layer) -> np.ndarray:
    """Whether the copper piece of each gap lies wholly inside the hole of that gap."""
    edges, holes = layer.image.edges, board.holes
    e, h = gaps.b, gaps.a
    # Only discs and short strokes can be swallowed by a round hole: both ends must be inside.
    out = np.ones(len(gaps), dtype=np.bool_)
    for x, y in ((edges.x0, edges.y0), (edges.x1, edges.y1)):
        out &= np.hypot(x[e] - holes.x0[h], y[e] - holes.y0[h]) + edges.r[e] <= holes.r[h] + 1e-9
    return out


WALL = Rule(
    id="drill.hole-to-hole",
    step=Step.DRILL,
    looks_at="drill",
    quantity="wall between two holes",
    unit="mm",
    direction="at-least",
    on_the_floor="A thin web between holes cracks under the drill; glass bundles let plating "
    "creep from one wall to the other.",
    change="Move the holes apart, or replace overlapping holes by one slot.",
    who="ask",
    front_end="May drop a hit that doubles another; must ask before moving a hole.",
    source="common practice",
    allowance="wall",
)


@measures(WALL)
def hole_to_hole(board: Board, reach: float) -> Places:
    """Wall between holes whose spans share a layer; negative where they overlap.

    Pieces of one routed path and exact repeats of a hit are left out (the latter are a data
    defect of their own).
    """
    holes, walls = board.holes, board.holes.edges

    def wanted(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        one_path = (holes.file[a] == holes.file[b]) & (holes.path[a] == holes.path[b])
        shared = (holes.first[a] <= holes.last[b]) & (holes.first[b] <= holes.last[a])
        same = (
            (np.hypot(holes.x0[a] - holes.x0[b], holes.y0[a] - holes.y0[b]) < 1e-6)
            & (np.hypot(holes.x1[a] - holes.x1[b], holes.y1[a] - holes.y1[b]) < 1e-6)
            & (np.abs(holes.r[a] - holes.r[b]) < 1e-6)
        )
        return np.asarray(~one_path & shared & ~same)

    gaps = with_tightest(lambda far: gaps_within(walls, far, wanted, overlaps=True), reach)
    a, b = gaps.a, gaps.b
    files = names(board.drill_roles, holes.file[a])
    net_a, net_b = holes.net[a], holes.net[b]
    smaller = np.minimum(holes.r[a], holes.r[b])
    both = np.minimum(holes.plated[a], holes.plated[b])
    return Places.of(
        rule=WALL.id,
        layer=files,
        kind=np.where((net_a == net_b) & (net_a >= 0), "one net", "").astype(object),
        value=gaps.value,
        uncertainty=gaps.error,
        **place_points(board, gaps.p, gaps.q),
        hole=2 * smaller,
        plated=both,
        group=pair_key(a, b),
        net_a=names(board.net_names, net_a),
        net_b=names(board.net_names, net_b),
        **hole_source(board, a, "a"),
        **hole_source(board, b, "b"),
    )


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
