"""Pieces against polygons of strokes that the geometry library makes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.image import layer_image
from dfmcheck.geometry.outlines import capsules
from dfmcheck.geometry.pieces import Pieces


def some(seed: int) -> tuple[Pieces, np.ndarray]:
    """Strokes of two widths, discs and boxes in mixed order, and brute polygons of them."""
    rng = np.random.default_rng(seed)
    ends = rng.uniform(0, 10, (40, 4)).round(3)
    ends[::5, 2:] = ends[::5, :2]
    corner = rng.uniform(0, 9, (10, 2))
    boxes = shapely.box(*corner.T, *(corner + rng.uniform(0.1, 3, (10, 2))).T)
    mixed = rng.permutation(50)
    strokes = [Pieces.of_strokes(ends[:25], 0.2), Pieces.of_strokes(ends[25:], 0.05)]
    pieces = Pieces.concat([*strokes, Pieces.of(boxes)]).take(mixed)
    lines = shapely.linestrings(ends.reshape(-1, 2, 2))
    width = np.repeat([0.2, 0.05], [25, 15])
    brute = np.concatenate([shapely.buffer(lines, width, quad_segs=64), boxes])[mixed]
    return pieces, brute


@pytest.mark.parametrize("seed", range(5))
def test_pieces_are_what_was_drawn(seed: int) -> None:
    pieces, brute = some(seed)
    apart = shapely.hausdorff_distance(shapely.boundary(pieces[:]), shapely.boundary(brute))
    assert apart.max() < 1.1 * CHORD_ERROR
    # a fine buffer misses its own extent by no more than its chords
    assert np.allclose(np.stack(pieces.bounds()), shapely.bounds(brute).T, atol=1e-4)
    assert pieces.solid().all()
    assert pieces.count_points() >= shapely.get_num_coordinates(pieces[:]).sum()


@pytest.mark.parametrize("seed", range(5))
def test_pieces_that_meet_a_shape(seed: int) -> None:
    pieces, _ = some(seed)
    at = np.random.default_rng(seed).uniform(0, 10, (60, 2))
    shapes = np.concatenate([shapely.points(at), shapely.buffer(shapely.points(at[:9]), 1)])
    expected = {(s, p) for s in range(len(shapes)) for p in range(50)
                if shapely.intersects(some(seed)[0][p], shapes[s])}  # fmt: skip
    shape, piece = pieces.meeting(shapes)
    assert set(zip(shape.tolist(), piece.tolist(), strict=True)) == expected
    assert len(expected) == len(shape) and (np.diff(piece) >= 0).all()


def test_only_what_is_asked_for_is_made() -> None:
    ends = np.array([[0.0, 0, 1, 0], [0, 1, 1, 1], [5, 5, 5, 5]])
    pieces = Pieces.of_strokes(ends, 0.1)
    one = pieces[1]
    assert [p is None for p in pieces.polygons] == [True, False, True]
    assert shapely.equals_exact(one, capsules(ends[1:2], 0.1)[0])
    assert pieces[np.array([1, 1])].tolist() == [one, one]
    pieces.meeting(shapely.points([[5.0, 5.0], [50.0, 50.0]]))
    assert [p is None for p in pieces.polygons] == [True, False, False]
    assert len(np.concatenate([pieces, pieces])) == 6
    assert len(Pieces.concat([])[:]) == 0


def test_a_layer_of_strokes_is_painted_without_their_polygons() -> None:
    text = "%FSLAX46Y46*%%MOMM*%%ADD10C,0.3*%%ADD11R,1X0.5*%D10*X0Y0D02*X4000000Y0D01*"
    text += "X4000000Y3000000D01*D11*X9000000Y0D03*M02*"
    image = layer_image(read_gerber(text.encode(), "top.gbr"))
    assert [p is None for p in image.pieces.polygons] == [True, True, False]
    assert shapely.area(image.pieces[:]).sum() == pytest.approx(
        0.3 * 7 + 2 * np.pi * 0.15**2 + 0.5, abs=2e-3
    )


def test_a_stroke_thin_beyond_all_measure_may_have_no_area() -> None:
    ends = np.array([[1e3, 1e3, 1e3, 1e3], [0.0, 0, 1, 0]])
    assert Pieces.of_strokes(ends, 1e-15).solid().tolist() == [False, True]
