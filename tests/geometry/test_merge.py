"""The merged image against a plain union of all that was drawn."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.flatten import flatten
from dfmcheck.geometry.image import Image, layer_image
from dfmcheck.geometry.paint import paint

HEAD = "%FSLAX46Y46*%%MOMM*%%ADD10C,0.1*%%ADD11R,0.6X0.4*%%ADD12C,0.8*%%ADD13C,0.2*%G01*\n"
RINGS = """%AMRINGS*
1,1,0.2,-0.5,0*
1,1,0.2,0.5,0*
21,1,0.3,0.1,0,0,0*%
%ADD20RINGS*%
"""


def image(body: str) -> Image:
    return layer_image(read_gerber((HEAD + body + "M02*\n").encode(), "top.gbr"))


def xy(x: float, y: float) -> str:
    return f"X{round(x * 1e6)}Y{round(y * 1e6)}"


def disc(x: float, y: float, radius: float, count: int) -> str:
    angle = np.linspace(0, 2 * np.pi, count + 1)
    points = [xy(x + radius * np.cos(a), y + radius * np.sin(a)) for a in angle.tolist()]
    return "G36*\n" + points[0] + "D02*\n" + "".join(f"{p}D01*\n" for p in points[1:]) + "G37*\n"


def drawing(seed: int) -> str:
    """Tracks, lands, pours of many points, things inside pours, and clear ones of all kinds."""
    rng = np.random.default_rng(seed)
    lines = []
    for _ in range(rng.integers(5, 40)):
        if rng.random() < 0.25:
            lines.append(str(rng.choice(["%LPC*%\n", "%LPD*%\n"])))
        x, y = rng.uniform(0, 8, 2).tolist()
        kind = rng.integers(0, 5)
        if kind == 0:
            lines.append(f"D{rng.choice([10, 13])}*\n{xy(x, y)}D02*\n")
            for _ in range(rng.integers(1, 6)):
                x, y = x + rng.uniform(-1, 1), y + rng.uniform(-1, 1)
                lines.append(f"{xy(x, y)}D01*\n")
        elif kind == 1:
            lines.append(f"D{rng.choice([11, 12, 20])}*\n{xy(x, y)}D03*\n")
        elif kind == 2:
            lines.append(disc(x, y, rng.uniform(0.3, 3), int(rng.choice([7, 140, 700]))))
        elif kind == 3:  # a land with others in the middle of it
            lines.append(disc(x, y, rng.uniform(0.5, 1.5), 600))
            lines.append(f"D10*\n{xy(x, y)}D03*\n{xy(x + 0.2, y)}D02*\n{xy(x, y + 0.2)}D01*\n")
        else:  # an outline that crosses itself: two areas of one region
            far = xy(x + 0.5, y + 0.5)
            corners = (far, xy(x + 0.5, y), xy(x, y + 0.5), xy(x, y))
            lines.append(f"G36*\n{xy(x, y)}D02*\n" + "".join(f"{c}D01*\n" for c in corners))
            lines.append("G37*\n")
    return RINGS + "".join(lines)


@pytest.mark.parametrize("seed", range(60))
def test_parts_are_the_union_of_what_was_drawn_in_order(seed: int) -> None:
    artwork = read_gerber((HEAD + drawing(seed) + "M02*\n").encode(), "top.gbr")
    merged = layer_image(artwork)
    objects = flatten(artwork)[0]
    painted = paint(objects, artwork)
    whole = shapely.Polygon()
    for shape, owner in zip(painted.shapes, painted.owner.tolist(), strict=True):
        dark = objects.dark[owner]
        whole = whole.union(shape) if dark else whole.difference(shape)
    assert shapely.is_valid(merged.parts).all()
    copper = shapely.union_all(merged.parts)
    slack = 1.05 * CHORD_ERROR
    assert copper.difference(whole.buffer(slack, quad_segs=64)).area < 1e-9
    assert whole.difference(copper.buffer(slack, quad_segs=64)).area < 1e-9
    assert sum(shapely.area(merged.parts)) == pytest.approx(copper.area, abs=1e-9)
    # Every piece lies in its own part, and every edge on the outline of its own piece.
    inside = merged.pieces
    stands_out = shapely.difference(inside, shapely.buffer(merged.parts[merged.part], slack))
    assert (shapely.area(stands_out) < 1e-9).all()
    e = merged.edges
    middle = shapely.points((e.x0 + e.x1) / 2, (e.y0 + e.y1) / 2)
    assert (shapely.distance(middle, merged.pieces[e.piece]) < slack).all()
    # Parts of one component touch, and those of two do not.
    near = shapely.STRtree(merged.parts).query(merged.parts, predicate="dwithin", distance=1e-9)
    assert (merged.component[near[0]] == merged.component[near[1]]).all()
    apart = shapely.get_parts(whole.buffer(1e-3))
    assert len(np.unique(merged.component)) >= np.count_nonzero(shapely.area(apart))


def test_what_lies_inside_without_touching_belongs_to_the_part() -> None:
    # A land in a pour of many points, one in its cut-out, and a stroke within a small land.
    clear = "%LPC*%\n" + disc(4, 4, 1.0, 40) + "%LPD*%\n"
    inside = f"D10*\n{xy(6, 4)}D03*\n{xy(4, 4)}D03*\n"
    small = f"D11*\n{xy(12, 4)}D03*\nD10*\n{xy(11.9, 4)}D02*\n{xy(12.1, 4)}D01*\n"
    merged = image(disc(4, 4, 3.0, 800) + clear + inside + small)
    assert merged.part.tolist() == [0, 0, 1, 2, 2]
    assert merged.component.tolist() == [0, 1, 2]


def test_a_clear_shape_inside_a_larger_one_takes_away_nothing_more() -> None:
    island = "%LPC*%\n" + disc(4, 4, 2.0, 300) + disc(4.5, 4, 0.5, 60) + disc(8, 4, 0.3, 60)
    merged = image(disc(6, 4, 5.0, 300) + island)
    ring = image(disc(6, 4, 5.0, 300) + "%LPC*%\n" + disc(4, 4, 2.0, 300) + disc(8, 4, 0.3, 60))
    assert merged.area == pytest.approx(ring.area, abs=1e-12)
    assert len(merged.parts[0].interiors) == 2
    # A clear shape painted before the dark one does not count, however large.
    first = image("%LPC*%\n" + disc(4, 4, 2.0, 300) + "%LPD*%\n" + disc(6, 4, 5.0, 300)
                  + "%LPC*%\n" + disc(4.5, 4, 0.5, 60))  # fmt: skip
    assert first.area == pytest.approx(image(disc(6, 4, 5.0, 300)).area - 0.25 * np.pi, abs=2e-3)


def test_edges_of_a_land_of_several_areas_lie_on_their_own_area() -> None:
    merged = image(RINGS + f"D20*\n{xy(0, 0)}D03*\n{xy(3, 0)}D03*\n")
    assert len(merged.pieces) == 6
    assert np.bincount(merged.edges.piece).tolist() in ([1, 1, 4] * 2, [1, 4, 1] * 2, [4, 1, 1] * 2)
    assert len(np.unique(merged.component)) == 6
