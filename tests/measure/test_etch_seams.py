"""Seams and gaps that are no corner and no closed slit, beside ones that are."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from dfmcheck.screen import screen
from tests.measure.laid import Laid
from tests.measure.packages import Sheet, write_board
from tests.measure.test_etch_shapes import MICRON, measured, pinhole


@pytest.mark.parametrize(("wide", "told"), [(1e-5, False), (0.004, False), (0.008, True)])
def test_a_seam_no_film_shows_is_no_acute_angle(tmp_path: Path, wide: float, told: bool) -> None:
    """Two areas that meet in a point, ``wide`` apart where the shorter ends, 1 mm away."""
    sheet = Sheet()
    sheet.region([(-5, -5), (5, -5), (5, 0), (-5, 0)])
    sheet.region([(-5, 0), (0, 0), (1, wide), (1, 4), (-5, 4)])
    sheet.flash(sheet.circle(1.0), -3, 3)
    p = measured(tmp_path, sheet, "etch.acute-angle")
    sharp = p["value"][p["value"] < 60]
    assert sharp == pytest.approx([math.degrees(math.atan(wide))] if told else [], abs=1e-3)


@pytest.mark.parametrize(("width", "told"), [(0.005, False), (0.008, True)])
def test_a_void_no_film_shows_is_no_pinhole(tmp_path: Path, width: float, told: bool) -> None:
    sheet = Sheet()
    pinhole(sheet, width)
    found = measured(tmp_path, sheet, "etch.pinhole")["value"]
    assert found == pytest.approx([width] if told else [], abs=MICRON)


@pytest.mark.parametrize("one_net", [True, False])
def test_a_slit_is_closed_by_its_own_net_only(tmp_path: Path, one_net: bool) -> None:
    """Two lands, joined on the other layer, in one clearance of a pour; or in a pour's own void.

    The pour keeps 0.1 from lands 0.09 apart: all that is free is about as wide.
    """
    b = Laid()
    b.top.region([(-8, -8), (8, -8), (8, 8), (-8, 8)])
    b.top.body.append("%LPC*%")
    ground = b.top.rectangle(1.09 + 0.2, 0.5 + 0.2)
    b.top.flash(ground, 0, 0)
    b.top.body.append("%LPD*%")
    land = b.top.rectangle(0.5, 0.5)
    for x in (-0.295, 0.295):
        b.top.flash(land, x, 0)
    b.top.flash(b.top.circle(1.0), 5, 5)
    bottom = Sheet()
    bottom.flash(bottom.circle(1.0), 15.0, 15.0)
    if one_net:  # a bar on either side of the gap joins the lands with the pour
        b.top.draw(b.top.circle(0.4), -2, 0, -0.4, 0)
        b.top.draw(b.top.circle(0.4), 0.4, 0, 2, 0)
    else:
        b.drill([(-0.295, 0, 0.2), (0.295, 0, 0.2)])
        bottom.draw(bottom.circle(0.6), -0.295, 0, 0.295, 0)
    files = b.files() | {"b.gbr": bottom.text("Copper,L2,Bot")}
    reach = dict.fromkeys(("etch.resist-sliver", "etch.notch"), 0.12)
    p = screen(
        write_board(tmp_path / "job", files), workers=1, thickness=1.6, reach=reach
    ).places  # fmt: skip
    at = (p["layer"] == "conductor-1") & (np.abs(p["value"] - 0.09) < MICRON)
    told = {rule for rule in p["rule"][at].tolist() if rule in reach}
    assert told == {"etch.resist-sliver" if one_net else "etch.notch"}
