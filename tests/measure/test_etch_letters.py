"""What is no conductor: letters, islands, hairlines of the drawing, steps of the grid."""

from __future__ import annotations

from pathlib import Path

import pytest

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Finding
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from tests.measure.packages import Sheet, write_board
from tests.measure.test_etch_shapes import board, measured


def findings(tmp_path: Path, sheet: Sheet, rule: str) -> list[Finding]:
    shop = load_shop("volume")
    screening = screen(
        write_board(tmp_path / "job", board(sheet)), workers=1, thickness=1.6,
        reach=shop.limit_reach(),
    )  # fmt: skip
    found = judge(screening, shop, rules=rules()).findings
    return [f for f in found if f.rule == rule and f.layer == "conductor-1"]


def letters(sheet: Sheet, apart: float, x: float) -> None:
    pen = sheet.circle(0.2)
    for n in range(4):
        at = x + n * (0.2 + apart)
        sheet.draw(pen, at, 5, at, 6)


def test_letters_too_near_each_other_are_asked_once(tmp_path: Path) -> None:
    sheet = Sheet()
    letters(sheet, 0.06, -5)
    letters(sheet, 0.065, 5)
    found = findings(tmp_path, sheet, "etch.conductor-spacing")
    assert len(found) == 1
    assert found[0].measured == pytest.approx(0.06, abs=1e-5)
    assert {value for _, _, value in found[0].places} == {0.06, 0.065}


def test_letters_near_a_circuit_are_told_place_by_place(tmp_path: Path) -> None:
    sheet = Sheet()
    pen, land = sheet.circle(0.2), sheet.circle(1.0)
    for x in (-5.0, 5.0):
        sheet.flash(land, x, 0)
        sheet.draw(pen, x + 0.5 + 0.1 + 0.06, -0.2, x + 0.5 + 0.1 + 0.06, 0.2)
    assert len(findings(tmp_path, sheet, "etch.conductor-spacing")) == 2


@pytest.mark.parametrize("land", [False, True])
@pytest.mark.parametrize(("gap", "told"), [(0.01, False), (0.05, True)])
def test_strokes_drawn_to_be_one(tmp_path: Path, gap: float, told: bool, land: bool) -> None:
    """Two arms of one piece; nearer than a tenth of a stroke counts on a circuit only."""
    sheet = Sheet()
    pen = sheet.circle(0.2)
    sheet.draw(pen, -5, 0, 5, 0)
    sheet.draw(pen, 5, 0, 5, 0.2 + gap)
    sheet.draw(pen, 5, 0.2 + gap, -5, 0.2 + gap)
    if land:
        sheet.flash(sheet.circle(0.5), 5.2, 0)
    value = measured(tmp_path, sheet, "etch.notch")["value"]
    assert (value < 0.06).any() == (told or land)


@pytest.mark.parametrize("land", [False, True])
def test_a_hairline_is_called_one(tmp_path: Path, land: bool) -> None:
    sheet = Sheet()
    sheet.draw(sheet.circle(0.004), 0, 0, 8, 0)
    sheet.draw(sheet.circle(0.06), 0, 5, 8, 5)
    if land:
        for y in (0, 5):
            sheet.flash(sheet.circle(1.0), 8, y)
    p = measured(tmp_path, sheet, "etch.conductor-width" if land else "etch.text-stroke")
    told = set(zip(p["value"].round(4).tolist(), p["kind"].tolist(), strict=True))
    assert told == {(0.004, "drawn as a hairline"), (0.06, "conductor" if land else "lone copper")}


def test_no_notch_is_told_beside_a_hairline(tmp_path: Path) -> None:
    sheet = Sheet()
    sheet.region([(-5, -5), (5, -5), (5, 0), (-5, 0)])
    sheet.flash(sheet.circle(1.0), 0, -3)
    sheet.draw(sheet.circle(0.004), -4, -1, -4, 0.03)
    sheet.draw(sheet.circle(0.004), -4, 0.03, 4, 0.03)
    assert not (measured(tmp_path, sheet, "etch.notch")["value"] < 0.1).any()


def test_an_island_is_no_tongue(tmp_path: Path) -> None:
    """A narrow island is asked as an island; a narrow tongue of a wide one as a tongue."""
    sheet = Sheet()
    sheet.region([(0, 0), (2, 0), (2, 0.09), (0, 0.09)])
    assert len(findings(tmp_path / "a", sheet, "etch.copper-sliver")) == 0
    assert len(findings(tmp_path / "b", sheet, "etch.isolated-copper")) == 1
    sheet = Sheet()
    sheet.region([(0, 0), (2, 0), (2, 0.09), (0, 0.09)])
    sheet.region([(2, -1), (4, -1), (4, 1), (2, 1)])
    assert len(findings(tmp_path / "c", sheet, "etch.copper-sliver")) == 1


@pytest.mark.parametrize("y", [0.0, 1.069, 2.3])
@pytest.mark.parametrize(("width", "told"), [(0.099999, False), (0.099, True)])
def test_a_step_of_the_grid_is_no_finding(
    tmp_path: Path, width: float, told: bool, y: float
) -> None:
    """Outlines rounded to a nanometre may leave a slit one nanometre under what was drawn."""
    sheet, w = Sheet(), y + width
    sheet.region([(-5, -5), (5, -5), (5, y), (0.4, y), (-0.4, y), (-5, y)])
    sheet.region([(-5, y), (-0.4, y), (-0.4, w), (0.4, w), (0.4, y), (5, y), (5, 5), (-5, 5)])
    sheet.flash(sheet.circle(1.0), 3, 3)
    assert bool(findings(tmp_path, sheet, "etch.resist-sliver")) == told
