"""Areas in grid cells against polygons clipped one by one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from dfmcheck.geometry.shares import STEPS, Grid, Windows, cell_areas, share_within, window_sums


@pytest.mark.parametrize("seed", range(40))
def test_cells_hold_what_clipping_gives(seed: int) -> None:
    rng = np.random.default_rng(seed)
    grid = Grid(-1.0, -2.0, 0.7, 0.9, 9, 7)
    disc = shapely.Point(*rng.uniform(-4, 8, 2)).buffer(rng.uniform(0.2, 4))
    hole = shapely.box(*rng.uniform(-3, 3, 2), *rng.uniform(3.1, 5, 2))
    shape = shapely.get_parts(np.array([disc.difference(hole)]))
    x = grid.x0 + grid.dx * np.arange(grid.nx)
    y = grid.y0 + grid.dy * np.arange(grid.ny)
    across, up = np.meshgrid(x, y)
    cells = shapely.box(across, up, across + grid.dx, up + grid.dy)
    expected = sum(shapely.area(shapely.intersection(cells, part)) for part in shape)
    assert cell_areas(shape, grid) == pytest.approx(expected, abs=1e-9)


def test_outlines_on_grid_lines() -> None:
    grid = Grid(0.0, 0.0, 1.0, 1.0, 4, 3)
    shape = np.array([shapely.box(1, 1, 3, 2), shapely.box(-5, 0, 0, 3), shapely.box(4, 0, 9, 3)])
    expected = np.zeros((3, 4))
    expected[1, 1:3] = 1.0
    assert cell_areas(shape, grid) == pytest.approx(expected)


def test_only_windows_wholly_inside_count() -> None:
    corner = shapely.Polygon([(0, 0), (100, 0), (100, 50), (50, 50), (50, 100), (0, 100)])
    windows = Windows.within(corner)
    x, y = windows.grid.centres()
    half = STEPS * windows.grid.dx / 2
    expected = shapely.covers(
        corner.buffer(1e-6), shapely.box(x - half, y - half, x + half, y + half)
    )
    assert (windows.inside == expected).all()
    assert half == pytest.approx(12.5)
    share = windows.shares(np.array([shapely.box(0, 0, 25, 25)]))
    assert np.nanmax(share) == pytest.approx(1.0)
    assert np.nanmin(share) == 0.0


def test_small_boards_have_windows_of_half_a_side() -> None:
    grid = Grid.over(shapely.box(3, 4, 23, 34))
    assert (grid.nx * grid.dx, STEPS * grid.dx, STEPS * grid.dy) == pytest.approx((20, 10, 15))
    assert window_sums(np.ones((grid.ny, grid.nx))).max() == STEPS**2


def test_share_of_copper_that_leaves_the_area() -> None:
    parts = np.array([shapely.box(-1, 0, 1, 1), shapely.box(5, 5, 6, 6), shapely.box(50, 0, 60, 9)])
    assert share_within(parts, shapely.box(0, 0, 10, 10)) == pytest.approx(2 / 100)
