"""Distances worked by hand against what is measured: 0.1 µm, turned, in mm and in inch."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from dfmcheck.screen import screen
from tests.measure.packages import Sheet, drill_text, write_board

EXACT = 1e-4  # 0.1 µm
TURNS = [(unit, angle) for unit in ("mm", "inch") for angle in (0.0, 45.0, 33.3)]
SQUARE = [(-20.0, -20.0), (20.0, -20.0), (20.0, 20.0), (-20.0, 20.0)]


def values(tmp_path: Path, rule: str, layer: str, files: dict[str, str]) -> list[float]:
    screening = screen(write_board(tmp_path / "job", files), workers=1, thickness=1.6)
    p = screening.places
    keep = (p["rule"] == rule) & (p["layer"] == layer)
    return sorted(p["value"][keep].tolist())


def sheets(unit: str, angle: float) -> tuple[Sheet, Sheet, dict[str, str]]:
    """Top copper, top mask, and the files that make a whole two-layer board of them."""
    top, mask = Sheet(unit, angle), Sheet(unit, angle)
    profile = Sheet(unit, angle)
    pen = profile.circle(0.1)
    for a, b in zip(SQUARE, SQUARE[1:] + SQUARE[:1], strict=True):
        profile.draw(pen, *a, *b)
    bottom = Sheet(unit, angle)
    bottom.flash(bottom.circle(1.0), 15.0, 15.0)
    other = {"profile.gbr": profile.text("Profile,NP"), "b.gbr": bottom.text("Copper,L2,Bot")}
    return top, mask, other


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_spacing_of_capsules_and_discs(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    wide, narrow, land = top.circle(0.2), top.circle(0.16), top.circle(0.9)
    top.draw(wide, -5, 0, 5, 0)
    # Parallel, 0.3 between centre lines: 0.3 - 0.1 - 0.08.
    top.draw(narrow, -5, 0.3, 5, 0.3)
    # Oblique to the end of the first: nearest points are the end (5, 0) and (5.2, 0.1).
    top.draw(narrow, 5.2, 0.1, 8, 2)
    # A disc off the corner of everything else.
    top.flash(land, -6, -0.3)
    files["t.gbr"] = top.text("Copper,L1,Top")
    found = values(tmp_path, "etch.conductor-spacing", "conductor-1", files)
    expected = [
        math.hypot(0.2, 0.1) - 0.1 - 0.08,
        0.3 - 0.1 - 0.08,
    ]
    assert found[:2] == pytest.approx(sorted(expected), abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_spacing_land_to_capsule(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    land, track = top.circle(1.1), top.circle(0.25)
    top.flash(land, 1.0, 2.0)
    top.draw(track, -3, 1.0, 4, 0.5)
    # Distance of (1, 2) from the line through (-3, 1) and (4, 0.5).
    across = abs(7 * (2.0 - 1.0) + 0.5 * (1.0 + 3.0)) / math.hypot(7, 0.5)
    files["t.gbr"] = top.text("Copper,L1,Top")
    found = values(tmp_path, "etch.conductor-spacing", "conductor-1", files)
    assert found[0] == pytest.approx(across - 0.55 - 0.125, abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_width_of_a_draw_and_of_a_neck(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    top.draw(top.circle(0.18), -5, -5, 5, -5)
    top.flash(top.circle(0.5), -5, -5)  # without a land it would be lettering
    # Two squares that overlap in a corner: the neck is the diagonal of the overlap.
    top.region([(0, 0), (2, 0), (2, 2), (0, 2)])
    top.region([(1.9, 1.95), (4, 1.95), (4, 4), (1.9, 4)])
    files["t.gbr"] = top.text("Copper,L1,Top")
    found = values(tmp_path, "etch.conductor-width", "conductor-1", files)
    assert found[0] == pytest.approx(0.18, abs=EXACT)
    neck = math.hypot(0.1, 0.05)
    found = values(tmp_path, "etch.copper-sliver", "conductor-1", files)
    assert found[0] == pytest.approx(neck, abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_notch_between_arms_and_in_a_pour(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    track = top.circle(0.2)
    top.draw(track, -5, -5, 5, -5)
    top.draw(track, 5, -5, 5, -4.68)
    top.draw(track, 5, -4.68, -5, -4.68)
    # A slit 0.09 wide into a pour.
    top.region([(0, 0), (6, 0), (6, 2), (3.09, 2), (3.09, 0.5), (3, 0.5), (3, 2), (0, 2)])
    files["t.gbr"] = top.text("Copper,L1,Top")
    found = values(tmp_path, "etch.notch", "conductor-1", files)
    assert found[0] == pytest.approx(0.09, abs=EXACT)
    assert found[-1] == pytest.approx(0.32 - 0.2, abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_ring_of_an_offset_hole(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    land = top.circle(0.7)
    obround = top.circle(0.6)
    top.flash(land, 0, 0)
    top.flash(land, 3, 0)
    top.draw(obround, -4, -1, -4, 1)
    files["t.gbr"] = top.text("Copper,L1,Top")
    holes = [(0.05, 0.02, 0.3), (3.25, 0.0, 0.3), (-4.03, 0.4, 0.3)]
    files["d.drl"] = drill_text(holes, True, top)
    found = values(tmp_path, "plate.annular-ring", "conductor-1", files)
    expected = [
        0.35 - math.hypot(0.05, 0.02) - 0.15,
        0.35 - 0.25 - 0.15,  # breaks out
        0.30 - 0.03 - 0.15,
    ]
    assert found == pytest.approx(sorted(expected), abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_holes_to_copper_and_to_each_other(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    track = top.circle(0.2)
    top.draw(track, -5, 0, 5, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["d.drl"] = drill_text([(1.0, 0.62, 0.8), (1.3, 1.9, 0.9)], False, top)
    copper = values(tmp_path, "drill.unplated-to-copper", "conductor-1", files)
    assert copper[0] == pytest.approx(0.62 - 0.4 - 0.1, abs=EXACT)
    wall = values(tmp_path, "drill.hole-to-hole", "drill-unplated-1-2", files)
    assert wall[0] == pytest.approx(math.hypot(0.3, 1.28) - 0.4 - 0.45, abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_mask_clearance_and_web(tmp_path: Path, unit: str, angle: float) -> None:
    top, mask, files = sheets(unit, angle)
    land, opening = top.circle(1.0), mask.circle(1.15)
    top.flash(land, 0, 0)
    top.flash(land, 1.25, 0)
    mask.flash(opening, 0.01, 0.02)
    mask.flash(opening, 1.25, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["m.gbr"] = mask.text("Soldermask,Top")
    clear = values(tmp_path, "mask.clearance", "mask-top", files)
    assert clear == pytest.approx([0.075 - math.hypot(0.01, 0.02), 0.075], abs=EXACT)
    web = values(tmp_path, "mask.web", "mask-top", files)
    assert web[0] == pytest.approx(math.hypot(1.24, 0.02) - 1.15, abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_copper_to_profile(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    top.draw(top.circle(0.3), -10, 19.75, 10, 19.7)
    files["t.gbr"] = top.text("Copper,L1,Top")
    found = values(tmp_path, "rout.copper-to-profile", "conductor-1", files)
    assert found[0] == pytest.approx(0.25 - 0.15, abs=EXACT)


def test_aspect_ratio(tmp_path: Path) -> None:
    top, _, files = sheets("mm", 0.0)
    top.flash(top.circle(0.6), 0, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["d.drl"] = drill_text([(0.0, 0.0, 0.2)], True, top)
    assert values(tmp_path, "drill.aspect-ratio", "drill-plated-1-2", files) == pytest.approx([8.0])


def test_a_neck_at_a_sharp_corner_of_two_round_ends_states_how_unsure_it_is(tmp_path: Path) -> None:
    """Round ends that meet nearly head-on: a chord's error moves the tip of the wedge between
    them by much more than itself, and so the neck from tip to tip."""
    top, _, files = sheets("mm", 0.0)
    small, large = 0.27, 0.37
    top.draw(top.circle(2 * small), 0.104, 1.092, 0.904, 1.092)
    top.draw(top.circle(2 * large), 1.512, 1.26, 2.072, 1.26)
    top.flash(top.circle(0.5), 0.3, 1.092)  # without a land it would be lettering
    files["t.gbr"] = top.text("Copper,L1,Top")
    apart = math.hypot(1.512 - 0.904, 1.26 - 1.092)
    half = (apart**2 + small**2 - large**2) / (2 * apart)
    neck = 2 * math.sqrt(small**2 - half**2)
    places = screen(write_board(tmp_path / "job", files), workers=1, thickness=1.6).places
    width = (places["rule"] == "etch.conductor-width") & (places["layer"] == "conductor-1")
    assert width.sum() == 1
    value, error = float(places["value"][width][0]), float(places["uncertainty"][width][0])
    assert abs(value - neck) <= error <= 0.02
    assert abs(value - neck) > 0.001  # more than a chord's error at either end


COARSE = """%TF.FileFunction,Copper,L1,Top*%
%FSLAX24Y24*%
%MOIN*%
%ADD10C,0.0040*%
%ADD11R,0.0060X0.0060*%
%ADD12C,0.0400*%
%LPD*%
G36*
X-2000Y-2000D02*
X2000Y-2000D01*
X2000Y2000D01*
X-2000Y2000D01*
X-2000Y-2000D01*
G37*
D12*
X0Y0D03*
%LPC*%
D10*
X-1000Y1003D02*
X1000Y1017D01*
D11*
X-1203Y-1111D03*
G36*
X1000Y-1000D02*
X1037Y-1000D01*
X1037Y-1500D01*
X1000Y-1500D01*
X1000Y-1000D01*
G37*
M02*
"""


def test_what_one_clear_stroke_drew_is_as_wide_as_its_aperture_on_any_grid(tmp_path: Path) -> None:
    """A file whose coordinates are 2.54 µm apart: its rounding moves both sides of a stroke or
    flash alike, but either side of a contour on its own."""
    _, _, files = sheets("mm", 0.0)
    files["t.gbr"] = COARSE
    p = screen(write_board(tmp_path / "job", files), workers=1, thickness=1.6).places
    error = {}
    for rule, width in (("etch.resist-sliver", 0.0040), ("etch.pinhole", 0.0060)):
        row = (p["rule"] == rule) & (abs(p["value"] - 25.4 * width) < 2e-6)
        assert row.any()
        error[rule] = float(p["uncertainty"][row].max())
    assert max(error.values()) < 0.0015
    contour = (p["rule"] == "etch.resist-sliver") & (abs(p["value"] - 25.4 * 0.0037) < 2e-6)
    assert contour.any()
    assert float(p["uncertainty"][contour].min()) > 0.0025
