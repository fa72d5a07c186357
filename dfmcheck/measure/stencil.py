"""Stencil: the foil that prints paste. Whether paste leaves its openings, and its webs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.facing import narrow_places
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.index import Recent
from dfmcheck.geometry.nearby import nearby
from dfmcheck.geometry.rows import run_starts
from dfmcheck.measure.common import (
    concat_layers,
    free_gaps,
    pair_key,
    place_points,
    source,
)
from dfmcheck.measure.mask_shapes import (
    first_piece,
    meets,
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
Rows = npt.NDArray[np.intp]

LONG = 5.0
"""From this length to width on, the narrow side decides whether paste leaves the opening."""
_WIDEST = 0.5  # mm; wider openings of a foil print without trouble
_GRID = 1e-6  # mm; a foil makes more of a rounded coordinate
_FILLED = 0.8  # of its hull: what strokes leave more of free is lettering
_STRAIGHT = 0.9999  # of its hull: what fills it is convex

AREA_RATIO = Rule(
    id="stencil.area-ratio",
    step=Step.STENCIL,
    looks_at="paste",
    quantity="area ratio of a stencil opening",
    unit="1",
    direction="at-least",
    on_the_floor="Paste clings to the walls of the opening instead of the land: too little is "
    "printed, and the joint is starved or open.",
    change="Enlarge the opening, or order a thinner foil.",
    who="ask",
    front_end="Must ask: the foil and the openings belong to the assembler.",
    source="IPC-7525 3.2.2.1 (area ratio above 0.66; value from memory)",
    allowance="foil",
    weight=Weight.QUERY,
)

ASPECT_RATIO = Rule(
    id="stencil.aspect-ratio",
    step=Step.STENCIL,
    looks_at="paste",
    quantity="aspect ratio of a long stencil opening",
    unit="1",
    direction="at-least",
    on_the_floor="Paste stays in a slot this narrow for its depth: the joint is starved or open.",
    change="Widen the opening, or order a thinner foil.",
    who="ask",
    front_end="Must ask: the foil and the openings belong to the assembler.",
    source="IPC-7525 3.2.2.1 (aspect ratio above 1.5 where the length is five times the width; "
    "value from memory)",
    allowance="foil",
    weight=Weight.QUERY,
)

WEB = Rule(
    id="stencil.web",
    step=Step.STENCIL,
    looks_at="paste",
    quantity="web of foil between two openings",
    unit="mm",
    direction="at-least",
    on_the_floor="The foil gives way between the openings: paste bridges, or the web tears when "
    "the stencil is wiped.",
    change="Move the openings apart, or join them.",
    who="ask",
    front_end="Must ask: the openings belong to the assembler.",
    source="common practice",
    weight=Weight.QUERY,
)


def printing(board: Board, paste: Layer) -> Image:
    """The paste image without titles and lettering: what prints on copper.

    Lettering is drawn of strokes that leave most of their outline's inside free, or lies mostly
    beside the copper. Where that side has no copper every opening is kept.
    """
    copper = outer_copper(board, paste.role.side)
    of = [paste.image.parts, board.holes.x0]
    of += [] if copper is None else [copper.image.parts]
    return _PRINTING.of(tuple(of), lambda: _printing(board, paste))


_PRINTING: Recent[Image] = Recent(2)


def _printing(board: Board, paste: Layer) -> Image:
    layer = on_board(board, paste)
    image = layer.image
    copper = outer_copper(board, paste.role.side)
    if len(image.parts) == 0 or copper is None:
        return image
    keep = meets(image.parts, copper.image.parts)
    lines = np.bincount(image.part[image.kind <= Kind.ARC], minlength=len(keep))
    drawn = lines == np.bincount(image.part, minlength=len(keep))
    # Only what is drawn may be lettering: the overlap with a large pour is dear.
    rows = np.flatnonzero(drawn & keep)
    shapes, lines = image.parts[rows], lines[rows]
    part, other = touching(shapes, copper.image.parts)
    near = nearby(copper.image.parts[other], shapes[part])
    lap = shapely.area(shapely.intersection(shapes[part], near))
    area = shapely.area(shapes)
    on = np.bincount(part, weights=lap, minlength=len(rows)) / area
    open_ = area < _FILLED * shapely.area(shapely.convex_hull(shapes))
    keep[rows[(on < 0.5) | ((lines > 1) & open_)]] = False
    return layer.keep_parts(keep).image


@dataclass(frozen=True, slots=True)
class Sizes:
    """Per opening: area and perimeter, width and length, mm, and how far each may be off."""

    area: Floats
    perimeter: Floats
    width: Floats
    length: Floats
    error: Floats

    @property
    def ratio(self) -> Floats:
        """Area over perimeter, mm."""
        return self.area / self.perimeter


def opening_sizes(image: Image) -> Sizes:
    """Sizes of every opening (part) of a paste image; exact for discs, obrounds and polygons.

    The width of an opening that is not convex is that of its narrowest place, as far as it is
    below 0.5 mm.
    """
    parts = image.parts
    area, perimeter = shapely.area(parts), shapely.length(parts)
    # Flashes of one aperture are alike, however they are turned or mirrored.
    first, like = _alike(image, area, perimeter)
    width, length = (side[like] for side in _box_sides(parts[first]))
    error = np.where(_has_round(image), CHORD_ERROR, 0.0) + image.grid
    hull = shapely.area(shapely.convex_hull(parts[first]))
    bent = np.flatnonzero(area < _STRAIGHT * hull[like])
    if len(bent):
        narrow = narrow_places(parts[bent], _WIDEST)
        np.minimum.at(width, bent[narrow.part], narrow.value)
    # One round object by itself: no chords.
    e = image.edges
    first = first_piece(image)
    alone = np.bincount(image.part[e.piece], minlength=len(parts)) == 1
    row = np.flatnonzero(alone[image.part[e.piece]] & (e.r > 0))
    part = image.part[e.piece[row]]
    r, run = e.r[row], np.hypot(e.x1[row] - e.x0[row], e.y1[row] - e.y0[row])
    whole = image.whole[first[part]]
    row, part, r, run = row[whole], part[whole], r[whole], run[whole]
    area[part], perimeter[part] = np.pi * r**2 + 2 * r * run, 2 * np.pi * r + 2 * run
    width[part], length[part], error[part] = 2 * r, 2 * r + run, e.error[row]
    return Sizes(area, perimeter, width, length, error)


def _alike(image: Image, area: Floats, perimeter: Floats) -> tuple[Rows, Rows]:
    """First of every set of parts that are one flash of one aperture and size, and the set of
    every part; other parts are a set each."""
    piece = first_piece(image)
    alone = (np.bincount(image.part, minlength=len(area)) == 1) & image.flash[piece]
    code = np.where(alone, image.code[piece], -1 - np.arange(len(area)))
    order = np.lexsort((perimeter.round(9), area.round(9), code))
    starts = run_starts(code[order], area[order].round(9), perimeter[order].round(9))
    like = np.empty(len(area), dtype=np.intp)
    like[order] = np.cumsum(starts) - 1
    return order[starts], like


def _has_round(image: Image) -> npt.NDArray[np.bool_]:
    e = image.edges
    out = np.zeros(len(image.parts), dtype=np.bool_)
    out[image.part[e.piece[(e.r > 0) | (e.error > image.grid)]]] = True
    return out


def _box_sides(parts: npt.NDArray[Any]) -> tuple[Floats, Floats]:
    """Short and long side of the least box round each polygon, however it is turned."""
    corners, of = shapely.get_coordinates(
        shapely.minimum_rotated_rectangle(parts), return_index=True
    )
    first = np.searchsorted(of, np.arange(len(parts)))
    a = np.hypot(*(corners[first + 1] - corners[first]).T)
    b = np.hypot(*(corners[first + 2] - corners[first + 1]).T)
    return np.minimum(a, b), np.maximum(a, b)


@measures(AREA_RATIO, ASPECT_RATIO)
def release(board: Board, reach: float) -> Places:
    """Area over perimeter of every opening, or the width of long ones, in mm.

    The shop's foil makes ratios of them. Openings off the copper (titles, marks) are left out.
    """

    def one(board: Board, paste: Layer) -> Places:
        image = printing(board, paste)
        if len(image.parts) == 0:
            return Places.empty()
        sizes = opening_sizes(image)
        long = sizes.length >= LONG * sizes.width - 1e-9
        value = np.where(long, sizes.width, sizes.ratio)
        rows = np.flatnonzero(value <= max(reach, _WIDEST))
        if len(rows) == 0:
            rows = np.argsort(value, kind="stable")[:1]
        at = shapely.get_coordinates(shapely.centroid(image.parts[rows])).reshape(-1, 2)
        return Places.of(
            rule=np.where(long[rows], ASPECT_RATIO.id, AREA_RATIO.id).astype(object),
            layer=paste.name,
            value=value[rows],
            uncertainty=sizes.error[rows] + _GRID,
            **place_points(board, at, at),
            group=WHOLE_LAYER,
            **piece_source(image, first_piece(image)[rows], "a"),
        )

    return concat_layers(board, board.pastes, one)


@measures(WEB)
def web(board: Board, reach: float) -> Places:
    """Foil left between different openings of one paste layer."""

    def one(board: Board, paste: Layer) -> Places:
        image = printing(board, paste)
        component = image.edge_component
        gaps = free_gaps(image, component, reach)
        # One place for each pair of openings.
        key = pair_key(component[gaps.a], component[gaps.b])
        gaps = gaps.take(worst_first(key, gaps.value, (gaps.p + gaps.q) / 2))
        return Places.of(
            rule=WEB.id,
            layer=paste.name,
            value=gaps.value,
            uncertainty=gaps.error,
            **place_points(board, gaps.p, gaps.q),
            group=WHOLE_LAYER,
            **source(image, gaps.a, "a"),
            **source(image, gaps.b, "b"),
        )

    return concat_layers(board, board.pastes, one)
