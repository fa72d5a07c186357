"""Planted defects: each function edits the clean design and says what must be found.

A value is exact by construction. The place is the middle of the measured line, in design
coordinates; a defect that is equally bad along a stretch names the stretch's two ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from drawing import Flash, Point, Shape, disc
from tide_logger import GND, MASK_CLEARANCE, VDD, Design, Hole, Land, Track


@dataclass(frozen=True)
class Plant:
    """What must be found: rule, layer, value (mm or ratio) and place."""

    rule: str
    layer: str
    value: float
    at: Point
    to: Point | None = None
    how: str = ""


PLANTS: list[Callable[[Design], list[Plant]]] = []


def plant(function: Callable[[Design], list[Plant]]) -> Callable[[Design], list[Plant]]:
    PLANTS.append(function)
    return function


def _near(a: Point, b: Point) -> bool:
    return abs(a[0] - b[0]) < 1e-6 and abs(a[1] - b[1]) < 1e-6


def _hole(d: Design, at: Point) -> Hole:
    return next(h for h in d.holes if _near(h.at, at))


def _land(d: Design, at: Point, layer: int = 1) -> Land:
    return next(land for land in d.lands if land.layer == layer and _near(land.at, at))


def _track(d: Design, net: str, start: Point, end: Point) -> Track:
    return next(
        t
        for t in d.tracks
        if t.net == net and _near(t.path[0], start) and _near(t.path[-1], end)  # type: ignore[arg-type]
    )


# -- etch ------------------------------------------------------------------------------


@plant
def narrow_track(d: Design) -> list[Plant]:
    track = _track(d, "CS", (30.75, 24.0), (41.3, 31.905))
    track.path = [*track.path[:-1], (36.0, 31.905)]
    d.track("CS", 0.07, (36.0, 31.905), (37.0, 31.905))
    d.track("CS", 0.2, (37.0, 31.905), (41.3, 31.905))
    return [
        Plant("etch.conductor-width", "conductor-1", 0.07, (36.1, 31.905), (36.9, 31.905),
              "a stretch of track drawn with a 0.07 mm aperture")
    ]  # fmt: skip


@plant
def narrow_link(d: Design) -> list[Plant]:
    track = _track(d, GND, (41.3, 28.095), (41.3, 26.5))
    track.path = [(41.3, 28.095), (41.3, 27.5)]
    d.track(GND, 0.3, (41.3, 27.1), (41.3, 26.5))
    d.lands.append(
        Land("", "", GND, (41.3, 27.3), 1, Shape("R", (0.08, 0.6)), "Conductor", None)
    )  # fmt: skip
    return [
        Plant("etch.conductor-width", "conductor-1", 0.08, (41.3, 27.26), (41.3, 27.34),
              "a narrow flash links two tracks")
    ]  # fmt: skip


@plant
def bitten_pour(d: Design) -> list[Plant]:
    d.cuts[1].append(Flash(disc(2.0), (40.06, 15.0), "AntiPad", dark=False))
    return [
        Plant("etch.copper-sliver", "conductor-1", 0.06, (39.03, 15.0),
              how="a clear disc leaves a neck at the edge of a pour")
    ]  # fmt: skip


@plant
def tongue_of_pour(d: Design) -> list[Plant]:
    pour = next(p for p in d.pours if p.layer == 1 and p.net == VDD)
    corner = pour.path.index((49.0, 12.0))
    pour.path[corner:corner] = [(47.4, 12.0), (47.4, 11.0), (47.47, 11.0), (47.47, 12.0)]
    return [
        Plant("etch.copper-sliver", "conductor-1", 0.07, (47.435, 11.0), (47.435, 12.0),
              "a narrow tongue at the edge of a pour")
    ]  # fmt: skip


@plant
def track_beside_land(d: Design) -> list[Plant]:
    track = _track(d, "SCK", (32.0, 22.75), (46.7, 29.365))
    track.path = [
        (32.0, 22.75), (46.5, 22.75), (47.655, 23.905), (47.655, 28.4), (48.1, 28.845),
        (48.1, 28.965), (47.7, 29.365), (46.7, 29.365),
    ]  # fmt: skip
    return [
        Plant("etch.conductor-spacing", "conductor-1", 0.08, (47.515, 27.945), (47.515, 28.245),
              "a track passes the land of another net"),
        Plant("mask.opening-to-conductor", "mask-top", 0.03, (47.54, 27.895), (47.54, 28.295),
              "a track passes the opening of another net's land"),
    ]  # fmt: skip


@plant
def pours_together(d: Design) -> list[Plant]:
    pour = next(p for p in d.pours if p.layer == 1 and p.net == VDD)
    pour.path += [(44.2, 15.0), (43.87, 15.0), (43.87, 14.0), (44.2, 14.0)]
    return [
        Plant("etch.conductor-spacing", "conductor-1", 0.07, (43.835, 14.0), (43.835, 15.0),
              "a tab of one pour reaches towards another")
    ]  # fmt: skip


@plant
def slit_in_pour(d: Design) -> list[Plant]:
    pour = next(p for p in d.pours if p.layer == 1 and p.net == VDD)
    pour.path[1:1] = [(46.0, 12.0), (46.0, 14.0), (46.07, 14.0), (46.07, 12.0)]
    return [
        Plant("etch.notch", "conductor-1", 0.07, (46.035, 12.0), (46.035, 14.0),
              "a slit in the contour of a pour")
    ]  # fmt: skip


@plant
def tracks_side_by_side(d: Design) -> list[Plant]:
    d.track("GAUGE_IN", 0.2, (42.0, 20.75), (42.0, 21.01), (42.8, 21.01))
    return [
        Plant("etch.notch", "conductor-1", 0.06, (42.1, 20.88), (42.8, 20.88),
              "two tracks of one net side by side, joined at one end")
    ]  # fmt: skip


# -- plate -----------------------------------------------------------------------------


@plant
def hole_off_centre(d: Design) -> list[Plant]:
    _hole(d, (33.7, 21.75)).at = (33.85, 21.75)
    # Alike on conductor-4: a hole is asked about once, on the first of its layers.
    return [
        Plant("plate.annular-ring", "conductor-1", 0.05, (34.025, 21.75),
              how="a hole 0.15 mm off")
    ]  # fmt: skip


@plant
def hole_breaks_out(d: Design) -> list[Plant]:
    _hole(d, (26.0, 24.25)).at = (25.78, 24.25)
    return [
        Plant("plate.annular-ring", "conductor-1", -0.02, (25.64, 24.25),
              how="a hole 0.22 mm off breaks out of its land")
    ]  # fmt: skip


@plant
def land_too_small(d: Design) -> list[Plant]:
    land = _land(d, (34.16, 5.0))
    land.shape, land.at = Shape("O", (1.1, 2.2)), (34.17, 5.0)
    land.opening = Flash(land.shape.grown(MASK_CLEARANCE), land.at)
    return [
        Plant("plate.annular-ring", "conductor-1", 0.04, (33.64, 5.0),
              how="a narrow land, 0.01 mm off its hole")
    ]  # fmt: skip


# -- drill -----------------------------------------------------------------------------


@plant
def small_antipad(d: Design) -> list[Plant]:
    at = (46.7, 33.5)
    row = next(n for n, cut in enumerate(d.cuts[2]) if isinstance(cut, Flash) and _near(cut.at, at))
    d.cuts[2][row] = Flash(disc(0.6), (46.75, 33.5), "AntiPad", dark=False)
    return [
        Plant("drill.hole-to-copper", "conductor-2", 0.1, (46.5, 33.5),
              how="an antipad of 0.6 mm, 0.05 mm off its hole")
    ]  # fmt: skip


@plant
def peg_hole_beside_track(d: Design) -> list[Plant]:
    d.unplated((46.8, 20.13), 0.8, 0.5)
    return [
        Plant("drill.unplated-to-copper", "conductor-1", 0.12, (46.8, 20.59),
              how="an unplated hole beside a track")
    ]  # fmt: skip


@plant
def antipad_off(d: Design) -> list[Plant]:
    at = (42.3, 13.5)
    row = next(n for n, cut in enumerate(d.cuts[3]) if isinstance(cut, Flash) and _near(cut.at, at))
    d.cuts[3][row] = replace(d.cuts[3][row], at=(42.75, 13.5))
    return [
        Plant("drill.hole-to-copper", "conductor-3", 0.1, (42.1, 13.5),
              how="an antipad in full size, 0.45 mm off its hole")
    ]  # fmt: skip


@plant
def clearing_off(d: Design) -> list[Plant]:
    at = (4.0, 36.0)
    row = next(n for n, cut in enumerate(d.cuts[3]) if isinstance(cut, Flash) and _near(cut.at, at))
    d.cuts[3][row] = Flash(disc(4.0), (4.3, 36.0), "AntiPad", dark=False)
    return [
        Plant("drill.unplated-to-copper", "conductor-3", 0.1, (2.35, 36.0),
              how="a plane cleared 0.3 mm beside a mounting hole")
    ]  # fmt: skip


@plant
def vias_together(d: Design) -> list[Plant]:
    d.via(GND, (12.72, 12.6))
    return [
        Plant("drill.hole-to-hole", "drill-plated-1-4", 0.12, (12.51, 12.6),
              how="two holes of one net too near")
    ]  # fmt: skip


@plant
def hole_beside_slot(d: Design) -> list[Plant]:
    d.unplated((51.72, 14.0), 1.0, 0.35)
    return [
        Plant("drill.hole-to-hole", "drill-unplated-1-4", 0.12, (51.16, 14.0),
              how="an unplated hole beside a routed slot")
    ]  # fmt: skip


@plant
def thin_holes(d: Design) -> list[Plant]:
    plants = []
    for at, diameter, ratio in (((41.3, 26.5), 0.1, 16.0), ((15.6, 22.25), 0.125, 12.8)):
        _hole(d, at).diameter = diameter
        plants += [
            Plant(rule, "drill-plated-1-4", value, at,
                  how=f"a hole of {diameter} mm through 1.6 mm")
            for rule, value in (("drill.aspect-ratio", ratio),
                                ("drill.smallest-diameter", diameter))
        ]  # fmt: skip
    return plants


# -- rout ------------------------------------------------------------------------------


@plant
def track_at_profile(d: Design) -> list[Plant]:
    d.track(VDD, 0.2, (54.0, 15.0), (59.82, 15.0))
    return [
        Plant("rout.copper-to-profile", "conductor-1", 0.08, (59.96, 15.0),
              how="a track ends at the profile")
    ]  # fmt: skip


@plant
def plane_at_profile(d: Design) -> list[Plant]:
    plane = next(p for p in d.pours if p.layer == 2)
    plane.path[1:1] = [(27.0, 0.7), (27.0, 0.1), (29.0, 0.1), (29.0, 0.7)]
    return [
        Plant("press.copper-to-profile", "conductor-2", 0.1, (27.0, 0.05), (29.0, 0.05),
              "a tab of the plane reaches towards the profile")
    ]  # fmt: skip


@plant
def inner_track_at_profile(d: Design) -> list[Plant]:
    d.track(VDD, 0.3, (45.0, 2.0), (45.0, 0.29), layer=3)
    return [
        Plant("press.copper-to-profile", "conductor-3", 0.14, (45.0, 0.07),
              how="a track on an inner layer ends at the profile")
    ]  # fmt: skip


@plant
def pour_at_profile(d: Design) -> list[Plant]:
    pour = next(p for p in d.pours if p.layer == 4)
    pour.path[1:1] = [(43.0, 0.8), (43.0, 0.12), (45.0, 0.12), (45.0, 0.8)]
    return [
        Plant("rout.copper-to-profile", "conductor-4", 0.12, (43.0, 0.06), (45.0, 0.06),
              "a tab of the pour reaches towards the profile")
    ]  # fmt: skip


# -- mask ------------------------------------------------------------------------------


@plant
def openings_together(d: Design) -> list[Plant]:
    land = _land(d, (32.0, 21.75))  # U1 pin 15; pin 14 lies 0.5 mm below
    land.opening = Flash(Shape("RR", (0.9, 0.46, 0.1)), (32.0, 21.695))
    return [
        Plant("mask.web", "mask-top", 0.04, (31.65, 21.445), (32.35, 21.445),
              "an opening grown towards its neighbour")
    ]  # fmt: skip


@plant
def long_opening(d: Design) -> list[Plant]:
    land = _land(d, (29.75, 24.0))  # towards the centre land, whose opening ends at 23.25
    land.opening = Flash(Shape("O", (0.35, 1.16)), (29.75, 23.87))
    return [
        Plant("mask.web", "mask-top", 0.04, (29.75, 23.27),
              how="a long opening ends at the centre land's opening")
    ]  # fmt: skip


@plant
def opening_off(d: Design) -> list[Plant]:
    land = _land(d, (48.6, 33.5))
    assert land.opening is not None
    land.opening = replace(land.opening, at=(48.56, 33.5))
    return [
        Plant("mask.clearance", "mask-top", 0.01, (49.005, 33.05), (49.005, 33.95),
              "an opening 0.04 mm off its land")
    ]  # fmt: skip


@plant
def opening_too_small(d: Design) -> list[Plant]:
    land = _land(d, (17.7, 17.905))
    land.opening = Flash(Shape("RR", (1.65, 0.67, 0.2)), (17.7, 17.92))
    return [
        Plant("mask.clearance", "mask-top", 0.02, (17.075, 17.595), (18.325, 17.595),
              "an opening cut back on one side of its land")
    ]  # fmt: skip


@plant
def opening_too_large(d: Design) -> list[Plant]:
    land = _land(d, (24.54, 35.0), 4)  # in a clearing of the ground pour, 0.25 mm all round
    land.opening = Flash(disc(1.98), (24.54, 34.91))
    return [
        Plant("mask.opening-to-conductor", "mask-bottom", 0.02, (24.54, 33.91),
              how="an opening grown towards the pour round its land")
    ]  # fmt: skip


def planted(design: Design) -> list[Plant]:
    """Apply every plant to the design."""
    return [entry for function in PLANTS for entry in function(design)]
