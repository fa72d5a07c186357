"""Files off the datum of the others: found, named by the move that mends it, never moved."""

from __future__ import annotations

import re
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dfmcheck.board.assemble import assemble
from dfmcheck.board.datum import SAME_PLACE, Fit, Move, find_move
from dfmcheck.intake import open_package
from dfmcheck.terms import Defect, Weight
from tests.rewrite import CLEAN, INCH, SQUARE, Change, offset, package, scaled

RULE = "data.datum-offset"
HOLES = "drill-plated"
SHIFT = re.compile(r"dx ([+-][\d.]+) mm, dy ([+-][\d.]+) mm")


def slips(path: Path) -> list[Defect]:
    board = assemble(open_package(path, roles={}))
    return [d for d in board.defects if d.rule == RULE]


def the_slip(folder: Path, part: str, change: Change) -> Defect:
    """The one defect a package with one changed file must have, and on which file."""
    found = slips(package(folder, {part: change}))
    assert len(found) == 1, [d.sentence for d in found]
    assert part in found[0].file
    return found[0]


@pytest.mark.parametrize("name", ["tide-logger-clean", "tide-logger-planted"])
def test_sample_boards_lie_on_one_datum(name: str) -> None:
    assert slips(CLEAN.parent / name) == []


@pytest.mark.parametrize("part", [HOLES, "copper-1", "copper-4", "mask-top", "mask-bottom"])
@pytest.mark.parametrize("shift", [(0.4, -0.2), (-31.75, 12.7)], ids=str)
def test_offset(tmp_path: Path, part: str, shift: tuple[float, float]) -> None:
    slip = the_slip(tmp_path, part, offset(*shift))
    match = SHIFT.search(slip.found)
    assert match, slip.found
    assert (float(match[1]), float(match[2])) == pytest.approx((-shift[0], -shift[1]), abs=0.0011)
    assert slip.weight is Weight.HOLD


@pytest.mark.parametrize("part", [HOLES, "copper-1", "copper-4", "mask-top"])
@pytest.mark.parametrize("by", [0.1, 10.0, INCH, 1 / INCH])
def test_scale(tmp_path: Path, part: str, by: float) -> None:
    slip = the_slip(tmp_path, part, scaled(by))
    mend = "multiplied" if by < 1 else "divided"
    assert f"{mend} by {max(by, 1 / by):g}" in slip.found
    assert "mirrored" not in slip.found and "turned" not in slip.found
    assert slip.weight is Weight.HOLD


@pytest.mark.parametrize("part", [HOLES, "copper-4", "mask-top"])
@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("mirror about y", "mirrored left to right about x = 0.000 mm"),
        ("mirror about x", "mirrored top to bottom about y = 0.000 mm"),
        ("turn by 90", "turned by 90° clockwise about x = 0.000 mm, y = 0.000 mm"),
        ("turn by 180", "turned by 180° about x = 0.000 mm, y = 0.000 mm"),
        ("turn by 270", "turned by 90° counter-clockwise about x = 0.000 mm, y = 0.000 mm"),
    ],
)
def test_mirror_and_turn(tmp_path: Path, part: str, kind: str, words: str) -> None:
    slip = the_slip(tmp_path, part, SQUARE[kind])
    assert words in slip.found
    assert slip.weight is Weight.HOLD


def test_mirrored_about_the_middle_of_the_board(tmp_path: Path) -> None:
    """A bottom layer drawn as seen from below: x → 100 - x for a board from 20 to 80 mm."""
    slip = the_slip(tmp_path, "copper-4", Change(a=-1.0, dx=100.0))
    assert "mirrored left to right about x = 50.000 mm" in slip.found
    assert "conductor-4" in slip.layer


@pytest.mark.parametrize("part", ["copper-2", "copper-3"])
@pytest.mark.parametrize(
    ("change", "words"),
    [
        (offset(1.0, -1.0), "moved by dx -1.000 mm, dy +1.000 mm"),
        (SQUARE["mirror about y"], "mirrored left to right about x = 0.000 mm"),
        (scaled(INCH), "divided by 25.4"),
    ],
)
def test_planes_are_laid_on_by_their_clearances(
    tmp_path: Path, part: str, change: Change, words: str
) -> None:
    slip = the_slip(tmp_path, part, change)
    assert words in slip.found
    assert slip.weight is Weight.HOLD


@pytest.mark.parametrize("change", [offset(1.0, 0.5), scaled(10.0)], ids=["moved", "scaled"])
def test_few_unplated_holes_are_asked_for(tmp_path: Path, change: Change) -> None:
    """Five holes fit by chance more easily than fifty: a query, not a hold."""
    assert the_slip(tmp_path, "drill-unplated", change).weight is Weight.QUERY


@pytest.mark.parametrize("by", [0.1, 10.0, INCH, 1 / INCH])
def test_profile_scale(tmp_path: Path, by: float) -> None:
    slip = the_slip(tmp_path, "profile", scaled(by))
    assert f"{'multiplied' if by < 1 else 'divided'} by {max(by, 1 / by):g}" in slip.found


@pytest.mark.parametrize("kind", ["mirror about y", "mirror about x", "turn by 90"])
def test_profile_mirror_and_turn(tmp_path: Path, kind: str) -> None:
    assert the_slip(tmp_path, "profile", SQUARE[kind]).weight is Weight.HOLD


@pytest.mark.parametrize("dx", [8.0, -45.0, 300.0])
def test_profile_offset(tmp_path: Path, dx: float) -> None:
    """Nothing pins a profile to the micrometre: it is centred on what it must hold."""
    slip = the_slip(tmp_path, "profile", offset(dx, 0.0))
    match = SHIFT.search(slip.found)
    assert match and float(match[1]) == pytest.approx(-dx, abs=3.0)
    assert abs(float(match[2])) < 3.0


def test_shares_are_told(tmp_path: Path) -> None:
    slip = the_slip(tmp_path, HOLES, offset(1.0, 1.0))
    assert slip.found.startswith("0% of 38 plated holes lie on a land")
    assert "make 100% of them fit" in slip.found
    assert slip.action.startswith("Nothing was moved")


def test_small_steady_offset_is_asked_for(tmp_path: Path) -> None:
    """30 µm keeps every hole on its land, yet all rings are thin on one side."""
    slip = the_slip(tmp_path, HOLES, offset(0.03, 0.0))
    assert slip.weight is Weight.QUERY
    assert "dx -0.030 mm, dy +0.000 mm" in slip.found


def test_nothing_is_moved(tmp_path: Path) -> None:
    board = assemble(open_package(package(tmp_path, {HOLES: offset(1.0, -2.0)}), roles={}))
    clean = assemble(open_package(CLEAN, roles={}))
    mine = np.flatnonzero(clean.holes.plated == 1)
    assert np.allclose(board.holes.x0[mine] - clean.holes.x0[mine], 1.0)
    assert np.allclose(board.holes.y0[mine] - clean.holes.y0[mine], -2.0)


# -- the search itself -----------------------------------------------------------------

_LANDS = np.random.default_rng(11).uniform((0, 0), (90, 60), (400, 2))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    dx=st.floats(-400, 400), dy=st.floats(-400, 400), turns=st.integers(0, 3),
    mirrored=st.booleans(), count=st.integers(8, 400), lost=st.floats(0, 0.15),
)  # fmt: skip
def test_any_offset_turn_and_mirror_is_undone(
    dx: float, dy: float, turns: int, mirrored: bool, count: int, lost: float
) -> None:
    slip = Move(turns, mirrored, dx=dx, dy=dy)
    holes = slip(_LANDS[:count])
    holes[: int(lost * count)] += 777.0  # holes that have no land at all
    fit = find_move(holes, _LANDS)
    if fit.before >= 0.9:
        assert fit.move == Move()
        return
    assert fit.after >= 1 - lost - 1e-9
    mended = fit.move(slip(_LANDS))
    assert np.hypot(*(mended - _LANDS).T).max() < SAME_PLACE


@given(
    dx=st.floats(-50, 50), dy=st.floats(-50, 50), turns=st.integers(0, 3),
    mirrored=st.booleans(), scale=st.sampled_from([1.0, 0.1, 10.0, INCH, 1 / INCH]),
)  # fmt: skip
def test_inverse(dx: float, dy: float, turns: int, mirrored: bool, scale: float) -> None:
    move = Move(turns, mirrored, scale, dx, dy)
    back = move.inverse(move(_LANDS))
    assert np.allclose(back, _LANDS, atol=1e-9 * max(1.0, abs(dx), abs(dy)) * 1e2)


def test_points_that_share_nothing_tell_nothing() -> None:
    other = np.random.default_rng(12).uniform((0, 0), (90, 60), (300, 2))
    assert not find_move(other, _LANDS).telling


def test_a_few_points_are_never_beyond_doubt() -> None:
    fit = Fit(Move(dx=1.0), 0.0, 1.0, 5)
    assert fit.telling and not fit.beyond_doubt
    assert not Fit(Move(dx=1.0), 0.0, 1.0, 3).telling


@pytest.mark.parametrize("slip", [Move(), Move(dx=3.21, dy=-40.0), Move(3, True, dx=7.0)])
def test_ten_thousand_holes_in_time(slip: Move) -> None:
    lands = np.random.default_rng(5).uniform((0, 0), (300, 250), (14_000, 2))
    holes = slip(lands[:10_000])
    best = np.inf
    for _ in range(3):
        start = time.process_time()
        fit = find_move(holes, lands)
        best = min(best, time.process_time() - start)
    assert fit.after > 0.99
    assert best < 0.3


@pytest.mark.parametrize("shift", [(0.3, -0.2), (0.0, 0.8), (1.6, 0.8), (-40.0, 3.1)], ids=str)
def test_regular_grid(shift: tuple[float, float]) -> None:
    """A grid fits itself at every step: the shift that fits all of it is the one named."""
    x, y = np.meshgrid(np.arange(100.0) * 0.8, np.arange(50.0) * 0.8)
    lands = np.stack([x.ravel(), y.ravel()], axis=-1)
    fit = find_move(lands + shift, lands)
    if fit.before < 0.9:  # one step along a side leaves 98% where there are lands
        assert (fit.move.dx, fit.move.dy) == pytest.approx((-shift[0], -shift[1]), abs=0.001)
        assert fit.after == 1.0


# -- published boards ------------------------------------------------------------------

_SMALL = ["four-layer-netlist", "hobby-top", "net-card", "rfid-station", "school-board",
          "stepper-lights", "usb-tool", "wifi-devkit-job", "x2-attributes", "no-attributes",
          "rgb-matrix", "rover-2-layer", "led-arena", "sbc-10-layer"]  # fmt: skip


@pytest.mark.parametrize("name", _SMALL)
def test_published_boards_lie_on_one_datum(boards: Path, name: str) -> None:
    if not (boards / name).is_dir():
        pytest.skip(f"no board {name}")
    assert [d.sentence for d in slips(boards / name)] == []
