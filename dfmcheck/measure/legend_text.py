"""Height of the characters in the legend."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.groups import connected
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.rows import run_starts
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
_HULL = 0.5  # of its box: the hull of a character is larger than this
_Text = tuple[Floats, Floats, Floats, Rows]
"""Rows of text: height, foot and head of one character (n, 2) and its part."""

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
        ink = _Ink(image)
        box = ink.boxes(0.0)
        size = box[:, 2:] - box[:, :2]
        fit = (np.hypot(*size.T) <= 1.5 * _TALLEST) & (size.max(axis=1, initial=0.0) >= _SMALLEST)
        left = np.flatnonzero(fit & ~counters(image.parts))
        found: list[_Text] = []
        for angle in (0.0, np.pi / 2):
            left = _search(ink, left, angle, found)
        for angle in _headings(image, left):
            left = _search(ink, left, angle, found)
        value, p, q, part = (np.concatenate(column) for column in zip(*found, strict=True))
        if len(value) == 0:
            return Places.empty()
        keep = np.flatnonzero(value <= reach)
        if len(keep) == 0:
            keep = np.array([int(np.argmin(value))])
        return Places.of(
            rule=HEIGHT.id,
            layer=legend.name,
            value=value[keep],
            uncertainty=2 * image.grid,
            **place_points(board, p[keep], q[keep]),
            group=WHOLE_LAYER,
            **piece_source(image, first_piece(image)[part[keep]], "a"),
        )

    return concat_layers(board, board.legends, one)


class _Ink:
    """The pieces of ink of one legend: their boxes seen under any angle, and how full they are."""

    def __init__(self, image: Image) -> None:
        self.image = image
        part = image.part[image.edges.piece]
        self._order = np.argsort(part, kind="stable")
        self._first = np.flatnonzero(run_starts(part[self._order]))
        self._with = part[self._order[self._first]]
        parts = image.parts
        self.area: Floats = shapely.area(parts)
        self.holes = shapely.get_num_interior_rings(parts)
        self.filled = self.area.copy()
        """Area of every piece without its holes."""
        pierced = np.flatnonzero(self.holes)
        rings = shapely.get_exterior_ring(parts[pierced])
        self.filled[pierced] = shapely.area(shapely.polygons(rings))
        self._hull = np.full(len(parts), np.nan)

    def boxes(self, angle: float) -> Floats:
        """Box of every part (m, 4), x0 y0 x1 y1, in a frame turned by ``angle``; exact."""
        e = self.image.edges
        out = np.tile([np.inf, np.inf, -np.inf, -np.inf], (len(self.image.parts), 1))
        if len(e) == 0:
            return out
        c, s = np.cos(angle), np.sin(angle)
        u0, u1 = e.x0 * c + e.y0 * s, e.x1 * c + e.y1 * s
        v0, v1 = e.y0 * c - e.x0 * s, e.y1 * c - e.x1 * s
        for k, low in enumerate((np.minimum(u0, u1) - e.r, np.minimum(v0, v1) - e.r)):
            out[self._with, k] = np.minimum.reduceat(low[self._order], self._first)
        for k, high in enumerate((np.maximum(u0, u1) + e.r, np.maximum(v0, v1) + e.r), start=2):
            out[self._with, k] = np.maximum.reduceat(high[self._order], self._first)
        return out

    def shaped(self, parts: Rows, wide: Floats, high: Floats) -> Bools:
        """Which parts look drawn: not a bar, not a frame, not a dot."""
        box = np.maximum(wide * high, 1e-9)
        out = (wide >= 0.3 * high) & (wide <= 1.5 * high) & (self.area[parts] / box < 0.75)
        full, pierced = self.filled[parts] / box, self.holes[parts] >= 2
        out &= pierced | (full <= _FULL)
        # A hull holds at least what it goes round: few need to be drawn.
        rows = np.flatnonzero(out & ~pierced & (full <= _HULL * (1 + 1e-9)))
        new = parts[rows][np.isnan(self._hull[parts[rows]])]
        self._hull[new] = shapely.area(shapely.convex_hull(self.image.parts[new]))
        out[rows] = self._hull[parts[rows]] / box[rows] > _HULL
        return np.asarray(out)


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


def _search(ink: _Ink, parts: Rows, angle: float, found: list[_Text]) -> Rows:
    """Add the rows of text that run along ``angle``; returns the parts that are in none."""
    box = ink.boxes(angle)[parts]
    high, wide = box[:, 3] - box[:, 1], box[:, 2] - box[:, 0]
    label = _rows_of(box, high, (high <= _TALLEST) & (high >= _SMALLEST))
    many = np.flatnonzero(np.bincount(label)[label] >= 2)
    shaped = np.zeros(len(parts), dtype=np.bool_)
    shaped[many] = ink.shaped(parts[many], wide[many], high[many])
    # Characters row by row, the tallest first.
    mine = many[np.lexsort((-high[many], label[many]))]
    tall, first = high[mine], np.flatnonzero(run_starts(label[mine]))
    count = np.diff(np.append(first, len(mine)))
    row = np.repeat(np.arange(len(first)), count)
    same = np.flatnonzero((row[:-1] == row[1:]) & (tall[:-1] - tall[1:] <= _SAME * tall[:-1]))
    same = same[run_starts(row[same])]
    height = np.full(len(first), np.nan)
    height[row[same]] = tall[same]
    slim = high[mine] / wide[mine]
    slim = slim[np.lexsort((slim, row))]
    slim = (slim[first + (count - 1) // 2] + slim[first + count // 2]) / 2
    drawn = np.bincount(row, weights=shaped[mine], minlength=len(first))
    # Rows of slim median below that are a column of upright characters, seen lying.
    is_text = ~np.isnan(height) & (3 * drawn >= count) & (slim >= 1.05)
    used = mine[is_text[row]]
    for k in np.flatnonzero(is_text & (count == 2)).tolist():
        is_text[k] = not _raised(ink, parts, box, mine[first[k] : first[k] + 2])
    # Capitals among small letters tell the size of the text.
    larger = shaped[mine] & (tall > height[row]) & (tall < _CAPITAL * height[row])
    np.fmax.at(height, row[larger], tall[larger])
    lead = np.full(len(first), len(parts))
    named = np.flatnonzero(tall == height[row])
    np.minimum.at(lead, row[named], mine[named])
    lead, height = lead[is_text], height[is_text]
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, s], [-s, c]])
    u = (box[lead, 0] + box[lead, 2]) / 2
    p, q = (np.stack([u, box[lead, k]], axis=-1) @ turn for k in (1, 3))
    found.append((height, p, q, parts[lead]))
    return np.setdiff1d(parts, parts[used])


def _raised(ink: _Ink, parts: Rows, box: Floats, pair: Rows) -> bool:
    """Whether two characters stand beside the heads of far larger ones: a trade mark's sign."""
    high, wide = box[:, 3] - box[:, 1], box[:, 2] - box[:, 0]
    tall = float(high[pair].max())
    left, right, top = box[pair, 0].min(), box[pair, 2].max(), box[pair, 3].max()
    gap = np.maximum(left - box[:, 2], box[:, 0] - right)
    level = np.abs(box[:, 3] - top) <= _RAISED * tall
    large = np.flatnonzero(
        (gap >= 0) & (gap <= _WORD * tall) & level & (high >= _CAPITAL * tall)
    )  # fmt: skip
    large = large[ink.shaped(parts[large], wide[large], high[large])]
    return len(large) >= 2 and bool((gap[large] <= tall).any())


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
