"""What is found does not hang on how the board lies, or on how its files were written.

Random boards are moved, turned, mirrored, written in inch, in another order, or with every
draw split in two; the same findings must come out, at the place the move takes them to.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Finding
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from tests.outside.board_strategies import plans
from tests.outside.boards import Boards, Draw, Plan
from tests.rewrite import SQUARE, Change, offset

VALUE = 1e-4
NEAR = 1.7
"""mm, the longest land. Along parallel outlines every point is as tight as the next, and which
of them is told is free."""
CHANGES: dict[str, Change] = {
    "moved": offset(13.37, -4.21),
    "written in inch": Change(inch=True),
    **SQUARE,
    "mirrored, moved and in inch": Change(a=-1.0, dx=31.7, dy=2.3, inch=True),
}
WHOLE = (
    "rout.board-size", "etch.copper-share", "etch.local-share", "press.",
    "plate.isolation",  # which of equally lonely holes stands for them is free
)  # fmt: skip
"""Rules about the board as a whole: their point is a corner of the datum."""
STEPS = ("etch.conductor-width", "etch.conductor-spacing", "etch.notch", "plate.annular-ring",
         "drill.hole-to-copper", "drill.hole-to-hole", "drill.aspect-ratio", "mask.web",
         "mask.clearance", "rout.copper-to-profile")  # fmt: skip
some = settings(
    max_examples=8, deadline=None, derandomize=True, database=None,
    suppress_health_check=list(HealthCheck), phases=(Phase.explicit, Phase.generate),
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Boards:
    return Boards(tmp_path_factory.mktemp("boards"))


def findings(folder: Boards, plan: Plan) -> list[Finding]:
    shop = load_shop("prototype")
    screening = screen(
        folder.write(plan), thickness=1.6, reach=shop.limit_reach(), workers=1
    )  # fmt: skip
    return list(judge(screening, shop, rules=rules()).findings)


def assert_same(
    first: list[Finding], second: list[Finding], a: Plan, b: Plan, move: Change
) -> None:
    def told(one: list[Finding]) -> list[tuple[Any, ...]]:
        return sorted((f.rule, f.layer, f.severity) for f in one)

    assert told(first) == told(second)
    left = list(second)
    for mine in first:
        if mine.x is None or mine.y is None or mine.rule.startswith(WHOLE):
            continue
        at = move.at(mine.x + a.origin[0], mine.y + a.origin[1])
        x, y = at[0] - b.origin[0], at[1] - b.origin[1]
        alike = [
            f
            for f in left
            if (f.rule, f.layer, f.severity) == (mine.rule, mine.layer, mine.severity)
            and f.x is not None
            and f.y is not None
            and _equal(f, mine)
            and _within(f, x, y)
        ]
        assert alike, (mine.message, (x, y), [f.message for f in left if f.rule == mine.rule])
        left.remove(min(alike, key=lambda f: abs((f.x or 0) - x) + abs((f.y or 0) - y)))


def _equal(a: Finding, b: Finding) -> bool:
    if a.raw is None or b.raw is None:
        return a.raw is b.raw
    # Chords of a turned circle lie elsewhere: by no more than what is stated. A step of 2.5 nm
    # turns the point where a hole leaves its land by some thousandths of a degree.
    slack = 0.01 if a.unit == "deg" else VALUE
    return abs(a.raw - b.raw) <= slack + a.uncertainty + b.uncertainty


def _within(other: Finding, x: float, y: float) -> bool:
    """Whether a point lies where the other finding was seen."""
    if other.bbox is None:
        return True
    x0, y0, x1, y1 = other.bbox
    return x0 - NEAR <= x <= x1 + NEAR and y0 - NEAR <= y <= y1 + NEAR


@pytest.mark.parametrize("change", CHANGES)
@some
@given(plan=plans(most=7))
def test_findings_follow_the_board(folder: Boards, change: str, plan: Plan) -> None:
    move = CHANGES[change]
    moved = plan.moved(move)
    first = findings(folder, plan)
    assert_same(first, findings(folder, moved), plan, moved, move)


@some
@given(plan=plans(most=7, clear=False), data=st.data())
def test_order_of_objects(folder: Boards, plan: Plan, data: st.DataObject) -> None:
    """All dark, so that the image does not hang on the order."""
    other = replace(
        plan,
        top=tuple(data.draw(st.permutations(plan.top))),
        bottom=tuple(data.draw(st.permutations(plan.bottom))),
        mask=tuple(data.draw(st.permutations(plan.mask))),
        holes=tuple(data.draw(st.permutations(plan.holes))),
    )
    assert_same(findings(folder, plan), findings(folder, other), plan, other, Change())


@some
@given(plan=plans(most=7, clear=False))
def test_draws_split_in_two(folder: Boards, plan: Plan) -> None:
    halves = tuple(h for o in plan.top for h in (o.halves() if isinstance(o, Draw) else (o,)))
    split = replace(plan, top=halves)
    assert_same(findings(folder, plan), findings(folder, split), plan, split, Change())


@some
@given(plan=plans(most=9))
def test_there_is_something_to_find(folder: Boards, plan: Plan) -> None:
    """The boards these tests run on are not clean: otherwise they would show nothing."""
    if len(plan.top) > 3:
        assert any(f.rule in STEPS for f in findings(folder, plan))
