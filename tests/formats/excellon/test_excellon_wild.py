"""What is met in old and odd drill files: patterns, spans, formats and tools in words, XNC."""

from __future__ import annotations

import itertools

import pytest

from dfmcheck.formats.excellon import read_excellon
from dfmcheck.formats.excellon.canned import dual_in_line, eight_pins
from dfmcheck.formats.records import Drilling, HitKind
from dfmcheck.terms import Weight

HEAD = "M48\nMETRIC,TZ,000.000\nT01C0.8\n%\n"


def read(text: str, **options: object) -> Drilling:
    return read_excellon(text.encode(), "lamp.drl", **options)  # type: ignore[arg-type]


def body(text: str) -> Drilling:
    return read(f"{HEAD}T01\n{text}M30\n")


def spots(drilling: Drilling) -> list[tuple[float, float]]:
    h = drilling.hits
    return [(round(x, 3), round(y, 3)) for x, y in zip(h.x0, h.y0, strict=True)]


def departures(text: str) -> list[str]:
    found = [d.found for d in read(text, strict=True).defects]
    return [f.removeprefix("XNC: ") for f in found if f.startswith("XNC: ")]


# ---- patterns ----


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("upright", [False, True])
def test_dual_in_line_of_sixteen_pins(sign: int, upright: bool) -> None:
    length, width = 7 * 2.54 * sign, 7.62
    last = (10 + width, 20 + length) if upright else (10 + length, 20 + width)
    points = dual_in_line((10.0, 20.0), last)
    assert points is not None
    assert len(set(points)) == 16
    assert points[0] == (10.0, 20.0)
    assert last in [pytest.approx(p) for p in points]
    for (x0, y0), (x1, y1) in itertools.pairwise(points[:8]):
        step = (x1 - x0, y1 - y0)
        assert step == pytest.approx((0, 2.54 * sign) if upright else (2.54 * sign, 0))


def test_eight_pins_lie_on_one_circle() -> None:
    points = eight_pins((3.0, 4.0), (-1.0, 4.0))
    assert points is not None
    assert points[4] == pytest.approx((-1.0, 4.0))
    assert [(x - 1) ** 2 + (y - 4) ** 2 for x, y in points] == pytest.approx([4.0] * 8)


def test_a_pattern_off_the_pitch_is_not_built() -> None:
    drilling = body("X1000Y1000\nX2000Y2000G82X5000Y9000\nX9000Y9000\n")
    assert spots(drilling) == [(1, 1), (9, 9)]
    (defect,) = drilling.defects
    assert (defect.rule, defect.weight, defect.line) == (
        "data.unknown-command",
        Weight.QUERY,
        7,
    )


def test_modal_end_of_a_nibbled_slot() -> None:
    drilling = body("X1000Y2000\nG87X4000\n")
    assert drilling.hits.kind.tolist() == [HitKind.HIT, HitKind.SLOT]
    assert (drilling.hits.x0[1], drilling.hits.x1[1], drilling.hits.y1[1]) == (1.0, 4.0, 2.0)


def test_text_keeps_its_place_from_being_drilled_also_in_a_long_run() -> None:
    rows = "".join(f"X{n}000Y1000\n" for n in range(100))
    for letter in ("M97", "M98"):
        drilling = body(f"{letter},LOT 7\n{rows}")
        assert spots(drilling) == [(n, 1) for n in range(1, 100)]
        (defect,) = drilling.defects
        assert (defect.weight, defect.line) == (Weight.QUERY, 6)
        assert "LOT 7" in defect.found
    assert len(body("X1000Y1000M97,LAMP\nX2000Y2000\n").hits) == 1
    assert body("G91\nM97,A\nX1000Y1000\nX1000\n").hits.x0.tolist() == [2.0]


def test_routed_pattern_copies_are_paths_of_their_own() -> None:
    text = (
        "M25\nG00X0Y0\nM15\nG01X1000\nM16\nG00X0Y5000\nM15\nG01X1000\nM16\nM01\nR2M02Y9000\nM08\n"
    )
    drilling = body(text)
    assert drilling.hits.path.tolist() == [0, 1, 2, 3, 4, 5]
    assert drilling.hits.y0.tolist() == [0, 5, 9, 14, 18, 23]
    assert drilling.hits.kind.tolist() == [HitKind.ROUT] * 6


def test_mirrored_copy_without_offset() -> None:
    for letter, expected in (("M70", (2, 1)), ("M80", (-1, 2)), ("M90", (1, -2))):
        assert spots(body(f"M25\nX1000Y2000\nM01\nM02{letter}\nM08\n"))[1] == expected


def test_coordinates_of_an_unknown_command_are_no_hit() -> None:
    drilling = body("X1000Y1000\nG35X9000Y9000\n")
    assert spots(drilling) == [(1, 1)]
    assert [d.rule for d in drilling.defects] == ["data.unknown-command"]


# ---- what comments state ----


@pytest.mark.parametrize(
    ("comment", "row", "expected"),
    [
        (";Format: 2.4 inch, trailing zeros suppressed", "X01Y0025", (25.4, 6.35)),
        (";FORMAT 2:5 inch, leading zeros suppressed", "X100000Y25000", (25.4, 6.35)),
        (";Coordinates: 3.3, metric, suppress leading zeros", "X25400Y6350", (25.4, 6.35)),
        (";Precision (4:4) mm, omit leading zeros", "X254000Y63500", (25.4, 6.35)),
        (";METRIC 4:4 leading zeros omitted", "X254000Y63500", (25.4, 6.35)),
        (";4:4\nMETRIC,TZ", "X254000Y63500", (25.4, 6.35)),
        (";2:5\nINCH,TZ", "X100000Y25000", (25.4, 6.35)),
    ],
)
def test_format_in_a_comment(comment: str, row: str, expected: tuple[float, float]) -> None:
    drilling = read(f"M48\n{comment}\nT01C0.8\n%\nT01\n{row}\nM30\n")
    assert spots(drilling) == [pytest.approx(expected)]
    assert drilling.assumptions == ()


@pytest.mark.parametrize("comment", [";FORMAT VERSION 2.0", ";printed format 1.10", ";2:45 pm"])
def test_other_numbers_in_a_comment_are_no_format(comment: str) -> None:
    plain = read("M48\nMETRIC\nT01C0.8\n%\nT01\nX1500Y2500\nM30\n")
    drilling = read(f"M48\nMETRIC\n{comment}\nT01C0.8\n%\nT01\nX1500Y2500\nM30\n")
    assert spots(drilling) == spots(plain)
    assert drilling.assumptions == plain.assumptions


@pytest.mark.parametrize(
    ("comment", "ends"),
    [
        (";Blind vias L1-L2", ("1", "2")),
        (";BURIED 2 TO 3", ("2", "3")),
        ("; layers 4 and 1", ("1", "4")),
        (";LAYER PAIR: 1, 6", ("1", "6")),
        ("; Span = L3 / L4", ("3", "4")),
        (";made with layer 7 of 8", None),
        (";Layers: 4", None),
        (";layers 3-3", None),
    ],
)
def test_span_in_a_comment(comment: str, ends: tuple[str, str] | None) -> None:
    drilling = read(f"M48\n{comment}\nMETRIC\nT01C0.8\n%\nT01\nX1.0Y1.0\nM30\n")
    assert drilling.attributes.get("LayerSpan") == ends
    assert drilling.defects == ()


@pytest.mark.parametrize(
    "first", ["; #@! TF.FileFunction,Plated,1,4,PTH", ";Layers 1 to 4"], ids=["attribute", "words"]
)
def test_spans_that_disagree_are_asked_about(first: str) -> None:
    drilling = read(f"M48\n{first}\n;Blind vias L1-L2\nMETRIC\nT01C0.8\n%\nT01\nX1.0Y1.0\nM30\n")
    (defect,) = drilling.defects
    assert (defect.rule, defect.weight, defect.line) == (
        "data.illegal-construct",
        Weight.QUERY,
        3,
    )
    assert "1 to 2" in defect.found
    assert "1 to 4" in defect.found


# ---- where the tools are ----


def test_listing_behind_the_hits() -> None:
    drilling = read(
        "%\nMETRIC,TZ,000.000\nT01\nX1000Y1000\nT02\nX2000Y2000\nM30\n"
        ";T01 Holesize 1. = 0.8 PLATED MM Quantity = 1\n;T02 3.2mm NPTH\n"
    )
    assert [(t.diameter, t.plating) for t in drilling.tools] == [
        (0.8, "plated"),
        (3.2, "unplated"),
    ]
    assert drilling.defects == ()


@pytest.mark.parametrize(
    ("listing", "sizes"),
    [
        ("Drill tools of lamp.drl\nUnits: mm\nT01;0.80;12\nT02;3.20;4\n", [0.8, 3.2]),
        ("DRILL TABLE\nsize [inch]\nT1  0.0315  12\nT2  0.1250  4\n", [0.8001, 3.175]),
        ("lamp.drl\nT01 = 0.8 mm PTH\nT02 = 125 mil NPTH\n", [0.8, 3.175]),
    ],
)
def test_separate_listing(listing: str, sizes: list[float]) -> None:
    text = "%\nMETRIC,TZ,000.000\nT01\nX1000Y1000\nT02\nX2000Y2000\nM30\n"
    drilling = read(text, beside=[listing])
    assert [t.diameter for t in drilling.tools] == pytest.approx(sizes)
    assert {a.subject for a in drilling.assumptions} == {"size of tool T01", "size of tool T02"}


def test_separate_listing_without_unit_is_not_guessed_at() -> None:
    text = "%\nMETRIC,TZ,000.000\nT01\nX1000Y1000\nM30\n"
    drilling = read(text, beside=["Drill tools of lamp.drl\nT01;0.80;12\n"])
    assert drilling.tools[0].diameter is None
    assert any(d.weight == Weight.HOLD for d in drilling.defects)


# ---- XNC ----

XNC = "M48\nMETRIC\nT01C0.8\n%\nG05\nT01\nX1.0Y1.0\nX2.0\nM30\n"


def test_a_file_that_holds_to_xnc() -> None:
    assert departures(XNC) == []
    rout = "G00X5.0Y5.0\nM15\nG01X6.0\nG02X8.0Y5.0A1.0\nM16\n"
    assert departures(XNC.replace("M30", f"{rout}G05\nX1.0Y1.0G85X2.0Y1.0\nM30")) == []


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("M48\n", "", "statement before M48 (line 1)"),
        ("METRIC\n", "", "no unit (line 9)"),
        ("METRIC", "METRIC\nINCH", "unit that is not stated once, before the tools (line 3)"),
        ("T01C0.8", "T01C0.8F100", "tool with further fields (line 3)"),
        ("T01C0.8", "T01C0.8\nT01C0.9", "tool defined twice (line 4)"),
        ("%", "%\nT02C0.9", "tool defined in the body (line 5)"),
        ("G05\n", "", "2× coordinates before G05 or G00 sets the mode (lines 6, 7)"),
        ("G05\nT01\n", "G05\n", "2× coordinates before a tool is selected (lines 6, 7)"),
        ("T01\nX", "T02\nX", "tool that is not defined in the header (line 6)"),
        ("X1.0Y1.0", "X1Y1.0", "coordinate without decimal point (line 7)"),
        ("X2.0", "x2.0", "small letter in a statement (line 8)"),
        ("X2.0", "X2.0 ", "blank in a statement (line 8)"),
        ("X2.0", "X2.0;two", "comment behind a statement (line 8)"),
        ("X2.0", "G90", "G90, which is no command of XNC (line 8)"),
        ("X2.0", "G00X2.0\nM16", "M16 out of turn (line 9)"),
        ("X2.0", "G00X2.0\nG01X3.0", "cut with the tool up (line 9)"),
        ("X2.0", "G00X2.0\nM15", "end of file with the tool down (line 10)"),
        ("M30\n", "", "no M30 (line 9)"),
        ("M30\n", "M30\nX3.0\n", "statement behind M30 (line 10)"),
    ],
)
def test_each_departure_from_xnc_is_named(old: str, new: str, expected: str) -> None:
    text = XNC.replace(old, new, 1)
    assert text != XNC
    assert expected in departures(text)


def test_strict_reading_reads_the_same() -> None:
    text = f"{HEAD}T01\nX1000Y1000\nR2X1000\nM30\n"
    plain, strict = read(text), read(text, strict=True)
    assert strict.hits.x0.tolist() == plain.hits.x0.tolist()
    assert strict.assumptions == plain.assumptions
    assert set(plain.defects) < set(strict.defects)
