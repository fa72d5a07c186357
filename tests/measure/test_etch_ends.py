"""Conductors that stop short of a land, inside its opening in the mask: lengths by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.measure.laid import TURNS, Laid, rows

FINE = 1e-3  # 1 µm


def land(b: Laid, form: str, x: float) -> None:
    """A land 1 mm wide with its opening, 0.15 all round."""
    if form == "flash":
        b.top.flash(b.top.circle(1.0), x, 0)
        b.mask.flash(b.mask.circle(1.3), x, 0)
        return
    for sheet, h in ((b.top, 0.5), (b.mask, 0.65)):
        sheet.region([(x - h, -h), (x + h, -h), (x + h, h), (x - h, h)])


@pytest.mark.parametrize(("unit", "angle"), TURNS)
@pytest.mark.parametrize("form", ["flash", "region"])
def test_an_end_in_the_opening_of_a_land_it_misses(
    tmp_path: Path, unit: str, angle: float, form: str
) -> None:
    b = Laid(unit, angle)
    land(b, "flash", 0)
    land(b, form, 6)
    # The round cap ends 0.1 short of the second land, 0.05 inside its opening.
    b.top.draw(b.top.circle(0.2), 0, 0, 5.3, 0)
    found = rows(b, tmp_path, "etch.dangling-end", "conductor-1")
    # To the first land's copper, past the edge of its opening.
    assert found["value"] == pytest.approx([5.3 - 0.5], abs=FINE)
    assert b.at(found, 0) == pytest.approx((5.3, 0), abs=FINE)


@pytest.mark.parametrize("end", ["touches", "opening of its own", "hole"])
def test_an_end_that_is_a_land_is_not_free(tmp_path: Path, end: str) -> None:
    b = Laid()
    land(b, "flash", 0)
    land(b, "flash", 6)
    far = 5.45 if end == "touches" else 3.0
    b.top.draw(b.top.circle(0.2), 0, 0, far, 0)
    if end == "opening of its own":
        b.mask.flash(b.mask.circle(0.6), far, 0)
    elif end == "hole":
        b.drill([(far, 0, 0.3)])
    assert len(rows(b, tmp_path, "etch.dangling-end", "conductor-1")["value"]) == 0
