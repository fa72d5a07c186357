"""Etch: acute angles between stretches of outline, where the etchant dwells."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.facets import Facets, outline_of
from dfmcheck.measure.common import edges_at, names, place_points, source
from dfmcheck.measure.etch_common import on_circuit, pair_kind
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

LEG = 0.25
"""Straight legs shorter than this (mm) hold too little etchant to matter (common practice)."""
_ON = 1e-3  # rad; a smaller turn is one straight line in two facets
_FACETS = 4  # a straight leg is looked for over so many facets
_WIDEST = 90.0  # degrees; wider is no corner that holds etchant
_LISTED = 60.0  # degrees; of wider ones only the sharpest is listed
_SEEN = 0.006  # mm; no film shows free space thinner than this where its legs end

ANGLE = Rule(
    id="etch.acute-angle",
    step=Step.ETCH,
    looks_at="copper",
    quantity="angle of the free space between two stretches of one net",
    unit="deg",
    direction="at-least",
    on_the_floor="Etchant held in the point of the angle by its own surface works on after the "
    "rinse: the conductors are undercut there.",
    change="Lead the conductor away at a right angle, or fill the point.",
    who="edit",
    front_end="May fill the point of the angle with copper of the same net.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(ANGLE)
def acute_angle(board: Board, reach: float) -> Places:
    """Corners of the outline of one component whose free space is sharper than 60°.

    Where there is none, the sharpest up to 90°.

    Both legs must be straight for at least 0.25 mm; corners at round outlines have none. A seam
    where two objects all but meet, less than 6 µm wide where the shorter leg ends, is none.
    Copper without land or hole (lettering) is left out: an undercut hinders no current there.
    """

    def one(board: Board, layer: Layer, number: int) -> Places:
        image = layer.image
        if len(image.parts) == 0:
            return Places.empty()
        outline = outline_of(image.parts)
        free = 180.0 + np.degrees(outline.turn)
        corner = np.flatnonzero((outline.turn < 0) & (free < _WIDEST - 1e-4))
        before = _leg(outline, outline.previous[corner], outline.previous, outline.turn, False)
        after = _leg(outline, corner, outline.next, outline.turn, True)
        shortest = np.minimum(before, after)
        wide = 2 * shortest * np.sin(np.radians(free[corner]) / 2)
        long = (shortest >= LEG) & (wide >= _SEEN)
        corner, shortest = corner[long], shortest[long]
        component = image.component[outline.part[corner]]
        joined = on_circuit(board, number, layer)[component]
        corner, shortest, component = corner[joined], shortest[joined], component[joined]
        keep = np.flatnonzero(free[corner] <= _LISTED)
        if len(keep) == 0 and len(corner):
            # Of equally sharp ones the first drawn, wherever the board lies.
            first = image.line[np.argsort(image.part, kind="stable")]
            first = first[np.searchsorted(np.sort(image.part), outline.part[corner])]
            keep = np.lexsort((first, free[corner].round(4)))[:1]
        corner, shortest, component = corner[keep], shortest[keep], component[keep]
        at = outline.a[corner]
        # A little way down each leg, where only the stretch itself can lie.
        edge_p, _ = edges_at(image.edges, at - outline.d[outline.previous[corner]] * (LEG / 5))
        edge_q, _ = edges_at(image.edges, at + outline.d[corner] * (LEG / 5))
        return Places.of(
            rule=ANGLE.id,
            layer=layer.name,
            position=board.position(layer),
            kind=pair_kind(layer, edge_p, edge_q),
            value=free[corner],
            uncertainty=1e-6 + np.degrees(4 * image.grid / shortest),
            **place_points(board, at, at),
            group=component.astype(np.int64),
            net_a=names(board.net_names, layer.net[component]),
            **source(image, edge_p, "a"),
            **source(image, edge_q, "b"),
        )

    return Places.concat([one(board, layer, number) for number, layer in board.numbered()])


def _leg(outline: Facets, facet: Rows, step: Rows, turn: Floats, ahead: bool) -> Floats:
    """Length of the straight run that starts with ``facet`` and goes on by ``step``."""
    length = outline.length[facet].copy()
    on = np.ones(len(facet), dtype=np.bool_)
    here = facet
    for _ in range(_FACETS):
        further = step[here]
        on &= np.abs(turn[further] if ahead else turn[here]) < _ON
        length += np.where(on, outline.length[further], 0.0)
        here = further
    return length
