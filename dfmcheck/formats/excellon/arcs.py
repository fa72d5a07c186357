"""Centre of a routed arc from its radius (A) or centre offset (I, J)."""

from __future__ import annotations

import math

_SLACK = 0.02  # mm; ends may miss the circle by the rounding of the coordinates


def arc_centre(
    ends: tuple[float, float, float, float],
    clockwise: bool,
    radius: float | None,
    offset: tuple[float, float] | None,
) -> tuple[tuple[float, float] | None, str]:
    """Centre of an arc, or None when it must be read as straight; and what is wrong with it.

    Parameters
    ----------
    ends : x0, y0, x1, y1 in mm
    clockwise : bool
    radius : float or None
        A: an arc of at most half a turn (XNC, clause "Circular rout"; from memory).
    offset : (float, float) or None
        I, J: from the start to the centre; preferred over the radius.

    Examples
    --------
    >>> arc_centre((0.0, 0.0, 2.0, 0.0), False, 1.0, None)
    ((1.0, 0.0), '')
    >>> arc_centre((0.0, 0.0, 2.0, 0.0), True, None, (1.0, 0.0))
    ((1.0, 0.0), '')
    """
    x0, y0, x1, y1 = ends
    if offset is not None:
        centre = (x0 + offset[0], y0 + offset[1])
        r0, r1 = math.dist((x0, y0), centre), math.dist((x1, y1), centre)
        fault = (
            "arc whose ends are not equally far from its centre" if abs(r0 - r1) > _SLACK else ""
        )
        return (centre, fault) if r0 > 0.0 else (None, "arc of radius 0, read as straight")
    if radius is None:
        return None, "arc without radius or centre, read as straight"
    chord = math.hypot(x1 - x0, y1 - y0)
    if chord == 0.0:
        return None, "arc with A that ends where it starts, read as straight"
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    height = radius * radius - chord * chord / 4
    if height <= 0.0:
        wrong = chord / 2 - radius > _SLACK
        return middle, "arc whose ends lie further apart than twice its radius" if wrong else ""
    side = math.sqrt(height) / chord * (-1.0 if clockwise else 1.0)
    # The centre of a short counter-clockwise arc lies to the left of its chord.
    return (middle[0] - (y1 - y0) * side, middle[1] + (x1 - x0) * side), ""
