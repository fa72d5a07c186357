"""What changed in the artwork between two revisions: added and removed areas, holes.

Works on the drawings kept with screenings, whose outlines are reduced. What is narrower than
:data:`NARROWEST` cannot be told from that reduction and is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.measure.drawing import STEP, TOLERANCE, Drawing, DrawnLayer

NARROWEST = 2 * (TOLERANCE + STEP) + 2 * STEP
"""Changes narrower than this (mm) are not seen: both outlines may be off by the drawing's
tolerance and a rounding, and so may the shift between them."""

_SAME = 2.5  # STEP units: vertices no further apart are one vertex, rounded twice
_HOLE_SAME, _HOLE_NEAR = 0.002, 0.02  # mm

Shapes = npt.NDArray[Any]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LayerChange:
    """Areas of one layer that came or went, largest first; mm, on the new revision's datum.

    ``only`` is ``old`` or ``new`` where just that revision has the layer.
    """

    layer: str
    added: tuple[Any, ...]  # shapely polygons
    removed: tuple[Any, ...]
    only: str = ""

    @property
    def added_area(self) -> float:
        """mm²."""
        return float(sum(shape.area for shape in self.added))

    @property
    def removed_area(self) -> float:
        """mm²."""
        return float(sum(shape.area for shape in self.removed))


@dataclass(frozen=True, slots=True)
class HoleChange:
    """``state`` is ``added``, ``removed``, ``resized`` or ``replated``; sizes in mm, ``old`` and
    ``new`` nought where there is none. Place of the new revision's datum."""

    state: str
    x: float
    y: float
    old: float
    new: float
    plated: int
    slot: bool


def layer_changes(
    old: Drawing, new: Drawing, shift: tuple[float, float]
) -> tuple[LayerChange, ...]:
    """Changed layers in the new drawing's order, then those only the old one has.

    ``shift`` (mm) brings the old drawing onto the new one's datum. Layers without a change are
    left out.
    """
    before = {layer.name: layer for layer in old.layers}
    after = {layer.name: layer for layer in new.layers}
    out = []
    for name in dict.fromkeys([*after, *before]):
        a, b = before.get(name), after.get(name)
        if a is None or b is None:
            whole = a or b
            assert whole is not None
            areas = _by_size(shapely.make_valid(whole.shapes()), shift if b is None else (0, 0))
            if areas:
                added, removed = (areas, ()) if a is None else ((), areas)
                out.append(LayerChange(name, added, removed, "new" if a is None else "old"))
            continue
        change = _layer_change(name, a, b, shift)
        if change.added or change.removed:
            out.append(change)
    return tuple(out)


def _layer_change(
    name: str, old: DrawnLayer, new: DrawnLayer, shift: tuple[float, float]
) -> LayerChange:
    moved = np.asarray(shift) / STEP
    old_xy = old.xy + moved
    left_old, left_new = _unlike(old, old_xy, new)
    if not len(left_old) and not len(left_new):
        return LayerChange(name, (), ())
    before = _union(shapely.transform(old.shapes()[left_old], lambda xy: xy + np.asarray(shift)))
    after = _union(new.shapes()[left_new])
    return LayerChange(
        name,
        _opened(shapely.difference(after, before)),
        _opened(shapely.difference(before, after)),
    )


def _unlike(
    old: DrawnLayer, old_xy: npt.NDArray[Any], new: DrawnLayer
) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Numbers of the polygons without a twin in the other revision.

    Polygons of a layer do not overlap, so twins cannot matter to the difference of the rest.
    """
    from scipy.spatial import cKDTree

    starts_old, starts_new = old.rings[old.polygons], new.rings[new.polygons]
    n_old, n_new = len(starts_old) - 1, len(starts_new) - 1
    if not len(old_xy) or not len(new.xy):
        return np.arange(n_old), np.arange(n_new)
    boxes_old, boxes_new = _boxes(old_xy, starts_old), _boxes(new.xy, starts_new)
    size_old, size_new = np.diff(starts_old), np.diff(starts_new)
    tree = cKDTree(boxes_new)
    near: Any = tree.query_ball_point(boxes_old, _SAME, p=np.inf, return_sorted=True)
    twin_old, twin_new = np.zeros(n_old, dtype=bool), np.zeros(n_new, dtype=bool)
    for j, candidates in enumerate(near):
        for k in candidates:
            if twin_new[k] or size_old[j] != size_new[k]:
                continue
            a = old_xy[starts_old[j] : starts_old[j + 1]]
            b = new.xy[starts_new[k] : starts_new[k + 1]]
            if np.abs(a - b).max() <= _SAME:
                twin_old[j] = twin_new[k] = True
                break
    return np.flatnonzero(~twin_old), np.flatnonzero(~twin_new)


def _boxes(xy: npt.NDArray[Any], starts: npt.NDArray[Any]) -> Floats:
    low = np.minimum.reduceat(xy, starts[:-1], axis=0)
    high = np.maximum.reduceat(xy, starts[:-1], axis=0)
    return np.hstack([low, high]).astype(np.float64)


def _union(shapes: Shapes) -> Any:
    return shapely.union_all(shapely.make_valid(shapes))


def _opened(shape: Any) -> tuple[Any, ...]:
    """Areas left when all that is narrower than :data:`NARROWEST` is taken off."""
    half = NARROWEST / 2
    # mitred, so that a corner comes back as it was; a sharper one is cut, never lengthened
    parts = shapely.get_parts(shape)
    parts = parts[shapely.area(parts) > NARROWEST**2 / 2]
    thin = shapely.buffer(parts, -half, join_style="mitre", mitre_limit=3.0)
    back = shapely.buffer(thin, half, join_style="mitre", mitre_limit=3.0)
    return _by_size(shapely.intersection(back, parts), (0, 0))


def _by_size(shapes: Shapes, shift: tuple[float, float]) -> tuple[Any, ...]:
    parts = shapely.get_parts(shapes)
    parts = parts[(shapely.get_type_id(parts) == 3) & (shapely.area(parts) > 0)]
    if shift != (0, 0):
        parts = shapely.transform(parts, lambda xy: xy + np.asarray(shift))
    boxes = shapely.bounds(parts)
    order = np.lexsort((boxes[:, 1], boxes[:, 0], -shapely.area(parts).round(6)))
    return tuple(parts[order])


# -- holes -------------------------------------------------------------------------------


def hole_changes(old: Drawing, new: Drawing, shift: tuple[float, float]) -> tuple[HoleChange, ...]:
    """Holes and slots that came, went, or changed size or plating at their place."""
    from scipy.spatial import cKDTree

    a, b = _holes(old, shift), _holes(new, (0.0, 0.0))
    gone, come = np.ones(len(a), dtype=bool), np.ones(len(b), dtype=bool)
    out: list[HoleChange] = []
    if len(a) and len(b):
        tree = cKDTree(b[:, :4])
        near: Any = tree.query_ball_point(a[:, :4], _HOLE_NEAR, return_sorted=True)
        # exact twins first, then what sits at the same place
        for exact in (True, False):
            for j, candidates in enumerate(near):
                for k in candidates:
                    if not gone[j] or not come[k]:
                        continue
                    like = abs(a[j, 4] - b[k, 4]) < _HOLE_SAME
                    still = np.abs(a[j, :4] - b[k, :4]).max() < 2 * _HOLE_SAME
                    if exact and not (like and still and a[j, 5] == b[k, 5]):
                        continue
                    if not exact and not still:
                        continue
                    gone[j] = come[k] = False
                    if not exact:
                        out.append(_hole("replated" if like else "resized", a[j], b[k]))
    out += [_hole("added", None, b[k]) for k in np.flatnonzero(come)]
    out += [_hole("removed", a[j], None) for j in np.flatnonzero(gone)]
    return tuple(out)


def _holes(drawing: Drawing, shift: tuple[float, float]) -> Floats:
    holes = drawing.holes.astype(np.float64)
    ends = holes[:, :4] + np.array([*shift, *shift])
    swap = (ends[:, 0] > ends[:, 2] + 1e-6) | (
        (np.abs(ends[:, 0] - ends[:, 2]) <= 1e-6) & (ends[:, 1] > ends[:, 3])
    )
    ends[swap] = ends[swap][:, [2, 3, 0, 1]]
    return np.hstack([ends, holes[:, 4:6]])


def _hole(state: str, old: Any, new: Any) -> HoleChange:
    at = old if new is None else new
    return HoleChange(
        state,
        float((at[0] + at[2]) / 2),
        float((at[1] + at[3]) / 2),
        0.0 if old is None else float(2 * old[4]),
        0.0 if new is None else float(2 * new[4]),
        int(at[5]),
        bool(np.hypot(at[2] - at[0], at[3] - at[1]) > _HOLE_SAME),
    )


def profile_changed(old: Drawing, new: Drawing, shift: tuple[float, float]) -> bool:
    """Whether the drawn profile is another line; which file or direction drew it is no matter."""
    lines = []
    for drawing, by in ((old, shift), (new, (0.0, 0.0))):
        ends = drawing.profile.astype(np.float64).reshape(-1, 2, 2) + np.asarray(by)
        lines.append(shapely.multilinestrings(list(ends)) if len(ends) else None)
    if lines[0] is None or lines[1] is None:
        return lines[0] is not lines[1]
    return bool(shapely.hausdorff_distance(*lines, densify=0.5) > NARROWEST)


def extent(shapes: Sequence[Any]) -> tuple[float, float, float, float] | None:
    """Box round shapes, None for none."""
    if not len(shapes):
        return None
    x0, y0, x1, y1 = shapely.total_bounds(np.array(shapes, dtype=object)).tolist()
    return x0, y0, x1, y1
