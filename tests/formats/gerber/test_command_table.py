"""docs/gerber-commands.md, row by row: every example is read and compared."""

from __future__ import annotations

import re
from pathlib import Path

import command_table
import pytest
from command_row import Row
from command_rows import ROWS

from dfmcheck.formats.gerber.modes import _G_DRAWING, _G_OLD, _G_SCALES
from dfmcheck.formats.gerber.scan import _EXTENDED


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.command)
def test_row(row: Row) -> None:
    art = command_table.read(row)
    assert command_table.drawn(art) == row.image
    assert command_table.recorded(art) == row.recorded


def test_page_is_written_from_the_rows() -> None:
    page = command_table.PAGE.read_text(encoding="utf-8")
    assert page == command_table.page(), f"run python {Path(command_table.__file__).name}"


def test_every_command_the_reader_knows_has_a_row() -> None:
    """The codes are the reader's own, so a new one needs a row."""
    examples = "\n".join(row.example + row.command for row in ROWS)
    known = re.search(r"\(\?:(FS\|[A-Z|]+)\)", _EXTENDED.pattern.decode())
    assert known is not None
    codes = known[1].split("|")
    codes += [f"G{code:02d}" for code in (*_G_DRAWING, 4, *_G_OLD, *_G_SCALES)]
    codes += ["D01", "D02", "D03", "M00", "M01", "M02"]
    assert len(codes) > 40
    assert [code for code in codes if code not in examples] == []


def test_no_row_is_there_twice() -> None:
    names = [row.command for row in ROWS]
    assert len(set(names)) == len(names)
    assert all(row.treatment and row.image for row in ROWS)
