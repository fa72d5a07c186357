# ruff: noqa: E402 - what is fuzzed is imported under the instrumentation
"""Fuzzes the Excellon reader: no crash, no hang, bounded memory, sound records.

    python benchmarks/fuzz_excellon.py --seconds 600

Half of the inputs are bytes as they come, half are put together from statements, so that the
fuzzer gets past the first line.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

with atheris.instrument_imports(include=["dfmcheck.formats.excellon"]):
    from dfmcheck.formats.excellon import read_excellon

import numpy as np
from fuzz_common import fuzz

from dfmcheck.errors import FormatError

PIECES = [
    *"XYGMTRCAIJNFSHZQ%;,.+-/()=:{}0123456789 ",
    "\n", "M48", "M95", "M30", "M00", "METRIC", "INCH", "M71", "M72", ",LZ", ",TZ", ",000.000",
    ",0000000000.00000000000", "FMAT,1", "FMAT,2", "ICI,ON", "ICI,OFF", "VER,1", "DETECT,ON",
    "T1", "T01C0.8", "T2C1.2F100S50", "T0101", "T00", "T99", "G00", "G01", "G02", "G03", "G04",
    "G05", "G32", "G33", "G40", "G41", "G42", "G81", "G82", "G83", "G84", "G85", "G87", "G90",
    "G91", "G92", "G93", "M01", "M02", "M08", "M14", "M15", "M16", "M17", "M25", "M70", "M80",
    "M90", "M97,AB", "M98,AB", "M99,1", "R5", "R999999", "R99999M02", "X1.0", "Y2.0", "X100",
    "Y-200", "X0", "Y0", "A1.5", "I1J0", "\nX1Y1\n", "\nX1.5Y2.5\n", "X1Y1G85X2Y2",
    ";FILE_FORMAT=", "2:4", "3:3", "; FORMAT={2:4/ absolute / metric / suppress leading zeros}",
    ";TYPE=PLATED", ";TYPE=NON_PLATED", "; #@! TF.FileFunction,Plated,1,2,PTH",
    "; #@! TA.AperFunction,NonPlated", ";T01 Holesize 1. = 8.0 Tolerance = +3/-3 PLATED MILS",
    " Quantity = 5", ";Holesize 1. = 8.0", ";LAYERS 1 TO 4", "; Format: 2.5 inch", "²", "٣",
]  # fmt: skip
BESIDE = "INTEGER-PLACES 2\nDECIMAL-PLACES 4\nOUTPUT-UNITS ENGLISH\nNC DRILL\n0.8 T01\nT02 0.5 mm\n"
BOX = (0.0, 0.0, 100.0, 80.0)


def build(data: bytes) -> tuple[bytes, dict[str, object]]:
    """A drill file and what stands beside it, from the fuzzer's bytes."""
    flags, rest = data[:1] or b"\0", data[1:]
    options: dict[str, object] = {}
    if flags[0] & 1:
        options["expected"] = BOX
    if flags[0] & 2:
        options["beside"] = [BESIDE]
    if flags[0] & 16:
        options["strict"] = True
    if flags[0] & 4:
        return rest, options
    head = "M48\nMETRIC,TZ,000.000\nT1C0.8\n%\nT1\n" if flags[0] & 8 else ""
    return (head + "".join(PIECES[b % len(PIECES)] for b in rest)).encode(), options


def check(data: bytes) -> None:
    """Read one input; only a FormatError of one line may be raised."""
    text, options = build(data)
    try:
        drilling = read_excellon(text, "a.drl", **options)  # type: ignore[arg-type]
    except FormatError as error:
        assert "\n" not in str(error), "an error of several lines"
        return
    hits = drilling.hits
    assert len(hits) <= 2_200_000, "repeats without end"
    assert int(hits.tool.max(initial=-1)) < len(drilling.tools), "a hit without tool"
    for name in ("x0", "y0", "x1", "y1"):
        assert bool(np.isfinite(getattr(hits, name)).all()), f"{name} is not finite"
    assert int(hits.line.min(initial=1)) >= 1, "a hit on no line"


if __name__ == "__main__":
    fuzz(check, "excellon")
