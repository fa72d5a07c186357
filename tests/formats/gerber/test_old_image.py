"""MI, SF, OF, IR and AS: the painted image against the plain one, transformed by shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.affinity import affine_transform

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Artwork
from dfmcheck.geometry.image import layer_image
from dfmcheck.terms import Weight

HEAD = (
    "%FSLAX24Y24*%%MOMM*%%ADD10C,0.5*%%ADD11R,1X2*%%AMT*21,1,2,.4,.7,.3,20*%%ADD12T*%"
    "%ADD13P,2X3X20*%G01*G75*"
)
EVEN = (  # shapes alike in a mirror; arcs, regions and repeats
    "D10*X10000Y20000D02*X50000Y25000D01*G02*X70000Y5000I0J-20000D01*G01*D11*X90000Y10000D03*"
    "G36*X0Y0D02*X30000D01*G03*X30000Y10000I0J5000D01*G01*X0Y0D01*G37*"
    "%SRX2Y3I60J70*%D11*X0Y50000D03*G36*X10000Y0D02*X20000D01*Y10000D01*X10000Y0D01*G37*"
    "%LPC*%D10*X15000Y2000D03*%LPD*%%SR*%"
)
LOPSIDED = (  # and blocks, turned and mirrored
    "D12*X0Y100000D03*%LMX*LR30*%X50000Y100000D03*%LMN*LR0*%D13*X20000Y150000D03*"
    "%ABD20*%D12*X10000Y0D03*%LMY*%D13*X20000Y10000D03*%LMN*%G36*X0Y0D02*X10000D01*G03*"
    "X10000Y10000I0J5000D01*G01*X0Y0D01*G37*%AB*%D20*X0Y200000D03*%LMX*LR45*LS0.5*%X90000D03*"
    "%LMN*LR0*LS1*%"
)


def read(change: str, body: str) -> Artwork:
    return read_gerber(f"{HEAD}{change}{body}M02*".encode(), "made-up.gbr")


def painted(change: str, body: str) -> shapely.Geometry:
    return shapely.union_all(layer_image(read(change, body)).parts)


@pytest.mark.parametrize(
    ("change", "body", "matrix"),
    [
        ("%MIA1B0*%", EVEN, [-1, 0, 0, 1, 0, 0]),
        ("%MIB1*%", EVEN, [1, 0, 0, -1, 0, 0]),
        ("%MIA1B1*%", EVEN, [-1, 0, 0, -1, 0, 0]),
        ("%OFA12.5B-3*%", EVEN + LOPSIDED, [1, 0, 0, 1, 12.5, -3]),
        ("%IR90*%", EVEN + LOPSIDED, [0, -1, 1, 0, 0, 0]),
        ("%IR180*%", EVEN + LOPSIDED, [-1, 0, 0, -1, 0, 0]),
        ("%IR270*%", EVEN + LOPSIDED, [0, 1, -1, 0, 0, 0]),
        ("%ASAYBX*%", EVEN + LOPSIDED, [0, 1, 1, 0, 0, 0]),
        ("%IR90*%%ASAYBX*%", EVEN + LOPSIDED, [1, 0, 0, -1, 0, 0]),  # turn, then exchange
        ("%OFA10*IR90*%", EVEN + LOPSIDED, [0, -1, 1, 0, 0, 10]),  # shift, then turn
        ("%MIA1B0*OFA10*%", EVEN, [-1, 0, 0, 1, 10, 0]),  # mirror, then shift
    ],
)
def test_painted_as_the_plain_image_transformed(
    change: str, body: str, matrix: list[float]
) -> None:
    plain = painted("", body)
    wanted = affine_transform(plain, matrix)
    found = painted(change, body)
    assert plain.symmetric_difference(wanted).area > 1  # the test would see it left out
    # chords of arcs may start elsewhere: 0.5 µm along the outline
    assert found.symmetric_difference(wanted).area < 0.0005 * plain.length


def test_scale_moves_coordinates_and_keeps_apertures() -> None:
    plain, scaled = read("", EVEN), read("%SFA2B2*%", EVEN)
    for name in ("x0", "y0", "x1", "y1", "cx", "cy"):
        for a, b in (
            (plain.objects, scaled.objects),
            (plain.contours, scaled.contours),
            *zip(plain.blocks, scaled.blocks, strict=True),
        ):
            assert np.array_equal(getattr(a, name) * 2, getattr(b, name), equal_nan=True)
    assert plain.apertures == scaled.apertures
    assert scaled.resolution == 2 * plain.resolution


def test_offset_follows_the_unit() -> None:
    art = read_gerber(b"%FSLAX24Y24*%%MOIN*%%OFA1B0*%%ADD10C,1*%D10*X0Y0D03*M02*", "a")
    assert art.objects.x0.tolist() == [25.4]


def test_places_of_other_defects_follow_the_image() -> None:
    body = "D10*G03*X0Y0D02*X20000Y0I3000J0D01*"
    (plain,) = read("", body).defects
    moved = next(d for d in read("%IR90*%", body).defects if d.x is not None)
    assert (plain.x, plain.y) == (2.0, 0.0)
    assert (moved.x, moved.y) == (0.0, 2.0)


def test_what_is_to_be_asked() -> None:
    (mirror,) = read("%MIA1B0*%", LOPSIDED.split("%ABD20")[0] + "D11*X0Y0D03*").defects
    assert "D12, D13 would look otherwise" in mirror.action and "D11" not in mirror.action
    (negative,) = read("%IPNEG*%", EVEN).defects
    assert negative.weight is Weight.HOLD and "not executed" in negative.action
    blocks = read("%MIA1B0*SFA2B2*OFA1*%", LOPSIDED)
    assert [d.weight for d in blocks.defects] == [Weight.HOLD, Weight.HOLD, Weight.QUERY]
    assert blocks.objects.x0[0] == 1.0  # the offset holds


@pytest.mark.parametrize("text", ["MIA2", "SFA0B1", "SFA-1", "IR45", "OFA1e5", "ASAXBX", "IPMAYBE"])
def test_unreadable_values_are_not_executed(text: str) -> None:
    art = read(f"%{text}*%", EVEN)
    (defect,) = art.defects
    assert defect.weight is Weight.HOLD and text in defect.found
    assert np.array_equal(art.objects.x1, read("", EVEN).objects.x1)
