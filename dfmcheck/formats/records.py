"""Columnar drawing records: what a reader hands on, one row per command executed.

No geometry yet: an aperture is its parameters, a draw is its two ends. All lengths are
millimetres (float64), all angles radians, counter-clockwise positive, whatever the unit of
the file. Columns of one table have equal length.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import IntEnum
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from dfmcheck.terms import Assumption, Defect

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]


class Kind(IntEnum):
    """Kind of a graphical object (Gerber Layer Format Specification, 2.3)."""

    DRAW = 0  # straight draw, x0 y0 → x1 y1
    ARC = 1  # circular draw about cx cy
    FLASH = 2  # aperture at x0 y0 (x1 y1 repeat it)
    REGION = 3  # contours of Contours with this row's `region` number


class _Table:
    """Equal-length numpy columns; the shared small surface of all record tables."""

    def __len__(self) -> int:
        return len(getattr(self, fields(self)[0].name))  # type: ignore[arg-type]

    def take(self, rows: npt.NDArray[Any] | slice) -> Self:
        """The same table with only these rows (index array, mask or slice)."""
        return type(self)(*(getattr(self, f.name)[rows] for f in fields(self)))  # type: ignore[arg-type]

    @classmethod
    def concat(cls, tables: list[Self]) -> Self:
        """Tables one behind the other; an empty list gives an empty table."""
        if not tables:
            return cls.empty()
        names = [f.name for f in fields(cls)]  # type: ignore[arg-type]
        return cls(*(np.concatenate([getattr(t, n) for t in tables]) for n in names))

    @classmethod
    def empty(cls) -> Self:
        return cls(*(np.empty(0, dtype=f.metadata["dtype"]) for f in fields(cls)))  # type: ignore[arg-type]


def _column(dtype: Any) -> Any:
    return field(metadata={"dtype": dtype})


@dataclass(frozen=True, slots=True)
class Objects(_Table):
    """Graphical objects in the order they are painted.

    Attributes
    ----------
    kind : uint8, a :class:`Kind`
    x0, y0, x1, y1 : float64, mm
    cx, cy : float64, mm
        Centre of an arc; NaN for other kinds.
    clockwise : bool
        Direction of an arc. An arc whose ends coincide is a full circle.
    aperture : int32
        Row in ``Artwork.apertures``; -1 for a region.
    dark : bool
        Polarity (LP) in force.
    mirror : uint8
        Bit 1: x coordinates of the aperture are negated; bit 2: y (LM).
    rotation, scale : float64
        LR in radians, LS. Mirror first, then scale, then rotate.
    region : int32
        Number of the region in ``Artwork.contours``; -1 otherwise.
    net, pin : int32
        Rows in ``Artwork.nets`` and ``Artwork.pins``; -1 where no attribute says.
    line : int32
        Line of the file, from 1, on which the command ends.
    """

    kind: Bytes = _column(np.uint8)
    x0: Floats = _column(np.float64)
    y0: Floats = _column(np.float64)
    x1: Floats = _column(np.float64)
    y1: Floats = _column(np.float64)
    cx: Floats = _column(np.float64)
    cy: Floats = _column(np.float64)
    clockwise: Bools = _column(np.bool_)
    aperture: Ints = _column(np.int32)
    dark: Bools = _column(np.bool_)
    mirror: Bytes = _column(np.uint8)
    rotation: Floats = _column(np.float64)
    scale: Floats = _column(np.float64)
    region: Ints = _column(np.int32)
    net: Ints = _column(np.int32)
    pin: Ints = _column(np.int32)
    line: Ints = _column(np.int32)


@dataclass(frozen=True, slots=True)
class Contours(_Table):
    """Contour segments of all regions; rows of one contour are consecutive, in drawing order.

    ``region`` numbers the G36/G37 statement, ``contour`` numbers contours across the file.
    ``cx``, ``cy`` are NaN for a straight segment.
    """

    region: Ints = _column(np.int32)
    contour: Ints = _column(np.int32)
    x0: Floats = _column(np.float64)
    y0: Floats = _column(np.float64)
    x1: Floats = _column(np.float64)
    y1: Floats = _column(np.float64)
    cx: Floats = _column(np.float64)
    cy: Floats = _column(np.float64)
    clockwise: Bools = _column(np.bool_)
    line: Ints = _column(np.int32)


@dataclass(frozen=True, slots=True)
class Primitive:
    """One macro primitive with its arithmetic done (specification 4.5.1).

    ``code`` is 1 circle, 4 outline, 5 polygon, 6 moiré, 7 thermal, 20 vector line, 21 centre
    line; deprecated 2 is handed on as 20 and 22 as 21. ``values`` are the modifiers behind
    exposure in the specification's order, lengths in mm, the rotation (always the last, 0.0
    where the file leaves it out) in radians. Counts (vertices, rings) stay plain numbers.
    Moiré and thermal have no exposure modifier: they are always exposed.
    """

    code: int
    exposed: bool
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Aperture:
    """One aperture definition, lengths in mm.

    ``template`` is ``C`` (values: diameter[, hole]), ``R`` and ``O`` (width, height[, hole]),
    ``P`` (outer diameter, vertices, rotation in radians[, hole]), ``macro`` (see
    ``primitives``) or ``block`` (AB or SR: ``block`` is the row in ``Artwork.blocks``).
    A hole diameter is left out when absent. ``name`` is the macro's name.
    ``function`` is the .AperFunction attribute's value, fields joined by commas, or "".
    """

    code: int
    template: str
    values: tuple[float, ...] = ()
    primitives: tuple[Primitive, ...] = ()
    block: int = -1
    name: str = ""
    function: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Artwork:
    """One Gerber file as records.

    ``objects`` is the top level; a FLASH whose aperture is a ``block`` stands for the whole
    of ``blocks[aperture.block]`` (objects in that block's own coordinates, origin at the
    flash point). A step-and-repeat is recorded in the same way: its body is a block and each
    repeat a flash of it (dark, no mirror, rotation or scale), so polarity inside stays as
    recorded. ``attributes`` are file attributes without the leading dot where standard, e.g.
    ``{"FileFunction": ("Copper", "L1", "Top")}``. ``pins`` hold (component, pin) pairs.
    ``unit`` is ``"mm"`` or ``"inch"``; ``resolution`` the smallest step of a coordinate in mm.
    """

    file: str
    unit: str
    resolution: float
    apertures: tuple[Aperture, ...]
    objects: Objects
    contours: Contours
    blocks: tuple[Objects, ...] = ()
    attributes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    nets: tuple[str, ...] = ()
    pins: tuple[tuple[str, str], ...] = ()
    comments: tuple[str, ...] = ()
    defects: tuple[Defect, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


class HitKind(IntEnum):
    HIT = 0  # one round hole at x0 y0
    SLOT = 1  # G85, x0 y0 → x1 y1
    ROUT = 2  # straight piece of a routed path
    ROUT_ARC = 3  # circular piece of a routed path about cx cy


@dataclass(frozen=True, slots=True)
class Hits(_Table):
    """Drill hits, slots and routed pieces, in file order.

    ``path`` numbers a routed path (tool down … tool up), -1 for hits and G85 slots.
    ``tool`` is the row in ``Drilling.tools``.
    """

    kind: Bytes = _column(np.uint8)
    x0: Floats = _column(np.float64)
    y0: Floats = _column(np.float64)
    x1: Floats = _column(np.float64)
    y1: Floats = _column(np.float64)
    cx: Floats = _column(np.float64)
    cy: Floats = _column(np.float64)
    clockwise: Bools = _column(np.bool_)
    tool: Ints = _column(np.int32)
    path: Ints = _column(np.int32)
    line: Ints = _column(np.int32)


@dataclass(frozen=True, slots=True)
class Tool:
    """One drill or rout tool. ``diameter`` is None where no source states it."""

    number: int
    diameter: float | None
    plating: str = "unknown"  # a terms.Plating value
    line: int = 0


@dataclass(frozen=True, slots=True)
class Drilling:
    """One drill or rout file as records. ``attributes`` as in :class:`Artwork`."""

    file: str
    unit: str
    resolution: float
    tools: tuple[Tool, ...]
    hits: Hits
    attributes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    comments: tuple[str, ...] = ()
    defects: tuple[Defect, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
