"""The drawing kept with a screening shows the same board, small, and survives saving."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest
import shapely

from dfmcheck import screen as orchestrator
from dfmcheck.board.assemble import assemble
from dfmcheck.board.model import Board
from dfmcheck.errors import PackageError
from dfmcheck.intake import open_package
from dfmcheck.measure import drawing as drawings
from dfmcheck.measure import store
from dfmcheck.measure.screening import Screening

SAMPLE = Path(__file__).parents[2] / "sample_boards" / "tide-logger-planted"


@pytest.fixture(scope="module")
def board() -> Board:
    return assemble(open_package(SAMPLE, roles={}), workers=1)


@pytest.fixture(scope="module")
def screening() -> Screening:
    return orchestrator.screen(SAMPLE, workers=1, drawing=True)


def test_each_layer_covers_the_true_copper_to_the_tolerance(board: Board) -> None:
    drawn = {layer.name: layer for layer in drawings.drawing_of(board).layers}
    for layer in (*board.copper, *board.masks, *board.pastes):
        true = shapely.transform(shapely.union_all(layer.image.parts), lambda c: c - board.origin)
        shown = shapely.union_all(shapely.make_valid(drawn[layer.name].shapes()))
        reach = drawings.TOLERANCE + drawings.STEP  # outlines are rounded to a step as well
        assert true.buffer(reach).covers(shown), layer.name
        assert shown.buffer(reach).covers(true), layer.name


def test_layers_stand_in_their_order(board: Board) -> None:
    names = [layer.name for layer in drawings.drawing_of(board).layers]
    assert names == [
        "conductor-1", "conductor-2", "conductor-3", "conductor-4", "mask-top", "mask-bottom",
        "legend-top", "legend-bottom", "paste-top", "paste-bottom", "profile",
    ]  # fmt: skip


def test_profile_and_holes_lie_on_the_datum(board: Board) -> None:
    drawing = drawings.drawing_of(board)
    area = drawing.layers[-1]
    assert area.xy.min(axis=0) == pytest.approx(0, abs=drawings.TOLERANCE / drawings.STEP)
    assert drawing.profile[:, [0, 2]].min() == pytest.approx(0, abs=1e-4)
    assert len(drawing.holes) == len(board.holes)
    at = shapely.points(drawing.holes[:, 0], drawing.holes[:, 1])
    assert shapely.intersects(area.shapes()[0], at).all()
    assert set(drawing.holes[:, 5]) == {0.0, 1.0}


def test_unit_and_place_of_the_datum_are_those_of_the_files(board: Board) -> None:
    drawing = drawings.drawing_of(board)
    assert drawing.unit == "mm"
    assert drawing.origin == board.origin


def test_a_hole_in_a_pour_stays_a_hole_and_a_speck_takes_its_hole_along() -> None:
    ring = shapely.box(0, 0, 10, 10) - shapely.box(4, 4, 5, 5)
    speck = shapely.box(20, 0, 20.001, 0.001)
    drawn = drawings.reduced("conductor-1", np.array([speck, ring]), (0, 0), 0.004)
    (shape,) = drawn.shapes()
    assert shape.equals(ring)
    assert len(drawn.polygons) == 2 and len(drawn.rings) == 3


def test_nothing_drawn_is_no_failure() -> None:
    empty = drawings.reduced("conductor-1", np.empty(0, dtype=object), (0, 0), 0.004)
    drawing = drawings.Drawing((empty,), np.empty((0, 7), np.float32), np.empty((0, 4), np.float32))
    back = drawings.from_columns(drawings.columns(drawing))
    assert [len(layer.shapes()) for layer in back.layers] == [0]
    assert drawings.from_columns(drawings.columns(drawings.Drawing((), *none()))).layers == ()


def none() -> tuple[np.ndarray, np.ndarray]:
    return np.empty((0, 7), np.float32), np.empty((0, 4), np.float32)


def test_saved_with_the_screening_and_read_back(screening: Screening, tmp_path: Path) -> None:
    store.save(screening, tmp_path / "a.screening")
    store.save(screening, tmp_path / "b.screening")
    assert (tmp_path / "a.screening").read_bytes() == (tmp_path / "b.screening").read_bytes()
    drawing, back = screening.drawing, store.load(tmp_path / "a.screening").drawing
    assert drawing is not None and back is not None
    assert [layer.name for layer in back.layers] == [layer.name for layer in drawing.layers]
    for saved, kept in zip(back.layers, drawing.layers, strict=True):
        for column in ("xy", "rings", "polygons"):
            assert np.array_equal(getattr(saved, column), getattr(kept, column))
    assert np.array_equal(back.holes, drawing.holes)
    assert np.array_equal(back.profile, drawing.profile)
    assert (back.origin, back.unit) == (drawing.origin, drawing.unit)


def test_a_plain_screening_keeps_none(tmp_path: Path) -> None:
    plain = orchestrator.screen(SAMPLE, workers=1)
    assert plain.drawing is None
    store.save(plain, tmp_path / "plain.screening")
    assert store.load(tmp_path / "plain.screening").drawing is None


@pytest.mark.parametrize("column", ["moves", "rings", "vertices", "polygons", "names"])
def test_a_drawing_that_does_not_add_up_is_told(
    screening: Screening, tmp_path: Path, column: str
) -> None:
    path = tmp_path / "a.screening"
    store.save(screening, path)
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    member = f"drawing/{column}.npy"
    short = io.BytesIO()
    np.save(short, np.load(io.BytesIO(members[member]))[:-1])
    for content in (short.getvalue(), members[member][:60], b""):
        with zipfile.ZipFile(path, "w") as archive:
            for name, kept in (members | {member: content}).items():
                archive.writestr(name, kept)
        with pytest.raises(PackageError, match="drawing"):
            store.load(path)
