"""Which layers a finding's picture shows, and outlines ready to be filled."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.measure.drawing import STEP, DrawnLayer

Window = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Flat:
    """A drawn layer with what finding its outlines takes: boxes of rings, order of filling."""

    layer: DrawnLayer
    boxes: npt.NDArray[np.int32]  # (rings, 4) x0 y0 x1 y1
    polygon: npt.NDArray[np.int64]  # of each ring
    shell: npt.NDArray[np.bool_]
    order: npt.NDArray[np.int64]  # rank of each polygon, largest first

    @classmethod
    def of(cls, layer: DrawnLayer) -> Flat:
        starts = layer.rings[:-1]
        if not len(starts):
            none = np.empty(0, dtype=np.int64)
            return cls(layer, np.empty((0, 4), np.int32), none, none.astype(bool), none)
        low = np.minimum.reduceat(layer.xy, starts, axis=0)
        high = np.maximum.reduceat(layer.xy, starts, axis=0)
        boxes = np.hstack([low, high])
        polygon = np.repeat(np.arange(len(layer.polygons) - 1), np.diff(layer.polygons))
        shell = np.zeros(len(starts), dtype=bool)
        shell[layer.polygons[:-1]] = True
        sides = (boxes[shell, 2:] - boxes[shell, :2]).astype(np.float64)
        order = np.empty(len(sides), dtype=np.int64)
        order[np.argsort(-sides.prod(axis=1), kind="stable")] = np.arange(len(sides))
        return cls(layer, boxes, polygon, shell, order)

    def _touching(self, window: Window) -> npt.NDArray[np.int64]:
        x0, y0, x1, y1 = (edge / STEP for edge in window)
        b = self.boxes
        hit = (b[:, 0] <= x1) & (b[:, 2] >= x0) & (b[:, 1] <= y1) & (b[:, 3] >= y0)
        return np.flatnonzero(hit)

    def rings_in(self, window: Window) -> Iterator[tuple[int, int, bool]]:
        """Ring, its polygon and whether it is the shell, in the order they are filled."""
        rings = self._touching(window)
        keys = (rings, ~self.shell[rings], self.order[self.polygon[rings]])
        for ring in rings[np.lexsort(keys)].tolist():
            yield ring, int(self.polygon[ring]), bool(self.shell[ring])

    def clipped(self, ring: int, window: Window) -> npt.NDArray[Any]:
        """Vertices of a ring, without most of those outside the window.

        Of a run of vertices beyond one edge of the window the inner ones can go: what joins its
        two ends stays beyond that edge. One edge after the other, so that no corner is cut.
        """
        xy = self.layer.xy[self.layer.rings[ring] : self.layer.rings[ring + 1]]
        x0, y0, x1, y1 = (edge / STEP for edge in window)
        for axis, bound, sign in ((0, x0, -1), (0, x1, 1), (1, y0, -1), (1, y1, 1)):
            if len(xy) < 8:
                break
            beyond = sign * (xy[:, axis] - bound) > 0
            inner = beyond & np.roll(beyond, 1) & np.roll(beyond, -1)
            xy = xy[~inner]
        return xy

    def nearest(self, point: Sequence[float], within: float) -> int | None:
        """Polygon whose outline passes nearest to a point (mm), None beyond ``within``."""
        x, y = point
        window = (x - within, y - within, x + within, y + within)
        at = np.array([x, y]) / STEP
        best, found = within / STEP, None
        for ring in self._touching(window).tolist():
            a = self.layer.xy[self.layer.rings[ring] : self.layer.rings[ring + 1]].astype(float)
            way = np.roll(a, -1, axis=0) - a
            length = np.maximum((way**2).sum(axis=1), 1e-12)
            t = np.clip(((at - a) * way).sum(axis=1) / length, 0.0, 1.0)
            distance = float(np.sqrt(((a + t[:, None] * way - at) ** 2).sum(axis=1)).min())
            if distance <= best:
                best, found = distance, int(self.polygon[ring])
        return found


def beneath(layer: str, names: Sequence[str]) -> tuple[str, str]:
    """The layer shown pale beneath, and the layer looked at; "" for none.

    Examples
    --------
    >>> names = ("conductor-1", "conductor-2", "mask-top", "mask-bottom")
    >>> beneath("conductor-2", names), beneath("mask-bottom", names), beneath("drill-1-2", names)
    (('', 'conductor-2'), ('conductor-2', 'mask-bottom'), ('', 'conductor-1'))
    """
    copper = [name for name in names if name.startswith(("conductor-", "plane-"))]
    outer = {"top": copper[0], "bottom": copper[-1]} if copper else {}
    if layer in names:
        side = layer.rsplit("-", 1)[-1]
        return ("" if layer in copper else outer.get(side, "")), layer
    side = layer.rsplit("-", 1)[-1]
    return "", outer.get(side, copper[0] if copper else "")


def nearest_hole(
    holes: npt.NDArray[np.float64], point: Sequence[float], within: float = 0.05
) -> int | None:
    """Row of the hole whose wall passes nearest to a point (mm), None beyond ``within``."""
    if not len(holes):
        return None
    a, b = holes[:, :2], holes[:, 2:4]
    way = b - a
    length = np.maximum((way**2).sum(axis=1), 1e-12)
    at = np.asarray(point)
    t = np.clip(((at - a) * way).sum(axis=1) / length, 0.0, 1.0)
    distance = np.abs(np.sqrt(((a + t[:, None] * way - at) ** 2).sum(axis=1)) - holes[:, 4])
    row = int(np.argmin(distance))
    return row if distance[row] <= within else None
