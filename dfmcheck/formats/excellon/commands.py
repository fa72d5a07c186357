"""Every command of a drill file and how it is treated, with an example of each.

One table, three uses: ``docs/excellon-commands.md`` is written from it
(``python -m dfmcheck.formats.excellon.commands > docs/excellon-commands.md``), every example is
run as a test, and the strict reading is tested against its XNC column. Meanings: Excellon
format 2 command set, XNC Format Specification (2021), FILE_FORMAT and attribute comments as
met in files; values from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

#: How an example becomes a file: by the place of its lines.
FRAMES = {
    "body": "M48\nMETRIC\nT01C0.8\n%\nG05\nT01\n{}\nM30\n",
    "header": "M48\n{}\n%\nG05\nT01\nX1.0Y2.0\nM30\n",
    "file": "{}\n",
}
TREATMENTS = {
    "read": "carried out",
    "no effect": "known; it says nothing about the image",
    "noted": "carried out, with a note among the findings",
    "asked": "carried out as the table says, with a query: machines differ, or the data is at odds",
    "not read": "not carried out, with a query that names file and line",
}


@dataclass(frozen=True, slots=True)
class Command:
    """One row of the table.

    ``gives`` is what the example reads as: holes, slots, cuts and arcs in mm, then tools where
    the example defines them, then the rules of its defects.
    """

    form: str
    meaning: str
    treatment: str
    xnc: bool
    example: str
    gives: str
    frame: str = "body"


def _row(
    form: str,
    meaning: str,
    treatment: str,
    example: str,
    gives: str,
    *,
    xnc: bool = False,
    frame: str = "body",
) -> Command:
    return Command(form, meaning, treatment, xnc, example, gives, frame)


COMMANDS: tuple[Command, ...] = (
    # ---- the file and its header ----
    _row("M48", "begin of the header", "read", "METRIC\nT01C0.8", "hole 1 2, T1 0.8", xnc=True,
         frame="header"),
    _row("no M48", "a file without header", "read",
         "%\nMETRIC,TZ\nT01C0.8\nX1.0Y2.0\nM30", "hole 1 2, T1 0.8", frame="file"),
    _row("%", "end of the header; in front of M48 a tape mark", "read",
         "METRIC\nT01C0.8", "hole 1 2, T1 0.8", xnc=True, frame="header"),
    _row("M95", "end of the header", "read",
         "M48\nMETRIC\nT01C0.8\nM95\nT01\nX1.0Y2.0\nM30", "hole 1 2, T1 0.8", frame="file"),
    _row("METRIC, INCH", "unit", "read", "INCH\nT01C0.05", "hole 25.4 50.8, T1 1.27", xnc=True,
         frame="header"),
    _row("METRIC,TZ,000.000", "unit, zeros kept (TZ trailing, LZ leading), digit places", "read",
         "METRIC,LZ,000.000\nT01C0.8", "hole 1 2, T1 0.8", frame="header"),
    _row("M71, M72", "millimetre, inch", "read", "M72\nX1.0Y2.0", "hole 25.4 50.8"),
    _row("FMAT,2", "command set 2", "read", "FMAT,2\nMETRIC\nT01C0.8", "hole 1 2, T1 0.8",
         frame="header"),
    _row("FMAT,1", "command set 1; read as set 2", "noted",
         "FMAT,1\nMETRIC\nT01C0.8", "hole 1 2, T1 0.8, data.deprecated-construct (note)",
         frame="header"),
    _row("ICI,ON", "incremental coordinates", "read", "ICI,ON\nMETRIC\nT01C0.8", "hole 1 2, T1 0.8",
         frame="header"),
    _row("VER, DETECT, ATC, FSB …", "settings of the machine", "no effect",
         "VER,1\nDETECT,ON\nMETRIC\nT01C0.8", "hole 1 2, T1 0.8", frame="header"),
    _row("TnCd", "tool n of diameter d", "read", "METRIC\nT01C0.85", "hole 1 2, T1 0.85", xnc=True,
         frame="header"),
    _row("TnCdFfSs…", "tool with feed, speed, retract, hit count, depth", "read",
         "METRIC\nT01C0.85F100S65H2000", "hole 1 2, T1 0.85", frame="header"),
    _row("M30", "end of program; statements behind it are not read", "read", "X1.0Y2.0", "hole 1 2",
         xnc=True),
    _row("M00", "end of program of set 1", "read", "M48\nMETRIC\nT01C0.8\n%\nT01\nX1.0Y2.0\nM00",
         "hole 1 2, T1 0.8",
         frame="file"),
    # ---- comments ----
    _row(";text", "comment", "no effect", ";made for a kettle lamp\nX1.0Y2.0", "hole 1 2",
         xnc=True),
    _row(";FILE_FORMAT=4:4", "digit places", "read",
         ";FILE_FORMAT=4:4\nMETRIC,TZ\nT01C0.8", "hole 1 2, T1 0.8", frame="header"),
    _row(";FORMAT={2:4/ …}", "digit places, mode, unit, zeros", "read",
         "M48\n; FORMAT={2:4/ absolute / inch / suppress leading zeros}\nT01C0.05\n%\nT01\n"
         "X10000Y20000\nM30", "hole 25.4 50.8, T1 1.27", frame="file"),
    _row(";Format: 2.5 inch, 3:3 mm …", "digit places in words, with unit and zeros if named",
         "read", "M48\n;Format: 2.5 inch, leading zeros suppressed\nT01C0.05\n%\nT01\n"
         "X100000Y200000\nM30", "hole 25.4 50.8, T1 1.27", frame="file"),
    _row(";TYPE=PLATED, NON_PLATED", "plating of the tools that follow", "read",
         ";TYPE=NON_PLATED\nMETRIC\nT01C0.8", "hole 1 2, T1 0.8 unplated", xnc=True,
         frame="header"),
    _row("; #@! TF, TA, TD", "attributes: file function, tool plating", "read",
         "; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC\nT01C0.8", "hole 1 2, T1 0.8 plated",
         xnc=True, frame="header"),
    _row(";T01 Holesize 1. = 0.8 PLATED MM Quantity = 1",
         "tool listing: size, plating, count; before or behind the hits", "read",
         "%\nMETRIC,TZ\nT01\nX1.0Y2.0\nM30\n;T01 Holesize 1. = 0.8 PLATED MM Quantity = 1",
         "hole 1 2, T1 0.8 plated",
         frame="file"),
    _row(";T01 … 0.8mm", "tool size in words", "read",
         ";T01 via drill 0.8mm plated\nMETRIC", "hole 1 2, T1 0.8 plated", frame="header"),
    _row(";Blind vias L1-L2, ;Layers 1 to 4", "conductors the holes join, kept as LayerSpan",
         "read", ";Blind vias L1-L2\nMETRIC\nT01C0.8", "hole 1 2, T1 0.8, span 1 to 2", xnc=True,
         frame="header"),
    _row("(text), M45 M46 M47", "messages to the operator", "no effect",
         "M47,change the backing\n(slow)\nX1.0Y2.0", "hole 1 2"),
    # ---- tools and hits ----
    _row("Tn", "take tool n", "read", "T01\nX1.0Y2.0", "hole 1 2", xnc=True),
    _row("Tnnmm", "tool n with compensation index m", "read", "T0101\nX1.0Y2.0", "hole 1 2"),
    _row("T0", "put the tool down", "read", "X1.0Y2.0\nT00", "hole 1 2"),
    _row("TnCd in the body", "tool table in the body; a tool is taken as it is defined", "read",
         "M48\nMETRIC\n%\nT02C1.2\nX1.0Y2.0\nM30", "hole 1 2, T2 1.2", frame="file"),
    _row("XxYy", "hit; a letter left out keeps its value", "read", "X1.0Y2.0\nX3.0",
         "hole 1 2, hole 3 2",
         xnc=True),
    _row("XxYyG85XxYy", "slot", "read", "X1.0Y2.0G85X3.0Y2.0", "slot 1 2 to 3 2", xnc=True),
    _row("XxYyG87XxYy", "slot of a chain of hits; read as the slot they leave", "noted",
         "X1.0Y2.0G87X3.0Y2.0", "slot 1 2 to 3 2, data.deprecated-construct (note)"),
    _row("XxYyG84Xd", "nibbled circle of diameter d", "read", "X5.0Y5.0G84X4.0",
         "arc 6.6 5 to 6.6 5 counter-clockwise about 5 5"),
    _row("XxYyG82XxYy",
         "dual in-line pattern between opposite pins, 2.54 mm pitch along the longer side",
         "asked", "X0.0Y0.0G82X5.08Y3.0",
         "6 holes, hole 0 0 … hole 0 3, data.deprecated-construct (query)"),
    _row("XxYyG83XxYy", "eight pins evenly on a circle through two opposite pins", "asked",
         "X2.0Y0.0G83X-2.0Y0.0",
         "8 holes, hole 2 0 … hole 1.414 -1.414, data.deprecated-construct (query)"),
    _row("G82 or G83 alone", "a pattern without its corners", "not read", "G83\nX1.0Y2.0",
         "hole 1 2, data.unknown-command (query)"),
    _row("G82XxYyZz, G83XxYyZz", "drilling cycle with depth; one hit", "noted",
         "G83X1.0Y2.0Z-2.0", "hole 1 2, data.deprecated-construct (note)"),
    _row("RnXxYy", "repeat the last hit n times", "read", "X1.0Y1.0\nR2X2.0",
         "hole 1 1, hole 3 1, hole 5 1"),
    _row("M25 … M01", "begin and end of a pattern", "read", "M25\nX1.0Y1.0\nM01\nM08", "hole 1 1"),
    _row("M02XxYy … M08", "copy the pattern, each copy offset from the one before", "read",
         "M25\nX1.0Y1.0\nM01\nM02X5.0\nM02X5.0\nM08", "hole 1 1, hole 6 1, hole 11 1"),
    _row("RnM02XxYy", "copy the pattern n times", "read",
         "M25\nX1.0Y1.0\nM01\nR2M02X5.0\nM08", "hole 1 1, hole 6 1, hole 11 1"),
    _row("M02…M70, M80, M90", "copy with axes swapped, x or y mirrored about the pattern's axes",
         "asked", "M25\nX1.0Y2.0\nM01\nM02M70\nM02X9.0M80\nM08",
         "hole 1 2, hole 2 1, hole 8 2, data.deprecated-construct (query)"),
    _row("M02 alone", "end of program, when there is no pattern", "noted",
         "M48\nMETRIC\nT01C0.8\n%\nT01\nX1.0Y2.0\nM02",
         "hole 1 2, T1 0.8, data.deprecated-construct (note)", frame="file"),
    _row("M97,text M98,text", "drilled text, and the row behind it with its place", "not read",
         "M97,LAMP\nX1.0Y2.0\nX3.0Y4.0", "hole 3 4, data.unknown-command (query)"),
    _row("M99", "stored pattern of the machine", "not read", "X1.0Y2.0\nM99,3",
         "hole 1 2, data.unknown-command (query)"),
    # ---- routing ----
    _row("G05", "drill mode", "read", "G05\nX1.0Y2.0", "hole 1 2", xnc=True),
    _row("G81", "drill mode, as G05", "read", "G81\nX1.0Y2.0", "hole 1 2"),
    _row("G00XxYy", "rout mode, move without cut", "read", "G00X1.0Y2.0\nG05\nX5.0Y5.0", "hole 5 5",
         xnc=True),
    _row("M15, M16", "tool down, tool up", "read", "G00X1.0Y1.0\nM15\nG01X3.0\nM16",
         "cut 1 1 to 3 1",
         xnc=True),
    _row("M14, M17", "tool down, tool up, as M15 and M16", "read",
         "G00X1.0Y1.0\nM14\nG01X3.0\nM17", "cut 1 1 to 3 1"),
    _row("M15 … M16 without a cut", "a plunge is a hole", "read", "G00X1.0Y1.0\nM15\nM16",
         "hole 1 1",
         xnc=True),
    _row("G01XxYy", "straight cut", "read", "G00X0.0Y0.0\nM15\nG01X2.0Y2.0\nM16", "cut 0 0 to 2 2",
         xnc=True),
    _row("G02XxYyAr, G03XxYyAr", "clockwise, counter-clockwise cut of radius r", "read",
         "G00X0.0Y0.0\nM15\nG03X2.0Y0.0A1.0\nM16", "arc 0 0 to 2 0 counter-clockwise about 1 0",
         xnc=True),
    _row("G02XxYyIiJj", "cut about a centre", "read",
         "G00X0.0Y0.0\nM15\nG02X2.0Y0.0I1.0J0.0\nM16", "arc 0 0 to 2 0 clockwise about 1 0"),
    _row("G32XxYyAr, G33", "full circle of radius r", "read", "G32X5.0Y5.0A2.0",
         "arc 7 5 to 7 5 clockwise about 5 5"),
    _row("G40", "cutter compensation off", "no effect", "G40\nX1.0Y2.0", "hole 1 2"),
    _row("G41, G42", "cutter compensation; read as the path of the tool centre", "noted",
         "G00X0.0Y0.0\nM15\nG41\nG01X2.0\nM16", "cut 0 0 to 2 0, data.deprecated-construct (note)"),
    # ---- coordinates ----
    _row("G90", "absolute coordinates", "read", "G90\nX1.0Y2.0", "hole 1 2"),
    _row("G91", "incremental coordinates", "read", "G91\nX1.0Y2.0\nX1.0", "hole 1 2, hole 2 2"),
    _row("G92, G93", "move the zero point", "noted", "G93X10.0Y0.0\nX1.0Y2.0",
         "hole 11 2, data.datum-offset (note)"),
    _row("G04, G07, G17", "dwell, feed override, plane", "no effect", "G04X500\nX1.0Y2.0",
         "hole 1 2"),
    _row("M06 M09 M18 M40 M50 M51 M60", "tool change, stop, and other acts of the machine",
         "no effect", "M06\nX1.0Y2.0\nM09", "hole 1 2"),
    _row("F, S, B, H, Z", "feed, speed, depth", "no effect", "F100\nS65\nX1.0Y2.0Z-1.5",
         "hole 1 2"),
    _row("Nn", "block number", "no effect", "N10X1.0Y2.0", "hole 1 2"),
    _row("/", "block-delete mark; the line is read", "noted", "/X1.0Y2.0",
         "hole 1 2, data.deprecated-construct (note)"),
    _row("anything else", "an unknown command", "not read", "X1.0Y2.0\nG77X9.0",
         "hole 1 2, data.unknown-command (query)"),
)  # fmt: skip

_HEAD = """# Commands of drill and rout files

How `dfmcheck` treats each command of an Excellon or XNC file. Written by
`python -m dfmcheck.formats.excellon.commands`; every example is run as a test.

| treatment | means |
|---|---|
"""
_TABLE = """
An example of the body stands behind `G05` and `T01` in a metric file with tool `T01C0.8`; one of
the header stands between `M48` and `%`, with a hit at 1, 2 behind it; others are whole files.
`/` parts lines. The XNC column tells whether the XNC Format Specification (2021, from memory) has
the command in this form; `read_excellon(…, strict=True)` reports every departure from it.

| command | meaning | treatment | XNC | example | reads as |
|---|---|---|---|---|---|
"""


def markdown() -> str:
    """The table as it stands in ``docs/excellon-commands.md``."""
    text = _HEAD + "".join(f"| {name} | {says} |\n" for name, says in TREATMENTS.items()) + _TABLE
    for c in COMMANDS:
        example = c.example.replace("\n", " / ")
        cells = (f"`{c.form}`", c.meaning, c.treatment, "yes" if c.xnc else "no", f"`{example}`")
        text += f"| {' | '.join(cells)} | {c.gives} |\n"
    return text


if __name__ == "__main__":
    print(markdown(), end="")
