"""Gerber records against two independent readers: gerbonara and pygerber (PyPI, both open source).

The files are those pygerber ships in its package, among them example 2 of the Gerber Layer
Format Specification (2.11.2, "Shapes").
"""

from __future__ import annotations

import importlib.util
import os
import warnings
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Artwork, Kind

pytest.importorskip("pygerber")
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")
FOUND = importlib.util.find_spec("pygerber")
FOLDER = Path(FOUND.origin or ".").parent / "examples" if FOUND else Path()
FILES = sorted(p for p in FOLDER.rglob("*") if p.suffix in (".gbr", ".grb"))
ROOT = Path(__file__).resolve().parents[2]
BOARDS = Path(os.environ.get("DFMCHECK_BOARDS", ROOT.parent / "shared" / "boards"))
MADE_UP = """G04 made-up*
%FSLAX25Y25*%
%MOIN*%
%ADD10C,0.01*%
%ADD11R,0.05X0.02*%
G01*
G75*
D10*
X100000Y100000D02*
X250000D01*
Y-50000D01*
G02*
X350000Y50000I100000J0D01*
G03*
X350000Y50000I-30000J-40000D01*
G01*
%LPC*%
D11*
X0Y0D03*
X100000D03*
%LPD*%
G36*
X10000Y10000D02*
X20000D01*
Y20000D01*
X10000Y10000D01*
X50000Y50000D02*
X60000D01*
Y60000D01*
X50000Y50000D01*
G37*
D10*
X0Y0D03*
M02*
"""


def read(text: str) -> Artwork:
    return read_gerber(text.encode(), "a.gbr")


def gerbonara_rows(text: str) -> list[tuple[Any, ...]]:
    """Kind, ends in mm, polarity; a region gives its contours joined by the reader, so no ends."""
    reader = pytest.importorskip("gerbonara.rs274x")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        objects = reader.GerberFile.from_string(text).objects
    rows: list[tuple[Any, ...]] = []
    for o in objects:
        kind = type(o).__name__
        unit = 25.4 if "inch" in repr(o.unit) else 1.0
        if kind == "Flash":
            rows.append(
                (Kind.FLASH, o.x * unit, o.y * unit, o.x * unit, o.y * unit, o.polarity_dark)
            )
        elif kind in ("Line", "Arc"):
            ends = (o.x1 * unit, o.y1 * unit, o.x2 * unit, o.y2 * unit)
            rows.append((Kind.DRAW if kind == "Line" else Kind.ARC, *ends, o.polarity_dark))
    return rows


def our_rows(art: Artwork) -> list[tuple[Any, ...]]:
    o = art.objects.take(art.objects.kind != Kind.REGION)
    columns = (o.kind, o.x0, o.y0, o.x1, o.y1, o.dark)
    return list(zip(*(c.tolist() for c in columns), strict=True))


def test_there_are_examples() -> None:
    assert FILES


TEXTS = [pytest.param(MADE_UP, id="made-up")] + [
    pytest.param(p.read_text(), id=p.name)
    for p in FILES
    if p.name != "ucamco_ex_2_shapes.grb"  # gerbonara refuses its comment inside a macro
]


@pytest.mark.parametrize("text", TEXTS)
def test_objects_as_gerbonara_reads_them(text: str) -> None:
    ours, theirs = our_rows(read(text)), gerbonara_rows(text)
    assert len(ours) == len(theirs) > 0
    assert [r[0] for r in ours] == [r[0] for r in theirs]
    assert [r[5] for r in ours] == [r[5] for r in theirs]
    assert np.allclose([r[1:5] for r in ours], [r[1:5] for r in theirs], rtol=0, atol=1e-6)


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_counts_as_pygerber_reads_them(path: Path) -> None:
    parser = pytest.importorskip("pygerber.gerberx3.parser2.parser2")
    tokenizer = pytest.importorskip("pygerber.gerberx3.tokenizer.tokenizer")
    tokens = tokenizer.Tokenizer().tokenize(path.read_text())
    theirs = Counter(type(c).__name__ for c in parser.Parser2().parse(tokens))
    kinds = Counter(Kind(k).name for k in read(path.read_text()).objects.kind.tolist())
    names = {"Flash2": "FLASH", "Line2": "DRAW", "Region2": "REGION", "Arc2": "ARC"}
    names |= {"CCArc2": "ARC"}
    assert set(theirs) <= set(names)
    counted: Counter[str] = Counter()
    for name, count in theirs.items():
        counted[names[name]] += count
    assert kinds == counted


def test_nets_as_gerbonara_reads_them() -> None:
    path = next(p for p in FILES if p.name == "simple_2layer-F_Cu.gbr")
    reader = pytest.importorskip("gerbonara.rs274x")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        objects = reader.GerberFile.from_string(path.read_text()).objects
    art = read(path.read_text())
    drawn = art.objects.take(art.objects.kind != Kind.REGION)  # it gives regions no attributes
    ours = [art.nets[k] if k >= 0 else "" for k in drawn.net.tolist()]
    attributes = [o.attrs for o in objects if type(o).__name__ != "Region"]
    theirs = [a.get(".N", ("",))[0] for a in attributes]
    assert Counter(ours) == Counter(theirs)


# one file of each way of writing: G54 and inch, old style regions, trailing zeros, modal D codes
@pytest.mark.parametrize(
    "name",
    [
        "led-arena/TOP.art",
        "hobby-top/Gerber_TopLayer.GTL",
        "sbc-10-layer/MinnowMax_RevA1_GAF_Gerber/MinnowMax_smc_GAF.art",
        "net-card/ZXINET.GBO",
        "usb-tool/mainboard_Top.gbr",
    ],
)
def test_board_files_as_gerbonara_reads_them(name: str) -> None:
    path = BOARDS / name
    if not path.is_file():
        pytest.skip(f"{path} is not there; set DFMCHECK_BOARDS")
    text = path.read_text(encoding="latin-1")
    ours, theirs = np.array(our_rows(read(text))), np.array(gerbonara_rows(text))
    assert ours.shape == theirs.shape
    assert np.array_equal(ours[:, 0], theirs[:, 0])
    assert np.allclose(ours, theirs, rtol=0, atol=1e-9)
