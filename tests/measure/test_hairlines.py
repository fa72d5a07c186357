"""Hairlines of the drawing near other copper, holes and ink; thin draws that are no hairlines."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.measure.laid import TURNS, Laid, rows

NEAR = 1e-3  # 1 µm


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_hairline_is_nothing_to_keep_clear_of(tmp_path: Path, unit: str, angle: float) -> None:
    b = Laid(unit, angle)
    thin = b.top.circle(0.005)
    b.top.flash(b.top.circle(1.0), 0, 0)
    b.top.draw(thin, -3, 0.56, 3, 0.56)  # free, between a land and a conductor 0.12 apart
    b.top.draw(b.top.circle(0.2), -3, 0.72, 3, 0.72)
    b.top.draw(thin, 0, -0.5, 0, -2)  # hangs on the land, 0.1 beside another
    b.top.flash(b.top.circle(0.4), 0.3, -1.2)
    b.drill([(0.0, 0.0, 0.4)])
    found = rows(b, tmp_path, "etch.conductor-spacing", "conductor-1")
    assert found["value"] == pytest.approx([0.12], abs=NEAR)
    holes = rows(b, tmp_path / "holes", "drill.hole-to-copper", "conductor-1", reach=0.5)
    assert holes["value"] == pytest.approx([0.42], abs=NEAR)


def test_areas_outlined_or_filled_by_thin_draws_are_copper(tmp_path: Path) -> None:
    b = Laid()
    thin = b.top.circle(0.01)
    b.top.flash(b.top.circle(1.0), -1.58, 0.5)
    # An area with a thin outline, whose edge is the outline's.
    corners = [(-1.0, 0.0), (0.0, 0.0), (0.0, 1.0), (-1.0, 1.0)]
    b.top.region(corners)
    for one, two in zip(corners, corners[1:] + corners[:1], strict=True):
        b.top.draw(thin, *one, *two)
    # An area of nothing but thin draws.
    for n in range(101):
        b.top.draw(thin, 0.1, 0.01 * n, 1.1, 0.01 * n)
    found = rows(b, tmp_path, "etch.conductor-spacing", "conductor-1")
    assert sorted(set(found["value"].round(3))) == [0.075, 0.09]


def test_hairlines_of_a_layer_are_one_finding(tmp_path: Path) -> None:
    b = Laid()
    thin = b.top.circle(0.005)
    for n in range(3):
        b.top.draw(thin, -5, 4.0 * n, 5, 4.0 * n)
        b.top.flash(b.top.circle(1.0), 5, 4.0 * n)  # each on a net of its own
        b.mask.flash(b.mask.circle(1.2), 5, 4.0 * n)
    found = rows(b, tmp_path, "etch.conductor-width", "conductor-1")
    hair = found["kind"] == "drawn as a hairline"
    assert hair.sum() >= 3
    assert len(np.unique(found["group"][hair])) == 1


@pytest.mark.parametrize("joined", [True, False])
def test_hairlines_are_told_by_one_rule(tmp_path: Path, joined: bool) -> None:
    """A drawing left in the layer, of which one line may happen to cross a land."""
    b = Laid()
    thin = b.top.circle(0.005)
    b.top.flash(b.top.circle(1.0), 5, 0)
    b.mask.flash(b.mask.circle(1.2), 5, 0)
    b.top.draw(b.top.circle(0.1), -8, -8, -8, -4)  # lettering stays what it is
    for y in (0.0 if joined else 3.0, 6.0, 9.0):
        b.top.draw(thin, -5, y, 5, y)
    hair = {}
    for rule in ("etch.conductor-width", "etch.text-stroke"):
        found = rows(b, tmp_path / rule, rule, "conductor-1")
        hair[rule] = int((found["kind"] == "drawn as a hairline").sum())
    told = "etch.conductor-width" if joined else "etch.text-stroke"
    assert hair.pop(told) >= 3
    assert list(hair.values()) == [0]
    assert found["value"].max() == pytest.approx(0.1, abs=NEAR)


def test_ink_of_hairlines_meets_nothing(tmp_path: Path) -> None:
    b = Laid()
    b.top.flash(b.top.circle(1.4), 0, 0)
    b.mask.flash(b.mask.circle(1.5), 0, 0)
    b.drill([(0.0, 0.0, 0.8)])
    pen = b.legend.circle(0.005)
    b.legend.draw(pen, -30, 0, 30, 0)  # an axis of the drawing, over land, hole and profile
    for rule in ("ink-on-land", "ink-in-hole", "ink-over-profile"):
        assert len(rows(b, tmp_path / rule, f"legend.{rule}", "legend-top")["value"]) == 0
    found = rows(b, tmp_path, "legend.stroke-width", "legend-top")
    assert found["value"] == pytest.approx([0.005], abs=NEAR)


@pytest.mark.parametrize("paste", [False, True])
def test_spacing_between_pieces_of_a_bared_figure_is_of_lone_copper(
    tmp_path: Path, paste: bool
) -> None:
    b = Laid()
    for n in range(24):
        x, y = -15 + 2.4 * (n % 12), 10 + 3 * (n // 12)
        b.top.flash(b.top.circle(1.0), x, y)
        b.mask.flash(b.mask.circle(1.2), x, y)
    for x in (0.0, 2.06):
        corners = [(x, 0.0), (x + 2, 0.0), (x + 2, 2.0), (x, 2.0)]
        b.top.region(corners)
        b.mask.region(corners)
        if paste:  # then they are lands
            b.paste.region([(x + 0.1, 0.1), (x + 1.9, 0.1), (x + 1.9, 1.9), (x + 0.1, 1.9)])
    found = rows(b, tmp_path, "etch.conductor-spacing", "conductor-1", reach=0.1)
    assert found["value"].min() == pytest.approx(0.06, abs=NEAR)
    told = set(found["kind"][found["value"] < 0.1].tolist())
    assert told == ({"pour-to-pour"} if paste else {"lone copper"})
