"""Breakout, isolation and holes under paste against values worked by hand."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from shapely import unary_union
from shapely.geometry import Point, box

from tests.measure.packages import Sheet, drill_text
from tests.measure.test_closed_forms import EXACT, TURNS, sheets
from tests.measure.test_drill_tools import rows


def breakout(land: float, hole: float, off: float) -> float:
    """Angle of a hole of radius ``hole`` that lies outside a round land, degrees."""
    return 2 * math.degrees(math.acos((land**2 - off**2 - hole**2) / (2 * off * hole)))


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_breakout_angle(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    land = top.circle(0.7)
    for x in (-6, -3, 0):
        top.flash(land, x, 0)
    # A land with a straight side, broken through 0.1 from the hole's middle.
    top.region([(5, -1), (7, -1), (7, 1), (5, 1)])
    # A conductor covers part of what the land leaves bare.
    top.draw(top.circle(0.1), 0.25, 0, 2, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    holes = [(-6.0, 0.0, 0.3), (-2.75, 0.0, 0.3), (0.3, 0.0, 0.3), (5.1, 0.0, 0.4)]
    files["d.drl"] = drill_text(holes, True, top)
    p = rows(tmp_path, "plate.breakout-angle", files)
    r = 0.15
    # Where the conductor's straight sides leave the hole.
    covered = 2 * math.degrees(math.asin(0.05 / r))
    expected = [
        2 * math.degrees(math.acos(0.1 / 0.2)),
        breakout(0.35, r, 0.25),
        breakout(0.35, r, 0.3) - covered,
    ]
    found = sorted(p["value"][p["layer"] == "conductor-1"].tolist())
    # A micrometre along the wall.
    assert found == pytest.approx(sorted(expected), abs=math.degrees(0.001 / r))
    assert (p["uncertainty"] < 0.5).all()


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_a_hole_larger_than_its_land_hangs_free(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    top.flash(top.circle(0.7), 0, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["d.drl"] = drill_text([(0.0, 0.0, 0.8)], True, top)
    p = rows(tmp_path, "plate.breakout-angle", files)
    assert p["value"].tolist() == pytest.approx([360.0])


def test_isolation_is_the_share_in_the_window(tmp_path: Path) -> None:
    top, _, files = sheets("mm", 0.0)
    land = top.circle(1.0)
    top.flash(land, -18.0, -18.0)
    top.flash(land, 12.0, 12.0)
    top.region([(0, 0), (19, 0), (19, 19), (0, 19)])
    files["t.gbr"] = top.text("Copper,L1,Top")
    holes = [(-18.0, -18.0, 0.4), (12.0, 12.0, 0.4)]
    files["d.drl"] = drill_text(holes, True, top)
    p = rows(tmp_path, "plate.isolation", files)
    mine = p["layer"] == "conductor-1"
    board, pour = box(-20, -20, 20, 20), box(0, 0, 19, 19)
    copper = pour.union(Point(-18, -18).buffer(0.5, 256))
    expected = []
    for x, y, _ in holes:
        window = box(x - 12.5, y - 12.5, x + 12.5, y + 12.5) & board
        expected.append((copper & window).area / window.area)
    assert sorted(p["value"][mine].tolist()) == pytest.approx(sorted(expected), abs=1e-5)


def test_the_hole_told_of_is_the_loneliest_one(tmp_path: Path) -> None:
    """Among many holes whose shares differ by little, for a fine comb of copper and gaps."""
    top, _, files = sheets("mm", 0.0)
    teeth = [box(-19 + k, -19, -18.5 + k + 0.01 * k, 14 - 0.3 * k) for k in range(36)]
    for tooth in teeth:
        top.region(list(tooth.exterior.coords)[:-1])
    files["t.gbr"] = top.text("Copper,L1,Top")
    holes = [(-1.9 + 0.4 * i, -1.7 + 0.4 * j, 0.2) for i in range(10) for j in range(10)]
    files["d.drl"] = drill_text(holes, True, top)
    p = rows(tmp_path, "plate.isolation", files)
    board, copper = box(-20, -20, 20, 20), unary_union(teeth)
    shares = []
    for x, y, _ in holes:
        window = box(x - 12.5, y - 12.5, x + 12.5, y + 12.5) & board
        shares.append((copper & window).area / window.area)
    # All holes lie within one window of each other: one is told of, the least (but for a hair).
    found = p["value"][p["layer"] == "conductor-1"].tolist()
    assert len(found) == 1 and found[0] == pytest.approx(min(shares), abs=1e-3)
    assert sorted(shares)[10] - min(shares) > 0.002


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_holes_under_paste(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    pad, paste = top.circle(3.0), Sheet(unit, angle)
    for x in (-8, 0, 8):
        top.flash(pad, x, 0)
        paste.flash(paste.circle(2.4), x, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["p.gbr"] = paste.text("Paste,Top")
    holes = [
        (-8.5, 0.0, 0.3),  # inside
        (0.0, 1.2, 0.4),  # half
        (8.0, 0.0, 1.0),  # a terminal's, in the middle
        (8.0, 1.45, 0.25),  # beside the paste
    ]
    files["d.drl"] = drill_text(holes, True, top)
    p = rows(tmp_path, "plate.hole-in-paste-land", files)
    found = sorted(zip(p["value"].tolist(), p["kind"].tolist(), strict=True))
    assert [v for v, _ in found] == pytest.approx([0.3, 0.4], abs=EXACT)
    assert [k for _, k in found] == ["inside the paste", "at the edge of the paste"]
    assert set(p["layer"]) == {"paste-top"}
    assert np.isfinite(p["x"]).all()
