"""What is assumed when a drill file does not state its format, and on which evidence."""

from __future__ import annotations

import pytest

from dfmcheck.formats.excellon import read_excellon

# A made-up 100 × 60 mm sensor board: hits on a grid, in tenths of a mil.
GRID = [
    (3937 * i // 10 + 4000, 2362 * j // 10 + 3000) for i in range(0, 90, 9) for j in range(0, 80, 9)
]
PADDED = "".join(f"X{x:06d}Y{y:06d}\n" for x, y in GRID)
BOX = (0.0, 0.0, 105.0, 65.0)


def test_inch_by_convention_is_trusted() -> None:
    drilling = read_excellon(f"M48\nINCH\nT1C0.012\n%\nT1\n{PADDED}M30\n".encode(), "a.drl")
    assert drilling.hits.x0[0] == pytest.approx(10.16)
    (assumption,) = drilling.assumptions
    assert not assumption.doubtful
    assert "digit places" in assumption.evidence


def test_nothing_stated_is_doubtful_until_the_copper_tells() -> None:
    text = f"%\nG90\nT1\n{PADDED}M30\n".encode()
    (alone,) = read_excellon(text, "a.drl").assumptions
    assert alone.doubtful
    drilling = read_excellon(text, "a.drl", expected=BOX)
    (told,) = drilling.assumptions
    assert told.confidence >= 0.9
    assert drilling.hits.x0[0] == pytest.approx(10.16)


def test_copper_tells_a_rarer_reading() -> None:
    text = f"M48\nMETRIC\nT1C0.3\n%\nT1\n{PADDED}M30\n".encode()
    usual = read_excellon(text, "a.drl")
    assert usual.hits.x0[0] == pytest.approx(4.0)
    rare = read_excellon(text, "a.drl", expected=(0.0, 0.0, 420.0, 260.0))
    assert rare.hits.x0[0] == pytest.approx(40.0)  # 4.2 digits
    assert "4.2" in rare.assumptions[0].value


def test_a_stated_format_is_never_overruled() -> None:
    text = f"M48\nMETRIC,TZ,000.000\nT1C0.3\n%\nT1\n{PADDED}M30\n".encode()
    drilling = read_excellon(text, "a.drl", expected=(0.0, 0.0, 420.0, 260.0))
    assert drilling.hits.x0[0] == pytest.approx(4.0)
    assert drilling.assumptions == ()


def test_parameter_file_tells() -> None:
    parameters = (
        "INTEGER-PLACES         3\nDECIMAL-PLACES         5\nCOORDINATES    ABSOLUTE\n"
        "OUTPUT-UNITS           ENGLISH\nSUPPRESS-LEAD-ZEROES   NO\nSUPPRESS-TRAIL-ZEROES  NO\n"
    )
    rows = "".join(f"X{x * 10:08d}Y{y * 10:08d}\n" for x, y in GRID)
    text = f"%\nG90\nT1\n{rows}M30\n".encode()
    drilling = read_excellon(text, "a.drl", beside=[parameters])
    assert drilling.hits.x0[0] == pytest.approx(10.16)
    (assumption,) = drilling.assumptions
    assert not assumption.doubtful
    assert "parameter file" in assumption.evidence


def test_parameter_file_that_cannot_belong_is_not_used() -> None:
    parameters = (
        "INTEGER-PLACES 3\nDECIMAL-PLACES 5\nOUTPUT-UNITS ENGLISH\nSUPPRESS-LEAD-ZEROES NO\n"
    )
    text = f"M48\nINCH\nT1C0.012\n%\nT1\n{PADDED}M30\n".encode()
    drilling = read_excellon(text, "a.drl", beside=[parameters])
    assert drilling.hits.x0[0] == pytest.approx(10.16)
    assert "parameter file" not in drilling.assumptions[0].evidence


def test_leading_zeros_tell_that_trailing_ones_are_left_out() -> None:
    def cut(number: int) -> str:
        return f"{number:06d}".rstrip("0") or "0"

    rows = "".join(f"X{cut(x)}Y{cut(y)}\n" for x, y in GRID)
    text = f"M48\nINCH\nT1C0.012\n%\nT1\n{rows}M30\n".encode()
    drilling = read_excellon(text, "a.drl", expected=BOX)
    assert drilling.hits.x0.tolist() == pytest.approx([x * 0.00254 for x, _ in GRID])


def test_tool_sizes_tell_the_unit() -> None:
    rows = "X1.0Y1.0\nX2.0Y1.0\nX2.0Y2.5\nX3.5Y1.5\n"
    inch = read_excellon(f"M48\nT1C0.012\nT2C0.02\n%\nT1\n{rows}M30\n".encode(), "a.drl")
    assert inch.unit == "inch"
    assert inch.assumptions
    metric = read_excellon(
        f"M48\nT1C0.8\nT2C3.2\n%\nT1\n{rows}T2\nX90.0Y9.0\nM30\n".encode(), "a.drl"
    )
    assert metric.unit == "mm"
    assert metric.assumptions


def test_tool_listing_beside() -> None:
    listing = "NC ROUTE Log\n OUTPUT-UNITS  ENGLISH\n     0.0310  T01\n     0.0400  T02\n"
    text = b"%\nT01\nM16\nG00X004990Y004705\nM15\nG01X008490Y004705\nM16\nM30\n"
    drilling = read_excellon(text, "a.rou", beside=[listing], expected=BOX)
    assert drilling.tools[0].diameter == pytest.approx(0.7874)
    assert any("T01" in a.subject for a in drilling.assumptions)
    other = read_excellon(text, "a.rou", beside=[listing.replace("ROUTE", "DRILL")], expected=BOX)
    assert other.tools[0].diameter is None


def test_listing_with_units_and_plating() -> None:
    listing = "NC drill report\nASCII file : a.txt\nT1   0.2mm (8mil)   Round  1  NPTH  1mm\n"
    text = b"%\nMETRIC,TZ,000.000\nT01\nX1000Y1000\nM30\n"
    tool = read_excellon(text, "a.txt", beside=[listing]).tools[0]
    assert (tool.diameter, tool.plating) == (0.2, "unplated")


def test_numbers_without_point_among_pointed_ones_are_whole() -> None:
    text = b"M48\nMETRIC\nT1C0.8\n%\nT1\nX1.5Y2.25\nX12Y3.5\nX0Y7.75\nM30\n"
    drilling = read_excellon(text, "a.drl")
    assert drilling.hits.x0.tolist() == [1.5, 12.0, 0.0]
    assert "decimal point" in drilling.assumptions[0].evidence
    zero_only = read_excellon(text.replace(b"X12Y", b"X12.0Y"), "a.drl")
    assert zero_only.assumptions == ()
