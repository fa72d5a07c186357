"""Blocks and step-and-repeats written out: every object at its place, in painting order."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from dfmcheck.formats.limits import MOST_NESTING, MOST_OBJECTS
from dfmcheck.formats.records import Artwork, Kind, Objects
from dfmcheck.terms import Defect, Weight


def flatten(artwork: Artwork) -> tuple[Objects, tuple[Defect, ...]]:
    """Top-level objects with every flash of a block replaced by the block's objects.

    A flash of a block made with clear polarity toggles the polarity of the block's objects;
    mirror, then scale, then rotation apply to the block (Gerber Layer Format Specification
    4.11). Returns the objects and a defect where the expansion was cut short.
    """
    blocks = np.array([a.block for a in artwork.apertures], dtype=np.int64)
    if not (blocks >= 0).any():
        return _regions_at_origin(artwork.objects), ()
    artwork = replace(artwork, blocks=tuple(_regions_at_origin(b) for b in artwork.blocks))
    budget = [MOST_OBJECTS]
    objects = _expand(_regions_at_origin(artwork.objects), artwork, blocks, budget, 0)
    if budget[0] >= 0:
        return objects, ()
    return objects, (
        Defect(
            "data.illegal-construct",
            Weight.HOLD,
            f"blocks and repeats that write out more than {MOST_OBJECTS} objects",
            "an amount a board can hold",
            "Ask for the data without nested repeats; the file was read only in part.",
            artwork.file,
        ),
    )


def _regions_at_origin(objects: Objects) -> Objects:
    """A region takes no transform itself; its row then carries the one of its block."""
    region = objects.kind == Kind.REGION
    if not region.any():
        return objects
    zeroed = {n: np.where(region, 0.0, getattr(objects, n)) for n in ("x0", "y0", "x1", "y1")}
    return replace(
        objects,
        **zeroed,
        mirror=np.where(region, 0, objects.mirror).astype(np.uint8),
        rotation=np.where(region, 0.0, objects.rotation),
        scale=np.where(region, 1.0, objects.scale),
    )


def _expand(
    objects: Objects, artwork: Artwork, blocks: np.ndarray, budget: list[int], depth: int
) -> Objects:
    is_flash = objects.kind == Kind.FLASH
    block = np.full(len(objects), -1, dtype=np.int64)
    rows = np.flatnonzero(is_flash & (objects.aperture >= 0))
    block[rows] = blocks[objects.aperture[rows]]
    at = np.flatnonzero(block >= 0)
    if len(at) == 0 or depth > MOST_NESTING:
        budget[0] -= len(objects)
        return objects
    plain = np.flatnonzero(block < 0)
    tables, keys = [objects.take(plain)], [plain]
    for number in np.unique(block[at]).tolist():
        body = _expand(artwork.blocks[number], artwork, blocks, budget, depth + 1)
        rows = at[block[at] == number]
        room = max(budget[0], 0) // max(len(body), 1)
        budget[0] -= len(rows) * len(body)
        rows = rows[:room]
        tables.append(_placed(body, objects, rows))
        keys.append(np.repeat(rows, len(body)))
    # every object at the place of its flash in the painting order
    return Objects.concat(tables).take(np.argsort(np.concatenate(keys), kind="stable"))


def _placed(body: Objects, flashes: Objects, rows: np.ndarray) -> Objects:
    """One copy of ``body`` for each of the flashes ``rows``, one behind the other."""
    n, m = len(rows), len(body)
    copies = body.take(np.tile(np.arange(m), n))

    def each(name: str) -> Any:
        return np.repeat(getattr(flashes, name)[rows], m)

    mirror, angle, scale = each("mirror"), each("rotation"), each("scale")
    dx, dy = each("x0"), each("y0")
    fx, fy = np.where(mirror & 1, -1.0, 1.0), np.where(mirror & 2, -1.0, 1.0)
    c, s = np.cos(angle) * scale, np.sin(angle) * scale

    def move(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        mx, my = x * fx, y * fy
        return mx * c - my * s + dx, mx * s + my * c + dy

    x0, y0 = move(copies.x0, copies.y0)
    x1, y1 = move(copies.x1, copies.y1)
    cx, cy = move(copies.cx, copies.cy)
    odd = (fx * fy) < 0
    # Mirror of a turned aperture: R(a) M(m) then M(f): M(f) R(a) = R(±a) M(f).
    rotation = np.where(odd, -copies.rotation, copies.rotation) + angle
    return replace(
        copies, x0=x0, y0=y0, x1=x1, y1=y1, cx=cx, cy=cy,
        clockwise=copies.clockwise ^ odd, dark=~(copies.dark ^ each("dark")),
        mirror=(copies.mirror ^ mirror).astype(np.uint8), rotation=rotation,
        scale=copies.scale * scale,
        net=np.where(copies.net >= 0, copies.net, each("net")).astype(np.int32),
        pin=np.where(copies.pin >= 0, copies.pin, each("pin")).astype(np.int32),
    )  # fmt: skip
