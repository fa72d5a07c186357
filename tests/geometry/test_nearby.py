"""What is cut out of a large polygon near shapes: the shapes must not tell the difference."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from dfmcheck.geometry.nearby import nearby


def _pour(rng: np.random.Generator) -> shapely.Polygon:
    """A ragged area with many round voids."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, 3000))
    radius = 20 + rng.uniform(0, 2, 3000)
    shell = shapely.Polygon(
        np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=-1)
    )  # fmt: skip
    voids = shapely.buffer(shapely.points(rng.uniform(-15, 15, (200, 2))), 0.4)
    pour = shapely.difference(shell.buffer(0), shapely.union_all(voids))
    return max(shapely.get_parts(pour), key=lambda part: part.area)


@pytest.mark.parametrize("seed", range(3))
def test_overlaps_stay_as_they_are(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pours = [_pour(rng), _pour(rng), shapely.box(-3, -3, 3, 3)]
    shapes = shapely.buffer(
        shapely.points(rng.uniform(-22, 22, (150, 2))), rng.uniform(0.1, 2, 150)
    )  # fmt: skip
    polygons = np.array(pours, dtype=object)[rng.integers(0, 3, 150)]
    near = nearby(polygons, shapes)
    before, after = shapely.intersection(polygons, shapes), shapely.intersection(near, shapes)
    assert shapely.area(after) == pytest.approx(shapely.area(before), rel=1e-9, abs=1e-12)
    assert shapely.length(after) == pytest.approx(shapely.length(before), rel=1e-9, abs=1e-12)
    count = shapely.get_num_coordinates
    # Cut down where there was much to cut, and left alone where not.
    assert count(near).max() < count(polygons).max() / 4
    assert all(a is b for a, b in zip(near, polygons, strict=True) if count(b) < 100)


def test_one_place_for_many_shapes() -> None:
    pour = _pour(np.random.default_rng(9))
    shapes = np.array([shapely.box(20, 0, 21, 1)] * 50, dtype=object)
    near = nearby(np.array([pour] * 50, dtype=object), shapes)
    area = pour.intersection(shapes[0]).area
    assert shapely.area(shapely.intersection(near, shapes)) == pytest.approx(area, rel=1e-9)


def test_nothing() -> None:
    none = np.empty(0, dtype=object)
    assert len(nearby(none, none)) == 0
