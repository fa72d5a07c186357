"""Gaps to an arc told as chords, against the circle itself."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dfmcheck.geometry.arcs import onto_arcs
from dfmcheck.geometry.edges import CHORD_ERROR, Edges
from dfmcheck.geometry.gaps import gaps_between
from dfmcheck.geometry.segments import split_arc


def one(*values: float) -> np.ndarray:
    return np.array(values, dtype=np.float64)


def arc(r: float, start: float, stop: float) -> Edges:
    """Chords of an arc about the origin, angles in degrees, turning left."""
    a, b = math.radians(start), math.radians(stop)
    _, chords = split_arc(
        one(r * math.cos(a)), one(r * math.sin(a)), one(r * math.cos(b)), one(r * math.sin(b)),
        one(0.0), one(0.0), np.array([False]), CHORD_ERROR,
    )  # fmt: skip
    n = len(chords)
    return Edges(*chords.T, np.zeros(n), np.full(n, CHORD_ERROR), np.arange(n, dtype=np.int32))


def stroke(x0: float, y0: float, x1: float, y1: float, r: float) -> Edges:
    return Edges(one(x0), one(y0), one(x1), one(y1), one(r), one(0.0), np.zeros(1, dtype=np.int32))


@pytest.mark.parametrize("turn", [0.0, 17.0, 43.3])
def test_a_stroke_beside_a_round_cut_out(turn):
    r, high, half = 1.5, 1.8, 0.1
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    copper = stroke(-2 * c - high * s, -2 * s + high * c, 2 * c - high * s, 2 * s + high * c, half)
    line = arc(r, 0.0, 360.0)
    found = gaps_between(copper, line, 0.5)
    worst = int(np.argmin(found.value))
    exact = onto_arcs(found.take([worst]), copper, line, np.zeros(len(line), dtype=np.int32))
    assert exact.value[0] == pytest.approx(high - half - r, abs=1e-9)
    assert exact.q[0] == pytest.approx([-r * s, r * c], abs=1e-6)
    assert exact.p[0] == pytest.approx([-(high - half) * s, (high - half) * c], abs=1e-6)
    assert exact.error[0] == 0.0


def test_copper_inside_a_round_board():
    copper = stroke(0.2, 0.1, 3.3, 3.9, 0.2)
    line = arc(6.0, 10.0, 100.0)
    found = gaps_between(copper, line, 1.5)
    worst = int(np.argmin(found.value))
    exact = onto_arcs(found.take([worst]), copper, line, np.zeros(len(line), dtype=np.int32))
    assert exact.value[0] == pytest.approx(6.0 - math.hypot(3.3, 3.9) - 0.2, abs=1e-9)


def test_a_place_beyond_the_end_of_the_arc_and_straight_lines_stay():
    copper = stroke(3.0, -1.0, 3.0, -0.5, 0.2)
    line = arc(2.0, 0.0, 90.0)
    found = gaps_between(copper, line, 5.0)
    worst = int(np.argmin(found.value))
    kept = onto_arcs(found.take([worst]), copper, line, np.zeros(len(line), dtype=np.int32))
    # The nearest point is the arc's end (2, 0), not the circle's point towards the stroke.
    assert kept.value[0] == pytest.approx(math.hypot(1.0, 0.5) - 0.2, abs=1e-9)
    box = Edges(
        one(0, 4, 4, 0), one(0, 0, 4, 4), one(4, 4, 0, 0), one(0, 4, 4, 0), np.zeros(4),
        np.full(4, 0.00127), np.arange(4, dtype=np.int32),
    )  # fmt: skip
    near = gaps_between(stroke(2.0, 0.5, 2.0, 0.6, 0.1), box, 0.5)
    same = onto_arcs(near, stroke(2.0, 0.5, 2.0, 0.6, 0.1), box, np.zeros(4, dtype=np.int32))
    assert same.value == pytest.approx(near.value)
    assert same.error == pytest.approx(near.error)
