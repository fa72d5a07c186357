"""Bytes of a job file in, :class:`JobFile` out."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

from pydantic import BaseModel, ValidationError

from dfmcheck.errors import FormatError
from dfmcheck.formats.jobfile.check import contradictions
from dfmcheck.formats.jobfile.gerber_style import read_gerber_style
from dfmcheck.formats.jobfile.records import JobFile, StackEntry
from dfmcheck.formats.jobfile.schema import (
    KNOWN,
    PARTS,
    FileAttributes,
    GeneralSpecs,
    Json,
    Material,
    Size,
)
from dfmcheck.formats.limits import (
    MOST_ELEMENTS,
    MOST_JOB_BYTES,
    MOST_JSON_DEPTH,
    check_size,
    too_much,
)
from dfmcheck.terms import Defect, Weight


def read_job(data: bytes, file: str) -> JobFile:
    """Read a job file, JSON or in Gerber syntax.

    Parameters
    ----------
    data : bytes
    file : str
        Name for messages.

    Returns
    -------
    JobFile
        Lengths in mm, copper in µm. What is wrong or contradictory is in ``defects``.

    Raises
    ------
    FormatError
        The data is neither JSON of a job file nor a Gerber-style one, or above a limit.

    Examples
    --------
    >>> read_job(b'{"GeneralSpecs": {"LayerNumber": 4, "BoardThickness": 1.55}}', "a").thickness
    1.55
    """
    check_size(data, file, MOST_JOB_BYTES)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    if "%TJ." in text or "TF.FileFunction,JobInfo" in text:
        job = read_gerber_style(text, file)
    else:
        job = _read_json(text, file)
    return contradictions(job)


def _read_json(text: str, file: str) -> JobFile:
    doubles: list[str] = []

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if len(pairs) != len({key for key, _ in pairs}):
            count = Counter(key for key, _ in pairs)
            doubles.extend([key for key, times in count.items() if times > 1][:20])
        return dict(reversed(pairs))  # the first holds

    try:
        whole = json.loads(text, object_pairs_hook=once)
    except json.JSONDecodeError as error:
        raise FormatError(
            f"no JSON ({error.msg})",
            "a job file in JSON or in Gerber syntax",
            "Ask for the job file again; the screen goes on without it.",
            file,
            error.lineno,
        ) from None
    except ValueError as error:  # a number of thousands of digits
        raise too_much("a number of thousands of digits", "numbers of a board", file) from error
    except RecursionError:
        raise _too_deep(file) from None
    if _depth(whole) > MOST_JSON_DEPTH:
        raise _too_deep(file)
    if not isinstance(whole, dict) or not KNOWN & whole.keys():
        raise FormatError(
            "JSON without any part of a job file",
            "GeneralSpecs, FilesAttributes, DesignRules or MaterialStackup",
            "Check what this file is for.",
            file,
        )
    defects: list[Defect] = []
    defects += [
        Defect(
            "data.illegal-construct",
            Weight.QUERY,
            f"'{key[:40]}' stands twice in one object",
            "each name once (RFC 8259, clause 4)",
            "The first was read; ask which one holds.",
            file,
        )
        for key in dict.fromkeys(doubles[:20])
    ]
    parts = {key: _part(key, whole, file, defects) for key in PARTS}
    for key in sorted(whole.keys() - KNOWN):
        found, expected = f"part '{key}'", "the parts of the specification"
        action = "Nothing to do; it is not used."
        defects.append(Defect("data.unknown-command", Weight.NOTE, found, expected, action, file))
    general = next((p for p in parts["GeneralSpecs"] if isinstance(p, GeneralSpecs)), None)
    general = general or GeneralSpecs.model_validate({})
    size = general.size or Size.model_validate({})
    stack = tuple(
        StackEntry(m.name or "", m.type, m.thickness, m.material or "")
        for m in parts["MaterialStackup"]
        if isinstance(m, Material)
    )
    functions: dict[str, tuple[str, ...]] = {}
    for entry in parts["FilesAttributes"]:
        if not isinstance(entry, FileAttributes):
            continue
        if entry.path in functions:
            defects.append(
                Defect(
                    "data.job-contradiction",
                    Weight.QUERY,
                    f"'{entry.path}' listed twice",
                    "each file once",
                    "The first entry is used; ask which function the file has.",
                    file,
                )
            )
            continue
        functions[entry.path] = tuple(f.strip() for f in entry.function.split(",") if f.strip())
    rules = whole.get("DesignRules") or []
    if not isinstance(rules, list) or not all(isinstance(r, dict) for r in rules):
        _wrong("DesignRules", rules, "a list of objects", file, defects)
    return JobFile(
        file=file,
        layer_count=general.layer_number,
        thickness=general.board_thickness,
        size_x=size.x,
        size_y=size.y,
        finish=general.finish or "",
        copper_um=tuple(
            round(e.thickness * 1000.0, 6) if e.thickness is not None else None
            for e in stack
            if e.type.lower() == "copper"
        ),
        stack=stack,
        design_rules=tuple(r for r in rules if isinstance(r, dict))
        if isinstance(rules, list)
        else (),
        file_functions=functions,
        attributes=_flat(whole, general),
        defects=tuple(defects),
    )


def _depth(value: Any) -> int:
    """How deep lists and objects stand inside one another, counted without recursion."""
    deepest, row = 0, [value]
    while row and deepest <= MOST_JSON_DEPTH:
        deepest += 1
        row = [
            inner
            for outer in row
            if isinstance(outer, (dict, list))
            for inner in (outer.values() if isinstance(outer, dict) else outer)
            if isinstance(inner, (dict, list))
        ]
    return deepest


def _too_deep(file: str) -> FormatError:
    return too_much(
        "JSON nested without end",
        f"lists and objects at most {MOST_JSON_DEPTH} deep inside one another",
        file,
    )


def _part(key: str, whole: Json, file: str, defects: list[Defect]) -> list[BaseModel]:
    """One part of the file by its schema; what does not hold to it is left out, as a defect."""
    model, many = PARTS[key]
    if key not in whole or whole[key] is None:
        return []
    value = whole[key]
    if not isinstance(value, list if many else dict):
        _wrong(key, value, "a list" if many else "an object", file, defects)
        return []
    if many and len(value) > MOST_ELEMENTS:
        _wrong(f"the length of {key}", len(value), f"at most {MOST_ELEMENTS}", file, defects)
        value = value[:MOST_ELEMENTS]
    out = []
    for number, element in enumerate(value if many else [value], 1):
        try:
            out.append(model.model_validate(element))
        except ValidationError as error:
            where = f"{key}[{number}]" if many else key
            for problem in error.errors():
                path = ".".join(map(str, problem["loc"]))
                _wrong(
                    f"{where}.{path}".rstrip("."), problem["input"], problem["msg"], file, defects
                )
            trimmed = _without(element, error)
            if trimmed is not None:
                try:
                    out.append(model.model_validate(trimmed))
                except ValidationError:
                    continue
    return out


def _without(element: Any, error: ValidationError) -> Json | None:
    """The element without its faulty members."""
    if not isinstance(element, dict):
        return None
    copy: Json = json.loads(json.dumps(element))
    for problem in error.errors():
        place: Any = copy
        *path, last = problem["loc"] or ("",)
        for step in path:
            place = place.get(step) if isinstance(place, dict) else None
        if isinstance(place, dict):
            place.pop(last, None)
    return copy


def _wrong(where: str, value: Any, expected: str, file: str, defects: list[Defect]) -> None:
    shown = json.dumps(value)[:40]
    expected = expected[:1].lower() + expected[1:]
    defects.append(
        Defect(
            "data.illegal-construct",
            Weight.QUERY,
            f"{where} is {shown}",
            expected,
            "It is left out; ask for a corrected job file.",
            file,
        )
    )


def _flat(whole: Json, general: GeneralSpecs) -> dict[str, str]:
    """Header and further general facts as text, dotted names."""
    out: dict[str, str] = {}

    def walk(prefix: str, value: Any) -> None:
        if isinstance(value, dict):
            for key, inner in value.items():
                walk(f"{prefix}.{key}", inner)
        else:
            out[prefix] = value if isinstance(value, str) else json.dumps(value)

    walk("Header", whole.get("Header") or {})
    for key, value in (general.model_extra or {}).items():
        walk(key, value)
    return out
