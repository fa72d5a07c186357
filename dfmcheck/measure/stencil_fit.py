"""Stencil openings against the board: copper, mask openings and holes under them."""

from __future__ import annotations

import numpy as np
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.image import Image
from dfmcheck.measure.common import (
    concat_layers,
    edges_at,
    hole_source,
    names,
    place_points,
    source,
)
from dfmcheck.measure.mask_openings import land_holes
from dfmcheck.measure.mask_shapes import (
    holes_on,
    mask_of,
    meets,
    outer_copper,
    piece_source,
    touching,
    worst_first,
)
from dfmcheck.measure.mask_twins import depth_in
from dfmcheck.measure.over_holes import over_holes
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.measure.stencil import printing
from dfmcheck.terms import Step, Weight

_ALIKE = 10  # so many lands alike show what is meant for one of them
_SHARE = 0.9  # and so many of them must agree
_VIA = 0.55  # mm; a plated hole above this takes a lead
_FURTHER = 0.5  # mm; so far one looks for the least room where all is roomier than is asked for
_BEYOND = 5.0  # mm; so far one looks back from paste outside what is under it
_ROUNDING = 0.0015  # mm; paste drawn the size of its land is off by the files' rounding

BEYOND_LAND = Rule(
    id="stencil.paste-beyond-land",
    step=Step.STENCIL,
    looks_at="paste",
    quantity="land left round a paste opening",
    unit="mm",
    direction="at-least",
    on_the_floor="Paste printed beside the land does not draw back wholly: it leaves solder balls "
    "and bridges.",
    change="Shrink the opening to the land, or less.",
    who="ask",
    front_end="Must ask: paste may be overprinted on purpose.",
    source="IPC-7525 3.2.3 (openings no larger than the land; value from memory)",
    allowance="register",
    weight=Weight.QUERY,
    past="paste beyond the edge of its land",
)

ON_MASK = Rule(
    id="stencil.paste-on-mask",
    step=Step.STENCIL,
    looks_at="paste",
    quantity="mask opening left round a paste opening",
    unit="mm",
    direction="at-least",
    on_the_floor="Paste printed on mask holds the foil off the land and leaves solder balls.",
    change="Shrink the paste opening, or enlarge the mask opening.",
    who="ask",
    front_end="Must ask: paste may be overprinted on purpose.",
    source="common practice",
    allowance="register",
    weight=Weight.QUERY,
    past="paste on the mask beyond the edge of its opening",
)


def _depth(board: Board, paste: Layer, under: Image, reach: float, rule: Rule) -> Places:
    """How deep every opening's outline lies inside what is under it, one place each."""
    image = printing(board, paste)
    # What prints does so on copper.
    every = np.ones(len(image.parts), dtype=np.bool_)
    met = every if rule is BEYOND_LAND else meets(image.parts, under.parts)
    rows = np.flatnonzero(met[image.part[image.edges.piece]])
    if len(rows) == 0:
        return Places.empty()
    probes = image.edges.take(rows)
    # Paste far beyond its land is past every limit, however little further that looks.
    outside = max(reach, _BEYOND)
    depth = depth_in(image, rows, under, reach, outside)
    if not (depth.value <= reach).any():
        depth = depth_in(image, rows, under, max(reach, _FURTHER), outside)
    known = np.flatnonzero(~np.isnan(depth.value))
    part = image.part[probes.piece]
    pick = known[worst_first(part[known], depth.value[known], depth.at[known])]
    keep = depth.value[pick] <= reach
    if not keep.any() and len(pick):
        keep = np.arange(len(pick)) == int(np.argmin(depth.value[pick]))
    pick = pick[keep]
    value = depth.value[pick]
    value = np.where(np.abs(value) < _ROUNDING, 0.0, value)
    away = depth.at[pick] - depth.frm[pick]
    length = np.hypot(*away.T)
    turn = np.where(depth.value[pick] + probes.r[pick] < 0, -1.0, 1.0)
    scale = turn * probes.r[pick] / np.where(length > 0, length, 1.0)
    edge, _ = edges_at(under.edges, depth.at[pick])
    columns = source(under, edge, "b")
    return Places.of(
        rule=rule.id,
        layer=paste.name,
        value=value,
        uncertainty=depth.error[pick] + probes.error[pick],
        **place_points(board, depth.frm[pick] + away * scale[:, None], depth.at[pick]),
        group=WHOLE_LAYER,
        **source(image, rows[pick], "a"),
        **columns,
    )


@measures(BEYOND_LAND)
def paste_beyond_land(board: Board, reach: float) -> Places:
    """Least copper round every paste opening that meets copper; negative where paste overlaps."""

    def one(board: Board, paste: Layer) -> Places:
        copper = outer_copper(board, paste.role.side)
        if copper is None or len(copper.image.parts) == 0:
            return Places.empty()
        return _depth(board, paste, copper.image, reach, BEYOND_LAND)

    return concat_layers(board, board.pastes, one)


@measures(ON_MASK)
def paste_on_mask(board: Board, reach: float) -> Places:
    """Least room round every paste opening in its mask opening; negative where paste is on mask.

    Paste without any mask opening is a land without opening (``mask.missing-opening``).
    """

    def one(board: Board, paste: Layer) -> Places:
        mask = mask_of(board, paste.role.side)
        if mask is None or len(mask.image.parts) == 0:
            return Places.empty()
        return _depth(board, paste, mask.image, reach, ON_MASK)

    return concat_layers(board, board.pastes, one)


MISSING = Rule(
    id="stencil.missing-paste",
    step=Step.STENCIL,
    looks_at="paste",
    quantity="open lands without paste whose likes are printed",
    unit="count",
    direction="at-most",
    on_the_floor="No paste is printed on the land: its joint stays open after reflow.",
    change="Add the opening, or state that the part is not fitted.",
    who="ask",
    front_end="Must ask: the part may not be fitted.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(MISSING)
def missing_paste(board: Board, reach: float) -> Places:
    """Open flashed lands without hole or paste, where nearly all of the same aperture have it."""

    def one(board: Board, paste: Layer) -> Places:
        copper = outer_copper(board, paste.role.side)
        mask = mask_of(board, paste.role.side)
        printed = printing(board, paste).parts
        if copper is None or mask is None or len(printed) == 0:
            return Places.empty()
        image = copper.image
        lands = np.flatnonzero(image.flash & (image.kind == Kind.FLASH))
        centre = shapely.points(image.x[lands], image.y[lands])
        open_ = np.zeros(len(lands), dtype=np.bool_)
        open_[touching(centre, mask.image.parts)[0]] = True
        open_ &= land_holes(board, paste, image, lands) == 0
        lands = lands[open_]
        has = meets(image.pieces[lands], printed)
        alike = np.unique(image.code[lands], return_inverse=True)[1]
        many, with_paste = np.bincount(alike), np.bincount(alike, weights=has)
        meant = (many >= _ALIKE) & (with_paste >= _SHARE * many)
        rows = lands[~has & meant[alike]] if len(lands) else lands
        at = np.stack([image.x[rows], image.y[rows]], axis=-1)
        return Places.of(
            rule=MISSING.id,
            layer=paste.name,
            value=np.ones(len(rows)),
            **place_points(board, at, at),
            group=WHOLE_LAYER,
            net_a=names(board.net_names, copper.net[image.piece_component[rows]]),
            **piece_source(image, rows, "a"),
        )

    return concat_layers(board, board.pastes, one)


OVER_HOLE = Rule(
    id="stencil.opening-over-hole",
    step=Step.STENCIL,
    looks_at="paste",
    quantity="distance from a paste opening to the wall of a hole",
    unit="mm",
    direction="at-least",
    on_the_floor="The hole draws solder away from the joint, and out on the other side, unless it "
    "is filled.",
    change="Move the hole out of the land, have it filled and capped, or split the opening "
    "round it.",
    who="ask",
    front_end="Must ask whether the holes are to be filled (IPC-4761 type VII).",
    source="IPC-7525 (value from memory); IPC-4761 for filled vias",
    weight=Weight.QUERY,
    past="paste over a hole, in from its wall",
)


@measures(OVER_HOLE)
def opening_over_hole(board: Board, reach: float) -> Places:
    """Nearest paste opening per hole; negative where it lies over the hole.

    Unplated holes, and component holes, where paste may be printed for the lead on purpose. Vias
    in lands with paste are the board shop's to fill (``plate.hole-in-paste-land``).
    """

    def one(board: Board, paste: Layer) -> Places:
        image = printing(board, paste)
        holes = board.holes
        rows = holes_on(board, paste.role.side)
        rows = rows[(holes.plated[rows] == 0) | (2 * holes.r[rows] > _VIA)]
        gaps = over_holes(holes.edges.take(rows), image, reach)
        hole = rows[gaps.a]
        kind = np.where(holes.plated[hole] == 0, "unplated hole", "component hole")
        return Places.of(
            rule=OVER_HOLE.id,
            layer=paste.name,
            kind=kind.astype(object),
            value=gaps.value,
            uncertainty=gaps.error,
            **place_points(board, gaps.p, gaps.q),
            hole=2 * holes.r[hole],
            plated=holes.plated[hole],
            group=WHOLE_LAYER - (kind == "component hole").astype(np.int64),
            net_a=names(board.net_names, holes.net[hole]),
            **hole_source(board, hole, "a"),
            **source(image, gaps.b, "b"),
        )

    return concat_layers(board, board.pastes, one)
