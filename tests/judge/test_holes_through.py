"""What one hole does on all its layers is one finding, and so is a gap repeated on several."""

from __future__ import annotations

from pathlib import Path

import pytest

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from tests.measure.laid import Laid
from tests.measure.packages import Sheet, write_board


@pytest.mark.parametrize(
    ("rule", "land", "value"),
    [("plate.annular-ring", 0.62, 0.06), ("plate.breakout-angle", 0.0, 360.0)],
)
def test_a_hole_is_asked_about_once_for_all_layers(
    tmp_path: Path, rule: str, land: float, value: float
) -> None:
    b = Laid()
    b.drill([(0.0, 0.0, 0.4), (5.0, 0.0, 0.4)])
    bottom = Sheet()
    bottom.flash(bottom.circle(1.0), 15.0, 15.0)
    for sheet, d in ((b.top, land or 0.2), (bottom, (land or 0.2) + 0.004)):
        sheet.flash(sheet.circle(d), 0.0, 0.0)
        sheet.flash(sheet.circle(1.2), 5.0, 0.0)
    files = b.files() | {"b.gbr": bottom.text("Copper,L2,Bot")}
    shop = load_shop("volume")
    screening = screen(
        write_board(tmp_path / "job", files), workers=1, thickness=1.6, reach=shop.limit_reach()
    )
    (found,) = (f for f in judge(screening, shop, rules=rules()).findings if f.rule == rule)
    assert found.measured == pytest.approx(value, abs=1e-3)
    assert {found.layer, *found.also_on} == {"conductor-1", "conductor-2"}


@pytest.mark.parametrize("far", [0.0, 6.0])
def test_a_gap_at_one_place_on_two_layers_is_one_finding(tmp_path: Path, far: float) -> None:
    """Two lands of one net 0.06 apart on either layer; on the second there or elsewhere."""
    b = Laid()
    bottom = Sheet()
    for sheet, x in ((b.top, 0.0), (bottom, far)):
        sheet.flash(sheet.circle(1.0), x, 0.0)
        sheet.flash(sheet.circle(1.0), x + 1.06, 0.0)
        for end in (x, x + 1.06):
            sheet.draw(sheet.circle(0.3), end, 0.0, end, 3.0)
        sheet.draw(sheet.circle(0.3), x, 3.0, x + 1.06, 3.0)
    b.drill([(0.0, 0.0, 0.4), (far, 0.0, 0.4)][: 2 if far else 1])
    files = b.files() | {"b.gbr": bottom.text("Copper,L2,Bot")}
    shop = load_shop("volume")
    screening = screen(
        write_board(tmp_path / "job", files), workers=1, thickness=1.6, reach=shop.limit_reach()
    )
    found = [f for f in judge(screening, shop, rules=rules()).findings if f.rule == "etch.notch"]
    assert [round(f.measured or 0.0, 3) for f in found] == [0.06] * (2 if far else 1)
    told = [{f.layer, *f.also_on} for f in found]
    both = {"conductor-1", "conductor-2"}
    assert told == ([both] if not far else [{"conductor-1"}, {"conductor-2"}])
