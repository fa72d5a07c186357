"""Distances to a round profile, against the circle itself: R less the distance from its centre.

The profile is told as chords that lie up to 0.5 µm off the circle; what is measured is not.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from dfmcheck.screen import screen
from tests.measure.packages import Sheet, drill_text, write_board
from tests.measure.test_closed_forms import TURNS
from tests.measure.test_drill_profile import arc, with_profile
from tests.measure.test_drill_tools import slot_text

R = 25.0
FINE = 5e-5  # 0.05 µm, a tenth of what chords are off
ANGLES = (3.0, 50.1, 131.7, 200.4, 305.2)


def at(radius: float, angle: float) -> tuple[float, float]:
    return radius * math.cos(math.radians(angle)), radius * math.sin(math.radians(angle))


def round_board(unit: str, angle: float) -> tuple[Sheet, dict[str, str]]:
    profile, files = with_profile(unit, angle, square=False)
    for a in (0.0, 180.0):
        arc(profile, at(R, a), at(R, a + 180.0), (0.0, 0.0))
    files["profile.gbr"] = profile.text("Profile,NP")
    return profile, files


def measured(folder: Path, files: dict[str, str], rule: str) -> tuple[list[float], float, float]:
    """Values, the greatest uncertainty, and how far the lines drawn are from being as long."""
    places = screen(write_board(folder, files), workers=1, thickness=1.6).places
    p = places.take(np.flatnonzero(places["rule"] == rule))
    length = np.hypot(p["x2"] - p["x"], p["y2"] - p["y"])
    off = np.abs(length - np.abs(p["value"])).max()
    return sorted(p["value"].tolist()), float(p["uncertainty"].max()), float(off)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_holes_and_slots(tmp_path: Path, unit: str, angle: float) -> None:
    profile, files = round_board(unit, angle)
    d = 1.0
    away = (R - 0.7, R - 0.65, R - 0.3, R - 0.1)  # the last two are cut
    holes = [(*at(r, a), d) for r, a in zip(away, ANGLES, strict=False)]
    files["n.drl"] = drill_text(holes, False, profile)
    # Along a chord of the circle, its far end 0.12 from the edge.
    inner, outer = at(R - 4.0, ANGLES[4] + 4.0), at(R - 0.62, ANGLES[4])
    files["s.drl"] = slot_text([(*inner, *outer, d)], False, profile)
    values, error, off = measured(tmp_path / "job", files, "drill.hole-to-profile")
    expected = sorted([*(R - r - d / 2 for r in away), 0.62 - d / 2])
    assert values == pytest.approx(expected, abs=FINE)
    assert (error, off) == (0.0, pytest.approx(0.0, abs=FINE))


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_ink(tmp_path: Path, unit: str, angle: float) -> None:
    _, files = round_board(unit, angle)
    ink = Sheet(unit, angle)
    pen = ink.circle(0.2)
    ends = (R - 0.15, R - 0.18, R + 0.4)
    for r, a in zip(ends, ANGLES, strict=False):
        ink.draw(pen, *at(r - 3.0, a), *at(r, a))
    # A triangle whose only corner near the edge points at it.
    tip = at(R - 0.04, ANGLES[3])
    ink.region([tip, at(R - 2.0, ANGLES[3] + 1.0), at(R - 2.0, ANGLES[3] - 1.0)])
    files["ink.gbr"] = ink.text("Legend,Top")
    values, _, off = measured(tmp_path / "job", files, "legend.ink-over-profile")
    assert values == pytest.approx([-(0.4 + 0.1), 0.04, 0.05, 0.08], abs=FINE)
    assert off == pytest.approx(0.0, abs=FINE)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_copper_over_the_edge(tmp_path: Path, unit: str, angle: float) -> None:
    _, files = round_board(unit, angle)
    top = Sheet(unit, angle)
    top.flash(top.circle(1.0), 15.0, -15.0)
    land = top.circle(1.2)
    away = (R - 0.75, R - 0.45)
    for r, a in zip(away, ANGLES, strict=False):
        top.flash(land, *at(r, a))
    files["t.gbr"] = top.text("Copper,L1,Top")
    values, error, off = measured(tmp_path / "job", files, "rout.copper-to-profile")
    # Where the second comes back over the edge is listed as well, square by square.
    assert values[0] == pytest.approx(R - away[1] - 0.6, abs=FINE)
    assert min(abs(v - (R - away[0] - 0.6)) for v in values) < FINE
    assert off == pytest.approx(0.0, abs=FINE)
    assert error <= 0.0005
