"""What changed between two revisions as one HTML file that needs nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from dfmcheck.judge.artwork import NARROWEST, LayerChange
from dfmcheck.judge.revision import STATES, FindingChange, Revision
from dfmcheck.report.terminal_revision import STATE_WORDS, change_words, datum_words
from dfmcheck.report.text import CAUTION, message_alone, plain

_SHOWN = 300  # findings listed per state; all are counted
_DOTS = 200  # areas ringed on a layer's drawing, largest first
_WIDTH = 720.0  # of a drawing, in its own units


def to_html(revision: Revision) -> str:
    """The page as text."""
    from jinja2 import Environment, PackageLoader, select_autoescape

    environment = Environment(
        loader=PackageLoader("dfmcheck.report", "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    groups = [
        (state, STATE_WORDS[state], revision.count(state),
         [_row(c) for c in revision.findings if c.state == state][:_SHOWN])
        for state in STATES
    ]  # fmt: skip
    text: str = environment.get_template("revision.html.j2").render(
        revision=revision, groups=groups, datum=datum_words(revision), caution=CAUTION,
        narrowest=f"{NARROWEST:.3f}", plain=plain,
        layers=[_layer(revision, layer) for layer in revision.layers or ()],
    )  # fmt: skip
    return text


def _row(change: FindingChange) -> dict[str, str]:
    finding = change.finding
    placed = finding.x is not None and finding.y is not None
    return {
        "severity": finding.severity,
        "rule": finding.rule,
        "layer": ", ".join(plain(layer) for layer in finding.every_layer),
        "at": f"{finding.x:.3f}, {finding.y:.3f}" if placed else "",
        "message": message_alone(finding),
        "change": change_words(change),
        "waived": f"waived by {plain(finding.waived.name)}" if finding.waived else "",
        "fingerprint": finding.fingerprint,
    }


def _layer(revision: Revision, layer: LayerChange) -> dict[str, Any]:
    """Numbers and drawing of one layer; y is turned over, as it runs downwards there."""
    box = _box(revision, layer)
    scale = _WIDTH / max(box[2] - box[0], 1e-6)
    height = (box[3] - box[1]) * scale
    shapes = [*layer.added, *layer.removed]
    order = np.argsort([-shape.area for shape in shapes], kind="stable")[:_DOTS]
    rings = []
    for n in order:
        x0, y0, x1, y1 = shapes[n].bounds
        # a change smaller than a few pixels is ringed, so that it is not overlooked
        if max(x1 - x0, y1 - y0) * scale < 14:
            at = ((x0 + x1) / 2 - box[0]) * scale, (box[3] - (y0 + y1) / 2) * scale
            rings.append((f"{at[0]:.1f}", f"{at[1]:.1f}", "new" if n < len(layer.added) else "old"))
    return {
        "name": plain(layer.layer),
        "only": layer.only,
        "added": f"{layer.added_area:.4f}",
        "added_count": len(layer.added),
        "removed": f"{layer.removed_area:.4f}",
        "removed_count": len(layer.removed),
        "width": f"{_WIDTH:.0f}",
        "height": f"{height:.0f}",
        "added_path": _path(layer.added, box, scale),
        "removed_path": _path(layer.removed, box, scale),
        "board": _path(_board(revision), box, scale),
        "rings": rings,
    }


def _board(revision: Revision) -> Sequence[Any]:
    drawing = revision.new.screening.drawing
    if drawing is None:
        return ()
    return tuple(s for layer in drawing.layers if layer.name == "profile" for s in layer.shapes())


def _box(revision: Revision, layer: LayerChange) -> tuple[float, float, float, float]:
    shapes = [*layer.added, *layer.removed, *_board(revision)]
    x0, y0, x1, y1 = shapely.total_bounds(np.array(shapes, dtype=object)).tolist()
    edge = 0.02 * max(x1 - x0, y1 - y0) + 0.1
    return x0 - edge, y0 - edge, x1 + edge, y1 + edge


def _path(shapes: Sequence[Any], box: tuple[float, float, float, float], scale: float) -> str:
    """Outlines as SVG path data, to a twentieth of its unit."""
    parts = []
    reduced = shapely.simplify(np.array(shapes, dtype=object), 0.1 / scale)
    for ring in shapely.get_rings(reduced) if len(shapes) else ():
        xy = shapely.get_coordinates(ring)[:-1]
        x, y = (xy[:, 0] - box[0]) * scale, (box[3] - xy[:, 1]) * scale
        points = " ".join(f"{a:.2f},{b:.2f}" for a, b in zip(x, y, strict=True))
        parts.append(f"M{points}Z")
    return "".join(parts)
