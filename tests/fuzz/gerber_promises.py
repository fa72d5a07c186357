"""What must hold for the records of any bytes whatever; used by the tests and the long fuzzer."""

from __future__ import annotations

import numpy as np

from dfmcheck.errors import FormatError
from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.limits import MOST_OBJECTS
from dfmcheck.formats.records import Artwork, Kind, Objects

LIST = b"\n--list--\n"  # what stands behind is the aperture list that comes with the file


def keeps_promises(data: bytes) -> None:
    """Read `data`; FormatError is the one error allowed, and records hold together."""
    body, found, listed = data.partition(LIST)
    try:
        art = read_gerber(body, "fuzz.gbr", listed.decode("latin-1") if found else None)
    except FormatError as error:
        assert error.found and error.expected and error.action, error
        return
    holds_together(art)


def holds_together(art: Artwork) -> None:
    """The contract of formats/records.py, as far as it can be checked on one file."""
    for table in (art.objects, *art.blocks):
        _objects(table, art)
    _contours(art)
    for aperture in art.apertures:
        assert aperture.block < len(art.blocks), aperture
        assert (aperture.template == "block") == (aperture.block >= 0), aperture
        assert np.isfinite(aperture.values).all(), aperture
        for primitive in aperture.primitives:
            assert np.isfinite(primitive.values).all(), aperture
    for defect in art.defects:
        assert defect.found and defect.expected and defect.action, defect
        assert defect.file == art.file, defect
        assert defect.line is None or defect.line >= 1, defect
    for assumption in art.assumptions:
        assert 0 < assumption.confidence <= 1 and assumption.evidence, assumption
    assert art.unit in ("mm", "inch") and art.resolution > 0


def _objects(table: Objects, art: Artwork) -> None:
    assert len(table) <= MOST_OBJECTS
    region = table.kind == Kind.REGION
    arc = table.kind == Kind.ARC
    assert ((table.aperture >= 0) ^ region).all()
    assert (table.aperture < len(art.apertures)).all()
    assert ((table.region >= 0) == region).all()
    assert (np.isfinite(table.cx) == arc).all() and (np.isfinite(table.cy) == arc).all()
    assert (table.net < len(art.nets)).all() and (table.pin < len(art.pins)).all()
    assert (table.line >= 1).all() and (table.scale > 0).all() and (table.mirror <= 3).all()
    for column in (table.x0, table.y0, table.x1, table.y1, table.rotation):
        assert np.isfinite(column).all()


def _contours(art: Artwork) -> None:
    table = art.contours
    used = [t.region[t.region >= 0] for t in (art.objects, *art.blocks)]
    assert np.isin(np.concatenate(used), table.region).all()
    for column in (table.x0, table.y0, table.x1, table.y1):
        assert np.isfinite(column).all()
    # every contour runs on from point to point and ends where it starts
    first = np.flatnonzero(np.diff(table.contour, prepend=-1))
    last = np.concatenate([first[1:], [len(table)]])[: len(first)] - 1
    assert (table.x0[first] == table.x1[last]).all() and (table.y0[first] == table.y1[last]).all()
    inner = np.flatnonzero(np.diff(table.contour) == 0)
    assert (table.x1[inner] == table.x0[inner + 1]).all()
    assert (table.y1[inner] == table.y0[inner + 1]).all()
