"""Free places where a pattern is drawn: found, opened and turned in one step.

Each function hands back a ``Ground``: the editors of a plant's files, with a window already cut
wherever the place lies in a pour, and the layers the pattern is drawn on.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from numpy.random import Generator

from benchmarks.defects.drill_edit import DrillEdit
from benchmarks.defects.gerber_edit import GerberEdit
from benchmarks.defects.patch import Frame, Patch, turned
from benchmarks.defects.plant import NoPlace
from benchmarks.defects.site import Site, Spot
from dfmcheck.board.model import Layer


@dataclass(slots=True)
class Ground(Patch):
    """A patch with the square it is drawn in."""

    spot: Spot = field(kw_only=True)

    @property
    def middle(self) -> tuple[float, float]:
        return self.spot.x, self.spot.y

    def turned(self, rng: Generator, skew: bool = True) -> Frame:
        """A frame in the middle of the square, turned by a quarter or, half of the time and
        unless ``skew`` is off, by any angle."""
        return turned(rng, self.spot, skew)


def open_ground(site: Site, spot: Spot, *layers: Layer) -> Ground:
    """A patch in a square, its windows cut on ``layers``; on all copper layers without any."""
    ground = Ground(site, spot=spot)
    for layer in layers or site.board.copper:
        ground.window(layer, spot)
    return ground


def on_copper(
    site: Site, rng: Generator, side: float, *, alone: bool = False
) -> tuple[Ground, Layer]:
    """On an outer copper layer; free there, on its mask and legend, and of holes.

    ``alone`` keeps it free of the masks and legends of either side.
    """
    layer = site.copper(rng)
    names = _overlays(site) if alone else above(site, layer)
    spot = site.free(rng, (layer,), side, clear_of=names)
    return open_ground(site, spot, layer), layer


def in_pour(site: Site, rng: Generator, side: float, outer: bool = False) -> tuple[Ground, Layer]:
    """Inside one real pour of a copper layer; no window is cut."""
    layer = site.copper(rng, outer=outer)
    spot = site.free(rng, (layer,), side, clear_of=above(site, layer), pour=True)
    return Ground(site, spot=spot), layer


def above(site: Site, layer: Layer) -> tuple[str, ...]:
    """Mask and legend over a copper layer; all of them where its side is not known."""
    mask = site.mask_over(layer)
    if mask is None:
        return _overlays(site)
    return mask.name, mask.name.replace("mask", "legend")


def _overlays(site: Site) -> tuple[str, ...]:
    return tuple(one.name for one in (*site.board.masks, *site.board.legends))


def under_mask(site: Site, rng: Generator, side: float) -> tuple[Ground, Layer, Layer]:
    """On an outer copper layer that has a mask, and that mask; free on both and of legend."""
    layer = site.copper(rng)
    mask = site.mask_over(layer)
    if mask is None:
        raise NoPlace("no mask on that side")
    legend = "legend-top" if mask.name == "mask-top" else "legend-bottom"
    spot = site.free(rng, (layer,), side, clear_of=(mask.name, legend))
    return open_ground(site, spot, layer), layer, mask


def under_legend(site: Site, rng: Generator, side: float) -> tuple[Ground, Layer, Layer]:
    """A legend layer and the copper under it; free on copper, mask and legend."""
    legend, layer, mask = one_of(site, rng, "legend")
    spot = site.free(rng, (layer,), side, clear_of=(mask.name, legend.name))
    return open_ground(site, spot, layer), legend, layer


def under_paste(site: Site, rng: Generator, side: float) -> tuple[Ground, Layer, Layer]:
    """A paste layer and the copper under it; free on copper, mask, paste and legend."""
    paste, layer, mask = one_of(site, rng, "paste")
    legends = tuple(one.name for one in site.board.legends)
    spot = site.free(rng, (layer,), side, clear_of=(mask.name, paste.name, *legends))
    return open_ground(site, spot, layer), paste, layer


def one_of(site: Site, rng: Generator, kind: str) -> tuple[Layer, Layer, Layer]:
    """One of the layers of legend or of paste, the copper under it, and the mask between."""
    layers = {"legend": site.board.legends, "paste": site.board.pastes}[kind]
    if not layers:
        raise NoPlace(f"no {kind} layer")
    chosen = layers[int(rng.integers(len(layers)))]
    layer = site.board.copper[0 if chosen.name == f"{kind}-top" else -1]
    mask = site.mask_over(layer)
    if mask is None or mask.name != chosen.name.replace(kind, "mask"):
        raise NoPlace("no mask on that side")
    return chosen, layer, mask


def through_board(
    site: Site, rng: Generator, side: float = 4.0, *, rim: float = 1.0, paste: bool = False
) -> Ground:
    """Free, or in one pour, on every copper layer; clear of mask, legend and, if asked, paste."""
    b = site.board
    names = tuple(one.name for one in (*b.masks, *b.legends, *(b.pastes if paste else ())))
    return open_ground(site, site.free(rng, b.copper, side, clear_of=names, rim=rim))


def for_cut_out(site: Site, rng: Generator, side: float) -> Ground:
    """Through the board and well away from its edge."""
    if site.board.profile is None or site.board.profile.area.is_empty:
        raise NoPlace("no closed profile")
    return through_board(site, rng, side, rim=2.5)


def edit_round(edit: GerberEdit | DrillEdit, at: tuple[float, float]) -> tuple[float, float]:
    """The nearest place the file can say, mm."""
    return edit.round(at[0]), edit.round(at[1])
