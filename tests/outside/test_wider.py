"""Whole images against a plain painter: pixels set and cleared in order by point-in-shape
formulas, no polygons, no chords, nothing of the geometry stage and no shapely.

The painter looks at the centre of each pixel. Our parts are looked at in the same points, and
where the two differ the point must lie on an outline, to within the chord error.
"""

from __future__ import annotations

import importlib.resources
import importlib.util
import os
from pathlib import Path

import pytest
import shapely

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.geometry.image import layer_image
from tests.outside.painter import compare

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")
ROOT = Path(__file__).resolve().parents[2]
SPEC_EXAMPLES = Path(
    os.environ.get("DFMCHECK_SPEC_EXAMPLES", ROOT.parent / "shared" / "spec-examples")
)

HEAD = "%FSLAX33Y33*%\n%MOMM*%\n"
LADDER = """G75*
%AMMIX*
4,1,4,-.6,-.2,.5,-.4,.8,.3,-.1,.1,-.6,-.2,15*
1,0,.3,.2,0,30*
20,1,.15,-.8,-.5,.9,.4,10*
5,1,5,-.5,.5,.5,20*
1,0,.2,-.5,.5,20*
21,1,.4,.12,.6,-.5,33*%
%AMTHERMAL*
7,.2,.1,1.6,1,.2,25*%
%ADD10C,.4*%
%ADD11R,1.2X.5*%
%ADD12O,1.4X.6X.3*%
%ADD13P,1.2X5X17X.3*%
%ADD14MIX*%
%ADD15THERMAL*%
%ADD16C,1.5X.7*%
"""
SNIPPETS = {
    "apertures and transforms": LADDER
    + "".join(
        f"%LM{m}*%\n%LR{t}*%\n%LS{s}*%\nD{d}*\nX{2000 * d}Y{2500 * k}D03*\n"
        for k, (m, t, s) in enumerate(
            [("N", 0, 1), ("X", 30, 1.3), ("Y", -75, 0.7), ("XY", 200, 1)]
        )
        for d in range(10, 17)
    ),
    "polarity, draws and arcs": LADDER
    + "%ADD20R,12X9*%\n%ADD21C,.05*%\nD20*\nX5000Y4000D03*\n%LPC*%\nD10*\nX0Y0D02*\nG01*\n"
    "X9000Y3000D01*\n"
    "G03*\nX6000Y6000I-3000J0D01*\nG02*\nX3000Y6000I-1500J0D01*\n%LPD*%\nX6000Y2000D02*\n"
    "G02*\nX6000Y2000I-1000J500D01*\nD11*\nG01*\nX1000Y1000D02*\nX3000Y7000D01*\nX1000D01*\n"
    "%LR20*%\nX9000Y7000D02*\nX7000Y5000D01*\n%LPC*%\n%LS.5*%\nX10000Y1000D02*\nY8000D01*\n"
    "D21*\nX-1000Y2000D02*\nX11000D01*\n",
    "regions": "G75*\nG36*\nX0Y0D02*\nG01*\nX6000D01*\nG03*\nX6000Y6000I0J3000D01*\nG01*\n"
    "X4000D01*\n"
    "G02*\nX1000Y6000I-1500J0D01*\nG01*\nX0D01*\nY3000D01*\nX1000D01*\nG03*\nX1000Y3000I1000J0D01*\n"
    "G01*\nX0D01*\nY0D01*\nX8000Y1000D02*\nX12000Y500D01*\nX11000Y5000D01*\nX8000Y1000D01*\nG37*\n"
    "%LPC*%\nG36*\nX5000Y3000D02*\nG03*\nX5000Y3000I700J100D01*\nG37*\n",
    "blocks and repeats": LADDER
    + "%ABD30*%\nD11*\nX0Y0D02*\nG01*\nX1500Y500D01*\n%LPC*%\n%LR40*%\nD14*\n"
    "X700Y200D03*\n%LR0*%\n%LPD*%\n"
    "G36*\nX1000Y1000D02*\nX2000D01*\nG03*\nX1000Y1000I-500J0D01*\nG37*\nD10*\nX-1000Y0D02*\n"
    "G02*\nX0Y1000I1000J0D01*\nG01*\n%AB*%\n%ABD31*%\nD30*\n%LMX*%\n%LR25*%\nX0Y0D03*\n%LPC*%\n%LMN*%\n"
    "%LS.6*%\nX500Y500D03*\n%LS1*%\n%LR0*%\n%LPD*%\n%AB*%\nD31*\nX0Y0D03*\n%LMY*%\n%LR-50*%\n%LS1.5*%\n"
    "X6000Y0D03*\n%LPC*%\nX6500Y400D03*\n%LPD*%\n%LMN*%\n%LR0*%\n%LS1*%\n%SRX3Y2I2.2J1.9*%\nD13*\n"
    "X-1000Y4000D03*\n%LPC*%\nD10*\nX0Y4500D02*\nX1500Y5500D01*\n%LPD*%\nD15*\nX0Y5000D03*\n%SR*%\n",
}


@pytest.mark.parametrize("name", SNIPPETS)
def test_snippet_as_painted(name: str) -> None:
    compare((HEAD + SNIPPETS[name] + "M02*\n").encode(), f"{name}.gbr", 0.01)


@pytest.mark.parametrize("name", ["simple_2layer-F_Cu.gbr", "ucamco_ex_2_shapes.grb"])
def test_example_as_painted(name: str) -> None:
    if importlib.util.find_spec("pygerber") is None:
        pytest.skip("pygerber is not installed (extra 'dev')")
    path = importlib.resources.files("pygerber") / "examples" / name
    compare(path.read_bytes(), name, 0.02)


@pytest.mark.skipif(not SPEC_EXAMPLES.is_dir(), reason=f"{SPEC_EXAMPLES} is not there")
@pytest.mark.parametrize("path", sorted(SPEC_EXAMPLES.glob("*.gbr")), ids=lambda p: p.stem)
def test_specification_example_as_painted(path: Path) -> None:
    data = path.read_bytes()
    artwork = read_gerber(data, path.name)
    bounds = shapely.total_bounds(layer_image(artwork).parts)
    # The examples differ in size a hundredfold, and a pen must be some pixels wide.
    pens = [a.values[0] / 4 for a in artwork.apertures if a.values]
    compare(data, path.name, min([float((bounds[2:] - bounds[:2]).max()) / 700, *pens]))


@pytest.mark.parametrize(
    "name",
    [
        "school-board/copper_bottom.gbr",
        "x2-attributes/Flashpads-F_Cu.gbr",
        "no-attributes/Flashpads-F_Cu.gbr",
        "rfid-station/design_export.gtl",
    ],
)
def test_board_layer_as_painted(boards: Path, name: str) -> None:
    path = boards / name
    if not path.is_file():
        pytest.skip(f"{path} is not there")
    compare(path.read_bytes(), name, 0.01)
