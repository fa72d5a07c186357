"""Exact areas of an image in the cells of a grid, and the shares of copper in moving windows.

Areas come from the outline alone (Green's theorem): every stretch of outline inside one cell
adds what lies beside it in that cell, and its height to all cells further on in the row. No
polygon is clipped, and nothing is sampled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

Floats = npt.NDArray[np.float64]

WINDOW = 25.0
"""Side of the moving window, mm; common practice for judging how evenly copper lies."""
STEPS = 5
"""Cells per side of a window: it moves by a fifth of itself."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells over an area: ``nx`` by ``ny`` of ``dx`` by ``dy`` mm from ``x0``, ``y0``."""

    x0: float
    y0: float
    dx: float
    dy: float
    nx: int
    ny: int

    @classmethod
    def over(cls, area: Any) -> Grid:
        """Cells that fill the bounding box of ``area`` exactly.

        Five cells make a window of at most ``WINDOW``, or of half a side where the area is
        smaller than two windows, so that there are always several windows to compare.
        """
        x0, y0, x1, y1 = area.bounds
        nx, ny = (
            max(2 * STEPS, int(np.ceil(round(size / (WINDOW / STEPS), 6))))
            for size in (x1 - x0, y1 - y0)
        )
        return cls(x0, y0, (x1 - x0) / nx, (y1 - y0) / ny, nx, ny)

    def centres(self) -> tuple[Floats, Floats]:
        """Centres of the windows, x and y, each (ny - 4, nx - 4)."""
        x = self.x0 + self.dx * (np.arange(self.nx - STEPS + 1) + STEPS / 2)
        y = self.y0 + self.dy * (np.arange(self.ny - STEPS + 1) + STEPS / 2)
        across, up = np.meshgrid(x, y)
        return across, up


def cell_areas(shapes: npt.NDArray[Any], grid: Grid) -> Floats:
    """Area of the shapes in every cell, (ny, nx), mm²; what lies beyond the grid is left out.

    The shapes must not overlap each other, as the parts of an image do not.

    Examples
    --------
    >>> grid = Grid(0.0, 0.0, 1.0, 1.0, 3, 2)
    >>> cell_areas(np.array([shapely.box(0.5, 0.5, 2.5, 1.0)]), grid).tolist()
    [[0.25, 0.5, 0.25], [0.0, 0.0, 0.0]]
    """
    total = np.zeros((grid.ny, grid.nx))
    if len(shapes) == 0:
        return total
    rings = shapely.get_rings(shapely.orient_polygons(shapely.get_parts(shapes)))
    coords, ring = shapely.get_coordinates(rings, return_index=True)
    u = (coords[:, 0] - grid.x0) / grid.dx
    v = (coords[:, 1] - grid.y0) / grid.dy
    same = ring[1:] == ring[:-1]
    lines = np.stack([u[:-1], v[:-1], u[1:], v[1:]], axis=-1)[same]
    # An outline left of the grid still counts for its row; elsewhere outside it does not.
    pieces = _split(_split(lines, 0, grid.nx), 1, grid.ny)
    middle_u = (pieces[:, 0] + pieces[:, 2]) / 2
    middle_v = (pieces[:, 1] + pieces[:, 3]) / 2
    rise = pieces[:, 3] - pieces[:, 1]
    keep = (middle_v > 0) & (middle_v < grid.ny) & (middle_u < grid.nx) & (rise != 0)
    middle_u, middle_v, rise = np.maximum(middle_u[keep], 0.0), middle_v[keep], rise[keep]
    column = np.minimum(middle_u.astype(np.intp), grid.nx - 1)
    row = np.minimum(middle_v.astype(np.intp), grid.ny - 1)
    # Copper lies on the left of an outline, so one that goes down has it on its right.
    at = row * grid.nx + column
    size = grid.ny * grid.nx
    beside = np.bincount(at, -rise * (column + 1 - middle_u), minlength=size)
    height = np.bincount(at, -rise, minlength=size).reshape(total.shape)
    further = np.cumsum(height, axis=1) - height
    return (beside.reshape(total.shape) + further) * grid.dx * grid.dy


def _split(lines: Floats, axis: int, count: int) -> Floats:
    """Cut (n, 4) lines where they cross the whole numbers 0 … ``count`` of one coordinate."""
    start, end = lines[:, axis], lines[:, axis + 2]
    low, high = np.minimum(start, end), np.maximum(start, end)
    first = np.clip(np.floor(low) + 1, 0, count + 1)
    last = np.clip(np.ceil(high) - 1, -1, count)
    cuts = np.maximum(last - first + 1, 0).astype(np.intp)
    many = cuts > 0
    if not many.any():
        return lines
    cut, cuts, first = lines[many], cuts[many], first[many]
    of = np.repeat(np.arange(len(cut)), cuts + 1)
    k = np.arange(len(of)) - np.repeat(np.cumsum(cuts + 1) - cuts - 1, cuts + 1)
    low, high = low[many], high[many]
    span = high - low
    t0 = np.where(k == 0, 0.0, (first[of] + k - 1 - low[of]) / span[of])
    t1 = np.where(k == cuts[of], 1.0, (first[of] + k - low[of]) / span[of])
    # Cuts run upwards in the coordinate; a line that runs downwards is turned about and back.
    down = (cut[:, axis] > cut[:, axis + 2])[of]
    a = np.where(down[:, None], cut[of][:, 2:], cut[of][:, :2])
    b = np.where(down[:, None], cut[of][:, :2], cut[of][:, 2:])
    p, q = a + (b - a) * t0[:, None], a + (b - a) * t1[:, None]
    inner0, inner1 = k > 0, k < cuts[of]
    p[inner0, axis] = (first[of] + k - 1)[inner0]
    q[inner1, axis] = (first[of] + k)[inner1]
    out = np.where(down[:, None], np.concatenate([q, p], 1), np.concatenate([p, q], 1))
    return np.concatenate([lines[~many], out])


def window_sums(cells: Floats) -> Floats:
    """Sum of the cells in every window, (ny - 4, nx - 4)."""
    total = np.pad(np.cumsum(np.cumsum(cells, axis=0), axis=1), ((1, 0), (1, 0)))
    s = STEPS
    return np.asarray(total[s:, s:] - total[:-s, s:] - total[s:, :-s] + total[:-s, :-s])


@dataclass(frozen=True, slots=True)
class Windows:
    """Windows that lie wholly inside an area: grid and which of its windows, (ny - 4, nx - 4)."""

    grid: Grid
    inside: npt.NDArray[np.bool_]

    @classmethod
    def within(cls, area: Any) -> Windows:
        grid = Grid.over(area)
        full = grid.dx * grid.dy * STEPS**2
        covered = window_sums(cell_areas(np.array([area], dtype=object), grid))
        return cls(grid, np.asarray(covered >= full * (1 - 1e-9)))

    def shares(self, parts: npt.NDArray[Any]) -> Floats:
        """Share of each window the parts cover, (ny - 4, nx - 4); NaN where not inside."""
        full = self.grid.dx * self.grid.dy * STEPS**2
        sums = window_sums(cell_areas(parts, self.grid)) / full
        return np.where(self.inside, np.clip(sums, 0.0, 1.0), np.nan)

    def lowest_and_highest(self, value: Floats) -> tuple[Floats, Floats, float, float] | None:
        """Centres (2,) of the windows with the smallest and the largest value, and those values.

        Of windows alike the pair that lies furthest apart does not matter: the one nearest the
        lower left is taken. None where no window lies inside.
        """
        if not self.inside.any():
            return None
        x, y = self.grid.centres()
        flat = value.round(9)
        low, high = int(np.nanargmin(flat)), int(np.nanargmax(flat))
        at = [np.array([x.flat[i], y.flat[i]]) for i in (low, high)]
        return at[0], at[1], float(value.flat[low]), float(value.flat[high])


def share_within(parts: npt.NDArray[Any], area: Any) -> float:
    """Share of ``area`` the parts cover, exactly."""
    if len(parts) == 0 or area.is_empty:
        return 0.0
    shapely.prepare(area)
    whole = shapely.contains(area, parts)
    covered = float(shapely.area(parts[whole]).sum())
    crossing = parts[~whole]
    crossing = crossing[shapely.intersects(area, crossing)]
    covered += float(shapely.area(shapely.intersection(crossing, area)).sum())
    return covered / float(area.area)
