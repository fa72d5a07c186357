"""The planter of known defects: what it writes is what a reader reads, and scoring is honest."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from benchmarks.defects.drill_edit import DrillEdit
from benchmarks.defects.gerber_edit import GerberEdit
from benchmarks.defects.plant import Aim, Companion, Expect, Plant, Shift
from benchmarks.defects.planters import planters
from benchmarks.defects.score import Result, judge_plant
from benchmarks.defects.site import plants_shop
from benchmarks.defects.truth import all_apart, gap_place, ring_place, segments_apart
from dfmcheck.formats.excellon import read_excellon
from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Kind
from dfmcheck.judge.finding import Finding, Source
from dfmcheck.measure.rule import rules

LAYER = """%FSLAX{f}Y{f}*%
%MO{unit}*%
%ADD10C,0.2*%
%LPD*%
D10*
X0Y0D02*
X{one}Y0D01*
X{one}Y{one}D01*
%LPC*%
X0Y0D03*
M02*
"""


def layer(unit: str, form: str) -> bytes:
    return LAYER.format(unit=unit, f=form, one="1" + "0" * int(form[1])).encode()


@pytest.mark.parametrize(("unit", "form", "mm"), [("MM", "46", 1.0), ("IN", "24", 25.4)])
def test_planted_objects_are_read_back_dark_and_where_they_were_put(unit, form, mm):
    edit = GerberEdit("top.gbr", layer(unit, form))
    x, y = edit.round(1.23456), edit.round(-0.7)
    wide = edit.size(0.1234)[1]
    edit.draw(edit.aperture("C", wide), x, y, x + edit.round(2.0), y)
    art = read_gerber(edit.data(), "top.gbr")
    last = len(art.objects) - 1
    assert not art.defects
    assert bool(art.objects.dark[last]) and not bool(art.objects.dark[last - 1])
    assert art.objects.x0[last] == pytest.approx(x, abs=1e-9)
    assert art.objects.y0[last] == pytest.approx(y, abs=1e-9)
    aperture = art.apertures[int(art.objects.aperture[last])]
    assert aperture.values[0] == pytest.approx(wide, abs=1e-9)
    assert abs(x - 1.23456) <= edit.step / 2 + 1e-12
    assert edit.step == pytest.approx(mm / 10 ** int(form[1]))


def test_another_aperture_for_one_draw_leaves_the_others_alone():
    edit = GerberEdit("top.gbr", layer("MM", "46"))
    assert edit.is_plain(7, "1") and not edit.is_plain(6, "1")
    edit.recode(7, 10, "C", 0.05)
    art = read_gerber(edit.data(), "top.gbr")
    sizes = [art.apertures[int(a)].values[0] for a in art.objects.aperture]
    kinds = [Kind(int(k)) for k in art.objects.kind]
    assert kinds == [Kind.DRAW, Kind.DRAW, Kind.FLASH]
    assert sizes == pytest.approx([0.05, 0.2, 0.2])


@pytest.mark.parametrize(
    ("head", "hit"),
    [
        ("M48\nMETRIC,TZ,000.000\nT1C0.8\n%\nT1\n", "X1500Y-2000\nX10000Y4500\n"),
        ("M48\nINCH,LZ\nT01C0.0300\n%\nG05\nT01\n", "X010000Y020000\nX015607Y022100\n"),
        ("M48\nMETRIC\nT1C0.8\n%\nG90\nT1\n", "X1.5Y-2.0\nX10.25Y4.5\n"),
    ],
)
def test_planted_hits_are_read_back_with_their_tool_and_place(head, hit):
    data = (head + hit + "M30\n").encode()
    before = read_excellon(data, "a.drl")
    rows = [(int(n), float(x), float(y)) for n, x, y in
            zip(before.hits.line, before.hits.x0, before.hits.y0, strict=True)]  # fmt: skip
    edit = DrillEdit("a.drl", data, rows)
    at = edit.round(3.21), edit.round(4.32)
    edit.hit(edit.tool(0.4567), *at)
    edit.recode(rows[0][0], 1, 0.9)
    after = read_excellon(edit.data(), "a.drl")
    sizes = [after.tools[int(t)].diameter for t in after.hits.tool]
    old = before.tools[0].diameter
    assert sizes == pytest.approx([0.9, old, 0.4567], abs=1e-6)
    assert (after.hits.x0[2], after.hits.y0[2]) == pytest.approx(at, abs=1e-6)
    assert after.hits.x0[:2] == pytest.approx(before.hits.x0)


def test_distances_of_segments_agree_with_dense_sampling():
    rng = np.random.default_rng(5)
    a = (0.0, 0.0, 2.0, 0.5)
    many = rng.uniform(-3, 3, (40, 4))
    t = np.linspace(0, 1, 2001)[:, None]
    p = np.array(a[:2]) * (1 - t) + np.array(a[2:]) * t
    for row, got in zip(many, all_apart(a, many), strict=True):
        line = shapely.LineString([row[:2], row[2:]])
        sampled = float(shapely.distance(shapely.points(p), line).min())
        assert got <= sampled + 1e-12 and sampled - got < 2e-3
        if got > 0:
            assert segments_apart(a, tuple(row)) == pytest.approx(got)


def test_small_steps_lie_on_either_side_of_the_limit():
    rng = np.random.default_rng(0)
    past = Aim("2 µm past", 0.1, "at-least", "mm")
    inside = Aim("2 µm inside", 0.1, "at-least", "mm")
    deep = Aim("2 µm past", 6.0, "at-most", "1")
    assert past.at(rng) == pytest.approx(0.098) and past.past
    assert past.at(rng, slack=0.003) == pytest.approx(0.095)
    assert inside.at(rng) == pytest.approx(0.102) and not inside.past
    assert deep.at(rng) > 6.0


def finding(rule: str, x: float, value: float, layer: str = "conductor-1") -> Finding:
    return Finding(
        rule=rule, step="etch", severity="hold", layer=layer, nets=(), x=x, y=0.0,
        bbox=(x, 0.0, x, 0.0), line=(x, 0.0, x, 0.0), measured=value, raw=value, uncertainty=0.0,
        limit=0.1, unit="mm", tier="only", fits="", count=1, fingerprint="f", message="m",
        remedy="", who="ask",
    )  # fmt: skip


def scored(size: str, plant: Plant, found: list[Finding], base: list[Finding]) -> Result:
    result = Result("kind", "etch.notch", "board", 0, size, size == "gross", "")
    judge_plant(result, plant, found, base, (0.0, 0.0))
    return result


def test_scoring_tells_found_missed_false_and_what_was_there_before():
    own = finding("etch.notch", 50.0, 0.07)
    where = shapely.Point(10.0, 0.0)
    plant = Plant({}, (Expect("etch.notch", "conductor-1", 0.05, where),),
                  (Companion("etch.pinhole", where),))  # fmt: skip
    hit = finding("etch.notch", 10.1, 0.0501)
    beside = finding("etch.pinhole", 10.0, 0.05)
    stray = finding("etch.notch", 20.0, 0.05)

    good = scored("gross", plant, [own, hit, beside], [own])
    assert good.caught and not good.false and good.companions == 1
    assert good.position_error == pytest.approx(0.1)
    assert (good.truth, good.measured) == (0.05, 0.0501)

    assert scored("gross", plant, [own], [own]).missed
    assert scored("gross", plant, [own, stray], [own]).missed
    assert len(scored("gross", plant, [own, hit, stray], [own]).false) == 1
    # inside the limit a finding at the place is false, too
    assert len(scored("2 µm inside", plant, [own, hit], [own]).false) == 1
    elsewhere = finding("etch.notch", 10.0, 0.05, "conductor-2")
    assert scored("gross", plant, [elsewhere], []).missed


def test_a_hole_told_for_several_layers_is_found_on_each_of_them():
    plant = Plant({}, (Expect("etch.notch", "conductor-2", 0.05, shapely.Point(10.0, 0.0)),), ())
    joined = replace(finding("etch.notch", 10.0, 0.05), also_on=("conductor-2",))
    assert scored("gross", plant, [joined], []).caught
    # What the board had before stays its own, whichever layer is the worst now.
    led = replace(finding("etch.notch", 10.0, 0.05, "conductor-2"), also_on=("conductor-1",))
    assert not scored("2 µm inside", plant, [led], [joined]).false
    only = finding("etch.notch", 10.0, 0.05, "conductor-3")
    assert scored("gross", plant, [only], []).missed


def listed(places: list[tuple[float, float, float]], rule: str = "etch.notch") -> Finding:
    x, _, value = places[0]
    return replace(finding(rule, x, value), places=tuple(places), count=len(places))


def test_places_of_a_merged_finding_are_scored_one_by_one():
    where = shapely.Point(10.0, 0.0)
    plant = Plant({}, (Expect("etch.notch", "conductor-1", 0.05, where),))
    own = [(30.0, 0.0, 0.01), (40.0, 0.0, 0.02)]
    base = [listed(own)]
    good = scored("gross", plant, [listed([*own, (10.0, 0.0, 0.05)])], base)
    assert good.caught and not good.false and good.measured == 0.05
    # the board's own gap told at another place of it is no new one; another value there is
    moved = [(30.4, 0.0, 0.01), own[1]]
    assert not scored("2 µm inside", plant, [listed(moved)], base).false
    assert (
        len(scored("2 µm inside", plant, [listed([(30.4, 0.0, 0.012), own[1]])], base).false) == 1
    )
    # a further place of the plant's own finding is the plant, one elsewhere is not
    beside, far = (11.0, 0.0, 0.06), (19.0, 0.0, 0.06)
    assert not scored("gross", plant, [listed([*own, (10.0, 0.0, 0.05), beside])], base).false
    assert len(scored("gross", plant, [listed([(10.0, 0.0, 0.05), far])], []).false) == 1


def test_a_moved_datum_is_taken_into_account():
    plant = Plant({}, (Expect("etch.notch", "", 0.05, shapely.Point(10.0, 0.0)),))
    result = Result("kind", "etch.notch", "board", 0, "gross", True, "")
    own, hit = finding("etch.notch", 50.0, 0.07), finding("etch.notch", 10.0, 0.05)
    shifted = [replace(f, x=f.x - 3, line=(f.x - 3, 0.0, f.x - 3, 0.0)) for f in (own, hit)]
    judge_plant(result, plant, shifted, [own], (3.0, 0.0), (0.0, 0.0))
    assert result.caught and not result.false and result.position_error == pytest.approx(0.0)


def test_the_place_of_a_gap_is_a_line_where_it_is_even_and_a_point_where_it_is_not():
    even = gap_place((0, 0, 4, 0), (1, 1, 3, 1), 0.2, 0.4)
    assert even.equals_exact(shapely.LineString([(1, 0.4), (3, 0.4)]), 0.01)
    taper = gap_place((0, 0, 4, 0), (0, 1, 4, 1.4), 0.1, 0.1)
    assert taper.length < 0.01 and taper.distance(shapely.Point(0.05, 0.5)) < 0.06
    end = gap_place((0, 0, 4, 0), (2, 1, 2, 3), 0.1, 0.3)
    assert end.distance(shapely.Point(2.0, 0.4)) < 1e-4 and end.length < 0.05
    rng = np.random.default_rng(3)
    for _ in range(20):
        far, way = rng.uniform(0.05, 0.2), rng.uniform(0, 2 * math.pi)
        inner = (far * math.cos(way), far * math.sin(way))
        place = ring_place((0, 0), 1.0, inner, 0.5)
        middle = (1.0 + far + 0.5) / 2
        worst = shapely.Point(middle * math.cos(way), middle * math.sin(way))
        assert place.distance(worst) < 1e-6
        # a tenth of a micrometre away from the least width, not further
        assert shapely.hausdorff_distance(place, worst) < 0.08
    all_round = ring_place((0, 0), 1.0, (0, 0), 0.5)
    assert all_round.distance(shapely.Point(-0.75, 0)) < 1e-6


def test_every_kind_plants_a_rule_there_is():
    known = rules()
    assert len(planters()) > 100
    assert {kind.rule for kind in planters().values()} == set(known)
    for kind in planters().values():
        assert kind.rule in known, kind.name
        assert kind.says.endswith("."), kind.name
    shop = plants_shop()
    measured = {kind.rule for kind in planters().values() if not kind.rule.startswith("data.")}
    assert measured <= set(shop.limits)


def test_a_finding_the_plant_makes_milder_stays_the_boards_own_and_no_other_does():
    """Ink lay 0.9 mm deep in an opening that is planted 0.09 mm smaller all round."""
    where = shapely.Point(10.0, 0.0)
    less = Shift("legend.ink-on-land", where.buffer(1.0), 0.09)
    plant = Plant({}, (Expect("mask.clearance", "mask-top", 0.01, where),), shifts=(less,))
    own = finding("legend.ink-on-land", 10.5, -0.9, "legend-top")
    hit = finding("mask.clearance", 10.0, 0.01, "mask-top")
    now = finding("legend.ink-on-land", 10.6, -0.81, "legend-top")
    good = scored("gross", plant, [hit, now], [own])
    assert good.caught and not good.false and (good.shifted, good.companions) == (1, 0)
    further = replace(now, measured=-0.79)  # more than the opening's change accounts for
    assert len(scored("gross", plant, [hit, further], [own]).false) == 1
    assert len(scored("gross", plant, [hit, now], []).false) == 1  # the board had none there
    elsewhere = finding("legend.ink-on-land", 14.0, -0.81, "legend-top")
    assert len(scored("gross", plant, [hit, elsewhere], [own]).false) == 1
    below = replace(now, layer="legend-bottom")
    assert len(scored("gross", plant, [hit, below], [own]).false) == 1
    # inside the limit the board's own is still no false finding
    assert not scored("2 µm inside", plant, [now], [own]).false


def test_a_plant_in_a_file_is_found_only_by_a_finding_that_names_the_line():
    plant = Plant({}, (Expect("etch.notch", source=("a.drl", 7)),))
    told = finding("etch.notch", 10.0, 0.05)
    assert scored("gross", plant, [replace(told, sources=(Source("a.drl", 7),))], []).caught
    assert scored("gross", plant, [replace(told, sources=(Source("a.drl", 8),))], []).missed
    assert scored("gross", plant, [told], []).missed
