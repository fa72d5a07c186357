"""Legend marks, letters left out of areas, crumbs of ink: what is no stroke, letter or land."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from dfmcheck.geometry.facing import Widths
from dfmcheck.measure.legend_ground import counters, grounds
from dfmcheck.measure.legend_narrow import narrowest
from tests.measure.laid import TURNS, Laid, rows

NEAR = 1e-3  # 1 µm

Points = list[tuple[float, float]]


def _box(x: float, y: float, w: float, h: float) -> Points:
    return [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]


def _bracket(x: float, y: float) -> Points:
    return [(x, y), (x + 3, y), (x + 3, y + 0.5), (x + 0.5, y + 0.5), (x + 0.5, y + 3), (x, y + 3)]


def _clear(b: Laid, points: Points) -> None:
    b.legend.body.append("%LPC*%")
    b.legend.region(points)
    b.legend.body.append("%LPD*%")


def _sign(b: Laid, x: float, y: float, between: float, height: float = 0.9) -> None:
    """A dark area with three letters O left out of it, and their inner ink."""
    b.legend.region(_box(x, y, 4, 2))
    for n in range(3):
        left = x + 0.5 + n * (0.7 + between)
        _clear(b, _box(left, y + 0.5, 0.7, height))
        b.legend.region(_box(left + 0.15, y + 0.65, 0.4, height - 0.3))


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_marks_drawn_alike_in_ink_and_mask_are_no_lands(
    tmp_path: Path, unit: str, angle: float
) -> None:
    b = Laid(unit, angle)
    for x in (-15, 0, 10):
        b.top.region(_bracket(x, 0))
        b.mask.region(_bracket(x, 0))
        b.legend.region(_bracket(x, 0))
    b.top.flash(b.top.circle(0.4), 10.25, 0.25)  # the third is a land after all
    b.legend.region(_box(0.25, 2.9, 0.2, 4))  # ink that goes on makes the second no other
    found = rows(b, tmp_path, "legend.ink-on-land", "legend-top")
    assert len(found["value"]) == 1
    assert 10 <= b.at(found, 0)[0] <= 13


def test_ink_wholly_over_a_land_of_its_own_form_is_told(tmp_path: Path) -> None:
    b = Laid()
    for sheet in (b.top, b.mask):
        sheet.region(_box(0, 0, 2, 0.6))
    b.legend.region(_box(-0.5, -0.5, 3, 1.6))
    found = rows(b, tmp_path, "legend.ink-on-land", "legend-top")
    assert found["value"] == pytest.approx([-0.3], abs=NEAR)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_ink_amidst_a_bared_area_counts_by_its_size(
    tmp_path: Path, unit: str, angle: float
) -> None:
    b = Laid(unit, angle)
    b.top.flash(b.top.circle(16.0), 0, 0)
    b.mask.flash(b.mask.circle(15.0), 0, 0)
    b.top.flash(b.top.circle(2.0), 14, 0)
    b.mask.flash(b.mask.circle(2.2), 14, 0)
    b.legend.draw(b.legend.circle(0.2), 0, -0.5, 0, 0.5)  # 6.9 mm from the edge, 1.2 long
    b.legend.draw(b.legend.circle(0.2), 14, 1.1, 14, 4)  # 0.1 into the land
    found = rows(b, tmp_path, "legend.ink-on-land", "legend-top")
    assert found["kind"].tolist() == ["on bared area", "on land"]
    if angle == 0.0:
        assert found["value"] == pytest.approx([-1.2, -0.1], abs=NEAR)
    assert -1.25 < found["value"][0] < -0.8
    assert found["group"][0] != found["group"][1]


def test_grounds_and_counters() -> None:
    area = shapely.box(0, 0, 6, 2)
    letters = [shapely.box(x, 0.5, x + 0.7, 1.5) for x in (0.5, 1.5, 2.5)]
    sign = shapely.difference(area, shapely.union_all(letters))
    inner = shapely.box(0.7, 0.7, 1.0, 1.3)
    # A frame with text in it, and a table of thin lines, are drawn, not left out.
    frame = shapely.difference(shapely.box(10, 0, 16, 2), shapely.box(10.2, 0.2, 15.8, 1.8))
    text = shapely.box(11, 0.5, 11.5, 1.5)
    cells = [shapely.box(20.1 + n, 0.1, 21 + n, 1.9) for n in range(4)]
    table = shapely.difference(shapely.box(20, 0, 24.1, 2), shapely.union_all(cells))
    # An 8: two holes in a dark letter.
    eight = shapely.difference(
        shapely.box(30, 0, 31, 2), shapely.union_all([shapely.box(30.3, y, 30.7, y + 0.6)
                                                     for y in (0.3, 1.1)])
    )  # fmt: skip
    parts = np.array([sign, inner, frame, text, table, eight], dtype=object)
    assert grounds(parts).tolist() == [True, False, False, False, False, False]
    assert counters(parts).tolist() == [False, True, False, False, False, False]
    assert counters(parts[2:]).tolist() == [False] * 4


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_ground_between_letters_is_no_stroke(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    b.top.flash(b.top.circle(1.0), 15, -15)
    _sign(b, 0, 0, between=0.08)
    assert len(rows(b, tmp_path, "legend.stroke-width", "legend-top")["value"]) == 0
    # A tongue of the area itself is as thin as any stroke.
    b.legend.region(_box(3.9, 1, 2.1, 0.09))
    found = rows(b, tmp_path / "tongue", "legend.stroke-width", "legend-top")
    assert found["value"] == pytest.approx([0.09], abs=NEAR)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_ink_inside_letters_left_out_is_no_letter(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    b.top.flash(b.top.circle(1.0), 15, -15)
    b.legend.region(_box(0, 0, 5, 2))
    pen = b.legend.circle(0.1)
    for n in range(4):
        _clear(b, _box(0.3 + 0.95 * n, 0.4, 0.85, 1.2))
        # Inner ink shaped like a letter: two bars and a foot.
        x = 0.5 + 0.95 * n
        b.legend.draw(pen, x, 0.7, x, 1.3)
        b.legend.draw(pen, x, 0.7, x + 0.4, 0.7)
        b.legend.draw(pen, x + 0.4, 0.7, x + 0.4, 1.0)
    assert len(rows(b, tmp_path, "legend.character-height", "legend-top", 1.0)["value"]) == 0
    # The same text in a drawn frame is text.
    framed = Laid(unit, angle)
    framed.top.flash(framed.top.circle(1.0), 15, -15)
    pen = framed.legend.circle(0.1)
    corners = _box(0, 0, 5, 2)
    for one, two in zip(corners, corners[1:] + corners[:1], strict=True):
        framed.legend.draw(pen, *one, *two)
    for n in range(4):
        x = 0.5 + 0.95 * n
        framed.legend.draw(pen, x, 0.7, x, 1.3)
        framed.legend.draw(pen, x, 0.7, x + 0.4, 0.7)
        framed.legend.draw(pen, x + 0.4, 0.7, x + 0.4, 1.0)
    found = rows(framed, tmp_path / "framed", "legend.character-height", "legend-top", 1.0)
    assert found["value"] == pytest.approx([0.7], abs=NEAR)


def _tee(b: Laid, pen: int, x: float, y: float, size: float) -> None:
    b.legend.draw(pen, x, y, x, y + size)
    b.legend.draw(pen, x - 0.3 * size, y + size, x + 0.3 * size, y + size)


def test_a_raised_pair_beside_large_text_is_not_measured(tmp_path: Path) -> None:
    b = Laid()
    b.top.flash(b.top.circle(1.0), 15, -15)
    pen = b.legend.circle(0.1)
    for x in (0.0, 1.6, 3.2):
        _tee(b, pen, x, 0, 1.9)
    for x in (4.3, 4.75):
        _tee(b, pen, x, 1.45, 0.45)
    found = rows(b, tmp_path, "legend.character-height", "legend-top", 1.0)
    assert found["value"].min() == pytest.approx(2.0, abs=NEAR)
    for x in (5.2, 5.65):  # four of them are a word
        _tee(b, pen, x, 1.45, 0.45)
    found = rows(b, tmp_path / "word", "legend.character-height", "legend-top", 1.0)
    assert found["value"].min() == pytest.approx(0.55, abs=NEAR)


def test_crumbs_are_passed_over_for_the_stroke_behind_them() -> None:
    # A bar 0.1 high with a run of steps at its end, each narrower than the bar.
    steps = [(2 + 0.02 * n, 0.1 - 0.015 * n) for n in range(6)]
    corners = [(0.0, 0.0), (2.1, 0.0)]
    for x, y in reversed(steps):
        corners += [(x, y - 0.015), (x, y)]
    bar = shapely.Polygon([*corners, (0, 0.1)])
    assert bar.is_valid
    at = [(x - 0.01, y) for x, y in steps[1:]] + [(1.0, 0.1)]
    p = np.array([(x, 0.0) for x, _ in at])
    q = np.array(at)
    value = q[:, 1].copy()
    order = np.argsort(value)
    part = np.zeros(len(at), dtype=np.intp)
    widths = Widths(value[order], p[order], q[order], part)
    parts = np.array([bar], dtype=object)
    # A step nearly as wide as the bar (1.3 times) may speak for it; the finer ones do not.
    assert value.min() < 0.03
    assert 0.1 / 1.3 < float(value[order][narrowest(widths, parts)][0]) <= 0.1
