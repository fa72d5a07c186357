"""Etch: conductors that end in nothing."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.depth import part_at
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.free_ends import EndSearch, FreeEnds
from dfmcheck.geometry.image import Image
from dfmcheck.measure.common import names, place_points
from dfmcheck.measure.etch_common import on_circuit
from dfmcheck.measure.mask_shapes import touching
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Side, Step, Weight

_AT_PROFILE = 1.0
"""Ends this near the profile (mm), or beyond it, lead out of the board: bars for plating, links
between boards of a panel."""

DANGLING = Rule(
    id="etch.dangling-end",
    step=Step.ETCH,
    looks_at="copper",
    quantity="length of a conductor's free end",
    unit="mm",
    direction="at-most",
    on_the_floor="The board is built as drawn, and the electrical test cannot tell whether a "
    "connection is missing there: a conductor that leads nowhere is mostly one that was not "
    "finished, and a long one picks up and reflects signals.",
    change="Finish the connection, or take the free end away.",
    who="ask",
    front_end="Must ask: whether something is missing only the designer knows.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(DANGLING)
def dangling_ends(board: Board, reach: float) -> Places:
    """Free ends of round draws, with their length along the centre line.

    An end is free where neither its centre nor its round cap meets other copper, a hole or an
    opening in the mask; the openings of other lands do not count. From there the chain of draws
    is followed back to where its centre line first meets copper that is not one further draw end
    to end. Chains that meet nothing (lettering), copper without land or hole and ends at the
    profile are left out.
    """
    return Places.concat([_on_layer(board, n, layer) for n, layer in board.numbered()])


def _on_layer(board: Board, number: int, layer: Layer) -> Places:
    image = layer.image
    if len(image.pieces) == 0:
        return Places.empty()
    ends = EndSearch(image, _openings(board, number, layer)).lengths()
    component = image.piece_component[ends.piece]
    keep = on_circuit(board, number, layer)[component] & ~_leads_out(board, ends)
    rows = np.flatnonzero(keep)
    component, piece = component[rows], ends.piece[rows]
    return Places.of(
        rule=DANGLING.id,
        layer=layer.name,
        position=board.position(layer),
        value=ends.length[rows],
        uncertainty=2 * CHORD_ERROR + image.grid,
        **place_points(board, ends.p[rows], ends.q[rows]),
        group=component.astype(np.int64),
        net_a=names(board.net_names, layer.net[component]),
        file_a=image.file,
        line_a=image.line[piece],
        code_a=image.code[piece],
    )


def _openings(board: Board, number: int, layer: Layer) -> npt.NDArray[np.object_]:
    """Holes through the layer, and what the mask opens over it but for lands: a conductor that
    stops in a land's opening has missed the land."""
    holes = board.holes
    crossed = np.flatnonzero((holes.first <= number) & (holes.last >= number))
    stack = board.stack or board.copper
    open_ = [
        _without_land(mask.image.parts, layer.image)
        for mask in board.masks
        if layer is (stack[0] if mask.role.side is Side.TOP else stack[-1])
    ]
    return np.concatenate([hole_polygons(holes, crossed), *open_])


def _without_land(openings: npt.NDArray[np.object_], image: Image) -> npt.NDArray[np.object_]:
    """Openings that hold the middle of no flash, and whose own lies in no region."""
    holds = np.zeros(len(openings), dtype=np.bool_)
    at = part_at(openings, image.x[image.flash], image.y[image.flash])
    holds[at[at >= 0]] = True
    areas = image.pieces[image.kind == Kind.REGION]
    rest = np.flatnonzero(~holds)
    holds[rest[touching(shapely.centroid(openings[rest]), areas)[0]]] = True
    return openings[~holds]


def _leads_out(board: Board, ends: FreeEnds) -> npt.NDArray[np.bool_]:
    """Ends at or beyond the profile."""
    profile = board.profile
    out = np.zeros(len(ends), dtype=np.bool_)
    if profile is None or len(ends) == 0:
        return out
    points = shapely.points(ends.p)
    lines = shapely.linestrings(profile.edges.segments.reshape(-1, 2, 2))
    near = shapely.STRtree(lines).query(points, predicate="dwithin", distance=_AT_PROFILE)[0]
    out[near] = True
    if not profile.area.is_empty:
        shapely.prepare(profile.area)
        out |= ~shapely.covers(profile.area, points)
    return out
