"""What one planted defect is, and how far past the limit it goes."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import shapely
from numpy.random import Generator

from dfmcheck.board.voltages import Voltages

if TYPE_CHECKING:
    from benchmarks.defects.site import Site


class NoPlace(Exception):
    """The board has no place for this kind of defect, or its files cannot say it."""


SIZES = ("gross", "a tenth past", "2 µm past", "2 µm inside", "a tenth inside")
"""Measured quantities: how far from the limit. Lengths; for 2 µm angles and ratios take two
thousandths of the limit, ratios a thousandth at least."""
PRESENCE = ("planted", "harmless")
"""Data defects: there, or something that looks like it and is none."""


@dataclass(frozen=True, slots=True)
class Aim:
    """Which value to plant. ``direction`` is the rule's."""

    size: str
    limit: float
    direction: str
    unit: str

    @property
    def past(self) -> bool:
        return self.size in ("gross", "a tenth past", "2 µm past", "planted")

    def at(self, rng: Generator, slack: float = 0.0) -> float:
        """The value as judged. ``slack`` is what the files' coordinate grid leaves open:
        a reader must not hold it against the board, so the small step goes beyond it."""
        small = 0.002 if self.unit == "mm" else 0.002 * self.limit
        if self.unit == "1":
            small = max(small, 0.001)
        part = {
            "gross": float(rng.uniform(0.4, 0.75)),
            "a tenth past": 0.1,
            "2 µm past": (small + slack) / self.limit,
            "2 µm inside": -small / self.limit,
            "a tenth inside": -0.1,
        }[self.size]
        return self.limit * (1 - part if self.direction == "at-least" else 1 + part)


@dataclass(frozen=True, slots=True)
class Expect:
    """A finding the plant must bring about. ``where`` in mm of the files; None: no place.
    ``rule`` names one rule, or several with ``|`` between them of which one must speak.
    ``source`` is the file, and the line where there is one, that the finding must name."""

    rule: str
    layer: str = ""
    value: float | None = None
    where: Any = None
    source: tuple[str, int | None] | None = None


@dataclass(frozen=True, slots=True)
class Companion:
    """A finding the plant may bring about besides, because the geometry is so."""

    rule: str
    where: Any = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Shift:
    """A finding of the board's own whose value the plant changes, as it changes one of the two
    features the finding lies between: by ``most`` (mm) at the utmost."""

    rule: str
    where: Any
    most: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class Plant:
    """One defect: the files as changed (None: left out) and what must be found.

    ``origin`` is the datum of the board as planted, mm of the files, where the plant moves it:
    the lower left corner of the profile's box. ``voltages`` are the peak volts of nets a user
    would state with it.
    """

    files: dict[str, bytes | None]
    expect: tuple[Expect, ...]
    companions: tuple[Companion, ...] = ()
    note: str = ""
    origin: tuple[float, float] | None = None
    shifts: tuple[Shift, ...] = ()
    voltages: Voltages | None = None

    def digest(self) -> str:
        """Changes when the plant does, so that a rerun does it again."""
        mark = 0
        for name in sorted(self.files):
            mark = zlib.crc32(name.encode() + (self.files[name] or b"\0"), mark)
        told: list[tuple[Any, ...]] = [
            (e.rule, e.layer, e.value, shapely.to_wkt(e.where) if e.where is not None else "")
            for e in self.expect
        ]
        told += [e.source for e in self.expect if e.source is not None]
        told += [(c.rule, c.why) for c in self.companions]
        told += [(s.rule, s.most, s.why) for s in self.shifts]
        if self.voltages is not None:
            told += [(v.name, v.volts) for v in self.voltages.entries]
        return f"{zlib.crc32(json.dumps(told).encode(), mark):08x}"


Planting = Callable[["Site", Generator, Aim], Plant]


@dataclass(frozen=True, slots=True)
class Planter:
    """A kind of plant. ``sizes`` are tried one after the other on every board."""

    name: str
    rule: str
    plant: Planting
    sizes: tuple[str, ...]
    says: str


PLANTERS: dict[str, Planter] = {}


@dataclass(slots=True)
class _Registering:
    rule: str
    sizes: tuple[str, ...] = field(default=SIZES)

    def __call__(self, function: Planting) -> Planting:
        name = function.__name__.replace("_", "-")
        if name in PLANTERS:
            raise ValueError(f"two planters are called {name}")
        says = (function.__doc__ or "").strip().split("\n")[0]
        PLANTERS[name] = Planter(name, self.rule, function, self.sizes, says)
        return function


def planter(rule: str, sizes: tuple[str, ...] | None = None) -> _Registering:
    """Register a function ``(site, rng, aim) -> Plant`` that plants ``rule``.

    It raises NoPlace where the board has no place for it. Its name names the kind of plant, the
    first line of its docstring tells it.
    """
    return _Registering(rule, sizes or (PRESENCE if rule.startswith("data.") else SIZES))
