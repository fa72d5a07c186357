"""Differences of the artwork against closed forms."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from dfmcheck.judge.artwork import NARROWEST, hole_changes, layer_changes, profile_changed
from dfmcheck.measure.drawing import TOLERANCE, Drawing, reduced

BOX = (0.0, 0.0, 20.0, 10.0)


def drawing(holes: Any = (), profile: Any = (), **layers: list[Any]) -> Drawing:
    drawn = tuple(
        reduced(name.replace("_", "-"), np.array(shapes, dtype=object), (0, 0), TOLERANCE)
        for name, shapes in layers.items()
    )
    return Drawing(
        drawn,
        np.array(holes, dtype=np.float32).reshape(-1, 7),
        np.array(profile, dtype=np.float32).reshape(-1, 4),
    )


def moved(shapes: list[Any], x: float, y: float) -> list[Any]:
    return [shapely.transform(shape, lambda xy: xy + np.array([x, y])) for shape in shapes]


LAND = shapely.Point(5, 5).buffer(0.5)
BAR = shapely.box(8, 2, 12, 2.25)


def test_equal_drawings_have_no_change() -> None:
    a = drawing(conductor_1=[LAND, BAR])
    assert layer_changes(a, a, (0.0, 0.0)) == ()


@pytest.mark.parametrize("shift", [(0.0, 0.0), (3.25, -1.5), (0.3337, 12.0008)])
def test_added_and_removed_copper_have_their_exact_area(shift: tuple[float, float]) -> None:
    grown = shapely.box(8, 2, 12, 2.5)  # the bar, twice as wide
    new = shapely.box(15, 7, 16, 9)
    old = drawing(conductor_1=[LAND, BAR, shapely.box(1, 1, 1.5, 1.5)], conductor_2=[LAND])
    after = drawing(
        conductor_1=moved([LAND, grown, new], *shift), conductor_2=moved([LAND], *shift)
    )
    (change,) = layer_changes(old, after, shift)
    assert change.layer == "conductor-1"
    assert change.added_area == pytest.approx(4 * 0.25 + 2.0, abs=0.02)
    assert change.removed_area == pytest.approx(0.25, abs=0.01)
    assert len(change.added) == 2 and len(change.removed) == 1
    assert change.added[0].bounds == pytest.approx(
        (15 + shift[0], 7 + shift[1], 16 + shift[0], 9 + shift[1]), abs=0.002
    )


def test_what_rounding_alone_changes_is_not_a_change() -> None:
    rng = np.random.default_rng(5)
    lands = [shapely.Point(*rng.uniform(0, 20, 2)).buffer(0.3) for _ in range(200)]
    plane = shapely.box(0, 0, 30, 20).difference(shapely.union_all(lands))
    parts = list(shapely.get_parts(plane))
    for dx in rng.uniform(-2, 2, 5):
        a = drawing(conductor_1=parts)
        b = drawing(conductor_1=moved(parts, dx, dx / 3))
        assert layer_changes(a, b, (dx, dx / 3)) == ()


@pytest.mark.parametrize(("width", "seen"), [(NARROWEST * 0.8, False), (NARROWEST * 1.5, True)])
def test_the_narrowest_change_seen_is_as_stated(width: float, seen: bool) -> None:
    a = drawing(mask_top=[BAR])
    b = drawing(mask_top=[shapely.box(8, 2, 12, 2.25 + width)])
    assert bool(layer_changes(a, b, (0.0, 0.0))) is seen


def test_an_edit_inside_a_plane_is_found_and_nothing_else() -> None:
    plane = shapely.box(*BOX).difference(LAND.buffer(0.3))
    cut = shapely.box(15, 3, 16, 4)
    (change,) = layer_changes(
        drawing(conductor_2=[plane, LAND]), drawing(conductor_2=[plane.difference(cut), LAND]),
        (0.0, 0.0),
    )  # fmt: skip
    assert (len(change.added), len(change.removed)) == (0, 1)
    assert change.removed[0].bounds == pytest.approx(cut.bounds, abs=0.003)


def test_a_layer_of_one_revision_only_is_told() -> None:
    changes = layer_changes(drawing(a=[LAND], b=[BAR]), drawing(a=[LAND], c=[BAR]), (0.0, 0.0))
    assert [(c.layer, c.only, len(c.added), len(c.removed)) for c in changes] == [
        ("c", "new", 1, 0), ("b", "old", 0, 1),
    ]  # fmt: skip


def test_holes_that_changed_are_told_by_what_happened() -> None:
    def hole(x: float, r: float = 0.15, plated: int = 1, length: float = 0.0) -> list[float]:
        return [x, 1.0, x + length, 1.0, r, plated, 0]

    slot = hole(9, length=2.0)
    turned = [slot[2], slot[3], slot[0], slot[1], *slot[4:]]
    old = drawing(holes=[hole(1), hole(2), hole(3), hole(4), slot, hole(20, plated=0)])
    new = drawing(
        holes=[[h[0] + 5, h[1], h[2] + 5, *h[3:]] for h in
               (hole(1), hole(2, 0.2), hole(3, plated=0), hole(6), turned, hole(20, plated=0))]
    )  # fmt: skip
    states = {(c.state, round(c.x, 3)) for c in hole_changes(old, new, (5.0, 0.0))}
    assert states == {("resized", 7), ("replated", 8), ("added", 11), ("removed", 9)}


def test_a_profile_drawn_the_other_way_round_is_the_same_line() -> None:
    corners = [(0, 0), (20, 0), (20, 10), (0, 10)]
    sides = [[*a, *b] for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    back = [[*s[2:], *s[:2]] for s in reversed(sides)]
    old, same = drawing(profile=sides), drawing(profile=back)
    assert not profile_changed(old, same, (0.0, 0.0))
    wider = drawing(profile=[[x * 1.01 for x in s] for s in sides])
    assert profile_changed(old, wider, (0.0, 0.0))
    assert profile_changed(old, drawing(), (0.0, 0.0))
