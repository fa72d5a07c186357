"""Plate: current crowds on copper that stands alone. Copper share round plated holes."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.shares import Grid, cell_areas
from dfmcheck.measure.at_holes import at_holes, path_numbers
from dfmcheck.measure.common import Rows
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

WINDOW = 25.0
"""Side of the square in which copper is shared out, mm: over about an inch the bath evens
itself out (common practice)."""
_PITCH = 0.5

ISOLATION = Rule(
    id="plate.isolation",
    step=Step.PLATE,
    looks_at="drill",
    quantity="share of outer copper round a plated hole",
    unit="1",
    direction="at-least",
    on_the_floor="Where little copper shares the current, it crowds: conductors and hole walls "
    "there plate thicker, the hole comes out too small and resist is trapped under the overgrowth.",
    change="Fill empty areas with copper, or let the shop add a dot pattern there.",
    who="ask",
    front_end="May add a plating pattern outside the profile; must ask inside it.",
    source="common practice (window of 25 mm)",
    weight=Weight.NOTE,
)


@measures(ISOLATION)
def isolation(board: Board, reach: float) -> Places:
    """Lowest share of copper in a 25 mm window round plated holes, on both outer layers.

    The window is cut to the profile, so that a board smaller than it is taken as a whole.
    One place per window-sized square of the board: the hole with the least copper round it.
    Those holes are found on a grid, and their shares then worked out exactly; ``reach`` does
    not apply. Nothing is measured without a closed profile.
    """
    holes, profile = board.holes, board.profile
    rows = np.flatnonzero(holes.plated == 1)
    if profile is None or profile.area.is_empty or len(rows) == 0 or not board.copper:
        return Places.empty()
    _, first = np.unique(path_numbers(holes)[rows], return_index=True)
    rows = rows[np.sort(first)]
    shapely.prepare(profile.area)
    at = shapely.points(holes.x0[rows], holes.y0[rows])
    rows = rows[np.asarray(shapely.intersects(profile.area, at))]
    outer = {id(layer): layer for layer in (board.copper[0], board.copper[-1])}
    return Places.concat([_on_layer(board, layer, rows) for layer in outer.values()])


def _on_layer(board: Board, layer: Layer, rows: Rows) -> Places:
    holes = board.holes
    assert board.profile is not None
    area = board.profile.area
    if len(rows) == 0:
        return Places.empty()
    share = _nearly(area, layer, holes.x0[rows], holes.y0[rows])
    pick = rows[_apart(share.round(6), holes.x0[rows], holes.y0[rows])]
    exact = np.array([_share(area, layer, holes.x0[k], holes.y0[k]) for k in pick.tolist()])
    columns = at_holes(board, pick)
    columns |= {"layer": layer.name, "position": board.position(layer)}
    return Places.of(rule=ISOLATION.id, value=exact, **columns)


def _apart(
    share: npt.NDArray[np.float64], x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]
) -> Rows:
    """The loneliest hole, then the loneliest a window away from it, and so on.

    So the choice hangs on the board alone, not on where a grid happens to lie.
    """
    left = np.lexsort((y, x, share))
    out: list[int] = []
    while len(left):
        out.append(int(left[0]))
        far = np.maximum(np.abs(x[left] - x[left[0]]), np.abs(y[left] - y[left[0]])) > WINDOW
        left = left[far]
    return np.array(out, dtype=np.intp)


def _share(area: Any, layer: Layer, x: float, y: float) -> float:
    """Exact share of copper in the window round a point."""
    half = WINDOW / 2
    box = (x - half, y - half, x + half, y + half)
    board = shapely.clip_by_rect(area, *box)
    parts = layer.image.parts[shapely.STRtree(layer.image.parts).query(board)]
    copper = shapely.clip_by_rect(parts, *box)
    bounds = shapely.bounds(copper)
    # Copper across the profile is cut away with the panel.
    over = ~np.asarray(shapely.covers(board, shapely.box(*bounds.T)))
    copper[over] = shapely.intersection(shapely.make_valid(copper[over]), board)
    return float(shapely.area(copper).sum() / shapely.area(board))


def _nearly(
    area: Any, layer: Layer, x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Share of copper in the window round every point, with each cell of a grid taken as even."""
    x0, y0, x1, y1 = area.bounds
    nx, ny = int(np.ceil((x1 - x0) / _PITCH)), int(np.ceil((y1 - y0) / _PITCH))
    grid = Grid(x0, y0, _PITCH, _PITCH, nx, ny)
    board = cell_areas(np.array([area], dtype=object), grid)
    # Copper across the profile is cut away with the panel.
    copper = np.minimum(cell_areas(layer.image.parts, grid), board)

    half = WINDOW / 2
    left, right = (np.clip((x + side - x0) / _PITCH, 0, nx) for side in (-half, half))
    low, high = (np.clip((y + side - y0) / _PITCH, 0, ny) for side in (-half, half))

    def sums(cells: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        table = np.pad(cells.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))

        def below(u: npt.NDArray[np.float64], v: npt.NDArray[np.float64]) -> Any:
            """Sum of all that lies left of ``u`` and below ``v``; cells are taken as even."""
            i, j = np.minimum(u.astype(np.intp), nx - 1), np.minimum(v.astype(np.intp), ny - 1)
            u, v = u - i, v - j
            near = table[j, i] + u * (table[j, i + 1] - table[j, i])
            far = table[j + 1, i] + u * (table[j + 1, i + 1] - table[j + 1, i])
            return near + v * (far - near)

        inside = below(right, high) - below(left, high) - below(right, low) + below(left, low)
        return np.asarray(inside)

    return sums(copper) / np.maximum(sums(board), _PITCH**2)
