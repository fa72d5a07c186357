"""Legend: ink printed on the mask. Stroke width, and ink where it does not belong."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.facing import narrow_places
from dfmcheck.geometry.gaps import gaps_between
from dfmcheck.geometry.image import Image
from dfmcheck.measure.at_profile import round_depths, round_gaps
from dfmcheck.measure.common import (
    concat_layers,
    edges_at,
    hole_source,
    names,
    place_points,
    source,
)
from dfmcheck.measure.hairlines import without_hairlines
from dfmcheck.measure.laps import laps
from dfmcheck.measure.legend_ground import counters
from dfmcheck.measure.legend_narrow import between_letters, firsts, goes_on, narrowest
from dfmcheck.measure.mask_shapes import (
    holes_on,
    mask_of,
    nearest_gap,
    on_board,
    touching,
)
from dfmcheck.measure.over_holes import over_holes
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

_BESIDE = 0.01  # mm; how far beside a stroke one looks whether ink goes on
_TOUCH = 0.01  # mm; areas that meet in less than this only touch at a corner
_LEAST = 0.002  # mm; a lap below this is rounding

STROKE = Rule(
    id="legend.stroke-width",
    step=Step.LEGEND,
    looks_at="legend",
    quantity="stroke width of the legend",
    unit="mm",
    direction="at-least",
    on_the_floor="Strokes this thin print broken or not at all: the ink does not come through "
    "the screen, or does not hold where it is jetted.",
    change="Draw the legend with a wider stroke.",
    who="edit",
    front_end="May widen strokes to the shop's least width where they stay readable.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(STROKE)
def stroke_width(board: Board, reach: float) -> Places:
    """Least width per stroke and connected piece of ink.

    A draw is a stroke where ink ends on both its sides; the draws that fill an area are not.
    Regions are measured where they are narrow.
    """

    def one(board: Board, legend: Layer) -> Places:
        image = on_board(board, legend).image
        edges = image.edges
        drawn = (edges.r > 0) & (image.kind[edges.piece] != Kind.REGION)
        rows = _thinnest(image, np.flatnonzero(drawn & (2 * edges.r <= reach)))
        if len(rows) == 0 and drawn.any():
            rows = np.flatnonzero(drawn)
            rows = rows[np.argsort(edges.r[rows], kind="stable")[:1]]
        across = np.stack([edges.y0 - edges.y1, edges.x1 - edges.x0], axis=-1)[rows]
        length = np.hypot(*across.T)
        across = across / np.where(length > 0, length, 1.0)[:, None]
        across[length == 0] = (1.0, 0.0)
        middle = np.stack([edges.x0 + edges.x1, edges.y0 + edges.y1], axis=-1)[rows] / 2
        side = across * edges.r[rows][:, None]
        return Places.concat(
            [
                Places.of(
                    rule=STROKE.id,
                    layer=legend.name,
                    kind="stroke",
                    value=2 * edges.r[rows],
                    uncertainty=0.0,  # the aperture's, whatever grid its ends lie on
                    **place_points(board, middle - side, middle + side),
                    group=WHOLE_LAYER,
                    **source(image, rows, "a"),
                ),
                _narrow_areas(board, legend, image, reach),
            ]
        )

    return concat_layers(board, board.legends, one)


def _thinnest(image: Image, rows: Rows) -> Rows:
    """Of the draws that stand alone the thinnest per connected piece and size, of equally thin
    ones the lowest, left-most."""
    e = image.edges
    middle = np.stack([e.x0 + e.x1, e.y0 + e.y1], axis=-1)[rows] / 2
    key = image.part[e.piece[rows]].astype(np.int64) * (1 << 20)
    key += (2e5 * e.r[rows]).round().astype(np.int64)
    order = np.lexsort(
        (middle[:, 0].round(5), middle[:, 1].round(5), e.r[rows].round(7), key)
    )  # fmt: skip
    shapely.prepare(image.parts)
    tree = shapely.STRtree(image.parts)
    pick = firsts(key, order, lambda some: _stands_alone(image, tree, rows[some]))
    return rows[pick[np.argsort(key[pick])]]


def _stands_alone(image: Image, ink: Any, rows: Rows) -> npt.NDArray[np.bool_]:
    """Which draws have no ink right beside them, on both sides, somewhere along them; ``ink`` is
    a tree of the image's parts."""
    e = image.edges
    alone = np.zeros(len(rows), dtype=np.bool_)
    if len(rows) == 0:
        return alone
    a = np.stack([e.x0[rows], e.y0[rows]], axis=-1)
    d = np.stack([e.x1[rows], e.y1[rows]], axis=-1) - a
    length = np.hypot(*d.T)
    u = d / np.where(length > 0, length, 1.0)[:, None]
    u[length == 0] = (1.0, 0.0)
    side = np.stack([-u[:, 1], u[:, 0]], axis=-1) * (e.r[rows] + _BESIDE)[:, None]
    for f in (0.5, 0.25, 0.75):
        left = np.flatnonzero(~alone)
        at = a[left] + f * d[left]
        x, y = np.concatenate([at + side[left], at - side[left]]).T
        inked = np.zeros(len(x), dtype=np.bool_)
        point, part = ink.query(shapely.points(x, y))
        inked[point[shapely.intersects_xy(image.parts[part], x[point], y[point])]] = True
        alone[left] = ~(inked[: len(left)] | inked[len(left) :])
    return alone


def _narrow_areas(board: Board, legend: Layer, image: Image, reach: float) -> Places:
    """Narrow places of the connected pieces that hold a region or a cut object."""
    some = np.zeros(len(image.parts), dtype=np.bool_)
    some[image.part[(image.kind == Kind.REGION) | ~image.whole]] = True
    some &= ~counters(image.parts)
    number = np.flatnonzero(some)
    parts = image.parts[number]
    widths = narrow_places(parts, reach)
    a, _ = edges_at(image.edges, widths.p)
    b, _ = edges_at(image.edges, widths.q)
    # What lies on a stroke was measured as a stroke.
    on_area = np.zeros(len(widths), dtype=np.bool_)
    for edge in (a, b):
        on_area |= (edge >= 0) & (image.edges.r[np.maximum(edge, 0)] == 0)
    rows = np.flatnonzero(on_area & (widths.value > _TOUCH))
    rows = rows[goes_on(widths.take(rows), parts)]
    rows = rows[~between_letters(widths.take(rows), parts)]
    rows = rows[narrowest(widths.take(rows), parts)]
    return Places.of(
        rule=STROKE.id,
        layer=legend.name,
        kind="area",
        value=widths.value[rows],
        uncertainty=2 * CHORD_ERROR + image.grid,
        **place_points(board, widths.p[rows], widths.q[rows]),
        group=WHOLE_LAYER - 1,
        **source(image, a[rows], "a"),
    )


IN_HOLE = Rule(
    id="legend.ink-in-hole",
    step=Step.LEGEND,
    looks_at="legend",
    quantity="distance from legend ink to the wall of an open hole",
    unit="mm",
    direction="at-least",
    on_the_floor="Ink runs into the hole and spoils its wall for soldering; the marking is lost.",
    change="Move the legend off the holes.",
    who="edit",
    front_end="Clips ink at the holes; asks only where a marking becomes unreadable.",
    source="common practice",
    allowance="radius",
    weight=Weight.QUERY,
    past="legend ink over an open hole, in from its wall",
)


@measures(IN_HOLE)
def ink_in_hole(board: Board, reach: float) -> Places:
    """Nearest ink per hole that is not tented on that side; negative where ink lies over it."""

    def one(board: Board, legend: Layer) -> Places:
        ink = without_hairlines(on_board(board, legend)).image
        holes = board.holes
        rows = holes_on(board, legend.role.side)
        mask = mask_of(board, legend.role.side)
        if mask is not None and len(rows):
            centre = shapely.points(
                (holes.x0[rows] + holes.x1[rows]) / 2, (holes.y0[rows] + holes.y1[rows]) / 2
            )
            open_ = holes.plated[rows] == 0
            open_[touching(centre, mask.image.parts)[0]] = True
            rows = rows[open_]
        gaps = over_holes(holes.edges.take(rows), ink, reach)
        value = gaps.value
        hole = rows[gaps.a]
        return Places.of(
            rule=IN_HOLE.id,
            layer=legend.name,
            kind=np.where(value < 0, "over", "near").astype(object),
            value=value,
            uncertainty=gaps.error,
            **place_points(board, gaps.p, gaps.q),
            hole=2 * holes.r[hole],
            plated=holes.plated[hole],
            group=WHOLE_LAYER - (value < 0).astype(np.int64),
            net_a=names(board.net_names, holes.net[hole]),
            **hole_source(board, hole, "a"),
            **source(ink, gaps.b, "b"),
        )

    return concat_layers(board, board.legends, one)


OVER_PROFILE = Rule(
    id="legend.ink-over-profile",
    step=Step.LEGEND,
    looks_at="legend",
    quantity="distance from legend ink to the centre line of the drawn profile",
    unit="mm",
    direction="at-least",
    on_the_floor="The cutter goes through the ink: it flakes at the edge, and what lies beyond "
    "is lost.",
    change="Pull the legend inside the profile.",
    who="edit",
    front_end="Clips ink at the profile; asks only where a marking becomes unreadable.",
    source="common practice",
    weight=Weight.QUERY,
    past="legend ink beyond the drawn profile",
)


@measures(OVER_PROFILE)
def ink_over_profile(board: Board, reach: float) -> Places:
    """Connected ink near the profile, once each; negative by how far it reaches beyond."""
    profile = board.profile
    if profile is None:
        return Places.empty()

    def one(board: Board, legend: Layer) -> Places:
        ink = without_hairlines(on_board(board, legend)).image
        if len(ink.parts) == 0:
            return Places.empty()
        gaps = gaps_between(ink.edges, profile.edges, reach)
        gaps = nearest_gap(gaps, ink.part[ink.edges.piece[gaps.a]])
        gaps = round_gaps(gaps, ink.edges, profile)
        part = ink.part[ink.edges.piece[gaps.a]]
        value, p, q = gaps.value.copy(), gaps.p.copy(), gaps.q.copy()
        if not profile.area.is_empty:
            beyond = _outside(profile.area, ink.parts)
            rows = np.flatnonzero(shapely.intersects(beyond, ink.parts[part]))
            lap = laps(ink.parts[part[rows]], np.full(len(rows), beyond, dtype=object))
            deep = lap.depth > _LEAST
            rows = rows[deep]
            p[rows] = lap.p[deep]
            past, q[rows] = round_depths(lap.depth[deep], p[rows], lap.q[deep], profile)
            value[rows] = -past
        return Places.of(
            rule=OVER_PROFILE.id,
            layer=legend.name,
            kind=np.where(value < 0, "over", "near").astype(object),
            value=value,
            uncertainty=gaps.error + np.where(value < 0, CHORD_ERROR, 0.0),
            **place_points(board, p, q),
            group=WHOLE_LAYER - (value < 0).astype(np.int64),
            **source(ink, gaps.a, "a"),
            file_b=profile.file,
            line_b=profile.lines[gaps.b],
        )

    return concat_layers(board, board.legends, one)


def _outside(area: Any, ink: npt.NDArray[Any]) -> Any:
    """What is not board, as far out as any ink lies and well beyond."""
    x0, y0, x1, y1 = shapely.total_bounds(np.append(ink, area))
    far = max(x1 - x0, y1 - y0)
    frame = shapely.box(x0 - far, y0 - far, x1 + far, y1 + far)
    beyond = shapely.difference(frame, area)
    shapely.prepare(beyond)
    return beyond
