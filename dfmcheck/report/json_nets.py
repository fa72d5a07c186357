"""The list of nets as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import dfmcheck
from dfmcheck.board.model import Board
from dfmcheck.board.net_table import NetRow
from dfmcheck.report.text import finite, plain
from dfmcheck.terms import Defect

SCHEMA_VERSION = "1.0"
"""Major part rises when a key is removed or changes its meaning; minor when one is added."""


def dumps(board: Board, rows: Sequence[NetRow], problems: Sequence[Defect]) -> str:
    """Nets and what net names and copper disagree on, as text; lengths mm, areas mm²."""
    layers = [layer.name for layer in board.copper]
    data = {
        "schema_version": SCHEMA_VERSION,
        "tool": {"name": "dfmcheck", "version": dfmcheck.__version__},
        "package": plain(board.name),
        "layers": layers,
        "nets": [_net(row, layers) for row in rows],
        "problems": [_problem(defect) for defect in problems],
    }
    return json.dumps(data, indent=2, allow_nan=False) + "\n"


def _net(row: NetRow, layers: Sequence[str]) -> dict[str, Any]:
    place = row.narrowest
    return {
        "name": plain(row.name),
        "name_is_generated": row.generated,
        "other_names": [plain(name) for name in row.others],
        "pieces": row.pieces,
        "has_land_or_hole": row.joined,
        "pins": [plain(pin) for pin in row.pins],
        "holes": [
            {
                "x_mm": hole.x,
                "y_mm": hole.y,
                "x1_mm": hole.x1,
                "y1_mm": hole.y1,
                "diameter_mm": hole.diameter,
                "first_conductor": hole.first,
                "last_conductor": hole.last,
                "file": plain(hole.file),
                "line": hole.line,
            }
            for hole in row.holes
        ],
        "copper_mm2": {name: area for name, area in zip(layers, row.area, strict=True) if area > 0},
        "narrowest": None
        if place is None
        else {
            "width_mm": finite(place.width),
            "x_mm": finite(place.x),
            "y_mm": finite(place.y),
            "layer": place.layer,
        },
        "narrowest_looked_for_up_to_mm": row.reach,
    }


def _problem(defect: Defect) -> dict[str, Any]:
    return {
        "rule": defect.rule,
        "severity": defect.weight.name.lower(),
        "message": plain(defect.sentence),
        "layer": defect.layer,
        "x_mm": finite(defect.x),
        "y_mm": finite(defect.y),
        "line_mm": None if defect.ends is None else list(defect.ends),
        "file": plain(defect.file),
        "line": defect.line,
    }
