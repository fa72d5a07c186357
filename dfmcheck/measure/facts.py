"""Job facts: what a quote and a planner need to know."""

from __future__ import annotations

from collections import Counter

import numpy as np

from dfmcheck.board.model import Board
from dfmcheck.measure.finish import finish_areas
from dfmcheck.measure.screening import Facts, HoleCount

_PLATING = {1: "plated", 0: "unplated", -1: "unknown"}


def board_facts(board: Board, copper_um: float | None) -> Facts:
    """Size, layers, holes and copper of the board; None where the data does not say."""
    width = height = area = None
    rout = None
    if board.profile is not None and not board.profile.area.is_empty:
        x0, y0, x1, y1 = board.profile.area.bounds
        width, height, area = x1 - x0, y1 - y0, float(board.profile.area.area)
        rout = float(board.profile.area.length)
    copper = {layer.name: layer.image.area for layer in board.copper}
    holes = board.holes
    slots: Counter[tuple[float, str]] = Counter()
    hits: Counter[tuple[float, str]] = Counter()
    length = np.hypot(holes.x1 - holes.x0, holes.y1 - holes.y0)
    is_slot = length > 0
    paths = holes.file.astype(np.int64) * (1 << 32) + holes.path
    _, first = np.unique(paths, return_index=True)
    for k in first.tolist():
        key = (round(2 * float(holes.r[k]), 6), _PLATING[int(holes.plated[k])])
        (slots if is_slot[k] else hits)[key] += 1
    return Facts(
        width=width,
        height=height,
        area=area,
        conductors=len(board.copper),
        layers=tuple(layer.name for layer in board.copper),
        thickness=board.thickness,
        data_thickness=board.data_thickness,
        outer_copper_um=copper_um,
        inner_copper_um=copper_um,
        holes=tuple(
            HoleCount(size, plating, slots[size, plating], hits[size, plating])
            for size, plating in sorted({*slots, *hits})
        ),
        hole_density_per_cm2=len(first) / (area / 100) if area else None,
        copper_area=copper,
        copper_share={n: a / area for n, a in copper.items()} if area else {},
        nets=int(board.net_joined.sum()),
        finish_area=finish_areas(board),
        slot_length=float(length.sum()),
        rout_length=rout,
        voltages=_voltages(board),
    )


def _voltages(board: Board) -> dict[str, list[float]]:
    """Different stated voltages of the nets on each copper layer, least first."""
    if not len(board.volts):
        return {}
    on = {layer.name: np.unique(board.volts[layer.net]) for layer in board.copper}
    return {name: volts[np.isfinite(volts)].tolist() for name, volts in on.items()}
