"""What the page's script works on: findings and outlines, compressed and base64-coded.

Everything that came from the customer reaches the page either through the escaping template or
through here, where base64 leaves nothing a browser could take for markup.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dfmcheck.judge.finding import Finding, Judgement
from dfmcheck.measure.drawing import STEP, Drawing, DrawnLayer
from dfmcheck.measure.rule import Rule
from dfmcheck.report.text import WHO, finite, message_alone, number, pair, plain, sentence, sources

PLACES_KEPT = 300
"""Places of one finding that the page can walk through; the rest are counted."""


@dataclass(frozen=True, slots=True)
class Block:
    """One block of data in the page."""

    name: str
    text: str


def packed(raw: bytes) -> str:
    """zlib-compressed (RFC 1950), as a browser's DecompressionStream reads it, in base64."""
    return base64.b64encode(zlib.compress(raw, 9)).decode("ascii")


def blocks(judgement: Judgement, rules: Mapping[str, Rule]) -> list[Block]:
    """The page's data: findings first, then one block per drawn layer."""
    drawing = judgement.screening.drawing
    roles = {plain(file.name): file.role for file in judgement.screening.files}
    head = {
        "tiers": [plain(tier) for tier in judgement.tiers],
        "findings": [entry(f, rules.get(f.rule), roles) for f in judgement.findings],
        "rules": {id_: _rule(rules[id_]) for id_ in _rules_met(judgement) if id_ in rules},
        "drawing": None if drawing is None else _head(drawing, judgement),
    }
    out = [Block("page-data", packed(json.dumps(head, allow_nan=False).encode()))]
    if drawing is not None:
        out += [
            Block(f"outline-{n}", packed(outlines(layer)))
            for n, layer in enumerate(drawing.layers)
            if len(layer.xy)
        ]
    return out


def _rules_met(judgement: Judgement) -> list[str]:
    return sorted({finding.rule for finding in judgement.findings})


def _rule(rule: Rule) -> dict[str, str]:
    return {
        "quantity": rule.quantity,
        "floor": rule.on_the_floor,
        "frontEnd": rule.front_end,
        "caution": rule.caution,
        "direction": rule.direction,
    }


def entry(
    item: Finding, rule: Rule | None, roles: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """One finding as the page shows it; numbers already worded, so no two reports differ.

    ``roles`` of the files, by name, tell the layer to draw where a finding is about a file.
    """
    measured, limit = finite(item.measured), finite(item.limit)
    value_text, limit_text = pair(measured, limit, item.unit)
    raw = finite(item.raw)
    differs = raw is not None and measured is not None and abs(raw - measured) > 5e-7
    shown = item.places[:PLACES_KEPT]
    return {
        "rule": item.rule,
        "step": str(item.step),
        "severity": item.severity,
        "layer": plain(item.layer),
        "drawOn": plain(item.layer or _role_of(item, roles or {})),
        "kind": plain(item.kind),
        "alsoOn": [plain(layer) for layer in item.also_on],
        "nets": [plain(net) for net in item.nets if net],
        "at": _numbers((item.x, item.y)),
        "box": _numbers(item.bbox),
        "line": _numbers(item.line),
        "measured": measured,
        "limit": limit,
        "raw": raw if differs else None,
        "unit": item.unit,
        "value": value_text if measured is not None else "",
        "need": limit_text if limit is not None else "",
        "inData": number(raw, item.unit) if differs else "",
        "atMost": rule is not None and rule.direction == "at-most",
        "tier": plain(item.tier),
        "fits": plain(item.fits),
        "count": item.count,
        "places": [_numbers(place) for place in shown] if len(shown) > 1 else [],
        "message": sentence(message_alone(item)),
        "remedy": sentence(plain(item.remedy)),
        "who": sentence(WHO.get(item.who, "")),
        "sources": sources(item.sources),
        "id": item.fingerprint,
        "waived": _waived(item),
    }


def _role_of(item: Finding, roles: Mapping[str, str]) -> str:
    return roles.get(plain(item.sources[0].file), "") if item.sources else ""


def _waived(item: Finding) -> str:
    if item.waived is None:
        return ""
    return plain(f"Waived by {item.waived.name} on {item.waived.date}: {item.waived.reason}")


def _numbers(values: Sequence[float | None] | None) -> list[float] | None:
    """Rounded to a tenth of a micrometre; None where any is missing."""
    if values is None:
        return None
    out = [round(v, 4) for v in map(finite, values) if v is not None]
    return out if len(out) == len(values) else None


def _head(drawing: Drawing, judgement: Judgement) -> dict[str, Any]:
    shares = judgement.screening.facts.copper_share
    return {
        "step": STEP,
        "unit": drawing.unit,
        "origin": list(drawing.origin),
        "layers": [
            {
                "name": layer.name,
                "block": f"outline-{n}" if len(layer.xy) else "",
                "box": _box(layer),
                "share": finite(shares.get(layer.name)),
            }
            for n, layer in enumerate(drawing.layers)
        ],
        "holes": np.round(drawing.holes.astype(np.float64), 4).tolist(),
        "profile": np.round(drawing.profile.astype(np.float64), 4).tolist(),
    }


def _box(layer: DrawnLayer) -> list[float] | None:
    if not len(layer.xy):
        return None
    (x0, y0), (x1, y1) = layer.xy.min(axis=0), layer.xy.max(axis=0)
    return [round(float(v) * STEP, 4) for v in (x0, y0, x1, y1)]


def outlines(layer: DrawnLayer) -> bytes:
    """One layer as little-endian int32: counts of rings and polygons, vertices of each ring,
    rings of each polygon, then moves from vertex to vertex, first all x, then all y."""
    moves = np.diff(layer.xy, axis=0, prepend=np.zeros((1, 2), dtype=np.int32))
    parts = (
        np.array([len(layer.rings) - 1, len(layer.polygons) - 1]),
        np.diff(layer.rings),
        np.diff(layer.polygons),
        moves[:, 0],
        moves[:, 1],
    )
    return np.concatenate(parts).astype("<i4").tobytes()
