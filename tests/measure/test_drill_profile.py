"""Holes at the profile, and the shape of the profile itself, against values worked by hand."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from tests.measure.packages import Sheet, drill_text
from tests.measure.test_closed_forms import EXACT, SQUARE, TURNS, sheets
from tests.measure.test_drill_tools import rows, slot_text

Point = tuple[float, float]
MICROMETRE = 0.001


def outline(sheet: Sheet, points: list[Point]) -> None:
    pen = sheet.circle(0.1)
    for a, b in zip(points, points[1:] + points[:1], strict=True):
        sheet.draw(pen, *a, *b)


def arc(sheet: Sheet, start: Point, end: Point, centre: Point) -> None:
    """A counter-clockwise arc of the pen drawn last."""
    i = sheet._at(centre[0] - start[0], centre[1] - start[1])
    i = i.replace("X", "I").replace("Y", "J")
    sheet.body.append(
        f"D10*\n{sheet._at(*start)}D02*\nG03*\n{sheet._at(*end)}{i}D01*\nG01*"
    )  # fmt: skip


def with_profile(unit: str, angle: float, *, square: bool = True) -> tuple[Sheet, dict[str, str]]:
    top, _, files = sheets(unit, angle)
    top.flash(top.circle(1.0), 15.0, -15.0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    profile = Sheet(unit, angle)
    if square:
        outline(profile, SQUARE)
    else:
        profile.circle(0.1)
    return profile, files


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_holes_at_the_profile(tmp_path: Path, unit: str, angle: float) -> None:
    profile, files = with_profile(unit, angle)
    # A cut-out that draws the hole at (0, 0) a second time, and one that does not.
    for x, r in ((0.0, 1.0), (8.0, 2.0)):
        arc(profile, (x + r, 0.0), (x - r, 0.0), (x, 0.0))
        arc(profile, (x - r, 0.0), (x + r, 0.0), (x, 0.0))
    files["profile.gbr"] = profile.text("Profile,NP")
    files["n.drl"] = drill_text(
        [
            (0.0, 0.0, 2.0), (8.0, 2.7, 1.0),  # 0.2 above the cut-out
            (19.3, 5.0, 1.0),  # 0.2 from the edge
            (19.8, -5.0, 1.0),  # cut 0.3 deep
            (20.3, -9.0, 1.0),  # its middle outside
            (25.0, 0.0, 1.0),  # in the waste
        ],
        False, profile,
    )  # fmt: skip
    files["s.drl"] = slot_text([(-19.1, 3.0, -19.1, 6.0, 1.4), (-20.0, -9.0, -20.0, 9.0, 0.3)],
                               False, profile)  # fmt: skip
    p = rows(tmp_path, "drill.hole-to-profile", files)
    found = sorted(zip(p["value"].tolist(), p["kind"].tolist(), strict=True))
    expected = [(-0.8, "cut"), (-0.3, "cut"), (0.2, "hole"), (0.2, "hole"), (0.2, "slot")]
    assert [v for v, _ in found] == pytest.approx([v for v, _ in expected], abs=MICROMETRE)
    assert sorted(k for _, k in found) == sorted(k for _, k in expected)
    assert len(rows(tmp_path, "drill.castellation", files)) == 0


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_castellated_holes(tmp_path: Path, unit: str, angle: float) -> None:
    profile, files = with_profile(unit, angle)
    files["profile.gbr"] = profile.text("Profile,NP")
    holes = [(20.0, -2.0, 0.6), (20.1, 2.0, 0.6), (19.75, 6.0, 0.6)]
    files["d.drl"] = drill_text(holes, True, profile)
    p = rows(tmp_path, "drill.castellation", files)
    assert p["value"].tolist() == pytest.approx([0.6, 0.6], abs=EXACT)
    # The third is merely broken by the edge.
    p = rows(tmp_path, "drill.hole-to-profile", files)
    assert p["value"].tolist() == pytest.approx([-0.05], abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_inner_corners(tmp_path: Path, unit: str, angle: float) -> None:
    profile, files = with_profile(unit, angle, square=False)
    pen = 10
    # A square with a notch in the upper side: one sharp inner corner, one of radius 0.7.
    path: list[Point] = [
        (5.7, 10.0), (8.0, 10.0), (8.0, 20.0), (20.0, 20.0), (20.0, -20.0), (-20.0, -20.0),
        (-20.0, 20.0), (5.0, 20.0), (5.0, 10.7),
    ]  # fmt: skip
    for a, b in itertools.pairwise(path):
        profile.draw(pen, *a, *b)
    arc(profile, (5.0, 10.7), (5.7, 10.0), (5.7, 10.7))
    # A round cut-out is drilled.
    arc(profile, (1.0, 0.0), (-1.0, 0.0), (0.0, 0.0))
    arc(profile, (-1.0, 0.0), (1.0, 0.0), (0.0, 0.0))
    files["profile.gbr"] = profile.text("Profile,NP")
    p = rows(tmp_path, "rout.inner-radius", files)
    # Radii are listed as far as they matter; the sharp corner is at (8, 10).
    assert (p["kind"].tolist(), p["value"].tolist()) == (["sharp"], [0.0])
    t = math.radians(angle)
    corner = [8 * math.cos(t) - 10 * math.sin(t), 8 * math.sin(t) + 10 * math.cos(t)]
    low = 20 * (math.cos(t) + math.sin(t))  # the datum is the lower left of the turned square
    assert [p["x"][0] - low, p["y"][0] - low] == pytest.approx(corner, abs=0.01)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
@pytest.mark.parametrize("radius", [0.1, 0.2])
def test_radius_of_an_arc(tmp_path: Path, unit: str, angle: float, radius: float) -> None:
    profile, files = with_profile(unit, angle, square=False)
    r = radius
    path: list[Point] = [
        (20.0, 0.0), (20.0, -20.0), (-20.0, -20.0), (-20.0, 20.0), (0.0, 20.0), (0.0, r),
    ]  # fmt: skip
    for a, b in itertools.pairwise(path):
        profile.draw(10, *a, *b)
    arc(profile, (0.0, r), (r, 0.0), (r, r))
    profile.draw(10, r, 0.0, 20.0, 0.0)
    files["profile.gbr"] = profile.text("Profile,NP")
    files.pop("b.gbr")
    bottom = Sheet(unit, angle)
    bottom.flash(bottom.circle(1.0), -10.0, 10.0)
    files["b.gbr"] = bottom.text("Copper,L2,Bot")
    p = rows(tmp_path, "rout.inner-radius", files)
    assert p["kind"].tolist() == ["round"]
    assert p["value"][0] == pytest.approx(r, abs=EXACT)
    # From the deepest point to the centre.
    away = math.hypot(p["x2"][0] - p["x"][0], p["y2"][0] - p["y"][0])
    assert away == pytest.approx(r, abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_a_cut_out_rounded_at_every_corner(tmp_path: Path, unit: str, angle: float) -> None:
    profile, files = with_profile(unit, angle)
    r, half = 0.15, 1.5
    path: list[tuple[Point, Point, Point]] = [  # end of a straight, end of the arc, its centre
        ((half - r, half), (half, half - r), (half - r, half - r)),
        ((half, -half + r), (half - r, -half), (half - r, -half + r)),
        ((-half + r, -half), (-half, -half + r), (-half + r, -half + r)),
        ((-half, half - r), (-half + r, half), (-half + r, half - r)),
    ]
    before = path[-1][1]
    for straight, end, centre in path:
        profile.draw(10, *before, *straight)
        arc(profile, end, straight, centre)
        before = end
    files["profile.gbr"] = profile.text("Profile,NP")
    p = rows(tmp_path, "rout.inner-radius", files)
    assert p["kind"].tolist() == ["round"] * 4
    assert p["value"].tolist() == pytest.approx([r] * 4, abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_slots_webs_and_size(tmp_path: Path, unit: str, angle: float) -> None:
    profile, files = with_profile(unit, angle, square=False)
    # 40 × 30, a slot 0.2 wide from above, a cut-out that leaves a web of 0.24 below.
    outline(profile, [(-20, -10), (20, -10), (20, 20), (5.2, 20), (5.2, 8), (5, 8), (5, 20),
                      (-20, 20)])  # fmt: skip
    profile.apertures.pop()
    outline(profile, [(-8, -9.76), (-4, -9.76), (-4, -4), (-8, -4)])
    files["profile.gbr"] = profile.text("Profile,NP")
    slot = rows(tmp_path, "rout.slot-width", files)
    assert slot["value"].min() == pytest.approx(0.2, abs=EXACT)
    assert np.ptp(slot["value"]) < EXACT
    web = rows(tmp_path, "rout.web", files)
    assert web["value"].min() == pytest.approx(0.24, abs=EXACT)
    for rule in ("rout.board-size-largest", "rout.board-size-smallest"):
        p = rows(tmp_path, rule, files)
        assert p["kind"].tolist() == ["shorter side", "longer side"]
        assert p["value"].tolist() == pytest.approx([30.0, 40.0], abs=EXACT)
