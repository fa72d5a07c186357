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
from dfmcheck.geometry.nearby import nearby
from dfmcheck.measure.mask_shapes import holes_on, on_board, touching
from dfmcheck.terms import Side

Bools = npt.NDArray[np.bool_]
Nets = npt.NDArray[np.int64]
Rows = npt.NDArray[np.intp]

FLASHED = 0.9
"""Where so large a share of the lands is flashed, bared regions may be figures."""
_FEW = 0.1  # figures to lands; more of them may be drawn lands where no paste tells
_BARED = 0.5  # of a draw: less of it in openings, and it is a conductor under mask
_BESIDE = 0.5  # mm; how far beside a web the copper counts that solder may reach
_HOLDS = 0.1  # mm; a web of mask from this width on holds in development (common practice)


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
    part, hole = holes_met(board.holes, image)
    plain[part[np.isin(hole, holes_on(board, side))]] = False
    for paste in board.pastes:
        if paste.role.side is side:
            rows = np.flatnonzero(plain)
            plain[rows[touching(paste.image.parts, image.parts[rows])[1]]] = False
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
    rows = np.flatnonzero(plain[image.component])
    bared[image.component[rows[touching(mask.parts, image.parts[rows])[1]]]] = True
    draws = np.flatnonzero(
        (image.kind <= Kind.ARC) & (plain & bared)[image.piece_component] & ~image.flash
    )
    pieces = image.pieces[draws]
    size, room = shapely.area(pieces), np.zeros(len(draws))
    draw, opening = touching(pieces, mask.parts)
    # Each cut walks all round an opening: only draws that cross its edge are cut.
    shapely.prepare(mask.parts)
    within = shapely.covers(mask.parts[opening], pieces[draw])
    room[draw[within]] = size[draw[within]]
    left = np.flatnonzero(room[draw] == 0)
    opening, draw = opening[left], draw[left]
    some = nearby(mask.parts[opening], pieces[draw])
    np.add.at(room, draw, shapely.area(shapely.intersection(some, pieces[draw])))
    under = draws[room < _BARED * size]
    return np.unique(image.piece_component[under])


def figures(board: Board, mask: Layer, image: Image) -> Bools:
    """Components of the copper under a mask that are bared as figures, not as lands.

    None where the bared lands are not nearly all flashed, or where without paste there would be
    many figures: there a land may be drawn as well.
    """
    plain = plain_copper(board, mask.role.side, image)
    if not plain.any():
        return plain
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

    Figures count as no net: solder that joins them to one net joins nothing. Where a bared figure
    lies between two nets, thin webs on either side, solder over both would join those.
    """
    if len(gaps) == 0:
        return np.zeros(0, dtype=np.bool_)
    image = copper.image
    net = np.where(figure, -1, copper.net)[image.component].astype(np.int64)
    ends = mask.part[mask.edges.piece[np.stack([gaps.a, gaps.b])]].astype(np.intp)
    opening, under = touching(mask.parts, image.parts)
    lowest, highest = _range(opening, net[under], len(mask.parts))
    low, high = lowest[ends].min(axis=0), highest[ends].max(axis=0)
    out, across = low >= high, high.copy()
    # Mostly lands of two nets lie right beside the web.
    rows = np.flatnonzero(~out)
    low_at, high_at = _beside(mask, gaps.take(rows), ends[:, rows], image, net, opening, under)
    rows = np.concatenate([np.flatnonzero(out), rows[low_at >= high_at]])
    # What the web itself lies over counts as well.
    lines = shapely.linestrings(np.stack([gaps.p[rows], gaps.q[rows]], axis=1))
    line, over = touching(lines, image.parts)
    low_at, high_at = _range(line, net[over], len(rows))
    across[rows] = np.maximum(high[rows], high_at)
    out[rows] = np.minimum(low[rows], low_at) >= across[rows]
    left = np.flatnonzero(~out[rows])
    rows, low_at, high_at = rows[left], low_at[left], high_at[left]
    near = shapely.buffer(
        shapely.points((gaps.p + gaps.q)[rows] / 2), _BESIDE + gaps.value[rows] / 2
    )
    bared = shapely.intersection(mask.parts[ends[:, rows]], near).reshape(-1)
    bit, over = touching(bared, image.parts)
    low, high = _range(bit % len(rows), net[over], len(rows))
    across[rows] = np.maximum(high, high_at)
    out[rows] = np.minimum(low, low_at) >= across[rows]
    netless = np.zeros(len(mask.parts), dtype=np.bool_)
    netless[opening] = True
    netless &= highest < 0
    return np.asarray(out & ~_between_nets(netless, ends, across, gaps.value < _HOLDS))


def _between_nets(netless: Bools, ends: Rows, across: Nets, thin: Bools) -> Bools:
    """Thin webs beside a netless opening that has thin webs to two nets or more, (n,).

    ``ends`` (2, n) are the openings of each web, ``across`` the net it lies beside, -1 for none.
    """
    end, web = np.nonzero(netless[ends] & thin)
    hub = ends[end, web]
    low, high = _range(hub, across[web], len(netless))
    out = np.zeros_like(thin)
    out[web[low[hub] < high[hub]]] = True
    return out


def _range(row: Rows, net: npt.NDArray[np.int64], count: int) -> tuple[Nets, Nets]:
    """Lowest and highest net of every row; of -1, which is none, the highest number and -1."""
    row, net = row[net >= 0], net[net >= 0]
    low = np.full(count, np.iinfo(np.int64).max)
    high = np.full(count, -1, dtype=np.int64)
    np.minimum.at(low, row, net)
    np.maximum.at(high, row, net)
    return low, high


def _beside(
    mask: Image, gaps: Gaps, ends: Rows, image: Image, net: Nets, opening: Rows, under: Rows
) -> tuple[Nets, Nets]:
    """Lowest and highest net at a point of either opening beside every web.

    ``opening`` and ``under`` are the openings (ascending) and parts that meet.
    """
    box = shapely.bounds(mask.parts)[ends]
    low, high = [], []
    for end, edge in enumerate((gaps.p, gaps.q)):
        away = (box[end, :, :2] + box[end, :, 2:]) / 2 - edge
        length = np.hypot(*away.T)
        scale = np.minimum(length, 0.9 * _BESIDE) / np.where(length > 0, length, 1.0)
        x, y = (edge + away * scale[:, None]).T
        rows = np.flatnonzero(shapely.intersects_xy(mask.parts[ends[end]], x, y))
        first = np.searchsorted(opening, ends[end, rows])
        count = np.searchsorted(opening, ends[end, rows], "right") - first
        of = np.repeat(rows, count)
        part = under[np.arange(len(of)) + np.repeat(first - np.cumsum(count) + count, count)]
        held = np.flatnonzero(shapely.intersects_xy(image.parts[part], x[of], y[of]))
        lowest, highest = _range(of[held], net[part[held]], len(gaps))
        low.append(lowest)
        high.append(highest)
    return np.minimum(*low), np.maximum(*high)
