"""What a shop can make: its tiers, its limits per rule, and its drilling allowances."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from dfmcheck.measure.rule import Allowance, Direction
from dfmcheck.terms import Weight

Bools = npt.NDArray[np.bool_]
_SLACK = 1e-6  # mm or µm: a value converted from mil must still meet its own bound


@dataclass(frozen=True, kw_only=True)
class Range:
    """A closed range; an end that is None is open.

    Examples
    --------
    >>> Range(min=0.2).holds(np.array([0.1, 0.2, np.nan])).tolist()
    [False, True, False]
    """

    min: float | None = None
    max: float | None = None

    def holds(self, values: npt.NDArray[Any]) -> Bools:
        """True where the value lies in the range; a value that is not known (NaN) does not."""
        inside: Bools = ~np.isnan(values)
        if self.min is not None:
            inside &= values >= self.min - _SLACK
        if self.max is not None:
            inside &= values <= self.max + _SLACK
        return inside


@dataclass(frozen=True, kw_only=True)
class Variant:
    """Limits that take the place of the base limits where every condition given holds.

    ``copper_um`` is finished copper in µm; ``hole`` and ``depth`` are mm, of the hole in the
    file; ``volts`` the peak voltage between the nets; ``plated`` takes a hole of unknown plating
    as plated, as the allowance does.
    """

    values: dict[str, float]
    position: Literal["outer", "inner"] | None = None
    plated: bool | None = None
    copper_um: Range | None = None
    kind: str | None = None
    hole: Range | None = None
    depth: Range | None = None
    volts: Range | None = None
    source: str = ""


@dataclass(frozen=True, kw_only=True)
class Limit:
    """The limits of one rule: ``values`` by tier, in the rule's unit (lengths in mm).

    A tier without a value is not judged. ``weight`` None leaves the rule's own weight.
    """

    rule: str
    unit: str
    direction: Direction
    allowance: Allowance
    values: dict[str, float]
    source: str = ""
    weight: Weight | None = None
    variants: tuple[Variant, ...] = ()

    def all_values(self, tier: str | None = None) -> tuple[float, ...]:
        """Every value, base and variants, of one tier or of all."""
        tables = (self.values, *(variant.values for variant in self.variants))
        return tuple(v for table in tables for t, v in table.items() if tier in (None, t))


@dataclass(frozen=True, kw_only=True)
class HoleAllowance:
    """Growth in mm from the finished to the drilled diameter."""

    plated: float = 0.0
    unplated: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A production panel: ``border`` is kept free all round, ``spacing`` between boards, mm."""

    width: float
    height: float
    border: float = 0.0
    spacing: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Shop:
    """A shop capability file as read; all lengths mm.

    ``foil`` is the stencil's thickness, None where the shop states none; ``register`` how far
    off the paste may be printed, so that a lap of no more is none. ``tiers`` run from the
    least to the most demanding, so the last is the most the shop can do.
    """

    name: str
    title: str
    tiers: tuple[str, ...]
    default_tier: str
    allowance: HoleAllowance
    foil: float | None = None
    register: float = 0.0
    panels: tuple[Panel, ...] = ()
    limits: dict[str, Limit]
    file: str = ""

    def content(self) -> str:
        """All the shop says, as JSON, wherever its file lies."""
        told = asdict(self)
        del told["file"]
        return json.dumps(told, separators=(",", ":"), ensure_ascii=False)

    def reach_of(self, limit: Limit, values: tuple[float, ...]) -> float:
        """How far, in mm of the data, one must measure to judge the largest of ``values``."""
        most = max(self.allowance.plated, self.allowance.unplated)
        shift = {"ring": most / 2, "radius": most / 2, "wall": most}.get(limit.allowance, 0.0)
        return max(values) + shift

    def limit_reach(self) -> dict[str, float]:
        """Per rule, the largest limit over all tiers and conditions, allowance added, in mm.

        Only for rules whose value is a length that must not be too small; ratios and
        ``at-most`` rules have no reach.
        """
        return {
            id_: self.reach_of(limit, values)
            for id_, limit in self.limits.items()
            if limit.unit == "mm"
            and limit.direction == "at-least"
            and (values := limit.all_values())
        }
