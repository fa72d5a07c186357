"""Where shorts and opens lie: bridges of every drawing, cuts, names by attribute, ties.

The board is made up: two runs 0.2 mm wide and 1 mm apart, y = 0 and y = 1, each from a land at
x = 0 to a land at x = 10, with net attributes LAMP and FAN.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely

from dfmcheck.board.assemble import assemble
from dfmcheck.board.model import Board
from dfmcheck.board.net_graph import NetGraph, held_between, joints
from dfmcheck.board.net_neck import narrowest
from dfmcheck.intake import open_package
from dfmcheck.terms import Defect, Weight
from tests.measure.packages import Sheet, drill_text, write_board

EDGE = 3.0  # the profile lies this far outside x = 0, y = 0
BRIDGE = 12  # D-code of the bridge's aperture


def runs(sheet: Sheet, bridge: float = 0.1, names: tuple[str, str] = ("LAMP", "FAN")) -> None:
    sheet.circle(0.2), sheet.circle(0.6), sheet.circle(bridge)
    for y, name in zip((0.0, 1.0), names, strict=True):
        sheet.body.append(f"%TO.N,{name}*%")
        for x in (0.0, 10.0):
            sheet.body.append(f"%TO.P,{name}{x:g},1*%")
            sheet.flash(11, x, y)
            sheet.body.append("%TD.P*%")
        sheet.draw(10, 0.0, y, 10.0, y)
    sheet.body.append("%TD*%")


def build(folder: Path, top: Sheet, bottom: Sheet | None = None, drill: str = "") -> Board:
    profile = Sheet()
    line = profile.circle(0.1)
    corners = [(-EDGE, -EDGE), (13.0, -EDGE), (13.0, 4.0), (-EDGE, 4.0), (-EDGE, -EDGE)]
    for a, b in pairwise(corners):
        profile.draw(line, *a, *b)
    files = {"top.gbr": top.text("Copper,L1,Top"), "profile.gbr": profile.text("Profile,NP")}
    if bottom is not None:
        files["bottom.gbr"] = bottom.text("Copper,L2,Bot")
    if drill:
        files["holes.drl"] = drill
    return assemble(open_package(write_board(folder, files), roles={}))


def told(board: Board) -> list[Defect]:
    return [d for d in board.defects if d.rule.startswith("data.attribute-")]


def test_a_sound_board_has_nothing_to_tell(tmp_path: Path) -> None:
    top = Sheet()
    runs(top)
    board = build(tmp_path, top)
    assert told(board) == []
    assert {"LAMP", "FAN"} <= set(board.net_names)


@pytest.mark.parametrize("width", [0.005, 0.02, 0.15])
@pytest.mark.parametrize("drawing", ["stroke", "region", "chain", "named"])
def test_bridge_is_told_with_place_and_width(tmp_path: Path, drawing: str, width: float) -> None:
    top = Sheet()
    runs(top, width)
    if drawing == "region":
        h = width / 2
        top.region([(4 - h, 0), (4 + h, 0), (4 + h, 1), (4 - h, 1)])
    elif drawing == "chain":  # two strokes in line, joined in the middle
        top.draw(BRIDGE, 4, 0, 4, 0.5), top.draw(BRIDGE, 4, 0.5, 4, 1)
    else:
        if drawing == "named":  # the bridge itself claims one of the nets
            top.body.append("%TO.N,FAN*%")
        top.draw(BRIDGE, 4, 0, 4, 1)
    (d,) = told(build(tmp_path, top))
    assert (d.rule, d.weight, d.layer) == ("data.attribute-short", Weight.HOLD, "conductor-1")
    assert "nets FAN and LAMP are joined on conductor-1" in d.found
    assert f"is {width:.3f} mm wide" in d.found
    assert d.ends is not None
    assert np.hypot(d.ends[2] - d.ends[0], d.ends[3] - d.ends[1]) == pytest.approx(width, abs=1e-4)
    assert (d.x, d.y) == (pytest.approx(4 + EDGE, abs=0.01), pytest.approx(0.5 + EDGE, abs=0.41))
    assert "top.gbr" in d.detail and ("region" in d.detail) == (drawing == "region")


def test_discs_that_overlap_by_a_hair_are_told_by_their_chord(tmp_path: Path) -> None:
    top = Sheet()
    # Between runs whose outlines are 0.8 mm apart: a disc that laps 5 µm over either.
    runs(top, 0.81)
    top.flash(BRIDGE, 4, 0.5)
    (d,) = told(build(tmp_path, top))
    chord = 2 * np.sqrt(0.405**2 - 0.4**2)
    assert d.ends is not None
    # The disc's outline is drawn to 0.5 µm, a tenth of the lap: the chord to a twentieth.
    assert abs(d.ends[2] - d.ends[0]) == pytest.approx(chord, rel=0.06)
    assert abs(d.y - 0.5 - EDGE) == pytest.approx(0.4, abs=0.001)


def test_the_narrower_of_two_bridges_does_not_hide_the_wider(tmp_path: Path) -> None:
    top = Sheet()
    runs(top, 0.02)
    top.circle(0.1)
    top.draw(BRIDGE, 4, 0, 4, 1), top.draw(BRIDGE + 1, 7, 0, 7, 1)
    (d,) = told(build(tmp_path, top))
    assert "and at 1 more places" in d.found


@pytest.mark.parametrize("width", [0.005, 0.02])
def test_cut_is_told_with_place_and_width(tmp_path: Path, width: float) -> None:
    top = Sheet()
    runs(top, width)
    top.body.append("%LPC*%")
    top.draw(BRIDGE, 6, -0.3, 6, 0.3)
    (d,) = told(build(tmp_path, top))
    assert (d.rule, d.weight, d.layer) == ("data.attribute-open", Weight.HOLD, "conductor-1")
    assert "net LAMP is open: 2 pieces of copper" in d.found and "LAMP10-1" in d.found
    assert f"; the copper comes within {width:.3f} mm at (9.000, " in d.found
    assert (d.x, d.y) == (pytest.approx(6 + EDGE, abs=1e-4), pytest.approx(EDGE, abs=0.06))


def test_nets_tied_by_an_object_of_both_names_are_joined_on_purpose(tmp_path: Path) -> None:
    top = Sheet()
    runs(top)
    top.body.append("%TO.N,LAMP,FAN*%")
    top.draw(BRIDGE, 4, 0, 4, 1)
    assert told(build(tmp_path, top)) == []


@pytest.mark.parametrize("name", ["N/C", ""])
def test_names_that_name_no_net_are_no_claim(tmp_path: Path, name: str) -> None:
    top = Sheet()
    runs(top, names=(name, "FAN"))
    top.draw(BRIDGE, 4, 0, 4, 1)
    assert told(build(tmp_path, top)) == []


def test_one_defect_for_each_net_however_many_pieces(tmp_path: Path) -> None:
    top = Sheet()
    runs(top, 0.05)
    top.body.append("%LPC*%")
    for x in range(2, 9):
        top.draw(BRIDGE, x, -0.3, x, 0.3)
    (d,) = told(build(tmp_path, top))
    # The runs between two cuts carry the name too.
    assert "8 pieces of copper" in d.found and "4 more pieces" in d.found


def test_copies_of_a_board_are_not_opens(tmp_path: Path) -> None:
    top = Sheet()
    top.circle(0.2), top.circle(0.6)
    for x in (0.0, 5.0):
        for n in range(6):
            top.body.append(f"%TO.N,SIG{n}*%")
            top.flash(11, x, n * 0.7), top.draw(10, x, n * 0.7, x + 3, n * 0.7)
    board = build(tmp_path, top)
    assert told(board) == []
    (said,) = [a for a in board.assumptions if a.subject == "net attributes"]
    assert said.value == "those of 2 copies of one board" and said.doubtful


def two_sided(folder: Path, drill: str) -> list[Defect]:
    """LAMP on top from x = 0 to 5, on the bottom from 5 to 10; only a hole joins the two."""
    top, bottom = Sheet(), Sheet()
    for sheet, x in ((top, 0.0), (bottom, 10.0)):
        sheet.circle(0.2), sheet.circle(0.6)
        sheet.body.append("%TO.N,LAMP*%")
        sheet.flash(11, x, 0), sheet.draw(10, x, 0, 5, 0), sheet.flash(11, 5, 0)
        sheet.body.append("%TD*%")
        sheet.flash(11, 2, 2)
    return told(build(folder, top, bottom, drill))


def test_hole_that_is_not_plated_leaves_its_net_open(tmp_path: Path) -> None:
    other = [(2.0, 2.0, 0.3)]
    assert two_sided(tmp_path / "a", drill_text([(5, 0, 0.3), *other], True, Sheet())) == []
    (d,) = two_sided(tmp_path / "b", drill_text(other, True, Sheet()))
    assert "conductor-1 and conductor-2 lie over each other" in d.found or (
        "conductor-2 and conductor-1 lie over each other" in d.found
    )
    assert (d.x, d.y) == pytest.approx((5 + EDGE, EDGE), abs=0.31)


def test_slot_joins_what_its_two_ends_meet(tmp_path: Path) -> None:
    """A plated slot routed in pieces: top copper at one end, bottom copper at the other."""
    text = "\n".join(
        ["M48", "; #@! TF.FileFunction,Plated,1,2,PTH", "METRIC", "T1C0.5", "%", "G05", "T1",
         "X2.0Y2.0", "G00X4.0Y0.0", "M15", "G01X5.0Y0.0", "G01X6.0Y0.0", "M16", "G05", "M30", ""]
    )  # fmt: skip
    top, bottom = Sheet(), Sheet()
    for sheet, x, at in ((top, 0.0, 3.9), (bottom, 10.0, 6.1)):
        sheet.circle(0.2), sheet.circle(0.6)
        sheet.body.append("%TO.N,LAMP*%")
        sheet.flash(11, x, 0), sheet.draw(10, x, 0, at, 0)
        sheet.body.append("%TD*%")
        sheet.flash(11, 2, 2)
    board = build(tmp_path, top, bottom, text)
    assert len(board.holes) == 3 and told(board) == []


def squares(*corners: tuple[float, float, float]) -> np.ndarray:
    return np.array([shapely.box(x, y, x + s, y + s) for x, y, s in corners], dtype=object)


def graph_of(count: int, contacts: list[tuple[int, int, float]]) -> NetGraph:
    a, b, width = zip(*contacts, strict=True)
    shapes = squares(*((float(n), 0.0, 1.0) for n in range(count)))
    ones = np.ones(count)
    return NetGraph(
        np.zeros(count, dtype=np.intp), np.arange(count), shapes, ones,
        np.array(a), np.array(b), np.array(width),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(30))
def test_held_nodes_are_those_whose_loss_parts_the_points(seed: int) -> None:
    chance = np.random.default_rng(seed)
    count = 12
    tree = [(int(chance.integers(n)), n, 1.0) for n in range(1, count)]
    more = [(*chance.choice(count, 2, replace=False).tolist(), 1.0) for _ in range(seed % 5)]
    graph = graph_of(count, tree + more)
    points = chance.choice(count, 4, replace=False)

    def parted(node: int) -> bool:
        left = [p for p in points.tolist() if p != node]
        seen, todo = {left[0], node}, [left[0]]
        while todo:
            at = todo.pop()
            for a, b, _ in tree + more:
                for one, two in ((a, b), (b, a)):
                    if one == at and two not in seen:
                        seen.add(two)
                        todo.append(two)
        return not set(left) <= seen

    expected = {n for n in range(count) if parted(n)} | set(points.tolist())
    assert held_between(graph, points) == expected


def test_wide_bridge_between_narrow_runs_is_still_the_bridge() -> None:
    # 0 – 1 – 2 is one net, 3 – 4 – 5 the other; 6 joins the middles, wider than either.
    thin = [(0, 1, 0.1), (1, 2, 0.1), (3, 4, 0.1), (4, 5, 0.1)]
    graph = graph_of(7, [*thin, (1, 6, 0.5), (6, 4, 0.5)])
    (joint,) = joints(graph, {0: np.array([0, 2]), 1: np.array([3, 5])})
    assert set(joint.chain[joint.first : joint.last + 1]) == {1, 6, 4}


def test_shape_both_names_need_is_the_joint() -> None:
    graph = graph_of(5, [(0, 2, 1), (1, 2, 1), (2, 3, 1), (2, 4, 1)])
    (joint,) = joints(graph, {0: np.array([0, 1]), 1: np.array([3, 4])})
    assert joint.contact == -1 and joint.chain[joint.first] == 2


@pytest.mark.parametrize("width", [0.005, 0.03])
def test_neck_inside_one_shape(width: float) -> None:
    """Two squares with one neck between them, drawn as a single region; a decoy in one arm."""
    h = width / 2
    neck = shapely.box(1, 0.5 - h, 1.4, 0.5 + h)
    arm = shapely.box(-1, 0.5 - h / 2, 0, 0.5 + h / 2)  # narrower, but on no way across
    copper = shapely.union_all([shapely.box(0, 0, 1, 1), neck, shapely.box(1.4, 0, 2.4, 1), arm])
    found = narrowest(copper, shapely.Point(0.5, 0.9), shapely.Point(2, 0.9), 0.1)
    assert found is not None
    assert found.width == pytest.approx(width)
    assert found.middle == pytest.approx((1.2, 0.5))


def test_of_two_necks_side_by_side_the_wider_holds() -> None:
    necks = [shapely.box(1, 0.2, 1.4, 0.21), shapely.box(1, 0.7, 1.4, 0.74)]
    copper = shapely.union_all([shapely.box(0, 0, 1, 1), *necks, shapely.box(1.4, 0, 2.4, 1)])
    found = narrowest(copper, shapely.Point(0.5, 0.5), shapely.Point(2, 0.5), 0.1)
    assert found is not None and found.width == pytest.approx(0.04)
    assert narrowest(copper, shapely.Point(0.5, 0.5), shapely.Point(2, 0.5), 0.03) is None
