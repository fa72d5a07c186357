"""Aperture definitions, macros and the other structured commands."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.gerber.attributes import read_attribute, read_by_grammar
from dfmcheck.formats.gerber.coordinates import read_format
from dfmcheck.formats.gerber.macros import read_block
from dfmcheck.formats.records import Aperture, Artwork, Primitive
from dfmcheck.terms import Weight


def read(text: str, unit: str = "MM") -> Artwork:
    return read_gerber(f"%FSLAX24Y24*%%MO{unit}*%{text}M02*".encode(), "made-up.gbr")


def aperture(text: str, unit: str = "MM") -> Aperture:
    art = read(text, unit)
    assert not art.defects
    return art.apertures[-1]


def primitives(body: str, call: str = "", unit: str = "MM") -> tuple[Primitive, ...]:
    return aperture(f"%AMT*{body}*%%ADD10T{call}*%", unit).primitives


@pytest.mark.parametrize(
    ("text", "template", "values"),
    [
        ("C,0.5", "C", (0.5,)),
        ("C,.5X0.25", "C", (0.5, 0.25)),
        ("C, 2.", "C", (2.0,)),
        ("R,1X2", "R", (1.0, 2.0)),
        ("R,1X2X0.3", "R", (1.0, 2.0, 0.3)),
        ("O,1X2X0", "O", (1.0, 2.0)),
        ("P,3X6", "P", (3.0, 6.0, 0.0)),
        ("P,3X6X30X1", "P", (3.0, 6.0, math.radians(30), 1.0)),
    ],
)
def test_standard_templates(text: str, template: str, values: tuple[float, ...]) -> None:
    found = aperture(f"%ADD10{text}*%")
    assert (found.code, found.template, found.values) == (10, template, values)
    assert found.line == 1


def test_rectangular_hole_becomes_primitives() -> None:
    art = read("%ADD10R,2X1X0.5X0.25*%")
    (one,) = art.apertures
    assert [(p.code, p.exposed, p.values[:2]) for p in one.primitives] == [
        (21, True, (2.0, 1.0)),
        (21, False, (0.5, 0.25)),
    ]
    assert art.defects[0].rule == "data.deprecated-construct"


@pytest.mark.parametrize("text", ["C,-1", "P,1X2", "R,1", "C", "C,x", "R,1X2X3X4X5", "C,1e5"])
def test_impossible_definitions(text: str) -> None:
    assert any(d.weight is Weight.HOLD for d in read(f"%ADD10{text}*%").defects)


def test_missing_macro() -> None:
    (defect,) = read("%ADD10NOSUCH*%").defects
    assert defect.rule == "data.aperture-undefined"


def test_every_primitive() -> None:
    turn = math.radians(30)
    inch = 25.4
    body = (
        "0 comment, with $1+ signs*1,1,1,2,3*1,0,1,2,3,30*2,1,1,2,3,4,5,30*20,1,1,2,3,4,5,30*"
        "21,1,1,2,3,4,30*22,1,1,2,3,4,30*4,1,3,0,0,1,0,1,1,0,0,30*5,1,6,1,2,3,30*"
        "6,1,2,3,4,5,2,6,7,30*7,1,2,5,4,1,30"
    )
    found = primitives(body, unit="IN")
    line = Primitive(20, True, (*(v * inch for v in (1, 2, 3, 4, 5)), turn))
    assert found == (
        Primitive(1, True, (inch, 2 * inch, 3 * inch, 0.0)),
        Primitive(1, False, (inch, 2 * inch, 3 * inch, turn)),
        line,
        line,
        Primitive(21, True, (inch, 2 * inch, 3 * inch, 4 * inch, turn)),
        Primitive(21, True, (inch, 2 * inch, 3.5 * inch, 5 * inch, turn)),
        Primitive(4, True, (3.0, 0.0, 0.0, inch, 0.0, inch, inch, 0.0, 0.0, turn)),
        Primitive(5, True, (6.0, inch, 2 * inch, 3 * inch, turn)),
        Primitive(6, True, (*(v * inch for v in (1, 2, 3, 4, 5)), 2.0, 6 * inch, 7 * inch, turn)),
        Primitive(7, True, (*(v * inch for v in (1, 2, 5, 4, 1)), turn)),
    )


@pytest.mark.parametrize(
    ("expression", "value"),
    [
        ("$1+$2x2", 8.0),
        ("$1X$2", 6.0),
        ("($1+$2)x2", 10.0),
        ("-$1+$2", 1.0),
        ("$2/$1-1", 0.5),
        ("1-$1-$2", -4.0),
        ("12/$1/$2", 2.0),
        ("+.5", 0.5),
        ("$9+1", 1.0),
        ("-($1-$2)", 1.0),
        (" $1 + $2 ", 5.0),
    ],
)
def test_arithmetic(expression: str, value: float) -> None:
    (one,) = primitives(f"1,1,1,{expression},0", ",2X3")
    assert one.values[1] == pytest.approx(value)


def test_variables_are_set_in_order_and_may_be_redefined() -> None:
    found = primitives("$3=$1x2*1,1,$3,0,0*$3=$3+1*\n1,1,$3,0,0*$1=9*1,1,$1,0,0", ",2")
    assert [p.values[0] for p in found] == [4.0, 5.0, 9.0]


def test_exposure_by_variable_and_toggled() -> None:
    found = primitives("1,$1,1,0,0*1,2,1,0,0*1,2,1,0,0", ",1")
    assert [p.exposed for p in found] == [True, False, True]


@pytest.mark.parametrize(
    "body",
    [
        "9,1,1",
        "1,1",
        "1,1,1/0,0,0",
        "4,1,3,0,0,1,1",
        "1,3,1,0,0",
        "1,1,((1,0,0",
        "21,1,1,1,1,1,1,1",
    ],
)
def test_wrong_primitives_are_left_out_and_named(body: str) -> None:
    art = read(f"%AMT*{body}*1,1,1,0,0*%%ADD10T*%")
    assert len(art.apertures[0].primitives) == 1
    assert [d.weight for d in art.defects] == [Weight.HOLD]


def test_deep_brackets_do_no_harm() -> None:
    art = read("%AMT*1,1," + "(" * 5000 + "1" + ")" * 5000 + ",0,0*%%ADD10T*%")
    assert art.apertures[0].primitives == () or art.apertures[0].primitives[0].values[0] == 1.0


def test_open_outline_is_named() -> None:
    art = read("%AMT*4,1,2,0,0,1,0,1,1,0*%%ADD10T*%")
    assert any("last point" in d.found for d in art.defects)


def test_several_commands_in_one_pair_and_names_with_hyphens() -> None:
    art = read("%AMA-1.5*1,1,$1,0,0*AMB*1,1,2,0,0*ADD10A-1.5,3*ADD11B*LPC*%D10*X0Y0D03*")
    assert [a.name for a in art.apertures] == ["A-1.5", "B"]
    assert art.apertures[0].primitives[0].values[0] == 3.0
    assert not art.objects.dark[0] and not art.defects


def test_comment_inside_macro() -> None:
    art = read("%AMT*G04 why*\n7,0,0,2,1,0.1,45*%%ADD10T*%")
    assert art.apertures[0].primitives[0].code == 7
    assert art.comments == ("why",)


@pytest.mark.parametrize(
    ("text", "x", "trailing", "incremental"),
    [
        ("FSLAX24Y24", (2, 4), False, False),
        ("FSTIX36Y36", (3, 6), True, True),
        ("FSDAX24Y24", (2, 4), False, False),
        ("FSLAN2G2X25Y25D2M2", (2, 5), False, False),
    ],
)
def test_format_statements(
    text: str, x: tuple[int, int], trailing: bool, incremental: bool
) -> None:
    form = read_format(text)
    assert (form.x, form.trailing, form.incremental) == (x, trailing, incremental)


def test_plain_attributes_as_the_grammar_reads_them() -> None:
    for text in ("TF.A,1,2", "TO.N,", "TA.B", "TD", "TD.C", "TO.P,U1,,x", "TFown name,a b"):
        kind, name, fields = read_by_grammar(text)
        assert read_attribute(text) == (kind, name, tuple(fields))


_NUMBERS = st.decimals(-100, 100, places=4).map(lambda d: f"{d:f}")


@given(st.lists(_NUMBERS, min_size=1, max_size=9))
def test_constant_blocks_as_the_grammar_reads_them(numbers: list[str]) -> None:
    plain = read_block("1," + ",".join(numbers))
    arithmetic = read_block("1," + ",".join(f"({n})" for n in numbers))
    assert plain.constants == tuple(value({}) for value in arithmetic.values)
