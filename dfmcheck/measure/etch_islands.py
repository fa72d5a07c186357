"""Etch: copper that belongs to no net."""

from __future__ import annotations

import numpy as np
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.voids import rectangles
from dfmcheck.measure.common import concat_layers, edges_at, place_points, source
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

ISOLATED = Rule(
    id="etch.isolated-copper",
    step=Step.ETCH,
    looks_at="copper",
    quantity="width of an island of copper joined to no net",
    unit="mm",
    direction="at-least",
    on_the_floor="A small island holds on the laminate by its own area alone: under-etched on "
    "all sides it comes off in a later bath or at soldering, and bridges what it lands on.",
    change="Take the island away, or join it to a net.",
    who="edit",
    front_end="May take away islands left over by a fill; must ask where they may be meant.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(ISOLATED)
def isolated_copper(board: Board, reach: float) -> Places:
    """Shorter side of the smallest turned rectangle of every island no wider than ``reach``.

    An island is copper whose net has neither a land nor a plated hole. Islands drawn wholly as
    strokes are left out: they are lettering, and ``etch.text-stroke`` measures them; so are
    those a hole takes away wholly. All islands of a layer are one finding, as the letters of
    one text would be.
    """

    def one(board: Board, layer: Layer) -> Places:
        image = layer.image
        filled = np.zeros(len(image.parts), dtype=np.bool_)
        filled[image.part[image.kind >= Kind.FLASH]] = True
        joined = board.net_joined[layer.net[image.component]]
        rows = np.flatnonzero(filled & ~joined)
        drilled = shapely.STRtree(hole_polygons(board.holes, np.arange(len(board.holes))))
        gone = np.unique(drilled.query(image.parts[rows], predicate="within")[0])
        rows = np.delete(rows, gone)
        short, _, p, q = rectangles(image.parts[rows])
        keep = short <= reach
        if len(rows) and not keep.any():
            keep[np.argmin(short)] = True
        edge, _ = edges_at(image.edges, p[keep])
        return Places.of(
            rule=ISOLATED.id,
            layer=layer.name,
            position=board.position(layer),
            value=short[keep],
            uncertainty=2 * CHORD_ERROR + image.grid,
            **place_points(board, p[keep], q[keep]),
            group=WHOLE_LAYER,
            **source(image, edge, "a"),
        )

    return concat_layers(board, board.copper, one)
