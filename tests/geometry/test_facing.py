"""Narrow places found by the index against the same search over all pairs of facets."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from dfmcheck.geometry import facing
from dfmcheck.geometry.facets import Facets, outline_of
from dfmcheck.geometry.facing import Widths, narrow_places


def _image(rng: np.random.Generator) -> np.ndarray:
    """Merged draws, lands and clearances, at all angles and along the axes."""
    ends = rng.uniform(0, 4, (12, 2, 2))
    ends[::2, 1, rng.integers(0, 2)] = ends[::2, 0, 0]
    draws = shapely.buffer(shapely.linestrings(ends), rng.uniform(0.03, 0.1, 12), quad_segs=6)
    lands = shapely.box(*(rng.uniform(0, 4, (2, 5))), *(rng.uniform(0, 4, (2, 5))))
    lands = shapely.buffer(shapely.centroid(lands), 0.12, cap_style="square")
    clear = shapely.buffer(shapely.points(rng.uniform(0, 4, (6, 2))), 0.15, quad_segs=8)
    merged = shapely.union_all(np.concatenate([draws, lands]))
    return np.asarray(shapely.get_parts(shapely.difference(merged, shapely.union_all(clear))))


def _rows(widths: Widths) -> list[tuple[float, ...]]:
    table = np.column_stack([widths.value, widths.p, widths.q, widths.part])
    return sorted(map(tuple, table.tolist()))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("void", [False, True])
def test_no_place_is_lost_by_what_is_not_looked_at(
    monkeypatch: pytest.MonkeyPatch, seed: int, void: bool
) -> None:
    rng = np.random.default_rng(seed)
    parts = _image(rng)
    label = rng.integers(0, 3, len(parts))
    found = narrow_places(parts, 0.3, void=void, label=label)

    def all_pairs(
        self: Facets, low: np.ndarray, high: np.ndarray, marks: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        of, facet = np.divmod(np.arange(len(low) * len(self)), len(self))
        return of, facet

    monkeypatch.setattr(Facets, "query", all_pairs)
    monkeypatch.setattr(facing, "_beside", lambda parts, *_: np.ones(len(parts), dtype=np.bool_))
    assert _rows(found) == _rows(narrow_places(parts, 0.3, void=void, label=label))
    assert len(found)


def test_a_blunt_corner_right_ahead_is_seen_as_far_as_the_reach() -> None:
    """Both normals of the corner are shorter along the axis than the line across."""
    y = 0.2487
    shape = shapely.Polygon([(-1, 0), (1, 0), (1, y + 0.24), (0, y), (-1, y + 0.24)])
    found = narrow_places(np.array([shape]), 0.25)
    assert found.value.tolist() == pytest.approx([y], abs=1e-12)
    assert found.p[0].tolist() == pytest.approx([0, y]) and found.q[0].tolist() == [0, 0]


def test_a_slit_in_one_part_and_between_two_of_a_label() -> None:
    """A convex part alone bounds no void; with another of its label it does."""
    square = shapely.box(0, 0, 1, 1)
    beside = shapely.box(1.1, 0, 2, 1)
    notched = shapely.difference(shapely.box(0, 5, 1, 6), shapely.box(0.45, 5.5, 0.55, 7))
    parts = np.array([square, beside, notched])
    for label, owners in (([0, 1, 2], {2}), ([0, 0, 2], {0, 1, 2})):
        found = narrow_places(parts, 0.2, void=True, label=np.array(label))
        assert set(found.part.tolist()) == owners
        assert np.allclose(found.value, 0.1)


@pytest.mark.parametrize("void", [False, True])
def test_as_much_at_a_time_as_fits_in_memory(void: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    comb = shapely.union_all(
        [
            shapely.box(0, 0, 40, 1),
            *(shapely.box(x, 0.5, x + 0.2, 9) for x in np.arange(0, 40, 0.5)),
        ]
    )
    parts = np.array([comb, shapely.box(0, 12, 40, 13)])
    whole = narrow_places(parts, 3.0, void=void)
    assert len(whole) > 100
    monkeypatch.setattr(facing, "_BATCH", 1_000)
    rows = np.arange(len(outline_of(parts)))
    blocks = facing._blocks(outline_of(parts), rows, 3.0)
    assert len(blocks) > 3 and (np.concatenate(blocks) == rows).all()
    again = narrow_places(parts, 3.0, void=void)
    for name in ("value", "p", "q", "part"):
        assert (getattr(again, name) == getattr(whole, name)).all()
