"""Groups and nearest points against scipy, which they stand in for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from dfmcheck.geometry.groups import Points, connected


@pytest.mark.parametrize("count, links", [(1, 0), (10, 5), (500, 300), (2000, 3000)])
def test_groups_are_numbered_as_in_scipy(count: int, links: int) -> None:
    rng = np.random.default_rng(links)
    a, b = rng.integers(0, count, links), rng.integers(0, count, links)
    graph = coo_array((np.ones(links), (a, b)), shape=(count, count))
    assert (
        connected(count, a, b).tolist() == connected_components(graph, directed=False)[1].tolist()
    )


def test_a_long_path_is_one_group() -> None:
    order = np.random.default_rng(3).permutation(5000)
    assert connected(5000, order[:-1], order[1:]).max() == 0


def test_nearest_points() -> None:
    rng = np.random.default_rng(5)
    held, asked = rng.uniform(0, 10, (300, 2)), rng.uniform(0, 10, (400, 2))
    distance, row = Points(held).nearest(asked, 0.3)
    away, to = cKDTree(held).query(asked, distance_upper_bound=0.3)
    assert np.allclose(distance, away)
    assert (row[np.isfinite(away)] == to[np.isfinite(away)]).all()
    assert (row[np.isinf(away)] == -1).all()


def test_nothing_is_near_nothing() -> None:
    distance, row = Points(np.empty((0, 2))).nearest(np.zeros((2, 2)), 1.0)
    assert np.isinf(distance).all() and row.tolist() == [-1, -1]
    assert len(Points(np.zeros((1, 2))).nearest(np.empty((0, 2)), 1.0)[0]) == 0
