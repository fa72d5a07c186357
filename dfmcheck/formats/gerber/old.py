"""Deprecated image parameters: Gerber Layer Format Specification, chapter 8."""

from __future__ import annotations

import re

# Old image parameters (specification, chapter 8, deprecated): the values that change nothing.
IDENTITY = {
    "IP": re.compile(r"IP(POS)?\Z"),
    "IR": re.compile(r"IR0*(\.0*)?\Z"),
    "MI": re.compile(r"MI(A0)?(B0)?\Z"),
    "OF": re.compile(r"OF(A[+-]?0*\.?0*)?(B[+-]?0*\.?0*)?\Z"),
    "SF": re.compile(r"SF(A0*1\.?0*)?(B0*1\.?0*)?\Z"),
    "AS": re.compile(r"AS(AXBY)?\Z"),
    "IC": re.compile(r"ICAS(CII)?\Z"),
    "KO": re.compile(r"KO\Z"),
}
IMAGE_CHANGES = {
    "IP": "the image is to be negative",
    "IR": "the image is to be rotated",
    "MI": "the image is to be mirrored",
    "OF": "the image is to be shifted",
    "SF": "the image is to be scaled",
    "AS": "the axes are to be swapped",
    "IC": "another character code",
    "KO": "a knockout around the image",
    "PF": "a plotter film",
}
