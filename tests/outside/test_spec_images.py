"""Areas worked by hand: the examples of the Gerber Layer Format Specification, and our own
snippets of the same meaning for machines that do not have them.

Clause numbers are those of revision 2024.05, from memory. Every case states the area in the
unit of the file and the length of its round outline: straight images must agree to rounding,
round ones to that length times the chord error.
"""

from __future__ import annotations

import os
from math import acos, asin, atan2, hypot, pi, sqrt, tan
from pathlib import Path

import pytest
import shapely

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.image import Image, layer_image
from dfmcheck.terms import Weight

ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(os.environ.get("DFMCHECK_SPEC_EXAMPLES", ROOT.parent / "shared" / "spec-examples"))
INCH = 25.4


def segment(r: float, d: float) -> float:
    """Area a straight cut at distance d from the centre takes off a disc of radius r."""
    return r * r * acos(d / r) - d * sqrt(r * r - d * d)


def lens(r0: float, r1: float, d: float) -> float:
    """Area two discs whose centres are d apart share: a segment of each."""
    x = (d * d + r0 * r0 - r1 * r1) / (2 * d)
    return segment(r0, x) + r1 * r1 * acos((d - x) / r1) - (d - x) * sqrt(r1 * r1 - (d - x) ** 2)


def strip(r: float, w: float) -> float:
    """Area of a disc between two parallels at ±w/2 from its centre."""
    h = w / 2
    return 2 * (h * sqrt(r * r - h * h) + r * r * asin(h / r))


def capsule(length: float, w: float) -> float:
    """A round draw: a rectangle and two half discs."""
    return length * w + pi * w * w / 4


# --- the examples of the specification: (area, length of round outline), in the file's unit


def exposure_modifier() -> tuple[float, float]:
    # 4.5.1: exposure off takes from the macro only, so the draw beneath shows in the hole.
    # Square of 10 less disc of 5, and of the draw 1 wide: what lies in the hole and what lies
    # outside the square. The draw leaves the square by its sides x = ±5 (slope 0.28), so
    # 10 / cos of it is covered.
    x, y = 8.939393, 2.5
    length = 2 * hypot(x, y)
    outside = capsule(length, 1) - 10 * hypot(x, y) / x
    return 100 - pi * 2.5**2 + strip(2.5, 1) + outside, 5 * pi + pi


def holes_dont_clear() -> tuple[float, float]:
    # 4.4.6: likewise for a hole of a standard aperture. Ring 1 / 0.5 and a draw 0.1 wide
    # through its centre, whose ends lie at 1.03, clear of the ring.
    length = 2 * hypot(1, 0.25)
    covered = strip(0.5, 0.1) - strip(0.25, 0.1)
    return pi / 4 * (1 - 0.25) + capsule(length, 0.1) - covered, 1.5 * pi + 0.1 * pi


def level_holes() -> tuple[float, float]:
    # 4.9: square 15 dark; disc of radius 5 clear; square 5 dark; then a clear disc of radius
    # 2.5 about (14, 10), which bites a segment off the small square (its side lies 1.5 from
    # the centre) and, outside the first disc, the rest of itself out of the big square.
    big, small = 15**2 - 25 * pi, 5**2 - segment(2.5, 1.5)
    return big + small - (pi * 2.5**2 - lens(5, 2.5, 4)), 15 * pi


def outline_with_arcs() -> tuple[float, float]:
    # A smooth closed path of straight lines and quarter circles, stroked 0.01 wide: width
    # times length of the path (Pappus; the radius is larger than half the width).
    straight = 2 * (3.34646 - 0.19685) + 2 * (1.77165 - 0.19685)
    return 0.01 * (straight + 2 * pi * 0.19685), 4 * pi * 0.19685


def two_square_boxes() -> tuple[float, float]:
    # Each: outer square with rounded corners less inner square with sharp ones.
    r = 0.005
    return 2 * ((5 + 2 * r) ** 2 - (5 - 2 * r) ** 2 - (4 - pi) * r * r), 2 * 2 * pi * r


def flashed(area: float, hole: float, round_: float) -> tuple[float, float]:
    # The aperture twice, the second time with a round hole.
    return 2 * area - pi * hole * hole / 4, 2 * round_ + pi * hole


# A draw 0.01 wide from the origin (the current point is undefined there; customary) to
# (0.03, 0.05), then a region, a square of side 0.1.
FIRST_DRAW = capsule(hypot(0.03, 0.05), 0.01)


def single_contour_3() -> tuple[float, float]:
    # The draw goes on to (0.5, 0.5), the square's corner. Two capsules that share a joint: the
    # bend φ adds a sector outside and doubles a kite inside; a quarter of the last disc lies
    # in the square.
    r, a, b = 0.005, hypot(0.03, 0.05), hypot(0.47, 0.45)
    bend = atan2(5, 3) - atan2(45, 47)
    draws = 2 * r * (a + b) + pi * r * r + r * r * bend / 2 - r * r * tan(bend / 2)
    return 0.01 + draws - pi * r * r / 4, 2 * pi * r


EXAMPLES: dict[str, tuple[float, float, float]] = {
    # name: unit in mm, area, round outline
    "am_exposure_modifier": (1, *exposure_modifier()),
    # 4.10.3: cut-ins are coincident edges run both ways; the inner contour is a hole.
    "coincident_hole": (1, 10 * 10 - 8 * 8 / 2, 0),
    "cutin": (INCH, 10 * 8 - 9 * pi, 6 * pi),
    "cutin_multiple": (1, 9 * 15 - 4 * 4 - 4 * 3, 0),
    "fully_coincident": (1, 10 * 10 + 8 * 8 / 2, 0),
    # 4.10: each contour is filled, the region is all of them together.
    "not_overlapping_contour": (1, 10 * 10 + 8 * 8 / 2, 0),
    "not_overlapping_touching": (1, 10 * 10 + 9 * 8 / 2, 0),
    "overlapping_contour": (1, 10 * 10, 0),
    "overlapping_touching": (1, 10 * 10, 0),
    "simple_contour": (INCH, 5 * 4 + 8 * 4 / 2, 0),
    "single_contour_1": (1, 0.01 + FIRST_DRAW, 0.01 * pi),
    "single_contour_2": (1, 0.01 + FIRST_DRAW, 0.01 * pi),
    "single_contour_3": (1, *single_contour_3()),
    # 4.4: standard apertures and their holes.
    "flash_circle": (1, *flashed(pi / 16, 0.25, 0.5 * pi)),
    "flash_rectangle": (1, *flashed(0.44 * 0.25, 0.19, 0)),
    "flash_obround": (1, *flashed(0.2 * 0.26 + pi * 0.13**2, 0.19, 0.26 * pi)),
    "flash_polygon": (1, *flashed(3 * sqrt(3) / 2 * 0.2**2, 0.19, 0)),
    "holes_dont_clear": (INCH, *holes_dont_clear()),
    "level_holes": (1, *level_holes()),
    "outline_with_arcs": (INCH, *outline_with_arcs()),
    "two_square_boxes": (1, *two_square_boxes()),
}


def assert_area(image: Image, area: float, round_: float) -> None:
    assert abs(image.area - area) <= CHORD_ERROR * round_ + 1e-9 * area, (image.area, area)


@pytest.mark.parametrize("name", EXAMPLES)
def test_example_of_the_specification(name: str) -> None:
    path = FOLDER / f"example_{name}.gbr"
    if not path.is_file():
        pytest.skip(f"{path} is not there; set DFMCHECK_SPEC_EXAMPLES")
    unit, area, round_ = EXAMPLES[name]
    image = layer_image(read_gerber(path.read_bytes(), path.name))
    assert_area(image, area * unit * unit, round_ * unit)


def test_every_example_is_worked() -> None:
    if not FOLDER.is_dir():
        pytest.skip(f"no examples in {FOLDER}; set DFMCHECK_SPEC_EXAMPLES")
    assert {p.stem.removeprefix("example_") for p in FOLDER.glob("*.gbr")} == set(EXAMPLES)


# --- our own snippets. FSLAX33: 1 mm is written 1000. Extent (x0, y0, x1, y1) beside the area.

HEAD = "%FSLAX33Y33*%\n%MOMM*%\n"
SQUARE_4 = "G36*\nX0Y0D02*\nG01*\nX4000D01*\nY4000D01*\nX0D01*\nY0D01*\nG37*\n"
# An "L" that no turn or mirror maps on itself: 3 wide, 1 high, and an upright to 2 at its left.
ELL = (
    "%ABD20*%\nG36*\nX0Y0D02*\nG01*\nX3000D01*\nY1000D01*\nX1000D01*\nY2000D01*\nX0D01*\nY0D01*\n"
    "G37*\n%AB*%\nD20*\n"
)
TOE = "%ADD11R,1X1*%\nD11*\n%LPC*%\n%LMN*%\n%LR0*%\n%LS1*%\n"
TEXTS: dict[str, tuple[str, float, float, tuple[float, float, float, float]]] = {
    # Cut-in to a round hole of radius 1 in a square of 4.
    "cut-in": (
        "G75*\nG36*\nX0Y0D02*\nG01*\nX4000D01*\nY4000D01*\nX0D01*\nY2000D01*\nX1000D01*\n"
        "G03*\nX1000Y2000I1000J0D01*\nG01*\nX0D01*\nY0D01*\nG37*\n",
        16 - pi, 2 * pi, (0, 0, 4, 4),
    ),
    # One cut-in passes on from the first square hole to the second.
    "cut-in through a hole": (
        "G36*\nX0Y0D02*\nG01*\nY9000D01*\nX4000D01*\nY0D01*\nX1000D01*\nY1000D01*\nX2000D01*\n"
        "Y3000D01*\nX1000D01*\nY5000D01*\nX3000D01*\nY7000D01*\nX1000D01*\nY5000D01*\nY3000D01*\n"
        "Y1000D01*\nY0D01*\nX0D01*\nG37*\n",
        36 - 1 * 2 - 2 * 2, 0, (0, 0, 4, 9),
    ),
    # Dark square 4, clear disc of radius 1 in it, dark square 1 in that, and a clear disc that
    # takes a quarter of itself from the square's corner. 4.9
    "levels": (
        "%ADD10C,2*%\n%ADD11R,1X1*%\n" + SQUARE_4 + "%LPC*%\nD10*\nX2000Y2000D03*\n"
        "%LPD*%\nD11*\nX2000Y2000D03*\n%LPC*%\nD10*\nX0Y0D03*\n",
        16 - pi + 1 - pi / 4, 2 * pi + pi / 2, (0, 0, 4, 4),
    ),
    # 4.4.6: the hole of the flash lets the bar beneath show.
    "hole over a bar": (
        "%ADD10R,6X1*%\n%ADD11R,4X4X2*%\nD10*\nX0Y0D03*\nD11*\nX0Y0D03*\n",
        16 - pi + strip(1, 1) + 2, 2 * pi, (-3, -2, 3, 2),
    ),
    # ... and a clear flash with a hole leaves what the hole shows.
    "clear flash with hole": (
        "%ADD10R,6X6*%\n%ADD11C,4X2*%\nD10*\nX0Y0D03*\n%LPC*%\nD11*\nX0Y0D03*\n",
        36 - 4 * pi + pi, 6 * pi, (-3, -3, 3, 3),
    ),
    # 4.5.1: exposure in order. Square 4, disc off, square 1 on again, over a bar of 6 by 0.5,
    # which shows within the disc beside the small square, and 1 at either end.
    "exposure in order": (
        "%AMRING*\n21,1,4,4,0,0,0*\n1,0,2,0,0*\n21,1,1,1,0,0,0*%\n%ADD10R,6X.5*%\n%ADD11RING*%\n"
        "D10*\nX0Y0D03*\nD11*\nX0Y0D03*\n",
        16 - pi + 1 + (strip(1, 0.5) - 0.5) + 2 * 0.5, 2 * pi, (-3, -2, 3, 2),
    ),
    # An exposure of nought before anything is drawn does nothing.
    "nothing to erase": (
        "%AMM*\n1,0,2,0,0*\n21,1,4,4,0,0,0*%\n%ADD10M*%\nD10*\nX0Y0D03*\n", 16, 0, (-2, -2, 2, 2),
    ),
    # Macro primitives turn about the origin: a square of 2 centred on (3, 0), turned by 90°.
    "primitive turned about the origin": (
        "%AMM*\n21,1,2,2,3,0,90*%\n%ADD10M*%\nD10*\nX1000Y1000D03*\n", 4, 0, (0, 3, 2, 5),
    ),
    # Vector line: ends cut square. Outline: closed triangle. Polygon: hexagon.
    "vector line": (
        "%AMM*\n20,1,1,0,0,0,4,-90*%\n%ADD10M*%\nD10*\nX0Y0D03*\n", 4, 0, (0, -0.5, 4, 0.5),
    ),
    "outline with arithmetic": (
        "%AMM*\n$3=$1x2*\n4,1,3,0,0,$3,0,0,$2-1,0,0,0*%\n%ADD10M,2X4*%\nD10*\nX0Y0D03*\n",
        4 * 3 / 2, 0, (0, 0, 4, 3),
    ),
    "polygon primitive": (
        "%AMM*\n5,1,6,0,0,4,0*%\n%ADD10M*%\nD10*\nX0Y0D03*\n",
        6 * sqrt(3), 0, (-2, -sqrt(3), 2, sqrt(3)),
    ),
    # Thermal: a ring 8 / 4 less a cross of bars 1 wide, each bar half a strip of the ring.
    "thermal": (
        "%AMM*\n7,0,0,8,4,1,0*%\n%ADD10M*%\nD10*\nX0Y0D03*\n",
        pi * (16 - 4) - 2 * (strip(4, 1) - strip(2, 1)), 12 * pi,
        (-sqrt(16 - 0.25), -sqrt(16 - 0.25), sqrt(16 - 0.25), sqrt(16 - 0.25)),
    ),
    # Moiré: ring 8 / 6, ring 4 / 2 (gap 1), cross hairs 10 long, 0.5 wide: they add what lies
    # in the centre, in the gap and outside, less the square counted twice in the centre.
    "moire": (
        "%AMM*\n6,0,0,8,1,1,2,0.5,10,0*%\n%ADD10M*%\nD10*\nX0Y0D03*\n",
        pi * (16 - 9 + 4 - 1) + 2 * (strip(1, 0.5) + strip(3, 0.5) - strip(2, 0.5)
                                     + 5 - strip(4, 0.5)) - 0.25,
        20 * pi, (-5, -5, 5, 5),
    ),
    # 4.9: mirror in x, scale by 2, turn by 90°, in that order. (x, y) goes to (-2y, -2x): the
    # toe of the L, (2..3, 0..1), lies at (-2..0, -6..-4); a clear square of 1 in it proves it.
    "block transformed": (
        ELL + "%LMX*%\n%LS2*%\n%LR90*%\nX0Y0D03*\n" + TOE + "X-1000Y-5000D03*\n",
        4 * 4 - 1, 0, (-4, -6, 0, 0),
    ),
    # Mirror in y and x is a half turn; scale about the flash point.
    "block mirrored in both": (
        ELL + "%LMXY*%\n%LS.5*%\nX5000Y5000D03*\n%LPD*%\n", 4 / 4, 0, (3.5, 4, 5, 5),
    ),
    # 4.11: a block in a block, turned twice: L turned by 90° within, then by 90° outside.
    "block in a block": (
        ELL.removesuffix("D20*\n") + "%ABD21*%\nD20*\n%LR90*%\nX1000Y0D03*\n%LR0*%\n%AB*%\n"
        "D21*\n%LR90*%\nX0Y0D03*\n%LR0*%\n",
        4, 0, (-3, -1, 0, 1),
    ),
    # A clear flash of a block takes away where the block is dark and adds where it is clear:
    # block of a dark square 4 with a clear square 2; flashed clear over a dark square of 3.
    "block flashed clear": (
        "%ADD10R,4X4*%\n%ADD11R,2X2*%\n%ADD12R,6X3*%\n%ABD20*%\nD10*\nX0Y0D03*\n%LPC*%\nD11*\n"
        "X0Y0D03*\n%LPD*%\n%AB*%\nD12*\nX0Y0D03*\n%LPC*%\nD20*\nX0Y0D03*\n",
        6 * 3 - 4 * 3 + 2 * 2, 0, (-3, -1.5, 3, 1.5),
    ),
    # 4.12 (step and repeat): the copies are painted one after the other. Each has a clear
    # square at its right side, which the next copy covers again.
    "repeat in order": (
        "%ADD10R,4X4*%\n%ADD11R,2X2*%\n%SRX2Y1I3.0J0*%\nD10*\nX2000Y2000D03*\n%LPC*%\nD11*\n"
        "X4000Y2000D03*\n%SR*%\n",
        7 * 4 - 1 * 2, 0, (0, 0, 7, 4),
    ),
    # First upwards, then to the right: the clear part of the copy at right below falls on the
    # dark one at left above, which is painted already.
    "repeat first upwards": (
        "%ADD10R,1X1*%\n%ADD11R,.5X1*%\n%SRX2Y2I3.0J3.0*%\nD10*\nX500Y500D03*\n%LPC*%\nD11*\n"
        "X-2750Y3500D03*\n%SR*%\n",
        4 - 0.5, 0, (0, 0, 4, 4),
    ),
    # G75: three quarters of a circle, counter-clockwise and clockwise, as regions.
    "multi quadrant": (
        "G75*\nG36*\nX2000Y0D02*\nG03*\nX0Y-2000I-2000J0D01*\nG01*\nX0Y0D01*\nX2000Y0D01*\nG37*\n"
        "G36*\nX10000Y2000D02*\nG02*\nX8000Y0I0J-2000D01*\nG01*\nX10000D01*\nY2000D01*\nG37*\n",
        2 * 3 / 4 * 4 * pi, 6 * pi, (-2, -2, 12, 2),
    ),
    # G74: offsets carry no sign, no arc is longer than a quarter circle: four of them.
    "single quadrant": (
        "G74*\nG36*\nX2000Y0D02*\nG03*\nX0Y2000I2000J0D01*\nX-2000Y0I0J2000D01*\n"
        "X0Y-2000I2000J0D01*\nX2000Y0I0J2000D01*\nG37*\n",
        4 * pi, 4 * pi, (-2, -2, 2, 2),
    ),
    # A quarter circle stroked 1 wide: a quarter ring and two half discs.
    "arc drawn": (
        "%ADD10C,1*%\nG75*\nD10*\nX5000Y0D02*\nG03*\nX0Y5000I-5000J0D01*\n",
        1 * 5 * pi / 2 + pi / 4, 5 * pi + pi, (-0.5, -0.5, 5.5, 5.5),
    ),
    # 4.10: contours of one region that overlap are filled one by one and united.
    "contours that overlap": (
        "G36*\nX0Y0D02*\nG01*\nX4000D01*\nY4000D01*\nX0D01*\nY0D01*\nX2000Y2000D02*\nX6000D01*\n"
        "Y6000D01*\nX2000D01*\nY2000D01*\nG37*\n",
        16 + 16 - 4, 0, (0, 0, 6, 6),
    ),
    # ... whichever way round each is drawn.
    "contour within a contour": (
        "G36*\nX0Y0D02*\nG01*\nX4000D01*\nY4000D01*\nX0D01*\nY0D01*\nX1000Y1000D02*\nY2000D01*\n"
        "X2000D01*\nY1000D01*\nX1000D01*\nG37*\n",
        16, 0, (0, 0, 4, 4),
    ),
    # 4.8.2: a rectangle drawn at 45° covers itself twice and the parallelograms between.
    "rectangle drawn": (
        "%ADD10R,2X1*%\nD10*\nX0Y0D02*\nG01*\nX3000Y3000D01*\n",
        2 * 1 + 3 * (2 + 1), 0, (-1, -0.5, 4, 3.5),
    ),
    # 4.9: apertures are turned and scaled too, and drawn lines get wider by LS.
    "aperture turned and scaled": (
        "%ADD10R,2X1*%\n%ADD11C,1*%\n%LS2*%\n%LR90*%\nD10*\nX0Y0D03*\nD11*\nX10000Y0D02*\nG01*\n"
        "X14000D01*\n",
        8 + capsule(4, 2), 2 * pi, (-1, -2, 15, 2),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", TEXTS)
def test_own_snippet(name: str) -> None:
    text, area, round_, extent = TEXTS[name]
    art = read_gerber((HEAD + text + "M02*\n").encode(), f"{name}.gbr")
    image = layer_image(art)
    assert not [d for d in (*art.defects, *image.defects) if d.weight is Weight.HOLD]
    assert_area(image, area, round_)
    at = shapely.total_bounds(image.parts)
    slack = CHORD_ERROR if round_ else 1e-9
    assert at == pytest.approx(extent, abs=2 * slack), (at, extent)
