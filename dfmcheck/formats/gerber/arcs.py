"""Centres of circular draws (Gerber Layer Format Specification, 4.7.2 and, for G74, chapter 8)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.words import Numbers

QUARTER = np.pi / 2
# radii at the two ends may differ by rounding of coordinates; beyond this it is a defect
RADIUS_SLACK = 0.01  # mm, common practice


def radius_slip(
    x0: Numbers, y0: Numbers, x1: Numbers, y1: Numbers, cx: Numbers, cy: Numbers
) -> Numbers:
    """How much the radii at the two ends differ, mm."""
    slip: Numbers = np.abs(np.hypot(x0 - cx, y0 - cy) - np.hypot(x1 - cx, y1 - cy))
    return slip


def single_quadrant(
    x0: Numbers,
    y0: Numbers,
    x1: Numbers,
    y1: Numbers,
    i: Numbers,
    j: Numbers,
    clockwise: npt.NDArray[np.bool_],
) -> tuple[Numbers, Numbers, npt.NDArray[np.bool_]]:
    """Centres where I and J have no sign (G74), and whether an arc of at most 90° was found.

    Of the four candidates the one is taken that sweeps at most a quarter turn in the direction
    asked for, with the smallest difference of radii.

    Parameters
    ----------
    x0, y0, x1, y1 : float64, mm
        Ends of the arcs.
    i, j : float64, mm
        Distances from start to centre.
    clockwise : bool

    Examples
    --------
    >>> one = [np.array([v]) for v in (1.0, 0.0, 0.0, 1.0, 1.0, 0.0)]
    >>> cx, cy, good = single_quadrant(*one, np.array([False]))
    >>> float(cx[0]), float(cy[0]), bool(good[0])
    (0.0, 0.0, True)
    """
    signs = np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]], np.float64)
    cx = x0 + signs[:, :1] * np.abs(i)
    cy = y0 + signs[:, 1:] * np.abs(j)
    ax, ay, bx, by = x0 - cx, y0 - cy, x1 - cx, y1 - cy
    turn = np.arctan2(ax * by - ay * bx, ax * bx + ay * by)
    turn = np.where(clockwise, -turn, turn)
    slip = np.abs(np.hypot(ax, ay) - np.hypot(bx, by))
    radius = np.maximum(np.hypot(i, j), 1e-12)
    slack = np.minimum(3 * RADIUS_SLACK / radius, 0.1) + 1e-9  # angle the rounding may add
    fits = (turn >= -1e-9) & (turn <= QUARTER + slack)
    # an ineligible candidate loses against any eligible one, yet the best of them is kept
    best = np.argmin(np.where(fits, slip, slip + 1e6), axis=0)
    rows = np.arange(len(x0))
    return cx[best, rows], cy[best, rows], fits[best, rows]


def assume_quadrant(
    unsaid: npt.NDArray[np.bool_], slip: Numbers, di: Numbers, dj: Numbers, line: int, notes: Notes
) -> int:
    """Which of G74 and G75 arcs are meant that have neither."""
    signed = bool(((di < 0) | (dj < 0))[unsaid].any())
    fit = bool((slip[unsaid] <= RADIUS_SLACK).all())
    if signed or fit:
        evidence = "I or J has a sign" if signed else "the centres fit as they stand"
        notes.assume(
            "arc quadrants",
            "multi quadrant (G75)",
            f"neither G74 nor G75 before line {line}; {evidence}",
            0.9,
        )
        return 0
    notes.assume(
        "arc quadrants",
        "single quadrant (G74)",
        f"neither G74 nor G75 before line {line}; the centres do not fit as they stand",
        0.7,
    )
    return 1
