"""Aperture definitions (AD): Gerber Layer Format Specification, 4.3 and 4.4."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from dfmcheck.formats.gerber.macros import Macro, build_primitives
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.syntax import NUMBER, NotInGrammarError, parse
from dfmcheck.formats.gerber.words import MOST_CODE
from dfmcheck.formats.limits import MOST_LINE, MOST_MM
from dfmcheck.formats.records import Aperture, Primitive
from dfmcheck.terms import Weight

# the plain part of grammars/gerber_aperture.lark, for files with thousands of definitions
_PLAIN = re.compile(rf"ADD([0-9]{{1,19}})([CROP]),({NUMBER}(?:X{NUMBER})*)\Z")
# numbers needed, and numbers before the hole's
_LEAST = {"C": 1, "R": 2, "O": 2, "P": 2}
_BEFORE_HOLE = {"C": 1, "R": 2, "O": 2, "P": 3}


@dataclass(frozen=True, slots=True)
class Definition:
    """An AD command as written: numbers in units of the file."""

    code: int
    template: str
    numbers: tuple[float, ...]


def read_definition(text: str) -> Definition:
    """Read an AD command without blanks; NotInGrammarError where it is none.

    Examples
    --------
    >>> read_definition("ADD10R,0.5X0.25")
    Definition(code=10, template='R', numbers=(0.5, 0.25))
    >>> read_definition("ADD011RoundRect,0.1X-.2")
    Definition(code=11, template='RoundRect', numbers=(0.1, -0.2))
    """
    plain = _PLAIN.match(text)
    if plain:
        return Definition(int(plain[1]), plain[2], tuple([float(v) for v in plain[3].split("X")]))
    tree = parse("aperture", text)
    code, name = (str(c) for c in tree.children[:2])
    numbers: tuple[float, ...] = ()
    for part in tree.children[2:]:
        if not isinstance(part, str):
            numbers = tuple(
                float(t) for t in part.children if isinstance(t, str) and t.type == "NUMBER"
            )
    return Definition(int(code), name, numbers)


def build_aperture(
    text: str,
    macros: Mapping[str, Macro],
    unit: float,
    function: str,
    line: int,
    notes: Notes,
) -> Aperture | None:
    """Aperture of one AD command; None, with a defect, where it cannot be read.

    Parameters
    ----------
    text : str
        The command without blanks and without the closing '*'.
    macros : mapping
        Macros defined so far, by name.
    unit : float
        Millimetres per unit of the file.
    function : str
        Value of .AperFunction in force.
    """
    if len(text) > MOST_LINE:
        _unreadable(text, line, notes)
        return None
    try:
        definition = read_definition(text)
    except NotInGrammarError:
        _unreadable(text, line, notes)
        return None
    code, template, numbers = definition.code, definition.template, definition.numbers
    if code > MOST_CODE or not all(map(math.isfinite, numbers)):
        _unreadable(text, line, notes)
        return None
    if code < 10:
        notes.illegal(
            Weight.QUERY,
            f"aperture number D{code:02d}",
            "aperture numbers from D10 (Gerber Layer Format Specification, 4.3.1)",
            "It cannot be selected; export again.",
            line,
        )
    if template not in _LEAST:
        macro = macros.get(template)
        if macro is None:
            notes.add(
                "data.aperture-undefined",
                Weight.HOLD,
                f"aperture D{code} uses macro '{template}', which is not defined",
                "an AM command before its use",
                "Ask for a complete file.",
                line,
            )
            return None
        primitives = build_primitives(macro, numbers, unit, line, notes)
        return Aperture(code, "macro", (), primitives, -1, template, function, line)
    if len(numbers) < _LEAST[template]:
        _unreadable(text, line, notes)
        return None
    values = _standard(template, numbers, unit)
    extra = numbers[_BEFORE_HOLE[template] + 1 :]
    sizes = values[:1] if template in "CP" else values[:2]
    corners = template != "P" or (numbers[1] == int(numbers[1]) and 3 <= numbers[1] <= 12)
    hole = values[_BEFORE_HOLE[template] :][:1]
    absurd = min(sizes) < 0 or max(sizes) > MOST_MM
    if absurd or not corners or (hole and hole[0] < 0) or len(extra) > 1:
        notes.illegal(
            Weight.HOLD,
            f"aperture D{code} '{text[:60]}' has impossible numbers",
            f"sizes from 0 to {MOST_MM:,.0f} mm, 3 to 12 vertices, one hole diameter "
            "(Gerber Layer Format Specification, 4.4)",
            "Ask for a corrected file.",
            line,
        )
        if absurd or not corners:
            return None
        extra = ()
        values = values[: _BEFORE_HOLE[template]]
    if extra:
        notes.deprecated(
            Weight.NOTE,
            f"aperture D{code} has a rectangular hole",
            line,
            "It was read as it stands; export again.",
        )
        hole_size = (numbers[_BEFORE_HOLE[template]] * unit, extra[0] * unit)
        primitives = _with_rectangular_hole(template, values, hole_size)
        return Aperture(code, "macro", (), primitives, -1, template, function, line)
    return Aperture(code, template, values, (), -1, "", function, line)


def _standard(template: str, numbers: tuple[float, ...], unit: float) -> tuple[float, ...]:
    """Numbers of a standard aperture in mm and radians, hole left out when absent or zero."""
    values: tuple[float, ...]
    if template == "P":
        rotation = math.radians(numbers[2]) if len(numbers) > 2 else 0.0
        values = (numbers[0] * unit, numbers[1], rotation)
    else:
        values = tuple([v * unit for v in numbers[: _BEFORE_HOLE[template]]])
    hole = numbers[_BEFORE_HOLE[template] :][:1]
    return (*values, hole[0] * unit) if hole and hole[0] else values


def _with_rectangular_hole(
    template: str, values: tuple[float, ...], hole: tuple[float, float]
) -> tuple[Primitive, ...]:
    """The old X × Y hole, as macro primitives (exposure off clears within the aperture only)."""
    cleared = Primitive(21, False, (*hole, 0.0, 0.0, 0.0))
    if template == "C":
        return (Primitive(1, True, (values[0], 0.0, 0.0, 0.0)), cleared)
    if template == "P":
        return (Primitive(5, True, (values[1], 0.0, 0.0, values[0], values[2])), cleared)
    width, height = values[:2]
    if template == "R":
        return (Primitive(21, True, (width, height, 0.0, 0.0, 0.0)), cleared)
    across = min(width, height)
    x, y = (width - across) / 2, (height - across) / 2
    body = (width - across or width, height - across or height)
    return (
        Primitive(21, True, (*body, 0.0, 0.0, 0.0)),
        Primitive(1, True, (across, x, y, 0.0)),
        Primitive(1, True, (across, -x, -y, 0.0)),
        cleared,
    )


def _unreadable(text: str, line: int, notes: Notes) -> None:
    notes.illegal(
        Weight.HOLD,
        f"aperture definition '{text[:60]}' cannot be read",
        "ADD<number><template>,<number>X<number>… (Gerber Layer Format Specification, 4.3)",
        "What it draws is not known; export again.",
        line,
    )
