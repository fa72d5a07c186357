"""One image drawn three ways lies over holes by the same amount: the radius less the distance
from the hole's middle to the image, and never more than the radius."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.measure.laid import Laid, rows
from tests.measure.packages import Sheet

NEAR = 1e-3  # 1 µm
W, H = 2.0, 1.0  # of the image, from the origin


def flash(sheet: Sheet) -> None:
    sheet.flash(sheet.rectangle(W, H), W / 2, H / 2)


def region(sheet: Sheet) -> None:
    sheet.region([(0.0, 0.0), (W, 0.0), (W, H), (0.0, H)])


def strokes(sheet: Sheet) -> None:
    """Rounded at the corners, where no hole is."""
    pen, t = sheet.circle(0.5), 0.25
    for y in (t, H - t):
        sheet.draw(pen, t, y, W - t, y)
    for x in (t, W - t):
        sheet.draw(pen, x, t, x, H - t)


HOLES = [  # x, y, diameter, distance of the middle from the image
    (W + 0.3, 0.5, 1.0, 0.3),
    (1.0, -0.3, 0.9, 0.3),
    (1.0, 0.4, 0.7, 0.0),
    (1.0, H + 0.05, 0.7, 0.05),
    (1.0, H - 0.05, 0.6, 0.0),
    (-0.6, 0.5, 0.9, 0.6),
]


@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize("drawn", [flash, region, strokes])
@pytest.mark.parametrize(
    ("sheet", "rule"),
    [("paste", "stencil.opening-over-hole"), ("legend", "legend.ink-in-hole")],
)
def test_depth_over_a_hole_is_of_the_image(
    tmp_path: Path, sheet: str, rule: str, drawn: Callable[[Sheet], None], unit: str
) -> None:
    for number, (x, y, d, away) in enumerate(HOLES):
        b = Laid(unit)
        b.top.region([(-10, -10), (10, -10), (10, 10), (-10, 10)])
        drawn(getattr(b, sheet))
        b.drill([(x, y, d)], plated=False)
        found = rows(b, tmp_path / str(number), rule, f"{sheet}-top")
        assert found["value"] == pytest.approx([away - d / 2], abs=NEAR)
        assert found["hole"] == pytest.approx([d], abs=1e-6)
        if away == 0:
            assert b.at(found, 0) == pytest.approx((x, y), abs=1e-6)
