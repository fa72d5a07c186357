"""Depth questions that leave out what lies outside, and holes that meet copper."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from dfmcheck.board.model import Holes
from dfmcheck.board.nets import hole_polygons, holes_met
from dfmcheck.formats.gerber import read_gerber
from dfmcheck.geometry.depth import Inside
from dfmcheck.geometry.image import Image, layer_image
from tests.measure.packages import Sheet


def pour_with_lands() -> Image:
    """A pour, lands and conductors beside it, and a land that meets the pour."""
    sheet = Sheet()
    land, line = sheet.circle(0.8), sheet.circle(0.2)
    sheet.region([(0, 0), (6, 0), (6, 2), (2, 2), (2, 6), (0, 6)])
    for k in range(6):
        sheet.flash(land, 2.7 + 0.6 * k, 3.1 + 0.5 * (k % 3))
        sheet.draw(line, 2.7 + 0.6 * k, 3.1 + 0.5 * (k % 3), 3.0 + 0.6 * k, 5.5)
    sheet.flash(land, 5.0, 2.2)
    return layer_image(read_gerber(sheet.text("Copper,L1,Top").encode(), "t.gbr"))


def some_holes(count: int = 400) -> Holes:
    """Round holes and, every fifth, a slot, all over the image."""
    rng = np.random.default_rng(3)
    x, y = rng.uniform(-1.0, 7.0, (2, count))
    slot = np.arange(count) % 5 == 0
    ones = np.ones(count, dtype=np.int32)
    return Holes(
        x, y, x + 0.4 * slot, y + 0.3 * slot, rng.choice([0.1, 0.25, 0.6], count),
        ones.astype(np.int8), ones, ones, ones * 0, ones, ones, np.arange(count, dtype=np.int32),
        ones * -1, np.zeros(count),
    )  # fmt: skip


@pytest.mark.parametrize("limit", [0.0, 0.07, 0.4])
def test_a_limit_outside_leaves_out_only_what_is_further_out(limit: float) -> None:
    inside, probes = Inside(pour_with_lands()), some_holes().edges
    whole, part = inside.depth(probes, 2.0), inside.depth(probes, 2.0, outside=limit)
    # Outside the value is minus the way back less the radius.
    kept = whole.value > -2 * probes.r - limit + 1e-9
    out = whole.value < -2 * probes.r - limit - 1e-9
    assert kept.sum() > 100 and out.sum() > 20
    for name in ("value", "error", "frm", "at", "part"):
        assert np.array_equal(getattr(whole, name)[kept], getattr(part, name)[kept]), name
    assert np.isnan(part.value[out]).all()


def test_holes_meet_the_parts_their_polygons_meet() -> None:
    image, holes = pour_with_lands(), some_holes()
    polygons = hole_polygons(holes, np.arange(len(holes)))
    expected = np.nonzero(shapely.intersects(image.parts[:, None], polygons[None, :]))
    part, hole = holes_met(holes, image)
    assert len(image.parts) == 3 and len(np.unique(hole)) < len(hole)
    assert np.array_equal(part, expected[0]) and np.array_equal(hole, expected[1])
