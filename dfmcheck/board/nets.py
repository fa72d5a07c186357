"""Which copper is connected: parts that touch, through plated holes, across the stack."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Holes, Layer
from dfmcheck.geometry.depth import part_at
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.gaps import gaps_between
from dfmcheck.geometry.groups import connected
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.index import Recent
from dfmcheck.geometry.outlines import capsules
from dfmcheck.terms import Side

Ints = npt.NDArray[np.int32]


def hole_polygons(holes: Holes, rows: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Polygons of holes at the size in the file."""
    columns = (holes.x0, holes.y0, holes.x1, holes.y1, holes.r)
    return np.asarray(_POLYGONS.of(columns, lambda: _every_polygon(holes))[rows])


def holes_met(holes: Holes, image: Image) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Pairs of a part of the image and a hole it reaches into, whatever layers the hole spans."""
    columns = (holes.x0, holes.y0, holes.x1, holes.y1, holes.r, image.parts)
    return _MET.of(columns, lambda: _meeting(holes, image))


def _meeting(holes: Holes, image: Image) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    parts = image.parts
    if len(parts) == 0 or len(holes) == 0:
        none = np.empty(0, dtype=np.intp)
        return none, none
    part = part_at(parts, holes.x0, holes.y0)
    hole = np.flatnonzero(part >= 0)
    centred = part[hole] * len(holes) + hole
    # Any other part it meets has an outline in it; there are few.
    near = gaps_between(holes.edges, image.edges, 2 * CHORD_ERROR)
    other = image.part[image.edges.piece[near.b]].astype(np.intp) * len(holes) + near.a
    part, hole = np.divmod(np.setdiff1d(other, centred), len(holes))
    met = shapely.intersects(parts[part], hole_polygons(holes, hole))
    part, hole = np.divmod(np.union1d(centred, part[met] * len(holes) + hole[met]), len(holes))
    return part, hole


def _meet_all(holes: Holes, copper: Sequence[Layer], workers: int) -> None:
    """Ask for the holes every layer meets, some layers at a time: much of the search leaves the
    interpreter to others while it runs."""
    if workers <= 1 or len(copper) < 3 or len(holes) == 0:
        return
    hole_polygons(holes, np.empty(0, dtype=np.intp))
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(lambda layer: holes_met(holes, layer.image), copper))


_MET: Recent[tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]] = Recent(64)
_POLYGONS: Recent[npt.NDArray[Any]] = Recent(2)


def _every_polygon(holes: Holes) -> npt.NDArray[Any]:
    out = np.empty(len(holes), dtype=object)
    segments = np.stack([holes.x0, holes.y0, holes.x1, holes.y1], axis=-1)
    for r in np.unique(holes.r).tolist():
        same = holes.r == r
        out[same] = capsules(segments[same], r)
    return out


def crossing(holes: Holes, a: npt.NDArray[Any], b: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Whether holes ``a`` and ``b`` have a stretch of board between two conductors in common."""
    low = np.maximum(holes.first[a], holes.first[b])
    return np.asarray(low < np.minimum(holes.last[a], holes.last[b]))


def connect(
    copper: Sequence[Layer], holes: Holes, workers: int = 1
) -> tuple[tuple[Layer, ...], Holes, tuple[str, ...]]:
    """Give every component and every plated hole a net.

    A plated hole joins the copper its wall meets on every conductor of its span; holes that
    run into each other (the pieces of a routed slot, overlapping hits) share one wall. Nets take
    the name most of their objects carry by attribute (.N); others are called ``net 1`` … in
    the order of their lowest left-most copper, so that names do not hang on file order.
    """
    base = np.cumsum([0] + [int(layer.image.component.max(initial=-1)) + 1 for layer in copper])
    total = int(base[-1])
    plated = np.flatnonzero(holes.plated == 1)
    nodes_a: list[Any] = [np.empty(0, dtype=np.int64)]
    nodes_b: list[Any] = [np.empty(0, dtype=np.int64)]
    discs = hole_polygons(holes, plated)
    _meet_all(holes, copper, workers)
    tree = shapely.STRtree(discs) if len(discs) else None
    for number, layer in enumerate(copper, start=1):
        part, hole = holes_met(holes, layer.image)
        crossed = (holes.first[hole] <= number) & (holes.last[hole] >= number)
        crossed &= holes.plated[hole] == 1
        hole = hole[crossed]
        nodes_a.append(total + hole.astype(np.int64))
        nodes_b.append(base[number - 1] + layer.image.component[part[crossed]].astype(np.int64))
    if tree is not None:
        one, two = tree.query(discs, predicate="intersects")
        one, two = plated[one], plated[two]
        same = (one < two) & crossing(holes, one, two)
        nodes_a.append(total + one[same].astype(np.int64))
        nodes_b.append(total + two[same].astype(np.int64))
    size = total + len(holes)
    a, b = np.concatenate(nodes_a), np.concatenate(nodes_b)
    label = connected(size, a, b)
    keep, names = _names(copper, base, label)
    out_layers = tuple(
        replace(layer, net=keep[label[base[i] : base[i + 1]]]) for i, layer in enumerate(copper)
    )
    # A hole that meets no copper is a net of its own kind, without copper and so without name.
    net = keep[label[total:]].astype(np.int32)
    return out_layers, replace(holes, net=net), names


def joined_nets(
    copper: Sequence[Layer], masks: Sequence[Layer], holes: Holes, count: int
) -> npt.NDArray[np.bool_]:
    """Which nets hold a plated hole or a land the mask opens; the rest is letters and fill.

    Without mask data every flash counts as a land.
    """
    out = np.zeros(count, dtype=np.bool_)
    out[holes.net[holes.net >= 0]] = True
    if not copper:
        return out
    if not masks:
        for layer in copper:
            lands = np.flatnonzero(layer.image.flash)
            out[layer.net[layer.image.piece_component[lands]]] = True
    for mask in masks:
        layer = copper[0] if mask.role.side is Side.TOP else copper[-1]
        openings = np.concatenate([mask.image.parts, mask.image.pieces])
        if len(openings) == 0 or len(layer.image.parts) == 0:
            continue
        centres = shapely.STRtree(shapely.centroid(openings))
        part = centres.query(layer.image.parts, predicate="intersects")[0]
        out[layer.net[layer.image.component[np.unique(part)]]] = True
    return out


def _names(
    copper: Sequence[Layer], base: npt.NDArray[Any], label: npt.NDArray[Any]
) -> tuple[Ints, tuple[str, ...]]:
    """Renumber labels that hold copper 0 … and name them."""
    total = int(base[-1])
    labels = np.unique(label[:total])
    keep = np.full(int(label.max(initial=-1)) + 1, -1, dtype=np.int32)
    keep[labels] = np.arange(len(labels), dtype=np.int32)
    votes: dict[int, Counter[str]] = {}
    corner = np.full((len(labels), 3), np.inf)
    for i, layer in enumerate(copper):
        image = layer.image
        if len(image.parts) == 0:
            continue
        of_part = keep[label[base[i] + image.component]]
        bounds = shapely.bounds(image.parts)
        order = np.lexsort((bounds[:, 0], bounds[:, 1]))
        for p in order.tolist():
            n = int(of_part[p])
            if corner[n, 0] == np.inf:
                corner[n] = (i, bounds[p, 1], bounds[p, 0])
        named = np.flatnonzero(image.net >= 0)
        nets = of_part[image.part[named]]
        pairs, count = np.unique(
            np.stack([nets, image.net[named]], axis=-1), axis=0, return_counts=True
        )
        for (n, name), k in zip(pairs.tolist(), count.tolist(), strict=True):
            text = image.nets[name]
            if text and text != "N/C":
                votes.setdefault(n, Counter())[text] += k
    names = [""] * len(labels)
    used: Counter[str] = Counter()
    for n in sorted(votes):
        names[n] = sorted(votes[n].items(), key=lambda item: (-item[1], item[0]))[0][0]
        used[names[n]] += 1
    number = 0
    for n in np.lexsort((corner[:, 2], corner[:, 1], corner[:, 0])).tolist():
        if not names[n]:
            number += 1
            names[n] = f"net {number}"
    return keep, tuple(names)
