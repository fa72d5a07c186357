"""Do the attributes of the files (X2, X3) say what their images show?

Source: Gerber Layer Format Specification 2024.05, 5.6.3 (.FileFunction), 5.6.4 (.FilePolarity),
5.6.5 (.SameCoordinates) and 5.6.10 (.AperFunction).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from dfmcheck.board.load import Loaded
from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.terms import Defect, Function, Weight

_DRILLED = ("ViaPad", "ComponentPad")
"""Functions of lands that have a hole; ComponentPad is for through-hole parts only."""
_COVERED = 0.5
"""A mask drawn as what is covered covers more than this share of its board."""


def attribute_checks(board: Board, loaded: Sequence[Loaded]) -> tuple[Defect, ...]:
    """``data.attribute-contradiction``: what attributes say, held against the images."""
    files = {item.name: item for item in loaded}
    return (
        *_polarity(board, files),
        *_numbers(board, files),
        *_coordinates(loaded),
        *_lands(board, files),
    )


def _differs(
    found: str, expected: str, action: str, item: Loaded, weight: Weight = Weight.QUERY,
    at: tuple[float, float] | None = None, line: int | None = None,
) -> Defect:  # fmt: skip
    return Defect(
        "data.attribute-contradiction", weight, found, expected, action, item.name, line,
        str(item.role), *(at or (None, None)),
    )  # fmt: skip


def _polarity(board: Board, files: dict[str, Loaded]) -> Iterator[Defect]:
    for layer in (*board.copper, *board.legends, *board.pastes, *board.masks):
        item = files[layer.image.file]
        stated = item.attributes.get("FilePolarity", ("",))[0]
        if layer.role.function is Function.MASK:
            if stated == "Positive" and _share(board, layer) < _COVERED:
                yield _differs(
                    "the mask file is stated to be positive (.FilePolarity), drawn where mask "
                    "remains, but it draws little of the board",
                    "Negative, as it draws openings",
                    "It was measured as a drawing of openings; confirm that.", item,
                )  # fmt: skip
        elif stated == "Negative":
            yield _differs(
                f"the {layer.role.function} file is stated to be negative (.FilePolarity), drawn "
                "where nothing remains",
                "a positive image", "It was measured as drawn; send the layer as a positive.",
                item, Weight.HOLD if layer.role.is_copper else Weight.QUERY,
            )  # fmt: skip


def _share(board: Board, layer: Layer) -> float:
    """Share of the board (its profile, else the layers' rectangle) the layer's image covers."""
    if board.profile is not None and not board.profile.area.is_empty:
        whole = float(board.profile.area.area)
    else:
        parts = [one.image.parts for one in (*board.copper, layer) if len(one.image.parts)]
        if not parts:
            return 0.0
        x0, y0, x1, y1 = shapely.total_bounds(np.concatenate(parts)).tolist()
        whole = (x1 - x0) * (y1 - y0)
    return layer.image.area / whole if whole else 0.0


def _numbers(board: Board, files: dict[str, Loaded]) -> Iterator[Defect]:
    """Layer numbers beyond the stack, and an outer side stated for an inner layer."""
    count = len(board.copper)
    for layer in board.copper:
        item = files[layer.image.file]
        stated = item.attributes.get("FileFunction", ())
        if len(stated) < 3 or stated[0] != "Copper" or not stated[1][1:].isdigit():
            continue
        number = int(stated[1][1:])
        side = {1: "Top", count: "Bot"}.get(number, "Inr")
        if number > count:
            yield _differs(
                f"the file is stated to be conductor {number} (.FileFunction)",
                f"no more than the {count} conductor layers the package holds",
                "Ask for the missing layers, or for the number that holds.", item, Weight.HOLD,
            )  # fmt: skip
        elif count > 1 and stated[2] in ("Top", "Bot", "Inr") and stated[2] != side:
            yield _differs(
                f"conductor {number} of {count} is stated to be {stated[2]} (.FileFunction)",
                side, "Ask whether a layer is missing or the attribute is wrong.", item,
                Weight.HOLD,
            )  # fmt: skip


def _coordinates(loaded: Sequence[Loaded]) -> Iterator[Defect]:
    """Files that state different coordinate systems need not lie on one datum."""
    stated: dict[tuple[str, ...], Loaded] = {}
    for item in loaded:
        if (value := item.attributes.get("SameCoordinates")) is not None:
            stated.setdefault(value, item)
    if len(stated) > 1:
        (first, one), (second, two), *_ = stated.items()
        yield _differs(
            f"coordinate systems (.SameCoordinates) '{','.join(second)}' here and "
            f"'{','.join(first)}' in {one.name}",
            "one for all files", "The files need not lie on one datum: export them together.",
            two,
        )  # fmt: skip


def _lands(board: Board, files: dict[str, Loaded]) -> Iterator[Defect]:
    """Lands said to belong to a via or a through-hole part must have a hole."""
    if len(board.holes) == 0:
        return
    tree = shapely.STRtree(hole_polygons(board.holes, np.arange(len(board.holes))))
    for layer in board.copper:
        item, image = files[layer.image.file], layer.image
        codes = [code for code, function in item.functions.items() if function in _DRILLED]
        rows = np.flatnonzero(image.flash & np.isin(image.code, codes))
        if len(rows) == 0:
            continue
        drilled = np.unique(tree.query(image.pieces[rows], predicate="intersects")[0])
        bare = np.delete(rows, drilled)
        if len(bare) == 0:
            continue
        k = int(bare[np.argmin(image.line[bare])])
        yield _differs(
            f"{len(bare)} of {len(rows)} lands stated to be of vias or through-hole parts "
            "(.AperFunction) have no hole",
            "a hole in each of them", "Ask for the drill data, or for the right attribute.", item,
            at=(float(image.x[k] - board.origin[0]), float(image.y[k] - board.origin[1])),
            line=int(image.line[k]),
        )  # fmt: skip
