"""One board, sent with and without attributes: the same is found."""

from __future__ import annotations

import re
import shutil
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial import cKDTree

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Finding, Judgement
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import rules
from dfmcheck.measure.screening import Screening
from dfmcheck.screen import screen
from tests.sample_polygons import SAMPLES

MICROMETRE = 0.001
ONE_POINT = ("drill.hole-to-copper", "drill.hole-to-hole", "mask.web", "rout.copper-to-profile")
"""Rules whose places on this board are single points: no stretch or ring is equally tight."""
_ATTRIBUTE = re.compile(rb"^(?:%T[FAOD][^%]*%|G04 #@! T[FAOD].*\*)\r?\n", re.M)


def judged(path: Path, shop_name: str) -> Judgement:
    shop = load_shop(shop_name)
    screening = screen(path, reach=shop.limit_reach(), workers=1)
    return judge(
        screening, shop, tier=None, thickness=None, copper_um=None, rules=rules()
    )  # fmt: skip


@pytest.fixture(scope="module")
def twice(boards: Path) -> dict[str, tuple[Judgement, Judgement]]:
    folders = [boards / "x2-attributes", boards / "no-attributes"]
    for folder in folders:
        if not folder.is_dir():
            pytest.skip(f"no board {folder.name}")
    return {
        shop: (judged(folders[0], shop), judged(folders[1], shop))
        for shop in ("prototype", "volume")
    }


WIDTHS = {"etch.copper-sliver": "etch.conductor-width", "etch.text-stroke": "etch.conductor-width"}
"""Which of the three a narrow place is told as follows the drawing command, and one export
paints with regions what the other flashes: here they are one quantity."""


def quantity(rule: str) -> str:
    return WIDTHS.get(rule, rule)


def narrowest(judgement: Judgement) -> dict[tuple[str, str], float]:
    out: dict[tuple[str, str], float] = {}
    for t in judgement.tightest:
        key = (quantity(t.rule), t.layer)
        out[key] = min(t.value, out.get(key, t.value))
    return out


def by_rule(places: Places) -> dict[tuple[str, str], Places]:
    keys = list(zip(places["rule"], places["layer"], strict=True))
    return {
        key: places.take(np.array([k == key for k in keys])) for key in dict.fromkeys(sorted(keys))
    }


def within_reach(screening: Screening) -> Places:
    """Places that do not stand on the very edge of what is listed, less one rule: what one
    export paints with regions and the other flashes is a tongue of copper there only."""
    places = screening.places
    places = places.take(places["rule"] != "etch.copper-sliver")
    far = np.array([screening.reach[rule] for rule in places["rule"]])
    return places.take(np.abs(places["value"] - far) > MICROMETRE)


def middles(places: Places) -> Any:
    return np.stack(
        [(places["x"] + places["x2"]) / 2, (places["y"] + places["y2"]) / 2], axis=-1
    )  # fmt: skip


@pytest.mark.parametrize("shop", ["prototype", "volume"])
def test_tightest_values(twice: dict[str, tuple[Judgement, Judgement]], shop: str) -> None:
    a, b = (narrowest(judgement) for judgement in twice[shop])
    assert a
    assert a == pytest.approx(b, abs=MICROMETRE)


@pytest.mark.parametrize("shop", ["prototype", "volume"])
def test_places(twice: dict[str, tuple[Judgement, Judgement]], shop: str) -> None:
    """Single points lie within 1 µm; elsewhere neither board is tighter than the other.

    Along parallel outlines and round concentric ones every point is as tight as the next, and
    which of them are listed is free; 1 mm is above the spacing of the listed ones.
    """
    first, second = (by_rule(within_reach(j.screening)) for j in twice[shop])
    assert first.keys() == second.keys()
    for key, a in first.items():
        for mine, other in ((a, second[key]), (second[key], a)):
            near = cKDTree(middles(other)).query_ball_point(
                middles(mine), MICROMETRE if key[0] in ONE_POINT else 1.0
            )
            ours = key[0] in ONE_POINT or key[0].startswith("etch.")
            for row, rows in enumerate(near if ours else []):
                assert rows, (key, middles(mine)[row])
                value = mine["value"][row]
                assert other["value"][rows].min() <= value + MICROMETRE, (key, middles(mine)[row])
        if not key[0].startswith("etch."):
            b = second[key]
            assert len(a) == len(b), key
            assert np.sort(a["value"]) == pytest.approx(np.sort(b["value"]), abs=MICROMETRE), key


def found(judgement: Judgement) -> list[Finding]:
    return sorted(judgement.findings, key=lambda f: (f.rule, f.layer, f.raw or 0.0))


@pytest.mark.parametrize("shop", ["prototype", "volume"])
def test_findings(twice: dict[str, tuple[Judgement, Judgement]], shop: str) -> None:
    first, second = twice[shop]
    a, b = found(first), found(second)
    assert [(f.rule, f.layer, f.severity, f.tier, f.fits, f.count) for f in a] == [
        (f.rule, f.layer, f.severity, f.tier, f.fits, f.count) for f in b
    ]
    assert [f.raw for f in a if f.raw is not None] == pytest.approx(
        [f.raw for f in b if f.raw is not None], abs=MICROMETRE
    )
    assert first.verdict is second.verdict
    for mine, other in zip(a, b, strict=True):
        if mine.rule in ONE_POINT:
            assert mine.fingerprint == other.fingerprint, mine.message
            assert (mine.x, mine.y) == pytest.approx((other.x, other.y), abs=MICROMETRE)


# -- the same with a sample board, which every machine has ------------------------------


def stripped(folder: Path, name: str) -> Path:
    """A copy whose Gerber files carry no attribute; file names are kept."""
    target = folder / name
    shutil.copytree(SAMPLES / name, target)
    count = 0
    for file in target.glob("*.gbr"):
        data, n = _ATTRIBUTE.subn(b"", file.read_bytes())
        count += n
        assert b"%T" not in data
        file.write_bytes(data)
    assert count > 100
    return target


def rows(places: Places) -> Counter[tuple[Any, ...]]:
    """Every place without what attributes name: layer, kind, value and points to 1 nm."""
    words = [places[n] for n in ("rule", "layer", "position", "kind")]
    numbers = [places[n].round(6) + 0.0 for n in ("value", "x", "y", "x2", "y2")]
    return Counter(zip(*words, *(n.tolist() for n in numbers), strict=True))


@pytest.mark.parametrize("name", ["tide-logger-clean", "tide-logger-planted"])
def test_sample_without_attributes(tmp_path: Path, name: str) -> None:
    with_all = screen(SAMPLES / name, workers=1)
    without = screen(stripped(tmp_path, name), workers=1)
    assert len(with_all.places) > 100
    a, b = rows(with_all.places), rows(without.places)
    assert (sorted((a - b).elements()), sorted((b - a).elements())) == ([], [])
    assert with_all.facts == without.facts


@pytest.mark.parametrize("shop_name", ["volume", "prototype"])
def test_same_board_gives_the_same_fingerprints(boards: Path, shop_name: str) -> None:
    folders = [boards / name for name in ("x2-attributes", "no-attributes")]
    if not all(folder.is_dir() for folder in folders):
        pytest.skip(f"{folders[0]} and its twin are not there")
    shop = load_shop(shop_name)
    prints = [
        [
            (f.rule, f.layer, f.fingerprint)
            for f in judge(
                screen(folder, thickness=1.6, reach=shop.limit_reach(), workers=1),
                shop,
                rules=rules(),
            ).findings
            if f.step != "data"
        ]
        for folder in folders
    ]
    assert prints[0] == prints[1]
    assert prints[0]
