"""Sizes, slots and tools against values worked by hand, turned, in mm and in inch."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from dfmcheck.measure.places import Places
from dfmcheck.screen import screen
from tests.measure.packages import Sheet, drill_text, write_board
from tests.measure.test_closed_forms import EXACT, TURNS, sheets

Slot = tuple[float, float, float, float, float]


def slot_text(slots: list[Slot], plated: bool, sheet: Sheet) -> str:
    """XNC text of straight slots (x0, y0, x1, y1, width), each a routed path of its own."""
    sizes = sorted({s[4] for s in slots})
    t = math.radians(sheet.angle)
    k = 25.4 if sheet.unit == "inch" else 1.0

    def at(x: float, y: float) -> str:
        u, v = x * math.cos(t) - y * math.sin(t), x * math.sin(t) + y * math.cos(t)
        return f"X{u / k:.9f}Y{v / k:.9f}"

    kind = "Plated,1,2,PTH" if plated else "NonPlated,1,2,NPTH"
    lines = ["M48", f"; #@! TF.FileFunction,{kind}", "INCH" if sheet.unit == "inch" else "METRIC"]
    lines += [f"T{i}C{d / k:.9f}" for i, d in enumerate(sizes, start=1)] + ["%", "G05"]
    for i, size in enumerate(sizes, start=1):
        lines.append(f"T{i}")
        for x0, y0, x1, y1, width in slots:
            if width == size:
                lines += [f"G00{at(x0, y0)}", "M15", f"G01{at(x1, y1)}", "M16", "G05"]
    return "\n".join([*lines, "M30", ""])


def rows(tmp_path: Path, rule: str, files: dict[str, str]) -> Places:
    places = screen(write_board(tmp_path / "job", files), workers=1, thickness=1.6).places
    return places.take(np.flatnonzero(places["rule"] == rule))


def plain(unit: str, angle: float) -> tuple[Sheet, dict[str, str]]:
    top, _, files = sheets(unit, angle)
    top.flash(top.circle(1.0), 15.0, -15.0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    return top, files


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_one_place_per_tool(tmp_path: Path, unit: str, angle: float) -> None:
    top, files = plain(unit, angle)
    holes = [(0.0, 0.0, 0.3), (2.0, 1.0, 0.3), (4.0, 0.0, 0.31), (6.0, 0.0, 3.2)]
    files["d.drl"] = drill_text(holes, True, top)
    for rule in ("drill.smallest-diameter", "drill.largest-diameter"):
        p = rows(tmp_path, rule, files)
        assert p["value"].tolist() == pytest.approx([0.3, 0.31, 3.2], abs=EXACT)
        assert p["kind"].tolist() == ["2 holes", "1 hole", "1 hole"]
        assert np.hypot(p["x"][2] - p["x"][0], p["y"][2] - p["y"][0]) == pytest.approx(6, abs=EXACT)
    p = rows(tmp_path, "drill.tool-spacing", files)
    assert p["value"].tolist() == pytest.approx([0.01, 2.89], abs=EXACT)
    p = rows(tmp_path, "drill.tool-count", files)
    assert p["value"].tolist() == [3.0]


def test_a_step_in_two_files_of_one_role_is_told_once(tmp_path: Path) -> None:
    top, files = plain("mm", 0.0)
    holes = [(0.0, 0.0, 0.3), (4.0, 0.0, 0.31)]
    files["d.drl"] = drill_text(holes, True, top)
    files["again.drl"] = drill_text([*holes, (6.0, 0.0, 0.5)], True, top)
    files["bare.drl"] = drill_text([(8.0, 0.0, 0.3), (9.0, 0.0, 0.31)], False, top)
    p = rows(tmp_path, "drill.tool-spacing", files)
    assert sorted(p["value"].tolist()) == pytest.approx([0.01, 0.01, 0.19], abs=EXACT)
    assert sorted(p["plated"].tolist()) == [0, 1, 1]


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_slots(tmp_path: Path, unit: str, angle: float) -> None:
    top, files = plain(unit, angle)
    slots = [(0.0, 0.0, 0.9, 0.0, 0.6), (0.0, 3.0, 0.6, 3.8, 0.8)]
    files["d.drl"] = slot_text(slots, True, top)
    assert rows(tmp_path, "drill.slot-width", files)["value"].tolist() == pytest.approx(
        [0.6, 0.8], abs=EXACT
    )
    ratio = rows(tmp_path, "drill.slot-ratio", files)
    assert ratio["value"].tolist() == pytest.approx([1.5 / 0.6, 1.8 / 0.8], abs=EXACT)
    assert len(rows(tmp_path, "drill.smallest-diameter", files)) == 0


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_overlaps_are_told_apart(tmp_path: Path, unit: str, angle: float) -> None:
    top, files = plain(unit, angle)
    holes = [
        (-8.0, 0.0, 1.0), (-7.3, 0.0, 0.8),  # 0.2 into each other
        (-4.0, 0.0, 1.0), (-4.0, 0.0, 0.6),  # concentric
        (0.0, 0.0, 1.2), (0.2, 0.1, 0.5),  # swallowed
        *((4.0 + 0.3 * n, 0.4 * n, 0.9) for n in range(4)),  # nibbled
        (10.0, 5.0, 0.5), (10.0, 5.0, 0.5),  # a repeat: a defect of the data
        (10.0, -5.0, 0.5), (10.6, -5.0, 0.5),  # 0.1 apart
    ]  # fmt: skip
    files["d.drl"] = drill_text(holes, False, top)
    p = rows(tmp_path, "drill.overlapping-hits", files)
    found = sorted(zip(p["kind"].tolist(), p["value"].tolist(), strict=True))
    expected = [
        ("concentric", 0.8), ("inside", 0.85 - math.hypot(0.2, 0.1)),
        ("nibbled", 0.4), ("nibbled", 0.4), ("nibbled", 0.4), ("overlap", 0.2),
    ]  # fmt: skip
    assert [kind for kind, _ in found] == [kind for kind, _ in expected]
    assert [v for _, v in found] == pytest.approx([v for _, v in expected], abs=EXACT)
    assert len(set(p["group"][p["kind"] == "nibbled"].tolist())) == 1
    wall = rows(tmp_path, "drill.hole-to-hole", files)["value"]
    assert wall.min() == pytest.approx(0.1, abs=EXACT)
