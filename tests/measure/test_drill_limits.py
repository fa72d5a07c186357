"""At the limit passes, 2 µm past it fails: whole runs against the published limits."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import pytest

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from tests.measure.packages import Sheet, drill_text, write_board
from tests.measure.test_closed_forms import sheets
from tests.measure.test_drill_profile import arc, outline, with_profile
from tests.measure.test_drill_tools import slot_text

Made = dict[str, str]
LEVEL = "level-b"


def _hole(unit: str, value: float) -> Made:
    top, _, files = sheets(unit, 0.0)
    top.flash(top.circle(2.0), 0, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["d.drl"] = drill_text([(0.0, 0.0, value)], True, top)
    return files


def _largest(unit: str, value: float) -> Made:
    profile, files = with_profile(unit, 0.0)
    files["n.drl"] = drill_text([(0.0, 0.0, value)], False, profile)
    return files


def _slot(unit: str, value: float) -> Made:
    profile, files = with_profile(unit, 0.0)
    files["n.drl"] = slot_text([(0.0, 0.0, 4.0, 0.0, value)], False, profile)
    return files


def _edge(unit: str, value: float) -> Made:
    profile, files = with_profile(unit, 0.0)
    files["n.drl"] = drill_text([(19.0 - value, 0.0, 2.0)], False, profile)
    return files


def _bare(unit: str, value: float) -> Made:
    top, _, files = sheets(unit, 0.0)
    top.flash(top.circle(2.0), 0, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["n.drl"] = drill_text([(1.5 + value, 0.0, 1.0)], False, top)
    return files


def _halved(unit: str, value: float) -> Made:
    profile, files = with_profile(unit, 0.0)
    files["d.drl"] = drill_text([(20.0, 0.0, value)], True, profile)
    return files


def _web(unit: str, value: float) -> Made:
    profile, files = with_profile(unit, 0.0)
    outline(profile, [(-8, value - 20), (8, value - 20), (8, 0), (-8, 0)])
    files["profile.gbr"] = profile.text("Profile,NP")
    return files


def _gap(unit: str, value: float) -> Made:
    profile, files = with_profile(unit, 0.0)
    outline(profile, [(-8, 0), (8, 0), (8, value), (-8, value)])
    files["profile.gbr"] = profile.text("Profile,NP")
    return files


def _radius(unit: str, value: float) -> Made:
    profile, files = with_profile(unit, 0.0, square=False)
    r = value
    path = [(20.0, 0.0), (20.0, -20.0), (-20.0, -20.0), (-20.0, 20.0), (0.0, 20.0), (0.0, r)]
    for a, b in itertools.pairwise(path):
        profile.draw(10, *a, *b)
    arc(profile, (0.0, r), (r, 0.0), (r, r))
    profile.draw(10, r, 0.0, 20.0, 0.0)
    files["profile.gbr"] = profile.text("Profile,NP")
    bottom = Sheet(unit, 0.0)
    bottom.flash(bottom.circle(1.0), -10.0, 10.0)
    files["b.gbr"] = bottom.text("Copper,L2,Bot")
    return files


def _paste(unit: str, value: float) -> Made:
    top, _, files = sheets(unit, 0.0)
    top.flash(top.circle(3.0), 0, 0)
    paste = Sheet(unit, 0.0)
    paste.flash(paste.circle(2.0), 0, 0)
    files["t.gbr"] = top.text("Copper,L1,Top")
    files["p.gbr"] = paste.text("Paste,Top")
    files["d.drl"] = drill_text([(0.5, 0.0, value)], True, top)
    return files


MAKERS: dict[str, Callable[[str, float], Made]] = {
    "drill.smallest-diameter": _hole,
    "drill.largest-diameter": _largest,
    "drill.slot-width": _slot,
    "drill.hole-to-profile": _edge,
    "drill.unplated-to-copper": _bare,
    "drill.castellation": _halved,
    "rout.web": _web,
    "rout.slot-width": _gap,
    "rout.inner-radius": _radius,
    "plate.hole-in-paste-land": _paste,
}


@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize("rule", MAKERS)
def test_the_limit_itself_passes(tmp_path: Path, rule: str, unit: str) -> None:
    shop = load_shop("published")
    limit = shop.limits[rule].values[LEVEL]
    past = -0.002 if shop.limits[rule].direction == "at-least" else 0.002
    for value, wanted in ((limit, False), (limit + past, True)):
        folder = write_board(tmp_path / f"job {value}", MAKERS[rule](unit, value))
        screening = screen(folder, reach=shop.limit_reach(), workers=1, thickness=1.6)
        judgement = judge(
            screening, shop, tier=LEVEL, thickness=None, copper_um=None, rules=rules()
        )  # fmt: skip
        assert any(f.rule == rule for f in judgement.findings) == wanted, value
