"""An image painted in another process is the one that was painted there."""

from __future__ import annotations

import pickle
from dataclasses import fields

import numpy as np
import pytest
import shapely

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.image import layer_image

HEAD = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.3*%\n%ADD11R,1X0.5X0.2*%\n"
FRAME = (
    "D10*\nX0Y0D02*\nX4000000Y0D01*\nX4000000Y3000000D01*\nX0Y3000000D01*\nX0Y0D01*\n"
    "D11*\nX2000000Y1500000D03*\n%LPC*%\nD10*\nX2000000Y-1000000D02*\nX2000000Y1000000D01*\n"
)


@pytest.mark.parametrize("body", [FRAME, ""], ids=["frame", "nothing"])
def test_an_image_arrives_as_it_was_sent(body: str) -> None:
    sent = layer_image(read_gerber((HEAD + body + "M02*\n").encode(), "top.gbr"))
    image = pickle.loads(pickle.dumps(sent, pickle.HIGHEST_PROTOCOL))
    for f in fields(sent):
        mine, theirs = getattr(sent, f.name), getattr(image, f.name)
        if f.name == "pieces":
            drawn = sent.whole & (sent.kind <= Kind.ARC)
            assert [p is None for p in theirs.polygons] == drawn.tolist()  # made where asked for
            mine, theirs = mine[:], theirs[:]
        if f.name in ("pieces", "parts"):
            assert theirs.dtype == object and len(mine) == len(theirs)
            assert shapely.equals_exact(mine, theirs, 0.0).all()
        elif isinstance(mine, Edges):
            assert all(
                np.array_equal(getattr(mine, c.name), getattr(theirs, c.name)) for c in fields(mine)
            )
        elif isinstance(mine, np.ndarray):
            assert mine.dtype == theirs.dtype and np.array_equal(mine, theirs)
        else:
            assert mine == theirs
    assert bool(body) == bool(len(sent.parts))
