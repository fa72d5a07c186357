"""Netlist records, one field and one fault at a time. The lamp controller is made up."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dfmcheck.errors import FormatError
from dfmcheck.formats.ipc356 import Netlist, read_netlist
from dfmcheck.formats.ipc356.head import grammar
from dfmcheck.terms import Weight

VIA = "317LAMP_ON          VIA   -    MD0300PA00X+001000Y-002500X0600Y    R090 S3"
LAND = "327GND             U12   -A14        A01X+012345Y+000010X0800Y0250R045 S1"


def read(*lines: str, units: str = "P  UNITS CUST 1", end: str = "999") -> Netlist:
    text = "\n".join(line for line in (units, *lines, end) if line)
    return read_netlist(text.encode("latin-1"), "lamp.ipc")


def rules(netlist: Netlist) -> list[str]:
    return [d.rule for d in netlist.defects]


def test_every_field_of_a_via() -> None:
    n = read(VIA)
    p = n.points
    assert (n.names, n.pins) == (("LAMP_ON",), (("VIA", ""),))
    assert (p.record[0], p.net[0], p.pin[0], p.plated[0], p.access[0], p.mask[0]) == (
        317, 0, 0, 1, 0, 3,
    )  # fmt: skip
    got = [p.x[0], p.y[0], p.hole[0], p.width[0], p.height[0], p.rotation[0]]
    assert got == pytest.approx([1.0, -2.5, 0.3, 0.6, 0.6, math.pi / 2])
    assert bool(p.midpoint[0]) and p.line[0] == 2
    assert n.defects == () and n.assumptions == ()


def test_every_field_of_a_surface_point() -> None:
    n = read("327GND              U12   -A14        A01X+012345Y+000010X0800Y0250R045 S1")
    p = n.points
    assert n.label(0) == "U12-A14"
    assert (p.record[0], p.plated[0], p.access[0], p.mask[0]) == (327, -1, 1, 1)
    assert math.isnan(p.hole[0]) and not p.midpoint[0]
    assert [p.x[0], p.y[0], p.width[0], p.height[0]] == pytest.approx([12.345, 0.01, 0.8, 0.25])
    assert n.defects == ()


@pytest.mark.parametrize(
    ("units", "count", "angle"),
    [
        ("P  UNITS CUST 0", 0.00254, math.pi / 2),
        ("P  UNITS CUST 1", 0.001, math.pi / 2),
        ("P  UNITS SI", 0.001, math.pi / 2),
        ("P  UNITS CUST 2", 0.00254, 0.9),
    ],
)
def test_units(units: str, count: float, angle: float) -> None:
    n = read(VIA, units=units)
    assert n.resolution == count
    got = [n.points.x[0], n.points.y[0], n.points.hole[0], n.points.rotation[0]]
    assert got == pytest.approx([1000 * count, -2500 * count, 300 * count, angle])


@pytest.mark.parametrize("units", ["", "P  UNITS CUST 7", "P  UNITS CUST"])
def test_units_not_stated_are_a_doubtful_assumption(units: str) -> None:
    n = read(VIA, units=units)
    assert n.points.x[0] == pytest.approx(2.54)
    assert [a.doubtful for a in n.assumptions] == [True]


def test_units_that_contradict_each_other() -> None:
    n = read("P  UNITS CUST 0", VIA)
    assert n.points.x[0] == pytest.approx(1.0)
    assert [(d.rule, d.line) for d in n.defects] == [("data.illegal-construct", 2)]


def test_aliases_by_parameter_and_by_comment() -> None:
    short = VIA.replace("LAMP_ON  ", "m0001    ")
    marked = VIA.replace("LAMP_ON   ", "NNAMEm0002")
    said = VIA.replace("LAMP_ON  ", "m0003    ")
    n = read(
        "P  NNAMEm0001 LAMP_SUPPLY_MONITOR_1", "P  NNAMEm0002 LAMP_SUPPLY_MONITOR_2",
        "C  NNAMEm0003 LAMP_SUPPLY_MONITOR_3", short, marked, said,
    )  # fmt: skip
    assert n.names == tuple(f"LAMP_SUPPLY_MONITOR_{i}" for i in (1, 2, 3))
    assert [a.subject for a in n.assumptions] == ["net names"]
    assert n.defects == ()


def test_two_records_of_one_net_share_its_row() -> None:
    n = read(VIA, VIA.replace("+001000", "+003000"), VIA.replace("LAMP_ON", "N/C    "))
    assert n.points.net.tolist() == [0, 0, 1]
    assert n.names == ("LAMP_ON", "N/C")


@pytest.mark.parametrize(
    ("thickness", "mm"),
    [
        ("C  Board Thickness(mils):  62.5", 1.5875),
        ("C  BOARD THICKNESS: 1.6 mm", 1.6),
        ("C  Board thickness (um) = 800", 0.8),
        ("C  Board thickness: 62", None),
        ("C  Board thickness (mm): 0", None),
    ],
)
def test_thickness_in_comments(thickness: str, mm: float | None) -> None:
    n = read(thickness, VIA)
    assert n.thickness == (pytest.approx(mm) if mm else None)
    assert [a.evidence for a in n.assumptions] == (
        [f'comment in line 2: "{" ".join(thickness[1:].split())}"'] if mm else []
    )


def test_layer_table_in_comments() -> None:
    n = read(
        "C  Number of etch Layers:  2", "C  LAMP_TOP      COPPER     CONDUCTOR    POS   1",
        "C  LAMP_BOTTOM   COPPER     PLANE        POS   2", VIA,
    )  # fmt: skip
    assert n.layers == (("LAMP_TOP", "conductor"), ("LAMP_BOTTOM", "plane"))
    assert n.conductors == 2
    assert len(n.assumptions) == 2


def test_continuation_takes_net_and_pin_from_the_record_above() -> None:
    more = "017" + " " * 35 + "A02X+001000Y-002500X0900Y0900R000 S2"
    n = read(VIA, more)
    assert n.points.record.tolist() == [317, 317]
    assert n.points.net.tolist() == [0, 0] and n.points.pin.tolist() == [0, 0]
    assert n.points.access.tolist() == [0, 2]
    assert n.defects == ()


def test_other_records_are_reported_as_not_used() -> None:
    n = read(
        VIA, "378LAMP_ON         L01 X0600 X1000Y1000 X2000", "078 X3000Y1000", "389BOARD_EDGE"
    )
    assert [(d.rule, d.weight, d.line) for d in n.defects] == [
        ("data.unknown-command", Weight.NOTE, 3), ("data.unknown-command", Weight.NOTE, 5),
    ]  # fmt: skip
    assert "2× record 378 (conductor)" in n.defects[0].found
    assert len(n.points) == 1


def test_unknown_parameter_is_reported_once() -> None:
    n = read("P  GLITTER 7", "P  GLITTER 8", "P  JOB   LAMP", VIA)
    assert [(d.rule, d.line) for d in n.defects] == [("data.unknown-command", 2)]
    assert "2× parameter GLITTER" in n.defects[0].found


@pytest.mark.parametrize(
    "bad",
    [
        VIA.replace("X+001000", "X+00l000"),
        VIA.replace("X+001000", "X+001 00"),
        "317LAMP_ON",
        "LAMP_ON 1 2 3",
        VIA[:48],
    ],
)
def test_a_bad_line_is_named_and_the_rest_is_read(bad: str) -> None:
    n = read(VIA, bad, VIA.replace("+001000", "+003000"))
    assert n.points.x.tolist() == pytest.approx([1.0, 3.0])
    assert [(d.rule, d.line) for d in n.defects] == [("data.illegal-construct", 3)]


def test_many_bad_lines_are_counted() -> None:
    n = read(VIA, *["317?"] * 30)
    assert len(n.defects) == 5
    assert "(30 such lines)" in n.defects[0].found


@pytest.mark.parametrize(
    ("shifted", "pin", "width"),
    [
        ("317LAMP_ON          VIA-1     MD0300PA00X+1000Y-2500X0600Y0600R090S3", "1", 0.6),
        (VIA.replace("LAMP_ON   ", "LAMP_ON    "), "", 0.6),
        (VIA.replace("X0600Y    ", ""), "", math.nan),
        (VIA.replace("VIA   -    M", "VIA-7        M"), "7", 0.6),
    ],
)
def test_a_shifted_record_is_read_by_its_letters(shifted: str, pin: str, width: float) -> None:
    n = read(shifted)
    got = [n.points.x[0], n.points.y[0], n.points.hole[0], n.points.width[0]]
    assert got == pytest.approx([1.0, -2.5, 0.3, width], nan_ok=True)
    assert math.degrees(n.points.rotation[0]) == pytest.approx(90)
    assert (n.names, n.pins, n.points.midpoint[0]) == (("LAMP_ON",), (("VIA", pin),), True)
    assert [(d.rule, d.weight) for d in n.defects] == [("data.illegal-construct", Weight.NOTE)]


def test_a_record_may_end_early_and_lines_end_anyhow() -> None:
    short = VIA[: VIA.index("X0600")]
    data = f"P  UNITS CUST 1\r\n{short}\r{VIA}\n999\r\n\x1a".encode()
    p = read_netlist(data, "lamp.ipc").points
    assert len(p) == 2 and math.isnan(p.width[0]) and p.mask.tolist() == [-1, 3]


def test_missing_end_and_text_behind_the_end() -> None:
    assert rules(read(VIA, end="")) == ["data.truncated-file"]
    n = read(VIA, "999", VIA)
    assert rules(n) == ["data.illegal-construct"] and len(n.points) == 1


@pytest.mark.parametrize("data", [b"", b"\x00\xff" * 50, b"P  JOB  LAMP\n999\n", b"G04 x*\nM02*"])
def test_no_point_is_one_clear_error(data: bytes) -> None:
    with pytest.raises(FormatError, match=r"lamp\.ipc: no test point"):
        read_netlist(data, "lamp.ipc")


@settings(max_examples=200, deadline=None)
@given(
    net=st.from_regex(r"[A-Z0-9_+/.-]{1,14}", fullmatch=True),
    ref=st.from_regex(r"[A-Z0-9]{1,6}", fullmatch=True),
    pin=st.from_regex(r"[A-Z0-9]{0,4}", fullmatch=True),
    x=st.integers(-999999, 999999), y=st.integers(-999999, 999999),
    hole=st.integers(1, 9999), width=st.integers(1, 9999), angle=st.integers(0, 359),
    access=st.integers(0, 99), plated=st.sampled_from("PU"), mask=st.integers(0, 3),
    middle=st.booleans(),
)  # fmt: skip
def test_what_is_written_is_read_and_the_grammar_agrees(
    net: str, ref: str, pin: str, x: int, y: int, hole: int, width: int, angle: int, access: int,
    plated: str, mask: int, middle: bool,
) -> None:  # fmt: skip
    line = (
        f"317{net:<14}   {ref:<6}-{pin:<4}{'M' if middle else ' '}D{hole:04d}{plated}A{access:02d}"
        f"X{x:+07d}Y{y:+07d}X{width:04d}Y    R{angle:03d} S{mask}"
    )
    n = read(line)
    p = n.points
    assert n.defects == () and n.names == (net,) and n.pins == ((ref, pin),)
    values = (p.x, p.y, p.hole, p.width, p.height)
    assert [round(float(v[0]) * 1000) for v in values] == [x, y, hole, width, width]
    assert round(math.degrees(p.rotation[0])) == angle
    assert (p.access[0], p.mask[0], p.midpoint[0]) == (access, mask, middle)
    assert p.plated[0] == (plated == "P")
    tree = grammar("point").parse(line.ljust(80))
    fields = {t.type: str(t) for t in tree.children}
    assert (fields["NET"].strip(), int(fields["X"][1:])) == (net, x)


@pytest.mark.parametrize(
    "line",
    [
        "317" + " " * 20000,
        "317" + "A" * 14 + " " * 5000 + "-" + " " * 5000,
        "317" + "1" * 20000,
        "P  " + "X" * 20000,
        "C  Board thickness" + " " * 20000,
        "C  Number of " + "layers " * 5000,
    ],
)
def test_overlong_lines_cost_no_time(line: str) -> None:
    start = time.perf_counter()
    assert len(read(VIA, line).points) == 1
    assert time.perf_counter() - start < 1.0


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_damage_never_ends_in_a_traceback(data: st.DataObject) -> None:
    text = bytearray(f"P  UNITS CUST 1\n{VIA}\n{LAND}\nC  Board Thickness(mm): 1.6\n999\n".encode())
    for _ in range(data.draw(st.integers(1, 12))):
        text[data.draw(st.integers(0, len(text) - 1))] = data.draw(st.integers(0, 255))
    try:
        n = read_netlist(bytes(text), "lamp.ipc")
    except FormatError:
        return
    lengths = {len(getattr(n.points, c)) for c in ("x", "y", "net", "hole", "line", "mask")}
    assert lengths == {len(n.points)}
    assert np.isfinite(n.points.x).all() and np.isfinite(n.points.y).all()
    assert int(n.points.net.max(initial=-1)) < len(n.names)
