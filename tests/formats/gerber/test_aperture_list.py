"""Aperture lists that come apart from an RS-274-D file."""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np
import pytest

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Artwork
from dfmcheck.terms import Weight

ROOT = Path(__file__).resolve().parents[3]
BOARDS = Path(os.environ.get("DFMCHECK_BOARDS", ROOT.parent / "shared" / "boards"))
FILE = b"G04 Format: 2.4*G71*D10*X1Y1D03*D11*X2D03*D12*X3D03*M02*"


def read(listed: str, data: bytes = FILE) -> Artwork:
    return read_gerber(data, "made-up.pho", listed)


def sizes(art: Artwork) -> dict[int, tuple[str, tuple[float, ...]]]:
    return {a.code: (a.template, tuple(round(v, 6) for v in a.values)) for a in art.apertures}


@pytest.mark.parametrize(
    "listed",
    [
        "Units: inch\nD10 ROUND 0.010\nD11 RECT 0.060 0.080 FLASH\nD12 OVAL .05 .1",
        "all in mils\r\nD010,Circle,10\r\nD011,Rectangular,60x80,PAD\r\nD012,Oblong,50 x 100,PAD",
        "D10\tROUND\t10mil\nD11\tRECT\t1.524mm\t2.032mm\nD12\tOBROUND\t0.05in\t.1 inch",
        "no | shape | mm\n 10 | round | 0.254\n 11 | r | 1.524 | 2.032\n 12 | o | 1.27 | 2.54",
        "mil\nD10 ROUNDED 10 10 0 LINE 0\nD11 RECTANGULAR 80 60 0 FLASH 90\n"
        "D12 OVAL 50 100 0 FLASH 180",
    ],
)
def test_forms_of_lists(listed: str) -> None:
    art = read(listed)
    assert sizes(art) == {10: ("C", (0.254,)), 11: ("R", (1.524, 2.032)), 12: ("O", (1.27, 2.54))}
    assert [art.apertures[k].code for k in art.objects.aperture] == [10, 11, 12]
    assert not [d for d in art.defects if d.weight > Weight.NOTE]
    assert any("aperture list" in a.value for a in art.assumptions)


@pytest.mark.parametrize(
    ("unit", "values"), [("in", (0.01, 0.06)), ("mm", (0.25, 1.5)), ("mil", (10, 60))]
)
def test_unit_from_the_sizes_is_doubtful(unit: str, values: tuple[float, float]) -> None:
    art = read(f"D10 ROUND {values[0]}\nD11 SQUARE {values[1]}\nD12 ROUND {values[1]}\n")
    (assumed,) = [a for a in art.assumptions if a.subject == "aperture list unit"]
    assert assumed.value == unit and assumed.doubtful


def test_what_is_not_beyond_doubt_stays_undefined() -> None:
    art = read("mm\nD10 OCTAGON 2\nD11 ROUND 2 1\nD12 RECT 2\n")
    said = [d.found for d in art.defects if "aperture list" in d.found]
    assert len(said) == 3 and all(f"D{k}" in " ".join(said) for k in (10, 11, 12))
    undefined = [d for d in art.defects if "used but not defined" in d.found]
    assert len(undefined) == 3 and all(d.weight is Weight.HOLD for d in undefined)
    art = read("mm\nD10 ROUND 1\nD10 ROUND 2\nD11 ROUND 1\nD12 ROUND 1 # 2\n")
    assert sizes(art)[10] == ("C", (1.0,))
    assert any("D10 twice" in d.found and d.weight is Weight.HOLD for d in art.defects)
    assert any("row 5 of the aperture list cannot be read" in d.found for d in art.defects)


def test_the_files_own_apertures_hold() -> None:
    data = b"%FSLAX24Y24*%%MOMM*%%ADD10C,0.5*%D10*X0Y0D03*M02*"
    art = read("mm\nD10 ROUND 0.5\nD11 THERMAL 5\n", data)
    assert art.apertures[0].values == (0.5,) and not art.defects and not art.assumptions
    (defect,) = read("mm\nD10 ROUND 0.6\n", data).defects
    assert defect.weight is Weight.QUERY and "another D10" in defect.found


def test_no_list_in_the_text() -> None:
    art = read("See the drawing.\n")
    assert any("holds no aperture" in d.found for d in art.defects)


@pytest.mark.skipif(not BOARDS.is_dir(), reason=f"no boards in {BOARDS}; set DFMCHECK_BOARDS")
def test_a_published_board_with_a_list_and_apertures_of_its_own() -> None:
    """With its circles and rectangles taken out, a file gets the same from its list."""
    compared = 0
    for path in sorted(BOARDS.rglob("*.apr")):
        listed = path.read_text()
        for artwork in sorted(path.parent.glob("*.GTL")):
            data = artwork.read_bytes()
            own = read_gerber(data, artwork.name)
            bare = read(listed, re.sub(rb"%ADD\d+[CR],[^%]*%\s*", b"", data))
            wanted = {a.code: a for a in own.apertures if a.template in "CR"}
            found = {a.code: a for a in bare.apertures}
            for code, aperture in wanted.items():
                assert found[code].template == aperture.template
                assert np.allclose(found[code].values, aperture.values, atol=0.002), code
                compared += 1
    if not compared:
        pytest.skip("no board with an aperture list")
