"""Old, odd and damaged files; random files written and read back."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dfmcheck.errors import FormatError
from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.limits import MOST_MM
from dfmcheck.formats.records import Artwork, Kind
from dfmcheck.terms import Weight

ROOT = Path(__file__).resolve().parents[3]
BOARDS = Path(os.environ.get("DFMCHECK_BOARDS", ROOT.parent / "shared" / "boards"))
SAMPLE = (
    b"G04 made-up*\n%FSLAX24Y24*%\n%MOMM*%\n%AMT*\n1,1,$1,0,0*\n%\n%ADD10C,0.5*%\n%ADD11T,1*%\n"
    b"G01*\nG75*\nD10*\nX0Y0D02*\nX10000Y0D01*\n%LPC*%\nD11*\nX5000Y5000D03*\n%LPD*%\n"
    b"G36*\nX0Y0D02*\nX10000D01*\nY10000D01*\nX0Y0D01*\nG37*\nM02*\n"
)


def same_image(a: Artwork, b: Artwork) -> bool:
    return all(
        np.array_equal(getattr(a.objects, n), getattr(b.objects, n), equal_nan=True)
        for n in ("kind", "x0", "y0", "x1", "y1", "aperture", "dark", "region")
    )


def found(art: Artwork) -> str:
    return "; ".join(d.found for d in art.defects)


def test_line_ends_marks_and_junk_change_nothing() -> None:
    plain = read_gerber(SAMPLE, "a")
    assert not plain.defects and len(plain.objects) == 3
    for other in (
        SAMPLE.replace(b"\n", b"\r\n"),
        SAMPLE.replace(b"\n", b"\r"),
        SAMPLE.replace(b"\n", b""),
        SAMPLE + b"\x1a\x00\x00",
        SAMPLE.replace(b"*\n", b" *\n"),
        SAMPLE.replace(b"X0Y0", b"X0 Y0"),
        SAMPLE.replace(b"Y0D01*", b"Y0\nD01*"),
    ):
        art = read_gerber(other, "a")
        assert same_image(art, plain)
        assert not art.defects, found(art)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"\xef\xbb\xbf" + SAMPLE, "byte order mark"),
        (SAMPLE + b"written by a machine", "text behind the end of the file"),
    ],
)
def test_what_is_passed_over_is_named(data: bytes, said: str) -> None:
    art = read_gerber(data, "a")
    assert same_image(art, read_gerber(SAMPLE, "a"))
    (defect,) = art.defects
    assert said in defect.found and defect.weight is Weight.NOTE


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_lines(end: bytes) -> None:
    art = read_gerber(SAMPLE.replace(b"\n", end), "a")
    assert art.objects.line.tolist() == [13, 16, 23]
    assert art.contours.line.tolist() == [20, 21, 22]
    assert [a.line for a in art.apertures] == [7, 8]


def test_two_byte_text() -> None:
    art = read_gerber(SAMPLE.decode().encode("utf-16"), "a")
    assert same_image(art, read_gerber(SAMPLE, "a")) and "UTF-16" in found(art)


def test_missing_end_is_a_query_and_a_cut_command_a_hold() -> None:
    (defect,) = read_gerber(SAMPLE.replace(b"M02*\n", b""), "a").defects
    assert (defect.rule, defect.weight) == ("data.truncated-file", Weight.QUERY)
    assert defect.line == 23
    art = read_gerber(SAMPLE[: SAMPLE.index(b"0D03")], "a")
    (defect,) = art.defects
    assert (defect.rule, defect.weight) == ("data.truncated-file", Weight.HOLD)
    assert "X5000Y500" in defect.found and defect.line == 16
    art = read_gerber(SAMPLE.replace(b"M02*\n", b"%TO.N,ab"), "a")
    assert any(d.weight is Weight.HOLD for d in art.defects)
    art = read_gerber(SAMPLE.replace(b"M02*\n", b"M02"), "a")
    assert [d.weight for d in art.defects] == [Weight.NOTE]


def test_drawing_behind_the_end() -> None:
    art = read_gerber(SAMPLE + SAMPLE, "a")
    assert len(art.objects) == 3 and "behind the end" in found(art)


def test_lost_percent_star_and_comment_end() -> None:
    plain = read_gerber(SAMPLE, "a")
    for a, b in (
        (b"%LPC*%", b"%LPC*"),
        (b"%LPC*%", b"%LPC%"),
        (b"D10*\n", b"D10*\n%\n"),
        (b"D10*\n", b"G04 no star\nD10*\n"),
        (b"X10000Y0D01*\n%LPC", b"X10000Y0D01\n%LPC"),
    ):
        art = read_gerber(SAMPLE.replace(a, b), "a")
        assert same_image(art, plain), b
    assert "without its closing '%'" in found(read_gerber(SAMPLE.replace(b"C*%", b"C*"), "a"))


def test_decimal_points_are_read_and_noted() -> None:
    art = read_gerber(SAMPLE.replace(b"X5000Y5000D03", b"X0.5Y+.5D03"), "a")
    assert same_image(art, read_gerber(SAMPLE, "a"))
    assert "decimal point (2 times)" in found(art)


def test_more_digits_than_the_format() -> None:
    art = read_gerber(SAMPLE.replace(b"X5000Y5000D03", b"X12345678Y5000D03"), "a")
    assert art.objects.x0[1] == 1234.5678
    assert "more digits" in found(art)


def test_old_files_without_header_state_what_was_assumed() -> None:
    body = b"D10*\nX10000Y0D02*\nX20000D01*\nX1D3*\nM02*\n"
    art = read_gerber(b"G04 Numeric Format: 3.3*\nG71*\n" + body, "a")
    assert {a.subject: a.value.split(",")[0] for a in art.assumptions} == {
        "coordinate format": "3.3",
        "unit": "mm",
        "interpolation": "straight",
    }
    assert art.objects.x0[0] == 10.0 and not any(a.doubtful for a in art.assumptions)
    art = read_gerber(body, "a")
    assert all(a.doubtful for a in art.assumptions if a.subject in ("unit", "coordinate format"))
    art = read_gerber(b"G04 Millimeter Units*" + body, "a")
    assert art.unit == "mm"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"  \n",
        b"M48\nMETRIC\n%\nT1C0.5\nX1Y1\nM30\n",
        b"\x89PNG\r\n\x1a\n\x00\x00\x00" * 50,
        b'{"Header": {"x": "*"}}',
        b"# A text *about* boards\nwith *stars* and 5 % more than X1Y2 of it.\n",
        b"317GND  U1  -1  D0300PA00X+000100Y+000200*\n" * 4,
    ],
)
def test_other_files_are_refused(data: bytes) -> None:
    with pytest.raises(FormatError) as error:
        read_gerber(data, "a.txt")
    assert "a.txt" in str(error.value) and "expected" in str(error.value)


@given(
    st.lists(
        st.tuples(
            st.integers(-(10**9), 10**9), st.integers(-(10**9), 10**9), st.sampled_from([1, 2, 3])
        ),
        min_size=1,
        max_size=40,
    ),
    st.integers(1, 6),
    st.integers(2, 6),
    st.booleans(),
    st.booleans(),
    st.sampled_from(["\n", "\r\n", "\r", ""]),
)
def test_written_and_read_back(
    steps: list[tuple[int, int, int]],
    whole: int,
    decimals: int,
    inch: bool,
    trailing: bool,
    end: str,
) -> None:
    unit = 25.4 if inch else 1.0
    limit = min(10 ** (whole + decimals), int(MOST_MM / unit * 10**decimals))

    def number(value: int) -> str:
        if trailing:
            text = f"{abs(value):0{whole + decimals}d}".rstrip("0") or "0"
            return ("-" if value < 0 else "") + text
        return str(value)

    lines = [f"%FS{'T' if trailing else 'L'}AX{whole}{decimals}Y{whole}{decimals}*%"]
    lines += [f"%MO{'IN' if inch else 'MM'}*%", "%ADD10C,1*%", "G01*", "D10*"]
    expected = []
    px = py = 0
    for x, y, code in steps:
        x, y = int(np.fmod(x, limit)), int(np.fmod(y, limit))
        axes = (f"X{number(x)}" if x != px else "") + (f"Y{number(y)}" if y != py else "")
        lines.append(f"{axes}D0{code}*")
        if code == 1:
            expected.append((Kind.DRAW, px, py, x, y))
        elif code == 3:
            expected.append((Kind.FLASH, x, y, x, y))
        px, py = x, y
    art = read_gerber((end.join(lines) + end + "M02*").encode(), "a")
    assert not rules_beyond_notes(art)
    o = art.objects
    assert o.kind.tolist() == [e[0] for e in expected]
    for k, name in enumerate(("x0", "y0", "x1", "y1"), 1):
        wanted = [e[k] / 10**decimals * unit for e in expected]
        assert np.allclose(getattr(o, name), wanted, rtol=1e-15, atol=1e-12)


def rules_beyond_notes(art: Artwork) -> list[str]:
    return [d.found for d in art.defects if d.weight > Weight.NOTE]


@settings(max_examples=300)
@given(
    st.integers(0, len(SAMPLE) - 1),
    st.integers(0, 12),
    st.sampled_from(
        [
            b"",
            b"%",
            b"*",
            b"X",
            b"%SRX2Y2I1J1*%",
            b"%ABD12*%",
            b"\xff",
            b"G36*",
            b"M02*",
            b"D12*",
            b"G74*G02*",
            b"%AB*%",
            b"G04",
            b"9999999999999999999",
            b"%ADD",
        ]
    ),
)
def test_damage_never_raises_anything_else(at: int, gone: int, put: bytes) -> None:
    data = SAMPLE[:at] + put + SAMPLE[at + gone :]
    try:
        art = read_gerber(data, "a")
    except FormatError:
        return
    assert (art.objects.aperture < len(art.apertures)).all()
    assert ((art.objects.aperture >= 0) | (art.objects.kind == Kind.REGION)).all()
    assert len(art.objects.x0) == len(art.objects.net)


@given(
    st.binary(max_size=200)
    | st.text("XYIJDG0123456789*%LPCSRA,.-+\n", max_size=200).map(str.encode)
)
def test_any_bytes(data: bytes) -> None:
    for prefix in (b"", b"%FSLAX24Y24*%%MOMM*%"):
        try:
            read_gerber(prefix + data, "a")
        except FormatError:
            continue


@pytest.mark.skipif(not BOARDS.is_dir(), reason=f"no boards in {BOARDS}; set DFMCHECK_BOARDS")
def test_every_board_file_is_read_or_refused() -> None:
    read = 0
    for path in sorted(p for p in BOARDS.rglob("*") if p.is_file()):
        try:
            art = read_gerber(path.read_bytes(), path.name)
        except FormatError:
            continue
        read += 1
        assert not [d for d in art.defects if d.weight is Weight.HOLD], path
        for table in (art.objects, art.contours):
            assert np.isfinite(table.x0).all() and np.isfinite(table.y1).all(), path
    assert read > 0
