"""A screening: all that was measured on one package, before any shop's limits are applied."""

from __future__ import annotations

from dataclasses import dataclass, field

from dfmcheck.measure.drawing import Drawing
from dfmcheck.measure.places import Places
from dfmcheck.terms import Assumption, Defect
from dfmcheck.terms import FileEntry as FileEntry
from dfmcheck.terms import Gap as Gap


@dataclass(frozen=True, slots=True)
class HoleCount:
    diameter: float
    plating: str
    slots: int
    hits: int


@dataclass(frozen=True, slots=True)
class Facts:
    """Job facts; None where the data does not say. Lengths mm, areas mm²."""

    width: float | None = None
    height: float | None = None
    area: float | None = None
    conductors: int = 0
    layers: tuple[str, ...] = ()  # role texts of the copper layers, top to bottom
    thickness: float | None = None
    data_thickness: float | None = None  # of the data alone, whatever the user states
    outer_copper_um: float | None = None
    inner_copper_um: float | None = None
    holes: tuple[HoleCount, ...] = ()
    hole_density_per_cm2: float | None = None
    copper_area: dict[str, float] = field(default_factory=dict)  # by copper layer role text
    copper_share: dict[str, float] = field(default_factory=dict)  # of the profile's area, 0..1
    nets: int = 0
    finish_area: dict[str, float] = field(default_factory=dict)  # bare copper by outer layer
    slot_length: float | None = None  # milled path of all slots
    rout_length: float | None = None  # round the profile and its cut-outs
    voltages: dict[str, list[float]] = field(default_factory=dict)
    """By copper layer, the different voltages the user states for nets on it."""


@dataclass(frozen=True, slots=True)
class Screening:
    """Measurements of one package and what a reader must know about them.

    ``reach`` gives, per rule id, how far the listing of values reaches (mm): a limit above
    it can not be judged from this screening. ``measured`` lists (rule, layer) pairs that were
    measured in full, whether or not a place was found.
    """

    package: str
    files: tuple[FileEntry, ...]
    facts: Facts
    places: Places
    reach: dict[str, float]
    measured: tuple[tuple[str, str], ...]
    gaps: tuple[Gap, ...]
    defects: tuple[Defect, ...]
    assumptions: tuple[Assumption, ...]
    made_by: str = ""
    drawing: Drawing | None = None  # kept where a report is to show the board
