"""Segment distances and arc chords against shapely and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from dfmcheck.geometry.segments import closest_on_segment, closest_points, split_arc

coordinate = st.floats(-50, 50, allow_nan=False, width=32)
on_grid = st.integers(-5, 5).map(float)


def segment(of: st.SearchStrategy[float]) -> st.SearchStrategy[tuple[float, ...]]:
    return st.tuples(of, of, of, of)


def lines(table: np.ndarray) -> np.ndarray:
    return np.asarray(shapely.linestrings(table.reshape(-1, 2, 2)))


def check(a: np.ndarray, b: np.ndarray) -> None:
    distance, p, q = closest_points(a, b)
    brute = shapely.distance(lines(a), lines(b))
    assert np.allclose(distance, brute, rtol=0, atol=1e-9), (a, b, distance, brute)
    assert np.allclose(np.hypot(*(p - q).T), distance, rtol=0, atol=1e-9)
    # The points lie on their segments.
    assert (shapely.distance(shapely.points(p), lines(a)) < 1e-9).all()
    assert (shapely.distance(shapely.points(q), lines(b)) < 1e-9).all()


# A grid of whole numbers meets every special case: touching, collinear, crossing, points.
@pytest.mark.parametrize("of", [coordinate, on_grid], ids=["anywhere", "on a grid"])
def test_closest_points_as_shapely(of: st.SearchStrategy[float]) -> None:
    @settings(max_examples=150, deadline=None)
    @given(st.lists(st.tuples(segment(of), segment(of)), min_size=1, max_size=12))
    def run(pairs: list[tuple[tuple[float, ...], tuple[float, ...]]]) -> None:
        check(np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs]))

    run()


def test_segments_on_one_line_do_not_cross() -> None:
    """Two dashes of one line: their cross product is rounding, and proves no crossing."""
    rng = np.random.default_rng(11)
    n = 200_000
    p, u = np.round(rng.uniform(0, 100, (n, 2)), 4), np.round(rng.uniform(-1, 1, (n, 2)), 4)
    k = rng.integers(2, 20, (n, 1))
    a, b = np.concatenate([p, p + u], axis=1), np.concatenate([p + u * k, p + u * (k + 1)], axis=1)
    found = closest_points(a, b)[0]
    wrong = np.flatnonzero(np.abs(found - shapely.distance(lines(a), lines(b))) > 1e-9)
    assert len(wrong) == 0, (len(wrong), a[wrong[:1]], b[wrong[:1]], found[wrong[:1]])


@settings(max_examples=100, deadline=None)
@given(coordinate, coordinate, segment(coordinate))
def test_closest_on_segment_as_shapely(px: float, py: float, s: tuple[float, ...]) -> None:
    x, y = closest_on_segment(*(np.array([v]) for v in (px, py, *s)))
    away = float(np.hypot(x - px, y - py)[0])
    line = lines(np.array([s]))[0]
    assert away == pytest.approx(shapely.distance(shapely.Point(px, py), line), abs=1e-9)
    assert shapely.distance(shapely.Point(x[0], y[0]), line) < 1e-9


angle = st.floats(-np.pi, np.pi, allow_nan=False)


@settings(max_examples=200, deadline=None)
@given(
    coordinate, coordinate, st.floats(0.01, 60), angle,
    st.floats(0.02, 2 * np.pi - 0.02), st.booleans(), st.sampled_from([0.0005, 0.01]),
)  # fmt: skip
def test_chords_of_an_arc(
    cx: float, cy: float, r: float, start: float, turn: float, clockwise: bool, tolerance: float
) -> None:
    end = start - turn if clockwise else start + turn
    ends = [
        cx + r * np.cos(start),
        cy + r * np.sin(start),
        cx + r * np.cos(end),
        cy + r * np.sin(end),
    ]
    row, chords = split_arc(
        *(np.array([v]) for v in (*ends, cx, cy)), np.array([clockwise]), tolerance
    )
    assert (row == 0).all()
    # From end to end without a break, through both ends of the file.
    assert np.array_equal(chords[1:, :2], chords[:-1, 2:])
    assert np.allclose([*chords[0, :2], *chords[-1, 2:]], ends, rtol=0, atol=1e-12)
    away = np.hypot(chords[:, 0] - cx, chords[:, 1] - cy)
    assert np.allclose(away, r, rtol=0, atol=1e-9)
    # The middle of a chord is its furthest point from the arc.
    mx, my = (chords[:, 0] + chords[:, 2]) / 2 - cx, (chords[:, 1] + chords[:, 3]) / 2 - cy
    assert (r - np.hypot(mx, my) <= tolerance + 1e-9).all()
    # All chords turn the way of the arc, together by its sweep.
    ax, ay, bx, by = (chords - [cx, cy, cx, cy]).T
    turned = np.arctan2(ax * by - ay * bx, ax * bx + ay * by)
    assert (turned < 0).all() if clockwise else (turned > 0).all()
    assert abs(turned.sum()) == pytest.approx(turn, abs=1e-6)


@settings(max_examples=50, deadline=None)
@given(coordinate, coordinate, st.floats(0.01, 60), angle, st.booleans())
def test_equal_ends_make_a_full_circle(
    cx: float, cy: float, r: float, start: float, clockwise: bool
) -> None:
    x, y = cx + r * np.cos(start), cy + r * np.sin(start)
    _, chords = split_arc(
        *(np.array([v]) for v in (x, y, x, y, cx, cy)), np.array([clockwise]), 0.0005
    )
    ring = shapely.LinearRing(chords[:, :2])
    assert ring.is_ccw != clockwise
    area = shapely.Polygon(ring).area
    # A chord cuts off at most its length times the tolerance; eight chords are the fewest.
    assert np.pi * r * r - 0.0005 * 2 * np.pi * r - 1e-9 <= area < np.pi * r * r + 1e-9


def test_ends_at_unequal_radii_are_both_met() -> None:
    _, chords = split_arc(
        *(np.array([v]) for v in (1.0, 0.0, 0.0, 1.002, 0.0, 0.0)), np.array([False]), 0.0005
    )
    assert chords[0, :2].tolist() == [1.0, 0.0] and chords[-1, 2:].tolist() == [0.0, 1.002]
    away = np.hypot(chords[:, 0], chords[:, 1])
    assert (np.diff(away) > 0).all()


def test_nothing_in_nothing_out() -> None:
    nothing = np.empty(0)
    row, chords = split_arc(*[nothing] * 6, np.empty(0, dtype=np.bool_), 0.0005)
    assert row.shape == (0,) and chords.shape == (0, 4)


def test_a_distance_does_not_hang_on_the_rows_beside_it() -> None:
    """Points among segments come out, to the last bit, as among points alone."""
    rng = np.random.default_rng(11)
    a, b = rng.uniform(0, 200, (2, 500, 4))
    a[:, 2:] = a[:, :2]
    alone = closest_points(a, b)
    others = rng.uniform(0, 200, (2, 500, 4))
    mixed = closest_points(np.concatenate([a, others[0]]), np.concatenate([b, others[1]]))
    for one, two in zip(alone, mixed, strict=True):
        assert np.array_equal(one, two[:500])
