"""The judgement as JSON, in the published form of ``findings.schema.json``."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import dfmcheck
from dfmcheck.judge.finding import (
    Blocker,
    Change,
    Finding,
    Judgement,
    Source,
    Tightest,
    ToReach,
    Waiver,
    WaiverUse,
)
from dfmcheck.measure.screening import Facts, FileEntry
from dfmcheck.report.text import CAUTION, finite
from dfmcheck.terms import Assumption

SCHEMA_VERSION = "1.3"
"""Major part rises when a key is removed or changes its meaning; minor when one is added."""


def schema() -> dict[str, Any]:
    """The published JSON Schema (draft 2020-12) of what :func:`to_json` returns."""
    text = Path(__file__).with_name("findings.schema.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def to_json(judgement: Judgement) -> dict[str, Any]:
    """The judgement as plain dicts, lists, strings and numbers.

    Returns
    -------
    dict
        Holds to :func:`schema`. Lengths are mm, areas mm². A number the data does not give
        is None; NaN and infinity never appear.
    """
    screening = judgement.screening
    return {
        "schema_version": SCHEMA_VERSION,
        "tool": {"name": "dfmcheck", "version": dfmcheck.__version__},
        "package": clean_text(screening.package),
        "shop": clean_text(judgement.shop),
        "tier": clean_text(judgement.tier),
        "verdict": str(judgement.verdict),
        "reasons": [clean_text(reason) for reason in judgement.reasons],
        "facts": _facts(screening.facts),
        "tier_fit": [
            {
                "tier": clean_text(fit.tier),
                "fits": bool(fit.fits),
                "places": {rule: int(count) for rule, count in fit.places.items()},
                "waived": int(fit.waived),
            }
            for fit in judgement.tier_fit
        ],
        "to_reach": [_to_reach(item) for item in judgement.to_reach],
        "panels": [
            {
                "width_mm": fit.width,
                "height_mm": fit.height,
                "boards": fit.boards,
                "turned": fit.turned,
                "share": round(fit.share, 4),
            }
            for fit in judgement.panels
        ],
        "tightest": [_tightest(item) for item in judgement.tightest],
        "findings": [finding_json(item) for item in judgement.findings],
        "assumptions": [_assumption(item) for item in screening.assumptions],
        "coverage": {
            "complete": not judgement.doubts and all(item.read for item in screening.files),
            "doubts": [clean_text(doubt) for doubt in judgement.doubts],
            "measured": [
                {"rule": rule, "layer": clean_text(layer)} for rule, layer in screening.measured
            ],
            "gaps": [
                {"rule": gap.rule, "layer": clean_text(gap.layer), "reason": clean_text(gap.reason)}
                for gap in screening.gaps
            ],
            "not_judged": [
                {"rule": rule, "reason": clean_text(why)} for rule, why in judgement.not_judged
            ],
            "files": [_file(item) for item in screening.files],
        },
        "waivers": _waivers(judgement.waivers),
        "caution": CAUTION,
    }


def dumps(judgement: Judgement) -> str:
    """:func:`to_json` as text ending in a newline; plain ASCII, so any reader takes it."""
    return json.dumps(to_json(judgement), indent=2, allow_nan=False) + "\n"


def _facts(facts: Facts) -> dict[str, Any]:
    names = facts.layers or tuple(facts.copper_area) or tuple(facts.copper_share)
    return {
        "width_mm": finite(facts.width),
        "height_mm": finite(facts.height),
        "area_mm2": finite(facts.area),
        "conductors": int(facts.conductors),
        "thickness_mm": finite(facts.thickness),
        "outer_copper_um": finite(facts.outer_copper_um),
        "inner_copper_um": finite(facts.inner_copper_um),
        "hole_density_per_cm2": finite(facts.hole_density_per_cm2),
        "nets": int(facts.nets),
        "slot_length_mm": finite(facts.slot_length),
        "rout_length_mm": finite(facts.rout_length),
        "finish": [
            {"layer": clean_text(name), "area_mm2": finite(area)}
            for name, area in facts.finish_area.items()
        ],
        "holes": [
            {
                "diameter_mm": finite(hole.diameter),
                "plating": str(hole.plating),
                "hits": int(hole.hits),
                "slots": int(hole.slots),
            }
            for hole in facts.holes
        ],
        "copper": [
            {
                "layer": clean_text(name),
                "area_mm2": finite(facts.copper_area.get(name)),
                "share": finite(facts.copper_share.get(name)),
            }
            for name in names
        ],
    }


def _tightest(item: Tightest) -> dict[str, Any]:
    return {
        "rule": item.rule,
        "layer": clean_text(item.layer),
        "value": finite(item.value),
        "unit": item.unit,
        "x_mm": finite(item.x),
        "y_mm": finite(item.y),
        "uncertainty": finite(item.uncertainty) or 0.0,
        "limit": finite(item.limit),
        "at_limit": bool(item.at_limit),
    }


def finding_json(item: Finding) -> dict[str, Any]:
    """One finding, as the schema has it."""
    return {
        "rule": item.rule,
        "step": str(item.step),
        "severity": str(item.severity),
        "layer": clean_text(item.layer),
        "also_on": [clean_text(layer) for layer in item.also_on],
        "nets": [clean_text(net) for net in item.nets],
        "x_mm": finite(item.x),
        "y_mm": finite(item.y),
        "bbox_mm": _four(item.bbox),
        "line_mm": _four(item.line),
        "measured": finite(item.measured),
        "raw": finite(item.raw),
        "uncertainty": finite(item.uncertainty) or 0.0,
        "limit": finite(item.limit),
        "unit": item.unit,
        "tier": clean_text(item.tier),
        "fits": clean_text(item.fits),
        "count": int(item.count),
        "fingerprint": item.fingerprint,
        "message": clean_text(item.message),
        "remedy": clean_text(item.remedy),
        "who": str(item.who),
        "sources": [_source(source) for source in item.sources],
        "places_mm": [list(place) for place in item.places],
        "waived": None if item.waived is None else _waiver(item.waived),
    }


def _waiver(item: Waiver) -> dict[str, Any]:
    return {
        "fingerprint": clean_text(item.fingerprint),
        "rule": clean_text(item.rule),
        "reason": clean_text(item.reason),
        "name": clean_text(item.name),
        "date": item.date.isoformat(),
        "expires": None if item.expires is None else item.expires.isoformat(),
    }


def _waivers(use: WaiverUse | None) -> dict[str, Any] | None:
    if use is None:
        return None
    return {
        "file": clean_text(use.file),
        "found_beside": bool(use.found),
        "used": [_waiver(waiver) for waiver in use.used],
        "unused": [{**_waiver(waiver), "why": clean_text(why)} for waiver, why in use.unused],
    }


def _to_reach(item: ToReach) -> dict[str, Any]:
    return {
        "tier": clean_text(item.tier),
        "next_down": bool(item.next_down),
        "changes": int(item.changes),
        "places": int(item.places),
        "unknown": list(item.unknown),
        "rules": [_blocker(blocker) for blocker in item.blockers],
        "listed": [_change(change) for change in item.listed],
    }


def _blocker(item: Blocker) -> dict[str, Any]:
    return {
        "rule": item.rule,
        "changes": int(item.changes),
        "places": int(item.places),
        "worst": finite(item.value),
        "limit": finite(item.limit),
        "unit": item.unit,
        "alone": clean_text(item.alone),
    }


def _change(item: Change) -> dict[str, Any]:
    return {
        "rule": item.rule,
        "layer": clean_text(item.layer),
        "x_mm": finite(item.x),
        "y_mm": finite(item.y),
        "value": finite(item.value),
        "limit": finite(item.limit),
        "unit": item.unit,
        "places": int(item.places),
    }


def _source(item: Source) -> dict[str, Any]:
    return {
        "file": clean_text(item.file),
        "line": None if item.line is None else int(item.line),
        "aperture": None if item.code is None else int(item.code),
    }


def _assumption(item: Assumption) -> dict[str, Any]:
    return {
        "subject": clean_text(item.subject),
        "value": clean_text(item.value),
        "evidence": clean_text(item.evidence),
        "file": clean_text(item.file),
        "confidence": finite(item.confidence) or 0.0,
    }


def _file(item: FileEntry) -> dict[str, Any]:
    return {
        "name": clean_text(item.name),
        "role": str(item.role),
        "format": str(item.format),
        "confidence": finite(item.confidence) or 0.0,
        "evidence": [clean_text(line) for line in item.evidence],
        "read": bool(item.read),
    }


def _four(values: Iterable[float] | None) -> list[float] | None:
    """Four numbers, or None when any of them is missing."""
    if values is None:
        return None
    out = [number for number in map(finite, values) if number is not None]
    return out if len(out) == 4 else None


def clean_text(value: str) -> str:
    """Text that any JSON reader takes: a lone surrogate (undecodable byte) becomes U+FFFD."""
    return str(value).encode("utf-16", "surrogatepass").decode("utf-16", "replace")
