"""Copper outside the profile is not measured, so lands out there must not end in release."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from dfmcheck.screen import screen
from dfmcheck.terms import Weight
from tests.measure.packages import Sheet, write_board


@pytest.mark.parametrize(("land", "weight"), [(True, Weight.QUERY), (False, Weight.NOTE)])
def test_land_outside_is_asked_about_and_a_line_is_noted(
    tmp_path: Path, land: bool, weight: Weight
) -> None:
    top, profile = Sheet(), Sheet()
    pad, pen = top.circle(1.0), profile.circle(0.1)
    corners = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0), (0.0, 0.0)]
    for a, b in pairwise(corners):
        profile.draw(pen, *a, *b)
    top.flash(pad, 5, 5)
    if land:
        top.flash(pad, 20, 5)
    else:
        top.draw(pad, 20, 5, 22, 5)
    files = {"t.gbr": top.text("Copper,L1,Top"), "p.gbr": profile.text("Profile,NP")}
    screening = screen(write_board(tmp_path / "job", files), workers=1)
    (found,) = [d for d in screening.defects if d.rule == "data.outside-profile"]
    assert found.weight is weight
