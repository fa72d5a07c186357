"""Nets as somebody states them, held against nets of copper: opens and shorts with their place.

A claim says that the copper at one spot belongs to the net of a name: a test point of a
netlist, or an object with a net attribute. Either source is compared in the same way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board
from dfmcheck.board.net_gap import Approach, nearest_approach
from dfmcheck.board.net_graph import Joint, NetGraph, joints, net_graph
from dfmcheck.board.net_neck import Neck, neck_of
from dfmcheck.terms import Defect, Weight

LISTED = 20
"""Opens or shorts told one by one; the rest is counted."""
NAMED = 4
"""Points or nets named within one sentence."""
_CHAIN = 8  # shapes of a chain that are named
_FAR = 0.1  # mm; a gap wider than this is no slip of the artwork: a hole may be missing
Rows = npt.NDArray[Any]


@dataclass(frozen=True)
class Claims:
    """Spots and the net each is said to belong to; columns of equal length.

    Attributes
    ----------
    prefix : str
        Rule ids are ``data.<prefix>-open`` and ``data.<prefix>-short``.
    stated : str
        Who states it, as in "as the netlist states".
    names : tuple of str
    name : int32 (n,)
        Row in ``names``; -1 for a spot without a net.
    net : int32 (n,)
        Board net of the copper there; -1 for none.
    x, y : float64 (n,), mm
        In the files' coordinates.
    layer, row : intp (n,)
        What the spot lies on: place in ``board.copper`` (-1: a plated hole) and row in the
        layer's pieces or in ``board.holes``; row -1 where it is not known.
    line : int32 (n,)
    label : callable
        What a reader calls the spots of some rows, shortest first.
    file : callable
        The file a row stands in.
    lost : bool (n,)
        A spot whose plated hole is stated and not drilled.
    """

    prefix: str
    stated: str
    names: tuple[str, ...]
    name: Rows
    net: Rows
    x: Rows
    y: Rows
    layer: Rows
    row: Rows
    line: Rows
    label: Callable[[Rows], list[str]]
    file: Callable[[int], str]
    lost: Rows
    spot: str = "point"

    def told(self, rows: Rows) -> str:
        """``3 points (U1-1, U2-4 and R3-2)``."""
        s = "" if len(rows) == 1 else "s"
        return f"{len(rows)} {self.spot}{s} ({several(self.label(rows), 3)})"


def several(texts: Sequence[str], of: int = NAMED) -> str:
    """``A, B and 3 more``."""
    shown = list(texts[:of])
    if len(texts) > of:
        return f"{', '.join(shown)} and {len(texts) - of} more"
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def by(key: Rows, rows: Rows) -> dict[int, Rows]:
    """Rows grouped by key, in their order."""
    if len(rows) == 0:
        return {}
    order = np.argsort(key, kind="stable")
    values, start = np.unique(key[order], return_index=True)
    return dict(zip(values.tolist(), np.split(rows[order], start[1:]), strict=True))


def find_opens(board: Board, claims: Claims, rows: Rows) -> list[Defect]:
    """Names whose spots lie on more than one net of copper; those of most spots first."""
    pairs = np.unique(np.stack([claims.name[rows], claims.net[rows]], axis=-1), axis=0)
    names, count = np.unique(pairs[:, 0], return_counts=True)
    mine = rows[np.isin(claims.name[rows], names[count > 1])]
    groups = sorted(
        by(claims.name[mine], mine).values(),
        key=lambda g: (-len(g), claims.names[claims.name[g[0]]]),
    )
    out = [_open(board, claims, group) for group in groups[:LISTED]]
    if len(groups) > LISTED:
        rest = [claims.names[claims.name[g[0]]] for g in groups[LISTED:]]
        out.append(
            _defect(
                board, claims, int(groups[LISTED][0]), "open",
                f"{len(rest)} more open nets: {several(rest)}", f"nets as the {claims.stated}",
                "So many point to one cause, for example a missing layer or drill file.",
            )
        )  # fmt: skip
    return out


def _open(board: Board, claims: Claims, group: Rows) -> Defect:
    """One net in several pieces: what lies on each, and where they come nearest."""
    pieces = sorted(by(claims.net[group], group).values(), key=lambda g: (-len(g), int(g[0])))
    told = "; ".join(claims.told(g) for g in pieces[:NAMED])
    rest = f"; {len(pieces) - NAMED} more pieces" if len(pieces) > NAMED else ""
    name = claims.names[claims.name[group[0]]]
    nets = np.array([claims.net[g[0]] for g in pieces])
    near: list[tuple[Approach, int]] = []
    for k in range(len(pieces) - 1, max(len(pieces) - NAMED, 0), -1):
        found = nearest_approach(board, int(nets[k]), np.delete(nets, k))
        if found is not None:
            near.append((found, int(pieces[k][0])))
    # Two pieces are each other's nearest: one line tells of both.
    near = list({_key(a): (a, row) for a, row in reversed(near)}.values())
    lost = group[claims.lost[group]]
    text = f"net {name} is open: {len(pieces)} pieces of copper: {told}{rest}"
    if not near:
        return _defect(board, claims, int(pieces[-1][0]), "open", text, *_expected(claims.stated))
    lead, row = min(near, key=lambda item: item[0].width)
    words = [_approach_words(board, a) for a, _ in sorted(near, key=lambda i: i[0].width)]
    if len(lost) and (lead.width > _FAR or lead.layer != lead.other):
        k = int(lost[0])
        place = _at(board, float(claims.x[k]), float(claims.y[k]))
        words.insert(0, f"the hole of {claims.label(lost[:1])[0]} at {place} is not drilled")
        at = float(claims.x[k]), float(claims.y[k])
        lead = Approach(at, at, 0.0, lead.layer, lead.other)
    layer = board.copper[lead.layer].name if lead.layer == lead.other else ""
    return _defect(
        board, claims, row, "open", f"{text}; {'; '.join(words)}", *_expected(claims.stated),
        layer=layer, line=(*lead.p, *lead.q),
    )  # fmt: skip


def _expected(stated: str) -> tuple[str, str]:
    return (
        f"one connected piece, as the {stated}",
        "Ask which of artwork, drill data and net names holds.",
    )


def _key(a: Approach) -> tuple[float, ...]:
    return tuple(round(v, 4) for v in (*a.middle, a.width))


def _approach_words(board: Board, a: Approach) -> str:
    place = _at(board, *a.middle)
    if a.hole >= 0:
        h = board.holes
        file = board.drill_files[int(h.file[a.hole])]
        return (
            f"both sides meet at the hole at {place}, which is not plated "
            f"({file}, line {h.line[a.hole]})"
        )
    if a.layer == a.other:
        return (
            f"the copper comes within {a.width:.3f} mm at {place} on {board.copper[a.layer].name}"
        )
    how = (
        f"come within {a.width:.3f} mm, seen from above," if a.width > 0 else "lie over each other"
    )
    one, two = board.copper[a.layer].name, board.copper[a.other].name
    return f"{one} and {two} {how} at {place}, where no plated hole joins them"


def find_shorts(
    board: Board, claims: Claims, rows: Rows, tied: Callable[[int, int], bool] | None = None
) -> list[Defect]:
    """Nets of copper that hold spots of several names; those of most names first.

    ``tied(one, two)`` tells whether two names are joined on purpose.
    """
    pairs = np.unique(np.stack([claims.name[rows], claims.net[rows]], axis=-1), axis=0)
    nets, count = np.unique(pairs[:, 1], return_counts=True)
    mine = rows[np.isin(claims.net[rows], nets[count > 1])]
    groups = []
    for net, group in by(claims.net[mine], mine).items():
        sides = by(claims.name[group], group)
        if tied is not None and _all_tied(list(sides), tied):
            continue
        groups.append(
            (net, sorted(sides.values(), key=lambda s: (-len(s), claims.names[claims.name[s[0]]])))
        )
    groups.sort(key=lambda item: (-len(item[1]), int(item[1][0][0])))
    out = [_short(board, claims, net, sides, tied) for net, sides in groups[:LISTED]]
    if len(groups) > LISTED:
        out.append(
            _defect(
                board, claims, int(groups[LISTED][1][0][0]), "short",
                f"{len(groups) - LISTED} more groups of joined nets",
                f"nets as the {claims.stated}",
                "So many point to one cause, for example layers of different revisions.",
            )
        )  # fmt: skip
    return out


def _all_tied(names: list[int], tied: Callable[[int, int], bool]) -> bool:
    return all(tied(a, b) for k, a in enumerate(names) for b in names[k + 1 :])


def _short(
    board: Board, claims: Claims, net: int, sides: list[Rows],
    tied: Callable[[int, int], bool] | None,
) -> Defect:  # fmt: skip
    """Names on one net of copper: the narrowest place of what joins them, and its shapes."""
    graph = net_graph(board, net)
    found = _joined(board, claims, graph, sides, tied)
    names = several([claims.names[claims.name[s[0]]] for s in sides])
    row, near, other = nearest_spots(claims, sides[:LISTED])
    text = f"nets {names} are joined"
    layers = list(dict.fromkeys(board.copper[n.layer].name for _, n in found if n.layer >= 0))
    if layers:
        text += f" on {several(layers)}"
    text += (
        f"; their nearest {claims.spot}s are {claims.label(np.array([row]))[0]} and "
        f"{claims.label(np.array([other]))[0]}, {near:.3f} mm apart"
    )
    action = "Ask whether they are joined on purpose; if not, the artwork must be changed."
    expected = f"nets apart, as the {claims.stated}"
    if not found:
        return _defect(board, claims, row, "short", text, expected, action)
    for joint, neck in found[:NAMED]:
        one, two = (claims.names[n] for n in joint.names)
        which = f" between {one} and {two}" if len(found) > 1 else ""
        more = f" (and at {joint.count - 1} more places)" if joint.count > 1 else ""
        text += (
            f"; the joint{which} is {neck.width:.3f} mm wide at {_at(board, *neck.middle)}{more}"
        )
    if len(found) > NAMED:
        text += f"; {len(found) - NAMED} more joints"
    joint, neck = found[0]
    return _defect(
        board, claims, row, "short", text, expected, action,
        layer=layers[0] if len(layers) == 1 else "", line=(*neck.p, *neck.q),
        detail=_chain(board, graph, joint),
    )  # fmt: skip


def _joined(
    board: Board, claims: Claims, graph: NetGraph, sides: list[Rows],
    tied: Callable[[int, int], bool] | None,
) -> list[tuple[Joint, Neck]]:  # fmt: skip
    node = {
        key: n for n, key in enumerate(zip(graph.layer.tolist(), graph.row.tolist(), strict=True))
    }
    points: dict[int, Rows] = {}
    for side in sides:
        met = {
            node[key]
            for key in zip(claims.layer[side].tolist(), claims.row[side].tolist(), strict=True)
            if key in node
        }
        if met:
            points[int(claims.name[side[0]])] = np.array(sorted(met))
    if len(points) < 2:
        return []
    found = [
        (joint, neck_of(board, graph, joint))
        for joint in joints(graph, points)
        if tied is None or not tied(*joint.names)
    ]
    return sorted(found, key=lambda item: item[1].width)


def nearest_spots(claims: Claims, sides: list[Rows]) -> tuple[int, float, int]:
    """Nearest pair of spots of two names: row of the one, distance, row of the other."""
    at = np.stack([claims.x, claims.y], axis=-1)
    best = (int(sides[0][0]), np.inf, int(sides[1][0]))
    # The smaller nets are each held against all larger ones together.
    for n in range(1, len(sides)):
        others = np.concatenate(sides[:n])
        from scipy.spatial import KDTree  # loads slowly, and is needed for opens only

        distance, hit = map(np.asarray, KDTree(at[others]).query(at[sides[n]]))
        k = int(np.argmin(distance))
        if distance[k] < best[1]:
            best = (int(sides[n][k]), float(distance[k]), int(others[hit[k]]))
    return best


def _chain(board: Board, graph: NetGraph, joint: Joint) -> str:
    """Every shape from access point to access point: layer, file line, aperture, or hole."""
    words: list[str] = []
    before = -2
    for node in joint.chain:
        layer, row = int(graph.layer[node]), int(graph.row[node])
        if layer < 0:
            h = board.holes
            words.append(
                f"hole {2 * h.r[row]:.3f} mm ({board.drill_files[int(h.file[row])]}, "
                f"line {h.line[row]})"
            )
        else:
            image = board.copper[layer].image
            code = int(image.code[row])
            where = "" if layer == before else f"{board.copper[layer].name} ({image.file}) "
            words.append(f"{where}line {image.line[row]} {f'D{code}' if code >= 0 else 'region'}")
        before = layer
    if len(words) > _CHAIN:
        # What matters lies about the joint, not at the access points.
        start = min(max(joint.first - _CHAIN // 4, 0), len(words) - _CHAIN)
        shown = words[start : start + _CHAIN]
        left = [f"{start} shapes"] if start else []
        right = [f"{len(words) - start - _CHAIN} shapes"] if start + _CHAIN < len(words) else []
        words = [*left, *shown, *right]
    return f"Shapes from one net to the other: {' – '.join(words)}."


def _at(board: Board, x: float, y: float) -> str:
    return f"({x - board.origin[0]:.3f}, {y - board.origin[1]:.3f})"


def _defect(
    board: Board, claims: Claims, row: int, what: str, found: str, expected: str, action: str,
    *, layer: str = "", line: tuple[float, ...] | None = None, detail: str = "",
) -> Defect:  # fmt: skip
    ox, oy = board.origin
    if line is None:
        x, y, ends = float(claims.x[row]) - ox, float(claims.y[row]) - oy, None
    else:
        x0, y0, x1, y1 = line[0] - ox, line[1] - oy, line[2] - ox, line[3] - oy
        x, y, ends = (x0 + x1) / 2, (y0 + y1) / 2, (x0, y0, x1, y1)
    return Defect(
        f"data.{claims.prefix}-{what}", Weight.HOLD, found, expected, action, claims.file(row),
        int(claims.line[row]), layer, x, y, ends, detail,
    )  # fmt: skip
