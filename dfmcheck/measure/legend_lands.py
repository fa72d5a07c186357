"""Legend ink on lands and on other bared copper."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.gaps import gaps_between
from dfmcheck.geometry.image import Image
from dfmcheck.measure.common import concat_layers, place_points, source
from dfmcheck.measure.hairlines import without_hairlines
from dfmcheck.measure.laps import laps
from dfmcheck.measure.mask_shapes import (
    first_piece,
    holes_on,
    mask_of,
    meets,
    nearest_gap,
    on_board,
    outer_copper,
    piece_source,
    touching,
    worst_first,
)
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_LEAST = 0.002  # mm; a lap below this is rounding
_AREA = 10.0  # mm; an opening this wide both ways is a bared area, not a land
_SAME = 0.95  # ink and opening that lap so far are one figure
_SLENDER = 0.5  # of its box: a land fills more of it
_ROUND = 0.2  # mm; how far round an opening one looks for more ink

ON_LAND = Rule(
    id="legend.ink-on-land",
    step=Step.LEGEND,
    looks_at="legend",
    quantity="distance from legend ink to a mask opening over copper",
    unit="mm",
    direction="at-least",
    on_the_floor="Ink on a land keeps solder away; ink this near gets there when the legend is "
    "off register.",
    change="Move the legend off the lands, or clip it to the mask openings.",
    who="edit",
    front_end="Clips ink at the openings; asks only where a marking becomes unreadable.",
    source="IPC-A-600 2.11 (marking must not be on lands; value from memory), limits per shop",
    weight=Weight.QUERY,
    past="legend ink on bared copper, in from the edge of the mask opening",
)


@measures(ON_LAND)
def ink_on_land(board: Board, reach: float) -> Places:
    """Nearest ink per mask opening over copper; negative by how far ink reaches into it.

    Where there is no mask on that side, the lands stand for their openings. Kind ``on bared
    area`` where the opening is far too large for a land: ink in the midst of it counts by its
    own size. A mark drawn alike in ink and mask, without a land, is left out.
    """

    def one(board: Board, legend: Layer) -> Places:
        ink = without_hairlines(on_board(board, legend)).image
        copper = outer_copper(board, legend.role.side)
        if copper is None or len(ink.parts) == 0:
            return Places.empty()
        mask = mask_of(board, legend.role.side)
        if mask is None:
            bare = copper.image
            kept = np.zeros(len(bare.parts), dtype=np.bool_)
            kept[bare.part[bare.flash]] = True
        else:
            bare = mask.image
            kept = meets(bare.parts, copper.image.parts)
        kept &= ~_marks(board, legend, copper.image, ink, bare)
        return _ink_against(board, legend, ink, bare, kept, reach)

    return concat_layers(board, board.legends, one)


def _marks(board: Board, legend: Layer, copper: Image, ink: Image, bare: Image) -> Bools:
    """Openings of the form of a piece of ink that are brackets, frames or letters, and hold
    neither a flashed land nor a hole."""
    out = np.zeros(len(bare.parts), dtype=np.bool_)
    part, opening = touching(ink.parts, bare.parts)
    room = shapely.area(bare.parts)
    slender = (room < _SLENDER * shapely.area(shapely.envelope(bare.parts)))[opening]
    part, opening = part[slender], opening[slender]
    room = room[opening]
    lap = shapely.area(shapely.intersection(ink.parts[part], bare.parts[opening]))
    full = np.flatnonzero(lap >= _SAME * room)
    part, opening, room = part[full], opening[full], room[full]
    # Ink that goes on beyond the opening all round covers it, and is no mark.
    near = shapely.buffer(bare.parts[opening], _ROUND)
    more = shapely.area(shapely.intersection(ink.parts[part], near))
    rows = np.unique(opening[more * _SAME <= room])
    out[rows] = True
    lands = shapely.points(copper.x[copper.flash], copper.y[copper.flash])
    holes = hole_polygons(board.holes, holes_on(board, legend.role.side))
    for shapes in (lands, holes):
        out[rows[touching(bare.parts[rows], shapes)[0]]] = False
    return out


def _ink_against(
    board: Board, legend: Layer, ink: Image, bare: Image, kept: npt.NDArray[np.bool_], reach: float
) -> Places:
    part, opening = touching(ink.parts, bare.parts)
    keep = kept[opening]
    part, opening = part[keep], opening[keep]
    lap = laps(ink.parts[part], bare.parts[opening])
    deep = np.flatnonzero(lap.depth > _LEAST)
    worst = deep[worst_first(opening[deep], -lap.depth[deep], lap.p[deep])]
    depth, q = lap.depth[worst], lap.q[worst].copy()
    wide = _across(bare.parts[opening[worst]]).min(axis=1) >= _AREA
    own = _across(ink.parts[part[worst]]).max(axis=1)
    amidst = wide & (own < depth)
    depth[amidst], q[amidst] = own[amidst], lap.p[worst][amidst]
    on = Places.of(
        rule=ON_LAND.id,
        layer=legend.name,
        kind=np.where(wide, "on bared area", "on land").astype(object),
        value=-depth,
        uncertainty=2 * CHORD_ERROR,
        **place_points(board, lap.p[worst], q),
        group=WHOLE_LAYER - 2 * wide.astype(np.int64),
        **piece_source(ink, first_piece(ink)[part[worst]], "a"),
        **piece_source(bare, first_piece(bare)[opening[worst]], "b"),
    )
    free = kept.copy()
    free[opening[worst]] = False
    rows = np.flatnonzero(free[bare.part[bare.edges.piece]])
    gaps = gaps_between(bare.edges.take(rows), ink.edges, reach)
    of = bare.part[bare.edges.piece[rows[gaps.a]]]
    gaps = nearest_gap(gaps, of)
    near = Places.of(
        rule=ON_LAND.id,
        layer=legend.name,
        kind="near land",
        value=np.maximum(gaps.value, 0.0),
        uncertainty=gaps.error,
        **place_points(board, gaps.q, gaps.p),
        group=WHOLE_LAYER - 1,
        **source(ink, gaps.b, "a"),
        **source(bare, rows[gaps.a], "b"),
    )
    return Places.concat([on, near])


def _across(parts: npt.NDArray[Any]) -> Floats:
    """Width and height of each polygon's box, (n, 2)."""
    box = shapely.bounds(parts).reshape(-1, 4)
    return np.asarray(box[:, 2:] - box[:, :2])
