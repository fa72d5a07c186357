"""Drill and rout statements, one dialect at a time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dfmcheck.errors import FormatError
from dfmcheck.formats.excellon import read_excellon
from dfmcheck.formats.records import Drilling, HitKind
from dfmcheck.terms import Weight

HEAD = "M48\nMETRIC,TZ,000.000\nT01C0.8\nT02C1.2\n%\n"


def read(text: str, **options: object) -> Drilling:
    return read_excellon(text.encode(), "holes.drl", **options)  # type: ignore[arg-type]


def body(text: str) -> Drilling:
    return read(HEAD + text + "M30\n")


def spots(drilling: Drilling) -> list[tuple[float, float]]:
    h = drilling.hits
    return [(round(x, 6), round(y, 6)) for x, y in zip(h.x0, h.y0, strict=True)]


def rules(drilling: Drilling) -> set[str]:
    return {d.rule for d in drilling.defects}


# ---- units, places, zeros ----


@pytest.mark.parametrize(
    ("units", "row", "expected"),
    [
        ("METRIC,TZ,000.000", "X26000Y438400", (26.0, 438.4)),
        ("METRIC,LZ,000.000", "X026Y4384", (26.0, 438.4)),
        ("METRIC,0000.00", "X+004398Y-003842", (43.98, -38.42)),
        ("INCH,LZ,00.0000", "X0111Y019", (28.194, 48.26)),
        ("INCH,TZ,00.0000", "X11100Y-19000", (28.194, -48.26)),
        ("M71,TZ", "X12.5Y.5", (12.5, 0.5)),
        ("M72,LZ", "X1.Y-0.5", (25.4, -12.7)),
        (";FILE_FORMAT=4:4\nMETRIC,LZ", "X002365Y00159755", (23.65, 15.9755)),
        ("; FORMAT={3:3/ absolute / metric / suppress leading zeros}", "X1500Y20", (1.5, 0.02)),
        ("; FORMAT={2:4/ absolute / inch / suppress trailing zeros}", "X015Y1", (38.1, 254.0)),
        ("; FORMAT={-:-/ absolute / inch / decimal}", "X1.5Y2", (38.1, 50.8)),
        ("FMAT,2\nICI,OFF\nMETRIC,TZ,000.000", "X1500Y2000", (1.5, 2.0)),
    ],
)
def test_stated_formats(units: str, row: str, expected: tuple[float, float]) -> None:
    if row.endswith("Y2"):
        row = row + "."
    drilling = read(f"M48\n{units}\nT1C0.5\n%\nT1\n{row}\nM30\n")
    assert spots(drilling) == [pytest.approx(expected)]
    assert drilling.assumptions == ()
    assert not [d for d in drilling.defects if d.weight > Weight.NOTE]


def test_unit_in_the_body_only() -> None:
    drilling = read("M48\nT1C0.5\n%\nM71\nT1\nX1.5Y2.0\nM30\n")
    assert drilling.unit == "mm"
    assert drilling.tools[0].diameter == 0.5
    assert spots(drilling) == [(1.5, 2.0)]


def test_unit_changes_in_the_body() -> None:
    drilling = read("M48\nMETRIC\nT1C0.5\n%\nM71\nT1\nX1.5Y2.0\nM72\nX1.0Y1.0\nM30\n")
    assert spots(drilling) == [(1.5, 2.0), (25.4, 25.4)]


@pytest.mark.parametrize("switch", ["ICI,ON\nMETRIC", "ICI\nMETRIC", "METRIC"])
def test_incremental(switch: str) -> None:
    g91 = "" if "ICI" in switch else "G91\n"
    drilling = read(
        f"M48\n{switch}\nT1C0.5\n%\n{g91}T1\nX1.0Y2.0\nX0.5\nY-1.0\nG90\nX5.0Y5.0\nM30\n"
    )
    assert spots(drilling) == [(1.0, 2.0), (1.5, 2.0), (1.5, 1.0), (5.0, 5.0)]


def test_long_incremental_run_is_the_sum() -> None:
    rows = "".join("X1000\n" for _ in range(100))
    drilling = body("G91\nT1\n" + rows)
    assert drilling.hits.x0.tolist() == pytest.approx(list(range(1, 101)))


def test_modal_letters_in_a_long_run() -> None:
    rows = "".join(f"X{n}000\n" if n % 2 else f"Y{n}000\n" for n in range(1, 101))
    drilling = body("T1\n" + rows)
    assert drilling.hits.x0[-1] == 99.0
    assert drilling.hits.y0[-1] == 100.0
    assert drilling.hits.y0[0] == 0.0


# ---- tools ----


def test_tools_of_every_writing() -> None:
    drilling = read(
        "%\nT1C.015F095S3\nX01095Y01056\nX01095Y0127\nT12F00S00C0.2H100Z-5\nX02Y02\nM30\n"
    )
    assert [(t.number, t.diameter) for t in drilling.tools] == [
        (1, pytest.approx(0.381)),
        (12, pytest.approx(5.08)),
    ]
    assert drilling.hits.tool.tolist() == [0, 0, 1]


def test_header_closed_by_m95_or_by_nothing() -> None:
    for end in ("M95\n", "%\n", ""):
        drilling = read(f"M48\nMETRIC,TZ\nT1C0.5\nT2C1.0\n{end}T1\nX1.0Y1.0\nT2\nX2.0Y2.0\nM30\n")
        assert drilling.hits.tool.tolist() == [0, 1], repr(end)


def test_tool_with_compensation_index() -> None:
    drilling = body("T0101\nX1000Y1000\n")
    assert drilling.tools[drilling.hits.tool[0]].number == 1


def test_listing_gives_size_plating_and_count() -> None:
    drilling = read(
        ";T01 Holesize 1. = 8.000000 Tolerance = +3.0/-3.0 PLATED MILS Quantity = 2\n"
        ";T02 Holesize 2. = 125.0 Tolerance = +5.0/-5.0 NON_PLATED MILS Quantity = 9\n"
        "%\nG90\nT01\nX001000Y002000\nX003000Y004000\nT02\nX005000Y006000\nM30\n"
    )
    assert [(t.diameter, t.plating) for t in drilling.tools] == [
        (pytest.approx(0.2032), "plated"),
        (pytest.approx(3.175), "unplated"),
    ]
    wrong = [d for d in drilling.defects if d.rule == "data.job-contradiction"]
    assert len(wrong) == 1
    assert "T02" in wrong[0].found


def test_type_sections_and_attributes() -> None:
    drilling = read(
        "M48\nMETRIC,TZ,000.000\n;TYPE=PLATED\nT01C0.5\n;TYPE=NON_PLATED\nT02C3.2\n%\n"
        "T01\nX1000Y1000\nT02\nX2000Y2000\nM30\n"
    )
    assert [t.plating for t in drilling.tools] == ["plated", "unplated"]
    drilling = read(
        "M48\n; #@! TF.FileFunction,NonPlated,1,2,NPTH\nMETRIC\n"
        "; #@! TA.AperFunction,Plated,PTH,ViaDrill\nT1C0.3\n; #@! TD\nT2C1.0\n%\n"
        "T1\nX1.0Y1.0\nT2\nX2.0Y2.0\nM30\n"
    )
    assert drilling.attributes["FileFunction"] == ("NonPlated", "1", "2", "NPTH")
    assert [t.plating for t in drilling.tools] == ["plated", "unplated"]


def test_plating_not_stated_is_unknown() -> None:
    assert body("T1\nX1000Y1000\n").tools[0].plating == "unknown"


def test_section_in_the_body_splits_a_tool() -> None:
    drilling = body(";TYPE=PLATED\nT1\nX1000Y1000\n;TYPE=NON_PLATED\nT1\nX2000Y1000\n")
    used = [drilling.tools[t] for t in drilling.hits.tool]
    assert [(t.number, t.plating) for t in used] == [(1, "plated"), (1, "unplated")]


def test_tool_defects() -> None:
    drilling = read("M48\nMETRIC,TZ,000.000\nT1C139.7\nT2C0.5\n%\nT1\nX1000Y1000\nT7\nX2Y2\nM30\n")
    found = {d.found.split(":")[0].split(" of ")[0]: d for d in drilling.defects}
    assert drilling.tools[0].diameter == 139.7
    assert found["tool T01"].weight == Weight.QUERY
    assert set(found) == {"tool T01", "tool T07"}  # an idle tool has a size: told of the board
    assert found["tool T07"].weight == Weight.HOLD
    assert {d.rule for d in drilling.defects} == {"data.tool-size"}


def test_hits_without_any_tool_are_kept() -> None:
    drilling = body("X1000Y1000\nX2000Y1000\n")
    assert len(drilling.hits) == 2
    assert drilling.tools[drilling.hits.tool[0]].diameter is None
    assert any("before any tool" in d.found for d in drilling.defects)


def test_tool_defined_twice() -> None:
    drilling = body("T1\nX1000Y1000\nT1C2.0\nX2000Y1000\n")
    assert [drilling.tools[t].diameter for t in drilling.hits.tool] == [0.8, 2.0]
    assert "data.illegal-construct" in rules(drilling)


# ---- slots, repeats ----


def test_g85_slots_with_modal_ends() -> None:
    drilling = body("T1\nX1000Y2000G85X3000\nG85Y5000\n")
    h = drilling.hits
    assert h.kind.tolist() == [HitKind.SLOT] * 2
    ends = np.column_stack([h.x0, h.y0, h.x1, h.y1]).tolist()
    assert ends == [[1.0, 2.0, 3.0, 2.0], [3.0, 2.0, 3.0, 5.0]]


def test_repeat() -> None:
    drilling = body("T1\nX1000Y1000\nR3X2000Y-500\nX0Y0\n")
    assert spots(drilling) == [(1, 1), (3, 0.5), (5, 0.0), (7, -0.5), (0, 0)]
    assert drilling.hits.line.tolist() == [7, 8, 8, 8, 9]


def test_pattern_step_and_repeat() -> None:
    text = "T1\nM25\nX1000Y1000\nX2000Y1000\nM01\nR2M02X10000Y0\nM02X0Y5000\nM08\nX0Y0\n"
    drilling = body(text)
    assert spots(drilling) == [
        *[(1, 1), (2, 1)],
        *[(11, 1), (12, 1)],
        *[(21, 1), (22, 1)],
        *[(21, 6), (22, 6)],
        (0, 0),
    ]


def test_mirrored_pattern_is_asked_about() -> None:
    drilling = body("T1\nM25\nX1000Y1000\nM01\nM02X0Y0M80\nM08\n")
    assert spots(drilling) == [(1, 1), (-1, 1)]
    asked = [d for d in drilling.defects if d.rule == "data.deprecated-construct"]
    assert asked
    assert asked[0].weight == Weight.QUERY


def test_datum_moved() -> None:
    drilling = body("T1\nG93X10000Y20000\nX1000Y1000\n")
    assert spots(drilling) == [(11.0, 21.0)]
    assert "data.datum-offset" in rules(drilling)


# ---- routing ----


def test_routed_path() -> None:
    drilling = body(
        "T1\nG00X1000Y1000\nM15\nG01X5000\nG03X6000Y2000A1000\nG02X7000Y3000I1000J0\nM16\n"
        "G00X0Y0\nM15\nG01Y4000\nM17\nG05\nT2\nX9000Y9000\n"
    )
    h = drilling.hits
    kinds = [HitKind.ROUT, HitKind.ROUT_ARC, HitKind.ROUT_ARC, HitKind.ROUT, HitKind.HIT]
    assert h.kind.tolist() == kinds
    assert h.path.tolist() == [0, 0, 0, 1, -1]
    assert (h.cx[1], h.cy[1]) == pytest.approx((5.0, 2.0))
    assert (h.cx[2], h.cy[2]) == pytest.approx((7.0, 2.0))
    assert h.clockwise.tolist() == [False, False, True, False, False]
    assert math.isnan(h.cx[0])
    assert [(h.x0[3], h.y0[3]), (h.x1[3], h.y1[3])] == [(0, 0), (0, 4)]


def test_plunge_alone_is_a_hole() -> None:
    drilling = body("T1\nG00X1000Y1000\nM15\nM16\n")
    assert drilling.hits.kind.tolist() == [HitKind.HIT]
    assert spots(drilling) == [(1.0, 1.0)]


def test_long_routed_path_is_connected() -> None:
    rows = "".join(f"G01X{n}00Y{n * n}\n" for n in range(1, 60))
    drilling = body("T1\nG00X0Y0\nM15\n" + rows + "M16\n")
    h = drilling.hits
    assert len(h) == 59
    assert h.x0[1:].tolist() == h.x1[:-1].tolist()
    assert set(h.path.tolist()) == {0}


def test_compensation_is_noted() -> None:
    drilling = body("T1\nG00X0Y0\nM15\nG41\nG01X1000Y0\nG40\nM16\n")
    assert [d.weight for d in drilling.defects if "compensation" in d.found] == [Weight.NOTE]


def test_rout_without_tool_size() -> None:
    drilling = read("%\nG90\nT01\nM16\nG00X004990Y004705\nG40\nM15\nG01X008490Y004705\nM16\nM30\n")
    assert drilling.tools[0].diameter is None
    assert "data.tool-size" in rules(drilling)
    assert len(drilling.hits) == 1


# ---- nothing lost ----


@pytest.mark.parametrize(
    ("statement", "rule"),
    [
        ("G82X1000", "data.unknown-command"),
        ("M97,ABC\nX1000Y1000", "data.unknown-command"),
        ("G77X1000", "data.unknown-command"),
        ("M99,3", "data.unknown-command"),
        ("HELLO", "data.unknown-command"),
        ("X1..5Y3", "data.unknown-command"),
        ("G00X0Y0\nG01X1000", "data.illegal-construct"),
        ("R999999999X1", "data.illegal-construct"),
        ("M25\nX1Y1\nM01\nR999999999M02X1", "data.illegal-construct"),
        ("X" + "9" * 400 + "Y1", "data.unknown-command"),
    ],
)
def test_what_is_not_executed_is_recorded(statement: str, rule: str) -> None:
    drilling = body("T1\nX5000Y5000\n" + statement + "\n")
    found = [d for d in drilling.defects if d.rule == rule]
    assert found
    assert found[0].line is not None
    assert found[0].line >= 8


def test_end_of_program_missing_and_rows_behind_it() -> None:
    assert "data.truncated-file" in rules(read(HEAD + "T1\nX1000Y1000\n"))
    drilling = body("T1\nX1000Y1000\nM30\nX2000Y2000\n")
    assert len(drilling.hits) == 1
    assert any("behind the end" in d.found for d in drilling.defects)


def test_no_end_line_break_and_other_line_ends() -> None:
    text = HEAD + "T1\nX1000Y1000\nM30"
    for end in ("\n", "\r\n", "\r"):
        assert len(read(text.replace("\n", end)).hits) == 1


def test_lines_count_from_one() -> None:
    assert body("T1\n\nX1000Y1000\n").hits.line.tolist() == [8]


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"  \n",
        b"\x00\x01\x02PNG\x00\xff",
        b"%FSLAX33Y33*%\n%MOMM*%\n%ADD10C,0.6*%\nD10*\nX1Y1D03*\nM02*\n",
        b"Dear fabricator,\nplease make ten boards.\nThank you\n",
        b"Tool  Size  Count\nT1  0.2mm  Round  12\n",
        b"%PDF-1.4\n%abc\n1 0 obj\n",
    ],
)
def test_other_data_is_refused_in_one_sentence(data: bytes) -> None:
    with pytest.raises(FormatError) as caught:
        read_excellon(data, "other.txt")
    assert "other.txt" in str(caught.value)
    assert "\n" not in str(caught.value)
