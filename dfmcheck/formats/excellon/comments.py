"""Comments that carry meaning: formats, tool listings, plating sections, attributes."""

from __future__ import annotations

import re
from dataclasses import dataclass

from dfmcheck.terms import Plating

_NUMBER = r"(\d{1,9}(?:\.\d*)?|\.\d+)"
_LONGEST = 400  # characters of a comment that are looked at
_FILE_FORMAT = re.compile(r"FILE_FORMAT\s*=\s*(\d)\s*[:.]\s*(\d)\b", re.I)
# "Format: 2.5 / inch", "precision 3:3 mm", "INCH 2:4", or nothing but "4:4"
_PLACES = re.compile(
    r"(?:\b(?:FORMAT|PRECISION|DIGITS|PLACES|COORDINATES?)[\s:=({]{1,9}([1-6])\s*[:.]\s*([2-6])"
    r"|\b(?:INCH|METRIC|MM)[\s,:=({]{1,9}([1-6]):([2-6])|^\s*([1-6]):([2-6])(?=\s*$))(?![\d.])",
    re.I,
)
_UNIT_NAME = re.compile(r"\b(?:(MM|METRIC|MILLIMET\w*)|INCH(?:ES)?|ENGLISH|IMPERIAL)\b", re.I)
_ZEROS = re.compile(
    r"\b(LEADING|TRAILING)\s+(?:ZEROE?S?\s+)?(?:SUPPRESS|OMIT)"
    r"|\b(?:SUPPRESS|OMIT)\w*\s+(LEADING|TRAILING)",
    re.I,
)
_SPAN = re.compile(
    r"\b(?:LAYERS?|BLIND|BURIED|SPAN|PAIR)(?:[ _-](?:PAIR|SPAN|VIAS?|HOLES?|DRILL|LAYERS?))*"
    r"[\s:=(]{0,9}L?(\d{1,2})(?:\s*[-/,]\s*|\s+(?:TO|AND|THRU|THROUGH)\s+)(?:LAYER\s+)?L?(\d{1,2})\b",
    re.I,
)
_FORMAT = re.compile(r"FORMAT\s*=\s*\{([^}]*)\}", re.I)
_TYPE = re.compile(r"^\s*TYPE\s*=\s*(PLATED|NON_?PLATED)\s*$", re.I)
_HOLESIZE = re.compile(
    rf"^\s*(?:T(\d{{1,7}})\s+)?HOLESIZE\s+(\d{{1,7}})\s*\.?\s*=\s*{_NUMBER}(.*)$", re.I
)
_TOOL_SIZE = re.compile(
    rf"^\s*T(\d{{1,7}})\b[^\d\n]*?{_NUMBER}\s*(MM|MILS?|INCH(?:ES)?|IN|\")(.*)$", re.I
)
_ATTRIBUTE = re.compile(r"^\s*#@!\s*(TF|TA|TO|TD)(?:\.?([A-Za-z_$][\w.$]*))?(?:,(.*))?$")
_UNIT = re.compile(r"\b(MM|MILS?|INCH(?:ES)?)\b", re.I)
_PLATING = re.compile(r"\b(NON[_ -]?PLATED|PLATED|NPTH|PTH)\b", re.I)
_QUANTITY = re.compile(r"QUANTITY\s*=\s*(\d{1,9})\b", re.I)
SIZE_UNITS = {"MM": 1.0, "MIL": 0.0254, "MILS": 0.0254, "INCH": 25.4, "INCHES": 25.4, "IN": 25.4}


@dataclass(frozen=True, slots=True)
class Stated:
    """What a comment says of the coordinate format; None where it is silent."""

    unit: str | None = None
    integers: int | None = None
    decimals: int | None = None
    suppressed: str | None = None
    incremental: bool | None = None


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of a tool listing. ``diameter`` in mm, None where its unit is not stated.

    ``indexed``: the line names no tool, only its position in the listing.
    """

    number: int
    diameter: float | None
    size: float
    plating: Plating
    quantity: int | None
    indexed: bool


@dataclass(frozen=True, slots=True)
class Section:
    """TYPE=PLATED or TYPE=NON_PLATED: the tools that follow."""

    plating: Plating


@dataclass(frozen=True, slots=True)
class Attribute:
    """``#@! TF.Name,value,…``; ``command`` is TF, TA, TO or TD."""

    command: str
    name: str
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Span:
    """The conductors the holes of the file join, as a comment numbers them, lower first."""

    ends: tuple[str, str]


Meaning = Stated | Listed | Section | Attribute | Span


def plating_in(text: str) -> Plating:
    """Plating named in free text.

    Examples
    --------
    >>> plating_in("Tolerance = +3/-3 NON_PLATED MILS")
    <Plating.UNPLATED: 'unplated'>
    """
    match = _PLATING.search(text)
    if match is None:
        return Plating.UNKNOWN
    return Plating.UNPLATED if match[1].upper().startswith("N") else Plating.PLATED


def _format(text: str) -> Stated:
    fields = [part.strip().lower() for part in text.split("/")]
    integers = decimals = None
    if match := re.fullmatch(r"(\d):(\d)", fields[0]):
        integers, decimals = int(match[1]), int(match[2])
    unit = "mm" if "metric" in fields else "inch" if "inch" in fields else None
    zeros = next((f for f in fields if "zero" in f), "")
    suppressed = next((w for w in ("leading", "trailing") if w in zeros), None)
    if "keep" in zeros:
        suppressed = "none"
    incremental = True if "incremental" in fields else False if "absolute" in fields else None
    return Stated(unit, integers, decimals, suppressed, incremental)


def read_comment(text: str) -> Meaning | None:
    """What a comment (without its semicolon) states, or None.

    Examples
    --------
    >>> read_comment("FILE_FORMAT=4:4").decimals
    4
    >>> read_comment("T01 Holesize 1. = 8.0 Tolerance = +3/-3 PLATED MILS Quantity = 7").quantity
    7
    >>> read_comment(" #@! TF.FileFunction,Plated,1,2,PTH").values
    ('Plated', '1', '2', 'PTH')
    >>> read_comment("Format: 2.5 inch, leading zeros suppressed")
    Stated(unit='inch', integers=2, decimals=5, suppressed='leading', incremental=None)
    >>> read_comment("Blind vias L1-L2")
    Span(ends=('1', '2'))
    """
    text = text[:_LONGEST]
    if "#@!" in text:
        match = _ATTRIBUTE.match(text)
        if match is None:
            return None
        values = tuple(v.strip() for v in match[3].split(",")) if match[3] is not None else ()
        return Attribute(match[1], (match[2] or "").strip(), values)
    if match := _FILE_FORMAT.search(text):
        return Stated(integers=int(match[1]), decimals=int(match[2]))
    if match := _FORMAT.search(text):
        return _format(match[1])
    if match := _TYPE.match(text):
        return Section(Plating.UNPLATED if match[1].upper()[0] == "N" else Plating.PLATED)
    if match := _HOLESIZE.match(text):
        unit = _UNIT.search(match[4])
        size = float(match[3])
        quantity = _QUANTITY.search(match[4])
        return Listed(
            int(match[1] or match[2]),
            size * SIZE_UNITS[unit[1].upper()] if unit else None,
            size,
            plating_in(match[4]),
            int(quantity[1]) if quantity else None,
            match[1] is None,
        )
    if match := _TOOL_SIZE.match(text):
        size = float(match[2])
        scale = 25.4 if match[3] == '"' else SIZE_UNITS[match[3].upper()]
        return Listed(int(match[1]), size * scale, size, plating_in(match[4]), None, False)
    if match := _PLACES.search(text):
        integers, decimals = (int(v) for v in match.groups() if v)
        unit = _UNIT_NAME.search(text)
        zeros = _ZEROS.search(text)
        return Stated(
            ("mm" if unit[1] else "inch") if unit else None,
            integers,
            decimals,
            (zeros[1] or zeros[2]).lower() if zeros else None,
        )
    if match := _SPAN.search(text):
        first, last = sorted((int(match[1]), int(match[2])))
        if 1 <= first < last <= 64:
            return Span((str(first), str(last)))
    return None
