"""Attributes held against images: each contradiction once, and silence where they agree."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from dfmcheck.screen import screen
from dfmcheck.terms import Defect, Weight
from tests.measure.packages import Sheet, drill_text, write_board


def _files() -> dict[str, str]:
    top, bottom, mask, profile = Sheet(), Sheet(), Sheet(), Sheet()
    for sheet in (top, bottom):
        pad = sheet.circle(1.0)
        sheet.flash(pad, 3, 3)
        sheet.flash(pad, 7, 7)
    mask.flash(mask.circle(1.2), 3, 3)
    pen = profile.circle(0.1)
    for a, b in pairwise([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)]):
        profile.draw(pen, *a, *b)
    return {
        "t.gbr": top.text("Copper,L1,Top"),
        "b.gbr": bottom.text("Copper,L2,Bot"),
        "m.gbr": mask.text("Soldermask,Top").replace("%FS", "%TF.FilePolarity,Negative*%\n%FS"),
        "p.gbr": profile.text("Profile,NP"),
        "h.drl": drill_text([(3, 3, 0.4), (7, 7, 0.4)], True, Sheet()),
    }


def _told(folder: Path, files: dict[str, str]) -> list[Defect]:
    screening = screen(write_board(folder, files), workers=1)
    return [d for d in screening.defects if d.rule == "data.attribute-contradiction"]


def test_attributes_that_agree_are_silent(tmp_path: Path) -> None:
    files = _files()
    files["t.gbr"] = _vias(files["t.gbr"])
    assert _told(tmp_path / "job", files) == []


def _vias(text: str) -> str:
    return text.replace("%ADD10", "%TA.AperFunction,ViaPad*%\n%ADD10")


@pytest.mark.parametrize(
    ("file", "old", "new", "weight", "words"),
    [
        ("t.gbr", "%FS", "%TF.FilePolarity,Negative*%\n%FS", Weight.HOLD, "negative"),
        ("m.gbr", "Negative", "Positive", Weight.QUERY, "positive"),
        ("b.gbr", "Copper,L2,Bot", "Copper,L2,Inr", Weight.HOLD, "Inr"),
        ("b.gbr", "Copper,L2,Bot", "Copper,L4,Bot", Weight.HOLD, "conductor 4"),
    ],
)
def test_a_contradiction_is_told(
    tmp_path: Path, file: str, old: str, new: str, weight: Weight, words: str
) -> None:
    files = _files()
    files[file] = files[file].replace(old, new)
    (found,) = _told(tmp_path / "job", files)
    assert (found.file, found.weight) == (file, weight)
    assert words in found.found


def test_two_coordinate_systems_are_told(tmp_path: Path) -> None:
    files = _files()
    for name, system in (("t.gbr", "one"), ("b.gbr", "two")):
        files[name] = files[name].replace("%FS", f"%TF.SameCoordinates,{system}*%\n%FS")
    (found,) = _told(tmp_path / "job", files)
    assert "'two' here and 'one' in t.gbr" in found.found or "'one' here" in found.found


def test_a_via_land_without_a_hole_is_told_at_its_place(tmp_path: Path) -> None:
    files = _files()
    files["t.gbr"] = _vias(files["t.gbr"])
    files["h.drl"] = drill_text([(3, 3, 0.4)], True, Sheet())
    (found,) = _told(tmp_path / "job", files)
    assert (found.x, found.y) == pytest.approx((7, 7))
    assert found.found.startswith("1 of 2 lands")


def test_a_plated_tool_in_an_unplated_file_is_told(tmp_path: Path) -> None:
    files = _files()
    drill = drill_text([(3, 3, 0.4), (7, 7, 0.4)], False, Sheet())
    files["h.drl"] = drill.replace("T1C", "; #@! TA.AperFunction,Plated,PTH,ViaDrill\nT1C", 1)
    (found,) = _told(tmp_path / "job", files)
    assert "stated to be plated" in found.found
