"""Widths and gaps against distance transforms of fine rasters (scipy.ndimage).

Local width: of the distance transform of an image, take what lies at least t inside. As t
grows from nought, parts come apart, holes open outwards, or parts vanish; the first such
event happens at half the smallest local width.
"""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from scipy import ndimage
from shapely import LineString, Point, Polygon, box

from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.facing import narrow_places
from dfmcheck.geometry.gaps import gaps_between, gaps_within

PITCH = 0.004
MARGIN = 0.5
Mask = npt.NDArray[np.bool_]


def raster(shape: Any, pitch: float = PITCH, margin: float = MARGIN) -> Mask:
    x0, y0, x1, y1 = shape.bounds
    x = np.arange(x0 - margin + 0.31 * pitch, x1 + margin, pitch)
    y = np.arange(y0 - margin + 0.17 * pitch, y1 + margin, pitch)
    shapely.prepare(shape)
    return np.asarray(shapely.contains_xy(shape, x[None, :], y[:, None]))


def pieces(mask: Mask) -> tuple[int, int]:
    """Parts and holes; crumbs a few pixels wide are the raster's, not the image's."""

    def count(m: Mask, structure: Any) -> int:
        labels, n = ndimage.label(m, structure)
        return int((ndimage.sum_labels(m, labels, np.arange(1, n + 1)) > 12).sum()) if n else 0

    return count(mask, None), count(~mask, np.ones((3, 3)))


def first_event(mask: Mask) -> float:
    """Twice the depth at which the image first changes its parts or holes, mm."""
    depth = ndimage.distance_transform_edt(mask) * PITCH
    before = pieces(mask)
    low, high = 0.0, float(depth.max()) + PITCH
    # Not monotonous in general, so walk; then halve the last step.
    step = 0.02
    t = 0.0
    while t < high and pieces(depth > t) == before:
        low, t = t, t + step
    high = t
    for _ in range(4):
        middle = (low + high) / 2
        low, high = (middle, high) if pieces(depth > middle) == before else (low, middle)
    return low + high


def disc(x: float, y: float, r: float) -> Any:
    return Point(x, y).buffer(r, 64)


SHAPES: dict[str, Any] = {
    "bar": box(0, 0, 3, 0.3),
    "slanted bar": shapely.affinity.rotate(box(0, 0, 3, 0.25), 31),
    "dumbbell": disc(0, 0, 1) | box(0, -0.11, 3, 0.11) | disc(3, 0, 0.8),
    "two discs that overlap": disc(0, 0, 1) | disc(1.6, 0.2, 1),
    "bite of a clear disc": box(0, 0, 3, 2) - disc(1.4, 2.2, 2.0),
    "bites from either side": box(0, 0, 4, 3) - disc(2, 3.2, 1.5) - disc(2.3, -0.3, 1.6),
    "hole near a side": box(0, 0, 4, 4) - disc(2.5, 1.1, 0.9),
    "hole off centre in a disc": disc(0, 0, 1.5) - disc(0.3, 0.2, 0.9),
    "two holes": box(0, 0, 6, 4) - disc(2, 2, 0.8) - disc(3.9, 2.3, 0.95),
    "holes corner to corner": box(0, 0, 6, 6) - box(1.5, 1.5, 3, 3) - box(3.15, 3.1, 4.5, 4.5),
    "notch corner against side": Polygon([(0, 0), (4, 0), (4, 3), (2.5, 3), (2, 0.35), (1.5, 3),
                                          (0, 3)]),
    "notch that leans": Polygon([(0, 0), (6, 0), (6, 3), (3.8, 3), (2, 0.35), (2.8, 3), (0, 3)]),
    "wedge between pads": Polygon([(0, 0), (1, 0), (3, 0.8), (4, 0), (4, 2), (3, 1.2), (1, 2),
                                   (0, 2)]),
    "bent draw": LineString([(0, 0), (2, 0), (3, 1.5)]).buffer(0.15, 32),
}  # fmt: skip


@pytest.mark.parametrize("name", SHAPES)
def test_smallest_width_as_the_distance_transform(name: str) -> None:
    shape = SHAPES[name]
    brute = first_event(raster(shape))
    found = narrow_places(shapely.get_parts([shape]), 2.0)
    assert len(found)
    assert found.value.min() == pytest.approx(brute, abs=3 * PITCH), (found.value.min(), brute)


PAIRS: dict[str, list[Any]] = {
    "two bars": [box(0, 0, 3, 0.5), box(0.4, 0.72, 3, 1.4)],
    "corner to corner": [box(0, 0, 1, 1), box(1.2, 1.15, 2, 2)],
    "disc beside a bar": [disc(0, 0, 0.6), box(-2, 0.79, 2, 1.3)],
    "pad in a clearance": [box(0, 0, 4, 4) - disc(2, 2, 0.8), disc(2.07, 1.98, 0.55)],
    "slanted sides": [Polygon([(0, 0), (3, 0.4), (3, -1), (0, -1)]),
                      Polygon([(0, 0.3), (3, 0.6), (3, 2), (0, 2)])],
    "comb": [box(0, 0, 4, 0.4) | box(0, 0, 0.4, 2) | box(1.4, 0, 1.8, 2) | box(3, 0, 3.4, 2),
             box(0.7, 0.62, 1.1, 2.5)],
}  # fmt: skip


@pytest.mark.parametrize("name", PAIRS)
def test_smallest_void_as_the_distance_transform(name: str) -> None:
    a, b = PAIRS[name]
    both = shapely.GeometryCollection([a, b])
    x0, y0, x1, y1 = both.bounds
    frame = box(x0, y0, x1, y1)
    masks = []
    for shape in (a, b):
        x = np.arange(x0, x1, PITCH) + 0.31 * PITCH
        y = np.arange(y0, y1, PITCH) + 0.17 * PITCH
        masks.append(np.asarray(shapely.contains_xy(shape, x[None, :], y[:, None])))
    away = ndimage.distance_transform_edt(~masks[0]) * PITCH
    brute = away[masks[1]].min()
    # One label: both parts are one net, so the void between them is a notch.
    found = narrow_places(np.array([a, b]), 1.5, void=True, label=np.zeros(2, dtype=int))
    inside = [frame.buffer(1e-6).contains(Point(m)) for m in (found.p + found.q) / 2]
    assert any(inside)
    assert found.value[inside].min() == pytest.approx(brute, abs=3 * PITCH)
    # Of two labels the parts face nothing but themselves.
    alone = narrow_places(np.array([a, b]), 1.5, void=True, label=np.arange(2))
    crossing = shapely.distance(shapely.points(alone.p), a) + shapely.distance(
        shapely.points(alone.q), b
    )
    assert not (np.minimum(crossing, 9) < 1e-9).any()


def test_wide_images_have_no_narrow_place() -> None:
    parts = np.array([box(0, 0, 3, 3), disc(6, 6, 1.5)])
    assert len(narrow_places(parts, 1.0)) == 0
    assert len(narrow_places(np.empty(0, dtype=object), 1.0)) == 0


def scene(seed: int) -> tuple[Edges, list[Any]]:
    """Discs, capsules and polygons strewn about: exact edges and the shapes they stand for."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[float, ...]] = []
    shapes: list[Any] = []
    for n in range(14):
        x, y = rng.uniform(0, 8, 2)
        dx, dy = rng.uniform(-1.2, 1.2, 2)
        r = float(rng.uniform(0.08, 0.4))
        if n % 3 == 0:
            rows.append((x, y, x, y, r, 0.0, n))
            shapes.append(Point(x, y).buffer(r, 64))
        elif n % 3 == 1:
            rows.append((x, y, x + dx, y + dy, r, 0.0, n))
            shapes.append(LineString([(x, y), (x + dx, y + dy)]).buffer(r, 64))
        else:
            corners = rng.uniform(-0.7, 0.7, (3, 2)) + np.array([x, y])
            shapes.append(Polygon(corners))
            rows += [
                (*corners[k], *corners[(k + 1) % 3], 0.0, 0.0, n) for k in range(3)
            ]  # fmt: skip
    t = np.array(rows)
    return Edges(*t[:, :6].T, t[:, 6].astype(np.int32)), shapes


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_gaps_as_the_distance_transform(seed: int) -> None:
    edges, shapes = scene(seed)
    reach, pitch = 1.4, 0.01
    x, y = np.arange(-2.5, 10.5, pitch), np.arange(-2.5, 10.5, pitch)
    masks = [np.asarray(shapely.contains_xy(s, x[None, :], y[:, None])) for s in shapes]
    brute: dict[tuple[int, int], float] = {}
    for i, mask in enumerate(masks):
        away = ndimage.distance_transform_edt(~mask) * pitch
        for j in range(i + 1, len(masks)):
            brute[i, j] = float(away[masks[j]].min()) if masks[j].any() else np.inf
    gaps = gaps_within(edges, reach, lambda a, b: edges.piece[a] != edges.piece[b])
    found: dict[tuple[int, int], float] = {}
    for a, b, value in zip(edges.piece[gaps.a], edges.piece[gaps.b], gaps.value, strict=True):
        key = (int(min(a, b)), int(max(a, b)))
        found[key] = min(found.get(key, np.inf), float(value))
    assert (gaps.value > 0).all() and (gaps.value <= reach).all()
    assert np.allclose(np.hypot(*(gaps.p - gaps.q).T), gaps.value, rtol=0, atol=1e-9)
    checked = 0
    for i, j in combinations(range(len(shapes)), 2):
        if brute[i, j] == 0 or shapes[i].intersects(shapes[j]):
            continue  # they overlap: which of their edges are apart says nothing
        if brute[i, j] < reach - 2 * pitch:
            assert found[i, j] == pytest.approx(brute[i, j], abs=2 * pitch), (i, j)
            checked += 1
        elif brute[i, j] > reach + 2 * pitch:
            assert (i, j) not in found
    assert checked > 5


@pytest.mark.parametrize("seed", [4, 5])
def test_gaps_between_two_tables_are_gaps_within_one(seed: int) -> None:
    edges, _ = scene(seed)
    left = edges.piece < 7
    first, second = edges.take(np.flatnonzero(left)), edges.take(np.flatnonzero(~left))
    two = gaps_between(first, second, 0.7)
    one = gaps_within(edges, 0.7, lambda a, b: left[a] != left[b], overlaps=True)
    assert len(two) == len(one) > 0
    assert np.allclose(np.sort(two.value), np.sort(one.value), rtol=0, atol=1e-12)
