"""Header statements read at once against the same read by the grammar."""

from __future__ import annotations

from hypothesis import example, given
from hypothesis import strategies as st

from dfmcheck.formats.excellon.statements import (
    _COMMON,
    ToolLine,
    Units,
    parse_statement,
    read_by_grammar,
)

NUMBERS = ["0", "1", "015", ".5", "-3.", "+0.25", "1.2.3", "9" * 16, "9" * 31, ".", "--1"]
WORDS = [
    "T", "C", "F", "S", "H", "Z", "X", ",", ",,", "INCH", "METRIC", "M71", "M72", "M48", "LZ", "TZ",
    "000.000", "00.0000", "0", "FMAT", "ICI", "ON", "OFF", "%", "VER", "TCST", *NUMBERS,
]  # fmt: skip


@given(st.lists(st.sampled_from(WORDS), min_size=1, max_size=8).map("".join))
@example("T01C0.5F100S50")
@example("T1,C.015,F095,S3")
@example("T1C1C2")
@example("METRIC,TZ,000.000")
@example("METRIC,LZ,TZ,0000.00")
@example("M71,TZ")
@example("INCH,")
@example("FMAT,2")
@example("FMAT,1.5")
@example("T1C")
def test_both_ways_read_alike(text: str) -> None:
    assert parse_statement(text) == read_by_grammar(text)


def test_common_statements_need_no_grammar() -> None:
    for text in ("T3", "T01C0.5", "T1F200S65C.0130", "METRIC,TZ,000.000", "INCH,LZ", "FMAT,2"):
        assert _COMMON.fullmatch(text), text
    assert parse_statement("T01C0.5S65") == ToolLine("01", {"C": "0.5", "S": "65"})
    assert parse_statement("METRIC,TZ,000.0000") == Units("mm", "leading", 3, 4)
