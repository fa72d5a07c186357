"""Deepest point of an overlap, against dense points of it measured with shapely alone."""

import numpy as np
import pytest
import shapely

from dfmcheck.measure.laps import laps

_ROUND = shapely.Point(0, 0).buffer(0.4, quad_segs=9)
_SQUARE = shapely.box(-0.3, -0.2, 0.3, 0.25)
_ODD = shapely.Polygon([(-0.4, -0.3), (0.5, -0.2), (0.1, 0.4), (-0.1, 0.1)])
_PIERCED = shapely.Point(0, 0).buffer(0.5, quad_segs=64) - shapely.Point(0.1, 0).buffer(0.2)
_STEP = 0.0005


def _dense_depth(first: shapely.Polygon, second: shapely.Polygon) -> float:
    common = shapely.intersection(first, second)
    along = shapely.get_coordinates(shapely.segmentize(shapely.boundary(common), _STEP))
    x0, y0, x1, y1 = common.bounds
    grid = np.stack(np.meshgrid(np.linspace(x0, x1, 120), np.linspace(y0, y1, 120)), axis=-1)
    grid = grid.reshape(-1, 2)
    grid = grid[shapely.contains_xy(common, grid[:, 0], grid[:, 1])]
    points = shapely.points(np.concatenate([along, grid]))
    return float(shapely.distance(points, shapely.boundary(second)).max())


@pytest.mark.parametrize("second", [_ROUND, _SQUARE, _ODD, _PIERCED])
def test_deepest_point_of_strokes_across(second: shapely.Polygon) -> None:
    rng = np.random.default_rng(11)
    ends = rng.uniform(-0.6, 0.6, (40, 2, 2))
    strokes = shapely.buffer(shapely.linestrings(ends), rng.uniform(0.02, 0.1, 40), quad_segs=8)
    strokes = strokes[shapely.area(shapely.intersection(strokes, second)) > 1e-6]
    found = laps(strokes, np.full(len(strokes), second, dtype=object))
    true = np.array([_dense_depth(stroke, second) for stroke in strokes])
    assert len(strokes) > 10
    # Between its dense points the true depth may be half a step more, never less.
    assert (found.depth >= true - 0.0003).all()
    wide = np.hypot(*(np.ptp(shapely.bounds(strokes).reshape(-1, 2, 2), axis=1)).T) / 120
    assert (found.depth <= true + np.maximum(_STEP, wide)).all()
    outline = shapely.boundary(second)
    assert shapely.distance(shapely.points(found.p), outline) == pytest.approx(found.depth)
    assert shapely.distance(shapely.points(found.q), outline) == pytest.approx(0, abs=1e-9)
    assert np.hypot(*(found.p - found.q).T) == pytest.approx(found.depth)
    assert (shapely.distance(shapely.points(found.p), strokes) < 1e-9).all()


def test_covered_whole_is_as_deep_as_its_largest_circle() -> None:
    second = np.array([_ROUND, _SQUARE, _ODD], dtype=object)
    found = laps(shapely.buffer(second, 0.1), second)
    circles = shapely.length(shapely.maximum_inscribed_circle(second, tolerance=1e-5))
    assert found.depth == pytest.approx(circles, abs=3e-4)
    assert found.area == pytest.approx(shapely.area(second))


def test_a_stroke_over_a_corner_of_a_shape_with_many_sides() -> None:
    many = shapely.Point(0, 0).buffer(5, quad_segs=200)
    stroke = shapely.LineString([(4.7, 0), (6, 0)]).buffer(0.1)
    found = laps(np.array([stroke]), np.array([many]))
    assert found.depth[0] == pytest.approx(_dense_depth(stroke, many), abs=1e-3)


def test_apart_is_no_depth() -> None:
    found = laps(np.array([shapely.box(5, 5, 6, 6)]), np.array([_SQUARE]))
    assert found.depth.tolist() == [0.0]
    assert np.isnan(found.p).all()
