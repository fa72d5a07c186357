"""Bytes of a drill or rout file in, :class:`~dfmcheck.formats.records.Drilling` out."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dfmcheck.errors import FormatError
from dfmcheck.formats.excellon.choose import choose_format
from dfmcheck.formats.excellon.comments import Stated, read_comment
from dfmcheck.formats.excellon.companions import Companions, read_companions
from dfmcheck.formats.excellon.lexer import Column, Rows, check_is_drill, decode_text, read_rows
from dfmcheck.formats.excellon.machine import Machine
from dfmcheck.formats.excellon.numbers import NumberFormat
from dfmcheck.formats.excellon.strict import xnc_deviations
from dfmcheck.formats.excellon.tools import ToolTable
from dfmcheck.formats.limits import MOST_HITS, MOST_MM, too_much
from dfmcheck.formats.records import Drilling, HitKind, Hits, Tool
from dfmcheck.terms import Defect, Weight

_TRIAL_ROWS = 20000  # rows enough to weigh one reading against another


def read_excellon(
    data: bytes,
    file: str,
    *,
    beside: Sequence[str] = (),
    expected: tuple[float, float, float, float] | None = None,
    strict: bool = False,
) -> Drilling:
    """Read a drill or rout file.

    Parameters
    ----------
    data : bytes
    file : str
        Name for messages; also tells whose tools a listing beside it lists.
    beside : sequence of str
        Texts of companion files (parameter files, tool listings, logs), the closest first.
        They count only where the file itself is silent.
    expected : (x0, y0, x1, y1), optional
        Box of the copper or the profile in mm. Evidence between readings when the file does
        not state its format; a stated format is never overruled.
    strict : bool
        Report every deviation from the XNC Format Specification as a defect, too (see
        :mod:`dfmcheck.formats.excellon.strict`). What is read does not change.

    Returns
    -------
    Drilling
        Lengths in mm. What was assumed is in ``assumptions``, what is wrong in ``defects``.

    Raises
    ------
    FormatError
        The data is no Excellon or XNC text.

    Examples
    --------
    >>> text = b"M48\\nMETRIC\\nT1C0.8\\n%\\nT1\\nX1.0Y2.0\\nX3.0\\nM30\\n"
    >>> drilling = read_excellon(text, "holes.drl")
    >>> drilling.hits.x0.tolist(), drilling.hits.y0.tolist()
    ([1.0, 3.0], [2.0, 2.0])
    >>> drilling.tools[0].diameter
    0.8
    """
    text = decode_text(data, file)
    check_is_drill(text, file)
    rows = read_rows(text, file)
    rout = any(rows.texts[i].strip().upper().startswith("M15") for i in rows.events)
    companions = read_companions(beside, file, rout=rout)
    stated, listed_unit, defects = _stated(rows, file)
    head = _head(rows, _TRIAL_ROWS)

    def trial(form: NumberFormat) -> tuple[Hits, Sequence[Tool]]:
        machine = _machine(head, form, stated, companions, file)
        machine.most = _TRIAL_ROWS
        return machine.run(), machine.tools.rows

    form, assumptions = choose_format(
        rows, stated, companions.stated, listed_unit, expected, file, trial
    )
    machine = _machine(rows, form, stated, companions, file)
    hits = machine.run()
    tools = machine.tools
    if len(hits) > MOST_HITS:
        raise too_much(
            f"the file drills and routs {len(hits):,} times", f"at most {MOST_HITS:,} times", file
        )
    hits, beyond = _within_bounds(hits, file)
    drilled, routed = _counts(hits, len(tools.rows))
    tools.check(drilled, routed)
    rest = beyond + _end_defects(machine, hits, file)
    if strict:
        rest += xnc_deviations(rows, file)
    if not (len(hits) or tools.rows or stated.unit or machine.ended):
        raise FormatError(
            "no tool, no unit and no hit",
            "Excellon or XNC statements",
            "Check what this file is for.",
            file,
        )
    return Drilling(
        file=file,
        unit=form.unit,
        resolution=_resolution(rows, form),
        tools=tuple(tools.rows),
        hits=hits,
        attributes=machine.attributes,
        comments=tuple(machine.comments),
        defects=(*defects, *tools.defects, *machine.notes.defects(), *rest),
        assumptions=(*assumptions, *tools.assumptions),
    )


def _machine(
    rows: Rows, form: NumberFormat, stated: Stated, companions: Companions, file: str
) -> Machine:
    machine = Machine(rows, form, ToolTable(file, companions.tools), file)
    by_companion = companions.stated.incremental if companions.stated else None
    wanted = stated.incremental if stated.incremental is not None else by_companion
    machine.incremental = bool(wanted)
    return machine


def _stated(rows: Rows, file: str) -> tuple[Stated, str | None, list[Defect]]:
    """What the file states of its format, the unit of its tool listing, contradictions."""
    defects: list[Defect] = []
    found = Stated()
    for _, units in rows.units:
        found = Stated(
            found.unit or units.unit,
            found.integers if found.integers is not None else units.integers,
            found.decimals if found.decimals is not None else units.decimals,
            found.suppressed or units.suppressed,
        )
    listed_unit: str | None = None
    for row in rows.events:
        _, semicolon, comment = rows.texts[row].partition(";")
        if not semicolon:
            continue
        said = read_comment(comment)
        if not isinstance(said, Stated):
            if listed_unit is None and "HOLESIZE" in comment.upper():
                unit = re.search(r"\b(MM|MILS?|INCH)\b", comment, re.I)
                listed_unit = unit and ("mm" if unit[1].upper() == "MM" else "inch")
            continue
        for name in ("unit", "integers", "decimals"):
            ours, theirs = getattr(found, name), getattr(said, name)
            if ours is not None and theirs is not None and ours != theirs:
                defects.append(
                    Defect(
                        "data.illegal-construct",
                        Weight.QUERY,
                        f"comment says {name} {theirs}, the statement says {ours}",
                        "one coordinate format",
                        "Ask which is meant; the statement is used.",
                        file,
                        row + 1,
                    )
                )
        found = Stated(
            found.unit or said.unit,
            found.integers if found.integers is not None else said.integers,
            found.decimals if found.decimals is not None else said.decimals,
            found.suppressed or said.suppressed,
            said.incremental if said.incremental is not None else found.incremental,
        )
    return found, listed_unit, defects


def _head(rows: Rows, count: int) -> Rows:
    """The first rows of a long file."""
    if len(rows) <= count:
        return rows
    part = slice(0, count)
    x, y = (Column(c.values[part], c.digits[part], c.pointed[part]) for c in (rows.x, rows.y))
    return replace(
        rows,
        texts=rows.texts[part],
        gcode=rows.gcode[part],
        x=x,
        y=y,
        events=[e for e in rows.events if e < count],
    )


def _counts(hits: Hits, tools: int) -> tuple[list[int], list[int]]:
    """Drilled holes and slots, and routed pieces, per tool row."""
    routed = hits.kind >= HitKind.ROUT
    return (
        np.bincount(hits.tool[~routed], minlength=tools).tolist(),
        np.bincount(hits.tool[routed], minlength=tools).tolist(),
    )


def _within_bounds(hits: Hits, file: str) -> tuple[Hits, list[Defect]]:
    """The hits without those further from the datum, or on a wider arc, than any board is."""
    with np.errstate(invalid="ignore", over="ignore"):
        far = np.max(np.abs([hits.x0, hits.y0, hits.x1, hits.y1]), axis=0, initial=0.0)
        wide = np.nan_to_num(np.hypot(hits.x0 - hits.cx, hits.y0 - hits.cy), nan=0.0, posinf=np.inf)
    out = ~((far <= MOST_MM) & (wide <= MOST_MM))
    if not out.any():
        return hits, []
    return hits.take(~out), [
        Defect(
            "data.illegal-construct",
            Weight.HOLD,
            f"{int(out.sum()):,} hits or paths reach further than {MOST_MM:,.0f} mm from the datum",
            "coordinates and arcs of one board",
            "They were left out; ask for the right coordinate format and unit.",
            file,
            int(hits.line[np.argmax(out)]),
        )
    ]


def _resolution(rows: Rows, form: NumberFormat) -> float:
    """Smallest step of a coordinate in mm: the places of the format, or those written."""
    pointed = [
        rows.texts[i]
        for column in (rows.x, rows.y)
        for i in np.flatnonzero(column.pointed)[:2000].tolist()
    ]
    if not pointed:
        pointed = [rows.texts[i] for i in rows.events if rows.texts[i][:1] in "GX"][:2000]
    places = [len(m) for text in pointed for m in re.findall(r"\.(\d*)", text)]
    return round(form.scale / 10 ** min(max(places), 12), 12) if places else form.step


def _end_defects(machine: Machine, hits: Hits, file: str) -> list[Defect]:
    defects = []
    if not machine.ended:
        defects.append(
            Defect(
                "data.truncated-file",
                Weight.QUERY,
                "no end of program",
                "M30 at the end",
                "Ask whether the file is complete.",
                file,
                len(machine.rows),
            )
        )
    if not len(hits):
        defects.append(
            Defect(
                "data.empty-layer",
                Weight.NOTE,
                "no hits",
                "at least one hole, slot or routed path",
                "Nothing to do when the board has no such holes.",
                file,
            )
        )
    return defects
