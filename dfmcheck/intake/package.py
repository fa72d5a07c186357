"""What intake hands on: the package, its files, and the clues each role rests on."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path, PurePosixPath

from dfmcheck.terms import Assumption, Defect, Function, Plating, Role, Side

#: Files with these functions are what a board is made from.
FABRICATION = frozenset(
    {
        Function.CONDUCTOR,
        Function.PLANE,
        Function.MASK,
        Function.LEGEND,
        Function.PASTE,
        Function.PROFILE,
        Function.DRILL,
        Function.ROUT,
        Function.SCORE,
    }
)
COPPER = frozenset({Function.CONDUCTOR, Function.PLANE})
DRILLED = frozenset({Function.DRILL, Function.ROUT})


@dataclass(frozen=True, slots=True)
class PackageFile:
    """One file of a package with its role.

    Attributes
    ----------
    name : str
        Path inside the package with forward slashes; a file of a nested archive reads
        ``inner.zip/top.gbr``.
    data : bytes
        The file as sent.
    format : str
        ``gerber``, ``excellon``, ``job``, ``ipc-d-356``, ``listing``, ``apertures``, ``text``,
        ``pdf``, ``image``, ``office``, ``archive``, ``markup``, ``model``, ``plot``,
        ``binary`` or ``empty``; found from the content, not from the name.
    role : Role
    confidence : float
        0 … 1, how sure the role is.
    evidence : tuple of str
        Sentences, strongest first.
    attributes : dict
        File attributes without the leading dot, e.g. ``{"FileFunction": ("Copper", "L1", "Top")}``.
    """

    name: str
    data: bytes = field(repr=False)
    format: str
    role: Role
    confidence: float
    evidence: tuple[str, ...] = ()
    attributes: dict[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def base(self) -> str:
        """File name without its folders."""
        return PurePosixPath(self.name).name


class Source(IntEnum):
    """Where a clue comes from, most trusted first."""

    USER = 0
    ATTRIBUTE = 1
    JOB = 2
    LISTING = 3
    NAME = 4
    CONTENT = 5


@dataclass(frozen=True, slots=True)
class Clue:
    """One reason to give a file a role.

    ``number`` is a conductor number; ``absolute`` tells whether it counts from the top
    conductor (L3, physical order 3) or perhaps only among the inner ones (G1, inner 1).
    ``layer_name`` is the conductor's name inside the data. ``span`` holds the two ends of a
    drill span as written (``"1"``, ``"top"``, ``"GND2"``).
    """

    source: Source
    sentence: str
    confidence: float
    function: Function | None = None
    side: Side | None = None
    number: int | None = None
    absolute: bool = False
    layer_name: str = ""
    span: tuple[str, str] | None = None
    plating: Plating | None = None


@dataclass(frozen=True, slots=True)
class Recognised:
    """A file with its clues weighed, before conductors are numbered."""

    name: str
    data: bytes = field(repr=False)
    format: str
    function: Function
    side: Side | None
    plating: Plating
    confidence: float
    evidence: tuple[str, ...]
    attributes: dict[str, tuple[str, ...]]
    clues: tuple[Clue, ...]
    holds_outline: str = ""  # why this file may hold the profile beside other things

    @property
    def base(self) -> str:
        return PurePosixPath(self.name).name

    @property
    def stem(self) -> str:
        return PurePosixPath(self.name).stem

    @property
    def suffix(self) -> str:
        return PurePosixPath(self.name).suffix.lstrip(".").casefold()


@dataclass(frozen=True, slots=True)
class Stack:
    """A list of conductor names, top first, that some file of the package states."""

    names: tuple[str, ...]
    sentence: str
    confidence: float


@dataclass(frozen=True, slots=True)
class Package:
    """An opened package.

    ``boards`` names the boards when the package holds more than one (see
    :func:`select_board`); it is empty for the usual package of one board.
    """

    path: Path
    name: str
    files: tuple[PackageFile, ...]
    defects: tuple[Defect, ...]
    assumptions: tuple[Assumption, ...]
    boards: tuple[str, ...] = ()
    _recognised: tuple[Recognised, ...] = field(default=(), repr=False, compare=False)
    _opening_defects: tuple[Defect, ...] = field(default=(), repr=False, compare=False)

    def file(self, name: str) -> PackageFile:
        """The file of this name; KeyError when there is none."""
        for entry in self.files:
            if entry.name == name:
                return entry
        raise KeyError(name)
