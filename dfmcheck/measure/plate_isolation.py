"""Plate: current crowds on copper that stands alone. Copper share round plated holes."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
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
    Shares are sampled to find those holes, and then worked out exactly; ``reach`` does not
    apply. Nothing is measured without a closed profile.
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
    share = _sampled(area, layer, holes.x0[rows], holes.y0[rows])
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


def _sampled(
    area: Any, layer: Layer, x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Share of copper in the window round every point, from points on a grid."""
    x0, y0, x1, y1 = area.bounds
    nx, ny = int(np.ceil((x1 - x0) / _PITCH)), int(np.ceil((y1 - y0) / _PITCH))
    gx = x0 + (np.arange(nx) + 0.5) * _PITCH
    gy = y0 + (np.arange(ny) + 0.5) * _PITCH
    points = shapely.points(*(g.ravel() for g in np.meshgrid(gx, gy)))
    tree = shapely.STRtree(points)
    board = np.zeros(len(points))
    board[tree.query(area, predicate="intersects")] = 1.0
    copper = np.zeros(len(points))
    copper[tree.query(layer.image.parts, predicate="intersects")[1]] = 1.0
    copper *= board

    def sums(of: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        table = np.zeros((ny + 1, nx + 1))
        table[1:, 1:] = of.reshape(ny, nx).cumsum(axis=0).cumsum(axis=1)
        half = WINDOW / 2
        left = np.clip(np.rint((x - half - x0) / _PITCH), 0, nx).astype(np.intp)
        right = np.clip(np.rint((x + half - x0) / _PITCH), 0, nx).astype(np.intp)
        low = np.clip(np.rint((y - half - y0) / _PITCH), 0, ny).astype(np.intp)
        high = np.clip(np.rint((y + half - y0) / _PITCH), 0, ny).astype(np.intp)
        return np.asarray(
            table[high, right] - table[low, right] - table[high, left] + table[low, left]
        )

    return np.asarray(sums(copper) / np.maximum(sums(board), 1.0))
