# ruff: noqa: E501 - a table; its cells are whole examples and images
"""Every Gerber command and how it is treated: the rows of docs/gerber-commands.md.

Each row is an example that test_command_table.py reads. Clause numbers are those of the Gerber
Layer Format Specification, revision 2024.05, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

HEAD = "%FSLAX24Y24*%%MOMM*%%ADD10C,0.5*%%ADD11R,1X2*%G01*G75*D10*"
CURRENT = "Current commands"
DEPRECATED = "Deprecated commands"
OLDER = "RS-274-D: no format, unit or apertures in the file"
DEVIATION = "Deviations"


@dataclass(frozen=True, slots=True)
class Row:
    """One row: ``example`` stands between HEAD and ``M02*``, or is a whole file.

    ``image`` is what it draws, as :func:`command_table.drawn` says it; ``recorded`` the defects
    and doubtful assumptions it leaves.
    """

    group: str
    command: str
    treatment: str
    example: str
    image: str
    recorded: str = ""
    whole: bool = False
    listed: str | None = None


def _c(command: str, treatment: str, example: str, image: str, whole: bool = False) -> Row:
    return Row(CURRENT, command, treatment, example, image, "", whole)


_NOTE = "note data.deprecated-construct"
_QUERY = "query data.deprecated-construct"
_HOLD = "hold data.deprecated-construct"
_ILLEGAL = " data.illegal-construct"
_UNKNOWN = "query data.unknown-command"


def _d(command: str, treatment: str, example: str, image: str, recorded: str = _NOTE) -> Row:
    return Row(DEPRECATED, command, treatment, example, image, recorded)


def _v(command: str, treatment: str, example: str, image: str, recorded: str) -> Row:
    return Row(DEVIATION, command, treatment, example, image, recorded)


ROWS = (
    _c(
        "FSLA (4.2.2)",
        "sets digits; leading zeros omitted, absolute",
        "%FSLAX33Y33*%%MOMM*%%ADD10C,1*%D10*X1500Y0D03*M02*",
        "flash (1.5, 0) by D10 (C 1)",
        True,
    ),
    _c(
        "MO (4.2.1)",
        "sets the unit; everything becomes mm",
        "%FSLAX24Y24*%%MOIN*%%ADD10C,0.1*%D10*X10000Y0D03*M02*",
        "flash (25.4, 0) by D10 (C 2.54)",
        True,
    ),
    _c(
        "AD C (4.4.2)",
        "circle, with or without a round hole",
        "%ADD20C,1X0.4*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (C 1 0.4)",
    ),
    _c("AD R (4.4.3)", "rectangle", "%ADD20R,1X2*%D20*X0Y0D03*", "flash (0, 0) by D20 (R 1 2)"),
    _c("AD O (4.4.4)", "obround", "%ADD20O,1X2*%D20*X0Y0D03*", "flash (0, 0) by D20 (O 1 2)"),
    _c(
        "AD P (4.4.5)",
        "regular polygon",
        "%ADD20P,1X6X90*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (P 1 6 1.5708)",
    ),
    _c(
        "AM (4.5)",
        "macro; evaluated for each AD, comments (0) passed over",
        "%AMT*0 a comment*$3=$1/2*1,1,$3,0,0*%%ADD20T,3*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 1 on 1.5 0 0 0)",
    ),
    _c(
        "AM 4 (4.5.1)",
        "outline",
        "%AMT*4,1,3,0,0,1,0,0,1,0,0,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 4 on 3 0 0 1 0 0 1 0 0 0)",
    ),
    _c(
        "AM 5 (4.5.1)",
        "polygon",
        "%AMT*5,1,6,0,0,2,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 5 on 6 0 0 2 0)",
    ),
    _c(
        "AM 7 (4.5.1)",
        "thermal",
        "%AMT*7,0,0,2,1,.2,45*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 7 on 0 0 2 1 0.2 0.7854)",
    ),
    _c(
        "AM 20, 21 (4.5.1)",
        "vector line, centre line; exposure 0 clears within the aperture",
        "%AMT*21,1,2,1,0,0,0*20,0,.2,-1,0,1,0,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 21 on 2 1 0 0 0 / 20 off 0.2 -1 0 1 0 0)",
    ),
    _c(
        "AB (4.11)",
        "block aperture",
        "%ABD20*%X0Y0D03*X10000D03*%AB*%D20*X50000Y0D03*",
        "flash (5, 0) by D20 [flash (0, 0) by D10 (C 0.5); flash (1, 0) by D10 (C 0.5)]",
    ),
    _c("Dnn (4.6)", "selects an aperture", "D11*X0Y0D03*", "flash (0, 0) by D11 (R 1 2)"),
    _c("D01 (4.8)", "draws", "X0Y0D02*X10000Y0D01*", "draw (0, 0) (1, 0) by D10 (C 0.5)"),
    _c("D02 (4.8)", "moves", "X10000Y0D02*", "nothing"),
    _c("D03 (4.8)", "flashes", "X10000Y20000D03*", "flash (1, 2) by D10 (C 0.5)"),
    _c(
        "G01 (4.7)", "straight draws", "G01*X0Y0D02*X10000D01*", "draw (0, 0) (1, 0) by D10 (C 0.5)"
    ),
    _c(
        "G02, G75 (4.7)",
        "clockwise arcs; a full circle where the ends coincide",
        "G02*X10000Y0D02*X0Y10000I-10000J0D01*",
        "arc (1, 0) (0, 1) clockwise about (0, 0) by D10 (C 0.5)",
    ),
    _c(
        "G03, G75 (4.7)",
        "counter-clockwise arcs",
        "G03*X10000Y0D02*X0Y10000I-10000J0D01*",
        "arc (1, 0) (0, 1) counter-clockwise about (0, 0) by D10 (C 0.5)",
    ),
    _c(
        "G36, G37 (4.10)",
        "region",
        "G36*X0Y0D02*X10000D01*Y10000D01*X0Y0D01*G37*",
        "region (0, 0) (1, 0) (1, 1)",
    ),
    _c("G04 (4.1)", "comment; kept", "G04 made-up*X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"),
    _c(
        "LP (4.9)",
        "polarity",
        "%LPC*%X0Y0D03*%LPD*%X10000D03*",
        "flash (0, 0) by D10 (C 0.5), clear; flash (1, 0) by D10 (C 0.5)",
    ),
    _c(
        "LM (4.9)",
        "mirrors apertures",
        "D11*%LMXY*%X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2), mirrored x and y",
    ),
    _c(
        "LR (4.9)",
        "turns apertures",
        "D11*%LR90*%X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2), turned 90°",
    ),
    _c(
        "LS (4.9)",
        "scales apertures",
        "D11*%LS0.5*%X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2), scaled 0.5",
    ),
    _c(
        "SR (4.12)",
        "step and repeat",
        "%SRX2Y1I5J0*%X0Y0D03*%SR*%",
        "flash (0, 0) by a repeat [flash (0, 0) by D10 (C 0.5)]; flash (5, 0) by a repeat [flash (0, 0) by D10 (C 0.5)]",
    ),
    _c(
        "TF (5.2)",
        "file attribute; kept",
        "%TF.FileFunction,Copper,L1,Top*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5); file attribute FileFunction=Copper,L1,Top",
    ),
    _c(
        "TA (5.3)",
        "aperture attribute; .AperFunction is kept",
        "%TA.AperFunction,ViaPad*%%ADD20C,1*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (C 1 ViaPad)",
    ),
    _c(
        "TO (5.4)",
        "object attribute; .N and .P are kept",
        "%TO.N,GND*%%TO.P,U1,3*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5), net GND, pin U1 3",
    ),
    _c("TD (5.5)", "deletes attributes", "%TO.N,GND*%%TD*%X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"),
    _c(
        "G04 #@! T… (5.1.1)",
        "attribute in a comment; as the command",
        "G04 #@! TO.N,GND*\nX0Y0D03*",
        "flash (0, 0) by D10 (C 0.5), net GND",
    ),
    _c("M02 (4.13)", "ends the file", "X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"),
    _d("IPPOS", "has no effect", "%IPPOS*%X0Y0D03*", "flash (0, 0) by D10 (C 0.5)", ""),
    _d(
        "IPNEG",
        "not executed: how far a negative image reaches is not defined",
        "%IPNEG*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        _HOLD,
    ),
    _d(
        "MI",
        "executed first: coordinates are negated, apertures stay as defined",
        "%MIA1B0*%D11*X10000Y20000D03*",
        "flash (-1, 2) by D11 (R 1 2)",
        _QUERY,
    ),
    _d(
        "MI with a shape that differs in a mirror",
        "the same; the record names the apertures to ask about",
        "%AMT*1,1,1,.5,0*%%ADD20T*%%MIA1B0*%D20*X10000Y20000D03*",
        "flash (-1, 2) by D20 (macro: 1 on 1 0.5 0 0)",
        _QUERY,
    ),
    _d(
        "MI and arcs",
        "the direction of arcs turns over",
        "%MIA0B1*%G02*X10000Y0D02*X0Y10000I-10000J0D01*",
        "arc (1, 0) (0, -1) counter-clockwise about (0, 0) by D10 (C 0.5)",
        _QUERY,
    ),
    _d(
        "MI with block apertures",
        "not executed: no edition of the format has both",
        "%MIA1B0*%%ABD20*%X10000Y0D03*%AB*%D20*X50000Y0D03*",
        "flash (5, 0) by D20 [flash (1, 0) by D10 (C 0.5)]",
        _HOLD,
    ),
    _d(
        "SF",
        "executed next: coordinates are scaled, apertures keep their size",
        "%SFA2B3*%X10000Y20000D03*",
        "flash (2, 6) by D10 (C 0.5)",
        _QUERY,
    ),
    _d(
        "SF, two factors, with arcs",
        "ends and centre are scaled; the arc is not known",
        "%SFA2B3*%G03*X10000Y0D02*X0Y10000I-10000J0D01*",
        "arc (2, 0) (0, 3) counter-clockwise about (0, 0) by D10 (C 0.5)",
        f"hold{_ILLEGAL}, {_QUERY}",
    ),
    _d(
        "OF",
        "executed next: the image is shifted",
        "%OFA1B-0.5*%X10000Y20000D03*",
        "flash (2, 1.5) by D10 (C 0.5)",
        _QUERY,
    ),
    _d(
        "IR",
        "executed next: the image is turned counter-clockwise, apertures too",
        "%IR90*%D11*X10000Y20000D03*",
        "flash (-2, 1) by D11 (R 1 2), turned 90°",
        _QUERY,
    ),
    _d(
        "IR45",
        "not executed: quarter turns only",
        "%IR45*%X10000Y20000D03*",
        "flash (1, 2) by D10 (C 0.5)",
        f"hold{_ILLEGAL}",
    ),
    _d(
        "AS",
        "executed last: the axes are exchanged, for apertures too",
        "%ASAYBX*%D11*X10000Y20000D03*",
        "flash (2, 1) by D11 (R 1 2), mirrored y, turned 90°",
        _QUERY,
    ),
    _d(
        "MI, SF, OF, IR, AS together",
        "in this order, wherever they stand in the file",
        "%ASAYBX*%%IR90*%%OFA5*%X10000Y20000D03*%SFA2B2*%%MIA1*%",
        "flash (3, -4) by D10 (C 0.5)",
        _QUERY,
    ),
    _d(
        "MI with step and repeat",
        "the body and the steps follow",
        "%MIA1B0*%%SRX2Y1I5J0*%X10000Y0D03*%SR*%",
        "flash (0, 0) by a repeat [flash (-1, 0) by D10 (C 0.5)]; flash (-5, 0) by a repeat [flash (-1, 0) by D10 (C 0.5)]",
        _QUERY,
    ),
    _d(
        "MI, SF, OF, IR, AS, stated as nothing",
        "no effect",
        "%MIA0B0*SFA1B1.0*OFA0B0*IR0*ASAXBY*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        "",
    ),
    _d(
        "MI and the like, twice and otherwise",
        "the first holds for the whole image",
        "%OFA1*%X0Y0D03*%OFA2*%",
        "flash (1, 0) by D10 (C 0.5)",
        f"hold{_ILLEGAL}, {_QUERY}",
    ),
    _d(
        "IN, LN",
        "a name; kept among the comments",
        "%INa board*%%LNtop*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
    ),
    _d(
        "IF",
        "another file; not read",
        "%IFother.gbr*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        _HOLD,
    ),
    _d(
        "KO",
        "knockout; not executed",
        "%KOCX0Y0I1J1*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        _QUERY,
    ),
    _d(
        "PF",
        "plotter film; has no effect on the data, yet is asked about",
        "%PFa*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        _QUERY,
    ),
    _d("ICASCII", "has no effect", "%ICASCII*%X0Y0D03*", "flash (0, 0) by D10 (C 0.5)", ""),
    _d(
        "IC of another code",
        "not executed",
        "%ICEBCDIC*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        _QUERY,
    ),
    _d("G54", "before Dnn; passed over", "G54D11*X0Y0D03*", "flash (0, 0) by D11 (R 1 2)"),
    _d("G55", "before D03; passed over", "G55X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"),
    _d(
        "G70",
        "inch; stands against MOMM here",
        "G70*X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        f"hold{_ILLEGAL}, {_NOTE}",
    ),
    _d("G71", "mm", "G71*X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"),
    _d(
        "G74",
        "single quadrant: I and J have no sign, arcs of at most 90°",
        "G74*G03*X10000Y0D02*X0Y10000I10000J0D01*",
        "arc (1, 0) (0, 1) counter-clockwise about (0, 0) by D10 (C 0.5)",
    ),
    _d(
        "G90, G91",
        "absolute, incremental",
        "G91*X10000Y0D03*X10000D03*G90*X0D03*",
        "flash (1, 0) by D10 (C 0.5); flash (2, 0) by D10 (C 0.5); flash (0, 0) by D10 (C 0.5)",
    ),
    _d(
        "G00",
        "a move in files for plotters; only the operation code counts here",
        "G00X0Y0D02*G01X10000D01*",
        "draw (0, 0) (1, 0) by D10 (C 0.5)",
    ),
    _d(
        "G10, G11, G12, G60",
        "scales of straight draws; not executed",
        "G10*X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        _HOLD,
    ),
    _d("M00", "ends the file", "X0Y0D03*M00*", "flash (0, 0) by D10 (C 0.5)"),
    _d("M01", "passed over", "M01*X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"),
    _d("Nnn", "sequence number; passed over", "N1*N2X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"),
    _d(
        "coordinates without D01, D02, D03",
        "the last operation is repeated",
        "X0Y0D02*X10000D01*Y10000*",
        "draw (0, 0) (1, 0) by D10 (C 0.5); draw (1, 0) (1, 1) by D10 (C 0.5)",
    ),
    _d(
        "several commands in one",
        "from left to right",
        "G54D11X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2)",
    ),
    _d(
        "AD with a rectangular hole",
        "read as it stands, as a macro",
        "%ADD20C,1X0.4X0.2*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 1 on 1 0 0 0 / 21 off 0.4 0.2 0 0 0)",
    ),
    _d(
        "AM 2",
        "vector line; read as 20",
        "%AMT*2,1,.2,-1,0,1,0,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 20 on 0.2 -1 0 1 0 0)",
        "",
    ),
    _d(
        "AM 6",
        "moiré",
        "%AMT*6,0,0,2,.1,.2,2,.1,2,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 6 on 0 0 2 0.1 0.2 2 0.1 2 0)",
        "",
    ),
    _d(
        "AM 22",
        "lower left line; read as 21 by its centre",
        "%AMT*22,1,2,1,0,0,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 21 on 2 1 1 0.5 0)",
        "",
    ),
    _d(
        "AM with exposure 2",
        "the opposite of the primitive before",
        "%AMT*1,1,2,0,0*1,2,1,0,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 1 on 2 0 0 0 / 1 off 1 0 0 0)",
        "",
    ),
    _d(
        "AM with X for times",
        "read as x",
        "%AMT*1,1,$1X2,0,0*%%ADD20T,1*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 1 on 2 0 0 0)",
        "",
    ),
    Row(
        DEPRECATED,
        "FST",
        "trailing zeros omitted",
        "%FSTAX24Y24*%%MOMM*%%ADD10C,1*%D10*X01Y0D03*M02*",
        "flash (1, 0) by D10 (C 1)",
        _NOTE,
        True,
    ),
    Row(
        DEPRECATED,
        "FSD",
        "no zeros omitted",
        "%FSDAX24Y24*%%MOMM*%%ADD10C,1*%D10*X010000Y000000D03*M02*",
        "flash (1, 0) by D10 (C 1)",
        _NOTE,
        True,
    ),
    Row(
        DEPRECATED,
        "FSLI",
        "incremental",
        "%FSLIX24Y24*%%MOMM*%%ADD10C,1*%D10*X10000Y0D03*X10000D03*M02*",
        "flash (1, 0) by D10 (C 1); flash (2, 0) by D10 (C 1)",
        _NOTE,
        True,
    ),
    Row(
        OLDER,
        "no FS, no MO, no AD",
        "all assumed, with evidence; objects have no size",
        "D10*X10000Y0D03*M02*",
        "flash (25.4, 0) by D10 (C 0)",
        "hold data.aperture-undefined, doubtful coordinate format, doubtful unit",
        True,
    ),
    Row(
        OLDER,
        "format in a comment",
        "taken from there",
        "G04 Format: 3.3*G71*D10*X10000Y0D03*M02*",
        "flash (10, 0) by D10 (C 0)",
        f"hold data.aperture-undefined, {_NOTE}",
        True,
    ),
    Row(
        OLDER,
        "aperture list with unit",
        "defines what the file does not",
        "G04 Format: 2.4*G71*D10*X10000Y0D03*D11*Y10000D03*M02*",
        "flash (1, 0) by D10 (C 0.254); flash (1, 1) by D11 (R 1.5 0.8)",
        _NOTE,
        True,
        "D10 ROUND 10mil\nD11 RECT 1.5mm x 0.8mm FLASH\n",
    ),
    Row(
        OLDER,
        "aperture list without unit",
        "the unit is assumed from the sizes",
        "G04 Format: 2.4*G71*D10*X10000Y0D03*M02*",
        "flash (1, 0) by D10 (C 0.508)",
        f"{_NOTE}, doubtful aperture list unit",
        True,
        "D10  ROUNDED  20.0  20.0  0.000  LINE  0.000\n",
    ),
    Row(
        OLDER,
        "aperture list with a turned rectangle",
        "sizes are taken as before the turn",
        "G04 Format: 2.4*G71*D10*X10000Y0D03*M02*",
        "flash (1, 0) by D10 (R 2 1)",
        f"{_NOTE}, doubtful aperture D10",
        True,
        "Units: mm\nD10 RECTANGULAR 1 2 0 FLASH 90\n",
    ),
    Row(
        OLDER,
        "aperture list with another shape",
        "left undefined",
        "G04 Format: 2.4*G71*D10*X10000Y0D03*M02*",
        "flash (1, 0) by D10 (C 0)",
        f"hold data.aperture-undefined, {_NOTE}, query data.aperture-undefined",
        True,
        "Units: mm\nD10 THERMAL 2 1\n",
    ),
    Row(
        OLDER,
        "aperture list with an unreadable row",
        "left undefined",
        "G04 Format: 2.4*G71*D10*X10000Y0D03*M02*",
        "flash (1, 0) by D10 (C 1)",
        f"{_NOTE}, query data.aperture-undefined",
        True,
        "Units: mm\nD10 ROUND 1\nD11 ROUND one\n",
    ),
    _v(
        "several commands in one %…%",
        "each is executed; this is allowed",
        "%LPC*LR90*%D11*X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2), clear, turned 90°",
        "",
    ),
    _v(
        "a word command in %…%",
        "executed; the '%' are passed over",
        "%D11*%X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2)",
        f"note{_ILLEGAL}",
    ),
    _v(
        "a word command behind an extended one in %…%",
        "executed; a '%' is taken as missing",
        "%LPC*D11*%X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2), clear",
        f"note{_ILLEGAL}, query{_ILLEGAL}",
    ),
    _v(
        "G04 in AM",
        "passed over",
        "%AMT*G04 a*1,1,1,0,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 1 on 1 0 0 0)",
        f"note{_ILLEGAL}",
    ),
    _v(
        "line ends CR, CR LF or none",
        "no effect",
        "D11*\rX0Y0\rD03*\r",
        "flash (0, 0) by D11 (R 1 2)",
        "",
    ),
    _v(
        "a byte order mark",
        "passed over",
        "\ufeff" + HEAD + "X0Y0D03*M02*",
        "flash (0, 0) by D10 (C 0.5)",
        f"note{_ILLEGAL}",
    ),
    _v(
        "no '*' before '%'",
        "taken as complete",
        "%LPC%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5), clear",
        f"note{_ILLEGAL}",
    ),
    _v(
        "no closing '%'",
        "ends before the next drawing command",
        "%LPC*X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5), clear",
        f"query{_ILLEGAL}",
    ),
    _v(
        "a lone '%'",
        "passed over",
        "D11*%\nX0Y0D03*",
        "flash (0, 0) by D11 (R 1 2)",
        f"note{_ILLEGAL}",
    ),
    _v(
        "decimal points",
        "read as they stand",
        "X1.5Y0D03*",
        "flash (1.5, 0) by D10 (C 0.5)",
        f"note{_ILLEGAL}",
    ),
    _v(
        "more digits than FS states",
        "read as they stand",
        "X12345670Y0D03*",
        "flash (1234.567, 0) by D10 (C 0.5)",
        f"query{_ILLEGAL}",
    ),
    _v(
        "a letter twice in a command",
        "the last is taken",
        "X0X10000Y0D03*",
        "flash (1, 0) by D10 (C 0.5)",
        f"query{_ILLEGAL}",
    ),
    _v(
        "coordinates before any operation code",
        "taken as moves",
        "X10000Y0*D03*",
        "flash (1, 0) by D10 (C 0.5)",
        f"{_NOTE}, query{_ILLEGAL}",
    ),
    _v(
        "an arc without I and J",
        "taken as straight",
        "G03*X0Y0D02*X10000D01*",
        "draw (0, 0) (1, 0) by D10 (C 0.5)",
        f"query{_ILLEGAL}",
    ),
    _v(
        "an open contour in a region",
        "closed by a straight line",
        "G36*X0Y0D02*X10000D01*Y10000D01*G37*",
        "region (0, 0) (1, 0) (1, 1)",
        f"query{_ILLEGAL}",
    ),
    _v(
        "a flash in a region",
        "left out",
        "G36*X0Y0D02*X10000D01*Y10000D01*X0Y0D01*D03*G37*",
        "region (0, 0) (1, 0) (1, 1)",
        f"query{_ILLEGAL}",
    ),
    _v(
        "an aperture that is not defined",
        "objects are kept, without size",
        "D55*X0Y0D03*",
        "flash (0, 0) by D55 (C 0)",
        "hold data.aperture-undefined",
    ),
    _v(
        "an aperture defined after its use",
        "the later definition is used",
        "D20*X0Y0D03*%ADD20C,1*%",
        "flash (0, 0) by D20 (C 1)",
        f"query{_ILLEGAL}",
    ),
    _v(
        "an aperture defined twice",
        "each use takes the last before it",
        "%ADD10C,1*%D10*X0Y0D03*",
        "flash (0, 0) by D10 (C 1)",
        f"query{_ILLEGAL}",
    ),
    _v(
        "any other command",
        "not executed",
        "G77*%QQ1*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        _UNKNOWN,
    ),
    _v(
        "text behind M02",
        "passed over",
        "X0Y0D03*M02*\nmade by a machine",
        "flash (0, 0) by D10 (C 0.5)",
        f"note{_ILLEGAL}",
    ),
    Row(
        DEVIATION,
        "no M02",
        "what is there is read",
        HEAD + "X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5)",
        "query data.truncated-file",
        True,
    ),
    Row(
        DEVIATION,
        "a command broken off at the end",
        "left out",
        HEAD + "X0Y0D03*X100",
        "flash (0, 0) by D10 (C 0.5)",
        "hold data.truncated-file",
        True,
    ),
)
