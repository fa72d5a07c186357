"""Legend quantities worked by hand, turned, in mm and in inch."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.measure.laid import TURNS, Laid, rows

NEAR = 1e-3  # 1 µm


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_stroke_width_of_draws_and_areas(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    b.top.flash(b.top.circle(1.0), 15, -15)
    b.legend.draw(b.legend.circle(0.11), -5, 0, 5, 0)
    # An area with a neck 0.07 wide.
    b.legend.region([(0, 4), (2, 4), (2, 4.5), (2.07, 4.5), (2.07, 4), (4, 4), (4, 6), (2.07, 6),
                     (2.07, 5.5), (2, 5.5), (2, 6), (0, 6)])  # fmt: skip
    b.legend.region([(6, 4), (8, 4), (8, 4.07), (6, 4.07)])
    # Thin draws that fill an area are no thin strokes.
    pen = b.legend.circle(0.05)
    for n in range(41):
        b.legend.draw(pen, -10, 10 + 0.04 * n, -6, 10 + 0.04 * n)
    found = rows(b, tmp_path, "legend.stroke-width", "legend-top", reach=0.25)
    by_kind: dict[str, list[float]] = {}
    for kind, value in zip(found["kind"].tolist(), found["value"].tolist(), strict=True):
        by_kind.setdefault(kind, []).append(value)
    assert by_kind["stroke"] == pytest.approx([0.11], abs=NEAR)
    assert by_kind["area"] == pytest.approx([0.07], abs=NEAR)


def test_tips_and_pinches_are_no_strokes(tmp_path: Path) -> None:
    b = Laid()
    b.top.flash(b.top.circle(1.0), 15, -15)
    # A stroke with a gentle waist of 0.05 counts, two wedges that meet in 0.05 do not.
    b.legend.region([(-4, -0.2), (0, -0.025), (4, -0.2), (4, 0.2), (0, 0.025), (-4, 0.2)])
    b.legend.region([(-1, 8), (0, 9), (1, 8), (1, 11), (0, 9.05), (-1, 11)])
    # An arm 0.09 wide that ends in a step 0.03 wide.
    b.legend.region([(5, 5), (7, 5), (7, 5.03), (7.01, 5.03), (7.01, 5.06), (7, 5.06), (7, 5.09),
                     (5, 5.09)])  # fmt: skip
    found = rows(b, tmp_path, "legend.stroke-width", "legend-top", reach=0.25)
    assert found["value"] == pytest.approx([0.05, 0.09], abs=NEAR)


def _letter(b: Laid, pen: int, x: float, y: float, size: float) -> None:
    """An H, 0.6 as wide as it is tall, of centre lines."""
    w = 0.6 * size
    b.legend.draw(pen, x, y, x, y + size)
    b.legend.draw(pen, x + w, y, x + w, y + size)
    b.legend.draw(pen, x, y + size / 2, x + w, y + size / 2)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_character_height(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    b.top.flash(b.top.circle(1.0), 15, -15)
    pen = b.legend.circle(0.1)
    for n in range(3):
        _letter(b, pen, 0.8 * n, 0, 0.75)  # a word
    _letter(b, pen, 8, 0, 0.4)  # by itself: may be anything
    for n in range(4):  # bars beside each other are no text
        b.legend.draw(pen, 0.3 * n, 5, 0.3 * n, 5.5)
    found = rows(b, tmp_path, "legend.character-height", "legend-top", reach=1.0)
    assert found["value"] == pytest.approx([0.85], abs=NEAR)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_ink_on_and_near_openings(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    pen = b.legend.circle(0.2)
    for x in (0.0, 5.0, 10.0):
        b.top.region([(x - 1, -0.6), (x + 1, -0.6), (x + 1, 0.6), (x - 1, 0.6)])
        b.mask.region([(x - 1.1, -0.7), (x + 1.1, -0.7), (x + 1.1, 0.7), (x - 1.1, 0.7)])
    b.legend.draw(pen, 0, 3, 0, 0.7 + 0.1 - 0.04)  # 0.04 into the opening
    b.legend.draw(pen, 4, 0.7 + 0.12 + 0.1, 6, 0.7 + 0.12 + 0.1)  # 0.12 beside it
    b.mask.flash(b.mask.circle(1.0), -10, 0)  # no copper there: ink does no harm
    b.legend.draw(pen, -11, 0, -9, 0)
    found = rows(b, tmp_path, "legend.ink-on-land", "legend-top")
    assert found["kind"].tolist() == ["on land", "near land"]
    assert found["value"] == pytest.approx([-0.04, 0.12], abs=NEAR)
    assert b.at(found, 0) == pytest.approx((0, 0.66), abs=0.01)


def test_without_mask_the_land_is_what_ink_must_not_meet(tmp_path: Path) -> None:
    b = Laid()
    b.top.flash(b.top.circle(1.0), 0, 0)
    b.legend.draw(b.legend.circle(0.2), -3, 0.55, 3, 0.55)
    found = rows(b, tmp_path, "legend.ink-on-land", "legend-top")
    assert found["value"] == pytest.approx([-0.05], abs=NEAR)


def test_ink_that_covers_a_whole_opening_is_deep(tmp_path: Path) -> None:
    b = Laid()
    shape = [(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)]
    b.top.region(shape)
    b.mask.region(shape)
    b.legend.region(shape)
    found = rows(b, tmp_path, "legend.ink-on-land", "legend-top")
    assert found["kind"].tolist() == ["on land"]
    assert found["value"][0] < -0.5


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_ink_at_holes(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    pen = b.legend.circle(0.2)
    b.top.flash(b.top.circle(1.4), 10, 0)
    b.mask.flash(b.mask.circle(1.5), 10, 0)
    b.drill([(0, 0, 1.0), (5, 0, 1.0), (-5, 0, 1.0)], plated=False)
    b.legend.draw(pen, -1, 0.4, 1, 0.4)  # 0.5 - 0.4 + 0.1 over the hole
    b.legend.draw(pen, 4, 0.75, 6, 0.75)  # 0.15 beside it
    found = rows(b, tmp_path, "legend.ink-in-hole", "legend-top")
    assert found["kind"].tolist() == ["over", "near"]
    assert found["value"] == pytest.approx([-0.2, 0.15], abs=NEAR)


def test_ink_over_a_tented_via_is_fine_and_an_area_over_a_hole_is_not(tmp_path: Path) -> None:
    b = Laid()
    b.top.flash(b.top.circle(0.8), 0, 0)
    b.top.flash(b.top.circle(2.0), 6, 0)
    b.mask.flash(b.mask.circle(2.2), 6, 0)
    b.drill([(0.0, 0.0, 0.4), (6.0, 0.0, 1.0)])
    b.legend.region([(-3, -3), (9, -3), (9, 3), (-3, 3)])
    found = rows(b, tmp_path, "legend.ink-in-hole", "legend-top", reach=3.0)
    assert found["value"] == pytest.approx([-0.5], abs=NEAR)
    assert b.at(found, 0) == pytest.approx((6, 0), abs=0.6)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_ink_at_the_profile(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    b.top.flash(b.top.circle(1.0), 0, 0)
    pen = b.legend.circle(0.2)
    b.legend.draw(pen, -5, 19.82, 5, 19.82)  # 0.18 - 0.1 inside
    b.legend.draw(pen, 18, 0, 20.5, 0)  # 0.5 + 0.1 beyond
    b.legend.draw(pen, 18, 30, 20.5, 30)  # a title off the board
    found = rows(b, tmp_path, "legend.ink-over-profile", "legend-top")
    assert found["kind"].tolist() == ["over", "near"]
    assert found["value"] == pytest.approx([-0.6, 0.08], abs=NEAR)
    assert b.at(found, 0) == pytest.approx((20.6, 0), abs=0.02)
