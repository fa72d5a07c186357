"""How many boards fit on the shop's production panels."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

from dfmcheck.capability import Shop
from dfmcheck.measure.screening import Facts


@dataclass(frozen=True, slots=True)
class PanelFit:
    """Boards on one panel, all turned the same way; ``share`` of the panel that is board."""

    width: float
    height: float
    boards: int
    turned: bool
    share: float


def panel_fits(facts: Facts, shop: Shop) -> tuple[PanelFit, ...]:
    """Fit on every panel of the shop, best use first; empty where the size is not known.

    Boards stand in rows and columns by their outer size, plainly or turned by 90°; nesting of
    odd shapes is not tried (common practice for a first quote).
    """
    w, h, area = facts.width, facts.height, facts.area
    if not w or not h or not area:
        return ()
    out = []
    for panel in shop.panels:
        free = panel.width - 2 * panel.border, panel.height - 2 * panel.border

        def across(length: float, side: float, gap: float = panel.spacing) -> int:
            return max(0, floor((length + gap) / (side + gap) + 1e-9))

        plain = across(free[0], w) * across(free[1], h)
        turned = across(free[0], h) * across(free[1], w)
        boards = max(plain, turned)
        share = boards * area / (panel.width * panel.height)
        out.append(PanelFit(panel.width, panel.height, boards, turned > plain, share))
    return tuple(sorted(out, key=lambda fit: -fit.share))
