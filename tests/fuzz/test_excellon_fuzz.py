"""Drill files put together at random, and the cases longer fuzzing runs have found."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dfmcheck.errors import FormatError
from dfmcheck.formats.excellon import read_excellon

HEAD = "M48\nMETRIC,TZ,000.000\nT1C0.8\n%\nT1\n"
PIECES = st.sampled_from(
    [
        *"XYGMTRCAIJNFSHZQ%;,.+-/()=:{}0123456789 ",
        *("\n", "M48", "M95", "M30", "METRIC", "INCH", "M71", "M72", ",LZ", ",TZ", ",000.000"),
        *("FMAT,1", "ICI,ON", "T1", "T01C0.8", "T2C1.2F100", "T0101", "T00", "G00", "G01", "G02"),
        *("G03", "G05", "G32", "G41", "G82", "G83", "G84", "G85", "G87", "G90", "G91", "G93"),
        *("M01", "M02", "M08", "M15", "M16", "M25", "M70", "M80", "M90", "M97,AB", "M99,1"),
        *("R5", "R99999M02", "X1.0", "Y2.0", "X100", "Y-200", "A1.5", "I1J0", "\nX1Y1\n"),
        *("X1Y1G85X2Y2", ";FILE_FORMAT=", "2:4", "; FORMAT={3:3/ metric}", ";TYPE=PLATED"),
        *("; #@! TF.FileFunction,Plated,1,2,PTH", ";T01 Holesize 1. = 8.0 PLATED MILS", "²", "٣"),
        ";LAYERS 1 TO 4",
    ]
)
BESIDE = "INTEGER-PLACES 2\nDECIMAL-PLACES 4\nOUTPUT-UNITS ENGLISH\nNC DRILL\n0.8 T01\nT02 0.5 mm\n"


def check(data: bytes, strict: bool = False, beside: bool = False) -> None:
    """Sound records, or one clear error."""
    texts = [BESIDE] if beside else []
    try:
        drilling = read_excellon(data, "a.drl", beside=texts, strict=strict)
    except FormatError as error:
        assert "\n" not in str(error)
        return
    hits = drilling.hits
    assert int(hits.tool.max(initial=-1)) < len(drilling.tools)
    for name in ("x0", "y0", "x1", "y1"):
        assert np.isfinite(getattr(hits, name)).all()
    rows = data.count(b"\n") + data.count(b"\r") + 1
    assert all(1 <= d.line <= rows for d in drilling.defects if d.line is not None)


@settings(max_examples=150, deadline=None)
@given(st.booleans(), st.lists(PIECES, max_size=60), st.booleans(), st.booleans())
def test_statements_in_any_order(
    headed: bool, pieces: list[str], strict: bool, beside: bool
) -> None:
    check(((HEAD if headed else "") + "".join(pieces)).encode(), strict, beside)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    check(data)
    check(HEAD.encode() + data, strict=True)


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "X123456Y123456" * 40 + "!\n",  # words a pattern could cut in many ways
        HEAD + "X1Y1\n" + "R999999X1\n" * 50 + "M30\n",  # repeats without end
        HEAD + "M25\nM01\nR999999999M02X1\nM30\n",  # a repeat of nothing
        HEAD + "M25\nX1Y1\nM01\nR300000M02X1\nM30\n",
        HEAD + "M25\nX1Y1\n" * 2000 + "M01\nM02X1\n" * 2000 + "M30\n",
        "M48\nMETRIC\n"
        + "".join(f"T{n}C0.5\n" for n in range(1, 20001))
        + "%\nT1\nX1.0Y1.0\nM30\n",
        HEAD + ";FORMAT={" * 50_000 + "\nX1Y1\nM30\n",
        HEAD + ";T1" + " x" * 50_000 + "\nX1Y1\nM30\n",
        HEAD + "".join(f"HELLO{n}\n" for n in range(20_000)) + "M30\n",
        HEAD + "G01X1000Y1000\n" * 20_000 + "M30\n",
        HEAD + "%\n" * 20_000 + "M30\n",
    ],
    ids=lambda text: text[40:64],
)
def test_no_input_takes_long(text: str) -> None:
    start = time.process_time()
    check(text.encode(), strict=True)
    assert time.process_time() - start < 4.0


@pytest.mark.parametrize(
    "text",
    [
        "M48\n;FILE_FORMAT=9999:9999\nMETRIC\nT1C0.5\n%\nT1\nX1Y1\nM30\n",
        "M48\n;FILE_FORMAT=" + "9" * 5000 + ":1\nMETRIC\nT1C0.5\n%\nT1\nX1Y1\nM30\n",
        "M48\nMETRIC,TZ,0." + "0" * 400 + "\nT1C0.5\n%\nT1\nX1Y1\nM30\n",
        HEAD + f";T1 Holesize 1. = {'9' * 400} PLATED MILS Quantity = {'9' * 400}\nX1Y1\nM30\n",
        HEAD + "G00X1Y1." + "0" * 400 + "\nX1Y1\nM30\n",
        HEAD + "T999999999999\nX1Y1\nM30\n",
    ],
    ids=lambda text: text[4:30],
)
def test_numbers_beyond_measure(text: str) -> None:
    check(text.encode())
    drilling = read_excellon(text.encode(), "a.drl")
    assert len(drilling.hits) >= 1
    np.array([t.number for t in drilling.tools], dtype=np.int32)


def test_repeats_of_a_file_are_bounded_together() -> None:
    text = HEAD + "X1Y1\n" + "R200000X1\n" * 3 + "M30\n"
    drilling = read_excellon(text.encode(), "a.drl")
    assert len(drilling.hits) == 200_001
    (refused,) = [d for d in drilling.defects if "not carried out" in d.found]
    assert refused.found.startswith("2×")
