"""The tide logger: design data of the sample board, and how it is plotted.

A made-up product: a tide-gauge logger for the harbour office of Port Ellery. 60 mm × 40 mm,
four conductor layers: signals on 1, ground plane on 2, supply plane on 3, ground pour and a
few signals on 4. Design coordinates have their origin in the lower-left corner of the
profile; files place that corner at :data:`CORNER`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from drawing import Arc, Flash, Hit, Item, Path, Point, Region, Shape, Stroke, disc
from lettering import lettering

CORNER: Point = (20.0, 15.0)
SIZE: Point = (60.0, 40.0)
THICKNESS = 1.6
MASK_CLEARANCE = 0.05
GND, VDD = "GND", "+3V3"
PLANE_NET = {2: GND, 3: VDD, 4: GND}
VIA_LAND, VIA_DRILL = 0.7, 0.3


@dataclass
class Land:
    """One land on one outer layer, with its mask opening (None: covered) and paste."""

    ref: str
    pin: str
    net: str | None
    at: Point
    layer: int
    shape: Shape
    function: str
    opening: Flash | None
    paste: tuple[Flash, ...] = ()


@dataclass
class Hole:
    at: Point
    diameter: float
    function: str  # ViaDrill, ComponentDrill or MechanicalDrill
    plated: bool
    net: str | None = None
    to: Point | None = None


@dataclass
class Track:
    net: str
    layer: int
    width: float
    path: list[Point | Arc]


@dataclass
class Pour:
    net: str
    layer: int
    path: list[Point | Arc]


@dataclass
class Design:
    """All that is on the board; the lists are edited by the plants."""

    lands: list[Land] = field(default_factory=list)
    holes: list[Hole] = field(default_factory=list)
    tracks: list[Track] = field(default_factory=list)
    pours: list[Pour] = field(default_factory=list)
    cuts: dict[int, list[Item]] = field(default_factory=lambda: {n: [] for n in (1, 2, 3, 4)})
    windows: dict[int, list[Flash]] = field(default_factory=lambda: {1: [], 4: []})
    ink: dict[int, list[Stroke]] = field(default_factory=lambda: {1: [], 4: []})

    # -- parts -------------------------------------------------------------------------

    def land(
        self, ref: str, pin: str, net: str | None, at: Point, shape: Shape, layer: int = 1,
        function: str = "SMDPad,CuDef", paste: bool = True,
    ) -> Land:  # fmt: skip
        """A land; the mask opening is larger by the mask clearance on every side."""
        opening = Flash(shape.grown(MASK_CLEARANCE), at)
        land = Land(ref, pin, net, at, layer, shape, function, opening)
        if paste:
            land.paste = (Flash(shape, at),)
        self.lands.append(land)
        return land

    def via(self, net: str, at: Point, antipad: float = 1.4) -> None:
        """A covered via: lands on both outer layers, planes joined or cleared."""
        self.holes.append(Hole(at, VIA_DRILL, "ViaDrill", True, net))
        for layer in (1, 4):
            self.lands.append(Land("", "", net, at, layer, disc(VIA_LAND), "ViaPad", opening=None))
        for layer, plane in PLANE_NET.items():
            if plane != net:
                self.cuts[layer].append(Flash(disc(antipad), at, "AntiPad", dark=False))

    def pin(self, ref: str, pin: str, net: str, at: Point, shape: Shape) -> None:
        """A component hole of 1.0 mm with its lands, antipads and thermal reliefs."""
        self.holes.append(Hole(at, 1.0, "ComponentDrill", True, net))
        for layer in (1, 4):
            self.land(ref, pin, net, at, shape, layer, "ComponentPad", paste=False)
        for layer, plane in PLANE_NET.items():
            gap = 0.25 if layer == 4 else 0.3
            body = shape if layer == 4 else disc(1.7)
            if plane != net:
                self.cuts[layer].append(Flash(body.grown(gap), at, "AntiPad", dark=False))
            elif body.kind == "C":
                ring = Shape("T", (body.values[0] + 2 * gap, body.values[0], 0.5, 0.0))
                self.cuts[layer].append(Flash(ring, at, "ThermalReliefPad", dark=False))
            else:  # cleared all round, then joined by four spokes
                self.cuts[layer].append(Flash(body.grown(gap), at, "AntiPad", dark=False))
                w, h = (v / 2 + gap + 0.1 for v in body.size)
                for dx, dy in ((w, 0.0), (0.0, h)):
                    self.track(net, 0.5, (at[0] - dx, at[1] - dy), (at[0] + dx, at[1] + dy),
                               layer=layer)  # fmt: skip

    def track(self, net: str, width: float, *path: Point | Arc, layer: int = 1) -> None:
        self.tracks.append(Track(net, layer, width, list(path)))
        if layer == 4 and net != GND:
            self.cuts[4].append(Stroke(width + 0.5, list(path), dark=False))

    def unplated(self, at: Point, diameter: float, clear: float, to: Point | None = None) -> None:
        """An unplated hole, or slot, cleared on the three poured layers."""
        self.holes.append(Hole(at, diameter, "MechanicalDrill", False, to=to))
        width = diameter + 2 * clear
        for layer in (2, 3, 4):
            cut: Item = Flash(disc(width), at, "AntiPad", dark=False)
            if to is not None:
                cut = Stroke(width, [at, to], dark=False)
            self.cuts[layer].append(cut)

    def body(self, ref: str, at: Point, half: Point, text: Point, layer: int = 1) -> None:
        """Legend: the body's outline and the reference, its lower-left corner at ``text``."""
        (x, y), (w, h) = at, half
        corners: list[Point | Arc] = [
            (x - w, y - h), (x + w, y - h), (x + w, y + h), (x - w, y + h), (x - w, y - h)
        ]  # fmt: skip
        self.ink[layer].append(Stroke(0.15, corners))
        self.ink[layer] += lettering(ref, text, mirrored=layer == 4)

    def chip(
        self, ref: str, at: Point, nets: tuple[str, str], upright: bool = False, layer: int = 1,
        pitch: float = 1.6,
    ) -> None:  # fmt: skip
        """A two-land chip part; first land left (or lower)."""
        shape = Shape("R", (0.9, 0.8) if upright else (0.8, 0.9))
        for n, (net, sign) in enumerate(zip(nets, (-1, 1), strict=True), start=1):
            d = sign * pitch / 2
            place = (at[0], at[1] + d) if upright else (at[0] + d, at[1])
            self.land(ref, str(n), net, place, shape, layer)

    # -- plotting ----------------------------------------------------------------------

    def copper(self, layer: int) -> list[Item]:
        """Items of a conductor layer in painting order, design coordinates."""
        items: list[Item] = [
            Region(p.path, "Conductor", p.net) for p in self.pours if p.layer == layer
        ]
        items += self.cuts[layer]
        items += [
            Stroke(t.width, t.path, "Conductor", t.net) for t in self.tracks if t.layer == layer
        ]
        for land in self.lands:
            if land.layer == layer:
                pin = (land.ref, land.pin) if land.pin else None
                items.append(Flash(land.shape, land.at, land.function, land.net, pin))
        return items

    def mask(self, layer: int) -> list[Item]:
        openings = [land.opening for land in self.lands if land.layer == layer]
        return [*(o for o in openings if o is not None), *self.windows[layer]]

    def paste(self, layer: int) -> list[Item]:
        return [flash for land in self.lands if land.layer == layer for flash in land.paste]

    def profile(self) -> list[Item]:
        return [Stroke(0.1, rounded((0.0, 0.0), SIZE, 2.0), "Profile")]

    def hits(self, plated: bool) -> list[Hit]:
        function = {
            "ViaDrill": "Plated,PTH,ViaDrill",
            "ComponentDrill": "Plated,PTH,ComponentDrill",
        }
        return [
            Hit(h.diameter, h.at, function.get(h.function, "NonPlated,NPTH,MechanicalDrill"), h.to)
            for h in self.holes
            if h.plated == plated
        ]


def rounded(low: Point, high: Point, radius: float) -> list[Point | Arc]:
    """Counter-clockwise rectangle with rounded corners, closed."""
    (x0, y0), (x1, y1), r = low, high, radius
    return [
        (x0 + r, y0), (x1 - r, y0), Arc((x1, y0 + r), (x1 - r, y0 + r), False),
        (x1, y1 - r), Arc((x1 - r, y1), (x1 - r, y1 - r), False),
        (x0 + r, y1), Arc((x0, y1 - r), (x0 + r, y1 - r), False),
        (x0, y0 + r), Arc((x0 + r, y0), (x0 + r, y0 + r), False),
    ]  # fmt: skip


def moved(item: Item, by: Point = CORNER) -> Item:
    """The item in file coordinates."""

    def shift(p: Point) -> Point:
        return (p[0] + by[0], p[1] + by[1])

    if isinstance(item, Flash):
        return replace(item, at=shift(item.at))
    path: Path = [
        Arc(shift(s.end), shift(s.centre), s.clockwise) if isinstance(s, Arc) else shift(s)
        for s in item.path
    ]
    return replace(item, path=path)


def build() -> Design:
    """The clean board."""
    d = Design()
    d.pours += [
        Pour(GND, 2, rounded((0.7, 0.7), (59.3, 39.3), 1.3)),
        Pour(VDD, 3, rounded((0.7, 0.7), (59.3, 39.3), 1.3)),
        Pour(GND, 4, rounded((0.8, 0.8), (59.2, 39.2), 1.2)),
        Pour(GND, 1, [(39.0, 12.0), (43.8, 12.0), (43.8, 17.0), (39.0, 17.0)]),
        Pour(VDD, 1, [(44.2, 12.0), (49.0, 12.0), (49.0, 17.0), (44.2, 17.0)]),
    ]
    d.via(GND, (42.3, 13.5))
    d.via(VDD, (48.0, 16.0))
    _mechanics(d)
    _connectors(d)
    _controller(d)
    _memory(d)
    _bus(d)
    _supply(d)
    return d


def _mechanics(d: Design) -> None:
    for at in ((4.0, 4.0), (56.0, 4.0), (4.0, 36.0), (56.0, 36.0)):
        d.unplated(at, 3.2, 0.6)
        for layer in (1, 4):
            d.windows[layer].append(Flash(disc(3.6), at))
    d.unplated((50.5, 11.0), 1.2, 0.62, to=(50.5, 17.0))
    for layer, at in ((1, (10.0, 36.0)), (1, (50.0, 4.0)), (1, (10.0, 28.0)), (4, (16.0, 36.0))):
        fiducial = d.land("", "", None, at, disc(1.0), layer, "FiducialPad,Local", paste=False)
        fiducial.opening = Flash(disc(2.0), at)
        if layer == 4:
            d.cuts[4].append(Flash(disc(2.6), at, "AntiPad", dark=False))
    d.ink[1] += lettering("TIDE LOGGER B", (30.0, 36.4))


def _connectors(d: Design) -> None:
    round_, square, oval = disc(1.7), Shape("RR", (1.7, 1.7, 0.25)), Shape("O", (1.5, 2.2))
    for n, net in enumerate(("VIN", GND, "BUS_A", "BUS_B")):
        d.pin("J1", str(n + 1), net, (6.0, 12.0 + 2.54 * n), square if n == 0 else round_)
    d.body("J1", (6.0, 15.81), (1.4, 5.3), (5.2, 22.0))
    for n, net in enumerate((VDD, GND, "DBG_IO", "DBG_CK", "RESET", "LED")):
        d.pin("J2", str(n + 1), net, (round(24.0 + 2.54 * n, 3), 5.0), oval)
    d.body("J2", (30.35, 5.0), (7.8, 1.6), (30.0, 1.5))
    for n, net in enumerate((VDD, GND, "GAUGE_IN")):
        d.pin("J3", str(n + 1), net, (54.0, 15.0 + 2.54 * n), square if n == 0 else round_)
    d.body("J3", (54.0, 17.54), (1.4, 4.0), (56.2, 17.0))
    d.pin("J4", "1", GND, (22.0, 35.0), round_)
    d.pin("J4", "2", "ALARM", (24.54, 35.0), round_)
    d.body("J4", (23.27, 35.0), (2.7, 1.4), (22.5, 37.2))
    d.track("DBG_IO", 0.2, (29.25, 20.0), (29.25, 9.17), (29.08, 9.0), (29.08, 5.0))
    d.track("DBG_CK", 0.2, (29.75, 20.0), (29.75, 15.0), (31.62, 13.13), (31.62, 5.0))
    d.track("RESET", 0.2, (30.25, 20.0), (30.25, 16.0), (34.16, 12.09), (34.16, 5.0))
    d.track("LED", 0.2, (30.75, 20.0), (30.75, 17.0), (36.7, 11.05), (36.7, 5.0))
    d.track("LED", 0.2, (36.7, 5.0), (39.0, 5.0), (40.2, 6.2), (40.2, 8.0))
    d.chip("R1", (41.0, 8.0), ("LED", "LED_A"))
    d.body("R1", (41.0, 8.0), (1.5, 0.75), (40.2, 9.2))
    d.track("LED_A", 0.25, (41.8, 8.0), (44.2, 8.0))
    d.chip("D1", (45.0, 8.0), ("LED_A", GND))
    d.body("D1", (45.0, 8.0), (1.5, 0.75), (44.2, 9.2))
    d.track(GND, 0.3, (45.8, 8.0), (47.6, 8.0))
    d.via(GND, (47.6, 8.0))


def _controller(d: Design) -> None:
    """U1: 24 lands at 0.5 mm round a centre land with four vias."""
    x, y = 30.0, 22.0
    sides: Sequence[tuple[Sequence[str | None], bool]] = (
        ((VDD, "XIN", "XOUT", "RX", "DIR", "TX"), False),
        ((None, "DBG_IO", "DBG_CK", "RESET", "LED", GND), True),
        (("GAUGE_F", "ALARM", None, None, "SCK", "MOSI"), False),
        (("MISO", "CS", None, None, None, None), True),
    )
    for side, (nets, upright) in enumerate(sides):
        for n, net in enumerate(nets):
            step = -1.25 + 0.5 * n
            at = ((x - 2, y - step), (x + step, y - 2), (x + 2, y + step), (x - step, y + 2))[side]
            shape = Shape("O", (0.25, 0.8)) if upright else Shape("RR", (0.8, 0.25, 0.05))
            d.land("U1", str(6 * side + n + 1), net, at, shape)
    centre = d.land("U1", "25", GND, (x, y), Shape("R", (2.4, 2.4)), paste=False)
    offsets = [(a, b) for a in (-0.55, 0.55) for b in (-0.55, 0.55)]
    centre.paste = tuple(Flash(Shape("R", (0.9, 0.9)), (x + a, y + b)) for a, b in offsets)
    for a in (-0.8, 0.8):
        for b in (-0.8, 0.8):
            d.via(GND, (x + a, y + b))
    d.ink[1] += lettering("U1", (27.3, 25.0))
    for sx in (-1, 1):
        for sy in (-1, 1):
            corner: list[Point | Arc] = [
                (x + sx * 2.6, y + sy * 1.9), (x + sx * 2.6, y + sy * 2.6),
                (x + sx * 1.9, y + sy * 2.6),
            ]  # fmt: skip
            d.ink[1].append(Stroke(0.15, corner))
    d.track(GND, 0.25, (31.25, 20.0), (31.25, 18.6), (32.25, 17.6))
    d.via(GND, (32.25, 17.6))
    d.track(VDD, 0.25, (28.0, 23.25), (27.0, 23.25), (26.0, 24.25))
    d.via(VDD, (26.0, 24.25), antipad=1.6)
    d.track(VDD, 0.3, (26.0, 24.25), (26.0, 27.2))
    d.chip("C1", (25.2, 27.2), (GND, VDD))
    d.body("C1", (25.2, 27.2), (1.5, 0.75), (24.4, 28.4))
    d.track(GND, 0.3, (24.4, 27.2), (22.7, 27.2))
    d.via(GND, (22.7, 27.2))
    # crystal and its load capacitors
    for net, level in (("XIN", 25.0), ("XOUT", 22.25)):
        d.land("Y1", "1" if net == "XIN" else "2", net, (21.5, level), Shape("O", (2.0, 1.2)))
        d.track(net, 0.2, (21.5, level), (18.8, level))
        d.chip("C3" if net == "XIN" else "C4", (18.0, level), (GND, net))
        d.track(GND, 0.3, (17.2, level), (15.6, level))
        d.via(GND, (15.6, level))
    d.body("Y1", (21.5, 23.625), (1.3, 2.4), (23.2, 25.4))
    d.body("C3", (18.0, 25.0), (1.5, 0.75), (17.2, 26.1))
    d.body("C4", (18.0, 22.25), (1.5, 0.75), (17.2, 23.2))
    d.track("XIN", 0.2, (28.0, 22.75), (25.0, 22.75), (22.75, 25.0), (21.5, 25.0))
    d.track("XOUT", 0.2, (28.0, 22.25), (21.5, 22.25))
    # gauge input with its filter
    d.track("GAUGE_F", 0.2, (32.0, 20.75), (37.2, 20.75))
    d.chip("C2", (35.5, 19.95), (GND, "GAUGE_F"), upright=True)
    d.track(GND, 0.3, (35.5, 19.15), (35.5, 17.4))
    d.via(GND, (35.5, 17.4))
    d.body("C2", (35.5, 19.95), (0.75, 1.5), (36.5, 17.9))
    d.chip("R2", (38.0, 20.75), ("GAUGE_F", "GAUGE_IN"))
    d.body("R2", (38.0, 20.75), (1.5, 0.75), (37.6, 18.5))
    d.track(
        "GAUGE_IN", 0.2, (38.8, 20.75), (48.0, 20.75), Arc((50.0, 22.75), (48.0, 22.75), False),
        Arc((52.0, 24.75), (52.0, 22.75), True), (53.0, 24.75), (54.0, 23.75), (54.0, 20.08),
    )  # fmt: skip
    d.track("ALARM", 0.2, (32.0, 21.25), (33.2, 21.25), (33.7, 21.75))
    d.via("ALARM", (33.7, 21.75))
    d.track("ALARM", 0.2, (33.7, 21.75), (33.7, 31.0), (29.7, 35.0), (24.54, 35.0), layer=4)


def _small_outline(
    d: Design, ref: str, at: Point, left: Sequence[str], right: Sequence[str]
) -> None:
    """Eight lands at 1.27 mm, both columns named from the top."""
    for column, sign, first in ((left, -1, 1), (right, 1, 8)):
        for n, net in enumerate(column):
            place = (round(at[0] + sign * 2.7, 3), round(at[1] + 1.905 - 1.27 * n, 3))
            d.land(ref, str(first - sign * n), net, place, Shape("RR", (1.55, 0.6, 0.15)))
    d.body(ref, at, (1.5, 2.45), (at[0] - 0.8, at[1] + 2.9))


def _memory(d: Design) -> None:
    _small_outline(d, "U2", (44.0, 30.0), ("CS", "MISO", VDD, GND), (VDD, VDD, "SCK", "MOSI"))
    d.track("CS", 0.2, (30.75, 24.0), (30.75, 29.0), (33.655, 31.905), (41.3, 31.905))
    d.track("MISO", 0.2, (31.25, 24.0), (31.25, 28.0), (33.885, 30.635), (41.3, 30.635))
    d.track("MOSI", 0.2, (32.0, 23.25), (45.0, 23.25), (46.7, 24.95), (46.7, 28.095))
    d.track("SCK", 0.2, (32.0, 22.75), (46.5, 22.75), (49.0, 25.25), (49.0, 28.365),
            (48.0, 29.365), (46.7, 29.365))  # fmt: skip
    d.track(GND, 0.3, (41.3, 28.095), (41.3, 26.5))
    d.via(GND, (41.3, 26.5))
    d.track(VDD, 0.3, (41.3, 29.365), (39.4, 29.365))
    d.via(VDD, (39.4, 29.365))
    d.track(VDD, 0.3, (46.7, 30.635), (46.7, 33.5))
    d.via(VDD, (46.7, 33.5))
    d.track(VDD, 0.3, (46.7, 33.5), (48.6, 33.5))
    d.chip("C5", (49.4, 33.5), (VDD, GND))
    d.body("C5", (49.4, 33.5), (1.5, 0.75), (48.6, 34.7))
    d.track(GND, 0.3, (50.2, 33.5), (51.7, 33.5))
    d.via(GND, (51.7, 33.5))


def _bus(d: Design) -> None:
    _small_outline(d, "U3", (15.0, 16.0), (VDD, "BUS_B", "BUS_A", GND), ("RX", "DIR", "DIR", "TX"))
    d.track("BUS_A", 0.25, (6.0, 17.08), (8.5, 17.08), (10.215, 15.365), (12.3, 15.365))
    d.track("BUS_B", 0.25, (6.0, 19.62), (8.0, 19.62), (10.985, 16.635), (12.3, 16.635))
    d.track("BUS_A", 0.25, (6.0, 17.08), (9.2, 17.08), layer=4)
    d.track("BUS_B", 0.25, (6.0, 19.62), (9.2, 19.62), layer=4)
    d.chip("R4", (9.2, 18.35), ("BUS_A", "BUS_B"), upright=True, layer=4, pitch=2.54)
    for level in (17.08, 19.62):
        d.cuts[4].append(Flash(Shape("R", (1.5, 1.4)), (9.2, level), "AntiPad", dark=False))
    d.body("R4", (9.2, 18.35), (0.75, 2.0), (12.2, 17.9), layer=4)
    d.track("RX", 0.2, (28.0, 21.75), (25.0, 21.75), (21.155, 17.905), (17.7, 17.905))
    d.track("DIR", 0.2, (28.0, 21.25), (25.2, 21.25), (20.585, 16.635), (17.7, 16.635))
    d.track("DIR", 0.2, (17.7, 16.635), (17.7, 15.365))
    d.track("TX", 0.2, (28.0, 20.75), (25.4, 20.75), (18.745, 14.095), (17.7, 14.095))
    d.track(GND, 0.3, (12.3, 14.095), (12.3, 12.6))
    d.via(GND, (12.3, 12.6))
    d.track(VDD, 0.3, (12.3, 17.905), (12.3, 21.2))
    d.via(VDD, (12.3, 19.5))
    d.chip("C6", (12.3, 22.0), (VDD, GND), upright=True)
    d.body("C6", (12.3, 22.0), (0.75, 1.5), (9.9, 21.5))
    d.track(GND, 0.3, (12.3, 22.8), (12.3, 24.5))
    d.via(GND, (12.3, 24.5))


def _supply(d: Design) -> None:
    oval = Shape("O", (1.0, 1.5))
    for n, net in enumerate(("VIN", GND, VDD)):
        d.land("U4", str(n + 1), net, (round(11.7 + 2.3 * n, 3), 5.5), oval)
    d.land("U4", "4", GND, (14.0, 10.5), Shape("RR", (3.6, 1.6, 0.2)))
    d.body("U4", (14.0, 8.0), (3.3, 1.2), (13.3, 3.0))
    d.track("VIN", 0.5, (6.0, 12.0), (11.7, 6.3), (11.7, 5.5))
    d.track(GND, 0.5, (14.0, 5.5), (14.0, 10.5))
    d.track(GND, 0.5, (14.0, 10.5), (17.4, 10.5))
    d.via(GND, (17.4, 10.5))
    d.track(VDD, 0.5, (16.3, 5.5), (23.5, 5.5), (24.0, 5.0))
    d.via(VDD, (19.0, 5.5))
