"""What a file tells against itself: repeats, a signature, idle tools, crossing outlines."""

from __future__ import annotations

import hashlib
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dfmcheck.board.file_checks import artwork_checks, repeats
from dfmcheck.formats.gerber import read_gerber
from dfmcheck.screen import screen
from dfmcheck.terms import Defect, Role
from tests.measure.packages import Sheet, drill_text, write_board

COPPER = Role.parse("conductor-1")
HEAD = "%FSLAX46Y46*%%MOMM*%%ADD10C,1*%%ADD11C,1.0*%%ADD12C,0.5*%%LPD*%G75*G01*"


def repeated(body: str) -> list[bool]:
    return repeats(read_gerber(f"{HEAD}{body}M02*".encode(), "t.gbr")).tolist()


@pytest.mark.parametrize(
    ("body", "again"),
    [
        ("D10*X1Y0D03*X2Y0D03*", [False, False]),
        ("D10*X1Y0D03*X1Y0D03*", [False, True]),
        ("D10*X1Y0D03*D11*X1Y0D03*", [False, True]),  # another number, the same shape
        ("D10*X1Y0D03*D12*X1Y0D03*", [False, False]),
        ("D10*X1Y0D02*X5Y0D01*X1Y0D01*", [False, True]),  # there and back
        ("D10*X1Y0D03*%LPC*%D12*X1Y0D03*%LPD*%D10*X1Y0D03*", [False, False, False]),
        ("D10*X0Y0D02*G02*X4Y0I2J0D01*G03*X0Y0I-2J0D01*", [False, True]),  # the same arc back
        ("D10*X0Y0D02*G02*X4Y0I2J0D01*X0Y0I-2J0D01*", [False, False]),  # the other half
        ("G36*X0Y0D02*G01*X4Y0D01*X4Y4D01*X0Y0D01*G37*" * 2, [False, True]),
        (
            "G36*X0Y0D02*G01*X4Y0D01*X4Y4D01*X0Y0D01*G37*"
            "G36*X0Y0D02*G01*X4Y0D01*X4Y5D01*X0Y0D01*G37*",
            [False, False],
        ),
    ],
)
def test_repeats_are_those_of_equal_shape_and_place(body: str, again: list[bool]) -> None:
    assert repeated(body) == again


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3), st.integers(10, 12)), max_size=40))
@settings(max_examples=60, deadline=None)
def test_repeats_agree_with_a_plain_set(flashes: list[tuple[int, int, int]]) -> None:
    body = "".join(f"D{code}*X{x}000000Y{y}000000D03*" for x, y, code in flashes)
    seen: set[tuple[int, int, bool]] = set()
    expected = []
    for x, y, code in flashes:
        key = (x, y, code == 12)
        expected.append(key in seen)
        seen.add(key)
    assert repeated(body) == expected


@pytest.mark.parametrize(("n", "told"), [(19, False), (20, True)])
def test_a_block_drawn_twice_is_told_with_its_line_and_place(n: int, told: bool) -> None:
    block = "".join(f"X{x}000000Y2000000D03*\n" for x in range(1, n + 1))
    data = f"{HEAD}\nD10*\n{block}{block}M02*\n".encode()
    found = artwork_checks(read_gerber(data, "t.gbr"), data, COPPER)
    if not told:
        assert found == ()
        return
    (one,) = found
    assert (one.rule, one.line, one.x, one.y) == ("data.duplicate-object", n + 3, 1.0, 2.0)
    assert one.found.startswith(f"{n} objects ")


def _signed(tail: str, spoil: bool = False) -> bytes:
    """As 5.6.9 says: MD5 of all bytes before the command, line ends left out."""
    body = f"{HEAD}\r\nD10*\r\nX1Y0D03*\r\n"
    sign = hashlib.md5(body.replace("\r\n", "").encode()).hexdigest()
    if spoil:
        body = body.replace("X1Y0", "X2Y0")
    return f"{body}%TF.MD5,{sign}*%{tail}M02*".encode()


@pytest.mark.parametrize("tail", ["", "\n", "\r\n"])
def test_a_signature_that_fits_is_silent_and_one_that_does_not_is_told(tail: str) -> None:
    good, bad = _signed(tail), _signed(tail, spoil=True)
    assert artwork_checks(read_gerber(good, "t.gbr"), good, COPPER) == ()
    (found,) = artwork_checks(read_gerber(bad, "t.gbr"), bad, COPPER)
    assert (found.rule, found.line) == ("data.attribute-contradiction", 4)


def _profile(*rings: list[tuple[float, float]]) -> Sheet:
    sheet = Sheet()
    pen = sheet.circle(0.1)
    for ring in rings:
        for a, b in pairwise([*ring, ring[0]]):
            sheet.draw(pen, *a, *b)
    return sheet


def _screened(folder: Path, profile: Sheet, drill: str = "") -> dict[str, Defect]:
    top = Sheet()
    top.flash(top.circle(1.0), 5, 5)
    files = {"t.gbr": top.text("Copper,L1,Top"), "p.gbr": profile.text("Profile,NP")}
    if drill:
        files["h.drl"] = drill
    return {d.rule: d for d in screen(write_board(folder, files), workers=1).defects}


SQUARE = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]


@pytest.mark.parametrize(
    ("rings", "places"),
    [
        ([SQUARE], None),
        ([SQUARE, SQUARE], None),  # drawn twice: a repeat, not another outline
        ([SQUARE, [(2.0, 2.0), (4.0, 2.0), (4.0, 4.0)]], None),  # a cut-out
        ([[(0.0, 0.0), (10.0, 10.0), (10.0, 0.0), (0.0, 10.0)]], [(5.0, 5.0)]),  # a bow-tie
        ([SQUARE, [(0.0, 5.0), (4.0, 4.0), (4.0, 6.0)]], [(0.0, 5.0)]),  # a cut-out at the edge
        ([SQUARE, [(8.0, 2.0), (12.0, 2.0), (12.0, 8.0), (8.0, 8.0)]], [(10.0, 2.0)]),
    ],
)
def test_a_profile_that_crosses_itself_is_asked_about(
    tmp_path: Path, rings: list[list[tuple[float, float]]], places: list[tuple[float, float]] | None
) -> None:
    found = _screened(tmp_path / "job", _profile(*rings)).get("data.profile-crossing")
    if places is None:
        assert found is None
        return
    assert found is not None
    if len(rings) > 1:  # of the bow-tie one half is the board, and its corner the datum
        assert (found.x, found.y) == pytest.approx(places[0])


def test_a_tool_nobody_uses_is_noted(tmp_path: Path) -> None:
    drill = drill_text([(5.0, 5.0, 0.5)], True, Sheet())
    assert "data.tool-idle" not in _screened(tmp_path / "a", _profile(SQUARE), drill)
    idle = drill.replace("%\nG05", "T7C0.9\n%\nG05")
    found = _screened(tmp_path / "b", _profile(SQUARE), idle)
    told = found["data.tool-idle"]
    assert "T7" in told.found and told.line == 5
    assert "data.tool-size" not in found  # its size is sound: one finding, not two
