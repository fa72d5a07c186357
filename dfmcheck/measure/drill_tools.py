"""Drill: the tools. Smallest and largest hole, slots, how many tools and how far apart."""

from __future__ import annotations

import numpy as np

from dfmcheck.board.model import Board
from dfmcheck.measure.at_holes import at_holes, counted, lengths, path_numbers
from dfmcheck.measure.common import Floats, Rows
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

_NM = 1e-6
_STRAIGHT = 1e-5
"""A routed path is one straight slot where no point of it lies further off its line, mm."""

SMALLEST = Rule(
    id="drill.smallest-diameter",
    step=Step.DRILL,
    looks_at="drill",
    quantity="drill diameter",
    unit="mm",
    direction="at-least",
    on_the_floor="A drill this thin wanders and breaks, and panels can not be stacked for it: "
    "each hole costs several times the normal.",
    change="Use a larger hole, or ask for a tier that drills this size.",
    who="ask",
    front_end="May take the next drill up where land and tolerance allow; must ask otherwise.",
    source="common practice",
    allowance="grown",
)

LARGEST = Rule(
    id="drill.largest-diameter",
    step=Step.DRILL,
    looks_at="drill",
    quantity="drill diameter",
    unit="mm",
    direction="at-most",
    on_the_floor="There is no drill of this size in the magazine: the hole has to be routed or "
    "nibbled, with a wider tolerance and a rougher wall.",
    change="State whether the tolerance of a routed hole will do, or draw it as a cut-out.",
    who="edit",
    front_end="May rout the hole where no close tolerance is stated; must ask for a press fit.",
    source="common practice",
    allowance="grown",
    weight=Weight.QUERY,
)


@measures(SMALLEST, LARGEST)
def drill_diameters(board: Board, reach: float) -> Places:
    """Diameter of every tool that drills round holes: one place per tool, at its first hole.

    The kind tells how many holes it drills; ``reach`` does not apply.
    """
    row, count = _tools(board, np.flatnonzero(lengths(board.holes) == 0))
    return Places.concat(
        [
            Places.of(
                rule=rule.id,
                kind=counted("hole", count),
                value=2 * board.holes.r[row],
                uncertainty=0.0,
                **at_holes(board, row),
            )
            for rule in (SMALLEST, LARGEST)
        ]
    )


def _tools(board: Board, rows: Rows) -> tuple[Rows, Rows]:
    """First hole of every tool among ``rows``, and how many paths or hits it makes."""
    holes = board.holes
    _, first = np.unique(path_numbers(holes)[rows], return_index=True)
    rows = rows[np.sort(first)]
    key = np.stack(
        [holes.file[rows], holes.tool[rows], holes.plated[rows], np.rint(holes.r[rows] / _NM)], -1
    )
    _, first, count = np.unique(key, axis=0, return_index=True, return_counts=True)
    return rows[first], count


SLOT_WIDTH = Rule(
    id="drill.slot-width",
    step=Step.DRILL,
    looks_at="drill",
    quantity="slot width",
    unit="mm",
    direction="at-least",
    on_the_floor="A slot is cut with a slot drill or a cutter of its own width; a thin one bends "
    "sideways and breaks, and the slot comes out short and crooked.",
    change="Widen the slot.",
    who="ask",
    front_end="Must ask before a slot is widened; a terminal may no longer be held.",
    source="common practice",
    allowance="grown",
)


@measures(SLOT_WIDTH)
def slot_width(board: Board, reach: float) -> Places:
    """Width of every tool that cuts slots or routed paths: one place per tool.

    The kind tells how many it cuts; ``reach`` does not apply.
    """
    row, count = _tools(board, np.flatnonzero(lengths(board.holes) > 0))
    return Places.of(
        rule=SLOT_WIDTH.id,
        kind=counted("slot", count),
        value=2 * board.holes.r[row],
        **at_holes(board, row),
    )


SLOT_RATIO = Rule(
    id="drill.slot-ratio",
    step=Step.DRILL,
    looks_at="drill",
    quantity="length of a slot over its width",
    unit="1",
    direction="at-least",
    on_the_floor="In a short slot the second stroke falls half into the hole of the first: the "
    "drill runs off towards it, and the slot comes out turned and oval.",
    change="Make the slot at least twice as long as wide, or use a round hole.",
    who="ask",
    front_end="May rout a short slot with a smaller cutter where its radii allow; must ask before "
    "its length is changed.",
    source="common practice: a slot is at least twice as long as wide",
    weight=Weight.QUERY,
)


@measures(SLOT_RATIO)
def slot_ratio(board: Board, reach: float) -> Places:
    """Overall length over width of straight slots at the size in the file.

    One place per tool and length; the kind tells how many. A path that bends is a cut-out, not
    a slot. ``reach`` does not apply.
    """
    holes = board.holes
    rows, length = _straight_slots(board)
    if len(rows) == 0:
        return Places.empty()
    key = np.stack([holes.file[rows], holes.tool[rows], np.rint(length / 1e-3)], axis=-1)
    _, first, count = np.unique(key, axis=0, return_index=True, return_counts=True)
    row = rows[first]
    size = 2 * holes.r[row]
    # An end that lies half a step of a coarse grid off makes the slot so much longer.
    return Places.of(
        rule=SLOT_RATIO.id,
        kind=counted("slot", count),
        value=(length[first] + size) / size,
        uncertainty=2 * holes.error[row] / size,
        **at_holes(board, row),
    )


def _straight_slots(board: Board) -> tuple[Rows, Floats]:
    """First piece of every path that is one straight stroke, and the stroke's length."""
    holes = board.holes
    order = np.argsort(path_numbers(holes), kind="stable")
    _, start, count = np.unique(
        path_numbers(holes)[order], return_index=True, return_counts=True
    )  # fmt: skip
    rows: list[int] = []
    length: list[float] = []
    # Most are round holes: one piece of no length.
    long = (holes.x0 != holes.x1) | (holes.y0 != holes.y1)
    some = np.flatnonzero((count > 1) | long[order[start]])
    for s, n in zip(start[some].tolist(), count[some].tolist(), strict=True):
        piece = order[s : s + n]
        points = np.concatenate(
            [
                np.stack([holes.x0[piece], holes.y0[piece]], axis=-1),
                np.stack([holes.x1[piece], holes.y1[piece]], axis=-1),
            ]
        )
        away = np.hypot(*(points - points[0]).T)
        end = points[int(np.argmax(away))] - points[0]
        far = float(away.max())
        if far == 0:
            continue
        off = np.abs((points - points[0]) @ np.array([-end[1], end[0]])) / far
        if float(off.max()) > _STRAIGHT:
            continue
        along = (points - points[0]) @ end / far
        rows.append(int(piece[0]))
        length.append(float(np.ptp(along)))
    return np.array(rows, dtype=np.intp), np.array(length)


COUNT = Rule(
    id="drill.tool-count",
    step=Step.DRILL,
    looks_at="drill",
    quantity="drill sizes in one drill file",
    unit="count",
    direction="at-most",
    on_the_floor="The magazine does not hold so many tools: the machine stops for a change by "
    "hand on every panel.",
    change="Bring hole sizes together.",
    who="edit",
    front_end="May bring sizes together whose tolerances overlap.",
    source="common practice",
    weight=Weight.NOTE,
)

SPACING = Rule(
    id="drill.tool-spacing",
    step=Step.DRILL,
    looks_at="drill",
    quantity="difference of two drill sizes",
    unit="mm",
    direction="at-least",
    on_the_floor="Drills come in steps of 0.05 mm: both sizes are drilled with one drill, or two "
    "drills nobody can tell apart are loaded side by side.",
    change="Use one size for both, or state why they differ.",
    who="edit",
    front_end="May drill both with one tool where neither is a press fit.",
    source="common practice (metric drills in steps of 0.05 mm)",
    weight=Weight.NOTE,
)


@measures(COUNT, SPACING)
def tool_table(board: Board, reach: float) -> Places:
    """Number of sizes per drill file, and the step between neighbouring sizes of one plating.

    Two tools of one size are not counted twice: they often part holes of two functions. Nor is a
    step told again that an earlier file of the same role has, too: one question answers both,
    and a package may hold its drilling in two forms. ``reach`` does not apply.
    """
    holes = board.holes
    tables: list[Places] = []
    told: set[tuple[str, int, int, int]] = set()
    size = np.rint(2 * holes.r / _NM).astype(np.int64)
    for file in np.unique(holes.file).tolist():
        rows = np.flatnonzero(holes.file == file)
        sizes, first = np.unique(size[rows], return_index=True)
        tables.append(
            Places.of(
                rule=COUNT.id,
                value=np.array([float(len(sizes))]),
                **at_holes(board, rows[first[:1]]),
            )
        )
        for plated in np.unique(holes.plated[rows]).tolist():
            mine = rows[holes.plated[rows] == plated]
            _, first = np.unique(size[mine], return_index=True)
            row = mine[first]
            small, large = row[:-1], row[1:]
            steps = [
                (board.drill_roles[file], plated, a, b)
                for a, b in zip(size[small].tolist(), size[large].tolist(), strict=True)
            ]
            new = np.array([step not in told for step in steps], dtype=np.bool_)
            told.update(steps)
            small, large = small[new], large[new]
            if len(small) == 0:
                continue
            columns = at_holes(board, small)
            columns |= {"file_b": columns["file_a"], "line_b": holes.line[large]}
            tables.append(
                Places.of(
                    rule=SPACING.id,
                    kind=np.array(
                        [
                            f"{2 * a:.3f} and {2 * b:.3f} mm"
                            for a, b in zip(holes.r[small], holes.r[large], strict=True)
                        ],
                        dtype=object,
                    ),
                    value=2 * (holes.r[large] - holes.r[small]),
                    code_b=holes.tool[large],
                    **columns,
                )
            )
    return Places.concat(tables)
