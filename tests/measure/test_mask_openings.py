"""Mask openings and holes against copper: worked by hand, turned, in mm and in inch."""

from __future__ import annotations

from pathlib import Path

import pytest

from dfmcheck.screen import screen
from tests.measure.laid import TURNS, Laid, rows
from tests.measure.packages import write_board

NEAR = 1e-3  # 1 µm


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_opening_to_conductor_beside_and_bared(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    # A land with its opening, and a track of another net 0.04 from the opening's edge.
    b.top.flash(b.top.circle(1.0), 0, 0)
    b.mask.flash(b.mask.circle(1.2), 0, 0)
    b.top.draw(b.top.circle(0.2), -4, 0.6 + 0.04 + 0.1, 4, 0.6 + 0.04 + 0.1)
    # Another land whose opening reaches 0.05 over a track.
    b.top.flash(b.top.circle(1.0), 0, -8)
    b.mask.flash(b.mask.circle(1.4), 0, -8)
    b.top.draw(b.top.circle(0.2), -4, -8 + 0.7 - 0.05 + 0.1, 4, -8 + 0.7 - 0.05 + 0.1)
    found = rows(b, tmp_path, "mask.opening-to-conductor", "mask-top", reach=0.25)
    assert found["value"] == pytest.approx([-0.05, 0.04], abs=NEAR)
    assert found["kind"].tolist() == ["bared", ""]
    assert b.at(found, 0) == pytest.approx((0, -7.35), abs=0.06)
    assert b.at(found, 1) == pytest.approx((0, 0.6), abs=0.01)


def test_own_net_and_meant_pour_are_no_foreign_conductor(tmp_path: Path) -> None:
    b = Laid()
    # The track joins the land: one net.
    b.top.flash(b.top.circle(1.0), 0, 0)
    b.top.draw(b.top.circle(0.2), 0, 0, 5, 0)
    b.mask.flash(b.mask.circle(1.2), 0, 0)
    # An opening in the middle of a pour, without a land.
    b.top.region([(-9, -9), (-3, -9), (-3, -3), (-9, -3)])
    b.mask.region([(-8, -8), (-4, -8), (-4, -4), (-8, -4)])
    assert len(rows(b, tmp_path, "mask.opening-to-conductor", "mask-top")["value"]) == 0


def test_one_opening_over_a_row_of_drawn_lands_bares_none(tmp_path: Path) -> None:
    b = Laid()
    for x in (0.0, 0.8, 1.6):
        b.top.region([(x, 0), (x + 0.4, 0), (x + 0.4, 2), (x, 2)])
        b.mask.region([(x - 0.25, -0.1), (x + 0.65, -0.1), (x + 0.65, 2.1), (x - 0.25, 2.1)])
    found = rows(b, tmp_path, "mask.opening-to-conductor", "mask-top")
    assert len(found["value"]) == 0


def test_clearance_leaves_figures_out_but_no_drawn_land(tmp_path: Path) -> None:
    b = Laid()
    for n in range(24):
        b.top.flash(b.top.circle(1.0), -15 + 2 * (n % 12), 10 + 3 * (n // 12))
        b.mask.flash(b.mask.circle(1.2), -15 + 2 * (n % 12), 10 + 3 * (n // 12))
    # A figure with 0.01 of clearance; a land of the same form, joined to a flashed one, with 0.02.
    for x, more in ((-10, 0.01), (0, 0.02)):
        b.top.region([(x, 0), (x + 2, 0), (x + 2, 2), (x, 2)])
        b.mask.region([(x - more, -more), (x + 2 + more, -more), (x + 2 + more, 2 + more),
                       (x - more, 2 + more)])  # fmt: skip
    b.top.draw(b.top.circle(0.2), 1, 1, 1, 10)
    found = rows(b, tmp_path, "mask.clearance", "mask-top", reach=0.05)
    assert found["value"][found["value"] < 0.05] == pytest.approx([0.02], abs=NEAR)
    # Printed with paste the figure is a land.
    b.paste.region([(-9.9, 0.1), (-8.1, 0.1), (-8.1, 1.9), (-9.9, 1.9)])
    found = rows(b, tmp_path / "paste", "mask.clearance", "mask-top", reach=0.05)
    assert found["value"][found["value"] < 0.05] == pytest.approx([0.01, 0.02], abs=NEAR)


def test_clearance_of_lands_that_reach_far_beyond_their_opening(tmp_path: Path) -> None:
    b = Laid()
    # Two lands in openings 0.1 larger, and one of 1 by 3 whose opening is 1.4 by 1: no end of
    # it is within 0.5 of the opening.
    for x, wide, high in ((-6, 1.2, 3.2), (0, 1.2, 3.2), (6, 1.4, 1.0)):
        for sheet, w, h in ((b.top, 1.0, 3.0), (b.mask, wide, high)):
            x0, x1, y = x - w / 2, x + w / 2, h / 2
            sheet.region([(x0, -y), (x1, -y), (x1, y), (x0, y)])
    found = rows(b, tmp_path, "mask.clearance", "mask-top", reach=0.25)
    assert found["value"] == pytest.approx([-1.0, 0.1, 0.1], abs=NEAR)


def test_titles_beside_a_board_without_a_profile_are_left_out(tmp_path: Path) -> None:
    b = Laid()
    b.drill([(-10, -10, 0.5), (10, 10, 0.5)])
    b.top.flash(b.top.circle(1.0), -10, -10)
    # On the board: an opening over laminate. Beside it: a title in mask over one in copper.
    pen, wide = b.mask.circle(0.2), b.top.circle(0.2)
    b.mask.draw(pen, -2, 0, 2, 0)
    b.mask.draw(pen, -2, 30, 2, 30)
    b.mask.draw(pen, -2, 29, 2, 29)
    b.top.draw(wide, 0, 28, 0, 29.2)
    b.top.draw(wide, 1, 28.5, 3, 28.5)
    files = b.files()
    del files["profile.gbr"]
    package = write_board(tmp_path / "job", files)
    at_once = {"mask.opening-to-conductor": 0.5, "mask.web": 1.5}
    p = screen(package, workers=1, thickness=1.6, reach=at_once).places
    of_mask = [rule for rule in p["rule"].tolist() if rule.startswith("mask.")]
    assert of_mask == ["mask.opening-without-copper"]


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_half_covered_open_and_tented_holes(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    b.mask.region([(0, -3), (6, -3), (6, 3), (0, 3)])
    holes = [(-0.1, 0.0, 0.5), (1.0, 2.0, 0.8), (-0.4, -2.0, 0.3), (3.0, 0.0, 1.0)]
    for x, y, size in holes:
        b.top.flash(b.top.circle(size + 0.6), x, y)
    b.drill(holes)
    found = rows(b, tmp_path, "mask.half-covered-hole", "mask-top", reach=1.0)
    by_kind = dict(zip(found["kind"].tolist(), found["value"].tolist(), strict=True))
    # 0.1 outside the edge, 0.25 radius; 1.0 - 0.4; 0.4 - 0.15.
    assert by_kind["half covered"] == pytest.approx(0.25 - 0.1, abs=NEAR)
    assert by_kind["open"] == pytest.approx(-(1.0 - 0.4), abs=NEAR)
    assert by_kind["tented"] == pytest.approx(-(0.4 - 0.15), abs=NEAR)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_tongue_and_island_of_mask(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    # Two openings joined at one end leave a tongue 0.06 wide.
    b.mask.region([(0, 0), (1, 0), (1, 3), (0, 3)])
    b.mask.region([(1.06, 0), (2, 0), (2, 3), (1.06, 3)])
    b.mask.region([(0, 2.5), (2, 2.5), (2, 3), (0, 3)])
    # A frame round an island 0.08 wide.
    for x0, y0, x1, y1 in ((5, 0, 6, 3), (6.08, 0, 7, 3), (5, 0, 7, 1), (5, 2, 7, 3)):
        b.mask.region([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    found = rows(b, tmp_path, "mask.sliver", "mask-top", reach=0.25)
    assert sorted(set(found["value"].round(4).tolist())) == pytest.approx([0.06, 0.08], abs=NEAR)


def test_crossing_outlines_leave_no_sliver(tmp_path: Path) -> None:
    b = Laid()
    b.mask.flash(b.mask.circle(1.0), 0, 0)
    b.mask.flash(b.mask.circle(1.0), 0.7, 0)
    b.mask.draw(b.mask.circle(0.3), -2, -2, 2, 2)
    assert len(rows(b, tmp_path, "mask.sliver", "mask-top", reach=0.25)["value"]) == 0


def test_missing_opening_by_paste_and_by_likes(tmp_path: Path) -> None:
    b = Laid()
    land, opening, paste = b.top.circle(0.8), b.mask.circle(0.9), b.paste.circle(0.7)
    other = b.top.circle(0.6)
    for n in range(12):
        b.top.flash(land, n, 0)
        if n != 7:
            b.mask.flash(opening, n, 0)
    b.top.flash(other, 3, 5)  # covered and printed
    b.paste.flash(paste, 3, 5)
    b.top.flash(other, 5, 5)  # covered, and nothing says it should be open
    found = rows(b, tmp_path, "mask.missing-opening", "mask-top")
    places = {k: b.at(found, n) for n, k in enumerate(found["kind"].tolist())}
    assert places.keys() == {"its likes are open", "printed with paste"}
    assert places["its likes are open"] == pytest.approx((7, 0), abs=0.01)
    assert places["printed with paste"] == pytest.approx((3, 5), abs=0.01)


def test_covered_vias_are_not_missing_openings(tmp_path: Path) -> None:
    b = Laid()
    land, opening = b.top.circle(0.8), b.mask.circle(0.9)
    for n in range(12):
        b.top.flash(land, n, 0)
        b.mask.flash(opening, n, 0)
    b.top.flash(land, 3, 5)  # same aperture, but a via
    b.drill([(3.0, 5.0, 0.3)])
    assert len(rows(b, tmp_path, "mask.missing-opening", "mask-top")["value"]) == 0


def test_idle_openings(tmp_path: Path) -> None:
    b = Laid()
    opening = b.mask.circle(1.0)
    b.top.flash(b.top.circle(0.8), 0, 0)
    b.mask.flash(opening, 0, 0)  # over a land
    b.mask.flash(opening, 5, 0)  # over nothing
    b.mask.flash(opening, 8, 0)  # over a hole
    b.mask.flash(opening, 20, 0)  # across the profile
    b.drill([(8.0, 0.0, 0.8)], plated=False)
    found = rows(b, tmp_path, "mask.opening-without-copper", "mask-top")
    assert len(found["value"]) == 1
    assert b.at(found, 0) == pytest.approx((5, 0), abs=0.01)
