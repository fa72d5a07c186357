"""Copper near the profile: what is asked once for a layer, and what place by place."""

from __future__ import annotations

from pathlib import Path

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Finding
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from tests.measure.laid import Laid
from tests.measure.packages import write_board


def _told(b: Laid, folder: Path) -> list[Finding]:
    shop = load_shop("volume")
    screening = screen(
        write_board(folder, b.files()), workers=1, thickness=1.6, reach=shop.limit_reach()
    )
    found = judge(screening, shop, rules=rules()).findings
    return [f for f in found if f.rule == "rout.copper-to-profile" and f.layer == "conductor-1"]


def test_lands_and_pours_are_asked_once_a_layer_and_conductors_one_by_one(tmp_path: Path) -> None:
    b = Laid()
    # The profile is 40 mm square: everything lies 0.1 mm inside it, far apart.
    for x in (-15.0, -5.0, 5.0):
        b.top.flash(b.top.circle(2.0), x, 18.9)
    for y in (-15.0, 0.0, 15.0):
        b.top.region([(17.0, y), (19.9, y), (19.9, y + 2), (17.0, y + 2)])
    for x in (-15.0, -5.0):
        b.top.draw(b.top.circle(0.2), x, -19.8, x + 3, -19.8)
    # The second leaves the edge and comes back.
    for one, two in (((-2, -19.8), (-2, -15)), ((-2, -15), (3, -15)), ((3, -15), (3, -19.8)),
                     ((3, -19.8), (5, -19.8))):  # fmt: skip
        b.top.draw(b.top.circle(0.2), *one, *two)
    found = _told(b, tmp_path / "job")
    assert {round(f.measured, 3) for f in found} == {0.1}
    assert len(found) == 4, [f.message for f in found]  # lands, pours, and two conductors
    # Places are told from the corner of the board, 20 mm off the middle.
    spread = [{round(x) - 20 for x, _, _ in f.places} for f in found if f.places]
    assert any({-15, -5, 5} <= xs for xs in spread)  # all the lands in one
    assert any(xs == {20} for xs in spread)  # all the pours, at the right-hand edge
