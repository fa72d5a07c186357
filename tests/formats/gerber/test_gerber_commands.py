"""Every command of the Gerber reader on small made-up files."""

from __future__ import annotations

import numpy as np
import pytest

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Artwork, Kind
from dfmcheck.terms import Weight

HEAD = "%FSLAX24Y24*%%MOMM*%%ADD10C,0.5*%%ADD11R,1X2*%G01*G75*"


def read(body: str, head: str = HEAD, end: str = "M02*") -> Artwork:
    return read_gerber((head + body + end).encode(), "made-up.gbr")


def rules(art: Artwork, least: Weight = Weight.NOTE) -> set[str]:
    return {d.rule for d in art.defects if d.weight >= least}


def test_draw_move_flash() -> None:
    art = read("D10*X10000Y20000D02*X30000D01*D11*Y-5000D03*")
    o = art.objects
    assert o.kind.tolist() == [Kind.DRAW, Kind.FLASH]
    assert (o.x0[0], o.y0[0], o.x1[0], o.y1[0]) == (1.0, 2.0, 3.0, 2.0)
    assert (o.x0[1], o.y0[1], o.x1[1], o.y1[1]) == (3.0, -0.5, 3.0, -0.5)
    assert o.aperture.tolist() == [0, 1]
    assert np.isnan(o.cx).all()
    assert not art.defects and not art.assumptions


def test_inch_is_converted_with_one_rounding() -> None:
    art = read("D10*X15000Y1D03*", HEAD.replace("MM", "IN"))
    assert art.unit == "inch"
    assert art.objects.x0[0] == 38.1
    assert art.objects.y0[0] == 0.00254
    assert art.apertures[0].values == (12.7,)
    assert art.resolution == pytest.approx(0.00254)


def test_trailing_zeros_omitted() -> None:
    art = read("D10*X1Y-0123D03*X012D03*", HEAD.replace("FSLA", "FSTA"))
    assert art.objects.x0.tolist() == [10.0, 1.2]
    assert art.objects.y0.tolist() == [-1.23, -1.23]


def test_incremental_notation_and_switch() -> None:
    art = read(
        "D10*X10000Y0D03*X10000D03*G90*X0D03*G91*X5000Y5000D03*", HEAD.replace("FSLA", "FSLI")
    )
    assert art.objects.x0.tolist() == [1.0, 2.0, 0.0, 0.5]
    assert art.objects.y0.tolist() == [0.0, 0.0, 0.0, 0.5]


def test_coordinates_without_operation_code_repeat_the_last() -> None:
    art = read("D10*X0Y0D02*X10000D01*Y10000*X0*D3*X50000*")
    assert art.objects.kind.tolist() == [Kind.DRAW] * 3 + [Kind.FLASH] * 2
    assert art.objects.x1.tolist() == [1.0, 1.0, 0.0, 0.0, 5.0]
    assert rules(art) == {"data.deprecated-construct"}


def test_coordinates_before_any_code_are_moves_and_named() -> None:
    art = read("D10*X10000Y10000*X20000D01*")
    assert len(art.objects) == 1 and art.objects.x0[0] == 1.0
    assert "data.illegal-construct" in rules(art, Weight.QUERY)


def test_select_with_g54_and_many_codes_in_one_command() -> None:
    art = read("G54D11*X0Y0D03*G54D10X10000D03*G01X20000Y0D01*D02M02*", end="")
    assert art.objects.aperture.tolist() == [1, 0, 0]
    assert not rules(art, Weight.QUERY)


def test_arcs_multi_quadrant() -> None:
    art = read(
        "D10*X10000Y0D02*G03*X0Y10000I-10000J0D01*G02*X10000Y0I0J-10000D01*G03*X10000Y0I-10000D01*"
    )
    o = art.objects
    assert o.kind.tolist() == [Kind.ARC] * 3
    assert o.clockwise.tolist() == [False, True, False]
    assert o.cx.tolist() == [0.0, 0.0, 0.0] and o.cy.tolist() == [0.0, 0.0, 0.0]
    assert not art.defects


def test_arcs_single_quadrant_find_the_sign() -> None:
    # quarter circles about 0,0 all round, I and J without sign
    art = read(
        "G74*D10*X10000Y0D02*G03*X0Y10000I10000J0D01*X-10000Y0I0J10000D01*"
        "X0Y-10000I10000J0D01*X10000Y0I0J10000D01*X10000Y0I10000J0D01*"
    )
    o = art.objects
    assert o.kind.tolist() == [Kind.ARC] * 4 + [Kind.DRAW]  # start = end is of no length
    assert np.allclose(o.cx[:4], 0) and np.allclose(o.cy[:4], 0)


def test_arc_quadrants_assumed_when_not_said() -> None:
    head = HEAD.replace("G75*", "")
    art = read("D10*X10000Y0D02*G03*X0Y10000I-10000J0D01*", head)
    assert [(a.subject, a.value) for a in art.assumptions] == [
        ("arc quadrants", "multi quadrant (G75)")
    ]
    art = read("D10*X10000Y0D02*G03*X0Y10000I10000J0D01*X-10000Y0I0J10000D01*", head)
    assert art.assumptions[0].value == "single quadrant (G74)" and art.assumptions[0].doubtful
    assert np.allclose(art.objects.cx, 0) and np.allclose(art.objects.cy, 0)


def test_arc_without_centre_and_with_uneven_radii() -> None:
    art = read("D10*X0Y0D02*G03*X10000D01*X20000Y0I3000J0D01*")
    assert art.objects.kind.tolist() == [Kind.DRAW, Kind.ARC]
    assert sum(d.weight is Weight.QUERY for d in art.defects) == 2
    uneven = next(d for d in art.defects if "radii" in d.found)
    assert (uneven.x, uneven.y) == (2.0, 0.0)


def test_region_with_several_contours() -> None:
    art = read(
        "G36*X0Y0D02*X10000D01*Y10000D01*X0Y0D01*X50000Y50000D02*X60000D01*Y60000D01*"
        "X50000Y50000D01*G37*D10*X0Y0D03*G36*X0Y0D02*X1D01*Y1D01*X0Y0D01*G37*"
    )
    assert art.objects.kind.tolist() == [Kind.REGION, Kind.FLASH, Kind.REGION]
    assert art.objects.region.tolist() == [0, -1, 1]
    assert art.objects.aperture.tolist() == [-1, 0, -1]
    c = art.contours
    assert c.region.tolist() == [0] * 6 + [1] * 3
    assert c.contour.tolist() == [0] * 3 + [1] * 3 + [2] * 3
    assert c.x0[3] == 5.0 and not art.defects


def test_region_starts_at_the_current_point() -> None:
    art = read("X10000Y10000D02*G36*X20000D01*Y20000D01*X10000Y10000D01*G37*")
    assert len(art.contours) == 3 and art.contours.x0[0] == 1.0
    assert not art.defects


def test_open_contour_is_closed_and_named() -> None:
    art = read("G36*X0Y0D02*X10000D01*Y10000D01*X50000Y0D02*X60000D01*Y10000D01*X50000Y0D01*G37*")
    assert art.contours.contour.tolist() == [0, 0, 0, 1, 1, 1]
    assert (art.contours.x1[2], art.contours.y1[2]) == (0.0, 0.0)
    (defect,) = art.defects
    assert defect.rule == "data.illegal-construct" and "1.4142 mm" in defect.found


def test_arcs_in_regions_and_flash_left_out() -> None:
    art = read("G36*X0Y0D02*G03*X0Y0I10000J0D01*D03*G37*")
    assert art.contours.cx.tolist() == [1.0] and len(art.objects) == 1
    assert any("flash" in d.found for d in art.defects)


def test_region_left_open() -> None:
    art = read("G36*X0Y0D02*X10000D01*Y10000D01*X0Y0D01*")
    assert art.objects.kind.tolist() == [Kind.REGION]
    assert any("still open" in d.found for d in art.defects)


def test_polarity_and_transforms() -> None:
    art = read("D10*X0Y0D03*%LPC*%%LMXY*%%LR90*%%LS0.5*%D03*%LPD*LMN*LR0.0*LS1*%D03*")
    o = art.objects
    assert o.dark.tolist() == [True, False, True]
    assert o.mirror.tolist() == [0, 3, 0]
    assert o.rotation.tolist() == [0.0, np.pi / 2, 0.0]
    assert o.scale.tolist() == [1.0, 0.5, 1.0]


def test_step_and_repeat_is_a_block_and_flashes() -> None:
    art = read("%SRX2Y3I10J20*%D10*X0Y0D03*%LPC*%X10000D03*%SR*%%LPD*%X90000D03*")
    assert len(art.blocks) == 1 and len(art.blocks[0]) == 2
    assert art.blocks[0].dark.tolist() == [True, False]
    o = art.objects
    assert len(o) == 7 and o.x0.tolist() == [0, 0, 0, 10, 10, 10, 9]
    assert o.y0[:6].tolist() == [0, 20, 40, 0, 20, 40]
    assert {art.apertures[k].template for k in o.aperture[:6]} == {"block"}
    assert o.dark.all() and not art.defects


def test_a_new_step_and_repeat_closes_the_last_and_one_by_one_is_none() -> None:
    art = read("D10*%SRX2Y1I5J0*%X0Y0D03*%SRX1Y2I0J5*%X0Y0D03*%SRX1Y1I0J0*%X0Y0D03*")
    assert len(art.blocks) == 2 and len(art.objects) == 5 and not art.defects


def test_too_many_repeats_are_left_out() -> None:
    art = read("D10*%SRX99999Y99999I1J1*%X0Y0D03*%SR*%")
    assert len(art.objects) == 1
    assert any(d.weight is Weight.HOLD for d in art.defects)
    nested = "".join(f"%ABD{k}*%D{k - 1}*" + "X0Y0D03*X1D03*" * 5 + "%AB*%" for k in range(20, 31))
    art = read("%ADD19C,1*%" + nested + "D30*X0Y0D03*")
    assert any("expand" in d.found or "come to" in d.found for d in art.defects)


def test_nested_block_apertures() -> None:
    art = read(
        "%ABD20*%D10*X0Y0D03*%ABD21*%D11*X10000D03*%AB*%D21*X20000Y0D03*%AB*%"
        "D20*%LR90*%X0Y0D03*%LR0*%D21*D03*"
    )
    names = {a.code: a for a in art.apertures}
    outer, inner = art.blocks[names[20].block], art.blocks[names[21].block]
    assert len(outer) == 2 and len(inner) == 1
    assert art.apertures[outer.aperture[1]].code == 21
    assert [art.apertures[k].code for k in art.objects.aperture] == [20, 21]
    assert art.objects.rotation[0] == pytest.approx(np.pi / 2)
    assert not art.defects


def test_block_cannot_hold_itself() -> None:
    art = read("%ABD20*%D20*X0Y0D03*%AB*%D20*X0Y0D03*")
    assert "data.aperture-undefined" in rules(art, Weight.HOLD)
    inner = art.blocks[0].aperture[0]
    assert art.apertures[inner].template != "block"


@pytest.mark.parametrize("comment", [False, True])
def test_attributes(comment: bool) -> None:
    def attribute(text: str) -> str:
        return f"G04 #@! {text}*\n" if comment else f"%{text}*%\n"

    art = read(
        attribute("TF.FileFunction,Copper,L1,Top")
        + attribute("TFOwn,1")
        + attribute("TA.AperFunction,SMDPad,CuDef")
        + "%ADD12C,1*%"
        + attribute("TD.AperFunction")
        + "%ADD13C,1*%D12*"
        + attribute("TO.N,SUPPLY\\u002B5")
        + attribute("TO.P,U1,3,VCC")
        + "X0Y0D03*"
        + attribute("TD.P")
        + "X1D03*"
        + attribute("TD")
        + "X2D03*"
        + attribute("TO.N,")
        + "D03*"
    )
    assert art.attributes == {"FileFunction": ("Copper", "L1", "Top"), "Own": ("1",)}
    functions = {a.code: a.function for a in art.apertures}
    assert functions[12] == "SMDPad,CuDef" and functions[13] == ""
    assert art.nets == ("SUPPLY+5",) and art.pins == (("U1", "3"),)
    assert art.objects.net.tolist() == [0, 0, -1, -1]
    assert art.objects.pin.tolist() == [0, -1, -1, -1]
    assert not art.defects


def test_net_attaches_to_regions() -> None:
    art = read("%TO.N,GND*%G36*X0Y0D02*X1D01*Y1D01*X0Y0D01*G37*%TD*%")
    assert art.objects.net.tolist() == [0]


def test_undefined_aperture_keeps_its_objects() -> None:
    art = read("D55*X0Y0D03*X1D03*D10*D03*")
    assert len(art.objects) == 3
    (defect,) = art.defects
    assert defect.rule == "data.aperture-undefined" and defect.weight is Weight.HOLD
    assert "D55" in defect.found and "2 times" in defect.found
    assert art.apertures[art.objects.aperture[0]].values == (0.0,)
    assert "data.aperture-undefined" in rules(read("X0Y0D03*"))


def test_aperture_defined_late_or_twice() -> None:
    art = read("D20*X0Y0D03*%ADD20C,3*%D10*D03*%ADD10C,4*%D10*D03*")
    used = [art.apertures[k].values for k in art.objects.aperture]
    assert used == [(3.0,), (0.5,), (4.0,)]
    assert sum(d.weight is Weight.QUERY for d in art.defects) == 2


@pytest.mark.parametrize(
    ("text", "weight"),
    [
        ("%IPPOS*%", None),
        ("%MIA0B0*%", None),
        ("%OFA0B0.0*%", None),
        ("%SFA1.000000B1.000000*%", None),
        ("%IR0*%", None),
        ("%ASAXBY*%", None),
        ("%LNname*%", Weight.NOTE),
        ("%INname*%", Weight.NOTE),
        ("M01*", Weight.NOTE),
        ("G70*", Weight.HOLD),  # contradicts MOMM
        ("G71*", Weight.NOTE),
        ("%IPNEG*%", Weight.HOLD),
        ("%MIA1B0*%", Weight.QUERY),
        ("%OFA1B0*%", Weight.QUERY),
        ("%SFA2B1*%", Weight.QUERY),
        ("%IR90*%", Weight.QUERY),
        ("%ASAYBX*%", Weight.QUERY),
        ("%IFother.gbr*%", Weight.HOLD),
        ("G10*", Weight.HOLD),
    ],
)
def test_deprecated_commands(text: str, weight: Weight | None) -> None:
    art = read("D10*" + text + "X0Y0D03*")
    assert len(art.objects) == 1
    weights = [d.weight for d in art.defects]
    assert (max(weights) if weights else None) == weight


@pytest.mark.parametrize("text", ["%QQ1*%", "Q12*", "G77*", "D05*", "M17*", "X*", "D10000000000*"])
def test_unknown_commands_are_recorded(text: str) -> None:
    art = read("D10*" + text + "X0Y0D03*")
    assert len(art.objects) == 1
    assert rules(art) == {"data.unknown-command"}
    assert art.defects[0].line == 1
