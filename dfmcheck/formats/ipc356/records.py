"""A netlist as columnar records: one row per test point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dfmcheck.formats.records import Bools, Floats, Ints, _column, _Table
from dfmcheck.terms import Assumption, Defect

UNCONNECTED = "N/C"
"""Net name of points that belong to no net (IPC-D-356A, value from memory)."""

Signs = npt.NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Points(_Table):
    """Test points in file order.

    Attributes
    ----------
    record : int32
        317 through hole, 327 surface, 307 blind or buried, 367 tooling or unplated. A
        continuation record has a row of its own with the code of the record it continues.
    x, y : float64, mm
    net : int32
        Row in ``Netlist.names``; -1 where the field is blank.
    pin : int32
        Row in ``Netlist.pins``; -1 where both fields are blank.
    midpoint : bool
        Not an end of its net.
    hole : float64, mm
        Diameter, NaN for none.
    plated : int8
        1 plated, 0 unplated, -1 not stated or no hole.
    access : int32
        0 both sides, n conductor n from the top, -1 not stated.
    width, height : float64, mm
        Size of the land; NaN where not stated; a blank height repeats the width.
    rotation : float64, radians
    mask : int8
        0 bare, 1 covered on the primary side, 2 on the secondary, 3 on both, -1 not stated.
    line : int32
        Line of the file, from 1.
    """

    record: Ints = _column(np.int32)
    x: Floats = _column(np.float64)
    y: Floats = _column(np.float64)
    net: Ints = _column(np.int32)
    pin: Ints = _column(np.int32)
    midpoint: Bools = _column(np.bool_)
    hole: Floats = _column(np.float64)
    plated: Signs = _column(np.int8)
    access: Ints = _column(np.int32)
    width: Floats = _column(np.float64)
    height: Floats = _column(np.float64)
    rotation: Floats = _column(np.float64)
    mask: Signs = _column(np.int8)
    line: Ints = _column(np.int32)


@dataclass(frozen=True, slots=True)
class Netlist:
    """One netlist file.

    ``names`` are net names with aliases replaced, ``pins`` (reference designation, pin)
    pairs. ``resolution`` is one count of a coordinate in mm. ``thickness`` (mm),
    ``conductors`` and ``layers`` (name and kind, top to bottom) are what comment lines say,
    None or empty where they do not; each is an assumption with its evidence too.
    """

    file: str
    unit: str
    resolution: float
    names: tuple[str, ...]
    pins: tuple[tuple[str, str], ...]
    points: Points
    thickness: float | None = None
    conductors: int | None = None
    layers: tuple[tuple[str, str], ...] = ()
    defects: tuple[Defect, ...] = ()
    assumptions: tuple[Assumption, ...] = ()

    def label(self, row: int) -> str:
        """What a reader calls one point: ``U3-14``, or its place in the file."""
        pin = int(self.points.pin[row])
        if pin < 0:
            return f"line {self.points.line[row]}"
        ref, number = self.pins[pin]
        if not number:
            return f"{ref or 'point'} (line {self.points.line[row]})"
        return f"{ref}-{number}"
