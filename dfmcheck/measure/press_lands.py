"""Press: inner lands nothing on their layer is joined to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import holes_met
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.rows import run_starts
from dfmcheck.measure.at_holes import path_numbers
from dfmcheck.measure.common import Rows, hole_source, place_points
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

LANDS = Rule(
    id="press.unconnected-land",
    step=Step.PRESS,
    looks_at="inner",
    quantity="inner lands joined to nothing on their layer",
    unit="count",
    direction="at-most",
    on_the_floor="Each such land is one more edge for the drill to tear, takes clearance from its "
    "neighbours and, stacked on many layers, makes the board thick at every hole; most shops "
    "take them away.",
    change="Leave them out of the inner layers, or say that they are to stay.",
    who="ask",
    front_end="May take them away where the customer has not asked to keep them.",
    source="IPC-2221B 9.1.4 (unused lands; clause from memory), limits common practice",
    weight=Weight.NOTE,
)


@measures(LANDS)
def unconnected_lands(board: Board, reach: float) -> Places:
    """Inner lands round one plated hole that no other copper of their layer touches.

    Every place carries the number of them on its layer, so that they come as one finding with
    a list. Holes that nothing is joined to on any layer take a peg or a screw, and their lands
    are there to hold the wall: they are left out.
    """
    tables = [_on_layer(board, n, layer) for n, layer in board.numbered()]
    return Places.concat(tables)


def _on_layer(board: Board, number: int, layer: Layer) -> Places:
    image, holes = layer.image, board.holes
    if board.position(layer) == "outer" or len(image.parts) == 0:
        return Places.empty()
    part, hole = holes_met(holes, image)
    crossed = (holes.plated[hole] == 1) & (holes.first[hole] <= number)
    crossed &= (holes.last[hole] >= number) & _only_lands(image)[part]
    part, hole = part[crossed], hole[crossed]
    land, path = image.component[part], holes.path[hole]
    order = np.lexsort((hole, path, land))
    land, path, hole = land[order], path[order], hole[order]
    first = np.flatnonzero(run_starts(land))
    # A land two holes share joins them.
    shared = np.unique(land[run_starts(land, path) & ~run_starts(land)])
    first = first[~np.isin(land[first], shared)]
    joined = _joined(board, hole[first])
    land, hole = land[first][joined], hole[first][joined]
    if len(land) == 0:
        return Places.empty()
    at = np.stack([holes.x0[hole] + holes.x1[hole], holes.y0[hole] + holes.y1[hole]], axis=-1) / 2
    return Places.of(
        rule=LANDS.id,
        layer=layer.name,
        position="inner",
        value=np.full(len(land), float(len(land))),
        group=WHOLE_LAYER,
        **place_points(board, at, at),
        hole=2 * holes.r[hole],
        plated=1,
        **hole_source(board, hole, "a"),
    )


def _only_lands(image: Image) -> npt.NDArray[np.bool_]:
    """Parts of whose copper nothing is drawn, or a region, or cut by a clear object."""
    other = np.zeros(int(image.component.max(initial=-1)) + 1, dtype=np.bool_)
    other[image.piece_component[~image.flash]] = True
    return np.asarray(~other[image.component])


def _joined(board: Board, rows: Rows) -> npt.NDArray[np.bool_]:
    """Whether anything but lands of its own is joined to each hole, on any layer."""
    holes = board.holes
    every = np.flatnonzero(holes.net >= 0)
    net, path = holes.net[every], path_numbers(holes)[every]
    order = np.lexsort((path, net))
    net, path = net[order], path[order]
    several = np.unique(net[run_starts(net, path) & ~run_starts(net)])
    out = np.isin(holes.net[rows], several)
    for layer in board.stack or board.copper:
        left, image = np.flatnonzero(~out), layer.image
        if len(left) == 0:
            break
        if len(image.parts):
            part, hole = holes_met(holes, image)
            out[left[np.isin(rows[left], hole[~_only_lands(image)[part]])]] = True
    return out
