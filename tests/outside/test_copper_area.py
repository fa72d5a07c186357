"""Area of whole layers against two independent readers: gerbonara and pygerber (PyPI, both open).

Their drawing primitives are made polygons here and united with shapely, object by object in
painting order; none of our reading, painting or outline code takes part on their side.

Where the two differ from us the specification decides (Gerber Layer Format Specification,
clauses of revision 2024.05, from memory):

* 4.4.5, P aperture: the rotation is in degrees. gerbonara 1.5 hands the number on as radians,
  so an octagon of 112.5° comes out turned; ``turned_right`` below sets that right.
* 4.5.1.8, thermal: pygerber 2.4 leaves the primitive out of its macros and flashes nothing;
  the area it lacks is added in closed form.
* gerbonara 1.5 refuses a G04 inside a macro, which the specification's own example 2 has:
  that file is held against pygerber alone.
"""

from __future__ import annotations

import importlib.resources
import importlib.util
import math
import warnings
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.image import Image, layer_image

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")
CHORD = 0.0005  # mm, of the polygons made here

LAYERS = {
    "school-board": "copper_*.gbr",
    "rfid-station": "*.g[tb]l",
    "usb-tool": "*board_Top.gbr *board_Bottom.gbr panel_Bottom.gbr",
    "no-attributes": "*_Cu.gbr",
    "x2-attributes": "*_Cu.gbr",
    "hobby-top": "*.G[TB]L",
    "net-card": "*.G[TB]L",
    "stepper-lights": "*.top.gbr *.bottom.gbr",
    "led-arena": "TOP.art BOTTOM.art LAYER_[12].art GND2.art PWR.art",
    "four-layer-netlist": "l[1-4]_*.art",
    "rover-2-layer": "Top.pho Bottom.pho Layer[23].pho",
    "rgb-matrix": "*.Cu.gbr",
    "wifi-devkit-job": "*_Cu.gbr",
}
EXAMPLES = [
    "simple_2layer-F_Cu.gbr",
    "simple_2layer-F_Mask.gbr",
    "simple_2layer-F_Paste.gbr",
    "simple_2layer-F_Silkscreen.gbr",
    "shape_flashes.grb",
    "ucamco_ex_2_shapes.grb",
]


def quarter(radius: float) -> int:
    """Chords per quarter circle that keep a circle within ``CHORD``."""
    return max(4, math.ceil(math.pi / 4 / math.acos(1 - min(CHORD / max(radius, CHORD), 0.5))))


def disc(x: float, y: float, radius: float) -> Any:
    return Point(x, y).buffer(radius, quarter(radius))


def stroke(points: list[tuple[float, float]], width: float) -> Any:
    line = shapely.LineString(points) if len(set(points)) > 1 else Point(points[0])
    return line.buffer(width / 2, quarter(width / 2))


def arc(
    a: tuple[float, float], b: tuple[float, float], c: tuple[float, float], clockwise: bool
) -> list[tuple[float, float]]:
    """Points of an arc from a to b about c, without a."""
    first = math.atan2(a[1] - c[1], a[0] - c[0])
    sweep = (math.atan2(b[1] - c[1], b[0] - c[0]) - first) % math.tau
    if math.dist(a, b) < 1e-9:
        sweep = math.tau
    elif clockwise:
        sweep -= math.tau
    r = math.dist(a, c)
    n = max(2, math.ceil(abs(sweep) / math.tau * 4 * quarter(r)))
    angles = [first + sweep * k / n for k in range(1, n)]
    return [(c[0] + r * math.cos(t), c[1] + r * math.sin(t)) for t in angles] + [b]


def filled(points: list[tuple[float, float]]) -> Any:
    if len(points) < 3:
        return Polygon()
    shape = Polygon(points)
    if shape.is_valid:
        return shape
    return shapely.union_all([g for g in shapely.get_parts(shapely.make_valid(shape)) if g.area])


def painted(objects: Iterator[tuple[bool, Any]]) -> Any:
    """Union of the dark shapes less the clear ones, in order; runs of one polarity at once."""
    image: Any = Polygon()
    run: list[Any] = []
    was_dark = True
    for dark, shape in [*objects, (None, Polygon())]:
        if dark != was_dark and run:
            together = shapely.union_all(run)
            image = image | together if was_dark else image - together
            run = []
        was_dark = bool(dark)
        run.append(shape)
    return image


# --- gerbonara


def gerbonara_shape(p: Any) -> Any:
    match type(p).__name__:
        case "Circle":
            return disc(p.x, p.y, p.r)
        case "Line":
            return stroke([(p.x1, p.y1), (p.x2, p.y2)], p.width)
        case "Arc":
            start, end = (p.x1, p.y1), (p.x2, p.y2)
            return stroke([start, *arc(start, end, (p.cx, p.cy), p.clockwise)], p.width)
        case "Rectangle":
            shape = shapely.box(p.x - p.w / 2, p.y - p.h / 2, p.x + p.w / 2, p.y + p.h / 2)
            return shapely.affinity.rotate(shape, p.rotation, (p.x, p.y), use_radians=True)
        case "ArcPoly":
            points = [p.outline[0]]
            for a, b, (clockwise, centre) in p.segments:
                points += [b] if clockwise is None else arc(a, b, centre, clockwise)
            return filled(points)
    raise TypeError(p)


def turned_right(o: Any) -> Any:
    """4.4.5: the rotation of a P aperture is in degrees."""
    aperture = getattr(o, "aperture", None)
    if type(aperture).__name__ != "PolygonAperture" or type(o).__name__ != "Flash":
        return o
    return replace(o, aperture=replace(aperture, rotation=math.radians(aperture.rotation or 0)))


def gerbonara_image(text: str) -> Any:
    reader = pytest.importorskip("gerbonara.rs274x")
    unit = pytest.importorskip("gerbonara.utils").MM
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        objects = reader.GerberFile.from_string(text).objects

    def shapes() -> Iterator[tuple[bool, Any]]:
        for o in objects:
            shape: Any = Polygon()
            # 4.5.1, 4.4.6: exposure off and holes act within the aperture only.
            for p in turned_right(o).to_primitives(unit):
                part = gerbonara_shape(p)
                same = p.polarity_dark == o.polarity_dark
                shape = shape | part if same else shape - part
            yield o.polarity_dark, shape

    return painted(shapes())


# --- pygerber


def xy(v: Any) -> tuple[float, float]:
    return float(v.x.as_millimeters()), float(v.y.as_millimeters())


def pygerber_path(commands: Any) -> list[list[tuple[float, float]]]:
    """Contours of a region."""
    out: list[list[tuple[float, float]]] = []
    for c in commands:
        a, b = xy(c.start_point), xy(c.end_point)
        if not out or math.dist(out[-1][-1], a) > 1e-9:
            out.append([a])
        straight = type(c).__name__ == "Line2"
        turn = type(c).__name__ == "Arc2"
        out[-1] += [b] if straight else arc(a, b, xy(c.center_point), turn)
    return out


def pygerber_flash(c: Any) -> Any:
    a, (x, y) = c.aperture, xy(c.flash_point)

    def mm(name: str) -> float:
        return float(getattr(a, name).as_millimeters())

    shape: Any
    match type(a).__name__:
        case "Circle2":
            shape = disc(x, y, mm("diameter") / 2)
        case "Rectangle2":
            w, h = mm("x_size") / 2, mm("y_size") / 2
            shape = shapely.box(x - w, y - h, x + w, y + h)
        case "Obround2":
            w, h = mm("x_size") / 2, mm("y_size") / 2
            r = min(w, h)
            shape = stroke([(x - w + r, y - h + r), (x + w - r, y + h - r)], 2 * r)
        case "Polygon2":
            n, r, t = a.number_vertices, mm("outer_diameter") / 2, math.radians(a.rotation)
            turns = [t + math.tau * k / n for k in range(n)]
            shape = Polygon([(x + r * math.cos(k), y + r * math.sin(k)) for k in turns])
        case "Macro2":
            inside = painted(pygerber_shapes(a.command_buffer))
            return shapely.affinity.translate(inside, x, y)
        case other:
            raise TypeError(other)
    if getattr(a, "hole_diameter", None) is not None:
        shape = shape - disc(x, y, mm("hole_diameter") / 2)
    return shape


def pygerber_shapes(commands: Any) -> Iterator[tuple[bool, Any]]:
    for c in commands:
        match type(c).__name__:
            case "Flash2":
                shape = pygerber_flash(c)
            case "Line2" | "Arc2" | "CCArc2":
                assert type(c.aperture).__name__ in ("Circle2", "NoCircle2")
                width = float(c.aperture.diameter.as_millimeters())
                path = pygerber_path([c])[0]
                # "NoCircle" is its word for the vector line of a macro: ends cut square.
                flat = type(c.aperture).__name__ == "NoCircle2"
                shape = (
                    shapely.LineString(path).buffer(width / 2, cap_style="flat")
                    if flat
                    else stroke(path, width)
                )
            case "Region2":
                shape = shapely.union_all([filled(p) for p in pygerber_path(c.command_buffer)])
            case other:
                raise TypeError(other)
        yield c.transform.polarity.name == "Dark", shape


def pygerber_image(text: str) -> Any:
    parser = pytest.importorskip("pygerber.gerberx3.parser2.parser2")
    tokenizer = pytest.importorskip("pygerber.gerberx3.tokenizer.tokenizer")
    return painted(pygerber_shapes(parser.Parser2().parse(tokenizer.Tokenizer().tokenize(text))))


# --- the checks


def ours(data: bytes, name: str) -> Image:
    return layer_image(read_gerber(data, name))


def assert_same(image: Image, theirs: Any) -> None:
    assert theirs.area > 0
    assert image.area == pytest.approx(theirs.area, rel=1e-3)
    # Round outlines may differ by both chord errors, nothing else.
    assert abs(image.area - theirs.area) <= (CHORD_ERROR + CHORD) * theirs.length + 1e-6
    # The same area at the same place: what is in one image only is a skin of that thickness.
    low, high = shapely.bounds(shapely.union_all(image.parts)).reshape(2, 2)
    assert np.allclose([*low, *high], theirs.bounds, rtol=0, atol=2 * (CHORD_ERROR + CHORD))


def example(name: str) -> str:
    if importlib.util.find_spec("pygerber") is None:
        pytest.skip("pygerber is not installed (extra 'dev')")
    path = importlib.resources.files("pygerber") / "examples" / name
    assert path.is_file(), f"pygerber no longer ships {name}"
    return path.read_text()


@pytest.mark.parametrize("name", [n for n in EXAMPLES if n != "ucamco_ex_2_shapes.grb"])
def test_examples_as_gerbonara_draws_them(name: str) -> None:
    text = example(name)
    assert_same(ours(text.encode(), name), gerbonara_image(text))


def thermal_area(outer: float, inner: float, gap: float) -> float:
    """Ring less four bars: each bar is a strip of the disc, half of it on either side."""

    def strip(r: float) -> float:
        h = gap / 2
        return h * math.sqrt(r * r - h * h) + r * r * math.asin(h / r)

    ring = math.pi / 4 * (outer**2 - inner**2)
    return ring - 4 * (strip(outer / 2) - strip(inner / 2))


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_as_pygerber_draws_them(name: str) -> None:
    text = example(name)
    image, theirs = ours(text.encode(), name), pygerber_image(text)
    missing = thermal_area(0.8, 0.55, 0.125) if name == "ucamco_ex_2_shapes.grb" else 0.0
    assert image.area == pytest.approx(theirs.area + missing, rel=1e-3)
    slack = (CHORD_ERROR + CHORD) * shapely.length(image.parts).sum() + 1e-6
    assert abs(image.area - theirs.area - missing) <= slack


@pytest.mark.parametrize("board", LAYERS)
def test_conductor_layers_of_boards(boards: Path, board: str) -> None:
    if not (boards / board).is_dir():
        pytest.skip(f"no {board} in {boards}")
    for pattern in LAYERS[board].split():
        files = sorted((boards / board).glob(pattern))
        assert files, f"no {pattern} in {boards / board}"
        for path in files:
            data = path.read_bytes()
            assert_same(ours(data, path.name), gerbonara_image(data.decode("latin-1")))
