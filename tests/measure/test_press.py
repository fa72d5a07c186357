"""Copper of a stack worked by hand: balance, facing layers, stacked copper, unused lands."""

from __future__ import annotations

from pathlib import Path

import pytest

from dfmcheck.measure.places import Places
from dfmcheck.screen import screen
from tests.measure.packages import Sheet, drill_text, write_board

TURNS = [(unit, angle) for unit in ("mm", "inch") for angle in (0.0, 45.0, 33.3)]
HALF = 50.0
SHARE = 2e-4  # chords of the outlines, and coordinates of a nanometre


def square(x0: float, y0: float, x1: float, y1: float) -> list[tuple[float, float]]:
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def board(unit: str, angle: float, count: int) -> tuple[list[Sheet], Sheet]:
    """Copper sheets top to bottom and the profile, 100 mm square."""
    profile = Sheet(unit, angle)
    pen = profile.circle(0.1)
    corners = square(-HALF, -HALF, HALF, HALF)
    for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
        profile.draw(pen, *a, *b)
    return [Sheet(unit, angle) for _ in range(count)], profile


def files_of(sheets: list[Sheet], profile: Sheet) -> dict[str, str]:
    side = {1: "Top", len(sheets): "Bot"}
    files = {
        f"c{n}.gbr": sheet.text(f"Copper,L{n},{side.get(n, 'Inr')}")
        for n, sheet in enumerate(sheets, start=1)
    }
    files["profile.gbr"] = profile.text("Profile,NP")
    return files


def places(tmp_path: Path, files: dict[str, str], rule: str) -> Places:
    screening = screen(write_board(tmp_path / "job", files), workers=1, thickness=1.6)
    p = screening.places
    return p.take(p["rule"] == rule)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_balance_of_mirrored_layers(tmp_path: Path, unit: str, angle: float) -> None:
    sheets, profile = board(unit, angle, 4)
    for sheet, top in zip(sheets, (40.0, 20.0, -10.0, 0.0), strict=True):
        sheet.region(square(-40, -40, 40, top))
    p = places(tmp_path, files_of(sheets, profile), "press.copper-balance")
    assert p["layer"].tolist() == ["conductor-1", "conductor-2"]
    assert p["position"].tolist() == ["outer", "inner"]
    outer, inner = (0.8 * 0.8) - (0.8 * 0.4), (0.8 * 0.6) - (0.8 * 0.3)
    assert p["value"] == pytest.approx([outer, inner], abs=SHARE)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_facing_and_stacked_copper(tmp_path: Path, unit: str, angle: float) -> None:
    """Inner layers are full left of x = 10, layer 4 is full all over."""
    sheets, profile = board(unit, angle, 6)
    for n in (1, 2, 4):
        sheets[n].region(square(-50, -50, 10, 50))
    sheets[3].region(square(-50, -50, 50, 50))
    files = files_of(sheets, profile)
    p = places(tmp_path, files, "press.facing-share")
    # 3 faces 4 through prepreg; 2-3 and 4-5 are two sides of a core.
    assert p["kind"].tolist() == ["conductor-3 facing conductor-4"]
    assert p["value"] == pytest.approx([0.5], abs=SHARE)
    p = places(tmp_path, files, "press.stacked-copper")
    assert p["layer"].tolist() == [""]
    assert p["value"] == pytest.approx([0.75], abs=SHARE)


def test_two_layers_are_not_pressed(tmp_path: Path) -> None:
    sheets, profile = board("mm", 0.0, 2)
    sheets[0].region(square(-40, -40, 40, 40))
    sheets[1].flash(sheets[1].circle(1.0), 0, 0)
    screening = screen(write_board(tmp_path / "job", files_of(sheets, profile)), workers=1)
    assert not any(rule.startswith("press.") for rule in screening.places["rule"])


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_unconnected_lands(tmp_path: Path, unit: str, angle: float) -> None:
    sheets, profile = board(unit, angle, 4)
    for sheet in sheets:
        land = sheet.circle(0.6)
        for x in (0.0, 5.0, 10.0):
            sheet.flash(land, x, 1.0)
    sheets[1].draw(sheets[1].circle(0.2), 0.0, 1.0, 3.0, 1.0)  # one is joined on layer 2
    sheets[2].draw(sheets[2].circle(0.2), 5.0, 1.0, 10.0, 1.0)  # two are on layer 3
    files = files_of(sheets, profile)
    holes = [(x, 1.0, 0.3) for x in (0.0, 5.0, 10.0)]
    files["d.drl"] = drill_text(holes, True, sheets[0]).replace(",1,2,", ",1,4,")
    p = places(tmp_path, files, "press.unconnected-land")
    assert p["layer"].tolist() == ["conductor-2", "conductor-2", "conductor-3"]
    assert p["value"].tolist() == [2.0, 2.0, 1.0]
    assert p["hole"] == pytest.approx([0.3] * 3, abs=1e-5)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_inner_and_outer_copper_to_profile(tmp_path: Path, unit: str, angle: float) -> None:
    sheets, profile = board(unit, angle, 4)
    for n, gap in enumerate((0.1, 0.2, 0.15, 0.05)):
        sheets[n].draw(sheets[n].circle(0.3), -10, HALF - 0.15 - gap, 10, HALF - 0.15 - gap)
    files = files_of(sheets, profile)
    for rule, wanted in (
        ("rout.copper-to-profile", {"conductor-1": 0.1, "conductor-4": 0.05}),
        ("press.copper-to-profile", {"conductor-2": 0.2, "conductor-3": 0.15}),
    ):
        p = places(tmp_path, files, rule)
        for layer, gap in wanted.items():
            value = p["value"][p["layer"] == layer]
            assert value.min() == pytest.approx(gap, abs=1e-4), layer
        assert set(p["layer"]) == set(wanted)
    screening = screen(tmp_path / "job", workers=1)
    measured = {pair for pair in screening.measured if pair[0].endswith(".copper-to-profile")}
    assert measured == {
        ("rout.copper-to-profile", "conductor-1"),
        ("rout.copper-to-profile", "conductor-4"),
        ("press.copper-to-profile", "conductor-2"),
        ("press.copper-to-profile", "conductor-3"),
    }


def test_lands_of_a_peg_hole_hold_it(tmp_path: Path) -> None:
    """Unused lands of a hole that joins something are told, those of a lone stack are not."""
    sheets, profile = board("mm", 0.0, 4)
    for sheet in sheets:
        for x in (0.0, 5.0):
            sheet.flash(sheet.circle(0.6), x, 1.0)
    sheets[3].draw(sheets[3].circle(0.2), 0.0, 1.0, 3.0, 1.0)
    files = files_of(sheets, profile)
    holes = [(x, 1.0, 0.3) for x in (0.0, 5.0)]
    files["d.drl"] = drill_text(holes, True, sheets[0]).replace(",1,2,", ",1,4,")
    p = places(tmp_path, files, "press.unconnected-land")
    assert p["layer"].tolist() == ["conductor-2", "conductor-3"]
    assert p["value"].tolist() == [1.0, 1.0]
    assert p["x"] == pytest.approx([HALF] * 2, abs=1e-5)
