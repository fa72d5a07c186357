"""Drill files of real boards, against another reader and against their copper.

Outside reference: the drill reader of the open library gerbonara (positions and tool sizes of
round hits). It is asked only where the file states its format, because it guesses otherwise.
"""

from __future__ import annotations

import os
import re
import warnings
from pathlib import Path

import numpy as np
import pytest

from dfmcheck.formats.excellon import read_excellon
from dfmcheck.formats.records import Drilling, HitKind

BOARDS = Path(
    os.environ.get("DFMCHECK_BOARDS", Path(__file__).resolve().parents[2] / "../shared/boards")
).resolve()
pytestmark = pytest.mark.skipif(not BOARDS.is_dir(), reason=f"no board folder at {BOARDS}")

# Drill file → a copper file of the same board.
COPPER = {
    "four-layer-netlist/ncdrill-1-4.drl": "l1_primary.art",
    "four-layer-netlist/08_057494d.rou": "l1_primary.art",
    "hobby-top/Gerber_Drill_PTH.DRL": "Gerber_TopLayer.GTL",
    "hobby-top/Gerber_Drill_NPTH.DRL": "Gerber_TopLayer.GTL",
    "led-arena/arena_12-12_v6_L1-L6.drl": "TOP.art",
    "net-card/ZXINET.DRL": "ZXINET.GTL",
    "no-attributes/Flashpads-PTH.drl": "Flashpads-F_Cu.gbr",
    "radio-14-layer/NC Drill/LimeSDR-QPCIe_1v2-RoundHoles.TXT": "../Gerber/LimeSDR-QPCIe_1v2.GTL",
    "radio-14-layer/NC Drill/LimeSDR-QPCIe_1v2-SlotHoles.TXT": "../Gerber/LimeSDR-QPCIe_1v2.GTL",
    "rfid-station/design_export.drl": "design_export.gtl",
    "rgb-matrix/chibi_2024.drl": "chibi_2024-F.Cu.gbr",
    "rover-2-layer/Drill.drl": "Top.pho",
    "sbc-10-layer/MinnowMax_RevA1_DRILL/MinnowMax_RevA1_NCDRILL.drl": (
        "../MinnowMax_RevA1_GAF_Gerber/MinnowMax_lyr2.art"
    ),
    "sbc-10-layer/MinnowMax_RevA1_DRILL/MinnowMax_RevA1_NCROUTE.rou": (
        "../MinnowMax_RevA1_GAF_Gerber/MinnowMax_lyr2.art"
    ),
    "school-board/drills.xln": "copper_top.gbr",
    "stepper-lights/controller.plated-drill.cnc": "controller.top.gbr",
    "stepper-lights/driver.plated-drill.cnc": "driver.top.gbr",
    "usb-tool/keyboard.drl": "keyboard_Bottom.gbr",
    "usb-tool/mainboard.drl": "mainboard_Bottom.gbr",
    "usb-tool/panel.drl": "panel_Bottom.gbr",
    "wifi-devkit-job/esp-rust-board-PTH.drl": "esp-rust-board-F_Cu.gbr",
    "x2-attributes/Flashpads-PTH.drl": "Flashpads-F_Cu.gbr",
}
# Hits of each file counted by grep before the reader was written.
NETLIST_HITS = 287


def copper_box(path: Path) -> tuple[float, float, float, float]:
    """Extent of the coordinates of a Gerber file in mm, by regular expression only."""
    text = path.read_text("latin-1")
    form = re.search(r"%FS([LT])[AI]X(\d)(\d)Y", text)
    assert form is not None
    scale = 25.4 if "MOIN*" in text else 1.0

    def value(digits: str) -> float:
        if form[1] == "T":
            return float(int(digits) * 10.0 ** (int(form[2]) - len(digits.lstrip("+-")))) * scale
        return int(digits) / 10 ** int(form[3]) * scale

    xs = [value(d) for d in re.findall(r"X([+-]?\d+)(?=[YD])", text)]
    ys = [value(d) for d in re.findall(r"Y([+-]?\d+)(?=[DIJ])", text)]
    return min(xs), min(ys), max(xs), max(ys)


def read(name: str, *, expected: tuple[float, float, float, float] | None = None) -> Drilling:
    path = BOARDS / name
    beside = [p.read_text("latin-1") for p in sorted(path.parent.glob("nc_param.txt"))]
    return read_excellon(path.read_bytes(), path.name, beside=beside, expected=expected)


@pytest.mark.parametrize("name", COPPER)
def test_holes_lie_on_the_board(name: str) -> None:
    box = copper_box((BOARDS / name).parent / COPPER[name])
    drilling = read(name, expected=box)
    h = drilling.hits
    assert len(h)
    x, y = np.concatenate([h.x0, h.x1]), np.concatenate([h.y0, h.y1])
    inside = (x > box[0] - 5) & (x < box[2] + 5) & (y > box[1] - 5) & (y < box[3] + 5)
    assert inside.mean() > 0.99
    if len(h) > 20 and not name.startswith(("wifi", "sbc")):  # these copper files have frames
        assert np.ptp(x) > 0.4 * (box[2] - box[0])
    assert not [a for a in drilling.assumptions if a.doubtful]
    assert not [d for d in drilling.defects if d.rule == "data.unknown-command"]


@pytest.mark.parametrize("name", COPPER)
def test_copper_as_evidence_changes_nothing_that_is_read(name: str) -> None:
    """With and without the evidence the same positions: the usual readings hold here."""
    box = copper_box((BOARDS / name).parent / COPPER[name])
    with_box, without = read(name, expected=box).hits, read(name).hits
    assert np.array_equal(with_box.x0, without.x0)
    assert np.array_equal(with_box.y0, without.y0)


def test_netlist_board_counts() -> None:
    assert len(read("four-layer-netlist/ncdrill-1-4.drl").hits) == NETLIST_HITS


@pytest.mark.parametrize(
    "name",
    [
        "hobby-top/Gerber_Drill_PTH.DRL",
        "net-card/ZXINET.DRL",
        "no-attributes/Flashpads-PTH.drl",
        "radio-14-layer/NC Drill/LimeSDR-QPCIe_1v2-RoundHoles.TXT",
        "rfid-station/design_export.drl",
        "rgb-matrix/chibi_2024.drl",
        "school-board/drills.xln",
        "wifi-devkit-job/esp-rust-board-PTH.drl",
        "x2-attributes/Flashpads-PTH.drl",
    ],
)
def test_positions_and_sizes_as_another_reader_has_them(name: str) -> None:
    excellon = pytest.importorskip("gerbonara.excellon")
    flash = pytest.importorskip("gerbonara.graphic_objects").Flash
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = excellon.ExcellonFile.open(BOARDS / name)
    other = sorted(
        (
            round(o.unit.convert_to("mm", o.x), 3),
            round(o.unit.convert_to("mm", o.y), 3),
            round(o.tool.unit.convert_to("mm", o.tool.diameter), 3),
        )
        for o in theirs.objects
        if isinstance(o, flash)
    )
    drilling = read(name)
    h = drilling.hits.take(drilling.hits.kind == HitKind.HIT)
    ours = sorted(
        (round(float(x), 3), round(float(y), 3), round(drilling.tools[t].diameter or 0.0, 3))
        for x, y, t in zip(h.x0, h.y0, h.tool, strict=True)
    )
    assert len(ours) == len(other)
    assert np.abs(np.array(ours) - np.array(other)).max() < 0.002
