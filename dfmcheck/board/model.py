"""The board: layers in stack order, holes, profile and nets on one datum."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.image import Image, keep_parts
from dfmcheck.terms import Assumption, Defect, FileEntry, Gap, Role

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Layer:
    """One file with a role and its image; ``net`` is the board net of each component."""

    role: Role
    image: Image
    net: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int32))

    @property
    def name(self) -> str:
        return str(self.role)

    def keep_parts(self, keep: npt.NDArray[np.bool_]) -> Layer:
        """The layer with only the marked parts of its image."""
        if keep.all():
            return self
        net = self.net[np.unique(self.image.component[keep])] if len(self.net) else self.net
        return Layer(self.role, keep_parts(self.image, keep), net)

    @property
    def edge_net(self) -> Ints:
        """Board net of every edge."""
        return self.net[self.image.edge_component]


@dataclass(frozen=True, slots=True)
class Holes:
    """Holes and slots; columns of equal length.

    A slot is a segment with a radius. ``path`` is equal for the pieces of one routed path and
    unique otherwise. ``plated``: 1, 0 or -1 unknown. ``first``, ``last``: conductors crossed,
    from 1. ``file`` is the row in ``Board.drill_files``, ``net`` the board net, -1 when it
    has none. ``error`` is the rounding of a coarse coordinate grid, mm.
    """

    x0: Floats
    y0: Floats
    x1: Floats
    y1: Floats
    r: Floats
    plated: npt.NDArray[np.int8]
    first: Ints
    last: Ints
    file: Ints
    tool: Ints
    line: Ints
    path: Ints
    net: Ints
    error: Floats

    def __len__(self) -> int:
        return len(self.x0)

    def take(self, rows: npt.NDArray[Any]) -> Holes:
        return Holes(*(getattr(self, f.name)[rows] for f in fields(self)))

    @classmethod
    def concat(cls, tables: list[Holes]) -> Holes:
        if not tables:
            f, i = np.empty(0), np.empty(0, dtype=np.int32)
            return cls(f, f, f, f, f, np.empty(0, dtype=np.int8), i, i, i, i, i, i, i, f)
        return cls(*(np.concatenate([getattr(t, f.name) for t in tables]) for f in fields(cls)))

    @property
    def edges(self) -> Edges:
        """The holes' walls as edges; ``piece`` is the hole's row."""
        n = len(self)
        return Edges(
            self.x0, self.y0, self.x1, self.y1, self.r, self.error, np.arange(n, dtype=np.int32)
        )


@dataclass(frozen=True, slots=True)
class Profile:
    """Centre line of the drawn profile: segments (``r`` nought) and the closed area, if any."""

    file: str
    edges: Edges
    lines: Ints  # file line of every edge
    area: Any  # shapely Polygon or MultiPolygon; empty when the line does not close


@dataclass(frozen=True, slots=True)
class Scores:
    """Centre lines of the grooves a panel of boards is broken along, as edges of no width."""

    file: str
    edges: Edges
    lines: Ints  # file line of every edge


@dataclass(frozen=True, slots=True)
class Board:
    """Everything measuring may ask about. Coordinates: mm, datum at ``origin`` of the files."""

    name: str
    copper: tuple[Layer, ...]  # top to bottom
    masks: tuple[Layer, ...]
    holes: Holes
    drill_files: tuple[str, ...]
    drill_roles: tuple[str, ...]
    profile: Profile | None
    origin: tuple[float, float]
    net_names: tuple[str, ...]
    net_joined: npt.NDArray[np.bool_]  # by net: it has a land or a plated hole
    thickness: float | None
    files: tuple[FileEntry, ...]
    gaps: tuple[Gap, ...]
    defects: tuple[Defect, ...]
    assumptions: tuple[Assumption, ...]

    legends: tuple[Layer, ...] = ()
    pastes: tuple[Layer, ...] = ()
    scores: tuple[Scores, ...] = ()
    stack: tuple[Layer, ...] = ()
    """The whole stack where ``copper`` is only a part of it (see :meth:`only`)."""
    unit: str = ""
    """Unit most of the files are written in, mm or inch; "" where none could be read."""
    data_thickness: float | None = None
    """What the data says of the thickness, mm, whatever the user states."""
    first: int = 1
    """Number of ``copper[0]`` counted from the top."""
    volts: Floats = field(default_factory=lambda: np.empty(0))
    """Peak volts of every net as the user states them, NaN where not; empty where none is."""

    def position(self, layer: Layer) -> str:
        """``outer`` or ``inner`` for a copper layer."""
        stack = self.stack or self.copper
        return "outer" if layer is stack[0] or layer is stack[-1] else "inner"

    def only(self, number: int) -> Board:
        """The board with one copper layer (from 0) to look at, for work layer by layer."""
        return replace(
            self,
            copper=(self.copper[number],),
            stack=self.stack or self.copper,
            first=self.first + number,
        )

    def numbered(self) -> Iterator[tuple[int, Layer]]:
        """Copper layers with their number from the top, 1 … n."""
        yield from enumerate(self.copper, start=self.first)
