"""Depth worked out once for flashes that are alike, against depth asked for every edge."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dfmcheck.board.assemble import assemble
from dfmcheck.geometry.depth import Inside
from dfmcheck.geometry.image import Image
from dfmcheck.intake import open_package
from dfmcheck.measure import mask_twins
from dfmcheck.measure.mask_twins import depth_in
from tests.measure.laid import TURNS, Laid
from tests.measure.packages import write_board


def _images(folder: Path, unit: str, angle: float, seed: int) -> tuple[Image, Image]:
    """Paste and mask of a board full of flashes, turned and off centre by a few amounts."""
    rng = np.random.default_rng(seed)
    b = Laid(unit, angle)
    b.top.region([(-19, -19), (19, -19), (19, 19), (-19, 19)])
    sizes = ((0.5, 0.3), (0.4, 0.4), (0.6, 0.25))
    for sheet, grow in ((b.paste, -0.06), (b.mask, 0.06)):
        sheet.apertures += [f"R,{sheet._n(w + grow)}X{sheet._n(h + grow)}" for w, h in sizes]
        sheet.apertures += [f"O,{sheet._n(w + grow)}X{sheet._n(h + grow)}" for w, h in sizes]
    for k in range(400):
        x, y = k % 20 * 1.5 - 14.25, k // 20 * 1.5 - 14.25
        code, turn = int(rng.integers(10, 16)), int(rng.choice([0, 30, 330, 90, 200]))
        dx, dy = rng.choice([0.0, 0.02, 0.1], 2)
        for sheet in (b.paste, b.mask):
            sheet.body.append(f"%LR{turn}*%")
            if sheet is b.mask or rng.random() < 0.1:
                sheet.flash(code, x, y)
            else:
                sheet.flash(code, x + dx, y + dy)
            if rng.random() < 0.05:
                sheet.flash(int(rng.integers(10, 16)), x + 0.4, y)
    board = assemble(open_package(write_board(folder / "job", b.files())))
    return board.pastes[0].image, board.masks[0].image


@pytest.mark.parametrize(("unit", "angle"), TURNS)
@pytest.mark.parametrize("reach", [0.0437, 0.5])
def test_as_asked_for_every_edge(
    tmp_path: Path, unit: str, angle: float, reach: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    paste, mask = _images(tmp_path, unit, angle, seed=3)
    rows = np.arange(len(paste.edges))
    rows = rows[paste.edges.piece % 7 != 3][::-1]
    plain = Inside(mask).depth(paste.edges.take(rows), reach)
    asked: list[int] = []

    class Counted(Inside):
        def depth(self, probes, reach, outside=None):  # type: ignore[no-untyped-def]
            asked.append(len(probes))
            return super().depth(probes, reach, outside)

    monkeypatch.setattr(mask_twins, "Inside", Counted)
    found = depth_in(paste, rows, mask, reach)
    for name in ("value", "error"):
        np.testing.assert_allclose(getattr(found, name), getattr(plain, name), rtol=0, atol=1e-9)
    # Of points equally near any is right: what counts is how far apart they are.
    for table in (found, plain):
        apart = np.hypot(*(table.at - table.frm).T)
        depth = np.abs(table.value + paste.edges.r[rows])
        np.testing.assert_allclose(apart, depth, rtol=0, atol=2e-3)
    assert np.isfinite(plain.value).sum() > 100
    assert (plain.value < 0).sum() > 10
    # Many are alike, and were not asked for; turned, hardly two are to the nanometre.
    assert angle or asked[0] < 0.8 * len(rows)


def test_what_lies_outside_is_looked_for_further(tmp_path: Path) -> None:
    paste, mask = _images(tmp_path, "mm", 0.0, seed=5)
    rows = np.arange(len(paste.edges))
    plain = Inside(mask).depth(paste.edges, 0.5).value
    found = depth_in(paste, rows, mask, 0.0437, 0.5).value
    near = plain <= 0.0437
    np.testing.assert_allclose(found[near], plain[near], rtol=0, atol=1e-9)
    assert (plain < -0.1).sum() > 10
    assert np.isnan(found[plain > 0.05]).all()


def test_nothing_to_ask(tmp_path: Path) -> None:
    paste, mask = _images(tmp_path, "mm", 0.0, seed=1)
    assert len(depth_in(paste, np.empty(0, dtype=np.intp), mask, 0.25).value) == 0
