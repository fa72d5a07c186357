"""What one drawing file tells against itself: objects drawn twice, a signature that fails."""

from __future__ import annotations

import hashlib
import re
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.formats.records import Artwork, Contours, Kind
from dfmcheck.terms import Defect, Role, Weight

Words = npt.NDArray[np.uint64]

_SAME = 1e-6
"""Coordinates that round to the same nanometre are the same."""
_BLOCK = 20
"""Fewer repeats in a file than this are a habit of what wrote the file, not a block
pasted twice, and do no harm (common practice)."""
_SIGNED = re.compile(rb"%TF\.MD5,([0-9A-Fa-f]{32})\*%")


def artwork_checks(artwork: Artwork, data: bytes, role: Role) -> tuple[Defect, ...]:
    """``data.duplicate-object`` and a failing ``.MD5`` of one file.

    Sources: Gerber Layer Format Specification 2024.05, 5.6.9 (.MD5);
    that a repeat tells of a block pasted twice is common practice.
    """
    return (*_repeated(artwork, role), *_signature(artwork, data))


def _repeated(artwork: Artwork, role: Role) -> tuple[Defect, ...]:
    objects = artwork.objects
    rows = np.flatnonzero(repeats(artwork))
    if len(rows) < _BLOCK:
        return ()
    k = int(rows[np.argmin(objects.line[rows])])
    return (
        Defect(
            "data.duplicate-object", Weight.NOTE,
            f"{len(rows)} objects drawn again with the same shape at the same place",
            "each object once",
            "The image is the same; look whether a block was pasted twice.",
            artwork.file, int(objects.line[k]), str(role),
            None if np.isnan(objects.x0[k]) else float(objects.x0[k]),
            None if np.isnan(objects.y0[k]) else float(objects.y0[k]),
        ),
    )  # fmt: skip


def repeats(artwork: Artwork) -> npt.NDArray[np.bool_]:
    """Which objects repeat an earlier one of the same shape, place and polarity.

    An object painted again after a change of polarity may be needed, so repeats are looked for
    between such changes only. A draw repeats one that runs the other way.

    Returns
    -------
    (n,) bool, rows of ``artwork.objects``
    """
    objects = artwork.objects
    n = len(objects)
    if n < 2:
        return np.zeros(n, dtype=np.bool_)
    forward = np.stack([_steps(getattr(objects, c)) for c in ("x0", "y0", "x1", "y1")])
    turned = (forward[0] > forward[2]) | ((forward[0] == forward[2]) & (forward[1] > forward[3]))
    turned &= objects.kind != Kind.FLASH
    ends = np.where(turned, forward[[2, 3, 0, 1]], forward)
    clockwise = (objects.clockwise ^ turned) & (objects.kind == Kind.ARC)
    run = np.cumsum(np.diff(objects.dark, prepend=objects.dark[0]))
    region = objects.kind == Kind.REGION
    columns = [
        objects.kind, *np.where(region, 0, ends), _steps(objects.cx), _steps(objects.cy),
        clockwise, _shapes(artwork)[objects.aperture], run, objects.mirror,
        _steps(objects.rotation), _steps(objects.scale),
    ]  # fmt: skip
    key = np.zeros(n, dtype=np.uint64)
    for column in columns:
        key = _mixed(key, np.asarray(column).astype(np.int64).view(np.uint64))
    if region.any():
        key[region] = _mixed(key[region], _contents(artwork.contours, objects.region[region]))
    _, first = np.unique(key, return_index=True)
    again = np.ones(n, dtype=np.bool_)
    again[first] = False
    return again


def _steps(column: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    return np.rint(np.nan_to_num(column, nan=-1.0) / _SAME).astype(np.int64)


def _mixed(key: Words, more: Words) -> Words:
    """A 64-bit mix: what differs before differs after, but for one chance in 10¹⁹ a pair."""
    with np.errstate(over="ignore"):
        key = (key ^ more) * np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
        key *= np.uint64(0xBF58476D1CE4E5B9)
        return key ^ (key >> np.uint64(32))


def _shapes(artwork: Artwork) -> npt.NDArray[np.int64]:
    """One number per aperture shape; the last entry stands for no aperture."""
    seen: dict[tuple[Any, ...], int] = {}
    numbers = [
        seen.setdefault((a.template, a.values, a.primitives, a.block), len(seen))
        for a in artwork.apertures
    ]
    return np.array([*numbers, -1], dtype=np.int64)


def _contents(contours: Contours, wanted: npt.NDArray[np.int32]) -> Words:
    """One number per region: that of all its segments in order."""
    key = np.zeros(len(contours), dtype=np.uint64)
    for name in ("x0", "y0", "x1", "y1", "cx", "cy"):
        key = _mixed(key, _steps(getattr(contours, name)).view(np.uint64))
    key = _mixed(key, contours.clockwise.astype(np.uint64))
    size = int(max(wanted.max(initial=-1), contours.region.max(initial=-1))) + 1
    out = np.zeros(size, dtype=np.uint64)
    np.add.at(out, contours.region, key)  # the sum of well mixed words, in whatever order
    return out[wanted]


def _signature(artwork: Artwork, data: bytes) -> tuple[Defect, ...]:
    if "MD5" not in artwork.attributes:
        return ()
    every = list(_SIGNED.finditer(data))
    if not every:
        return ()
    signed = every[-1]
    stated = signed.group(1).decode("ascii").lower()
    body = data[: signed.start()].translate(None, b"\r\n")
    if hashlib.md5(body, usedforsecurity=False).hexdigest() == stated:
        return ()
    return (
        Defect(
            "data.attribute-contradiction", Weight.QUERY,
            "the file's signature (.MD5) does not fit its contents",
            f"contents that give {stated}",
            "The file was changed after it was written; ask which version holds.",
            artwork.file, 1 + data.count(b"\n", 0, signed.start()),
        ),
    )  # fmt: skip
