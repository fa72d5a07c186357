"""Stencil quantities worked by hand, turned, in mm and in inch."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.measure.laid import TURNS, Laid, rows

NEAR = 1e-3  # 1 µm


def box(x: float, y: float, w: float, h: float) -> list[tuple[float, float]]:
    return [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_area_and_width_of_openings(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    b.top.region(box(-10, -10, 20, 20))
    b.paste.flash(b.paste.circle(0.3), 0, 0)
    b.paste.region(box(2, 0, 0.4, 0.5))
    b.paste.draw(b.paste.circle(0.25), 4, 0, 4, 0.5)
    b.paste.region(box(6, 0, 0.2, 1.5))  # long: its width counts
    found = rows(b, tmp_path, "stencil.area-ratio", "paste-top")
    disc = 0.3 / 4
    obround = (math.pi * 0.125**2 + 0.25 * 0.5) / (math.pi * 0.25 + 1.0)
    assert found["value"] == pytest.approx(sorted([disc, 0.4 * 0.5 / 1.8, obround]), abs=NEAR)
    assert found["uncertainty"].max() < NEAR
    found = rows(b, tmp_path / "again", "stencil.aspect-ratio", "paste-top")
    assert found["value"] == pytest.approx([0.2], abs=NEAR)
    assert b.at(found, 0) == pytest.approx((6.1, 0.75), abs=0.01)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_webs_and_edges(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    b.top.region(box(0, 0, 3, 1))
    b.mask.region(box(-0.1, -0.1, 3.2, 1.2))
    b.paste.region(box(0.05, 0.1, 1.2, 0.8))
    b.paste.region(box(1.37, 0.1, 1.83, 0.8))  # 0.12 web; 0.2 beyond the land, 0.1 on mask
    web = rows(b, tmp_path, "stencil.web", "paste-top")
    assert web["value"] == pytest.approx([0.12], abs=NEAR)
    land = rows(b, tmp_path / "land", "stencil.paste-beyond-land", "paste-top")
    assert land["value"] == pytest.approx([-0.2, 0.05], abs=NEAR)
    mask = rows(b, tmp_path / "mask", "stencil.paste-on-mask", "paste-top")
    assert mask["value"] == pytest.approx([-0.1, 0.15], abs=NEAR)


@pytest.mark.parametrize("most", [0.3, 0.8])
def test_paste_further_beyond_its_land_than_a_limit_looks(tmp_path: Path, most: float) -> None:
    b = Laid()
    for x, over in ((-6, -0.05), (0, -0.05), (6, most)):
        b.top.region(box(x, 0, 2, 2))
        b.mask.region(box(x - 0.1, -0.1, 2.2, 2.2))
        b.paste.region(box(x - over, -over, 2 + 2 * over, 2 + 2 * over))
    # all round its land by more than the 0.25 mm that are looked for at least
    land = rows(b, tmp_path, "stencil.paste-beyond-land", "paste-top")
    assert land["value"] == pytest.approx([-most * math.sqrt(2), 0.05, 0.05], abs=NEAR)
    mask = rows(b, tmp_path / "mask", "stencil.paste-on-mask", "paste-top")
    assert mask["value"] == pytest.approx([-(most - 0.1) * math.sqrt(2), 0.15, 0.15], abs=NEAR)


def test_lettering_in_the_paste_layer_is_no_opening(tmp_path: Path) -> None:
    b = Laid()
    b.top.region(box(-10, -10, 20, 20))
    pen = b.paste.circle(0.1)
    b.paste.draw(pen, 0, 0, 0, 1)
    b.paste.draw(pen, 0.6, 0, 0.6, 1)
    b.paste.draw(pen, 0, 0.5, 0.6, 0.5)
    b.paste.flash(b.paste.circle(0.4), 5, 0)
    found = rows(b, tmp_path, "stencil.area-ratio", "paste-top")
    assert found["value"] == pytest.approx([0.1], abs=NEAR)
    assert len(rows(b, tmp_path / "2", "stencil.aspect-ratio", "paste-top")["value"]) == 0


def test_paste_missing_on_one_of_many(tmp_path: Path) -> None:
    b = Laid()
    land, opening, paste = b.top.circle(0.8), b.mask.circle(0.9), b.paste.circle(0.7)
    for n in range(12):
        b.top.flash(land, n, 0)
        b.mask.flash(opening, n, 0)
        if n != 4:
            b.paste.flash(paste, n, 0)
    point = b.top.circle(1.0)
    for n in range(3):  # test points: none of them is printed
        b.top.flash(point, n * 2.0, 5)
        b.mask.flash(b.mask.circle(1.1), n * 2.0, 5)
    found = rows(b, tmp_path, "stencil.missing-paste", "paste-top")
    assert len(found["value"]) == 1
    assert b.at(found, 0) == pytest.approx((4, 0), abs=0.01)


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_openings_over_holes(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    b.top.region(box(-10, -10, 20, 20))
    b.paste.region(box(0, 0, 2, 1))
    b.drill([(2.3, 0.5, 1.0), (1.0, 0.5, 0.8), (0.5, 1.15, 0.2), (-0.6, 0.5, 0.9)], plated=True)
    found = rows(b, tmp_path, "stencil.opening-over-hole", "paste-top")
    # The middle of the second lies 0.5 within: to the radius at least; the small via is left out.
    assert found["value"] == pytest.approx([-0.4, -(0.5 - 0.3), 0.6 - 0.45], abs=NEAR)
    assert set(found["kind"].tolist()) == {"component hole"}


def test_no_paste_data_means_nothing_to_measure(tmp_path: Path) -> None:
    b = Laid()
    b.top.flash(b.top.circle(1.0), 0, 0)
    assert len(rows(b, tmp_path, "stencil.area-ratio", "paste-top")["value"]) == 0
