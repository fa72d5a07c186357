"""Shapes, drawing items and the writers of the sample boards: Gerber X2, XNC, job file.

Lengths are mm. Coordinates are written with six decimals (1 nm), so every value built in the
design is exact in the file.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

Point = tuple[float, float]


@dataclass(frozen=True)
class Shape:
    """Aperture shape: C disc, R rectangle, O obround, RR rounded rectangle, T thermal ring.

    ``values``: C diameter; R, O width and height; RR width, height, corner radius; T outer
    and inner diameter, width of the four gaps, rotation in degrees.
    """

    kind: str
    values: tuple[float, ...]

    def grown(self, by: float) -> Shape:
        """The same shape, every edge moved outward by ``by``."""
        if self.kind == "RR":
            w, h, r = self.values
            return Shape("RR", (_r(w + 2 * by), _r(h + 2 * by), _r(r + by)))
        if self.kind == "T":
            raise ValueError("a thermal ring does not grow")
        return Shape(self.kind, tuple(_r(v + 2 * by) for v in self.values))

    @property
    def size(self) -> Point:
        return (self.values[0], self.values[0] if self.kind in "CT" else self.values[1])


def disc(diameter: float) -> Shape:
    return Shape("C", (diameter,))


def _r(value: float) -> float:
    return round(value, 6)


@dataclass(frozen=True)
class Arc:
    """A circular step of a path, to ``end`` about ``centre``."""

    end: Point
    centre: Point
    clockwise: bool


Path = Sequence[Point | Arc]


@dataclass(frozen=True)
class Flash:
    shape: Shape
    at: Point
    function: str = ""
    net: str | None = None
    pin: tuple[str, str] | None = None
    dark: bool = True


@dataclass(frozen=True)
class Stroke:
    """A path drawn with a round aperture."""

    width: float
    path: Path
    function: str = ""
    net: str | None = None
    dark: bool = True


@dataclass(frozen=True)
class Region:
    """A filled contour; the first point is repeated at the end by the writer."""

    path: Path
    function: str = ""
    net: str | None = None
    dark: bool = True


Item = Flash | Stroke | Region

_MACROS = {
    "RR": """%AMLANDROUND*
0 Land with rounded corners: width, height, corner radius*
$4=$1/2-$3*
$5=$2/2-$3*
21,1,$1,$2-2x$3,0,0,0*
21,1,$1-2x$3,$2,0,0,0*
1,1,2x$3,$4,$5*
1,1,2x$3,0-$4,$5*
1,1,2x$3,0-$4,0-$5*
1,1,2x$3,$4,0-$5*%
""",
    "T": """%AMRELIEF*
0 Thermal relief: outer and inner diameter, gap, rotation*
7,0,0,$1,$2,$3,$4*%
""",
}
_MACRO_NAMES = {"RR": "LANDROUND", "T": "RELIEF"}


def _number(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".") or "0"


@dataclass
class _Plotter:
    """Collects the commands of one Gerber file."""

    apertures: dict[tuple[Shape, str], int] = field(default_factory=dict)
    body: list[str] = field(default_factory=list)
    state: dict[str, object] = field(default_factory=dict)

    def code(self, shape: Shape, function: str) -> int:
        return self.apertures.setdefault((shape, function), 10 + len(self.apertures))

    def select(self, item: Item) -> None:
        if self.state.get("dark", True) != item.dark:
            self.body.append("%LPD*%" if item.dark else "%LPC*%")
            self.state["dark"] = item.dark
        pin = item.pin if isinstance(item, Flash) else None
        wanted = {"N": item.net, "P": ",".join(pin) if pin else None}
        stale = [k for k, v in wanted.items() if self.state.get(k) is not None and v is None]
        self.body += [f"%TD.{key}*%" for key in stale]
        for key, value in wanted.items():
            if value is not None and self.state.get(key) != value:
                self.body.append(f"%TO.{key},{value}*%")
            self.state[key] = value

    def use(self, code: int) -> None:
        if self.state.get("code") != code:
            self.body.append(f"D{code}*")
            self.state["code"] = code

    def walk(self, path: Path) -> None:
        at = path[0]
        assert not isinstance(at, Arc)
        self.body.append(f"{_xy(at)}D02*")
        for step in path[1:]:
            mode = "G01" if not isinstance(step, Arc) else "G02" if step.clockwise else "G03"
            if self.state.get("mode") != mode:
                self.body.append(f"{mode}*")
                self.state["mode"] = mode
            if isinstance(step, Arc):
                i, j = (_nm(step.centre[n] - at[n]) for n in (0, 1))
                self.body.append(f"{_xy(step.end)}I{i}J{j}D01*")
                at = step.end
            else:
                self.body.append(f"{_xy(step)}D01*")
                at = step


def _nm(value: float) -> int:
    return round(value * 1_000_000)


def _xy(point: Point) -> str:
    return f"X{_nm(point[0])}Y{_nm(point[1])}"


def gerber(items: Iterable[Item], attributes: Sequence[str]) -> str:
    """One Gerber file. ``attributes`` are file attributes, e.g. ``FileFunction,Profile,NP``."""
    plot = _Plotter()
    for item in items:
        plot.select(item)
        if isinstance(item, Region):
            plot.body.append(f"%TA.AperFunction,{item.function}*%")
            path = item.path if item.path[-1] == item.path[0] else [*item.path, item.path[0]]
            plot.body.append("G36*")
            plot.walk(path)
            plot.body.append("G37*")
            plot.body.append("%TD.AperFunction*%")
        elif isinstance(item, Flash):
            plot.use(plot.code(item.shape, item.function))
            plot.body.append(f"{_xy(item.at)}D03*")
        else:
            plot.use(plot.code(disc(item.width), item.function))
            plot.walk(item.path)
    head = [f"%TF.{a}*%" for a in attributes]
    head += ["G04 Tide logger, harbour office of Port Ellery (made-up product)*"]
    head += ["%FSLAX46Y46*%", "%MOMM*%"]
    kinds = {shape.kind for shape, _ in plot.apertures}
    head += [_MACROS[kind].rstrip("\n") for kind in sorted(kinds & _MACROS.keys())]
    current = ""
    for (shape, function), code in plot.apertures.items():
        if function != current:
            head.append(f"%TA.AperFunction,{function}*%" if function else "%TD.AperFunction*%")
            current = function
        template = _MACRO_NAMES.get(shape.kind, shape.kind)
        head.append(f"%ADD{code}{template},{'X'.join(_number(v) for v in shape.values)}*%")
    if current:
        head.append("%TD.AperFunction*%")
    return "\n".join([*head, "%LPD*%", "G01*", "G75*", *plot.body, "M02*", ""])


@dataclass(frozen=True)
class Hit:
    """A hole of the drill file; ``to`` makes it a routed slot."""

    diameter: float
    at: Point
    function: str
    to: Point | None = None


def excellon(hits: Sequence[Hit], attributes: Sequence[str]) -> str:
    """One drill file in the XNC form: decimal millimetres, attributes in comments."""
    tools: dict[tuple[float, str], list[Hit]] = {}
    for hit in hits:
        tools.setdefault((hit.diameter, hit.function), []).append(hit)
    order = sorted(tools)
    head = ["M48", *(f"; #@! TF.{a}" for a in attributes), "METRIC"]
    body = ["G90", "G05"]
    for number, key in enumerate(order, start=1):
        head += [f"; #@! TA.AperFunction,{key[1]}", f"T{number:02d}C{key[0]:.3f}"]
        body.append(f"T{number:02d}")
        for hit in tools[key]:
            start = f"X{hit.at[0]:.3f}Y{hit.at[1]:.3f}"
            if hit.to is None:
                body.append(start)
            else:
                end = f"X{hit.to[0]:.3f}Y{hit.to[1]:.3f}"
                body += [f"G00{start}", "M15", f"G01{end}", "M16", "G05"]
    return "\n".join([*head, "%", *body, "M30", ""])


def job_file(
    project: str,
    size: Point,
    thickness: float,
    layers: int,
    files: Sequence[tuple[str, str, str]],
) -> str:
    """Gerber job file (.gbrjob). ``files``: (path, file function, polarity or "")."""
    listed = [
        {"Path": path, "FileFunction": function, **({"FilePolarity": pol} if pol else {})}
        for path, function, pol in files
    ]
    stack: list[dict[str, object]] = [
        {"Type": "SolderMask", "Thickness": 0.02, "Name": "Mask top"},
        {"Type": "Copper", "Thickness": 0.035, "Name": "L1"},
        {"Type": "Dielectric", "Thickness": 0.2, "Name": "L1/L2"},
        {"Type": "Copper", "Thickness": 0.035, "Name": "L2"},
        {"Type": "Dielectric", "Thickness": 1.02, "Name": "L2/L3"},
        {"Type": "Copper", "Thickness": 0.035, "Name": "L3"},
        {"Type": "Dielectric", "Thickness": 0.2, "Name": "L3/L4"},
        {"Type": "Copper", "Thickness": 0.035, "Name": "L4"},
        {"Type": "SolderMask", "Thickness": 0.02, "Name": "Mask bottom"},
    ]
    content = {
        "Header": {
            "GenerationSoftware": {"Vendor": "Ellery", "Application": "make_samples"},
            "CreationDate": "2026-01-12T08:00:00Z",
        },
        "GeneralSpecs": {
            "ProjectId": {"Name": project, "GUID": _PROJECT, "Revision": "B"},
            "Size": {"X": size[0], "Y": size[1]},
            "LayerNumber": layers,
            "BoardThickness": thickness,
        },
        "FilesAttributes": listed,
        "MaterialStackup": stack,
    }
    return json.dumps(content, indent=1) + "\n"


_PROJECT = "7a1d1e10-66e7-4c0b-9a3e-0f7e11e7b0a2"
