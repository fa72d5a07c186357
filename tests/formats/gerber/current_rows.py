# ruff: noqa: E501 - a table; its cells are whole examples and images
"""Current Gerber commands and how each is treated."""

from __future__ import annotations

from command_row import current

CURRENT_ROWS = (
    current(
        "FSLA (4.2.2)",
        "sets digits; leading zeros omitted, absolute",
        "%FSLAX33Y33*%%MOMM*%%ADD10C,1*%D10*X1500Y0D03*M02*",
        "flash (1.5, 0) by D10 (C 1)",
        True,
    ),
    current(
        "MO (4.2.1)",
        "sets the unit; everything becomes mm",
        "%FSLAX24Y24*%%MOIN*%%ADD10C,0.1*%D10*X10000Y0D03*M02*",
        "flash (25.4, 0) by D10 (C 2.54)",
        True,
    ),
    current(
        "AD C (4.4.2)",
        "circle, with or without a round hole",
        "%ADD20C,1X0.4*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (C 1 0.4)",
    ),
    current(
        "AD R (4.4.3)", "rectangle", "%ADD20R,1X2*%D20*X0Y0D03*", "flash (0, 0) by D20 (R 1 2)"
    ),
    current("AD O (4.4.4)", "obround", "%ADD20O,1X2*%D20*X0Y0D03*", "flash (0, 0) by D20 (O 1 2)"),
    current(
        "AD P (4.4.5)",
        "regular polygon",
        "%ADD20P,1X6X90*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (P 1 6 1.5708)",
    ),
    current(
        "AM (4.5)",
        "macro; evaluated for each AD, comments (0) passed over",
        "%AMT*0 a comment*$3=$1/2*1,1,$3,0,0*%%ADD20T,3*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 1 on 1.5 0 0 0)",
    ),
    current(
        "AM 4 (4.5.1)",
        "outline",
        "%AMT*4,1,3,0,0,1,0,0,1,0,0,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 4 on 3 0 0 1 0 0 1 0 0 0)",
    ),
    current(
        "AM 5 (4.5.1)",
        "polygon",
        "%AMT*5,1,6,0,0,2,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 5 on 6 0 0 2 0)",
    ),
    current(
        "AM 7 (4.5.1)",
        "thermal",
        "%AMT*7,0,0,2,1,.2,45*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 7 on 0 0 2 1 0.2 0.7854)",
    ),
    current(
        "AM 20, 21 (4.5.1)",
        "vector line, centre line; exposure 0 clears within the aperture",
        "%AMT*21,1,2,1,0,0,0*20,0,.2,-1,0,1,0,0*%%ADD20T*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (macro: 21 on 2 1 0 0 0 / 20 off 0.2 -1 0 1 0 0)",
    ),
    current(
        "AB (4.11)",
        "block aperture",
        "%ABD20*%X0Y0D03*X10000D03*%AB*%D20*X50000Y0D03*",
        "flash (5, 0) by D20 [flash (0, 0) by D10 (C 0.5); flash (1, 0) by D10 (C 0.5)]",
    ),
    current("Dnn (4.6)", "selects an aperture", "D11*X0Y0D03*", "flash (0, 0) by D11 (R 1 2)"),
    current("D01 (4.8)", "draws", "X0Y0D02*X10000Y0D01*", "draw (0, 0) (1, 0) by D10 (C 0.5)"),
    current("D02 (4.8)", "moves", "X10000Y0D02*", "nothing"),
    current("D03 (4.8)", "flashes", "X10000Y20000D03*", "flash (1, 2) by D10 (C 0.5)"),
    current(
        "G01 (4.7)", "straight draws", "G01*X0Y0D02*X10000D01*", "draw (0, 0) (1, 0) by D10 (C 0.5)"
    ),
    current(
        "G02, G75 (4.7)",
        "clockwise arcs; a full circle where the ends coincide",
        "G02*X10000Y0D02*X0Y10000I-10000J0D01*",
        "arc (1, 0) (0, 1) clockwise about (0, 0) by D10 (C 0.5)",
    ),
    current(
        "G03, G75 (4.7)",
        "counter-clockwise arcs",
        "G03*X10000Y0D02*X0Y10000I-10000J0D01*",
        "arc (1, 0) (0, 1) counter-clockwise about (0, 0) by D10 (C 0.5)",
    ),
    current(
        "G36, G37 (4.10)",
        "region",
        "G36*X0Y0D02*X10000D01*Y10000D01*X0Y0D01*G37*",
        "region (0, 0) (1, 0) (1, 1)",
    ),
    current("G04 (4.1)", "comment; kept", "G04 made-up*X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"),
    current(
        "LP (4.9)",
        "polarity",
        "%LPC*%X0Y0D03*%LPD*%X10000D03*",
        "flash (0, 0) by D10 (C 0.5), clear; flash (1, 0) by D10 (C 0.5)",
    ),
    current(
        "LM (4.9)",
        "mirrors apertures",
        "D11*%LMXY*%X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2), mirrored x and y",
    ),
    current(
        "LR (4.9)",
        "turns apertures",
        "D11*%LR90*%X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2), turned 90°",
    ),
    current(
        "LS (4.9)",
        "scales apertures",
        "D11*%LS0.5*%X0Y0D03*",
        "flash (0, 0) by D11 (R 1 2), scaled 0.5",
    ),
    current(
        "SR (4.12)",
        "step and repeat",
        "%SRX2Y1I5J0*%X0Y0D03*%SR*%",
        "flash (0, 0) by a repeat [flash (0, 0) by D10 (C 0.5)]; flash (5, 0) by a repeat [flash (0, 0) by D10 (C 0.5)]",
    ),
    current(
        "TF (5.2)",
        "file attribute; kept",
        "%TF.FileFunction,Copper,L1,Top*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5); file attribute FileFunction=Copper,L1,Top",
    ),
    current(
        "TA (5.3)",
        "aperture attribute; .AperFunction is kept",
        "%TA.AperFunction,ViaPad*%%ADD20C,1*%D20*X0Y0D03*",
        "flash (0, 0) by D20 (C 1 ViaPad)",
    ),
    current(
        "TO (5.4)",
        "object attribute; .N and .P are kept",
        "%TO.N,GND*%%TO.P,U1,3*%X0Y0D03*",
        "flash (0, 0) by D10 (C 0.5), net GND, pin U1 3",
    ),
    current(
        "TD (5.5)", "deletes attributes", "%TO.N,GND*%%TD*%X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"
    ),
    current(
        "G04 #@! T… (5.1.1)",
        "attribute in a comment; as the command",
        "G04 #@! TO.N,GND*\nX0Y0D03*",
        "flash (0, 0) by D10 (C 0.5), net GND",
    ),
    current("M02 (4.13)", "ends the file", "X0Y0D03*", "flash (0, 0) by D10 (C 0.5)"),
)
