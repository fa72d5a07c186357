"""Bare copper against plain shapely over the whole layer, and in closed form."""

from __future__ import annotations

from pathlib import Path

import pytest
import shapely

from dfmcheck.board.assemble import assemble
from dfmcheck.board.nets import hole_polygons
from dfmcheck.intake import open_package
from dfmcheck.measure.finish import finish_areas

SAMPLES = Path(__file__).parents[2] / "sample_boards"


@pytest.mark.parametrize("name", ["tide-logger-clean", "tide-logger-planted"])
def test_bare_copper_is_copper_in_openings_less_holes(name: str) -> None:
    board = assemble(open_package(SAMPLES / name))
    holes = shapely.union_all(hole_polygons(board.holes, board.holes.net >= -1))
    found = finish_areas(board)
    assert len(found) == 2
    for copper, mask in zip((board.copper[0], board.copper[-1]), board.masks, strict=True):
        whole = shapely.union_all(copper.image.parts)
        plain = whole.intersection(shapely.union_all(mask.image.parts)).difference(holes)
        assert found[copper.name] == pytest.approx(plain.area, rel=1e-9)
        assert plain.area > 10
