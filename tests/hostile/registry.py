"""The list of attacks: each makes a package that no screen may release, hang on or fail over."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from soap_dish import package

#: In place of a pattern: read as it is, within bounds; the verdict is free.
HARMLESS = "(read)"
#: Makes the package in an empty folder; ``full`` asks for the size the report measures, else
#: for one that is made and refused within a test's time.
Maker = Callable[[Path, bool], Path]


@dataclass(frozen=True)
class Attack:
    """``group`` is a heading of docs/limits.md; ``says`` a pattern its refusal must match."""

    name: str
    group: str
    says: str
    make: Maker


ATTACKS: dict[str, Attack] = {}


def attack(group: str, says: str) -> Callable[[Maker], Maker]:
    """Register a maker under its own name."""

    def register(make: Maker) -> Maker:
        name = make.__name__.strip("_").replace("_", "-")
        assert name not in ATTACKS, name
        ATTACKS[name] = Attack(name, group, says, make)
        return make

    return register


def fill(folder: Path, files: Mapping[str, bytes]) -> Path:
    """Write a package into ``folder``/dish."""
    root = folder / "dish"
    for name, data in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return root


def with_file(folder: Path, name: str, data: bytes) -> Path:
    """The whole package with one file in place of, or beside, its own."""
    return fill(folder, {**package(), name: data})
