"""docs/gerber-commands.md, row by row: every example is read and compared."""

from __future__ import annotations

from pathlib import Path

import command_table
import pytest
from command_rows import ROWS, Row

from dfmcheck.formats.gerber import scan


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.command)
def test_row(row: Row) -> None:
    art = command_table.read(row)
    assert command_table.drawn(art) == row.image
    assert command_table.recorded(art) == row.recorded


def test_page_is_written_from_the_rows() -> None:
    page = command_table.PAGE.read_text(encoding="utf-8")
    assert page == command_table.page(), f"run python {Path(command_table.__file__).name}"


def test_every_command_the_reader_knows_has_a_row() -> None:
    """The codes are taken from the reader's own sources, so a new one needs a row."""
    examples = "\n".join(row.example + row.command for row in ROWS)
    source = Path(scan.__file__).read_text(encoding="utf-8")
    extended = {code for code in _codes(source) if code not in examples}
    assert not extended
    words = (
        "G00 G01 G02 G03 G04 G10 G11 G12 G36 G37 G54 G55 G60 G70 G71 G74 G75 G90 G91 M00 M01 M02"
    )
    assert not {code for code in words.split() if code not in examples}


def _codes(source: str) -> list[str]:
    start = source.index("(?:FS|")
    return source[start + 3 : source.index(")", start)].replace('"', "").split("|")


def test_no_row_is_there_twice() -> None:
    names = [row.command for row in ROWS]
    assert len(set(names)) == len(names)
    assert all(row.treatment and row.image for row in ROWS)
