"""Job facts for the page: what a quote and a planner need to know."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dfmcheck.judge.finding import Judgement, Tightest
from dfmcheck.measure.screening import Facts
from dfmcheck.report.text import finite, number, plain, plural


@dataclass(frozen=True, slots=True)
class Fact:
    name: str
    value: str
    remark: str = ""


@dataclass(frozen=True, slots=True)
class HoleRow:
    size: str
    plating: str
    hits: int
    slots: int


@dataclass(frozen=True, slots=True)
class CopperRow:
    layer: str
    side: str
    area: str
    share: str
    bar: float | None  # 0..100


def job_facts(judgement: Judgement) -> list[Fact]:
    """Facts in the order in which a quote asks for them; what is unknown says so."""
    facts = judgement.screening.facts
    out = [
        _size(facts),
        Fact("Conductor layers", str(facts.conductors)),
        _known("Thickness", facts.thickness, "{:.2f} mm", "not stated in the data"),
        _known("Copper outside", facts.outer_copper_um, "{:g} µm", "not stated"),
    ]
    if facts.conductors > 2:
        out.append(_known("Copper inside", facts.inner_copper_um, "{:g} µm", "not stated"))
    out += [
        _smallest("Smallest conductor", "etch.conductor-width", judgement.tightest),
        _smallest("Smallest space", "etch.conductor-spacing", judgement.tightest),
        _smallest("Smallest ring", "plate.annular-ring", judgement.tightest),
        *_drilling(facts),
        Fact("Nets", str(facts.nets), "found by copper that touches"),
    ]
    for name, area in facts.finish_area.items():
        out.append(
            Fact(f"Bare copper, {plain(name)}", f"{area / 100:.2f} cm²", "left open by the mask")
        )
    if finite(facts.rout_length) is not None:
        out.append(Fact("Rout path", f"{facts.rout_length:.0f} mm", "profile and cut-outs"))
    if facts.slot_length:
        out.append(Fact("Slot path", f"{facts.slot_length:.1f} mm", "all slots"))
    return out


def _size(facts: Facts) -> Fact:
    width, height, area = finite(facts.width), finite(facts.height), finite(facts.area)
    if width is None or height is None:
        return Fact("Board size", "unknown", "the data has no closed profile")
    remark = f"{area / 100:.2f} cm² inside the profile" if area is not None else ""
    return Fact("Board size", f"{width:.2f} × {height:.2f} mm", remark)


def _known(name: str, value: float | None, form: str, otherwise: str) -> Fact:
    known = finite(value)
    return Fact(name, form.format(known)) if known is not None else Fact(name, "–", otherwise)


def _smallest(name: str, rule: str, tightest: Sequence[Tightest]) -> Fact:
    mine = [item for item in tightest if item.rule == rule and finite(item.value) is not None]
    if not mine:
        return Fact(name, "–", "not measured")
    least = min(mine, key=lambda item: item.value)
    return Fact(name, number(least.value, least.unit), f"on {plain(least.layer)}")


def _drilling(facts: Facts) -> list[Fact]:
    hits = sum(hole.hits for hole in facts.holes)
    slots = sum(hole.slots for hole in facts.holes)
    told = plural(hits, "hole") + (f", {plural(slots, 'slot')}" if slots else "")
    sizes = len({hole.diameter for hole in facts.holes})
    density = finite(facts.hole_density_per_cm2)
    remark = f"{plural(sizes, 'size')}" + (f", {density:.1f} per cm²" if density else "")
    return [Fact("Drilling", told, remark)]


def hole_rows(facts: Facts) -> list[HoleRow]:
    """Holes by size and plating, as the facts list them."""
    return [
        HoleRow(
            f"{hole.diameter:.3f} mm" if finite(hole.diameter) is not None else "no size stated",
            "plating unknown" if hole.plating == "unknown" else plain(hole.plating),
            hole.hits,
            hole.slots,
        )
        for hole in facts.holes
    ]


def copper_rows(facts: Facts) -> list[CopperRow]:
    """Copper area and share of every conductor layer, top to bottom."""
    names = facts.layers or tuple(facts.copper_area)
    out = []
    for n, name in enumerate(names):
        area, share = finite(facts.copper_area.get(name)), finite(facts.copper_share.get(name))
        side = "top" if n == 0 else "bottom" if n == len(names) - 1 else "inner"
        out.append(
            CopperRow(
                plain(name),
                side,
                f"{area / 100:.2f} cm²" if area is not None else "–",
                f"{share:.0%}" if share is not None else "–",
                round(min(share, 1.0) * 100, 1) if share is not None else None,
            )
        )
    return out
