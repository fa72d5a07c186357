"""Companion texts: parameter files and tool listings that came beside a drill file."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import PurePath

from dfmcheck.formats.excellon.comments import SIZE_UNITS, Stated, plating_in
from dfmcheck.terms import Plating

_PARAMETER = re.compile(
    r"^[ \t]*(INTEGER-PLACES|DECIMAL-PLACES|OUTPUT-UNITS|SUPPRESS-LEAD-ZEROES"
    r"|SUPPRESS-TRAIL-ZEROES|COORDINATES|FORMAT)[ \t]+([^\s]+)",
    re.I | re.M,
)
_NUMBER = r"(\d{1,9}(?:\.\d*)?|\.\d+)"
# "T1   0.2mm (8mil)  Round  4171  PTH": the tool, then its size with unit
_TOOL_FIRST = re.compile(
    rf"^[ \t]*T(\d{{1,7}})[ \t:=,;|]+{_NUMBER}[ \t]*(MM|MILS?|INCH|IN)\b(.*)$", re.I | re.M
)
# "8.0000  P  T01  3.0 3.0" or "0.0150  T01": the size without unit, then the tool
# "T01;0.80;12" or "T1  0.0150": the tool, then its size without unit
_TOOL_BARE = re.compile(
    rf"^[ \t]*T(\d{{1,7}})[ \t:=,;|]+{_NUMBER}(?=[ \t,;|]|$)(?![ \t]*(?:MM|MIL|IN))", re.I | re.M
)
_UNIT_SAID = re.compile(r"\b(?:UNITS?|SIZES?|DIAMETERS?)\b[^\n\w]{1,9}(MM|MILS?|INCH)\b", re.I)
_SIZE_FIRST = re.compile(rf"^[ \t]*{_NUMBER}[ \t]+(?:(P|N)[ \t]+)?T(\d{{1,7}})\b", re.I | re.M)
_ENDING = re.compile(r"[\w.+ \-]\.(?:drl|rou|txt|xln|cnc|exc|drd|nc|tap|ncd)\b", re.I)
_KIND = re.compile(r"(DRILL|ROUT)", re.I)  # the first of the two words is in the title
_PARAMETER_FILE = re.compile(r"(?:param|tools?|bits)[\w]*\.txt$|_auto\.txt$", re.I)


@dataclass(frozen=True, slots=True)
class CompanionTool:
    diameter: float
    plating: Plating
    note: str
    trust: float = 0.85


@dataclass(frozen=True, slots=True)
class Companions:
    """What the companions state: the format (None where silent) and tool sizes in mm."""

    stated: Stated | None = None
    tools: dict[int, CompanionTool] = field(default_factory=dict)


def _parameters(text: str) -> Stated | None:
    found = {m[1].upper(): m[2].upper() for m in _PARAMETER.finditer(text)}
    places = re.fullmatch(r"(\d)[.:](\d)", found.get("FORMAT", ""))
    integers = int(places[1]) if places else None
    decimals = int(places[2]) if places else None
    if re.fullmatch(r"\d", found.get("INTEGER-PLACES", "")):
        integers = int(found["INTEGER-PLACES"])
    if re.fullmatch(r"\d", found.get("DECIMAL-PLACES", "")):
        decimals = int(found["DECIMAL-PLACES"])
    unit = {"ENGLISH": "inch", "INCH": "inch", "METRIC": "mm"}.get(found.get("OUTPUT-UNITS", ""))
    if integers is None and decimals is None and unit is None:
        return None
    suppressed = None
    if found.get("SUPPRESS-LEAD-ZEROES") == "YES":
        suppressed = "leading"
    elif found.get("SUPPRESS-TRAIL-ZEROES") == "YES":
        suppressed = "trailing"
    elif "SUPPRESS-LEAD-ZEROES" in found:
        suppressed = "none"
    return Stated(unit, integers, decimals, suppressed, found.get("COORDINATES") == "INCREMENTAL")


def _speaks_of(text: str, file: str, rout: bool) -> float:
    """Trust that a tool listing belongs to this file: by name, else by what it is about."""
    name = PurePath(file.replace("\\", "/")).name.lower()
    if name in text.lower():
        return 0.9
    kind = _KIND.search(text)
    if kind is None or (kind[1].upper() == "ROUT") != rout:
        return 0.0
    # found by its ending: names looked for from their start take time by the square of the text
    named = (text[max(m.start() - 100, 0) : m.end()] for m in _ENDING.finditer(text))
    return 0.7 if any(not _PARAMETER_FILE.search(name) for name in named) else 0.85


def _listed(text: str, unit: str | None) -> Iterator[tuple[int, CompanionTool]]:
    for match in _TOOL_FIRST.finditer(text):
        size = float(match[2]) * SIZE_UNITS[match[3].upper()]
        yield int(match[1]), CompanionTool(size, plating_in(match[4]), f"{match[2]} {match[3]}")
    if said := {m.upper().rstrip("S") for m in _UNIT_SAID.findall(text)}:
        scale = SIZE_UNITS[next(iter(said))]
        if len(said) == 1:
            for match in _TOOL_BARE.finditer(text):
                note = f"{match[2]} {next(iter(said))}"
                size = float(match[2]) * scale
                yield int(match[1]), CompanionTool(size, Plating.UNKNOWN, note)
    rows = [(float(m[1]), m[2], int(m[3])) for m in _SIZE_FIRST.finditer(text)]
    if not rows or unit is None:
        return
    # No bit is an inch wide; a listing in inch units with such numbers counts in mil.
    scale, name = (1.0, "mm") if unit == "mm" else (25.4, "inch")
    if unit == "inch" and max(size for size, _, _ in rows) >= 2.0:
        scale, name = 0.0254, "mil"
    for size, letter, number in rows:
        plating = {"P": Plating.PLATED, "N": Plating.UNPLATED}.get((letter or "").upper())
        yield number, CompanionTool(size * scale, plating or Plating.UNKNOWN, f"{size:g} {name}")


def read_companions(beside: Sequence[str], file: str, *, rout: bool) -> Companions:
    """Gather what companion texts state for one drill or rout file.

    Parameters
    ----------
    beside : sequence of str
        Texts of the companions, the closest first; the first that states a fact counts.
    file : str
        Name of the drill file, to tell whose tools a listing lists.
    rout : bool
        The file routs rather than drills.

    Examples
    --------
    >>> read_companions(["INTEGER-PLACES 2\\nDECIMAL-PLACES 4\\n"], "a.drl", rout=False).stated
    Stated(unit=None, integers=2, decimals=4, suppressed=None, incremental=False)
    """
    stated: Stated | None = None
    tools: dict[int, CompanionTool] = {}
    for text in beside:
        found = _parameters(text)
        stated = stated or found
        if trust := _speaks_of(text, file, rout):
            unit = found.unit if found else stated.unit if stated else None
            for number, tool in _listed(text, unit):
                tools.setdefault(number, replace(tool, trust=trust))
    return Companions(stated, tools)
