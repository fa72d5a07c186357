"""Executes the deprecated image parameters on the finished tables of a file.

Gerber Layer Format Specification, chapter 8, and the RS-274-X description before it; order and
details are values from memory:

1. MI and SF act on coordinates (also inside blocks); they mirror or scale no aperture.
2. OF shifts the image.
3. IR turns the whole image, apertures too, counter-clockwise about the origin.
4. AS assigns the data axes to the output axes; an exchange is taken for the whole image.

IPNEG is never executed: how far the dark ground of a negative image reaches is not defined.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.formats.gerber.image import Image
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.old import OldImage
from dfmcheck.formats.records import Aperture, Bools, Contours, Kind, Objects
from dfmcheck.terms import Weight

_Matrix = npt.NDArray[np.float64]
_COSINES, _SINES = (1.0, 0.0, -1.0, 0.0), (0.0, 1.0, 0.0, -1.0)  # exact quarter turns


def apply_old(image: Image, old: OldImage, apertures: list[Aperture], notes: Notes) -> Image:
    """The image as MI, SF, OF, IR and AS change it; each is recorded.

    Parameters
    ----------
    image : Image
        Tables as drawn.
    old : OldImage
        What the file states.
    apertures : list of Aperture
        The file's apertures, to see which shapes a mirror image would change.
    """
    if old.negative:
        notes.deprecated(
            Weight.HOLD,
            f"'{old.texts['IP']}': the image is to be negative",
            old.lines["IP"],
            "It was not executed, as how far a negative image reaches is not defined: dark and "
            "clear are exchanged in all that is said of this file. Ask for a positive image.",
        )
    if old.plain:
        return image
    old = _possible(image, old, apertures, notes)
    _record(image, old, apertures, notes)

    on_data = np.diag(
        [f * (-1.0 if m else 1.0) for f, m in zip(old.factor, old.mirror, strict=True)]
    )
    turn = np.array(
        [
            [_COSINES[old.quarters], -_SINES[old.quarters]],
            [_SINES[old.quarters], _COSINES[old.quarters]],
        ]
    )
    if old.swapped:
        turn = turn[::-1]
    whole = turn @ on_data
    shift = turn @ np.array(old.offset)
    nowhere = np.zeros(2)
    top = np.isin(image.contours.region, image.objects.region)
    notes.move(whole, shift)
    return Image(
        _turned(_objects(image.objects, whole, shift), old, apertures),
        _contours(_contours(image.contours, whole, shift, top), on_data, nowhere, ~top),
        tuple(_objects(block, on_data, nowhere) for block in image.blocks),
    )


def _possible(image: Image, old: OldImage, apertures: list[Aperture], notes: Notes) -> OldImage:
    """Without MI and SF where block apertures, turned as they may be, cannot follow them."""
    on_data = [c for c in ("MI", "SF") if getattr(old, _CHANGED[c]) != _UNCHANGED[c]]
    if not on_data or not any(a.template == "block" and a.code > 0 for a in apertures):
        return old
    for code in on_data:
        notes.deprecated(
            Weight.HOLD,
            f"'{old.texts[code]}' in a file with block apertures",
            old.lines[code],
            "No edition of the format has both, so it was not executed; ask for the image as it "
            "is to be.",
        )
    return replace(old, **{_CHANGED[c]: _UNCHANGED[c] for c in on_data})  # type: ignore[arg-type]


_CHANGED = {"MI": "mirror", "SF": "factor"}
_UNCHANGED: dict[str, object] = {"MI": (False, False), "SF": (1.0, 1.0)}


def _record(image: Image, old: OldImage, apertures: list[Aperture], notes: Notes) -> None:
    tables = (image.objects, *image.blocks)
    repeats = any(a.template == "block" and not a.code for a in apertures)
    stepped = " The steps of step and repeat follow it." if repeats else ""
    doubt = ""
    if any(old.mirror):
        lopsided = _lopsided(tables, apertures)
        if lopsided:
            doubt = (
                f" Apertures stay as defined, as the older text says; {lopsided} "
                "would look otherwise in a mirror: ask which is meant."
            )
    said = {
        "MI": ("the image is to be mirrored", any(old.mirror), stepped + doubt),
        "SF": (
            "coordinates are to be scaled",
            old.factor != (1.0, 1.0),
            f"{stepped} Apertures keep their size.",
        ),
        "OF": ("the image is to be shifted", old.offset != (0.0, 0.0), ""),
        "IR": ("the image is to be turned", bool(old.quarters), " Apertures turn with it."),
        "AS": ("the axes are to be exchanged", old.swapped, " Apertures go with it."),
    }
    for code, (what, changes, detail) in said.items():
        if changes:
            notes.deprecated(
                Weight.QUERY,
                f"'{old.texts[code][:40]}': {what}",
                old.lines[code],
                f"It was executed.{detail} Other readers may pass over it: ask for the image as "
                "it is to be.",
            )
    if old.factor[0] != old.factor[1]:
        arcs = sum(int((t.kind == Kind.ARC).sum()) for t in tables)
        arcs += int(np.isfinite(image.contours.cx).sum())
        if arcs:
            notes.illegal(
                Weight.HOLD,
                f"'{old.texts['SF'][:40]}' scales the axes apart, and the file has arcs",
                "one factor for both axes where there are arcs",
                "Ends and centres were scaled, yet the arcs between are not known; export again.",
                old.lines["SF"],
                count=arcs,
            )


def _even(
    apertures: list[Aperture], rotation: npt.NDArray[np.float64], row: npt.NDArray[np.int32]
) -> Bools:
    """Objects whose aperture looks the same in a mirror along x or y, and after half a turn."""
    round_ = np.array([a.template == "C" for a in apertures] + [True])
    straight = np.array([a.template in "RO" for a in apertures] + [True])
    quarter: Bools = np.remainder(rotation, np.pi / 2) == 0
    return round_[row] | (straight[row] & quarter)


def _lopsided(tables: tuple[Objects, ...], apertures: list[Aperture]) -> str:
    """The apertures in use that are not surely alike in a mirror."""
    codes: set[int] = set()
    for table in tables:
        rows = table.aperture[~_even(apertures, table.rotation, table.aperture)]
        codes.update(apertures[r].code for r in np.unique(rows).tolist())
    codes.discard(0)  # step and repeat
    names = [f"D{code}" for code in sorted(codes)]
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _objects(table: Objects, matrix: _Matrix, shift: npt.NDArray[np.float64]) -> Objects:
    columns: dict[str, Any] = {}
    for x, y in (("x0", "y0"), ("x1", "y1"), ("cx", "cy")):
        columns[x], columns[y] = _moved(getattr(table, x), getattr(table, y), matrix, shift)
    flipped = table.kind == Kind.ARC if np.linalg.det(matrix) < 0 else False
    return replace(table, **columns, clockwise=table.clockwise ^ flipped)


def _contours(
    table: Contours, matrix: _Matrix, shift: npt.NDArray[np.float64], rows: Bools
) -> Contours:
    columns: dict[str, Any] = {}
    for x, y in (("x0", "y0"), ("x1", "y1"), ("cx", "cy")):
        old_x, old_y = getattr(table, x), getattr(table, y)
        new_x, new_y = _moved(old_x, old_y, matrix, shift)
        columns[x], columns[y] = np.where(rows, new_x, old_x), np.where(rows, new_y, old_y)
    flipped = rows & np.isfinite(table.cx) & (np.linalg.det(matrix) < 0)
    return replace(table, **columns, clockwise=table.clockwise ^ flipped)


def _moved(
    x: npt.NDArray[np.float64],
    y: npt.NDArray[np.float64],
    matrix: _Matrix,
    shift: npt.NDArray[np.float64],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    # exact: each row of the matrix holds one number other than zero; + 0.0 makes -0.0 plain
    return (
        matrix[0, 0] * x + matrix[0, 1] * y + shift[0] + 0.0,
        matrix[1, 0] * x + matrix[1, 1] * y + shift[1] + 0.0,
    )


def _turned(table: Objects, old: OldImage, apertures: list[Aperture]) -> Objects:
    """Apertures, and blocks as a whole, turned by IR and exchanged by AS."""
    # an exchange of the axes is: y negated, then a quarter turn
    quarters = old.quarters
    mirror = 0
    if old.swapped:
        mirror, quarters = 2, (1 - quarters) % 4
    if not quarters and not mirror:
        return table
    changed = (table.aperture >= 0) & ~np.array([a.template == "C" for a in apertures] + [True])[
        table.aperture
    ]
    if quarters % 2 == 0:
        changed &= ~_even(apertures, table.rotation, table.aperture)
    rotation = (-table.rotation if mirror else table.rotation) + quarters * (np.pi / 2)
    return replace(
        table,
        mirror=np.where(changed, table.mirror ^ np.uint8(mirror), table.mirror).astype(np.uint8),
        rotation=np.where(changed, rotation, table.rotation),
    )
