"""Aperture macros: blocks read once, primitives evaluated per aperture definition.

Gerber Layer Format Specification, 4.5. A block of plain numbers is split directly; a block with
variables or arithmetic goes through ``grammars/gerber_macro.lark``.
"""

from __future__ import annotations

import math
import operator
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.syntax import NUMBER, NotInGrammarError, parse
from dfmcheck.formats.limits import (
    MOST_ERASING,
    MOST_LINE,
    MOST_MM,
    MOST_PRIMITIVES,
    MOST_RINGS,
    MOST_VERTICES,
)
from dfmcheck.formats.records import Primitive
from dfmcheck.terms import Weight

if TYPE_CHECKING:
    from lark import Token, Tree

Variables = dict[int, float]
Expression = Callable[[Variables], float]

_CONSTANT = re.compile(rf"{NUMBER}(?:,{NUMBER})*,?\Z")
_OPERATORS: dict[str, Callable[[float, float], float]] = {
    "add": operator.add,
    "subtract": operator.sub,
    "multiply": operator.mul,
    "divide": operator.truediv,
}
# modifiers behind code, without rotation (4.5.1.3 to 4.5.1.9; 2 and 22 are deprecated)
_COUNTS = {1: 4, 2: 6, 20: 6, 21: 5, 22: 5, 5: 5, 6: 8, 7: 5}
# which of the modifiers behind exposure are lengths
_LENGTHS = {1: (0, 1, 2), 20: (0, 1, 2, 3, 4), 21: (0, 1, 2, 3), 5: (1, 2, 3)}
_LENGTHS |= {6: (0, 1, 2, 3, 4, 6, 7), 7: (0, 1, 2, 3, 4)}


@dataclass(frozen=True, slots=True)
class Block:
    """One block of a macro: a variable set (``target`` ≥ 0) or a primitive.

    ``constants`` is given where the block has no variable and no arithmetic.
    """

    target: int
    values: tuple[Expression, ...]
    constants: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class Macro:
    name: str
    blocks: tuple[Block, ...]
    line: int


def _expression(node: Tree[Token]) -> Expression:
    kind = str(node.data)
    if kind == "number":
        constant = float(str(node.children[0]))
        return lambda _: constant
    if kind == "variable":
        index = int(str(node.children[0])[1:])
        return lambda variables: variables.get(index, 0.0)  # 4.5.4.3: unset is 0
    inner = [_expression(c) for c in node.children if not isinstance(c, str)]
    if kind == "negate":
        return lambda variables: -inner[0](variables)
    if kind in _OPERATORS:
        apply, (left, right) = _OPERATORS[kind], inner
        return lambda variables: apply(left(variables), right(variables))
    return inner[0]  # keep, or a sum in brackets


@lru_cache(maxsize=8192)
def read_block(text: str) -> Block:
    """Read one block without blanks; NotInGrammarError or RecursionError where it is none.

    Examples
    --------
    >>> block = read_block("1,1,$1+0.5x2,0,0")
    >>> [value({1: 3.0}) for value in block.values]
    [1.0, 1.0, 4.0, 0.0, 0.0]
    >>> read_block("$4=$1/2").target
    4
    """
    if _CONSTANT.match(text):
        return Block(-1, (), tuple([float(v) for v in text.rstrip(",").split(",")]))
    tree = parse("macro", text).children[0]
    assert not isinstance(tree, str)
    values = tuple(_expression(c) for c in tree.children if not isinstance(c, str))
    if tree.data == "assignment":
        return Block(int(str(tree.children[0])[1:]), values)
    code = float(str(tree.children[0]))
    return Block(-1, (lambda _: code, *values))


def read_macro(name: str, texts: Sequence[str], line: int, notes: Notes) -> Macro:
    """Read the blocks of an AM command; unreadable blocks are recorded and left out."""
    blocks: list[Block] = []
    for text in texts:
        bare = text.lstrip()
        if re.match(r"0(?![0-9.])", bare):
            continue  # comment, 4.5.1.2
        bare = "".join(bare.split())
        if not bare:
            continue
        try:
            if len(bare) > MOST_LINE and not _CONSTANT.match(bare):
                raise RecursionError
            blocks.append(read_block(bare))
        except (NotInGrammarError, RecursionError):
            notes.illegal(
                Weight.HOLD,
                f"macro {name}: block '{bare[:60]}' cannot be read",
                "a primitive or a variable definition (Gerber Layer Format Specification, 4.5)",
                "Its shape is missing from the aperture; export again.",
                line,
            )
    return Macro(name, tuple(blocks), line)


class _Trouble(ValueError):
    """Why a primitive cannot be built."""


def _primitive(values: Sequence[float], unit: float, last_exposed: bool) -> Primitive:
    code = int(values[0])
    if code == 4:
        return _outline(values, unit)
    if code not in _COUNTS:
        raise _Trouble(f"primitive code {values[0]:g} does not exist")
    count = _COUNTS[code]
    given = list(values[1:])
    if len(given) < count:
        raise _Trouble(f"primitive {code} has {len(given)} modifiers of {count}")
    if len(given) > count + 1:
        raise _Trouble(f"primitive {code} has {len(given)} modifiers, at most {count + 1}")
    rotation = math.radians(given[count]) if len(given) > count else 0.0
    exposed = True
    if code not in (6, 7):
        exposed = _exposed(given[0], last_exposed)
        given = given[1:count]
    else:
        given = given[:count]
    if code == 22:  # lower left corner, handed on by its centre
        given[2] += given[0] / 2
        given[3] += given[1] / 2
    code = {2: 20, 22: 21}.get(code, code)
    for k in _LENGTHS[code]:
        given[k] *= unit
    _check_sizes(code, given)
    return Primitive(code, exposed, (*given, rotation))


# of a primitive's values: those that may not be below zero
_POSITIVE = {1: (0,), 20: (0,), 21: (0, 1), 5: (3,), 6: (2, 3, 4, 6, 7), 7: (2, 3, 4)}


def _check_sizes(code: int, values: Sequence[float]) -> None:
    """Sizes below zero, of kilometres, or of a number no plotter could draw."""
    lengths = [values[k] for k in _LENGTHS[code]]
    if max(map(abs, lengths)) > MOST_MM:
        raise _Trouble(f"primitive {code} has a length above {MOST_MM:,.0f} mm")
    if min(values[k] for k in _POSITIVE[code]) < 0:
        raise _Trouble(f"primitive {code} has a size below zero")
    if code == 5 and not (values[0] == int(values[0]) and 3 <= values[0] <= 12):
        raise _Trouble(f"primitive 5 has {values[0]:g} vertices, not 3 to 12")
    if code == 6 and not 0 <= values[5] <= MOST_RINGS:
        raise _Trouble(f"primitive 6 has {values[5]:g} rings, at most {MOST_RINGS} are drawn")


def _exposed(value: float, last: bool) -> bool:
    if value in (0.0, 1.0):
        return value == 1.0
    if value == 2.0:  # deprecated: the opposite of the primitive before
        return not last
    raise _Trouble(f"exposure is {value:g}, not 0 or 1")


def _outline(values: Sequence[float], unit: float) -> Primitive:
    if len(values) < 3:
        raise _Trouble("primitive 4 has no vertices")
    coordinates = 2 * (int(values[2]) + 1)
    points = list(values[3 : 3 + coordinates])
    rest = values[3 + coordinates :]
    if len(points) < coordinates or len(rest) > 1 or values[2] < 1:
        raise _Trouble(f"primitive 4 states {values[2]:g} vertices, has {len(values) - 3} numbers")
    if values[2] > MOST_VERTICES:
        raise _Trouble(f"primitive 4 has {values[2]:,.0f} vertices, at most {MOST_VERTICES:,}")
    if max(map(abs, points)) * unit > MOST_MM:
        raise _Trouble(f"primitive 4 has a point further than {MOST_MM:,.0f} mm")
    rotation = math.radians(rest[0]) if rest else 0.0
    shape = (values[2], *(p * unit for p in points), rotation)
    return Primitive(4, _exposed(values[1], True), shape)


def build_primitives(
    macro: Macro, parameters: Sequence[float], unit: float, line: int, notes: Notes
) -> tuple[Primitive, ...]:
    """Evaluate a macro for one aperture definition.

    Parameters
    ----------
    macro : Macro
    parameters : sequence of float
        Values of $1, $2, … from the aperture definition.
    unit : float
        Millimetres per unit of the file.
    line : int
        Line of the aperture definition, for defects.
    notes : Notes
    """
    variables: Variables = {k: float(v) for k, v in enumerate(parameters, 1)}
    primitives: list[Primitive] = []
    exposed = True
    erasing = 0
    for block in macro.blocks:
        try:
            if block.target >= 0:
                variables[block.target] = block.values[0](variables)
                continue
            values = block.constants
            if values is None:
                values = tuple([value(variables) for value in block.values])
            if not all(map(math.isfinite, values)):
                raise _Trouble("a value is not finite")
            primitive = _primitive(values, unit, exposed)
        except (_Trouble, ArithmeticError, RecursionError) as error:
            reason = str(error) or "the arithmetic cannot be carried out"
            notes.illegal(
                Weight.HOLD,
                f"macro {macro.name}: {reason}",
                "modifiers as the Gerber Layer Format Specification states them (4.5.1)",
                "This primitive is missing from the aperture; export again.",
                line,
            )
            continue
        erasing += not primitive.exposed
        if len(primitives) == MOST_PRIMITIVES or erasing > MOST_ERASING:
            notes.illegal(
                Weight.HOLD,
                f"macro {macro.name} holds more than {len(primitives):,} primitives",
                f"at most {MOST_PRIMITIVES:,} in one aperture, {MOST_ERASING:,} of them erasing",
                "Those from there on were left out; ask for a sensible file.",
                line,
            )
            break
        exposed = primitive.exposed
        if primitive.code == 4 and primitive.values[1:3] != primitive.values[-3:-1]:
            notes.illegal(
                Weight.QUERY,
                f"macro {macro.name}: an outline whose last point is not its first",
                "closed outlines (Gerber Layer Format Specification, 4.5.1.6)",
                "It was taken as closed by a straight line; check the aperture.",
                line,
            )
        primitives.append(primitive)
    return tuple(primitives)
