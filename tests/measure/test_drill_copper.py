"""Unplated holes and copper, holes without lands, lands without holes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.measure.packages import drill_text
from tests.measure.test_closed_forms import EXACT, TURNS, sheets
from tests.measure.test_drill_tools import rows, slot_text


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_copper_round_an_unplated_hole(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    top.draw(top.circle(0.2), -5, 0, 5, 0)
    top.flash(top.circle(2.0), -8, -8)
    top.flash(top.circle(1.0), 8, -8)
    top.region([(-16, 5), (-4, 5), (-4, 17), (-16, 17)])
    files["t.gbr"] = top.text("Copper,L1,Top")
    holes = [
        (0.0, 0.62, 0.8),  # 0.12 beside the track
        (3.0, 0.3, 0.8),  # 0.2 into it
        (-8.0, -8.0, 1.2),  # in the middle of its land
        (8.0, -8.0, 1.0),  # the land goes out with the core
        (-10.0, 11.0, 1.0),  # in the middle of a pour, no outline near
        (-4.2, 12.0, 1.0),  # its middle 0.2 inside the pour
    ]
    files["d.drl"] = drill_text(holes, False, top)
    p = rows(tmp_path, "drill.unplated-to-copper", files)
    mine = p["layer"] == "conductor-1"
    found = sorted(zip(p["value"][mine].tolist(), p["kind"][mine].tolist(), strict=True))
    expected = [
        (-1.2, "in its land"), (-1.0, "cut"), (-0.7, "cut"), (-0.2, "cut"), (0.12, ""),
    ]  # fmt: skip
    assert [k for _, k in found] == [k for _, k in expected]
    assert [v for v, _ in found] == pytest.approx([v for v, _ in expected], abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_plated_holes_are_judged_apart(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    top.flash(top.circle(0.9), 0, 0)
    top.draw(top.circle(0.2), -5, 0.6, 5, 0.6)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["p.drl"] = drill_text([(0.0, 0.0, 0.4)], True, top)
    files["n.drl"] = drill_text([(3.0, 0.0, 0.7)], False, top)
    p = rows(tmp_path, "drill.hole-to-copper", files)
    assert p["value"].tolist() == pytest.approx([0.6 - 0.2 - 0.1], abs=EXACT)
    p = rows(tmp_path, "drill.unplated-to-copper", files)
    assert p["value"].tolist()[0] == pytest.approx(0.6 - 0.35 - 0.1, abs=EXACT)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_holes_without_land(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    land = top.circle(0.9)
    for x in (0.0, 4.0):
        top.flash(land, x, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    # (15, 15) has a land on the bottom only, (0, 0) on top only, (-4, 0) none.
    files["d.drl"] = drill_text(
        [(0.0, 0.0, 0.4), (-4.0, 0.0, 0.4), (15.0, 15.0, 0.4), (30.0, 0.0, 0.4)], True, top
    )
    files["s.drl"] = slot_text([(4.0, 0.0, 6.0, 0.0, 0.5)], True, top)
    p = rows(tmp_path, "drill.hit-without-land", files)
    assert sorted(p["kind"].tolist()) == ["no copper", "one side", "one side", "one side"]
    assert set(p["value"].tolist()) == {1.0}


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_lands_without_hole(tmp_path: Path, unit: str, angle: float) -> None:
    top, _, files = sheets(unit, angle)
    bottom = type(top)(unit, angle)
    spots = [(float(x), float(y)) for x in range(-10, 11, 5) for y in (-6, 0, 6)]
    via, mark = top.circle(0.7), top.circle(1.0)
    for sheet in (top, bottom):
        if sheet is bottom:
            sheet.circle(0.7), sheet.circle(1.0)
        for x, y in spots:
            sheet.flash(via, x, y)
        # Fiducials on both sides: no other of their kind has a hole.
        sheet.flash(mark, 15, 15)
        sheet.flash(mark, -15, 15)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["b.gbr"] = bottom.text("Copper,L2,Bot")
    missing = spots[4]
    files["d.drl"] = drill_text([(*s, 0.3) for s in spots if s != missing], True, top)
    p = rows(tmp_path, "drill.land-without-hole", files)
    assert p["kind"].tolist() == ["like its neighbours"]
    files["d.drl"] = drill_text([(*s, 0.3) for s in spots], True, top)
    assert len(rows(tmp_path, "drill.land-without-hole", files)) == 0


def test_a_stack_through_all_layers_wants_a_hole(tmp_path: Path) -> None:
    top, _, files = sheets("mm", 0.0)
    inner, bottom = type(top)(), type(top)()
    for sheet in (top, inner, bottom):
        code = sheet.circle(0.7)
        sheet.flash(code, 0, 0)
        sheet.flash(code, 5, 0)
        sheet.flash(sheet.circle(6.0), -10, 0)  # a contact area, too large for a hole's land
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["i.gbr"] = inner.text("Copper,L2,Inr")
    files["b.gbr"] = bottom.text("Copper,L3,Bot")
    files["d.drl"] = drill_text([(0.0, 0.0, 0.3)], True, top).replace("Plated,1,2", "Plated,1,3")
    p = rows(tmp_path, "drill.land-without-hole", files)
    assert p["kind"].tolist() == ["all layers"]
    x, y = float(p["x"][0]), float(p["y"][0])
    assert (x - 25.0, y - 20.0) == pytest.approx((0.0, 0.0), abs=0.01)
