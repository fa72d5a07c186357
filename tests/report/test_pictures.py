"""Pictures of findings: what is drawn is where and as long as it was measured."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import made_up
import numpy as np
import pytest
import shapely
from PIL import Image

from dfmcheck.errors import UsageError
from dfmcheck.measure.drawing import TOLERANCE, Drawing, reduced
from dfmcheck.report.fonts import BOLD, REGULAR, printable
from dfmcheck.report.pictures import SIZE, Pictures, picture_name, save_pictures

BLUE, ORANGE, VERMILION, INK = (0, 114, 178), (230, 159, 0), (213, 94, 0), (38, 38, 38)


def drawing(holes: Any = (), **layers: list[Any]) -> Drawing:
    drawn = tuple(
        reduced(name.replace("_", "-"), np.array(shapes, dtype=object), (0, 0), TOLERANCE)
        for name, shapes in layers.items()
    )
    table = np.array(holes, dtype=np.float32).reshape(-1, 7)
    return Drawing(drawn, table, np.empty((0, 4), dtype=np.float32))


LEFT, RIGHT = shapely.box(0, 0, 10, 4), shapely.box(10.1, 0, 20, 4)
GAP = made_up.finding(
    x=10.0, y=2.0, line=(10.0, 2.0, 10.1, 2.0), measured=0.1, raw=0.1, limit=0.15, bbox=None
)


def image_of(finding: Any, drawn: Drawing) -> np.ndarray:
    image = Pictures(drawn).of(finding)
    assert image is not None and image.size == SIZE
    return np.asarray(image).astype(int)


def extent(pixels: np.ndarray, colour: tuple[int, int, int], axis: int) -> tuple[int, int]:
    """First and last column (axis 1) or row (axis 0) of the view that hold a colour."""
    view = pixels[30 : SIZE[1] - 50]
    near = (np.abs(view - colour).max(axis=2) < 30).any(axis=1 - axis)
    where = np.flatnonzero(near)
    return int(where[0]), int(where[-1])


def test_both_features_are_marked_on_their_side_of_the_gap() -> None:
    pixels = image_of(GAP, drawing(conductor_1=[LEFT, RIGHT]))
    middle = SIZE[0] // 2
    assert tuple(pixels[60, middle - 100]) == BLUE
    assert tuple(pixels[60, middle + 100]) == ORANGE


def test_line_and_limit_bar_are_as_long_as_the_numbers_say() -> None:
    pixels = image_of(GAP, drawing(conductor_1=[LEFT, RIGHT]))
    gap = extent(pixels, BLUE, 1)[1], extent(pixels, ORANGE, 1)[0]
    scale = (gap[1] - gap[0]) / 0.1
    line = extent(pixels, VERMILION, 1)
    assert (line[1] - line[0]) / scale == pytest.approx(0.1, abs=0.02)
    bare = pixels.copy()
    bare[-80:, :130] = 255  # the scale bar has the same ink
    limit = extent(bare, INK, 1)
    assert (limit[1] - limit[0]) / scale == pytest.approx(0.15, abs=0.02)


def test_an_island_in_a_hole_of_a_plane_is_drawn() -> None:
    island = shapely.Point(5, 5).buffer(0.2)
    plane = shapely.box(0, 0, 10, 10).difference(island.buffer(0.3))
    finding = replace(GAP, x=5.2, y=5.0, line=(5.2, 5.0, 5.5, 5.0), measured=0.3, limit=0.35)
    for order in ([island, plane], [plane, island]):
        pixels = image_of(finding, drawing(conductor_1=order))
        y, x = SIZE[1] // 2 - 10, SIZE[0] // 2
        assert (tuple(pixels[y, 20]), tuple(pixels[y - 2, x - 60])) == (ORANGE, BLUE)


def test_a_finding_on_a_mask_shows_its_opening_and_the_land_in_it() -> None:
    land, opening = shapely.box(0, 0, 1, 1), shapely.box(-0.05, -0.05, 1.05, 1.05)
    finding = replace(
        GAP, layer="mask-bottom", x=1.0, y=0.5, line=(1.0, 0.5, 1.05, 0.5), limit=0.075
    )
    shapes = drawing(conductor_1=[], conductor_2=[land], mask_bottom=[opening])
    pixels = image_of(finding, shapes)
    dark = np.abs(pixels[60:120, 100:400] - INK).max(axis=2) < 70
    assert (dark.sum(axis=0) > 40).any()  # the land's edge runs down through the picture
    assert (np.abs(pixels[60:120, 100:200] - ORANGE).max(axis=2) < 20).mean() > 0.5


@pytest.mark.parametrize("more", [{"line": None}, {"unit": "count", "measured": 3.0, "limit": 1.0},
                                  {"layer": "drill-plated-1-2"}, {"measured": None, "limit": None},
                                  {"nets": ("接地", "µP_датчик")}, {"limit": 0.0}])  # fmt: skip
def test_any_finding_with_a_place_has_a_picture(more: dict[str, object]) -> None:
    shapes = drawing([(10.05, 2, 10.05, 2, 0.2, 1, 0)], conductor_1=[LEFT, RIGHT])
    finding = replace(GAP, **more)  # type: ignore[arg-type]
    pixels = image_of(finding, shapes)
    assert (np.abs(pixels[30:-50] - VERMILION).max(axis=2) < 60).any()


def test_a_finding_without_a_place_has_none_and_a_board_without_copper_one() -> None:
    assert Pictures(drawing()).of(replace(GAP, x=None, y=None)) is None
    assert Pictures(drawing()).of(GAP) is not None


def test_files_are_numbered_as_findings_and_named_by_fingerprint(tmp_path: Path) -> None:
    judgement = made_up.judgement()
    kept = replace(judgement.screening, drawing=drawing(conductor_1=[LEFT, RIGHT]))
    judgement = replace(judgement, screening=kept)
    count = save_pictures(judgement, tmp_path / "new")
    placed = [(n, f) for n, f in enumerate(judgement.findings, 1) if f.x is not None]
    names = sorted(path.name for path in (tmp_path / "new").iterdir())
    assert names == [picture_name(n, f) for n, f in placed] and count == len(placed)
    with Image.open(tmp_path / "new" / names[0]) as image:
        assert image.size == SIZE


def test_a_screening_without_a_drawing_is_told_plainly(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="keeps no drawing"):
        save_pictures(made_up.judgement(), tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_hundred_pictures_of_a_full_board_take_seconds() -> None:
    rng = np.random.default_rng(3)
    lands = [shapely.Point(x, y).buffer(0.25) for x, y in rng.uniform(0, 100, (4000, 2))]
    plane = shapely.box(0, 0, 100, 100).difference(shapely.union_all(lands).buffer(0.1))
    shapes = [*shapely.get_parts(plane), *shapely.get_parts(shapely.union_all(lands))]
    pictures = Pictures(drawing(conductor_1=shapes))
    start = time.process_time()
    for x, y in rng.uniform(5, 95, (100, 2)):
        assert pictures.of(replace(GAP, x=x, y=y, line=(x, y, x + 0.1, y))) is not None
    assert time.process_time() - start < 10


def test_the_typeface_has_what_it_is_said_to_have() -> None:
    ttlib = pytest.importorskip("fontTools.ttLib")
    for path in (REGULAR, BOLD):
        has = ttlib.TTFont(path).getBestCmap().keys()
        for code in (*range(0x20, 0x3000), 0x63A5, 0xFFFD, 0x1F600):
            if 0x7F <= code < 0xA0:
                continue
            shown = printable(chr(code))
            assert shown == (chr(code) if code in has else f"<U+{code:04X}>"), hex(code)
