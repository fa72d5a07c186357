"""Mask over figures, over one net, and over lands in a pour: what is told mildly or not at all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.measure.laid import TURNS, Laid, rows

NEAR = 1e-3  # 1 µm


def _lands(b: Laid, count: int = 24) -> None:
    """Flashed lands with their openings, well apart, so that the board's lands are flashed."""
    for n in range(count):
        x, y = -15 + 2.4 * (n % 12), 10 + 3 * (n // 12)
        b.top.flash(b.top.circle(1.0), x, y)
        b.mask.flash(b.mask.circle(1.2), x, y)


def _square(x: float, y: float, size: float) -> list[tuple[float, float]]:
    return [(x, y), (x + size, y), (x + size, y + size), (x, y + size)]


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_web_over_one_net_has_nothing_to_bridge(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    for y, joined in ((0, True), (-5, False)):
        for x in (0.0, 1.26):
            b.top.flash(b.top.circle(1.0), x, y)
            b.mask.flash(b.mask.circle(1.2), x, y)
        if joined:
            b.top.draw(b.top.circle(0.3), 0, y, 1.26, y)
    # A third pair of one net, joined elsewhere, with a foreign conductor under its web.
    for x in (0.0, 1.26):
        b.top.flash(b.top.circle(0.7), x, -10)
        b.mask.flash(b.mask.circle(1.2), x, -10)
        b.top.draw(b.top.circle(0.2), x, -10, x, -13)
    b.top.draw(b.top.circle(0.2), 0, -13, 1.26, -13)
    b.top.draw(b.top.circle(0.1), 0.63, -11.5, 0.63, -8)
    b.top.flash(b.top.circle(0.5), 0.63, -8)
    found = rows(b, tmp_path, "mask.web", "mask-top")
    assert found["value"] == pytest.approx([0.06] * 3, abs=NEAR)
    place = {round(b.at(found, n)[1]): found["kind"][n] for n in range(3)}
    assert place == {0: "nothing to bridge", -5: "", -10: ""}
    assert (
        found["group"][found["kind"] != ""].max() < 0 <= found["group"][found["kind"] == ""].min()
    )


def test_web_counts_the_copper_beside_it_not_all_that_is_bared(tmp_path: Path) -> None:
    b = Laid()
    # Two long openings over one pour; far from the web one of them bares another net as well.
    b.top.region([(-10, -3), (4, -3), (4, 3), (-10, 3)])
    b.top.region([(6, -3), (10, -3), (10, 3), (6, 3)])
    b.mask.region([(-8, 0.05), (9, 0.05), (9, 1), (-8, 1)])
    b.mask.region([(-8, -1), (2, -1), (2, 0), (-8, 0)])
    found = rows(b, tmp_path, "mask.web", "mask-top")
    assert set(found["kind"].tolist()) == {"nothing to bridge"}


@pytest.mark.parametrize("joined", [True, False])
def test_openings_over_one_net_that_nearly_touch_were_meant_to_meet(
    tmp_path: Path, joined: bool
) -> None:
    b = Laid()
    for x in (0.0, 1.203):
        b.top.flash(b.top.circle(1.0), x, 0)
        b.mask.flash(b.mask.circle(1.2), x, 0)
    if joined:
        b.top.draw(b.top.circle(0.3), 0, 0, 1.203, 0)
    found = rows(b, tmp_path, "mask.web", "mask-top")
    assert found["value"] == pytest.approx([0.003], abs=NEAR)
    assert found["kind"].tolist() == ["meant to meet" if joined else ""]


def test_web_between_parts_of_a_figure_has_nothing_to_bridge(tmp_path: Path) -> None:
    b = Laid()
    _lands(b)
    for x in (0.0, 2.06):  # two pieces of a logo, each its own net
        b.top.region(_square(x, 0, 2))
        b.mask.region(_square(x, 0, 2))
    found = rows(b, tmp_path, "mask.web", "mask-top", reach=0.1)
    assert set(found["kind"].tolist()) == {"nothing to bridge"}
    # Printed with paste they are lands.
    for x in (0.1, 2.16):
        b.paste.region(_square(x, 0.1, 1.8))
    found = rows(b, tmp_path / "paste", "mask.web", "mask-top", reach=0.1)
    assert set(found["kind"].tolist()) == {""}


@pytest.mark.parametrize("joined", [True, False])
@pytest.mark.parametrize("web", [0.06, 0.11])
def test_drawn_land_between_two_nets_is_a_bridge_of_both(
    tmp_path: Path, joined: bool, web: float
) -> None:
    """Three lands in a row; the middle one is drawn and has no net, pin, hole or paste."""
    b = Laid()
    _lands(b)
    away = 1.0 + web
    b.top.region(_square(-0.4, -0.4, 0.8))
    b.mask.region(_square(-0.5, -0.5, 1.0))
    for x in (-away, away):
        b.top.flash(b.top.rectangle(0.8, 0.8), x, 0)
        b.mask.flash(b.mask.rectangle(1.0, 1.0), x, 0)
        if joined:
            b.top.draw(b.top.circle(0.3), x, 0, x, -3)
            b.top.draw(b.top.circle(0.3), x, -3, 0, -3)
    found = rows(b, tmp_path, "mask.web", "mask-top", reach=0.15)
    assert found["value"][:2] == pytest.approx([web] * 2, abs=NEAR)
    bridge = not joined and web < 0.1
    assert set(found["kind"].tolist()) == {"" if bridge else "nothing to bridge"}


@pytest.mark.parametrize(
    ("circuit", "told"),
    [("", False), ("net", True), ("pin", True), ("conductor", True), ("in the opening", False)],
)
def test_what_a_circuit_hangs_on_is_no_figure(tmp_path: Path, circuit: str, told: bool) -> None:
    """A land drawn as a region, its mask short by 0.1 at the lower side: seen unless a figure."""
    b = Laid()
    _lands(b)
    if circuit in ("net", "pin"):
        b.top.body.append("%TO.N,HEATER*%" if circuit == "net" else "%TO.P,J1,2*%")
    b.top.region(_square(0, 0, 2))
    b.top.body.append("%TD*%")
    b.mask.region([(-0.1, 0.1), (2.1, 0.1), (2.1, 2.1), (-0.1, 2.1)])
    if circuit == "conductor":  # to another drawn land, under the mask
        b.top.draw(b.top.circle(0.2), 1, 1, 9, 1)
        b.top.region(_square(8, 0, 2))
    elif circuit == "in the opening":
        b.top.draw(b.top.circle(0.2), 1, 1, 1.5, 1)
    found = rows(b, tmp_path, "mask.clearance", "mask-top")
    assert (found["value"].min() < -0.09) == told


def test_drawn_lands_are_no_figures(tmp_path: Path) -> None:
    b = Laid()
    for n in range(4):
        b.top.region(_square(2.06 * n, 0, 2))
        b.mask.region(_square(2.06 * n, 0, 2))
    found = rows(b, tmp_path, "mask.web", "mask-top", reach=0.1)
    assert set(found["kind"].tolist()) == {""}


def test_opening_of_a_figure_beside_a_figure_is_not_told(tmp_path: Path) -> None:
    b = Laid()
    _lands(b)
    for x in (0.0, 2.03):
        b.top.region(_square(x, 0, 2))
    b.mask.region(_square(0, 0, 2))
    found = rows(b, tmp_path, "mask.opening-to-conductor", "mask-top", reach=0.1)
    assert len(found["value"]) == 0
    # A land's opening beside the figure is told, and so is a conductor beside a figure's.
    b.top.flash(b.top.circle(1.0), -0.64, 1)
    b.mask.flash(b.mask.circle(1.2), -0.64, 1)
    b.top.flash(b.top.circle(0.6), 1, -3)
    b.top.draw(b.top.circle(0.2), 1, -3, 1, -0.15)  # its end 0.05 below the figure
    found = rows(b, tmp_path / "more", "mask.opening-to-conductor", "mask-top", reach=0.1)
    assert found["value"] == pytest.approx([0.04, 0.05, 0.14], abs=NEAR)


def test_defined_lands(tmp_path: Path) -> None:
    b = Laid()
    wide, narrow = b.top.circle(1.0), b.top.circle(0.6)
    b.top.flash(wide, 0, 0)
    b.mask.flash(b.mask.circle(0.8), 0, 0)  # the opening makes the land
    for x, opening in ((5, 0.7), (9, 0.6), (13, 0.5)):  # lands in a pour
        b.top.flash(narrow, x, 5)
        b.top.region(_square(x - 1.5, 3.5, 3))
        b.mask.flash(b.mask.circle(opening), x, 5)
    b.top.flash(wide, -5, 0)
    b.mask.flash(b.mask.circle(1.1), -5, 0)  # copper makes the land
    found = rows(b, tmp_path, "mask.defined-land", "mask-top")
    at = sorted(tuple(np.round(b.at(found, n), 2)) for n in range(len(found["value"])))
    assert at == [(0, 0), (13, 5)]  # in the pour only where the opening lies within the land


def test_a_seam_no_film_shows_is_no_sliver(tmp_path: Path) -> None:
    b = Laid()
    # Openings that meet at one end and leave a straight slit of 5 µm, and another of 12 µm.
    for y, slit in ((0.0, 0.005), (-6.0, 0.012)):
        b.mask.region(_square(0, y, 1))
        b.mask.region(_square(1 + slit, y, 1))
        b.mask.region([(0, y + 0.9), (2, y + 0.9), (2, y + 1.4), (0, y + 1.4)])
    found = rows(b, tmp_path, "mask.sliver", "mask-top")
    assert found["value"].min() == pytest.approx(0.012, abs=NEAR / 2)
