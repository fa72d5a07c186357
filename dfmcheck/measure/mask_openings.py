"""Mask openings against the copper they bare: other conductors, missing and idle openings."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.depth import part_at
from dfmcheck.geometry.gaps import gaps_between
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.index import Recent
from dfmcheck.geometry.nearby import nearby
from dfmcheck.measure.common import concat_layers, names, place_points, source
from dfmcheck.measure.laps import laps
from dfmcheck.measure.mask_figures import figures
from dfmcheck.measure.mask_shapes import (
    first_piece,
    holes_on,
    nearest_gap,
    on_board,
    outer_copper,
    piece_source,
    touching,
)
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

_BARED = "bared"
_LEAST = 0.002  # mm; a lap below this is rounding
_FEW = 6  # more bared conductors than these have one cause
_ALIKE = 10  # so many lands alike show what is meant for one of them
_VIA = 0.55  # mm; a hole up to this takes no lead, and its land may be covered
_SHARE = 0.9  # and so many of them must agree

OTHER_CONDUCTOR = Rule(
    id="mask.opening-to-conductor",
    step=Step.MASK,
    looks_at="mask",
    quantity="distance from the edge of a mask opening to a conductor of another net",
    unit="mm",
    direction="at-least",
    on_the_floor="Where the mask is off register the opening bares the neighbouring conductor: "
    "finish plates it and solder bridges it to the land; below nought it is bared as drawn.",
    change="Shrink the opening, or move the conductor away from the land.",
    who="edit",
    front_end="May shrink the opening while the land keeps its clearance; must ask where a "
    "conductor is bared as drawn and the opening cannot be shrunk.",
    source="common practice (mask registration)",
    weight=Weight.QUERY,
    past="conductor of another net in a mask opening, in from its edge",
)


@measures(OTHER_CONDUCTOR)
def opening_to_conductor(board: Board, reach: float) -> Places:
    """Nearest conductor of each other net round every opening; negative where it is bared.

    An opening belongs to the nets of the lands whose centre it bares, and where there is none
    to the net of which it bares most: one that is meant to bare a pour bares no other net.
    Pieces of one bared figure are left out: solder may join them.
    """

    def one(board: Board, mask: Layer) -> Places:
        copper = outer_copper(board, mask.role.side)
        mask = on_board(board, mask)
        if copper is None or len(mask.image.parts) == 0 or len(copper.image.parts) == 0:
            return Places.empty()
        image, openings = copper.image, mask.image.parts
        width = len(board.net_names) + 1
        opening, part = touching(openings, image.parts)
        net = copper.net[image.component[part]].astype(np.int64)
        own = _own_nets(mask, copper, opening, part, net, width)
        figure = np.zeros(width, dtype=np.bool_)
        figure[copper.net[figures(board, mask, image)]] = True
        landed = np.zeros(len(openings), dtype=np.bool_)
        landed[own[~figure[own % width]] // width] = True
        foreign = np.flatnonzero(~np.isin(opening * width + net, own))
        foreign = foreign[landed[opening[foreign]] | ~figure[net[foreign]]]
        under = nearby(image.parts[part[foreign]], openings[opening[foreign]])
        lap = laps(under, openings[opening[foreign]])
        deep = lap.depth > _LEAST
        bared, lapped = foreign[deep], np.flatnonzero(deep)
        owner = _owner_of(own, width, len(openings))
        first = first_piece(image)
        table = Places.of(
            rule=OTHER_CONDUCTOR.id,
            layer=mask.name,
            kind=_BARED,
            value=-lap.depth[lapped],
            uncertainty=0.001,
            **place_points(board, lap.p[lapped], lap.q[lapped]),
            group=WHOLE_LAYER - 1
            if len(bared) > _FEW
            else owner[opening[bared]] * width + net[bared],
            net_a=names(board.net_names, owner[opening[bared]]),
            net_b=names(board.net_names, net[bared]),
            **piece_source(mask.image, first_piece(mask.image)[opening[bared]], "a"),
            **piece_source(image, first[part[bared]], "b"),
        )
        done = np.concatenate([own, opening[bared] * width + net[bared]])
        near = _near(board, mask, copper, done, owner, reach, landed, figure)
        return Places.concat([table, near])

    return concat_layers(board, board.masks, one)


def _own_nets(
    mask: Layer, copper: Layer, opening: Rows, part: Rows, net: npt.NDArray[np.int64], width: int
) -> npt.NDArray[np.int64]:
    """Keys opening * width + net of the nets each opening is for."""
    image, openings = copper.image, mask.image.parts
    lands = np.flatnonzero(image.flash)
    at = part_at(openings, image.x[lands], image.y[lands])
    lands, at = lands[at >= 0], at[at >= 0]
    keys = at * width + copper.net[image.piece_component[lands]]
    # Lands that are drawn, not flashed: what lies in the middle of an opening's objects.
    pieces = np.flatnonzero(mask.image.flash | (mask.image.kind == Kind.REGION))
    middle = shapely.centroid(mask.image.pieces[pieces])
    under = part_at(image.parts, shapely.get_x(middle), shapely.get_y(middle))
    pieces, under = pieces[under >= 0], under[under >= 0]
    of = mask.image.part[pieces].astype(np.int64)
    keys = np.concatenate([keys, of * width + copper.net[image.component[under]]])
    at = np.concatenate([at, of])
    # Openings without a land: what they bare most of is meant.
    rest = np.flatnonzero(~np.isin(opening, at))
    size = np.zeros(len(rest))
    several = np.flatnonzero(np.bincount(opening)[opening[rest]] > 1)
    shapes = openings[opening[rest[several]]]
    bared = shapely.intersection(nearby(image.parts[part[rest[several]]], shapes), shapes)
    size[several] = shapely.area(bared)
    order = np.lexsort((net[rest], -size.round(6), opening[rest]))
    _, lead = np.unique(opening[rest][order], return_index=True)
    most = rest[order[lead]]
    return np.unique(np.concatenate([keys, opening[most] * width + net[most]]))


def _owner_of(own: npt.NDArray[np.int64], width: int, count: int) -> npt.NDArray[np.int64]:
    """One net per opening, -1 for none."""
    owner = np.full(count, -1, dtype=np.int64)
    owner[own[::-1] // width] = own[::-1] % width
    return owner


def _near(
    board: Board, mask: Layer, copper: Layer, done: Any, owner: Any, reach: float,
    landed: Bools, figure: Bools,
) -> Places:  # fmt: skip
    """Conductors beside the openings: one place per opening and net.

    Between an opening that is not ``landed`` and a net that is a ``figure`` nothing is measured.
    """
    width = len(board.net_names) + 1
    opening = mask.image.part[mask.image.edges.piece].astype(np.int64)
    net = copper.edge_net.astype(np.int64)

    def wanted(i: Rows, j: Rows) -> Bools:
        at, to = opening[i], net[j]
        out = (owner[at] != to) & (landed[at] | ~figure[to])
        rows = np.flatnonzero(out)
        out[rows] = ~np.isin(at[rows] * width + to[rows], done)
        return np.asarray(out)

    gaps = gaps_between(mask.image.edges, copper.image.edges, reach, wanted)
    gaps = gaps.take(gaps.value > 0)
    gaps = nearest_gap(gaps, opening[gaps.a] * width + net[gaps.b])
    other, at = net[gaps.b], opening[gaps.a]
    return Places.of(
        rule=OTHER_CONDUCTOR.id,
        layer=mask.name,
        value=gaps.value,
        uncertainty=gaps.error,
        **place_points(board, gaps.p, gaps.q),
        group=WHOLE_LAYER,
        net_a=names(board.net_names, owner[at]),
        net_b=names(board.net_names, other),
        **source(mask.image, gaps.a, "a"),
        **source(copper.image, gaps.b, "b"),
    )


MISSING = Rule(
    id="mask.missing-opening",
    step=Step.MASK,
    looks_at="mask",
    quantity="lands without a mask opening",
    unit="count",
    direction="at-most",
    on_the_floor="Mask covers the land: nothing can be soldered to it, and the finish leaves it "
    "bare copper under the mask.",
    change="Add the opening, or leave out the paste where the land is not to be soldered.",
    who="ask",
    front_end="Must ask: a land may be covered on purpose.",
    source="common practice",
    weight=Weight.QUERY,
)

IDLE = Rule(
    id="mask.opening-without-copper",
    step=Step.MASK,
    looks_at="mask",
    quantity="mask openings with no copper under them",
    unit="count",
    direction="at-most",
    on_the_floor="Laminate is bared; it does no harm by itself, but often a land is missing or "
    "the layers belong to different revisions.",
    change="Remove the opening, or add the land it was meant for.",
    who="edit",
    front_end="May leave it as it is; asks where a land seems to be missing.",
    source="common practice",
    weight=Weight.NOTE,
)

DEFINED = Rule(
    id="mask.defined-land",
    step=Step.MASK,
    looks_at="mask",
    quantity="mask-defined lands",
    unit="count",
    direction="at-most",
    on_the_floor="Mask laps these lands all round, so the opening, not the copper, makes the "
    "land: its size and place follow the mask's tolerance, which is wider.",
    change="Nothing where it is meant; otherwise enlarge the opening past the land.",
    who="edit",
    front_end="Must not enlarge these openings with the others.",
    source="IPC-7351 3.1 (mask-defined lands; value from memory)",
    weight=Weight.NOTE,
)


@measures(MISSING)
def missing_opening(board: Board, reach: float) -> Places:
    """Lands under mask that are printed with paste, or whose likes are nearly all open.

    Covered vias are what most boards want: a land with a via's hole is left out, and one with a
    larger hole counts only beside lands of the same aperture with a hole of the same size.
    """

    def one(board: Board, mask: Layer) -> Places:
        copper = outer_copper(board, mask.role.side)
        if copper is None or len(mask.image.parts) == 0:
            return Places.empty()
        image = copper.image
        lands = np.flatnonzero(image.flash)
        shapes = image.pieces[lands]
        open_ = np.zeros(len(lands), dtype=np.bool_)
        open_[touching(shapes, mask.image.parts)[0]] = True
        kind = np.full(len(lands), "", dtype=object)
        bore = land_holes(board, mask, image, lands)
        code = np.stack([image.code[lands], (bore * 1e4).round()], axis=-1)
        alike = np.unique(code, axis=0, return_inverse=True)[1].reshape(-1)
        many = np.bincount(alike)
        opened = np.bincount(alike, weights=open_)
        few = ((many >= _ALIKE) & (opened >= _SHARE * many))[alike] if len(lands) else open_
        few &= (bore == 0) | (bore > _VIA)
        kind[few & ~open_] = "its likes are open"
        for paste in board.pastes:
            if paste.role.side is mask.role.side:
                centre = shapely.centroid(on_board(board, paste).image.parts)
                kind[touching(centre, shapes)[1]] = "printed with paste"
        rows = np.flatnonzero(~open_ & (kind != ""))
        at = np.stack([image.x[lands[rows]], image.y[lands[rows]]], axis=-1)
        return Places.of(
            rule=MISSING.id,
            layer=mask.name,
            kind=kind[rows],
            value=np.ones(len(rows)),
            **place_points(board, at, at),
            group=WHOLE_LAYER - (kind[rows] == "printed with paste").astype(np.int64),
            net_a=names(board.net_names, copper.net[image.piece_component[lands[rows]]]),
            **piece_source(image, lands[rows], "a"),
        )

    return concat_layers(board, board.masks, one)


def land_holes(board: Board, layer: Layer, image: Image, lands: Rows) -> Floats:
    """Diameter of the largest hole that meets each of some flashes of the outer copper of the
    layer's side, nought for none."""
    of = (image.pieces, board.holes.x0)
    return _BORES.of(of, lambda: _land_holes(board, layer, image))[lands]


_BORES: Recent[Floats] = Recent(2)


def _land_holes(board: Board, layer: Layer, image: Image) -> Floats:
    size = np.zeros(len(image.pieces))
    lands = np.flatnonzero(image.flash)
    rows = holes_on(board, layer.role.side)
    hole, land = touching(hole_polygons(board.holes, rows), image.pieces[lands])
    np.maximum.at(size, lands[land], 2 * board.holes.r[rows[hole]])
    return size


@measures(IDLE)
def opening_without_copper(board: Board, reach: float) -> Places:
    """Openings that bare neither copper nor a hole and do not meet the profile."""

    def one(board: Board, mask: Layer) -> Places:
        copper = outer_copper(board, mask.role.side)
        mask = on_board(board, mask)
        openings = mask.image.parts
        if copper is None or len(openings) == 0:
            return Places.empty()
        idle = np.ones(len(openings), dtype=np.bool_)
        idle[touching(openings, copper.image.parts)[0]] = False
        rows = np.flatnonzero(idle)
        holes = hole_polygons(board.holes, np.arange(len(board.holes)))
        idle[rows[touching(openings[rows], holes)[0]]] = False
        if board.profile is not None:
            e = board.profile.edges
            lines = shapely.linestrings(e.segments.reshape(-1, 2, 2))
            idle[touching(lines, openings)[1]] = False
        rows = np.flatnonzero(idle)
        at = shapely.get_coordinates(shapely.centroid(openings[rows])).reshape(-1, 2)
        return Places.of(
            rule=IDLE.id,
            layer=mask.name,
            value=np.ones(len(rows)),
            **place_points(board, at, at),
            group=WHOLE_LAYER,
            **piece_source(mask.image, first_piece(mask.image)[rows], "a"),
        )

    return concat_layers(board, board.masks, one)


@measures(DEFINED)
def defined_land(board: Board, reach: float) -> Places:
    """Openings that lie wholly on one land, round its centre; lands with a hole are left out.

    A land in a pour whose opening is larger than the land itself is the ordinary way to join it
    without spokes, and is not told.
    """

    def one(board: Board, mask: Layer) -> Places:
        copper = outer_copper(board, mask.role.side)
        openings = mask.image.parts
        if copper is None or len(openings) == 0 or len(copper.image.parts) == 0:
            return Places.empty()
        image = copper.image
        lands = np.flatnonzero(image.flash & (image.kind == Kind.FLASH))
        lands = lands[land_holes(board, mask, image, lands) == 0]
        opening, land = touching(openings, shapely.points(image.x[lands], image.y[lands]))
        land = lands[land]
        whole = shapely.contains_properly(image.pieces[land], openings[opening])
        opening, first = np.unique(opening[whole], return_index=True)
        land = land[whole][first]
        at = np.stack([image.x[land], image.y[land]], axis=-1)
        return Places.of(
            rule=DEFINED.id,
            layer=mask.name,
            value=np.ones(len(land)),
            **place_points(board, at, at),
            group=WHOLE_LAYER,
            net_a=names(board.net_names, copper.net[image.piece_component[land]]),
            **piece_source(image, land, "a"),
            **piece_source(mask.image, first_piece(mask.image)[opening], "b"),
        )

    return concat_layers(board, board.masks, one)
