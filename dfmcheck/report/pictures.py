"""A picture of one finding: the copper around it, the two features, the measured line.

Colours are from the palette of Okabe and Ito (2008), told apart with any colour vision; the
limit is drawn as a bar of its own length, so nothing rests on colour alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from dfmcheck.errors import UsageError
from dfmcheck.judge.finding import Finding, Judgement
from dfmcheck.measure.drawing import STEP, Drawing
from dfmcheck.report.fonts import REGULAR, printable
from dfmcheck.report.picture_layers import Flat, beneath, nearest_hole
from dfmcheck.report.text import pair, plain

SIZE = (480, 372)
"""Width and height in pixels, the lines of text at top and bottom included."""

_TOP, _BOTTOM = 24, 44
_FINE = 3  # drawn so many times larger, then averaged
_ENDS = 0.03  # mm from the end of a measured line to the outline it was measured to
_LEAST, _MOST = 0.45, 4.0  # mm, half the height shown

_PAPER, _INK = (250, 248, 242), (38, 38, 38)
_QUIET = (222, 216, 203)  # the layer beneath
_PLAIN = (190, 178, 152)  # the layer looked at
_BLUE, _ORANGE = (0, 114, 178), (230, 159, 0)
_VERMILION, _GREEN = (213, 94, 0), (0, 158, 115)
_COLOURS = np.array([_PAPER, _QUIET, _PLAIN, _BLUE, _ORANGE], dtype=np.uint8)

RGB = tuple[int, int, int]


class Pictures:
    """Draws findings of one drawing; what all pictures need is worked out once."""

    def __init__(self, drawing: Drawing) -> None:
        self._drawing = drawing
        self._flat: dict[str, Flat] = {}
        self._holes = drawing.holes.astype(np.float64)
        self._names = tuple(layer.name for layer in drawing.layers)

    def of(self, finding: Finding) -> Image.Image | None:
        """The picture, or None for a finding without a place."""
        if finding.x is None or finding.y is None:
            return None
        line = finding.line or (finding.x, finding.y, finding.x, finding.y)
        view = self._view(finding, line)
        under, main = beneath(finding.layer, self._names)
        shades = Image.new("L", view.fine, 0)
        draw = ImageDraw.Draw(shades)
        if under:
            self._paint(draw, under, view, 1, {})
        ends: dict[int, int] = {}
        if main:
            if finding.line is not None:
                for shade, point in ((4, line[2:]), (3, line[:2])):
                    polygon = self._layer(main).nearest(point, _ENDS)
                    if polygon is not None:
                        ends[polygon] = shade
            self._paint(draw, main, view, 2, ends)
        image = Image.fromarray(_COLOURS[np.asarray(shades)], "RGB")
        if under:
            self._outline(ImageDraw.Draw(image), under, view)
        self._lines(ImageDraw.Draw(image), finding, line, view)
        image = image.reduce(_FINE)
        out = Image.new("RGB", SIZE, _PAPER)
        out.paste(image, (0, _TOP))
        _words(ImageDraw.Draw(out), finding, view, set(ends.values()), under)
        return out

    def _layer(self, name: str) -> Flat:
        if name not in self._flat:
            layer = next(one for one in self._drawing.layers if one.name == name)
            self._flat[name] = Flat.of(layer)
        return self._flat[name]

    def _view(self, finding: Finding, line: tuple[float, float, float, float]) -> _View:
        x, y, x2, y2 = line
        length = float(np.hypot(x2 - x, y2 - y))
        need = finding.limit if finding.unit == "mm" and finding.limit is not None else 0.0
        half = max(_LEAST, 2.0 * length, 2.0 * need)
        for point in (line[:2], line[2:]):
            if (hole := nearest_hole(self._holes, point)) is not None:
                half = max(half, 2.5 * float(self._holes[hole, 4]))
        half = min(half, max(_MOST, 0.75 * length))
        return _View((x + x2) / 2, (y + y2) / 2, half)

    def _paint(
        self, draw: ImageDraw.ImageDraw, name: str, view: _View, shade: int, ends: dict[int, int]
    ) -> None:
        """Fill a layer's outlines; in the order of their size, islands follow the holes that
        they lie in. ``shade`` 1 is for the layer beneath; a hole in the layer above shows it
        only where nothing else is, which a picture can bear."""
        flat = self._layer(name)
        window = view.window()
        for ring, polygon, shell in flat.rings_in(window):
            corners = view.pixels(flat.clipped(ring, window) * STEP)
            if len(corners) < 3:
                continue
            fill = ends.get(polygon, shade) if shell else 0
            draw.polygon(corners.reshape(-1).tolist(), fill=fill)

    def _outline(self, draw: ImageDraw.ImageDraw, name: str, view: _View) -> None:
        """The edge of the layer beneath, over the other: a land is seen in its opening."""
        flat = self._layer(name)
        window = view.window()
        for ring, _, _ in flat.rings_in(window):
            corners = view.pixels(flat.clipped(ring, window) * STEP)
            closed = np.vstack([corners, corners[:1]])
            draw.line(closed.reshape(-1).tolist(), fill=_INK, width=_FINE + 1)

    def _lines(
        self, draw: ImageDraw.ImageDraw, finding: Finding,
        line: tuple[float, float, float, float], view: _View,
    ) -> None:  # fmt: skip
        for hole in self._holes_in(view):
            _hole(draw, self._holes[hole], view)
        for x0, y0, x1, y1 in self._drawing.profile.astype(np.float64):
            ends = view.pixels(np.array([[x0, y0], [x1, y1]]))
            if _may_show(ends, view.fine):
                draw.line(ends.reshape(-1).tolist(), fill=_GREEN, width=2 * _FINE)
        a, b = view.pixels(np.array([line[:2], line[2:]]))
        length = float(np.hypot(*(b - a)))
        if length < 2 * _FINE or finding.unit != "mm":
            _ring(draw, (a + b) / 2, 12 * _FINE)
            if length < 2 * _FINE:
                return
        _dimension(draw, a, b, _VERMILION)
        if finding.unit != "mm" or not finding.limit or finding.limit <= 0:
            return
        along = (b - a) / length
        across = np.array([-along[1], along[0]])
        across = across if across[1] > 0 or (across[1] == 0 and across[0] > 0) else -across
        # the bar of the limit stands beside the line, on the same middle
        middle = (a + b) / 2 + across * 22 * _FINE
        reach = along * finding.limit * view.scale / 2
        _dimension(draw, middle - reach, middle + reach, _INK)

    def _holes_in(self, view: _View) -> npt.NDArray[np.int64]:
        x0, y0, x1, y1 = view.window()
        h, r = self._holes, self._holes[:, 4]
        inside = (np.maximum(h[:, 0], h[:, 2]) + r > x0) & (np.minimum(h[:, 0], h[:, 2]) - r < x1)
        inside &= np.maximum(h[:, 1], h[:, 3]) + r > y0
        inside &= np.minimum(h[:, 1], h[:, 3]) - r < y1
        return np.flatnonzero(inside)


@dataclass(frozen=True, slots=True)
class _View:
    """What part of the board is shown: its middle and half its height, mm."""

    x: float
    y: float
    half: float

    @property
    def fine(self) -> tuple[int, int]:
        return SIZE[0] * _FINE, (SIZE[1] - _TOP - _BOTTOM) * _FINE

    @property
    def scale(self) -> float:
        """Fine pixels per mm."""
        return self.fine[1] / (2 * self.half)

    def window(self) -> tuple[float, float, float, float]:
        wide = self.half * self.fine[0] / self.fine[1]
        return self.x - wide, self.y - self.half, self.x + wide, self.y + self.half

    def pixels(self, points: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
        """Places (n, 2) in mm as fine pixels; y runs downwards there."""
        x = (points[:, 0] - self.x) * self.scale + self.fine[0] / 2
        y = (self.y - points[:, 1]) * self.scale + self.fine[1] / 2
        return np.stack([x, y], axis=-1)


def _may_show(ends: npt.NDArray[np.float64], size: tuple[int, int]) -> bool:
    low, high = ends.min(axis=0), ends.max(axis=0)
    return bool((high >= 0).all() and (low <= np.array(size)).all())


def _hole(draw: ImageDraw.ImageDraw, hole: npt.NDArray[np.float64], view: _View) -> None:
    ends = view.pixels(np.array([hole[:2], hole[2:4]]))
    r = float(hole[4]) * view.scale
    edge = 2 * _FINE
    for radius, colour in ((r, _INK), (max(r - edge, 0.0), (255, 255, 255))):
        if np.abs(ends[1] - ends[0]).max() > 1:
            draw.line(ends.reshape(-1).tolist(), fill=colour, width=max(round(2 * radius), 1))
        for x, y in ends:
            draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=colour)


def _dimension(draw: ImageDraw.ImageDraw, a: Any, b: Any, colour: RGB) -> None:
    """A line with a tick across each end, on a pale ground so that it shows on any colour."""
    along = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
    tick = np.array([-along[1], along[0]]) * 7 * _FINE
    for width, fill in ((5 * _FINE, (255, 255, 255)), (2 * _FINE, colour)):
        for p, q in ((a, b), (a - tick, a + tick), (b - tick, b + tick)):
            draw.line((*p.tolist(), *q.tolist()), fill=fill, width=width)


def _ring(draw: ImageDraw.ImageDraw, at: Any, radius: int) -> None:
    x, y = at.tolist()
    for width, fill in ((5 * _FINE, (255, 255, 255)), (3 * _FINE, _VERMILION)):
        draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=fill, width=width)


@lru_cache(maxsize=4)
def _font(size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(REGULAR), size)


def _words(
    draw: ImageDraw.ImageDraw, finding: Finding, view: _View, shades: set[int], under: str
) -> None:
    width, height = SIZE
    draw.rectangle((0, 0, width, _TOP - 1), fill=_INK)
    name = plain(finding.layer or "board") + (f", {under} as thin lines" if under else "")
    layer = _cut(draw, printable(name), 270)
    draw.text((8, 5), layer, font=_font(12), fill=(255, 255, 255))
    at = f"x {finding.x:.3f}  y {finding.y:.3f} mm"
    draw.text((width - 8, 5), at, font=_font(12), fill=(255, 255, 255), anchor="ra")
    _scale_bar(draw, view, height - _BOTTOM - 10)
    top = height - _BOTTOM
    draw.rectangle((0, top, width, height), fill=(255, 255, 255))
    draw.line((0, top, width, top), fill=_INK)
    if finding.measured is not None and finding.limit is not None:
        value, limit = pair(finding.measured, finding.limit, finding.unit)
        at_most = finding.measured > finding.limit
        allowed = f"{'allowed' if at_most else 'needed'} {limit}"
        x = _swatch(draw, 8, top + 6, _VERMILION, f"measured {value}")
        _swatch(draw, x, top + 6, _INK, allowed)
    else:
        told = _cut(draw, printable(plain(finding.message)), width - 16)
        draw.text((8, top + 6), told, font=_font(12), fill=_INK)
    x = 8
    names = [printable(plain(net)) for net in finding.nets]
    nets = _cut(draw, " | ".join(names), 250) if names else ""
    if 3 in shades or 4 in shades:
        for shade, colour in ((3, _BLUE), (4, _ORANGE)):
            if shade in shades:
                x = _swatch(draw, x, top + 25, colour, "") - 8
        text = "the features measured" if len(shades) > 1 else "the feature measured"
        x += 4
        draw.text((x, top + 23), text + (f": {nets}" if nets else ""), font=_font(12), fill=_INK)
    elif nets:
        draw.text((x, top + 23), nets, font=_font(12), fill=_INK)
    code = finding.fingerprint
    draw.text((width - 8, top + 25), code, font=_font(10), fill=(110, 110, 110), anchor="ra")


def _swatch(draw: ImageDraw.ImageDraw, x: int, y: int, colour: RGB, text: str) -> int:
    draw.rectangle((x, y + 2, x + 12, y + 10), fill=colour)
    if not text:
        return x + 24
    draw.text((x + 17, y - 1), text, font=_font(12), fill=_INK)
    return x + 17 + round(draw.textlength(text, font=_font(12))) + 18


def _cut(draw: ImageDraw.ImageDraw, text: str, width: int) -> str:
    if draw.textlength(text, font=_font(12)) <= width:
        return text
    while text and draw.textlength(text + "…", font=_font(12)) > width:
        text = text[:-1]
    return text + "…"


def _scale_bar(draw: ImageDraw.ImageDraw, view: _View, y: int) -> None:
    """A round length of a fifth of the width or so."""
    scale = view.scale / _FINE
    wanted = SIZE[0] / 5 / scale
    exponent = float(np.floor(np.log10(wanted)))
    length = next(n * 10**exponent for n in (5, 2, 1) if n * 10**exponent <= wanted)
    x1 = 12 + length * scale
    draw.rectangle((6, y - 20, x1 + 8, y + 6), fill=(255, 255, 255))
    draw.line((12, y, x1, y), fill=_INK, width=3)
    for x in (12, x1):
        draw.line((x, y - 4, x, y + 4), fill=_INK, width=2)
    draw.text((12, y - 17), f"{length:g} mm", font=_font(11), fill=_INK)


# -- files -------------------------------------------------------------------------------


def picture_name(number: int, finding: Finding) -> str:
    """File name of the picture of the ``number``-th finding.

    Examples
    --------
    The rule's dot becomes a hyphen: ``0012-etch-notch-5f1d2c3b4a59.png``.
    """
    rule = re.sub(r"[^a-z0-9]+", "-", finding.rule)
    return f"{number:04d}-{rule}-{re.sub(r'[^0-9a-z]', '', finding.fingerprint)}.png"


def pictured(judgement: Judgement) -> Iterator[tuple[str, Image.Image]]:
    """File name and picture of every finding that has a place, in the order of findings.

    Raises
    ------
    UsageError
        The screening keeps no drawing.
    """
    pictures = Pictures(drawing_of(judgement))
    for number, finding in enumerate(judgement.findings, start=1):
        image = pictures.of(finding)
        if image is not None:
            yield picture_name(number, finding), image


def drawing_of(judgement: Judgement) -> Drawing:
    """The drawing kept with a judgement's screening; UsageError where there is none."""
    if judgement.screening.drawing is None:
        raise UsageError(
            "the screening keeps no drawing of the board", "one kept with its drawing",
            "Screen the package again with --save.", plain(judgement.screening.package),
        )  # fmt: skip
    return judgement.screening.drawing


def save_pictures(judgement: Judgement, folder: Path) -> int:
    """Write the pictures into a folder, made if need be; gives their number."""
    drawing_of(judgement)  # nothing is made where there is nothing to draw
    pictures = pictured(judgement)
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    for name, image in pictures:
        image.save(folder / name, optimize=False, compress_level=6)
        count += 1
    return count
