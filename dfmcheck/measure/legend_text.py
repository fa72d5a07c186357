"""Height of the characters in the legend."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.groups import connected
from dfmcheck.geometry.image import Image
from dfmcheck.measure.common import concat_layers, place_points
from dfmcheck.measure.legend_ground import counters
from dfmcheck.measure.mask_shapes import first_piece, on_board, piece_source
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

_TALLEST, _SMALLEST = 5.0, 0.2  # mm; beyond these a piece of ink is no character
_APART = 0.8  # of the height: the widest space between characters of a row
_BASE = 0.12  # of the height: how far their feet may lie apart
_SAME = 0.03  # of the height: characters of one height
_CAPITAL = 1.7  # heights of small letters
_RAISED = 0.3  # of the height: how far heads of a raised pair and its neighbour lie apart
_WORD = 6.0  # heights; so near a raised pair are two or more of the characters it belongs to
_FULL = 0.93  # of its box: what fills its box is a frame or a bar

HEIGHT = Rule(
    id="legend.character-height",
    step=Step.LEGEND,
    looks_at="legend",
    quantity="height of legend characters",
    unit="mm",
    direction="at-least",
    on_the_floor="Characters this small fill in or break up in printing and cannot be read.",
    change="Make the text taller, or leave it out.",
    who="edit",
    front_end="May leave it as it is: unreadable text does no harm to the board.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(HEIGHT)
def character_height(board: Board, reach: float) -> Places:
    """Outer height of the characters of every row of text, one place per row.

    A row is two or more pieces of ink that stand on one line, close together, at least two of
    them equally tall, some of them shaped unlike a bar or a frame. A piece of ink that stands by
    itself may be anything and is not measured, nor is ink inside a letter left out of an area,
    nor a pair raised beside larger text.
    """

    def one(board: Board, legend: Layer) -> Places:
        image = on_board(board, legend).image
        box = _boxes(image, 0.0)
        size = box[:, 2:] - box[:, :2]
        fit = (np.hypot(*size.T) <= 1.5 * _TALLEST) & (size.max(axis=1, initial=0.0) >= _SMALLEST)
        rows = np.flatnonzero(fit & ~counters(image.parts))
        found: list[tuple[float, Floats, Floats, int]] = []
        left = rows
        for angle in (0.0, np.pi / 2):
            left = _search(image, left, angle, reach, found)
        for angle in _headings(image, left):
            left = _search(image, left, angle, reach, found)
        if not found:
            return Places.empty()
        value = np.array([f[0] for f in found])
        keep = value <= reach
        if not keep.any():
            keep = np.arange(len(value)) == int(np.argmin(value))
        p, q = (np.array([f[i] for f in found])[keep] for i in (1, 2))
        part = np.array([f[3] for f in found])[keep]
        return Places.of(
            rule=HEIGHT.id,
            layer=legend.name,
            value=value[keep],
            uncertainty=2 * image.grid,
            **place_points(board, p, q),
            group=WHOLE_LAYER,
            **piece_source(image, first_piece(image)[part], "a"),
        )

    return concat_layers(board, board.legends, one)


def _boxes(image: Image, angle: float) -> Floats:
    """Box of every part (m, 4), x0 y0 x1 y1, in a frame turned by ``angle``; exact."""
    e = image.edges
    part = image.part[e.piece]
    out = np.tile([np.inf, np.inf, -np.inf, -np.inf], (len(image.parts), 1))
    c, s = np.cos(angle), np.sin(angle)
    for x, y in ((e.x0, e.y0), (e.x1, e.y1)):
        u, v = x * c + y * s, y * c - x * s
        np.minimum.at(out[:, 0], part, u - e.r)
        np.minimum.at(out[:, 1], part, v - e.r)
        np.maximum.at(out[:, 2], part, u + e.r)
        np.maximum.at(out[:, 3], part, v + e.r)
    return out


def _headings(image: Image, parts: Rows) -> list[float]:
    """Directions in which the strokes of the parts left over mostly run."""
    e = image.edges
    mine = np.flatnonzero(np.isin(image.part[e.piece], parts))
    d = np.stack([e.x1 - e.x0, e.y1 - e.y0], axis=-1)[mine]
    length = np.hypot(*d.T)
    turn = np.arctan2(d[:, 1], d[:, 0]) % (np.pi / 2)
    step = np.radians(2.0)
    bin_ = np.floor(turn / step).astype(np.intp)
    weight = np.bincount(bin_, weights=length, minlength=45)
    out: list[float] = []
    for b in np.argsort(-weight, kind="stable")[:3]:
        if weight[b] > 0.15 * weight.sum() and 0 < b < 44:
            inside = bin_ == b
            angle = float(np.average(turn[inside], weights=length[inside]))
            out += [angle, angle + np.pi / 2]
    return out


def _search(
    image: Image, parts: Rows, angle: float, reach: float,
    found: list[tuple[float, Floats, Floats, int]],
) -> Rows:  # fmt: skip
    """Add the rows of text that run along ``angle``; returns the parts that are in none."""
    if len(parts) < 2:
        return parts
    box = _boxes(image, angle)[parts]
    high, wide = box[:, 3] - box[:, 1], box[:, 2] - box[:, 0]
    fit = (high <= _TALLEST) & (high >= _SMALLEST)
    label = _rows_of(box, high, fit)
    count = np.bincount(label)
    order = np.argsort(label, kind="stable")
    ends = np.cumsum(count)
    used = np.zeros(len(parts), dtype=np.bool_)
    shaped = _shaped(image.parts[parts], wide, high)
    for row in np.flatnonzero(count >= 2).tolist():
        mine = order[ends[row] - count[row] : ends[row]]
        tall = np.sort(high[mine])[::-1]
        same = np.flatnonzero(tall[:-1] - tall[1:] <= _SAME * tall[:-1])
        if len(same) == 0 or shaped[mine].sum() * 3 < len(mine):
            continue
        if np.median(high[mine] / wide[mine]) < 1.05:
            continue  # a column of upright characters, seen lying
        used[mine] = True
        if len(mine) == 2 and _raised(box, high, shaped, mine):
            continue
        height = float(tall[same[0]])
        # Capitals among small letters tell the size of the text.
        larger = mine[shaped[mine] & (high[mine] > height) & (high[mine] < _CAPITAL * height)]
        height = float(high[larger].max(initial=height))
        lead = int(mine[np.flatnonzero(high[mine] == height)[0]])
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array([[c, s], [-s, c]])
        u = (box[lead, 0] + box[lead, 2]) / 2
        p, q = np.array([u, box[lead, 1]]) @ turn, np.array([u, box[lead, 3]]) @ turn
        found.append((height, p, q, int(parts[lead])))
    return parts[~used]


def _raised(box: Floats, high: Floats, shaped: Bools, pair: Rows) -> bool:
    """Whether two characters stand beside the heads of far larger ones: a trade mark's sign."""
    tall = float(high[pair].max())
    left, right, top = box[pair, 0].min(), box[pair, 2].max(), box[pair, 3].max()
    gap = np.maximum(left - box[:, 2], box[:, 0] - right)
    level = np.abs(box[:, 3] - top) <= _RAISED * tall
    gaps = gap[shaped & (gap >= 0) & level & (high >= _CAPITAL * tall)]
    return bool((gaps <= tall).any() and (gaps <= _WORD * tall).sum() >= 2)


def _rows_of(box: Floats, high: Floats, fit: Bools) -> Rows:
    """Label of the row each box stands in."""
    n = len(box)
    reach = np.where(fit, _APART * high, 0.0)
    tree = shapely.STRtree(shapely.box(*box.T))
    a, b = tree.query(shapely.box(box[:, 0] - reach, box[:, 1], box[:, 2] + reach, box[:, 3]))
    keep = (a != b) & fit[a] & fit[b]
    a, b = a[keep], b[keep]
    most = np.maximum(high[a], high[b])
    least = np.minimum(high[a], high[b])
    keep = (np.abs(box[a, 1] - box[b, 1]) <= _BASE * most) & (least > 0.4 * most)
    return connected(n, a[keep], b[keep])


def _shaped(parts: npt.NDArray[Any], wide: Floats, high: Floats) -> Bools:
    """Pieces that look drawn: not a bar, not a frame, not a dot."""
    solid = shapely.polygons(shapely.get_exterior_ring(parts))
    box = np.maximum(wide * high, 1e-9)
    full = shapely.area(solid) / box
    holes = shapely.get_num_interior_rings(parts)
    hull = shapely.area(shapely.convex_hull(parts)) / box
    ink = shapely.area(parts) / box
    return np.asarray(
        (wide >= 0.3 * high)
        & (wide <= 1.5 * high)
        & (ink < 0.75)
        & (((full <= _FULL) & (hull > 0.5)) | (holes >= 2))
    )
