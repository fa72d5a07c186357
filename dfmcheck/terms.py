"""The words every stage shares: file roles, sides, plating, fabrication steps, defects.

This module imports nothing of ours, so every stage may import it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import IntEnum, StrEnum


class Function(StrEnum):
    """What a file of the package is for."""

    CONDUCTOR = "conductor"
    PLANE = "plane"
    MASK = "mask"
    LEGEND = "legend"
    PASTE = "paste"
    PROFILE = "profile"
    DRILL = "drill"
    ROUT = "rout"
    SCORE = "score"
    NETLIST = "netlist"
    JOB = "job"
    APERTURES = "apertures"
    DOCUMENT = "document"
    UNKNOWN = "unknown"


class Side(StrEnum):
    TOP = "top"
    BOTTOM = "bottom"


class Plating(StrEnum):
    PLATED = "plated"
    UNPLATED = "unplated"
    UNKNOWN = "unknown"


class Step(StrEnum):
    """Fabrication steps, in the order a board is made."""

    DATA = "data"
    ETCH = "etch"
    PRESS = "press"
    DRILL = "drill"
    PLATE = "plate"
    MASK = "mask"
    LEGEND = "legend"
    ROUT = "rout"
    STENCIL = "stencil"


class Weight(IntEnum):
    """How much a finding weighs in the verdict."""

    NOTE = 0
    QUERY = 1
    HOLD = 2


_ROLE = re.compile(
    r"(?P<function>conductor|plane|mask|legend|paste|profile|drill|rout|score|netlist|job|apertures"
    r"|document|unknown)(?:-(?P<plating>plated|unplated))?(?:-(?P<side>top|bottom))?"
    r"(?:-(?P<first>\d+)(?:-(?P<last>\d+))?)?"
)
_SIDED = {Function.MASK, Function.LEGEND, Function.PASTE, Function.CONDUCTOR}
_NUMBERED = {Function.CONDUCTOR, Function.PLANE}
_SPANNED = {Function.DRILL, Function.ROUT}


@dataclass(frozen=True, slots=True)
class Role:
    """The role of one file; written as text it reads e.g. ``conductor-1`` or ``mask-top``.

    Parameters
    ----------
    function : Function
    side : Side, optional
        Mask, legend and paste have a side; an outer conductor may have one before the
        number of layers is known.
    layer : int, optional
        Conductor number counted from the top, 1 … n.
    span : (int, int), optional
        First and last conductor a drill or rout file passes through.
    plating : Plating
        Drill and rout files only.

    Examples
    --------
    >>> str(Role.parse("drill-plated-1-4"))
    'drill-plated-1-4'
    >>> Role.parse("mask-top").side
    <Side.TOP: 'top'>
    """

    function: Function
    side: Side | None = None
    layer: int | None = None
    span: tuple[int, int] | None = None
    plating: Plating = Plating.UNKNOWN

    @classmethod
    def parse(cls, text: str) -> Role:
        """Read a role from its text form; ValueError says what was expected."""
        match = _ROLE.fullmatch(text.strip().lower())
        if match is None:
            raise ValueError(
                f"'{text}' is not a role; expected for example conductor-1, plane-2, mask-top, "
                "legend-bottom, paste-top, profile, drill-plated-1-4, drill-unplated, rout, score, "
                "netlist, job, document or unknown"
            )
        function = Function(match["function"])
        first = int(match["first"]) if match["first"] else None
        last = int(match["last"]) if match["last"] else None
        if match["plating"] and function not in _SPANNED:
            raise ValueError(f"'{text}': only a drill or rout role is plated or unplated")
        if match["side"] and function not in _SIDED:
            raise ValueError(f"'{text}': a {function} role has no side")
        if function in (Function.MASK, Function.LEGEND, Function.PASTE) and not match["side"]:
            raise ValueError(f"'{text}': expected {function}-top or {function}-bottom")
        if first is not None and last is None and function not in _NUMBERED:
            raise ValueError(f"'{text}': only a conductor or plane role carries one layer number")
        if last is not None and function not in _SPANNED:
            raise ValueError(f"'{text}': only a drill or rout role carries a layer span")
        if first == 0:
            raise ValueError(f"'{text}': conductor numbers start at 1")
        return cls(
            function,
            side=Side(match["side"]) if match["side"] else None,
            layer=first if function in _NUMBERED else None,
            span=(first, last) if first is not None and last is not None else None,
            plating=Plating(match["plating"]) if match["plating"] else Plating.UNKNOWN,
        )

    def __str__(self) -> str:
        parts = [str(self.function)]
        if self.plating is not Plating.UNKNOWN:
            parts.append(str(self.plating))
        if self.layer is not None:
            parts.append(str(self.layer))
        elif self.side is not None:
            parts.append(str(self.side))
        if self.span is not None:
            parts += [str(self.span[0]), str(self.span[1])]
        return "-".join(parts)

    @property
    def is_copper(self) -> bool:
        return self.function in _NUMBERED


@dataclass(frozen=True, slots=True)
class Defect:
    """Something wrong with the data itself; becomes a finding of the ``data`` step.

    ``rule`` is one of the ids in :mod:`dfmcheck.measure.data_rules`; ``found``, ``expected``
    and ``action`` are short phrases that together make one clear sentence. ``detail`` is told
    with it and is no part of what is found; ``ends`` is the measured line, x y x2 y2.
    """

    rule: str
    weight: Weight
    found: str
    expected: str
    action: str
    file: str = ""
    line: int | None = None
    layer: str = ""
    x: float | None = None
    y: float | None = None
    ends: tuple[float, float, float, float] | None = None
    detail: str = ""

    @property
    def sentence(self) -> str:
        where = self.file + (f", line {self.line}" if self.line else "")
        lead = f"{where}: " if where else ""
        told = f"{self.detail} " if self.detail else ""
        return f"{lead}{self.found}; expected {self.expected}. {told}{self.action}"


@dataclass(frozen=True, slots=True)
class Assumption:
    """A fact taken for true without the data stating it, with the evidence for it."""

    subject: str
    value: str
    evidence: str
    file: str = ""
    confidence: float = 1.0

    @property
    def doubtful(self) -> bool:
        """A doubtful assumption becomes a finding (``data.assumption``)."""
        return self.confidence < 0.8


@dataclass(frozen=True, slots=True)
class FileEntry:
    """One file of the package as recognised, for reports."""

    name: str
    role: str
    format: str  # gerber, excellon, jobfile, ipc-d-356, text, ... or unknown
    confidence: float
    evidence: tuple[str, ...]
    size: int = 0
    read: bool = True  # False: it should have been read and could not be


@dataclass(frozen=True, slots=True)
class Gap:
    """Something that was not, or not wholly, measured, and why.

    ``rule`` is a rule id, or "" when it concerns the package as a whole.
    """

    rule: str
    layer: str
    reason: str
