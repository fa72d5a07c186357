"""The worked examples of the Gerber Layer Format Specification, read at run time."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Artwork, Kind
from dfmcheck.terms import Weight

ROOT = Path(__file__).resolve().parents[3]
FOLDER = Path(os.environ.get("DFMCHECK_SPEC_EXAMPLES", ROOT.parent / "shared" / "spec-examples"))
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason=f"no examples in {FOLDER}")


def example(name: str) -> Artwork:
    path = FOLDER / f"example_{name}.gbr"
    return read_gerber(path.read_bytes(), path.name)


def test_all_are_read_to_the_end() -> None:
    for path in sorted(FOLDER.glob("*.gbr")):
        art = read_gerber(path.read_bytes(), path.name)
        assert len(art.objects), path
        assert not [d for d in art.defects if d.weight is Weight.HOLD], path


def test_two_square_boxes() -> None:
    o = example("two_square_boxes").objects
    assert o.kind.tolist() == [Kind.DRAW] * 8
    assert (o.x1.min(), o.x1.max(), o.y1.max()) == (0.0, 11.0, 5.0)


def test_cut_in() -> None:
    art = example("cutin")
    c = art.contours
    assert len(c) == 8 and c.contour.max() == 0
    (arc,) = np.flatnonzero(~np.isnan(c.cx))
    assert (c.x0[arc], c.y0[arc]) == (c.x1[arc], c.y1[arc])  # a full circle
    assert c.cx[arc] == pytest.approx(8 * 25.4) and not c.clockwise[arc]


@pytest.mark.parametrize(
    ("name", "contours", "segments"),
    [
        ("overlapping_contour", 2, 9),
        ("not_overlapping_touching", 2, 9),
        ("fully_coincident", 1, 11),
        ("simple_contour", 1, 7),
    ],
)
def test_contours(name: str, contours: int, segments: int) -> None:
    art = example(name)
    assert len(art.contours) == segments
    assert len(np.unique(art.contours.contour)) == contours
    assert art.objects.kind.tolist() == [Kind.REGION]


def test_single_contours_begin_at_the_current_point() -> None:
    for k in (1, 2, 3):
        c = example(f"single_contour_{k}").contours
        assert (c.x0[0], c.y0[0]) == (0.5, 0.5) and len(c) == 4


def test_level_holes() -> None:
    assert example("level_holes").objects.dark.tolist() == [True, False, True, False]


def test_exposure_modifier() -> None:
    art = example("am_exposure_modifier")
    assert [(p.code, p.exposed) for p in art.apertures[0].primitives] == [(21, True), (1, False)]


def test_holes() -> None:
    assert example("flash_polygon").apertures[1].values == (0.4, 6.0, 0.0, 0.19)
    assert example("flash_rectangle").apertures[1].values == (0.44, 0.25, 0.19)
