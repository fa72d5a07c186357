"""Worked figures of published standards, judged with the shop that states them.

Each board stands exactly at the figure and must pass; 2 µm (or the like) past it must not.
All figures are values from memory.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from tests.measure.packages import Sheet, drill_text, write_board

SQUARE = [(-20.0, -20.0), (20.0, -20.0), (20.0, 20.0), (-20.0, 20.0)]
LEVELS = ("level-a", "level-b", "level-c")


def board(
    sheets: dict[str, Sheet], holes: list[tuple[float, float, float]], inner: int = 0
) -> dict[str, str]:
    """A board of given sheets by FileFunction, with what else makes it whole."""
    profile = Sheet()
    pen = profile.circle(0.1)
    for a, b in zip(SQUARE, SQUARE[1:] + SQUARE[:1], strict=True):
        profile.draw(pen, *a, *b)
    last = 2 + inner
    files = {"profile.gbr": profile.text("Profile,NP")}
    wanted = ["Copper,L1,Top", *(f"Copper,L{n},Inr" for n in range(2, last)), f"Copper,L{last},Bot"]
    for function in dict.fromkeys([*wanted, *sheets]):
        sheet = sheets.get(function)
        if sheet is None:
            sheet = Sheet()
            sheet.flash(sheet.circle(3.0), 15.0, 15.0)
        files[function.replace(",", "-") + ".gbr"] = sheet.text(function)
    if holes:
        text = drill_text(holes, True, Sheet())
        files["holes.drl"] = text.replace("Plated,1,2", f"Plated,1,{last}")
    return files


def fails(tmp_path: Path, files: dict[str, str], rule: str, tier: str, thickness: float) -> bool:
    shop = load_shop("published")
    folder = write_board(tmp_path / "job", files)
    screening = screen(folder, thickness=thickness, reach=shop.limit_reach(), workers=1)
    assert any(id_ == rule for id_, _ in screening.measured)
    assert (screening.places["rule"] == rule).any()
    found = judge(screening, shop, tier=tier, rules=rules()).findings
    return any(f.rule == rule for f in found)


# IPC-2221 9.1.1: land = a + 2b + c, a the largest finished hole, b the smallest ring of table
# 9-2 (external supported 0.05 mm, internal supported 0.03 mm), c the fabrication allowance of
# table 9-1 (level A 0.4, B 0.25, C 0.2 mm). For a hole of 0.8 mm:
OUTER = {"level-a": 1.30, "level-b": 1.15, "level-c": 1.10}
INNER = {"level-a": 1.26, "level-b": 1.11, "level-c": 1.06}


@pytest.mark.parametrize("tier", LEVELS)
@pytest.mark.parametrize("where", ["outer", "inner"])
def test_land_size(tmp_path: Path, tier: str, where: str) -> None:
    lands = OUTER if where == "outer" else INNER
    for land, past in ((lands[tier], False), (lands[tier] - 0.002, True)):
        sheets = {}
        for function in ("Copper,L1,Top", "Copper,L2,Inr", "Copper,L3,Inr", "Copper,L4,Bot"):
            sheet = Sheet()
            # The layers not asked about have room to spare.
            mine = function.endswith("Inr") == (where == "inner")
            sheet.flash(sheet.circle(land if mine else 2.0), 0, 0)
            sheets[function] = sheet
        files = board(sheets, [(0.0, 0.0, 0.8)], inner=2)
        assert fails(tmp_path / str(past), files, "plate.annular-ring", tier, 1.6) is past


# IPC-2222, hole aspect ratio: level A up to 5:1, level B up to 8:1. Board 1.6 mm.
@pytest.mark.parametrize(("tier", "hole"), [("level-a", 0.32), ("level-b", 0.20)])
def test_aspect_ratio(tmp_path: Path, tier: str, hole: float) -> None:
    for size, past in ((hole, False), (hole - 0.005, True)):
        top = Sheet()
        top.flash(top.circle(1.5), 0, 0)
        files = board({"Copper,L1,Top": top}, [(0.0, 0.0, size)])
        assert fails(tmp_path / str(past), files, "drill.aspect-ratio", tier, 1.6) is past


# IPC-7525 3.2.2.1: area ratio = opening area / wall area, at least 0.66; of a rectangle
# L·W / (2·(L+W)·T), of a circle D / (4·T). Foil 0.125 mm: D = 0.33 mm; of
# L = 0.8 mm (below 5·W, where the area ratio rules) the narrowest W is 0.8 · 0.165 / (0.8 -
# 0.165) = 0.20787 mm.
@pytest.mark.parametrize("shape", ["circle", "rectangle"])
def test_stencil_area_ratio(tmp_path: Path, shape: str) -> None:
    foil, k = 0.125, 0.66 * 2 * 0.125
    wanted = 0.66 * 4 * foil if shape == "circle" else 0.8 * k / (0.8 - k)
    assert wanted == pytest.approx(0.33 if shape == "circle" else 0.20787, abs=1e-5)
    for size, past in ((math.ceil(wanted * 1e6) / 1e6, False), (wanted - 0.002, True)):
        paste, top, mask = Sheet(), Sheet(), Sheet()
        for sheet, grown in ((paste, 0.0), (top, 0.1), (mask, 0.2)):
            if shape == "circle":
                code = sheet.circle(size + grown)
            else:
                sheet.apertures.append(f"R,{0.8 + grown:.9f}X{size + grown:.9f}")
                code = 9 + len(sheet.apertures)
            sheet.flash(code, 0, 0)
        sheets = {"Copper,L1,Top": top, "Soldermask,Top": mask, "Paste,Top": paste}
        files = board(sheets, [])
        assert fails(tmp_path / str(past), files, "stencil.area-ratio", "level-b", 1.6) is past


# IPC-7525 3.2.2.1: aspect ratio = width / foil thickness, at least 1.5: 0.1875 mm.
def test_stencil_aspect_ratio(tmp_path: Path) -> None:
    for width, past in ((0.1875, False), (0.1855, True)):
        paste, top, mask = Sheet(), Sheet(), Sheet()
        for sheet, grown in ((paste, 0.0), (top, 0.1), (mask, 0.2)):
            sheet.apertures.append(f"R,{4.0 + grown:.9f}X{width + grown:.9f}")
            sheet.flash(9 + len(sheet.apertures), 0, 0)
        sheets = {"Copper,L1,Top": top, "Soldermask,Top": mask, "Paste,Top": paste}
        files = board(sheets, [])
        assert fails(tmp_path / str(past), files, "stencil.aspect-ratio", "level-b", 1.6) is past


# IPC-2221 table 6-1, external uncoated conductors, 0 to 15 V: 0.1 mm; clause 10.1.1, conductor
# width of level C: 0.1 mm.
def test_spacing_and_width_of_level_c(tmp_path: Path) -> None:
    for value, past in ((0.1, False), (0.098, True)):
        for rule in ("etch.conductor-spacing", "etch.conductor-width"):
            top = Sheet()
            width = value if rule.endswith("width") else 0.3
            gap = value if rule.endswith("spacing") else 0.3
            track, land = top.circle(width), top.circle(1.0)
            for y in (0.0, width + gap):
                top.draw(track, -5, y, 5, y)
                # Lands at far ends make them nets of a circuit.
                top.draw(track, -5, y, -6, y + (2.0 if y else -2.0))
                top.flash(land, -6, y + (2.0 if y else -2.0))
            files = board({"Copper,L1,Top": top}, [])
            folder = tmp_path / rule / str(past)
            assert fails(folder, files, rule, "level-c", 1.6) is past
