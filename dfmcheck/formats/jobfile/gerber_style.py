"""The older job file in Gerber syntax: ``%TJ.B_Thickness,1.57*%`` and its like.

It was a draft before the JSON form (names from memory). ``B_`` names state the board, ``D_``
design rules, ``L_`` and ``F_`` files; lengths are in the unit of %MO.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from dataclasses import replace
from typing import Any

from dfmcheck.formats.jobfile.records import JobFile
from dfmcheck.formats.limits import MOST_ELEMENTS
from dfmcheck.terms import Defect, Weight

_ATTRIBUTE = re.compile(r"%T([FJ])\.?([^,*%]+)(?:,([^*%]*))?\*%")
_LENGTHS = {
    "B_Thickness": "thickness",
    "B_Overall_Thickness": "thickness",
    "B_Size_X": "size_x",
    "B_Size_Y": "size_y",
}
_FUNCTIONS = {
    "copper",
    "plated",
    "nonplated",
    "profile",
    "soldermask",
    "legend",
    "paste",
    "solderpaste",
    "glue",
    "drillmap",
    "assemblydrawing",
    "fabricationdrawing",
    "otherdrawing",
    "other",
}


def read_gerber_style(text: str, file: str) -> JobFile:
    """Read a Gerber-style job file.

    Examples
    --------
    >>> job = read_gerber_style("%MOIN*%\\n%TJ.B_Thickness,0.062*%\\nM02*", "a.gbrjob")
    >>> round(job.thickness, 4)
    1.5748
    """
    scale = 25.4 if "%MOIN*%" in text else 1.0
    lengths: dict[str, float] = {}
    job = JobFile(file)
    rules: dict[str, dict[str, Any]] = {}
    functions: dict[str, tuple[str, ...]] = {}
    attributes: dict[str, str] = {}
    defects: list[Defect] = []
    ends = [m.start() for m in re.finditer("\n", text)]
    for match in _ATTRIBUTE.finditer(text):
        kind, name, value = match[1], match[2].strip(), (match[3] or "").strip()
        line = bisect_left(ends, match.start()) + 1
        if kind == "F":
            attributes[name] = value
        elif name in _LENGTHS:
            if (number := _number(name, value, file, line, defects)) is not None:
                lengths[_LENGTHS[name]] = number * scale
        elif name in ("B_LayerNum", "B_Layer_Num", "B_LayerNumber"):
            if (number := _number(name, value, file, line, defects)) is not None:
                job = replace(job, layer_count=int(number))
        elif name == "B_Finish":
            job = replace(job, finish=value)
        elif name.startswith("D_"):
            group, _, rule = name[2:].partition("_")
            if (number := _number(name, value, file, line, defects)) is not None:
                entry = rules.setdefault(group, {"Layers": group})
                entry[rule or "Value"] = number * scale
        elif name.startswith(("L_", "F_")):
            path, fields = _file_entry(name[2:], value)
            functions[path] = fields
        else:
            attributes[name] = value
    if "M02*" not in text:
        defects.append(
            Defect(
                "data.truncated-file",
                Weight.NOTE,
                "no end of file",
                "M02* at the end",
                "Ask whether the job file is complete.",
                file,
            )
        )
    return replace(
        job,
        thickness=lengths.get("thickness"),
        size_x=lengths.get("size_x"),
        size_y=lengths.get("size_y"),
        design_rules=tuple(rules.values()),
        file_functions=functions,
        attributes=attributes,
        defects=tuple(defects),
    )


def _number(name: str, value: str, file: str, line: int, defects: list[Defect]) -> float | None:
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if 0.0 <= number < 1e6:
        return number
    if len(defects) >= MOST_ELEMENTS:
        return None
    defects.append(
        Defect(
            "data.illegal-construct",
            Weight.QUERY,
            f"{name[:40]} is '{value[:40]}'",
            "a number of 0 or more",
            "It is left out; ask for a corrected job file.",
            file,
            line,
        )
    )
    return None


def _file_entry(name: str, value: str) -> tuple[str, tuple[str, ...]]:
    """Path and function fields; the path is the quoted name or the first value."""
    fields = [part.strip() for part in value.split(",")]
    path = name.strip('"')
    begin = next((i for i, f in enumerate(fields) if f.lower() in _FUNCTIONS), None)
    if '"' in fields[0] or (begin is not None and begin > 0 and "." in fields[0]):
        path = fields[0].strip('"')
    return path, tuple(fields[begin:]) if begin is not None else tuple(fields)
