"""The sample boards: made as promised (brute force), and screened as planted (both ways)."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from shapely import LineString, Point, box

from tests.sample_polygons import (
    SAMPLES,
    Copper,
    closest_pair,
    hole_polygon,
    item_polygon,
    necks,
    profile_ring,
)

from make_samples import write  # isort: skip
from plants import PLANTS, Plant, planted  # isort: skip
from tide_logger import CORNER, Design, build  # isort: skip

LAYERS = (1, 2, 3, 4)
PLACE, VALUE = 0.1, 0.001  # mm: how near a finding must come to its plant
SHOP = "volume"


@pytest.fixture(scope="module")
def clean() -> Design:
    return build()


@pytest.fixture(scope="module")
def copper(clean: Design) -> dict[int, Copper]:
    return {n: Copper(clean, n) for n in LAYERS}


# -- the generator ---------------------------------------------------------------------


def test_regenerating_gives_the_same_bytes(tmp_path: Path) -> None:
    write(tmp_path)
    made = {p.relative_to(tmp_path): p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    assert len(made) == 2 * 15
    kept = {
        p.relative_to(SAMPLES): p.read_bytes()
        for p in SAMPLES.rglob("*")
        if p.is_file() and p.relative_to(SAMPLES).parts[0].startswith("tide-logger")
    }
    assert made == kept
    assert sum(map(len, kept.values())) < 1_000_000


def test_clean_nets_are_whole_and_apart(clean: Design, copper: dict[int, Copper]) -> None:
    """Every net is one piece of copper through its holes, and no piece carries two nets."""
    joined: dict[tuple[int, int], tuple[int, int]] = {}

    def root(node: tuple[int, int]) -> tuple[int, int]:
        while joined.get(node, node) != node:
            node = joined[node]
        return node

    for layer, c in copper.items():
        assert all(len(names) <= 1 for names in c.names), layer
    for hole in clean.holes:
        touched = [
            (layer, n)
            for layer, c in copper.items()
            for n, part in enumerate(c.parts)
            if part.intersects(hole_polygon(hole))
        ]
        if hole.plated:
            assert {copper[layer].names[n].copy().pop() for layer, n in touched} == {hole.net}
            for node in touched:
                joined[root(node)] = root(touched[0])
        else:
            assert not touched
    pieces: dict[str, set[tuple[int, int]]] = {}
    for layer, c in copper.items():
        for n, names in enumerate(c.names):
            for name in names:
                pieces.setdefault(name, set()).add(root((layer, n)))
    assert len(pieces) == 22
    assert {name: len(roots) for name, roots in pieces.items()} == dict.fromkeys(pieces, 1)


@pytest.mark.parametrize("layer", LAYERS)
def test_clean_copper(clean: Design, copper: dict[int, Copper], layer: int) -> None:
    c = copper[layer]
    assert closest_pair(c.parts, 1.0) > 0.15
    assert necks(c.image, 0.15) == []
    assert necks(box(-1, -1, 61, 41) - c.image, 0.15) == []
    assert min(part.distance(profile_ring()) for part in c.parts) > 0.5
    for hole in clean.holes:
        wall = hole_polygon(hole)
        for part, names in zip(c.parts, c.names, strict=True):
            if hole.net is None or hole.net not in names:
                assert wall.distance(part) > 0.25, hole
    for land in clean.lands:
        if land.layer == layer:
            body = item_polygon(_flash(land))
            for hole in clean.holes:
                if Point(hole.at).within(body) and land.function != "SMDPad,CuDef":
                    assert body.covers(hole_polygon(hole).buffer(0.15))


def _flash(land: Any) -> Any:
    from drawing import Flash

    return Flash(land.shape, land.at)


def test_clean_holes_and_mask(clean: Design) -> None:
    walls = [hole_polygon(h) for h in clean.holes]
    assert closest_pair(walls, 2.0) > 0.3
    assert min(wall.distance(profile_ring()) for wall in walls) > 0.5
    for layer in (1, 4):
        openings = [item_polygon(o) for o in clean.mask(layer)]
        assert closest_pair(openings, 1.0) > 0.12
        ink = [item_polygon(stroke) for stroke in clean.ink[layer]]
        for area in [*openings, *walls]:
            assert min(area.distance(stroke) for stroke in ink) > 0.1
        for land in clean.lands:
            if land.layer == layer and land.opening and "Fiducial" not in land.function:
                body, opening = item_polygon(_flash(land)), item_polygon(land.opening)
                assert opening.contains(body)
                assert body.distance(opening.exterior) == pytest.approx(0.05, abs=1e-4)
                assert opening.hausdorff_distance(body) < 0.0725  # a square corner: 0.05·√2


# -- the plants, by brute force --------------------------------------------------------


def _measured(d: Design, p: Plant) -> float:
    """The planted value, measured on polygons near the place."""
    at = Point(p.at) if p.to is None else LineString([p.at, p.to]).centroid
    step = p.rule
    if step == "drill.aspect-ratio":
        return 1.6 / min((h for h in d.holes), key=lambda h: at.distance(Point(h.at))).diameter
    if step == "drill.smallest-diameter":
        return float(min((h for h in d.holes), key=lambda h: at.distance(Point(h.at))).diameter)
    if step == "drill.hole-to-hole":
        a, b = sorted((hole_polygon(h) for h in d.holes), key=at.distance)[:2]
        return float(a.distance(b))
    if step == "mask.opening-to-conductor":
        layer = 1 if p.layer == "mask-top" else 4
        opening = min((item_polygon(o) for o in d.mask(layer)), key=at.distance)
        apart = [c for c in Copper(d, layer).parts if not c.intersects(opening)]
        return min(float(c.distance(opening)) for c in apart)
    if step.startswith("mask."):
        near = sorted((item_polygon(o) for o in d.mask(1)), key=at.distance)
        if step == "mask.web":
            return float(near[0].distance(near[1]))
        lands = [item_polygon(_flash(land)) for land in d.lands if land.layer == 1]
        land = min(lands, key=at.distance)
        opening = next(o for o in near if o.contains(land))
        return float(opening.exterior.distance(land))
    layer = int(p.layer[-1])
    c = Copper(d, layer)
    hole = min(d.holes, key=lambda h: at.distance(hole_polygon(h)))
    if step == "plate.annular-ring":
        lands = [x for x in d.lands if x.layer == layer]
        body = item_polygon(_flash(min(lands, key=lambda x: math.dist(x.at, hole.at))))
        offset = body.exterior.distance(Point(hole.at))
        return float(offset - hole.diameter / 2)
    if step in ("drill.hole-to-copper", "drill.unplated-to-copper"):
        return float(
            min(
                hole_polygon(hole).distance(part)
                for part, names in zip(c.parts, c.names, strict=True)
                if hole.net is None or hole.net not in names
            )
        )
    if step.endswith(".copper-to-profile"):
        return float(min(part.distance(profile_ring()) for part in c.parts))
    if step == "etch.conductor-spacing":
        a, b = sorted(c.parts, key=at.distance)[:2]
        return float(a.distance(b))
    # width and notch: the chord of the image, or of its complement, across the place
    copper = step in ("etch.conductor-width", "etch.copper-sliver")
    image = c.image if copper else box(-1, -1, 61, 41) - c.image
    chords = []
    for angle in range(0, 180, 45):
        dx, dy = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        ray = LineString([(at.x - dx, at.y - dy), (at.x + dx, at.y + dy)]) & image
        chords.append(min(getattr(ray, "geoms", [ray]), key=at.distance).length)
    return float(min(chords))


def test_every_plant_measures_as_the_manifest_says() -> None:
    bad = build()
    for p in planted(bad):
        assert _measured(bad, p) == pytest.approx(p.value, abs=2e-4), p


def test_every_rule_has_two_mechanisms() -> None:
    mechanisms: dict[str, set[str]] = {}
    for p in planted(build()):
        mechanisms.setdefault(p.rule, set()).add(p.how)
    assert len(mechanisms) == 15
    assert all(len(how) >= 2 for how in mechanisms.values())


@pytest.mark.parametrize("function", PLANTS, ids=lambda f: f.__name__)
def test_a_plant_alone_changes_the_design(function: Any) -> None:
    """Each plant stands alone: it needs no other one, and names only what it does itself."""
    bad = build()
    for p in function(bad):
        assert _measured(bad, p) == pytest.approx(p.value, abs=2e-4)
        assert _measured(build(), p) != pytest.approx(p.value, abs=0.01)


# -- the screening ---------------------------------------------------------------------


def _manifest(name: str) -> dict[str, Any]:
    return tomllib.loads((SAMPLES / f"{name}.manifest.toml").read_text())


def _judged(package: Path, shop_name: str = SHOP) -> Any:
    from dfmcheck.capability import load_shop
    from dfmcheck.judge import judge
    from dfmcheck.measure.rule import rules
    from dfmcheck.screen import screen

    shop = load_shop(shop_name)
    screening = screen(
        package, roles={}, thickness=None, copper_um=None, reach=shop.limit_reach(),
        workers=1, progress=None,
    )  # fmt: skip
    return judge(screening, shop, tier=None, thickness=None, copper_um=None, rules=rules())


def _stretch(entry: dict[str, Any]) -> Any:
    a = (entry["x"] - CORNER[0], entry["y"] - CORNER[1])
    if "x2" not in entry:
        return Point(a)
    return LineString([a, (entry["x2"] - CORNER[0], entry["y2"] - CORNER[1])])


def _answers(finding: Any, entry: dict[str, Any]) -> bool:
    """The finding is the planted one: rule, layer, place and value."""
    return (
        finding.rule == entry["rule"]
        and finding.layer == entry["layer"]
        and finding.x is not None
        and _stretch(entry).distance(Point(finding.x, finding.y)) <= PLACE
        and finding.raw is not None
        and abs(finding.raw - entry["value"]) <= VALUE
    )


def test_manifests_name_the_corner() -> None:
    for name, count in (("tide-logger-clean", 0), ("tide-logger-planted", len(planted(build())))):
        manifest = _manifest(name)
        assert tuple(manifest["corner"]) == CORNER
        assert len(manifest.get("plant", [])) == manifest["count"] == count


@pytest.mark.parametrize("shop", ["volume", "prototype"])
def test_clean_board_is_released(shop: str) -> None:
    judgement = _judged(SAMPLES / "tide-logger-clean", shop)
    assert [(f.rule, f.layer, f.message) for f in judgement.findings] == []
    assert str(judgement.verdict) == "release"
    assert not judgement.screening.gaps
    facts = judgement.screening.facts
    assert (facts.width, facts.height) == pytest.approx((60.0, 40.0), abs=1e-6)
    assert (facts.conductors, facts.thickness) == (4, 1.6)


def test_planted_board_both_ways() -> None:
    judgement = _judged(SAMPLES / "tide-logger-planted")
    entries = _manifest("tide-logger-planted")["plant"]
    missed = [e for e in entries if not any(_answers(f, e) for f in judgement.findings)]
    assert missed == []
    unasked = [
        (f.rule, f.layer, f.x, f.y, f.raw)
        for f in judgement.findings
        if not any(_answers(f, e) for e in entries)
    ]
    assert unasked == []
    assert len(judgement.findings) == len(entries)
    assert str(judgement.verdict) == "hold"
