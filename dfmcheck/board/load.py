"""Reads one file of a package; runs in worker processes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dfmcheck.board.file_checks import artwork_checks
from dfmcheck.errors import FormatError
from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Artwork
from dfmcheck.geometry.budget import check_lines
from dfmcheck.geometry.image import Image, layer_image
from dfmcheck.terms import Assumption, Defect, Function, Role, Weight


@dataclass(frozen=True, slots=True)
class Loaded:
    """What came of one Gerber file: an image, records, or only defects.

    ``functions`` is the .AperFunction of every aperture that has one, by its code.
    """

    name: str
    role: Role
    image: Image | None
    artwork: Artwork | None
    defects: tuple[Defect, ...]
    assumptions: tuple[Assumption, ...]
    unit: str = ""  # of the file: mm or inch, "" where it could not be read
    attributes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    functions: Mapping[int, str] = field(default_factory=dict)


def load_gerber(
    name: str, data: bytes, role: Role, paint: bool, apertures: str | None = None
) -> Loaded:
    """Read one Gerber file, and paint it when ``paint``; a failure becomes a defect.

    ``apertures`` is the text of the package's separate aperture list, where it has one.
    """
    try:
        artwork = read_gerber(data, name, apertures)
    except FormatError as error:
        return Loaded(name, role, None, None, (unreadable(name, error),), ())
    defects, assumptions = artwork.defects, artwork.assumptions
    defects += artwork_checks(artwork, data, role)
    if len(artwork.objects) == 0:
        defects = (*defects, _empty(name, role))
    said = dict(artwork.attributes), {a.code: a.function for a in artwork.apertures if a.function}
    image: Image | None = None
    try:
        if paint:
            image = layer_image(artwork)
        elif role.function not in (Function.DRILL, Function.ROUT):
            check_lines(artwork)
    except FormatError as error:  # more than a layer of a board can hold
        defects += (unreadable(name, error),)
        return Loaded(name, role, None, None, defects, assumptions, artwork.unit)
    if image is None:
        return Loaded(name, role, None, artwork, defects, assumptions, artwork.unit, *said)
    defects += image.defects
    if len(artwork.objects) and len(image.parts) == 0:
        defects = (*defects, _empty(name, role, len(artwork.objects)))
    return Loaded(name, role, image, None, defects, assumptions, artwork.unit, *said)


def unreadable(name: str, error: FormatError) -> Defect:
    """The defect of a file that could not be read; the screen goes on without it."""
    return Defect(
        "data.unreadable-file", Weight.HOLD, error.found, error.expected, error.action,
        name, error.line,
    )  # fmt: skip


def _empty(name: str, role: Role, objects: int = 0) -> Defect:
    """The defect of a file that draws nothing, or of whose ``objects`` nothing is left."""
    weight, action = _EMPTY.get(role.function, _NOT_MEANT)
    found = "the file draws nothing"
    if objects:
        found = f"nothing is left of the {objects:,} objects the file draws"
    return Defect(
        "data.empty-layer", weight, found, "at least one object", action, name, layer=str(role)
    )


_NOT_MEANT = (Weight.NOTE, "Ask whether the layer is meant to be empty.")
_HELD = (Weight.HOLD, "Ask for the layer, or whether it is meant to be empty.")
_EMPTY: Mapping[Function, tuple[Weight, str]] = {
    # Copper without copper and a board without outline cannot be made.
    Function.CONDUCTOR: _HELD,
    Function.PLANE: _HELD,
    Function.PROFILE: _HELD,
    # Read one way the side has no opening, read the other way it has no mask.
    Function.MASK: (
        Weight.QUERY,
        "It was measured as a drawing of openings, as masks are: the side counts as wholly "
        "covered. Ask whether it is to be covered or bare.",
    ),
    # Nobody sends a score file for a board that is not scored.
    Function.SCORE: (Weight.QUERY, "Ask for the score lines."),
    # A side without legend is common. So is one without paste: layout programs write the file
    # for either side, also of a board without surface parts, and the bare board has none of it.
    Function.PASTE: (
        Weight.NOTE,
        "No opening of a stencil was measured for this side. Ask whether it is meant to be empty.",
    ),
}
