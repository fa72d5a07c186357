"""Canned hole patterns of the old command set: where their holes lie.

Form of the patterns: Excellon format 2 command set, values from memory. Because machines
differ, the reader asks about every pattern it builds.
"""

from __future__ import annotations

import math

PITCH = 2.54  # mm, pin spacing of a dual in-line package
_SLACK = 0.03  # mm; corners may miss the pitch by the rounding of the coordinates
Point = tuple[float, float]


def dual_in_line(first: Point, last: Point) -> list[Point] | None:
    """Holes of G82: two rows of pins between opposite corners, along the longer side.

    None where the longer side is no whole number of pin spacings, or there is but one row.

    Examples
    --------
    >>> dual_in_line((0.0, 0.0), (2.54, 1.0))
    [(0.0, 0.0), (2.54, 0.0), (2.54, 1.0), (0.0, 1.0)]
    >>> dual_in_line((0.0, 0.0), (3.0, 1.0)) is None
    True
    """
    dx, dy = last[0] - first[0], last[1] - first[1]
    along_x = abs(dx) >= abs(dy)
    length, rows = (dx, dy) if along_x else (dy, dx)
    steps = round(abs(length) / PITCH)
    if not 1 <= steps <= 63 or abs(abs(length) - steps * PITCH) > _SLACK or abs(rows) <= _SLACK:
        return None
    run = [length * n / steps for n in range(steps + 1)]
    there = [(t, 0.0) for t in run]
    back = [(t, rows) for t in reversed(run)]  # pins count down one row and up the other
    return [
        (first[0] + t, first[1] + r) if along_x else (first[0] + r, first[1] + t)
        for t, r in (*there, *back)
    ]


def eight_pins(first: Point, opposite: Point) -> list[Point] | None:
    """Holes of G83: eight evenly on the circle of which two opposite pins are given.

    Examples
    --------
    >>> [(round(x, 3), round(y, 3)) for x, y in eight_pins((2.0, 0.0), (-2.0, 0.0))][:3]
    [(2.0, 0.0), (1.414, 1.414), (0.0, 2.0)]
    >>> eight_pins((1.0, 1.0), (1.0, 1.0)) is None
    True
    """
    cx, cy = (first[0] + opposite[0]) / 2, (first[1] + opposite[1]) / 2
    ax, ay = first[0] - cx, first[1] - cy
    if math.hypot(ax, ay) <= _SLACK:
        return None
    turns = [(math.cos(n * math.pi / 4), math.sin(n * math.pi / 4)) for n in range(8)]
    return [(cx + ax * c - ay * s, cy + ax * s + ay * c) for c, s in turns]
