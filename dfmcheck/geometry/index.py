"""Index of boxes: which of many boxes meet a box asked for; built once, kept while it is of use.

Boxes asked for and boxes held each stand in a tree of fours, and both trees are gone down side
by side, all pairs of one level at a time in columns. Neighbouring rows of a table (the facets
of an outline, the strokes of a conductor) mostly lie side by side: four of them are one leaf,
and leaves follow each other along a curve that fills the plane, four to a node and so on up.
"""

from __future__ import annotations

import weakref
from collections.abc import Callable
from copy import copy
from functools import cache
from typing import Any, Generic, TypeVar

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Whole = npt.NDArray[np.uint16]
Marks = npt.NDArray[np.uint64]
T = TypeVar("T")

_APART = 0.5  # mm; rows further apart than that, for their size, do not share a leaf
_BLOCK = 1 << 12  # pairs of nodes compared at a time: so many stay in the cache
_STEPS = 65_530  # whole numbers the extent of the boxes held is cut into
_NONE = 65_535  # low side of a box that meets nothing; no real side is rounded to it, or to 0
_MARKED = 3  # levels; further up nodes have nearly all marks
_CURVE = 8  # bits per axis of the curve
_FEW, _CROWD = 1 << 10, 32  # leaves; so many in all, or to a cell of the curve, are soon compared
_ALL = np.uint32(0x01010101)  # four sides that are each not above the other
_HALF, _LOW, _TWO = np.uint64(32), np.uint64((1 << 32) - 1), np.uint64(2)
_CHILD = np.array([i << 32 | j for i in range(4) for j in range(4)], dtype=np.uint64)


class _Scale:
    """Sides of boxes as whole numbers: what is not above another stays so, and so no two boxes
    that meet are ever missed. A step is 3 µm on a board of 200 mm."""

    def __init__(self, x0: Floats, y0: Floats, x1: Floats, y1: Floats) -> None:
        self.low = (float(x0.min()), float(y0.min())) if len(x0) else (0.0, 0.0)
        far = max(x1.max() - self.low[0], y1.max() - self.low[1]) if len(x0) else 0.0
        self.per_mm = _STEPS / max(float(far), 1e-6)

    def sides(self, boxes: tuple[Floats, Floats, Floats, Floats]) -> list[Whole]:
        """Low x and y, high x and y: from 2 to 65533 as far as the boxes held reach, 1 or 65534
        beyond, where nothing is met."""
        out = []
        for k, side in enumerate(boxes):
            step = side * self.per_mm
            step += 2.5 - self.low[k % 2] * self.per_mm
            np.maximum(step, 1.0, out=step)
            np.minimum(step, _NONE - 1.0, out=step)
            out.append(step.astype(np.uint16))
        return out


class _Levels:
    """One tree: per level a table (nodes, 4 children, 4 sides), the rows' own first.

    ``row`` is the row in every place of the first level, (places,); in a place without a row it
    is the number of rows. The sides are low x, low y, -high x, -high y, of boxes asked for the
    opposite ones, so that two boxes meet where the one is nowhere above the other.
    """

    def __init__(self, sides: list[Whole], near: float, marks: Marks | None, asked: bool) -> None:
        fours, ones, middle = _leaves(sides, near)
        rows = np.full((len(fours) + len(ones), 4), len(sides[0]), dtype=np.intp)
        rows[: len(fours)] = fours[:, None] * 4 + np.arange(4)
        rows[len(fours) :, 0] = ones
        self.row: Rows = rows.take(_along_curve(*middle), axis=0).ravel()
        self._asked = asked
        x0, y0, x1, y1 = sides
        table = np.empty((len(x0) + 1, 4), dtype=np.uint16)
        table[-1] = 0 if asked else _NONE
        for k, side in enumerate((x1, y1, x0, y0) if asked else (x0, y0, x1, y1)):
            table[:-1, k] = side if k < 2 else np.uint16(_NONE) - side
        packed = table.view(np.uint64).ravel().take(self.row)
        self.tables: list[Whole] = [packed.view(np.uint16).reshape(-1, 4, 4)]
        self._grow(1)
        self.marks: list[Marks] = [] if marks is None else self._marks(marks)

    def grown(self, depth: int) -> _Levels:
        """The same tree with so many levels. It never changes itself: threads may share one."""
        if len(self.tables) >= depth:
            return self
        out = copy(self)
        out.tables = self.tables.copy()
        out._grow(depth)
        return out

    def _grow(self, depth: int) -> None:
        """Adds levels up to a single node, and further up to so many."""
        of = np.maximum if self._asked else np.minimum
        while len(self.tables[-1]) > 1 or len(self.tables) < depth:
            last = self.tables[-1]
            box = of(of(last[:, 0], last[:, 1]), of(last[:, 2], last[:, 3]))
            places = -(-len(box) // 4) * 4
            table = np.full((places, 4), 0 if self._asked else _NONE, dtype=np.uint16)
            table[: len(box)] = box
            self.tables.append(table.reshape(-1, 4, 4))

    def _marks(self, marks: Marks) -> list[Marks]:
        """Marks of every place of the lowest levels."""
        of_places = [np.append(marks, np.uint64(0)).take(self.row)]
        for table in self.tables[1:_MARKED]:
            last = of_places[-1]
            of_places.append(np.zeros(4 * len(table), dtype=np.uint64))
            of_places[-1][: len(last) // 4] = _each(np.bitwise_or, last)
        return of_places

    def marked(self, marks: Marks) -> _Levels:
        """The same tree with other marks."""
        out = copy(self)
        out.marks = self._marks(marks)
        return out


def _leaves(sides: list[Whole], near: float) -> tuple[Rows, Rows, list[Whole]]:
    """Fours of neighbouring rows that are compact, as far as ``near``; the other rows, each to
    stand by itself; the middle of every four and then of every one, x and y."""
    n = len(sides[0])
    full = n - n % 4
    low = [_each(np.minimum, side[:full]) for side in sides[:2]]
    high = [_each(np.maximum, side[:full]) for side in sides[2:]]
    half_round = (sides[2] - sides[0]).astype(np.float32) + (sides[3] - sides[1])
    around = (high[0] - low[0]).astype(np.float32) + (high[1] - low[1])
    compact = around <= 1.5 * _each(np.maximum, half_round[:full]) + np.float32(near)
    single = np.ones(n, dtype=np.bool_)
    single[:full].reshape(-1, 4)[compact] = False
    fours, ones = np.flatnonzero(compact), np.flatnonzero(single)
    middle = [
        np.concatenate([(a.take(rows) >> 1) + (b.take(rows) >> 1) for a, b, rows in pairs])
        for pairs in (
            ((low[0], high[0], fours), (sides[0], sides[2], ones)),
            ((low[1], high[1], fours), (sides[1], sides[3], ones)),
        )
    ]
    return fours, ones, middle


def _each(of: Callable[[Any, Any], Any], column: npt.NDArray[Any]) -> npt.NDArray[Any]:
    a, b, c, d = (column[k::4] for k in range(4))
    return np.asarray(of(of(a, b), of(c, d)))


def _along_curve(x: Whole, y: Whole) -> Rows:
    """Order of points along the curve."""
    coarse = _curve().take((x & np.uint16(0xFF00)) | (y >> np.uint16(_CURVE)))
    if len(x) < _FEW or len(x) < _CROWD * np.count_nonzero(np.bincount(coarse)):
        return np.argsort(coarse, kind="stable")
    # Beside a stray object ten metres off, a whole board lies in a few cells of the curve: in
    # each the points follow a curve of their own.
    fine = _curve().take((x << np.uint16(_CURVE)) | (y & np.uint16(0x00FF)))
    return np.argsort(coarse.astype(np.uint32) << np.uint32(16) | fine, kind="stable")


@cache
def _curve() -> Whole:
    """Place of every cell x << 8 | y of a plane of 256 × 256 cells along Hilbert's curve."""
    along = np.zeros((1, 1), dtype=np.uint16)
    for _ in range(_CURVE):
        n = np.uint16(along.size)
        # Up the left quarters, down the right ones; the lower two turned, to meet them.
        turned = along[::-1, ::-1].T
        along = np.block([[along.T, along + n], [turned + 3 * n, along + 2 * n]])
    return along.ravel()


class BoxIndex:
    """Finds boxes by place. Touching counts as meeting, and so do boxes that miss each other by
    no more than a 65 000th of the extent of all boxes held (3 µm on a board of 200 mm).

    Parameters
    ----------
    x0, y0, x1, y1 : float64 (n,), mm
        Low and high sides.
    marks : uint64 (n,), optional
        64 yes-or-no properties of every box, for questions that are about some of them.
    """

    def __init__(
        self, x0: Floats, y0: Floats, x1: Floats, y1: Floats, marks: Marks | None = None
    ) -> None:
        self._scale = _Scale(x0, y0, x1, y1)
        self._held = self._levels((x0, y0, x1, y1), marks, asked=False) if len(x0) else None

    def query(
        self, x0: Floats, y0: Floats, x1: Floats, y1: Floats, marks: Marks | None = None
    ) -> tuple[Rows, Rows]:
        """Pairs of a row of the boxes asked for and a row of the index that meet, in any order.

        With ``marks`` (of the index as well) only pairs that have one in common.

        Examples
        --------
        >>> index = BoxIndex(*np.array([[0.0, 5.0], [0, 5], [1, 6], [1, 6]]))
        >>> [rows.tolist() for rows in index.query(*np.array([[1.0], [1], [2], [2]]))]
        [[0], [0]]
        """
        held = self._held
        if held is None or len(x0) == 0:
            return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
        asked = self._levels((x0, y0, x1, y1), marks, asked=True)
        depth = max(len(held.tables), len(asked.tables))
        held, asked = held.grown(depth), asked.grown(depth)
        pairs = np.zeros(1, dtype=np.uint64)
        for level in reversed(range(depth)):
            pairs = _meeting(asked, held, level, pairs)
        return (
            asked.row.take((pairs >> _HALF).view(np.int64)),
            held.row.take((pairs & _LOW).view(np.int64)),
        )

    def at(self, x: Floats, y: Floats, far: Floats | float) -> tuple[Rows, Rows]:
        """The same for squares of half side ``far`` round points."""
        return self.query(x - far, y - far, x + far, y + far)

    def marked(self, marks: Marks) -> BoxIndex:
        """The same boxes with other marks."""
        out = copy(self)
        out._held = self._held and self._held.marked(marks)
        return out

    def _levels(
        self, boxes: tuple[Floats, Floats, Floats, Floats], marks: Marks | None, asked: bool
    ) -> _Levels:
        return _Levels(self._scale.sides(boxes), _APART * self._scale.per_mm, marks, asked)


def _meeting(asked: _Levels, held: _Levels, level: int, pairs: Marks) -> Marks:
    """Children that meet, of pairs of nodes that do; a pair is one number, the node asked for
    in its upper half."""
    # Every child asked for four times over, to be compared with four at once.
    mine = np.repeat(asked.tables[level][:, :, None], 4, axis=2).reshape(-1, 64)
    theirs = held.tables[level].reshape(-1, 16)
    marked = level < min(len(asked.marks), len(held.marks))
    found = [pairs[:0]]
    for s in range(0, len(pairs), _BLOCK):
        block = pairs[s : s + _BLOCK]
        a, b = (block >> _HALF).view(np.int64), (block & _LOW).view(np.int64)
        meet = theirs.take(np.repeat(b, 4), axis=0).ravel() <= mine.take(a, axis=0).ravel()
        hit = np.flatnonzero(meet.view(np.uint32) == _ALL)
        child = (block << _TWO).take(hit >> 4)
        child += _CHILD.take(hit & 15)
        if marked:
            common = asked.marks[level].take((child >> _HALF).view(np.int64))
            common &= held.marks[level].take((child & _LOW).view(np.int64))
            child = child.take(np.flatnonzero(common))
        found.append(child)
    return np.concatenate(found)


class Recent(Generic[T]):
    """What was made last from certain arrays, for as long as those live.

    Several questions about one layer need the same index; layers come one after the other, so
    that few need to be kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: list[tuple[tuple[weakref.ref[Any], ...], T]] = []

    def of(self, arrays: tuple[Any, ...], make: Callable[[], T]) -> T:
        """The thing made from exactly these objects, arrays mostly; made now if it is not kept."""
        kept = self._kept
        for entry in kept:
            refs, thing = entry
            if len(refs) == len(arrays) and all(
                ref() is array for ref, array in zip(refs, arrays, strict=True)
            ):
                self._kept = [*(k for k in kept if k is not entry), entry]
                return thing
        thing = make()
        refs = tuple(weakref.ref(array, self._drop) for array in arrays)
        self._kept = [*self._kept, (refs, thing)][-self._most :]
        return thing

    def _drop(self, _: object) -> None:
        self._kept = [kept for kept in self._kept if all(ref() is not None for ref in kept[0])]
