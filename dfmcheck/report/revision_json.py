"""What changed between two revisions as JSON, in the form of ``revision.schema.json``."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import shapely

import dfmcheck
from dfmcheck.judge.artwork import NARROWEST, HoleChange, LayerChange
from dfmcheck.judge.finding import Judgement
from dfmcheck.judge.revision import STATES, FindingChange, Revision
from dfmcheck.report.json_report import finding_json
from dfmcheck.report.text import CAUTION, finite

SCHEMA_VERSION = "1.0"
AREAS_LISTED = 50
"""Areas listed per layer, largest first; all are counted."""


def schema() -> dict[str, Any]:
    """The published JSON Schema (draft 2020-12) of what :func:`to_json` returns."""
    text = Path(__file__).with_name("revision.schema.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def to_json(revision: Revision) -> dict[str, Any]:
    """The revision as plain dicts and lists; lengths mm, areas mm²."""
    layers = revision.layers
    return {
        "schema_version": SCHEMA_VERSION,
        "tool": {"name": "dfmcheck", "version": dfmcheck.__version__},
        "shop": _text(revision.new.shop),
        "tier": _text(revision.new.tier),
        "old": _side(revision.old),
        "new": _side(revision.new),
        "datum_shift_mm": list(revision.shift),
        "datum_agreed": finite(revision.agreed),
        "counts": {state: revision.count(state) for state in STATES},
        "findings": [_change(change) for change in revision.findings],
        "artwork": None if layers is None else {
            "narrowest_seen_mm": round(NARROWEST, 6),
            "layers": [_layer(layer) for layer in layers],
            "holes": [_hole(hole) for hole in revision.holes],
            "profile_changed": revision.profile_changed,
        },
        "caution": CAUTION,
    }  # fmt: skip


def dumps(revision: Revision) -> str:
    """:func:`to_json` as text ending in a newline; plain ASCII, so any reader takes it."""
    return json.dumps(to_json(revision), indent=2, allow_nan=False) + "\n"


def _side(judgement: Judgement) -> dict[str, Any]:
    return {
        "package": _text(judgement.screening.package),
        "verdict": str(judgement.verdict),
        "findings": len(judgement.findings),
    }


def _change(change: FindingChange) -> dict[str, Any]:
    return {
        "state": change.state,
        "distance_mm": finite(change.distance),
        "old": None if change.old is None else finding_json(change.old),
        "new": None if change.new is None else finding_json(change.new),
    }


def _layer(layer: LayerChange) -> dict[str, Any]:
    return {
        "layer": _text(layer.layer),
        "only": layer.only,
        "added": _areas(layer.added, layer.added_area),
        "removed": _areas(layer.removed, layer.removed_area),
    }


def _areas(shapes: Sequence[Any], total: float) -> dict[str, Any]:
    boxes = shapely.bounds(list(shapes[:AREAS_LISTED]))
    return {
        "areas": len(shapes),
        "area_mm2": round(total, 6),
        "listed": [
            {"bbox_mm": [round(edge, 4) for edge in box], "area_mm2": round(shape.area, 6)}
            for box, shape in zip(boxes.tolist(), shapes, strict=False)
        ],
    }


def _hole(hole: HoleChange) -> dict[str, Any]:
    return {
        "state": hole.state,
        "x_mm": round(hole.x, 4),
        "y_mm": round(hole.y, 4),
        "old_diameter_mm": round(hole.old, 4) if hole.old else None,
        "new_diameter_mm": round(hole.new, 4) if hole.new else None,
        "plating": {1: "plated", 0: "unplated"}.get(hole.plated, "unknown"),
        "slot": hole.slot,
    }


def _text(value: str) -> str:
    return str(value).encode("utf-16", "surrogatepass").decode("utf-16", "replace")
