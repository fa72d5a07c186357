"""Bared copper that is no land, and webs of mask between openings that solder cannot bridge."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import holes_met
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.gaps import Gaps
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.index import Recent
from dfmcheck.measure.finish import halved
from dfmcheck.measure.mask_shapes import holes_on, on_board, touching
from dfmcheck.terms import Side

Bools = npt.NDArray[np.bool_]

FLASHED = 0.9
"""Where so large a share of the lands is flashed, bared regions may be figures."""
_FEW = 0.1  # figures to lands; more of them may be drawn lands where no paste tells
_BARED = 0.5  # of a draw: less of it in openings, and it is a conductor under mask
_BESIDE = 0.5  # mm; how far beside a web the copper counts that solder may reach


def plain_copper(board: Board, side: Side | None, image: Image) -> Bools:
    """Which connected pieces of a copper layer hold no flash, no hole and no paste, by component.

    On a board whose lands are flashed they are figures: letters, logos, frames, marks. What a
    net or a pin is stated for is none, nor is bared copper a conductor under mask belongs to.
    """
    of = [image.parts, board.holes.x0]
    of += [layer.image.parts for layer in (*board.pastes, *board.masks) if layer.role.side is side]
    return _PLAIN.of(tuple(of), lambda: _plain_copper(board, side, image)).copy()


_PLAIN: Recent[Bools] = Recent(4)


def _plain_copper(board: Board, side: Side | None, image: Image) -> Bools:
    plain = np.ones(len(image.parts), dtype=np.bool_)
    plain[image.part[image.flash | _stated(image)]] = False
    part, hole = holes_met(board.holes, image.parts)
    plain[part[np.isin(hole, holes_on(board, side))]] = False
    for paste in board.pastes:
        if paste.role.side is side:
            plain[touching(paste.image.parts, image.parts)[1]] = False
    out = np.ones(int(image.component.max(initial=-1)) + 1, dtype=np.bool_)
    out[image.component[~plain]] = False
    for mask in board.masks:
        if mask.role.side is side:
            out[_led_away(image, mask.image, out)] = False
    return out


def _stated(image: Image) -> Bools:
    """Objects that by attribute belong to a net, or are a pin of a component, (n,)."""
    named = np.array([name != "" for name in image.nets] + [False], dtype=np.bool_)
    return np.asarray(named[image.net] | (image.pin >= 0))


def _led_away(image: Image, mask: Image, plain: Bools) -> npt.NDArray[np.intp]:
    """Bared components with a draw most of which the mask covers: a conductor leads away."""
    bared = np.zeros_like(plain)
    bared[image.component[touching(mask.parts, image.parts)[1]]] = True
    draws = np.flatnonzero(
        (image.kind <= Kind.ARC) & (plain & bared)[image.piece_component] & ~image.flash
    )
    pieces = image.pieces[draws]
    size, room = shapely.area(pieces), np.zeros(len(draws))
    opening, draw = touching(mask.parts, pieces)
    # Each cut walks all round an opening: only draws that cross its edge are cut, and that by
    # small pieces of it.
    shapely.prepare(mask.parts)
    within = shapely.covers(mask.parts[opening], pieces[draw])
    room[draw[within]] = size[draw[within]]
    left = room[draw] == 0
    across, some = np.unique(draw[left]), halved(mask.parts[np.unique(opening[left])])
    bit, draw = touching(some, pieces[across])
    draw = across[draw]
    np.add.at(room, draw, shapely.area(shapely.intersection(some[bit], pieces[draw])))
    under = draws[room < _BARED * size]
    return np.unique(image.piece_component[under])


def figures(board: Board, mask: Layer, image: Image) -> Bools:
    """Components of the copper under a mask that are bared as figures, not as lands.

    None where the bared lands are not nearly all flashed, or where without paste there would be
    many figures: there a land may be drawn as well.
    """
    plain = plain_copper(board, mask.role.side, image)
    openings, part = touching(mask.image.parts, image.parts)
    centres = shapely.points(image.x[image.flash], image.y[image.flash])
    flashed = np.unique(touching(centres, mask.image.parts)[1])
    # Figures bare no flash themselves; only what else is bared tells how lands are drawn.
    other = np.unique(openings[~plain[image.component[part]]])
    figured = len(np.unique(openings)) - len(other)
    told_apart = any(paste.role.side is mask.role.side for paste in board.pastes)
    if (
        len(other) == 0
        or np.isin(other, flashed).sum() < FLASHED * len(other)
        or not (told_apart or figured <= _FEW * len(other))
    ):
        return np.zeros_like(plain)
    return plain


def figure_nets(board: Board, layer: Layer) -> Bools:
    """Nets that are bared figures of this copper layer, by net; none on an inner layer."""
    out = np.zeros(len(board.net_names), dtype=np.bool_)
    stack = board.stack or board.copper
    for mask in board.masks:
        if layer is (stack[0] if mask.role.side is Side.TOP else stack[-1]):
            out[layer.net[figures(board, on_board(board, mask), layer.image)]] = True
    return out


def nothing_to_bridge(copper: Layer, figure: Bools, mask: Image, gaps: Gaps) -> Bools:
    """Whether the copper beside each web, in both openings, and under it is of one net at most.

    Figures count as no net: solder that joins them to one net joins nothing.
    """
    if len(gaps) == 0:
        return np.zeros(0, dtype=np.bool_)
    image = copper.image
    ends = mask.part[mask.edges.piece[np.stack([gaps.a, gaps.b])]]
    near = shapely.buffer(shapely.points((gaps.p + gaps.q) / 2), _BESIDE + gaps.value / 2)
    bared = shapely.intersection(mask.parts[ends], near)
    lines = shapely.linestrings(np.stack([gaps.p, gaps.q], axis=1))
    row, part = touching(np.concatenate([bared[0], bared[1], lines]), image.parts)
    component = image.component[part]
    row, component = row[~figure[component]], component[~figure[component]]
    net = copper.net[component].astype(np.int64)
    low = np.full(len(gaps), np.iinfo(np.int64).max)
    high = np.full(len(gaps), -1, dtype=np.int64)
    np.minimum.at(low, row % len(gaps), net)
    np.maximum.at(high, row % len(gaps), net)
    return np.asarray(low >= high)
