"""Narrow tongues and islands of mask inside one opening."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.facing import Widths, narrow_places
from dfmcheck.geometry.gaps import Gaps, thin
from dfmcheck.geometry.image import Image
from dfmcheck.measure.common import CELL, concat_layers, edges_at, place_points, source
from dfmcheck.measure.mask_shapes import on_board
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

_CUSP = 0.02  # mm; below it only mask between parallel sides is more than a corner
_HAIR = 0.006  # mm; sides nearer than this were meant to meet, and no film shows the mask between
_PARALLEL = 0.02  # rad

SLIVER = Rule(
    id="mask.sliver",
    step=Step.MASK,
    looks_at="mask",
    quantity="width of a tongue or island of mask inside an opening",
    unit="mm",
    direction="at-least",
    on_the_floor="A tongue of mask this narrow lifts in development, breaks off and settles on a "
    "land, where it keeps solder away.",
    change="Join the openings, so that no mask stays between them, or move them apart.",
    who="edit",
    front_end="May open the tongue where the lands are one net; must ask between nets.",
    source="common practice (as for webs)",
    weight=Weight.QUERY,
)


@measures(SLIVER)
def sliver(board: Board, reach: float) -> Places:
    """Narrow mask between two stretches of the outline of one opening."""

    def one(board: Board, mask: Layer) -> Places:
        image = on_board(board, mask).image
        widths = narrow_places(image.parts, reach, void=True, label=image.component)
        widths = widths.take(
            (widths.value > _CUSP) | ((widths.value > _HAIR) & _between_sides(image, widths))
        )
        table = Gaps(
            widths.part, widths.part, widths.value, widths.p, widths.q, np.zeros(len(widths))
        )
        widths = widths.take(thin(table, image.component[widths.part], CELL))
        a, _ = edges_at(image.edges, widths.p)
        b, _ = edges_at(image.edges, widths.q)
        error = np.full(len(widths), image.grid)
        for edge in (a, b):
            round_ = (edge < 0) | (image.edges.r[np.maximum(edge, 0)] > 0)
            error += np.where(round_, CHORD_ERROR, 0.0)
        return Places.of(
            rule=SLIVER.id,
            layer=mask.name,
            value=widths.value,
            uncertainty=error,
            **place_points(board, widths.p, widths.q),
            group=image.component[widths.part].astype(np.int64),
            **source(image, a, "a"),
            **source(image, b, "b"),
        )

    return concat_layers(board, board.masks, one)


def _between_sides(image: Image, widths: Widths) -> npt.NDArray[np.bool_]:
    """Whether both outlines run straight and parallel where the mask is narrow."""
    e = image.edges
    heading = []
    straight = np.ones(len(widths), dtype=np.bool_)
    for points in (widths.p, widths.q):
        edge, _ = edges_at(e, points)
        row = np.maximum(edge, 0)
        dx, dy = (e.x1 - e.x0)[row], (e.y1 - e.y0)[row]
        straight &= (edge >= 0) & (np.hypot(dx, dy) > 5 * widths.value)
        heading.append(np.arctan2(dy, dx))
    turn = np.abs((heading[0] - heading[1] + np.pi / 2) % np.pi - np.pi / 2)
    return np.asarray(straight & (turn < _PARALLEL))
