"""What a job file states of the board."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from dfmcheck.terms import Defect


@dataclass(frozen=True, slots=True)
class StackEntry:
    """One entry of the material stack, top first. ``thickness`` in mm, None where not stated."""

    name: str
    type: str
    thickness: float | None = None
    material: str = ""


@dataclass(frozen=True, slots=True)
class JobFile:
    """Facts of one job file; None where it is silent.

    Attributes
    ----------
    layer_count : int or None
        Conductor layers.
    thickness, size_x, size_y : float or None, mm
    finish : str
        Surface finish in the file's words, "" where not stated.
    copper_um : tuple of (float or None), µm
        Thickness of each conductor from the top; empty without a stack.
    stack : tuple of StackEntry
    design_rules : tuple of mapping
        As the file states them, lengths in mm.
    file_functions : mapping
        Path of a file → fields of its function, e.g. ``("Copper", "L1", "Top")``.
    attributes : mapping
        Facts of the header and of the general part that have no field here.
    """

    file: str
    layer_count: int | None = None
    thickness: float | None = None
    size_x: float | None = None
    size_y: float | None = None
    finish: str = ""
    copper_um: tuple[float | None, ...] = ()
    stack: tuple[StackEntry, ...] = ()
    design_rules: tuple[Mapping[str, Any], ...] = ()
    file_functions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    attributes: Mapping[str, str] = field(default_factory=dict)
    defects: tuple[Defect, ...] = ()
