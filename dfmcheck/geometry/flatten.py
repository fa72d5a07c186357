"""Blocks and step-and-repeats written out: every object at its place, in painting order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dfmcheck.formats.records import Artwork, Kind, Objects
from dfmcheck.terms import Defect, Weight

MOST_OBJECTS = 20_000_000


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
    if len(at) == 0 or depth > 20:
        budget[0] -= len(objects)
        return objects
    bodies: dict[int, Objects] = {}
    out: list[Objects] = []
    last = 0
    for row in at.tolist():
        if budget[0] < 0:
            break
        if row > last:
            out.append(objects.take(slice(last, row)))
        number = int(block[row])
        if number not in bodies:
            bodies[number] = _expand(artwork.blocks[number], artwork, blocks, budget, depth + 1)
        placed = _place(bodies[number], objects, row)
        budget[0] -= len(placed)
        out.append(placed)
        last = row + 1
    out.append(objects.take(slice(last, len(objects))))
    return Objects.concat(out)


def _place(body: Objects, flashes: Objects, row: int) -> Objects:
    mirror = int(flashes.mirror[row])
    angle, scale = float(flashes.rotation[row]), float(flashes.scale[row])
    dx, dy = float(flashes.x0[row]), float(flashes.y0[row])
    dark = body.dark if bool(flashes.dark[row]) else ~body.dark
    net = np.where(body.net >= 0, body.net, flashes.net[row]).astype(np.int32)
    pin = np.where(body.pin >= 0, body.pin, flashes.pin[row]).astype(np.int32)
    if mirror == 0 and angle == 0.0 and scale == 1.0:
        return replace(
            body, x0=body.x0 + dx, y0=body.y0 + dy, x1=body.x1 + dx, y1=body.y1 + dy,
            cx=body.cx + dx, cy=body.cy + dy, dark=dark, net=net, pin=pin,
        )  # fmt: skip
    fx, fy = (-1.0 if mirror & 1 else 1.0), (-1.0 if mirror & 2 else 1.0)
    c, s = np.cos(angle) * scale, np.sin(angle) * scale

    def move(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        mx, my = x * fx, y * fy
        return mx * c - my * s + dx, mx * s + my * c + dy

    x0, y0 = move(body.x0, body.y0)
    x1, y1 = move(body.x1, body.y1)
    cx, cy = move(body.cx, body.cy)
    odd = (fx * fy) < 0
    # Mirror of a turned aperture: R(a) M(m) then M(f): M(f) R(a) = R(±a) M(f).
    rotation = (-body.rotation if odd else body.rotation) + angle
    return replace(
        body, x0=x0, y0=y0, x1=x1, y1=y1, cx=cx, cy=cy,
        clockwise=~body.clockwise if odd else body.clockwise, dark=dark,
        mirror=(body.mirror ^ np.uint8(mirror)).astype(np.uint8),
        rotation=rotation, scale=body.scale * scale, net=net, pin=pin,
    )  # fmt: skip
