"""Drill and rout records to holes, with their plating and span."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from dfmcheck.board.model import Holes, Layer
from dfmcheck.formats.records import Artwork, Drilling, HitKind, Kind, Objects
from dfmcheck.geometry.budget import check_objects
from dfmcheck.geometry.edges import CHORD_ERROR, coarse
from dfmcheck.geometry.flatten import flatten
from dfmcheck.geometry.segments import split_arc
from dfmcheck.terms import Assumption, Defect, Plating, Role, Weight

LARGEST = 50.0
"""A hole wider than this (mm) is an outline, not a hole: it is not measured as one."""
_NAMED = 8  # tools named in one sentence
_CODE = {Plating.PLATED: 1, Plating.UNPLATED: 0, Plating.UNKNOWN: -1}


def holes_of_drilling(
    drilling: Drilling, role: Role, conductors: int, file_row: int
) -> tuple[Holes, tuple[Defect, ...]]:
    """Holes of one Excellon file. Hits of a tool without size are left out and reported."""
    hits = drilling.hits
    n = len(hits)
    size = np.array([t.diameter if t.diameter else np.nan for t in drilling.tools] + [np.nan])
    stated = np.array([_CODE[Plating(t.plating)] for t in drilling.tools] + [-1], dtype=np.int8)
    number = np.array([t.number for t in drilling.tools] + [-1], dtype=np.int32)
    by_role = _CODE[_plating(role, drilling.attributes)]
    arcs = np.flatnonzero(hits.kind == HitKind.ROUT_ARC)
    others = np.flatnonzero(hits.kind != HitKind.ROUT_ARC)
    of_arc, chords = split_arc(
        hits.x0[arcs], hits.y0[arcs], hits.x1[arcs], hits.y1[arcs], hits.cx[arcs], hits.cy[arcs],
        hits.clockwise[arcs], CHORD_ERROR,
    )  # fmt: skip
    row = np.concatenate([others, arcs[of_arc]])
    straight = np.stack([getattr(hits, c)[others] for c in ("x0", "y0", "x1", "y1")], axis=-1)
    ends = np.concatenate([straight, chords])
    order = np.argsort(row, kind="stable")
    row, ends = row[order], ends[order]
    single = hits.kind[row] == HitKind.HIT
    ends[single, 2:] = ends[single, :2]
    tool = hits.tool[row]
    plated = np.where(stated[tool] >= 0, stated[tool], by_role).astype(np.int8)
    first, last = role.span or _stated_span(drilling, conductors) or (1, conductors)
    # A path of its own for every hit that is not part of a routed one.
    path = np.where(hits.path[row] >= 0, n + hits.path[row], row).astype(np.int32)
    holes = Holes(
        ends[:, 0],
        ends[:, 1],
        ends[:, 2],
        ends[:, 3], size[tool] / 2, plated,
        np.full(len(row), first, dtype=np.int32), np.full(len(row), last, dtype=np.int32),
        np.full(len(row), file_row, dtype=np.int32), number[tool].astype(np.int32),
        hits.line[row], path, np.full(len(row), -1, dtype=np.int32),
        np.full(len(row), coarse(drilling.resolution)),
    )  # fmt: skip
    holes, defects = _measurable(holes, drilling.file)
    return holes, (*defects, *_idle_tools(drilling), *_two_platings(drilling, by_role))


def _idle_tools(drilling: Drilling) -> tuple[Defect, ...]:
    used = set(np.unique(drilling.hits.tool).tolist())
    idle = [tool for row, tool in enumerate(drilling.tools) if row not in used]
    if not idle:
        return ()
    names = ", ".join(f"T{tool.number}" for tool in idle[:_NAMED])
    more = f" and {len(idle) - _NAMED} more" if len(idle) > _NAMED else ""
    return (
        Defect(
            "data.tool-idle", Weight.NOTE, f"tools without a hit: {names}{more}",
            "hits for every tool", "Look whether holes are missing from the file.",
            drilling.file, idle[0].line or None,
        ),
    )  # fmt: skip


def _two_platings(drilling: Drilling, by_role: int) -> tuple[Defect, ...]:
    """A tool stated plated in a file that is stated unplated, or the other way round."""
    used = set(np.unique(drilling.hits.tool).tolist())
    for row, tool in enumerate(drilling.tools):
        stated = _CODE[Plating(tool.plating)]
        if row in used and stated >= 0 and by_role >= 0 and stated != by_role:
            said = ("unplated", "plated")
            return (
                Defect(
                    "data.attribute-contradiction", Weight.QUERY,
                    f"tool T{tool.number} is stated to be {said[stated]}",
                    f"{said[by_role]}, as its file is",
                    "The tool's own statement was followed; ask which one holds.",
                    drilling.file, tool.line or None,
                ),
            )  # fmt: skip
    return ()


def _stated_span(drilling: Drilling, conductors: int) -> tuple[int, int] | None:
    """Span a comment of the drill file states, when the board has those layers."""
    stated = drilling.attributes.get("LayerSpan", ())
    if len(stated) != 2 or not all(text.isdigit() for text in stated):
        return None
    first, last = sorted(int(text) for text in stated)
    return (first, last) if 1 <= first < last <= conductors else None


def _plating(role: Role, attributes: object) -> Plating:
    if role.plating is not Plating.UNKNOWN:
        return role.plating
    function = attributes.get("FileFunction", ()) if isinstance(attributes, dict) else ()
    if function and function[0] == "Plated":
        return Plating.PLATED
    if function and function[0] == "NonPlated":
        return Plating.UNPLATED
    return Plating.UNKNOWN


def _measurable(holes: Holes, file: str) -> tuple[Holes, tuple[Defect, ...]]:
    defects: list[Defect] = []
    sizeless = np.isnan(holes.r) | (holes.r <= 0)
    if sizeless.any():
        defects.append(
            Defect(
                "data.tool-size", Weight.QUERY,
                f"{int(sizeless.sum())} hits or routed pieces with a tool that has no size",
                "a diameter for every tool",
                "They were not measured; ask for the tool list.",
                file, int(holes.line[np.flatnonzero(sizeless)[0]]),
            )
        )  # fmt: skip
    huge = holes.r * 2 > LARGEST
    if huge.any():
        k = int(np.flatnonzero(huge)[0])
        defects.append(
            Defect(
                "data.tool-size", Weight.QUERY,
                f"a hole of {2 * holes.r[k]:.3f} mm", f"no more than {LARGEST:.0f} mm",
                "It was not measured as a hole; ask whether it is an outline to be routed.",
                file, int(holes.line[k]),
            )
        )  # fmt: skip
    return holes.take(~sizeless & ~huge), tuple(defects)


def holes_of_artwork(
    artwork: Artwork, role: Role, conductors: int, file_row: int
) -> tuple[Holes, tuple[Defect, ...]]:
    """Holes of a drill layer in Gerber form: round flashes are holes, round draws are slots."""
    objects, defects = flatten(artwork)
    check_objects(objects, artwork)
    round_ = np.array([a.template == "C" for a in artwork.apertures] + [False], dtype=np.bool_)
    size = np.array(
        [a.values[0] if a.template == "C" else np.nan for a in artwork.apertures] + [np.nan]
    )
    code = np.array([a.code for a in artwork.apertures] + [-1], dtype=np.int32)
    plated = np.array([_by_function(a.function) for a in artwork.apertures] + [-1], dtype=np.int8)
    ok = round_[objects.aperture] & ((objects.kind == Kind.FLASH) | (objects.kind == Kind.DRAW))
    found = list(defects)
    if not ok.all():
        found.append(_not_holes(objects, ok, artwork.file))
    rows = np.flatnonzero(ok)
    aperture = objects.aperture[rows]
    first, last = role.span or (1, conductors)
    stated = plated[aperture]
    n = len(rows)
    holes = Holes(
        objects.x0[rows], objects.y0[rows], objects.x1[rows], objects.y1[rows],
        size[aperture] / 2,
        np.where(stated >= 0, stated, _CODE[_plating(role, artwork.attributes)]).astype(np.int8),
        np.full(n, first, dtype=np.int32), np.full(n, last, dtype=np.int32),
        np.full(n, file_row, dtype=np.int32), code[aperture], objects.line[rows],
        np.arange(n, dtype=np.int32), np.full(n, -1, dtype=np.int32),
        np.full(n, coarse(artwork.resolution)),
    )  # fmt: skip
    kept, more = _measurable(holes, artwork.file)
    return kept, (*found, *more)


def _by_function(function: str) -> int:
    head = function.split(",")
    if head[0] == "MechanicalDrill":
        return -1
    return 1 if head[0] in ("ViaDrill", "ComponentDrill", "BackDrill") else -1


def _not_holes(objects: Objects, ok: np.ndarray, file: str) -> Defect:
    k = int(np.flatnonzero(~ok)[0])
    return Defect(
        "data.illegal-construct", Weight.QUERY,
        f"{int((~ok).sum())} objects on a drill layer that are not round flashes or draws",
        "holes as round flashes, slots as round draws",
        "They were not measured as holes; ask for drill data.",
        file, int(objects.line[k]),
    )  # fmt: skip


def _ringed(holes: Holes, copper: tuple[Layer, ...]) -> np.ndarray:
    """Holes with copper all round, just outside their wall, on an outer layer."""
    steps = 12
    angle = np.arange(steps) * 2 * np.pi / steps
    reach = holes.r * 1.15 + 0.01
    x = (holes.x0[:, None] + reach[:, None] * np.cos(angle)).ravel()
    y = (holes.y0[:, None] + reach[:, None] * np.sin(angle)).ravel()
    tree = shapely.STRtree(shapely.points(x, y))
    out = np.zeros(len(holes), dtype=np.bool_)
    for layer in {id(copper[0]): copper[0], id(copper[-1]): copper[-1]}.values():
        on = np.zeros(len(x), dtype=np.bool_)
        on[tree.query(layer.image.parts, predicate="intersects")[1]] = True
        out |= on.reshape(-1, steps).all(axis=1)
    return out


def decide_plating(
    holes: Holes, copper: tuple[Layer, ...], files: tuple[str, ...]
) -> tuple[Holes, tuple[Assumption, ...]]:
    """Settle holes whose plating no source states, tool by tool, by the copper around them.

    A tool most of whose holes lie inside larger copper on an outer layer is taken as plated,
    any other as not plated; either is recorded with its evidence.
    """
    unknown = np.flatnonzero(holes.plated < 0)
    if len(unknown) == 0 or not copper:
        return holes, ()
    ringed = _ringed(holes, copper)
    plated = holes.plated.copy()
    assumptions: list[Assumption] = []
    key = np.stack([holes.file[unknown], holes.tool[unknown]], axis=-1)
    for file, tool in np.unique(key, axis=0).tolist():
        rows = unknown[(key == (file, tool)).all(axis=1)]
        share = float(ringed[rows].mean())
        # An unplated hole with copper all round is rare; a plated one without, on both outer
        # sides, is rarer still: mixed evidence speaks for plating.
        yes = share >= 0.25
        plated[rows] = 1 if yes else 0
        sure = len(copper) > 1 and (share > 0.95 or share < 0.05)
        assumptions.append(
            Assumption(
                f"plating of T{tool}", "plated" if yes else "unplated",
                f"{share:.0%} of its {len(rows)} holes have copper all round on an outer layer",
                files[file], 0.85 if sure else 0.6,
            )
        )  # fmt: skip
    return replace(holes, plated=plated), tuple(assumptions)
