"""Stencil ratios against the worked examples of IPC-7525 (table 3-1; values from memory).

The table gives openings and foils in mil: length, width, foil, aspect ratio, area ratio.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dfmcheck.board.assemble import assemble
from dfmcheck.intake import open_package
from dfmcheck.measure.stencil import opening_sizes
from tests.measure.laid import Laid
from tests.measure.packages import write_board

MIL = 0.0254
EXAMPLES = [
    ("leads at 20 mil", "rectangle", 50, 10, 5, 2.0, 0.83),
    ("leads at 16 mil", "rectangle", 50, 7, 5, 1.4, 0.61),
    ("balls at 50 mil", "circle", 25, 25, 6, 4.2, 1.04),
    ("balls at 40 mil", "circle", 15, 15, 5, 3.0, 0.75),
    ("balls at 30 mil, small", "rectangle", 11, 11, 5, 2.2, 0.55),
    ("balls at 30 mil", "rectangle", 13, 13, 5, 2.6, 0.65),
]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e[0].replace(" ", "-"))
@pytest.mark.parametrize("angle", [0.0, 45.0, 17.0])
def test_worked_examples(tmp_path: Path, example: tuple[object, ...], angle: float) -> None:
    _, shape, long, wide, foil, aspect, area = example
    w, h, t = (float(str(v)) * MIL for v in (long, wide, foil))
    b = Laid("inch", angle)
    b.top.region([(-2, -2), (2, -2), (2, 2), (-2, 2)])
    if shape == "circle":
        b.paste.flash(b.paste.circle(w), 0, 0)
    else:
        b.paste.region([(0, 0), (w, 0), (w, h), (0, h)])
    board = assemble(open_package(write_board(tmp_path / "job", b.files()), roles={}))
    sizes = opening_sizes(board.pastes[0].image)
    # The table rounds; 1.4 and 4.2 stand for 1.40 and 4.17.
    assert sizes.width[0] / t == pytest.approx(float(str(aspect)), abs=0.05)
    assert sizes.ratio[0] / t == pytest.approx(float(str(area)), abs=0.005)


def test_an_opening_with_an_inner_corner_has_its_arm_for_width(tmp_path: Path) -> None:
    b = Laid()
    b.paste.region([(0, 0), (0.4, 0), (0.4, 0.2), (0.2, 0.2), (0.2, 0.5), (0, 0.5)])
    b.top.region([(-2, -2), (2, -2), (2, 2), (-2, 2)])
    board = assemble(open_package(write_board(tmp_path / "job", b.files()), roles={}))
    image = board.pastes[0].image
    sizes = opening_sizes(image)
    assert sizes.area[0] == pytest.approx(0.4 * 0.2 + 0.2 * 0.3)
    assert sizes.perimeter[0] == pytest.approx(2 * (0.4 + 0.5))
    assert np.isclose(sizes.width[0], 0.2, atol=1e-6)
