"""Index of boxes: which of many boxes meet a box asked for; built once, kept while it is of use.

Neighbouring rows of a table (the facets of an outline, the strokes of a conductor) mostly lie
side by side. So four of them at a time share one box in a tree, and only where those meet the
rows themselves are compared, in columns.
"""

from __future__ import annotations

import weakref
from collections.abc import Callable
from typing import Any, Generic, TypeVar

import numpy as np
import numpy.typing as npt
import shapely

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Rows = npt.NDArray[np.intp]
T = TypeVar("T")

_SIZE = 4
_APART = 0.5  # mm; rows further apart than that, for their size, do not share a box
_BLOCK = 1 << 11  # pairs of groups compared at a time: so many stay in the cache


class _Groups:
    """Boxes by fours: compact neighbours together, and the others each by itself.

    ``row`` is the first row of every group, ``box`` (4, groups) what it covers, ``low`` and
    ``high`` (groups, 4) its rows' low and high sides, as far as it has any.
    """

    def __init__(self, x0: Floats, y0: Floats, x1: Floats, y1: Floats) -> None:
        n = len(x0)
        sides = (x0, y0, x1, y1)
        full = n - n % _SIZE
        quarter = [[side[k:full:_SIZE] for k in range(_SIZE)] for side in sides]
        low_x, low_y = (_each(np.minimum, side) for side in quarter[:2])
        high_x, high_y = (_each(np.maximum, side) for side in quarter[2:])
        half_round = (x1[:full] - x0[:full]) + (y1[:full] - y0[:full])
        largest = _each(np.maximum, [half_round[k::_SIZE] for k in range(_SIZE)])
        compact = (high_x - low_x) + (high_y - low_y) <= 1.5 * largest + _APART
        single = np.ones(n, dtype=np.bool_)
        single[:full].reshape(-1, _SIZE)[compact] = False
        fours, ones = np.flatnonzero(compact), np.flatnonzero(single)
        self.fours = len(fours)
        self.row: Rows = np.concatenate([fours * _SIZE, ones])
        self.box = np.stack(
            [
                np.concatenate([union[fours], side[ones]])
                for union, side in zip((low_x, low_y, high_x, high_y), sides, strict=True)
            ],
            axis=-1,
        )
        self.sides = sides

    def boxes(self) -> npt.NDArray[Any]:
        """A line per box: for its envelope alone a tree needs no polygon."""
        rows = np.repeat(np.arange(len(self.box)), 2)
        return np.asarray(shapely.linestrings(self.box.reshape(-1, 2), indices=rows))

    def table(self, asked: bool) -> Singles:
        """Low x, low y, -high x, -high y of the rows of every group, (groups, 16), rounded
        outwards; of rows asked for the opposite sides, so that boxes meet where the one table
        is nowhere above the other. Places of no row hold what meets nothing."""
        x0, y0, x1, y1 = self.sides
        columns = (x1, y1, -x0, -y0) if asked else (x0, y0, -x1, -y1)
        out = np.full((len(self.row), 4, _SIZE), -np.inf if asked else np.inf, dtype=np.float32)
        sign = 1 if asked else -1
        for k, column in enumerate(columns):
            rounded = column.astype(np.float32)
            rounded += sign * np.float32(1.2e-7) * np.abs(rounded)
            for j in range(_SIZE):
                out[: self.fours, k, j] = rounded[self.row[: self.fours] + j]
            out[self.fours :, k, 0] = rounded[self.row[self.fours :]]
        return out.reshape(-1, 4 * _SIZE)


def _each(
    of: Callable[[Any, Any], Any], columns: list[npt.NDArray[np.float64]]
) -> npt.NDArray[np.float64]:
    a, b, c, d = columns
    return np.asarray(of(of(a, b), of(c, d)))


class BoxIndex:
    """Finds boxes by place. Touching counts as meeting, and so do boxes that miss each other by
    no more than the rounding of a single-precision number (10 nm at 100 mm)."""

    def __init__(self, x0: Floats, y0: Floats, x1: Floats, y1: Floats) -> None:
        self._groups = _Groups(x0, y0, x1, y1)
        self._tree = shapely.STRtree(self._groups.boxes())
        self._table = self._groups.table(asked=False)

    def query(self, x0: Floats, y0: Floats, x1: Floats, y1: Floats) -> tuple[Rows, Rows]:
        """Pairs of a row of the boxes asked for and a row of the index that meet, ascending.

        Examples
        --------
        >>> index = BoxIndex(*np.array([[0.0, 5.0], [0, 5], [1, 6], [1, 6]]))
        >>> [rows.tolist() for rows in index.query(*np.array([[1.0], [1], [2], [2]]))]
        [[0], [0]]
        """
        asked, held = _Groups(x0, y0, x1, y1), self._groups
        of, item = self._tree.query(asked.boxes())
        # Every number four times, to be compared with four rows at once.
        table = np.repeat(
            asked.table(asked=True).reshape(-1, 4, _SIZE).transpose(0, 2, 1), _SIZE, axis=2
        )
        base = (asked.row[of].astype(np.uint64) << np.uint64(32)) + held.row[item].astype(np.uint64)
        four = of < asked.fours
        found: list[npt.NDArray[np.uint64]] = []
        for pick, count in ((np.flatnonzero(four), _SIZE), (np.flatnonzero(~four), 1)):
            for s in range(0, len(pick), _BLOCK):
                rows = pick[s : s + _BLOCK]
                theirs = self._table.take(item[rows], axis=0)
                mine, start = table.take(of[rows], axis=0), base[rows]
                for k in range(count):
                    meet = (theirs <= mine[:, k]).view(np.uint32)
                    all_ = meet[:, 0] & meet[:, 1] & meet[:, 2] & meet[:, 3]
                    hit = np.flatnonzero(all_.view(np.uint8))
                    found.append(start[hit // _SIZE] + ((k << 32) + hit % _SIZE).astype(np.uint64))
        pairs = np.concatenate(found) if found else np.empty(0, dtype=np.uint64)
        return (pairs >> np.uint64(32)).view(np.int64), (pairs & _LOW).view(np.int64)

    def at(self, x: Floats, y: Floats, far: Floats | float) -> tuple[Rows, Rows]:
        """The same for squares of half side ``far`` round points."""
        return self.query(x - far, y - far, x + far, y + far)


_LOW = np.uint64((1 << 32) - 1)


class Recent(Generic[T]):
    """What was made last from certain arrays, for as long as those live.

    Several questions about one layer need the same index; layers come one after the other, so
    that few need to be kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: list[tuple[tuple[weakref.ref[npt.NDArray[Any]], ...], T]] = []

    def of(self, arrays: tuple[npt.NDArray[Any], ...], make: Callable[[], T]) -> T:
        """The thing made from exactly these array objects; made now if it is not kept."""
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
        self._kept = [*self._kept[-self._most + 1 :], (refs, thing)]
        return thing

    def _drop(self, _: object) -> None:
        self._kept = [kept for kept in self._kept if all(ref() is not None for ref in kept[0])]
