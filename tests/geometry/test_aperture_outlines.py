"""Aperture outlines against shapely built the long way round: buffers, rotations, unions."""

from __future__ import annotations

from math import cos, degrees, hypot, pi, sin
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, affinity, box

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Aperture, Primitive
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.image import layer_image
from dfmcheck.geometry.outlines import aperture_outline, capsules, circle_steps, solid_polygons

FINE = 720  # chords per quarter circle: 5e-6 of the radius
size = st.floats(0.05, 8)
turn = st.floats(-pi, pi)
place = st.floats(-3, 3)
on = st.booleans()


def disc(x: float, y: float, r: float) -> Any:
    return Point(x, y).buffer(r, FINE) if r > 0 else Polygon()


def standard(template: str, v: tuple[float, ...]) -> Any:
    match template:
        case "C":
            return disc(0, 0, v[0] / 2)
        case "R":
            return box(-v[0] / 2, -v[1] / 2, v[0] / 2, v[1] / 2)
        case "O":
            w, h = v[:2]
            r = min(w, h) / 2
            ends = [(-w / 2 + r, -h / 2 + r), (w / 2 - r, h / 2 - r)]
            return (LineString(ends) if w != h else Point(0, 0)).buffer(r, FINE)
        case _:
            n, r, t = int(v[1]), v[0] / 2, v[2]
            corners = [(r * cos(t + 2 * pi * k / n), r * sin(t + 2 * pi * k / n)) for k in range(n)]
            return Polygon(corners)


def assert_same(shape: Any, brute: Any) -> None:
    """What is in one shape only is a skin no thicker than the chord error."""
    extra = shape.symmetric_difference(brute)
    assert extra.area <= 1.1 * CHORD_ERROR * brute.length + 1e-9
    assert shape.difference(brute.buffer(1.1 * CHORD_ERROR)).area < 1e-9
    assert brute.difference(shape.buffer(1.1 * CHORD_ERROR)).area < 1e-9


def assert_edges(outline: Any, brute: Any) -> None:
    """Distance to the edges is the distance to the true shape, from all round outside."""
    if brute.is_empty:
        return
    x0, y0, x1, y1 = brute.bounds
    k = np.linspace(0, 2 * pi, 41)
    far = hypot(x1 - x0, y1 - y0)
    points = np.stack([(x0 + x1) / 2 + far * np.cos(k), (y0 + y1) / 2 + far * np.sin(k)], axis=-1)
    e = outline.edges
    lines = shapely.linestrings(e.segments.reshape(-1, 2, 2))
    near = shapely.distance(shapely.points(points)[:, None], lines[None, :]) - e.r
    true, slack = shapely.distance(shapely.points(points), brute), 1e-5 * far + 1e-9
    # Beside the edge that seems nearest, one with an error of its own may be nearer.
    assert ((near - e.error).min(axis=1) - slack <= true).all()
    assert (true <= (near + e.error).min(axis=1) + slack).all()


@settings(max_examples=80, deadline=None)
@given(
    st.sampled_from("CROP"), size, size, st.integers(3, 12), turn, st.floats(0, 0.9), st.booleans()
)
def test_standard_apertures(
    template: str, w: float, h: float, n: int, t: float, hole: float, pierced: bool
) -> None:
    values = {"C": (w,), "R": (w, h), "O": (w, h), "P": (w, float(n), t)}[template]
    inner = min(w, h) if template in "RO" else w * (cos(pi / n) if template == "P" else 1)
    brute = standard(template, values)
    if pierced and hole > 0.05:
        values = (*values, hole * inner)
        brute = brute.difference(disc(0, 0, hole * inner / 2))
    outline = aperture_outline(Aperture(10, template, values))
    assert_same(outline.shape, brute)
    assert_edges(outline, brute)


def primitive(code: int, exposed: bool, v: tuple[float, ...]) -> tuple[Primitive, Any]:
    *rest, t = v
    match code:
        case 1:
            shape = disc(rest[1], rest[2], rest[0] / 2)
        case 20:
            line = LineString([tuple(rest[1:3]), tuple(rest[3:5])])
            shape = line.buffer(rest[0] / 2, cap_style="flat")
        case 21:
            w, h, x, y = rest
            shape = box(x - w / 2, y - h / 2, x + w / 2, y + h / 2)
        case 4:
            shape = Polygon(np.array(rest[1:]).reshape(-1, 2))
        case 5:
            n, x, y, d = rest
            shape = affinity.translate(standard("P", (d, n, 0.0)), x, y)
        case 7:
            x, y, outer, inner, gap = rest
            cross = box(-outer, -gap / 2, outer, gap / 2) | box(-gap / 2, -outer, gap / 2, outer)
            ring = disc(0, 0, outer / 2) - disc(0, 0, inner / 2) - cross
            shape = affinity.translate(ring, x, y)
    return Primitive(code, exposed, v), affinity.rotate(shape, degrees(t), origin=(0, 0))


def corners(radii: list[float], t: float) -> tuple[int, bool, tuple[float, ...]]:
    n = len(radii)
    ring = [(r * cos(2 * pi * k / n), r * sin(2 * pi * k / n)) for k, r in enumerate(radii)]
    flat = [c for p in [*ring, ring[0]] for c in p]
    return 4, True, (float(n), *flat, t)


primitives = st.one_of(
    st.tuples(st.just(1), on, st.tuples(size, place, place, turn)),
    st.tuples(st.just(20), on, st.tuples(size, place, place, st.floats(3.1, 5), place, turn)),
    st.tuples(st.just(21), on, st.tuples(size, size, place, place, turn)),
    st.builds(corners, st.lists(st.floats(0.3, 4), min_size=3, max_size=9), turn),
    st.tuples(st.just(5), on, st.tuples(st.integers(3, 12).map(float), place, place, size, turn)),
    st.tuples(st.just(7), st.just(True), st.tuples(
        place, place, st.floats(3, 6), st.floats(0.5, 2.5), st.floats(0.05, 0.4), turn
    )),
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(st.lists(primitives, min_size=1, max_size=5))
def test_macros(parts: list[tuple[int, bool, tuple[float, ...]]]) -> None:
    brute: Any = Polygon()
    own = []
    for code, exposed, values in parts:
        mine, shape = primitive(code, exposed, values)
        own.append(mine)
        brute = brute | shape if exposed else brute - shape
    outline = aperture_outline(Aperture(10, "macro", (), tuple(own)))
    # Slivers thinner than the chord error may go: compare areas by the length of all outlines.
    length = sum(primitive(*p)[1].length for p in parts)
    assert outline.shape.symmetric_difference(brute).area <= 1.1 * CHORD_ERROR * length + 1e-9
    if all(exposed for _, exposed, _ in parts):
        assert_edges(outline, brute)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(place, place, place, place), min_size=1, max_size=6), size, st.booleans())
def test_capsules_as_buffers(rows: list[tuple[float, ...]], width: float, point: bool) -> None:
    table = np.array(rows)
    if point:
        table[0, 2:] = table[0, :2]
    for row, shape in zip(table, capsules(table, width / 2), strict=True):
        a, b = tuple(row[:2]), tuple(row[2:])
        spine = LineString([a, b]) if a != b else Point(a)
        assert shape.is_valid
        assert_same(shape, spine.buffer(width / 2, FINE))


@settings(max_examples=60, deadline=None)
@given(st.floats(1e-4, 500), st.floats(1e-5, 0.1))
def test_circle_steps_keep_the_tolerance(radius: float, tolerance: float) -> None:
    n = circle_steps(radius, tolerance)
    assert n % 4 == 0 and n >= 8
    assert radius * (1 - cos(pi / n)) <= max(tolerance, radius * (1 - cos(pi / 8))) * (1 + 1e-9)
    if radius > tolerance:
        assert radius * (1 - cos(pi / n)) <= tolerance * (1 + 1e-9)


def test_solid_polygons_make_holes_of_cut_ins() -> None:
    ring = [(0, 0), (4, 0), (4, 4), (0, 4), (0, 2), (1, 2), (1, 1), (3, 1), (3, 3), (1, 3), (1, 2),
            (0, 2)]  # fmt: skip
    (shape,) = solid_polygons(np.array([Polygon(ring)], dtype=object))
    assert shape.is_valid and shape.area == pytest.approx(16 - 4)
    assert not shape.contains(Point(2, 2))


def test_an_aperture_nobody_defined_is_told_once_and_one_of_no_size_too() -> None:
    text = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0*%\n%LPD*%\nD{}*\nX1000000Y0D03*\nM02*\n"
    for code, rules in (("10", ["data.zero-aperture"]), ("77", ["data.aperture-undefined"])):
        artwork = read_gerber(text.format(code).encode(), "top.gbr")
        told = [d.rule for d in (*artwork.defects, *layer_image(artwork).defects)]
        assert sorted(set(told)) == rules
