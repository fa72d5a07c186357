"""A file that draws nothing: what it means, and that a reading nobody stated is asked about."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from dfmcheck.board.load import load_gerber
from dfmcheck.capability import load_shop
from dfmcheck.judge import Verdict, judge
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from dfmcheck.terms import Role, Weight
from tests.measure.packages import Sheet, drill_text, write_board

HEAD = "%FSLAX46Y46*%%MOMM*%%ADD10C,1*%%LPD*%D10*"
BODIES = {
    "no object": "",
    "only an erasing one": "%LPC*%X1000000Y1000000D03*",
    "a dot that is erased": "X1000000Y1000000D03*%LPC*%X1000000Y1000000D03*",
}


@pytest.mark.parametrize("body", BODIES.values(), ids=BODIES)
@pytest.mark.parametrize(
    ("role", "weight"),
    [
        ("conductor-1", Weight.HOLD),
        ("plane-2", Weight.HOLD),
        ("mask-top", Weight.QUERY),
        ("mask-bottom", Weight.QUERY),
        ("paste-top", Weight.NOTE),
        ("legend-bottom", Weight.NOTE),
    ],
)
def test_a_file_without_image_is_told_by_its_role(role: str, weight: Weight, body: str) -> None:
    loaded = load_gerber("t.gbr", f"{HEAD}{body}M02*".encode(), Role.parse(role), paint=True)
    told = [d for d in loaded.defects if d.rule == "data.empty-layer"]
    assert [(d.weight, d.layer, d.file) for d in told] == [(weight, role, "t.gbr")]


def test_a_profile_without_an_object_is_no_profile() -> None:
    loaded = load_gerber("p.gbr", f"{HEAD}M02*".encode(), Role.parse("profile"), paint=False)
    (told,) = [d for d in loaded.defects if d.rule == "data.empty-layer"]
    assert told.weight is Weight.HOLD


def _package(folder: Path, *, mask_top: bool) -> Path:
    """Two lands joined through the board; the top mask opens them, or draws nothing."""
    copper, mask, outline = Sheet(), Sheet(), Sheet()
    land, opening, pen = copper.circle(2.0), mask.circle(2.2), outline.circle(0.1)
    for x in (5.0, 15.0):
        copper.flash(land, x, 10)
        mask.flash(opening, x, 10)
    corners = [(0.0, 0.0), (20.0, 0.0), (20.0, 20.0), (0.0, 20.0), (0.0, 0.0)]
    for (x0, y0), (x1, y1) in pairwise(corners):
        outline.draw(pen, x0, y0, x1, y1)
    none = Sheet()
    files = {
        "top.gbr": copper.text("Copper,L1,Top"),
        "bottom.gbr": copper.text("Copper,L2,Bot"),
        "mask_top.gbr": (mask if mask_top else none).text("Soldermask,Top"),
        "mask_bottom.gbr": mask.text("Soldermask,Bot"),
        "legend_top.gbr": none.text("Legend,Top"),
        "paste_bottom.gbr": none.text("Paste,Bot"),
        "edge.gbr": outline.text("Profile,NP"),
        "holes.drl": drill_text([(5, 10, 1.0), (15, 10, 1.0)], True, copper),
    }
    return write_board(folder, files)


def test_a_mask_that_draws_nothing_is_asked_with_the_reading_assumed(tmp_path: Path) -> None:
    """Empty legend and paste files alone do not keep a board from release; an empty mask does."""
    volume = load_shop("volume")
    one = {"etch.conductor-width": volume.limits["etch.conductor-width"]}
    shop = replace(volume, limits=one)  # so that nothing but the data decides
    verdicts = {}
    for opened in (True, False):
        package = _package(tmp_path / str(opened), mask_top=opened)
        screened = screen(package, reach=shop.limit_reach(), workers=1)
        judgement = judge(screened, shop, rules=rules())
        verdicts[opened] = judgement.verdict
        told = [f for f in judgement.findings if f.rule == "data.empty-layer"]
        heavy = [f for f in told if f.severity != "note"]
        assert len(told) - len(heavy) == 2
        if opened:
            assert heavy == []
            continue
        (asked,) = heavy
        assert (asked.severity, asked.layer) == ("query", "mask-top")
        assert "openings" in asked.message and "wholly covered" in asked.message
    assert verdicts == {True: Verdict.RELEASE, False: Verdict.QUERY}
