"""Runs of strokes cover what the strokes cover."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.outlines import capsules
from dfmcheck.geometry.strokes import stroke_runs


def paths(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Strokes of drawn paths: sharp and soft bends, arcs of chords, loops, ends that meet."""
    rng = np.random.default_rng(seed)
    segments: list[np.ndarray] = []
    radius: list[np.ndarray] = []
    for _ in range(rng.integers(1, 6)):
        n = int(rng.integers(1, 25))
        shape = rng.integers(0, 4)
        spread = (0.2, 1.5, 3.1, 0.0)[shape]
        turn = rng.uniform(-spread, spread, n)
        if shape == 3:
            turn[:] = rng.uniform(-0.5, 0.5)
        heading = rng.uniform(0, 6.3) + np.cumsum(turn)
        step = rng.uniform(0.02, 0.6) * np.ones(n) if shape == 3 else rng.uniform(0.0, 0.6, n)
        step[rng.random(n) < 0.05] = 0.0
        start = rng.uniform(0, 1, 2)
        if segments and rng.random() < 0.6:
            start = segments[-1][rng.integers(len(segments[-1])), 2:]
        points = start + np.cumsum(
            step[:, None] * np.stack([np.cos(heading), np.sin(heading)], -1), 0
        )
        points = np.concatenate([start[None], points])
        segments.append(np.concatenate([points[:-1], points[1:]], axis=1))
        radius.append(np.full(n, rng.choice([0.03, 0.1, 0.4])))
    return np.concatenate(segments), np.concatenate(radius)


@pytest.mark.parametrize("seed", range(60))
def test_runs_cover_what_the_strokes_cover(seed: int) -> None:
    segments, radius = paths(seed)
    single = np.concatenate(
        [capsules(s[None], float(r)) for s, r in zip(segments, radius, strict=True)]
    )
    whole = shapely.union_all(single)
    runs = stroke_runs(segments, radius)
    discs = single[runs.of < 0]
    assert ((runs.of < 0) == (np.hypot(*(segments[:, 2:] - segments[:, :2]).T) == 0)).all()
    assert shapely.is_valid(runs.shapes).all()
    joined = shapely.union_all(np.concatenate([runs.shapes, discs]))
    slack = 1.05 * CHORD_ERROR
    assert joined.difference(whole.buffer(slack, quad_segs=64)).area < 1e-12
    assert whole.difference(joined.buffer(slack, quad_segs=64)).area < 1e-12


def test_a_path_of_soft_bends_is_one_outline() -> None:
    angle = np.linspace(0, 2, 40)
    points = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    segments = np.concatenate([points[:-1], points[1:]], axis=1)
    runs = stroke_runs(segments, np.full(39, 0.1))
    assert len(runs.shapes) == 1
    assert shapely.get_num_coordinates(runs.shapes[0]) < 39 * 4 + 40


def test_strokes_drawn_in_any_order_and_direction_are_one_outline() -> None:
    # An open path of four strokes with corners of 90° and 135°, drawn from both its ends.
    segments = np.array([[3, 1, 3, 0], [0, 0, 1, 1], [3, 0, 2, 0], [2, 0, 1, 1]], dtype=float)
    runs = stroke_runs(segments, np.full(4, 0.05))
    assert runs.of.tolist() == [0, 0, 0, 0]
    whole = shapely.union_all(capsules(segments, 0.05))
    assert shapely.symmetric_difference(runs.shapes[0], whole).area < 1e-4


def test_a_closed_path_is_cut_where_it_meets_itself() -> None:
    corners = np.array([[0, 0], [2, 0], [2, 1], [0, 1], [0, 0]], dtype=float)
    runs = stroke_runs(np.concatenate([corners[:-1], corners[1:]], axis=1), np.full(4, 0.05))
    assert len(runs.shapes) == 2
    assert shapely.union_all(runs.shapes).interiors[0].envelope.bounds == (0.05, 0.05, 1.95, 0.95)


def test_one_round_end_of_those_at_one_place_stays() -> None:
    # Three strokes of one width meet, two of them as one outline; a wider disc lies on the far
    # end of the first.
    segments = np.array([[0, 0, 1, 0], [0, 0, 0, 1], [0, 0, -1, -1], [1, 0, 1, 0]], dtype=float)
    runs = stroke_runs(segments, np.array([0.1, 0.1, 0.1, 0.2]))
    count = shapely.get_num_coordinates(runs.shapes)
    half = shapely.get_num_coordinates(capsules(segments[:1], 0.1)[0]) // 2
    assert runs.of.tolist() == [0, 0, 1, -1]
    # The bend shows a fan of a quarter, and the far end of the second is round; the third is
    # round at its far end only.
    assert (count <= [1.5 * half + 8, half + 5]).all()
