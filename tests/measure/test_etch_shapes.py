"""Etch rules worked by hand: value, place and the judgement on either side of the limit."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from tests.measure.packages import Sheet, write_board
from tests.measure.test_closed_forms import SQUARE, TURNS

Draw = Callable[[Sheet, float], tuple[float, float]]
"""Draws a feature of one size on a sheet; returns the place it must be found at."""

MICRON = 1e-3
NEAR = 0.01


def sliver(sheet: Sheet, width: float) -> tuple[float, float]:
    """Two squares joined by a strip of fill half a millimetre long."""
    sheet.region([
        (-8, -3), (-2, -3), (-2, 0), (-1.5, 0), (-1.5, -3), (4, -3), (4, 3), (-1.5, 3),
        (-1.5, width), (-2, width), (-2, 3), (-8, 3),
    ])  # fmt: skip
    sheet.flash(sheet.circle(1.0), -5, 0)
    return -1.75, width / 2


def stroke(sheet: Sheet, width: float) -> tuple[float, float]:
    sheet.draw(sheet.circle(width), 3, 2, 3.3, 2)
    return 3.15, 2.0


def closed_slit(sheet: Sheet, width: float) -> tuple[float, float]:
    """A pour in two halves round a slit closed at both ends."""
    w = width
    sheet.region([(-5, -5), (5, -5), (5, 0), (0.4, 0), (-0.4, 0), (-5, 0)])
    sheet.region([(-5, 0), (-0.4, 0), (-0.4, w), (0.4, w), (0.4, 0), (5, 0), (5, 5), (-5, 5)])
    sheet.flash(sheet.circle(1.0), 3, 3)
    return 0.0, w / 2


def pinhole(sheet: Sheet, width: float) -> tuple[float, float]:
    """A void of ``width`` by twice that, closed all round."""
    w = width
    sheet.region([(-5, -5), (5, -5), (5, 0), (-5, 0)])
    sheet.region([(-5, 0), (0, 0), (0, w), (2 * w, w), (2 * w, 0), (5, 0), (5, 5), (-5, 5)])
    sheet.flash(sheet.circle(1.0), 3, 3)
    return w, w / 2


def island(sheet: Sheet, width: float) -> tuple[float, float]:
    sheet.region([(2, 2), (4, 2), (4, 2 + width), (2, 2 + width)])
    return 3.0, 2 + width / 2


def slit(sheet: Sheet, width: float) -> tuple[float, float]:
    """A slit open at one end stays a notch."""
    w = width
    sheet.region([(-5, -5), (5, -5), (5, 5), (w, 5), (w, 4.6), (0, 4.6), (0, 5), (-5, 5)])
    sheet.flash(sheet.circle(1.0), 3, 3)
    return w / 2, 4.8


def dangling(sheet: Sheet, length: float) -> tuple[float, float]:
    """A conductor out of a land, with a branch; ends after a corner."""
    track = sheet.circle(0.2)
    sheet.flash(sheet.circle(1.0), 0, 0)
    sheet.flash(sheet.circle(1.0), 6, 0)
    sheet.draw(track, 0, 0, 6, 0)
    up = length / 2
    # The centre line leaves the conductor 0.1 above its own.
    sheet.draw(track, 3, 0, 3, up + 0.1)
    sheet.draw(track, 3, up + 0.1, 3 + length - up, up + 0.1)
    return 3 + length - up, up + 0.1


CASES: dict[str, tuple[Draw, str]] = {
    "sliver": (sliver, "etch.copper-sliver"),
    "stroke": (stroke, "etch.text-stroke"),
    "closed slit": (closed_slit, "etch.resist-sliver"),
    "pinhole": (pinhole, "etch.pinhole"),
    "island": (island, "etch.isolated-copper"),
    "slit": (slit, "etch.notch"),
    "dangling": (dangling, "etch.dangling-end"),
}


def board(sheet: Sheet) -> dict[str, str]:
    """A board of two layers with the sheet on top."""
    profile = Sheet(sheet.unit, sheet.angle)
    pen = profile.circle(0.1)
    for a, b in zip(SQUARE, SQUARE[1:] + SQUARE[:1], strict=True):
        profile.draw(pen, *a, *b)
    bottom = Sheet(sheet.unit, sheet.angle)
    bottom.region(SQUARE)
    bottom.flash(bottom.circle(1.0), 15.0, 15.0)
    return {
        "t.gbr": sheet.text("Copper,L1,Top"),
        "b.gbr": bottom.text("Copper,L2,Bot"),
        "profile.gbr": profile.text("Profile,NP"),
    }


def measured(tmp_path: Path, sheet: Sheet, rule: str) -> Places:
    p = screen(write_board(tmp_path / "job", board(sheet)), workers=1, thickness=1.6).places
    return p.take((p["rule"] == rule) & (p["layer"] == "conductor-1"))


def middles(p: Places, sheet: Sheet, end: bool = False) -> np.ndarray:
    """Places in the coordinates of the sheet: datum and turn taken back."""
    t = math.radians(sheet.angle)
    corners = np.array(SQUARE) @ np.array([[math.cos(t), math.sin(t)], [-math.sin(t), math.cos(t)]])
    x, y = (p["x"], p["y"]) if end else ((p["x"] + p["x2"]) / 2, (p["y"] + p["y2"]) / 2)
    x, y = x + corners[:, 0].min(), y + corners[:, 1].min()
    return np.stack(
        [x * math.cos(t) + y * math.sin(t), -x * math.sin(t) + y * math.cos(t)], axis=-1
    )


@pytest.mark.parametrize(("unit", "angle"), TURNS)
@pytest.mark.parametrize("case", CASES)
def test_value_and_place(tmp_path: Path, case: str, unit: str, angle: float) -> None:
    draw, rule = CASES[case]
    sheet = Sheet(unit, angle)
    size = 1.3 if case == "dangling" else 0.14
    at = draw(sheet, size)
    p = measured(tmp_path, sheet, rule)
    row = int(np.argmin(np.abs(p["value"] - size)))
    assert p["value"][row] == pytest.approx(size, abs=MICRON)
    found = middles(p, sheet, end=case == "dangling")
    along = 0.3 if case in ("sliver", "stroke", "closed slit", "slit") else NEAR
    # Along a straight stretch the place is free; across it is not.
    assert np.abs(found - at).min(axis=0)[1] < (along if case == "slit" else NEAR)
    assert np.hypot(*(found - at).T).min() < along + NEAR


@pytest.mark.parametrize("angle", [0.0, 45.0, 33.3])
@pytest.mark.parametrize("case", CASES)
def test_at_the_limit_and_past_it(tmp_path: Path, case: str, angle: float) -> None:
    draw, rule = CASES[case]
    shop = load_shop("volume")
    limit = shop.limits[rule].values["standard"]
    past = 0.002 if shop.limits[rule].direction == "at-most" else -0.002
    fails = []
    for n, size in enumerate((limit, limit + past)):
        sheet = Sheet("mm", angle)
        draw(sheet, size)
        screening = screen(
            write_board(tmp_path / str(n), board(sheet)), workers=1, thickness=1.6,
            reach=shop.limit_reach(),
        )  # fmt: skip
        judgement = judge(screening, shop, rules=rules())
        fails.append(any(f.rule == rule and f.layer == "conductor-1" for f in judgement.findings))
    assert fails == [False, True]


@pytest.mark.parametrize(("unit", "angle"), TURNS)
@pytest.mark.parametrize("degrees", [25.0, 40.0, 55.5])
def test_acute_angle(tmp_path: Path, unit: str, angle: float, degrees: float) -> None:
    sheet = Sheet(unit, angle)
    track = sheet.circle(0.2)
    t = math.radians(degrees)
    sheet.flash(sheet.circle(1.0), 8, 0)
    sheet.draw(track, 0, 0, 8, 0)
    sheet.draw(track, 0, 0, 6 * math.cos(t), 6 * math.sin(t))
    p = measured(tmp_path, sheet, "etch.acute-angle")
    assert p["value"] == pytest.approx([degrees], abs=1e-3)
    assert p["kind"].tolist() == ["conductor-to-conductor"]
    # The two sides meet where both centre lines are half a width away.
    away = 0.1 / math.sin(t / 2)
    at = (away * math.cos(t / 2), away * math.sin(t / 2))
    assert middles(p, sheet)[0] == pytest.approx(at, abs=NEAR)


def test_conductors_and_lettering_that_end_rightly(tmp_path: Path) -> None:
    """Ends in lands, in a pour, at a branch, in lettering and at the profile are not free."""
    sheet = Sheet()
    track = sheet.circle(0.2)
    sheet.flash(sheet.circle(1.0), 0, 0)
    sheet.region([(3, -2), (6, -2), (6, 2), (3, 2)])
    sheet.draw(track, 0.3, 0, 3.2, 0)
    sheet.draw(track, 1.5, 0, 1.5, 3)
    sheet.flash(sheet.circle(0.6), 1.5, 3.2)
    sheet.draw(track, -8, -8, -8, -6)  # a letter
    sheet.draw(track, -8, -8, -7, -8)
    sheet.draw(track, 0, 0, -20, 0)  # leads out of the board
    assert len(measured(tmp_path, sheet, "etch.dangling-end")) == 0


def test_a_pinhole_is_no_notch_and_a_wide_void_neither(tmp_path: Path) -> None:
    sheet = Sheet()
    pinhole(sheet, 0.08)
    for rule in ("etch.notch", "etch.resist-sliver"):
        assert not (measured(tmp_path, sheet, rule)["value"] < 0.2).any()


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_share_and_spread(tmp_path: Path, unit: str, angle: float) -> None:
    sheet = Sheet(unit, angle)
    sheet.region([(-20, -20), (-5, -20), (-5, 20), (-20, 20)])
    sheet.flash(sheet.circle(1.0), -10, 0)
    share = measured(tmp_path, sheet, "etch.copper-share")
    assert share["value"] == pytest.approx([15 / 40], abs=2e-4)
    assert middles(share, sheet)[0] == pytest.approx((0, 0), abs=NEAR)
    if angle == 0.0:
        # Windows of half the board's side: 15 of 20 mm are covered at most, 0 at least.
        spread = measured(tmp_path, sheet, "etch.local-share-spread")
        assert spread["value"] == pytest.approx([0.75], abs=2e-4)
