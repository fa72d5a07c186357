"""Netlist against board: planted opens, shorts, missing copper and wrong holes, nothing else.

The board is a made-up row of signals: each runs on the top from a land at x = 0 to a via at
x = 5, and on the bottom from there to a land at x = 10. Signals lie 2 mm apart.
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest

from dfmcheck.board.assemble import assemble
from dfmcheck.board.model import Board
from dfmcheck.board.netlist import compare_netlist, net_names
from dfmcheck.board.netlist_place import place
from dfmcheck.formats.ipc356 import Netlist, read_netlist
from dfmcheck.intake import open_package
from dfmcheck.terms import Defect, Weight
from tests.measure.packages import Sheet, drill_text, write_board

COUNT = 12
EDGE = 3.0  # the profile lies this far outside x = 0, y = 0


@dataclass
class Plan:
    """What is different from the sound board, and from the sound netlist."""

    cut: set[int] = field(default_factory=set)  # top run left out
    bridged: set[int] = field(default_factory=set)  # top lands of n and n + 1 joined
    landless: set[int] = field(default_factory=set)  # no bottom land and run
    undrilled: set[int] = field(default_factory=set)
    unlisted: set[int] = field(default_factory=set)  # via not in the netlist
    stated_size: dict[int, float] = field(default_factory=dict)
    stated_unplated: set[int] = field(default_factory=set)
    moved_via: dict[int, float] = field(default_factory=dict)
    names: dict[int, str] = field(default_factory=dict)
    layers: int = 2


def record(code: int, net: str, pin: str, x: float, y: float, hole: str, access: int) -> str:
    ref, _, number = pin.partition("-")
    at = f"X{round(x * 1000):+07d}Y{round(y * 1000):+07d}"
    return f"{code}{net:<14}   {ref:<6}-{number:<4} {hole:<6}A{access:02d}{at}X0600Y0600R000 S0"


def netlist_text(plan: Plan, dx: float = 0.0, dy: float = 0.0, units: int = 1) -> str:
    lines = [f"P  UNITS CUST {units}", "C  Board Thickness(mm): 1.55"]
    for n in range(COUNT):
        net, y = plan.names.get(n, f"SIG_{chr(65 + n)}"), 2.0 * n + dy
        size = round(plan.stated_size.get(n, 0.3) * 1000)
        hole = f"D{size:04d}{'U' if n in plan.stated_unplated else 'P'}"
        lines.append(record(327, net, f"J1-{n + 1}", dx, y, "", 1))
        if n not in plan.unlisted:
            via = 5.0 + plan.moved_via.get(n, 0.0) + dx
            lines.append(record(317, net, "VIA", via, y, hole, 0))
        lines.append(record(327, net, f"J2-{n + 1}", 10.0 + dx, y, "", 2))
    return "\n".join([*lines, "999", ""])


def write(folder: Path, plan: Plan, netlist: str | None = None) -> Path:
    top, bottom, profile = Sheet(), Sheet(), Sheet()
    for sheet in (top, bottom):
        sheet.circle(0.2), sheet.circle(0.6)
    holes = []
    for n in range(COUNT):
        y = 2.0 * n
        top.flash(11, 0, y), top.flash(11, 5, y), bottom.flash(11, 5, y)
        if n not in plan.cut:
            top.draw(10, 0, y, 5, y)
        if n in plan.bridged:
            top.draw(10, 0, y, 0, y + 2)
        if n not in plan.landless:
            bottom.flash(11, 10, y), bottom.draw(10, 5, y, 10, y)
        if n not in plan.undrilled:
            holes.append((5.0, y, 0.3))
    x1, y1 = 10 + EDGE, 2 * (COUNT - 1) + EDGE
    corners = [(-EDGE, -EDGE), (x1, -EDGE), (x1, y1), (-EDGE, y1), (-EDGE, -EDGE)]
    line = profile.circle(0.1)
    for a, b in pairwise(corners):
        profile.draw(line, *a, *b)
    files = {
        "top.gbr": top.text("Copper,L1,Top"),
        "bottom.gbr": bottom.text(f"Copper,L{plan.layers},Bot"),
        "profile.gbr": profile.text("Profile,NP"),
        "holes.drl": drill_text(holes, True, top).replace(
            "Plated,1,2,PTH", f"Plated,1,{plan.layers},PTH"
        ),
    }
    for n in range(2, plan.layers):
        inner = Sheet()
        inner.circle(0.6)
        for k in range(COUNT):
            inner.flash(10, 5, 2.0 * k)
        files[f"inner{n}.gbr"] = inner.text(f"Copper,L{n},Inr")
    if netlist is not None:
        files["board.ipc"] = netlist
    return write_board(folder, files)


def build(folder: Path, plan: Plan) -> Board:
    return assemble(open_package(write(folder, plan), roles={}))


def netlist(plan: Plan, **options: float) -> Netlist:
    return read_netlist(netlist_text(plan, **options).encode(), "board.ipc")  # type: ignore[arg-type]


def told(folder: Path, plan: Plan) -> list[tuple[str, Defect]]:
    board = build(folder, plan)
    return [(d.rule, d) for d in compare_netlist(board, netlist(plan))]


def test_a_sound_board_has_nothing_to_tell(tmp_path: Path) -> None:
    assert told(tmp_path, Plan()) == []


def test_open_is_found_with_its_pieces_and_place(tmp_path: Path) -> None:
    ((rule, d),) = told(tmp_path, Plan(cut={3}))
    assert (rule, d.weight) == ("data.netlist-open", Weight.HOLD)
    assert "net SIG_D is open: 2 pieces" in d.found
    assert "1 point (J1-4)" in d.found and "J2-4" in d.found
    # Between the land at x = 0 and the via's at x = 5, both 0.6 mm wide, nothing is left.
    assert "the copper comes within 4.400 mm at (5.500, 9.000) on conductor-1" in d.found
    assert (d.x, d.y, d.layer) == (pytest.approx(2.5 + EDGE), pytest.approx(9.0), "conductor-1")
    assert d.ends is not None and abs(d.ends[2] - d.ends[0]) == pytest.approx(4.4)


def test_open_through_a_hole_that_is_not_drilled(tmp_path: Path) -> None:
    found = told(tmp_path, Plan(undrilled={5}))
    assert sorted(r for r, _ in found) == ["data.netlist-hole", "data.netlist-open"]
    d = dict(found)["data.netlist-hole"]
    assert "1 holes of the netlist are not among those read" in d.found
    assert (d.x, d.y) == pytest.approx((5 + EDGE, 10.0 + EDGE))
    d = dict(found)["data.netlist-open"]
    assert "at (8.000, 13.000) is not drilled" in d.found
    assert (d.x, d.y) == pytest.approx((5 + EDGE, 10.0 + EDGE))


def test_short_is_found_with_its_layer_and_nearest_points(tmp_path: Path) -> None:
    ((rule, d),) = told(tmp_path, Plan(bridged={7}))
    assert (rule, d.weight, d.layer) == ("data.netlist-short", Weight.HOLD, "conductor-1")
    assert "nets SIG_H and SIG_I are joined on conductor-1" in d.found
    assert "2.000 mm apart" in d.found
    # The bridge is a stroke 0.2 mm wide from the land at y = 14 to that at y = 16.
    assert "the joint is 0.200 mm wide at (3.000, 18.000)" in d.found
    assert (d.x, d.y) == pytest.approx((EDGE, 15 + EDGE))
    assert re.findall(r"line \d+ (D\d+)", d.detail) == ["D11", "D10", "D11"]


def test_three_nets_on_one_piece_are_one_finding(tmp_path: Path) -> None:
    ((_, d),) = told(tmp_path, Plan(bridged={1, 2}))
    assert all(f"SIG_{c}" in d.found for c in "BCD")


@pytest.mark.parametrize("seed", range(6))
def test_planted_opens_and_shorts_are_found_and_nothing_else(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    plan = Plan(
        cut=set(chance.sample(range(COUNT), chance.randrange(5))),
        bridged=set(chance.sample(range(0, COUNT - 1, 2), chance.randrange(5))),
    )
    opens, shorts = set(), set()
    for rule, d in told(tmp_path, plan):
        if rule == "data.netlist-open":
            opens.add(re.match(r"net (\S+) is open", d.found)[1])  # type: ignore[index]
        else:
            assert rule == "data.netlist-short"
            match = re.match(r"nets (\S+) and (\S+) are joined on conductor-1", d.found)
            shorts.add(frozenset(match.groups()))  # type: ignore[union-attr]
    assert opens == {f"SIG_{chr(65 + n)}" for n in plan.cut}
    assert shorts == {frozenset((f"SIG_{chr(65 + n)}", f"SIG_{chr(66 + n)}")) for n in plan.bridged}


def test_points_without_copper(tmp_path: Path) -> None:
    ((rule, d),) = told(tmp_path, Plan(landless={2, 4}))
    assert (rule, d.weight, d.layer) == ("data.netlist-point", Weight.QUERY, "conductor-2")
    assert "2 points (J2-3 and J2-5)" in d.found
    assert (d.x, d.y) == pytest.approx((10 + EDGE, 4 + EDGE))


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (Plan(stated_size={1: 0.35, 2: 0.35}), "2 of 0.350 mm drilled 0.300"),
        (Plan(stated_unplated={6}), "1 holes are unplated in the netlist and plated by"),
        (Plan(moved_via={4: 0.12}), "1 holes are not drilled where the netlist says; 0.120 mm"),
        (Plan(unlisted={8}), "1 plated holes are drilled that the netlist does not list"),
    ],
)
def test_holes_that_disagree(tmp_path: Path, plan: Plan, words: str) -> None:
    ((rule, d),) = told(tmp_path, plan)
    assert (rule, d.weight) == ("data.netlist-hole", Weight.QUERY)
    assert words in d.found


@pytest.mark.parametrize("size", [0.281, 0.319])
def test_sizes_that_differ_by_rounding_agree(tmp_path: Path, size: float) -> None:
    assert told(tmp_path, Plan(stated_size={1: size})) == []


def test_points_without_a_net_on_copper_of_one(tmp_path: Path) -> None:
    plan = Plan(names={4: "N/C", 9: "N/C"}, bridged={3})
    ((rule, d),) = told(tmp_path, plan)
    assert (rule, d.weight) == ("data.netlist-short", Weight.QUERY)
    assert "without a net on copper of net SIG_D" in d.found


@pytest.mark.parametrize(("dx", "dy"), [(31.4, -12.7), (0.8, 0.0), (-250.0, 40.0)])
def test_constant_offset_is_recognised(tmp_path: Path, dx: float, dy: float) -> None:
    plan = Plan(cut={3}, bridged={6})
    board = build(tmp_path, plan)
    moved = netlist(plan, dx=dx, dy=dy)
    placed = place(board, moved)
    (assumed,) = placed.assumptions
    assert f"moved by ({0.0 - dx:.3f}, {0.0 - dy:.3f}) mm" in assumed.value
    assert "of its 12 holes then meet" in assumed.evidence
    found = compare_netlist(board, moved, placed)
    assert sorted(d.rule for d in found) == ["data.netlist-open", "data.netlist-short"]
    same = compare_netlist(board, netlist(plan))
    for a, b in zip(found, same, strict=True):
        assert (a.found, a.x, a.y) == (b.found, pytest.approx(b.x), pytest.approx(b.y))


def test_unit_slip_is_recognised_and_doubtful(tmp_path: Path) -> None:
    board = build(tmp_path, Plan())
    slipped = netlist(Plan(), units=0)  # counts of 0.001 mm said to be 0.0001 inch
    placed = place(board, slipped)
    assert [a.subject for a in placed.assumptions] == ["unit of the netlist"]
    assert placed.assumptions[0].doubtful
    assert placed.scale == pytest.approx(1 / 2.54)
    assert compare_netlist(board, slipped, placed) == ()


def test_a_netlist_of_another_board_is_one_defect(tmp_path: Path) -> None:
    chance = random.Random(5)
    rows = [
        record(317, f"X{n}", "VIA", chance.uniform(0, 10), chance.uniform(0, 22), "D0300P", 0)
        for n in range(40)
    ]
    other = read_netlist("\n".join(["P  UNITS CUST 1", *rows, "999"]).encode(), "other.ipc")
    (d,) = compare_netlist(build(tmp_path, Plan()), other)
    assert (d.rule, d.weight, d.file) == ("data.datum-offset", Weight.HOLD, "other.ipc")
    assert net_names(build(tmp_path, Plan()), other) == build(tmp_path, Plan()).net_names


def test_access_two_is_the_bottom_where_only_two_sides_are_known(tmp_path: Path) -> None:
    board = build(tmp_path, Plan(layers=4))
    placed = place(board, netlist(Plan()))
    assert [a.value for a in placed.assumptions] == ["bottom (conductor 4)"]
    assert compare_netlist(board, netlist(Plan()), placed) == ()


def test_many_opens_are_listed_up_to_some_and_counted(tmp_path: Path) -> None:
    plan = Plan()
    board = build(tmp_path, plan)
    # One name for two signals each: every name is open.
    rows = []
    for n in range(COUNT):
        for k in range(4):
            name = f"PAIR_{(n // 2) * 4 + k}"
            rows.append(record(327, name, f"J1-{n}", 0.0 + k * 1.2, 2.0 * n, "", 1))
    text = "\n".join(["P  UNITS CUST 1", *rows, "999"])
    found = compare_netlist(board, read_netlist(text.encode(), "pairs.ipc"))
    opens = [d for d in found if d.rule == "data.netlist-open"]
    assert len(opens) == 21
    assert opens[-1].found.startswith("4 more open nets: ")


def test_board_nets_take_the_netlist_names(tmp_path: Path) -> None:
    plan = Plan(cut={3}, bridged={6})
    board = build(tmp_path, plan)
    names = net_names(board, netlist(plan))
    assert names.count("SIG_D") == 2
    assert [n for n in names if n.startswith("net ")] == []
    assert ("SIG_G" in names) != ("SIG_H" in names)
    assert len(names) == len(board.net_names)


def test_whole_package_reads_compares_and_names(tmp_path: Path) -> None:
    plan = Plan(cut={3})
    board = assemble(open_package(write(tmp_path, plan, netlist_text(plan)), roles={}))
    assert [d.rule for d in board.defects if "netlist" in d.rule] == ["data.netlist-open"]
    assert "SIG_A" in board.net_names
    assert board.thickness == pytest.approx(1.55)
    assert [a.evidence for a in board.assumptions if a.subject == "board thickness"] == [
        "stated by a comment of the netlist"
    ]
    assert not [g for g in board.gaps if g.layer == "netlist"]
    stated = assemble(open_package(tmp_path, roles={}), thickness=0.8)
    assert (stated.thickness, stated.data_thickness) == (0.8, pytest.approx(1.55))
    assert [a.evidence for a in stated.assumptions if a.subject == "board thickness"] == [
        "stated by the user; the data says 1.55 mm (stated by a comment of the netlist)"
    ]


def test_without_plated_holes_opens_are_a_gap_and_shorts_are_still_told(tmp_path: Path) -> None:
    plan = Plan(undrilled=set(range(COUNT)), bridged={6})
    board = assemble(open_package(write(tmp_path, plan, netlist_text(plan)), roles={}))
    found = [d for d in board.defects if "netlist" in d.rule]
    assert [d.rule for d in found] == ["data.netlist-short"]
    assert (
        "open nets were not looked for"
        in next(g for g in board.gaps if g.layer == "netlist").reason
    )


def test_an_unreadable_netlist_is_a_defect_and_a_gap(tmp_path: Path) -> None:
    folder = write(tmp_path, Plan(), "P  UNITS CUST 1\nP  JOB   LAMP\n999\n")
    board = assemble(open_package(folder, roles={"board.ipc": "netlist"}))
    assert "data.unreadable-file" in {d.rule for d in board.defects if d.file == "board.ipc"}
    assert [f.read for f in board.files if f.name == "board.ipc"] == [False]


def test_a_few_points_are_compared_as_they_are(tmp_path: Path) -> None:
    rows = [record(327, "LAMP", "J1-1", 0, 0, "", 1), record(327, "LAMP", "J2-2", 10, 2, "", 2)]
    text = "\n".join(["P  UNITS CUST 1", *rows, "999"])
    (d,) = compare_netlist(build(tmp_path, Plan()), read_netlist(text.encode(), "two.ipc"))
    assert d.found == "net LAMP is open: 2 pieces of copper: 1 point (J1-1); 1 point (J2-2)" + (
        "; the copper comes within 1.400 mm at (3.000, 4.000) on conductor-1"
    )


def test_published_boards(boards: Path) -> None:
    """Ten and four layers, netlists of whoever designed them: all points land on copper, no
    net is open, and the only joined nets are four sensing pairs that meet in bow-tie shaped
    lands named SP1 to SP4 (seen in the image), joined on purpose."""
    sbc = assemble(open_package(boards / "sbc-10-layer", roles={}), workers=2)
    found = [d for d in sbc.defects if "netlist" in d.rule]
    assert [d.rule for d in found] == ["data.netlist-short"] * 4
    assert {re.search(r"points are (SP\d)-\d and \1-\d,", d.found)[1] for d in found} == {  # type: ignore[index]
        "SP1", "SP2", "SP3", "SP4",
    }  # fmt: skip
    four = assemble(open_package(boards / "four-layer-netlist", roles={}))
    found = [d for d in four.defects if "netlist" in d.rule]
    # Four slots of the netlist are in a rout file that gives its tool no size.
    assert [d.rule for d in found] == ["data.netlist-hole"]
    assert found[0].found.startswith("4 holes of the netlist are not among those read")
    assert four.thickness == pytest.approx(2.04216)
