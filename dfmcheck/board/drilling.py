"""Reads what is drilled and routed: one table of holes from every file that tells of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath

import numpy as np

from dfmcheck.board.holes import holes_of_artwork, holes_of_drilling
from dfmcheck.board.load import Loaded, unreadable
from dfmcheck.board.model import Holes
from dfmcheck.errors import FormatError
from dfmcheck.formats.excellon import read_excellon
from dfmcheck.geometry.budget import check_holes, check_paths
from dfmcheck.intake import Package, PackageFile
from dfmcheck.intake.package import DRILLED
from dfmcheck.terms import Assumption, Defect


def _check_holes(holes: Holes, file: str) -> None:
    """FormatError where the file holds more than can be measured."""
    ends = np.stack([holes.x0, holes.y0, holes.x1, holes.y1], axis=-1)
    check_holes(ends, holes.r, file)


def _short_texts(package: Package) -> list[PackageFile]:
    """Texts that may say something of the drill files, the short ones first, 1 MB in all."""
    texts, room = [], 1_000_000
    for file in sorted(package.files, key=lambda f: len(f.data)):
        if file.format in ("listing", "text") and len(file.data) <= room:
            texts.append(file)
            room -= len(file.data)
    kept = {f.name for f in texts}
    return [f for f in package.files if f.name in kept]


def read_drilling(
    package: Package,
    loaded: Sequence[Loaded],
    conductors: int,
    box: tuple[float, float, float, float] | None,
    unread: set[str],
) -> tuple[Holes, tuple[str, ...], tuple[str, ...], list[Defect], list[Assumption]]:
    """Holes of every drill and rout file, names and roles of those files, and what was found.

    Parameters
    ----------
    package : Package
    loaded : sequence of Loaded
        What came of the Gerber files; a drill file may be one of them.
    conductors : int
        Copper layers of the board.
    box : (x0, y0, x1, y1), optional
        Where the board lies, mm; tells how coordinates without a stated format are meant.
    unread : set of str
        Names of files that cannot be read are added.
    """
    tables: list[Holes] = []
    files: list[str] = []
    roles: list[str] = []
    defects: list[Defect] = []
    assumptions: list[Assumption] = []
    records = {item.name: item.artwork for item in loaded}
    listings = _short_texts(package)
    for file in package.files:
        if file.role.function not in DRILLED:
            continue
        row = len(files)
        assumed: tuple[Assumption, ...] = ()
        try:
            if file.format == "gerber":
                artwork = records.get(file.name)
                if artwork is None:
                    continue
                holes, found = holes_of_artwork(artwork, file.role, conductors, row)
            else:
                folder = PurePosixPath(file.name).parent
                beside = [
                    f.data.decode("latin-1")
                    for f in listings
                    if PurePosixPath(f.name).parent == folder
                ]
                drilling = read_excellon(file.data, file.name, beside=beside, expected=box)
                defects += drilling.defects
                check_paths(drilling.hits, file.name)
                holes, found = holes_of_drilling(drilling, file.role, conductors, row)
                assumed = drilling.assumptions
            _check_holes(holes, file.name)
        except FormatError as error:
            unread.add(file.name)
            defects.append(unreadable(file.name, error))
            continue
        assumptions += assumed
        files.append(file.name)
        roles.append(str(file.role))
        tables.append(holes)
        defects += found
    return Holes.concat(tables), tuple(files), tuple(roles), defects, assumptions
