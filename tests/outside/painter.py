"""A plain painter of images: pixels set and cleared in order by point-in-shape formulas.

No polygons, no chords, nothing of the geometry stage and no shapely in what it paints.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import shapely

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Aperture, Artwork, Kind, Objects, Primitive
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.image import layer_image

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# --- point-in-shape formulas, in the shape's own coordinates


def in_convex(x: Floats, y: Floats, corners: Floats) -> Mask:
    """Left of every side; ``corners`` (n, 2) counter-clockwise."""
    inside = np.ones(np.broadcast(x, y).shape, dtype=np.bool_)
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        inside &= (bx - ax) * (y - ay) - (by - ay) * (x - ax) >= 0
    return inside


def corners_of(n: int, diameter: float, turn: float) -> Floats:
    k = turn + np.arange(n) * 2 * pi / n
    return diameter / 2 * np.stack([np.cos(k), np.sin(k)], axis=-1)


def near_line(x: Floats, y: Floats, a: Floats, b: Floats, r: float) -> Mask:
    d = b - a
    length2 = float(d @ d)
    t = np.clip(((x - a[0]) * d[0] + (y - a[1]) * d[1]) / length2, 0, 1) if length2 else 0.0
    return np.asarray(np.hypot(x - a[0] - t * d[0], y - a[1] - t * d[1]) <= r)


def in_polygon(x: Floats, y: Floats, points: Floats) -> Mask:
    """Odd number of sides to the right of the point."""
    inside = np.zeros(np.broadcast(x, y).shape, dtype=np.bool_)
    for (ax, ay), (bx, by) in zip(points, np.roll(points, -1, axis=0), strict=True):
        if ay != by:
            across = (ay > y) != (by > y)
            inside ^= across & (x < ax + (y - ay) * (bx - ax) / (by - ay))
    return inside


def sweep(a: Floats, b: Floats, c: Floats, clockwise: bool) -> tuple[float, float, float]:
    """Radius, first angle and signed sweep of an arc from a to b about c."""
    first = float(np.arctan2(a[1] - c[1], a[0] - c[0]))
    last = float(np.arctan2(b[1] - c[1], b[0] - c[0]))
    turn = (first - last) % (2 * pi) if clockwise else (last - first) % (2 * pi)
    if np.allclose(a, b, rtol=0, atol=1e-9):
        turn = 2 * pi
    return float(np.hypot(*(a - c))), first, -turn if clockwise else turn


def in_primitive(x: Floats, y: Floats, p: Primitive) -> Mask:
    v = p.values
    c, s = np.cos(v[-1]), np.sin(v[-1])
    x, y = x * c + y * s, y * c - x * s  # turned back
    match p.code:
        case 1:
            return np.asarray(np.hypot(x - v[1], y - v[2]) <= v[0] / 2)
        case 20:
            d = np.array([v[3] - v[1], v[4] - v[2]])
            length = np.hypot(*d)
            if length == 0:  # ends cut square: nothing
                return np.zeros(np.broadcast(x, y).shape, dtype=np.bool_)
            along = ((x - v[1]) * d[0] + (y - v[2]) * d[1]) / length
            beside = ((y - v[2]) * d[0] - (x - v[1]) * d[1]) / length
            return np.asarray((along >= 0) & (along <= length) & (np.abs(beside) <= v[0] / 2))
        case 21:
            return np.asarray((np.abs(x - v[2]) <= v[0] / 2) & (np.abs(y - v[3]) <= v[1] / 2))
        case 4:
            return in_polygon(x, y, np.array(v[1:-3]).reshape(-1, 2))
        case 5:
            return in_convex(x - v[1], y - v[2], corners_of(int(v[0]), v[3], 0.0))
        case 7:
            r = np.hypot(x - v[0], y - v[1])
            bars = (np.abs(x - v[0]) < v[4] / 2) | (np.abs(y - v[1]) < v[4] / 2)
            return np.asarray((r <= v[2] / 2) & (r >= v[3] / 2) & ~bars)
    raise NotImplementedError(f"macro primitive {p.code}")


def in_aperture(x: Floats, y: Floats, a: Aperture) -> Mask:
    v = a.values
    match a.template:
        case "C":
            inside, rest = np.hypot(x, y) <= v[0] / 2, v[1:]
        case "R":
            inside, rest = (np.abs(x) <= v[0] / 2) & (np.abs(y) <= v[1] / 2), v[2:]
        case "O":
            r = min(v[:2]) / 2
            end = np.array([v[0] / 2 - r, v[1] / 2 - r])
            inside, rest = near_line(x, y, -end, end, r), v[2:]
        case "P":
            turn = v[2] if len(v) > 2 else 0.0
            inside, rest = in_convex(x, y, corners_of(int(v[1]), v[0], turn)), v[3:]
        case "macro":
            inside, rest = np.zeros(np.broadcast(x, y).shape, dtype=np.bool_), ()
            for p in a.primitives:
                part = in_primitive(x, y, p)
                inside = inside | part if p.exposed else inside & ~part
        case other:
            raise NotImplementedError(other)
    return np.asarray(inside & (np.hypot(x, y) > rest[0] / 2) if rest else inside)


def in_swept(x: Floats, y: Floats, a: Aperture, d: Floats, shape: Any) -> Mask:
    """A convex aperture with straight sides drawn along d: some stretch of the way covers us."""
    low, high = np.zeros(np.broadcast(x, y).shape), np.ones(np.broadcast(x, y).shape)
    corners = shape(a)
    for p, q in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        n = np.array([-(q - p)[1], (q - p)[0]])  # inwards: n·(point - t d - p) >= 0
        free = n[0] * (x - p[0]) + n[1] * (y - p[1])
        rate = float(n @ d)
        if rate > 0:
            high = np.minimum(high, free / rate)
        elif rate < 0:
            low = np.maximum(low, free / rate)
        else:
            high = np.where(free >= 0, high, -1)
    return np.asarray(low <= high)


def sides(a: Aperture) -> Floats:
    v = a.values
    if a.template == "R" and len(v) == 2:
        x, y = v[0] / 2, v[1] / 2
        return np.array([(-x, -y), (x, -y), (x, y), (-x, y)])
    raise NotImplementedError(f"draws of {a.template}")


def reach_of(a: Aperture) -> float:
    """Radius about the origin that holds the aperture."""
    if a.template != "macro":
        return float(np.hypot(*a.values[:2]) if a.template in "RO" else a.values[0])
    outlines = [
        np.hypot(*np.array(p.values[1:-1]).reshape(-1, 2).T).max()
        for p in a.primitives
        if p.code == 4
    ]
    others = [sum(abs(v) for v in p.values[:-1]) for p in a.primitives if p.code != 4]
    return float(max(outlines + others))


# --- the painter


@dataclass
class Place:
    """Own coordinates to image: ``m`` @ p + ``o``."""

    m: Floats
    o: Floats

    def to_image(self, p: Floats) -> Floats:
        return np.asarray(p @ self.m.T + self.o)

    def within(self, mirror: int, turn: float, scale: float, at: Floats) -> Place:
        """Mirror, then scale, then turn (specification 4.9), then the place."""
        flip = np.diag([-1.0 if mirror & 1 else 1.0, -1.0 if mirror & 2 else 1.0])
        c, s = np.cos(turn), np.sin(turn)
        return Place(self.m @ (np.array([[c, -s], [s, c]]) * scale @ flip), self.to_image(at))


class Painter:
    def __init__(self, art: Artwork, low: Floats, high: Floats, pitch: float) -> None:
        self.art, self.low, self.pitch = art, low, pitch
        nx, ny = np.ceil((high - low) / pitch).astype(int)
        self.x = low[0] + (np.arange(nx) + 0.5) * pitch
        self.y = low[1] + (np.arange(ny) + 0.5) * pitch
        self.image = np.zeros((ny, nx), dtype=np.bool_)

    def window(self, low: Floats, high: Floats) -> tuple[slice, slice]:
        a = np.clip(np.floor((low - self.low) / self.pitch), 0, None).astype(int)
        b = np.clip(np.ceil((high - self.low) / self.pitch), 0, None).astype(int)
        b = np.minimum(b, [len(self.x), len(self.y)])
        return slice(a[1], b[1]), slice(a[0], b[0])

    def local(self, at: tuple[slice, slice], place: Place) -> tuple[Floats, Floats]:
        x, y = self.x[at[1]][None, :], self.y[at[0]][:, None]
        inv = np.linalg.inv(place.m)
        x, y = x - place.o[0], y - place.o[1]
        return inv[0, 0] * x + inv[0, 1] * y, inv[1, 0] * x + inv[1, 1] * y

    def put(self, at: tuple[slice, slice], mask: Mask, dark: bool) -> None:
        self.image[at] = self.image[at] | mask if dark else self.image[at] & ~mask

    def paint(self, objects: Objects, place: Place, upright: bool = True) -> None:
        for i in range(len(objects)):
            o = objects.take(slice(i, i + 1))
            dark = bool(o.dark[0]) == upright
            if o.kind[0] == Kind.REGION:
                self.region(int(o.region[0]), place, dark)
                continue
            a = self.art.apertures[int(o.aperture[0])]
            start, end = np.array([o.x0[0], o.y0[0]]), np.array([o.x1[0], o.y1[0]])
            own = place.within(int(o.mirror[0]), float(o.rotation[0]), float(o.scale[0]), start)
            if a.block >= 0:
                self.paint(self.art.blocks[a.block], own, dark)
            else:
                self.stroke(o, a, place, own, start, end, dark)

    def stroke(
        self, o: Objects, a: Aperture, place: Place, own: Place, start: Floats, end: Floats,
        dark: bool,
    ) -> None:  # fmt: skip
        r = reach_of(a) * np.sqrt(abs(np.linalg.det(own.m)))
        ends = place.to_image(np.array([start, end]))
        if o.kind[0] == Kind.ARC:
            centre = place.to_image(np.array([o.cx[0], o.cy[0]]))
            r += np.hypot(*(ends[0] - centre))
            ends = centre[None]
        at = self.window(ends.min(axis=0) - r, ends.max(axis=0) + r)
        x, y = self.local(at, own)
        inv = np.linalg.inv(own.m)
        way = inv @ (place.m @ (end - start))
        match int(o.kind[0]):
            case Kind.FLASH:
                mask = in_aperture(x, y, a)
            case Kind.DRAW if a.template == "C":
                mask = near_line(x, y, np.zeros(2), way, a.values[0] / 2)
            case Kind.DRAW:
                mask = in_swept(x, y, a, way, sides)
            case _:
                assert a.template == "C"
                x, y = self.local(at, place)
                centre = np.array([o.cx[0], o.cy[0]])
                radius, first, turn = sweep(start, end, centre, bool(o.clockwise[0]))
                half = a.values[0] / 2 * float(o.scale[0])
                beyond = (np.arctan2(y - centre[1], x - centre[0]) - first) * np.sign(turn)
                on = np.abs(np.hypot(x - centre[0], y - centre[1]) - radius) <= half
                mask = on & (beyond % (2 * pi) <= abs(turn))
                for p in (start, end):
                    mask |= np.hypot(x - p[0], y - p[1]) <= half
        self.put(at, mask, dark)

    def region(self, number: int, place: Place, dark: bool) -> None:
        """Each contour filled on its own: chords by counting sides, then arcs beside them."""
        c = self.art.contours
        rows = np.flatnonzero(c.region == number)
        for contour in np.unique(c.contour[rows]):
            k = c.take(rows[c.contour[rows] == contour])
            starts = place.to_image(np.stack([k.x0, k.y0], axis=-1))
            ends = place.to_image(np.stack([k.x1, k.y1], axis=-1))
            arcs = np.flatnonzero(~np.isnan(k.cx))
            scale = np.sqrt(abs(np.linalg.det(place.m)))
            radii = np.hypot(k.x0 - k.cx, k.y0 - k.cy)[arcs] * scale
            bulge = 2 * radii.max(initial=0)
            whole = self.window(starts.min(axis=0) - bulge, starts.max(axis=0) + bulge)
            mask = self.scanned(starts, ends, whole)
            corner = np.array([whole[0].start, whole[1].start])
            for j in arcs:
                a, b = np.array([k.x0[j], k.y0[j]]), np.array([k.x1[j], k.y1[j]])
                centre = np.array([k.cx[j], k.cy[j]])
                radius, first, turn = sweep(a, b, centre, bool(k.clockwise[j]))
                middle = place.to_image(centre)
                at = self.window(middle - radius * scale, middle + radius * scale)
                x, y = self.local(at, place)
                # Between arc and chord: in the disc and on the arc's side of the chord.
                inside = np.hypot(x - centre[0], y - centre[1]) <= radius
                if abs(turn) < 2 * pi - 1e-9:
                    top = centre + radius * np.array(
                        [np.cos(first + turn / 2), np.sin(first + turn / 2)]
                    )
                    cross = (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0])
                    side = (b[0] - a[0]) * (top[1] - a[1]) - (b[1] - a[1]) * (top[0] - a[0])
                    inside &= cross * side > 0
                i0, j0 = np.array([at[0].start, at[1].start]) - corner
                mask[i0 : i0 + inside.shape[0], j0 : j0 + inside.shape[1]] ^= inside
            self.put(whole, mask, dark)

    def scanned(self, a: Floats, b: Floats, at: tuple[slice, slice]) -> Mask:
        """Pixels with an odd number of sides a → b to their left, row by row."""
        xs, ys = self.x[at[1]], self.y[at[0]]
        odd = np.zeros((len(ys), len(xs) + 1), dtype=np.bool_)
        for (ax, ay), (bx, by) in zip(a.tolist(), b.tolist(), strict=True):
            low, high = min(ay, by), max(ay, by)
            first, last = np.searchsorted(ys, [low, high], side="right").tolist()
            if first < last:
                x = ax + (ys[first:last] - ay) * (bx - ax) / (by - ay)
                odd[np.arange(first, last), np.searchsorted(xs, x)] ^= True
        return np.asarray(np.logical_xor.accumulate(odd, axis=1)[:, :-1])


def compare(data: bytes, name: str, pitch: float) -> None:
    art = read_gerber(data, name)
    image = layer_image(art)
    low, high = shapely.total_bounds(image.parts).reshape(2, 2)
    # No pixel may lie on a line of the data, or which side it is on is a matter of rounding.
    off_grid = np.array([1 / pi, 1 / np.e]) * pitch
    painter = Painter(art, low - 7 * pitch - off_grid, high + 7 * pitch, pitch)
    painter.paint(art.objects, Place(np.eye(2), np.zeros(2)))
    rings = [shapely.get_coordinates(r) for r in shapely.get_rings(image.parts)]
    ours = np.zeros_like(painter.image)
    ours[painter.window(low, high + pitch)] = painter.scanned(
        np.concatenate([r[:-1] for r in rings]),
        np.concatenate([r[1:] for r in rings]),
        painter.window(low, high + pitch),
    )
    # Pixels prove nothing about an image that is much smaller than they are.
    assert ours.sum() > 1000
    assert painter.image.sum() * pitch**2 == pytest.approx(image.area, rel=0.02)
    row, column = np.nonzero(ours != painter.image)
    points = shapely.points(painter.x[column], painter.y[row])
    off = shapely.distance(points, shapely.MultiLineString(rings)) if len(points) else np.zeros(1)
    # A chord lies up to CHORD_ERROR from its arc, and an arc's stroke adds that of its way.
    assert off.max() <= 2.1 * CHORD_ERROR, (len(off), off.max(), points[off.argmax()].wkt)
