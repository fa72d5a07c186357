"""Limits on what one file may ask of the machine; ``docs/limits.md`` states them in words.

Each lies well above what boards of the trade need (the figure beside it is the largest of the
published boards dfmcheck is tested with), and low enough that a file made to do harm is refused
within seconds.
"""

from __future__ import annotations

from dfmcheck.errors import FormatError

MOST_MM = 10_000.0  # coordinates, sizes and arcs; boards: 496 mm
MOST_BYTES = 128_000_000  # of a drawing, drill file or netlist; boards: 1.7 MB
MOST_JOB_BYTES = 4_000_000  # of a job file; boards: 3 kB
MOST_LINE = 20_000  # characters of a line or a statement that is read as one; boards: 1 kB

# ---- Gerber ----
MOST_TOKENS = 16_000_000  # letters and '*' of word commands; boards: 0.4 million
MOST_ODD_NUMBERS = 2_000_000  # numbers that are no plain integers
MOST_EXTENDED = 1_000_000  # extended commands and comments; boards: 1117
MOST_APERTURES = 10_000  # boards: 201
MOST_UNDEFINED = 1_000  # aperture numbers used and not defined
MOST_MACRO_BLOCKS = 20_000  # of all macros; boards: some hundred
MOST_PRIMITIVES = 5_000  # of one macro aperture; boards: 110
MOST_ERASING = 200  # primitives of exposure off in one macro aperture, ten times that in all
MOST_MACRO_NUMBERS = 400_000  # of all macro apertures; boards: 19 384
MOST_VERTICES = 10_000  # of one outline primitive; specification 4.5.1.6: 5000
MOST_RINGS = 100  # of one moiré
MOST_NESTING = 20  # blocks and repeats inside one another
MOST_OBJECTS = 2_000_000  # of one layer, blocks and repeats written out; boards: 68 000
MOST_REPEATS = 1_000_000  # copies by step and repeat in one file
MOST_NAME = 1_000  # characters of a net or pin name that are kept

# ---- drill files and netlists ----
MOST_ROWS = 1_000_000  # lines of a drill file; boards: 3000
MOST_STATEMENTS = 100_000  # lines of a drill file that are more than coordinates
MOST_HITS = 300_000  # of one drill file, repeats written out; boards: 3000
MOST_TOOLS = 2_000  # of one drill file
MOST_TOOL_MM = 1_000.0
MOST_RECORDS = 500_000  # lines of a netlist; boards: 7000
MOST_PARAMETERS = 50_000  # parameter records of a netlist

# ---- job files ----
MOST_JSON_DEPTH = 32  # lists and objects inside one another
MOST_ELEMENTS = 1_000  # of one list in a job file
MOST_CONDUCTORS = 200
MOST_THICKNESS = 50.0  # mm, of a board


def check_size(data: bytes, file: str, most: int = MOST_BYTES) -> None:
    """Raise FormatError for a file above ``most`` bytes."""
    if len(data) > most:
        raise too_much(
            f"the file has {len(data) / 1e6:,.0f} MB", f"at most {most // 10**6} MB", file
        )


def too_much(found: str, expected: str, file: str, line: int | None = None) -> FormatError:
    """The error for a file that is above one of the limits."""
    return FormatError(
        found, expected, "It was not read; ask for a sensible file of one board.", file, line
    )
