"""Data: what nobody states, what is said twice, and what the image contradicts."""

from __future__ import annotations

import hashlib
import re

import shapely
from numpy.random import Generator

from benchmarks.defects.ground import edit_round, for_cut_out, on_copper, through_board
from benchmarks.defects.plant import PRESENCE, Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.planters.netlists import true_netlist
from benchmarks.defects.planters.plate_drill_patterns import _lands
from benchmarks.defects.planters.shares import others
from benchmarks.defects.site import Site
from dfmcheck.formats.gerber import read_gerber

REPEATS = 20
"""So many objects drawn again in a file are told; fewer are taken for a habit of its writer."""


@planter("data.assumption")
def unit_left_out(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A layer that nowhere states its unit; harmless: stated the old way, with G70 or G71."""
    layers = (*site.board.copper, *site.board.masks)
    name = layers[int(rng.integers(len(layers)))].image.file
    data = site.files[name]
    found = re.findall(rb"%MO(IN|MM)\*%\r?\n", data)
    if len(found) != 1 or re.search(rb"G7[01]\*", data):
        raise NoPlace("its unit is not stated once, on a line of its own")
    old = b"" if aim.past else (b"G70*\n" if found[0] == b"IN" else b"G71*\n")
    data = re.sub(rb"%MO(IN|MM)\*%\r?\n", old, data)
    if aim.past:  # no comment may speak of one, either
        data = re.sub(rb"(?i)G04[^*]*\b(inch|mils?|mm|metric|millimet)[^*]*\*\r?\n", b"", data)
        expect = (Expect("data.assumption", source=(name, None)),)
        return Plant({name: data}, expect, others("data.assumption", "it may be 25 times as large"))
    withdrawn = Companion("data.deprecated-construct", None, "so it was stated long ago")
    return Plant({name: data}, (), (withdrawn,))


@planter("data.assumption")
def netlist_without_unit(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A netlist in ten thousandths of an inch that does not say so; harmless: one that does."""
    rows = true_netlist(site)
    told = () if aim.past else ("P  UNITS CUST 0",)
    points = [row.text(n, inch=True) for n, row in enumerate(rows)]
    text = "\n".join(["C  Planted netlist", *told, *points, "999", ""])
    expect = (Expect("data.assumption", source=("points.ipc", None)),) if aim.past else ()
    return Plant({"points.ipc": text.encode()}, expect)


@planter("data.plating-unknown")
def plating_unsaid(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A tool of a file silent on plating, half its holes in lands; harmless: all of them."""
    if len(site.board.copper) < 2 and not aim.past:
        raise NoPlace("one copper layer: a hole in a land there may be a peg's all the same")
    patch = through_board(site, rng, 6.0)
    size = round(float(rng.uniform(0.71, 0.79)), 3)
    x, y = patch.middle
    places = [(round(x + u, 4), round(y + v, 4)) for u in (-1.4, 1.4) for v in (-1.4, 1.4)]
    for n, at in enumerate(places):
        if n % 2 or not aim.past:
            _lands(patch, size + 0.8, at)
    hits = [f"X{u:.4f}Y{v:.4f}" for u, v in places]
    name = "more_holes.drl"
    text = "\n".join(["M48", "METRIC", f"T1C{size:.3f}", "%", "T1", *hits, "M30", ""])
    bare = Companion("drill.hit-without-land", shapely.MultiPoint(places), "some have no land")
    alone = Companion("plate.isolation", shapely.MultiPoint(places), "they stand alone")
    expect = (Expect("data.plating-unknown", source=(name, None)),) if aim.past else ()
    more = (bare, alone) if aim.past else (alone,)
    return patch.plant(*expect, companions=more, beside={name: text.encode()})


@planter("data.tool-idle")
def tool_never_used(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A tool defined and no hole drilled with it; harmless: one hole drilled with it."""
    patch = through_board(site, rng)
    drill = patch.drill(True)
    size = round(float(rng.uniform(0.81, 0.89)), 3)
    if aim.past:
        drill.tool(size)
        return patch.plant(Expect("data.tool-idle", source=(drill.name, None)))
    _lands(patch, size + 0.8, patch.hole(True, size, patch.middle))
    return patch.plant()


@planter("data.duplicate-object", ("gross", *PRESENCE))
def block_drawn_twice(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Strokes inside one land all drawn again, 20 of them or many; harmless: only 19."""
    if any(f.rule == "data.duplicate-object" for f in site.base):
        raise NoPlace("the board has such findings of its own")
    patch, layer = on_copper(site, rng, 4.4)
    edit = patch.on(layer)
    if _own_repeats(site.files[edit.name], edit.name):
        raise NoPlace("the file draws objects twice")
    count = {"gross": int(rng.integers(30, 60)), "planted": REPEATS}.get(aim.size, REPEATS - 1)
    land = patch.land(layer, 3.0, patch.middle)
    grid = [(0.24 * (n % 9 - 4), 0.24 * (n // 9 - 4)) for n in range(81)]
    inside = [(u, v) for u, v in grid if abs(u) + 0.2 < 1.1 and abs(v) < 1.0][:count]
    code = patch.code(layer, "C", 0.15)
    ends = [(*edit_round(edit, (land[0] + u, land[1] + v)),
             *edit_round(edit, (land[0] + u + 0.1, land[1] + v))) for u, v in inside]  # fmt: skip
    assert len(ends) == count
    for stroke in ends:
        edit.draw(code, *stroke)
    for n, (x0, y0, x1, y1) in enumerate(ends):  # one of two is drawn back to front
        edit.draw(code, *((x1, y1, x0, y0) if n % 2 else (x0, y0, x1, y1)))
    if not aim.past:
        return patch.plant()
    first = shapely.Point(ends[0][:2])
    return patch.plant(Expect("data.duplicate-object", "", None, first, (edit.name, None)))


def _own_repeats(data: bytes, name: str) -> int:
    """How many objects of a file repeat an earlier one, whatever lies between; one by one."""
    artwork = read_gerber(data, name)
    o = artwork.objects
    seen: set[tuple[object, ...]] = set()
    for k in range(len(o)):
        ends = sorted([(round(o.x0[k], 5), round(o.y0[k], 5)), (round(o.x1[k], 5),
                                                                round(o.y1[k], 5))])  # fmt: skip
        own = int(o.region[k]) if o.region[k] >= 0 else -1
        seen.add((int(o.kind[k]), *ends[0], *ends[1], int(o.aperture[k]), own))
    return len(o) - len(seen)


@planter("data.attribute-contradiction")
def via_without_hole(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A land said to be a via's and no hole in it; harmless: a hole in it."""
    layer = site.copper(rng)
    if any(f.rule == "data.attribute-contradiction" and layer.name in f.every_layer
           for f in site.base):  # fmt: skip
        raise NoPlace("the board has such findings of its own there")
    patch = through_board(site, rng)
    edit = patch.on(layer)
    edit.tail.append("%TA.AperFunction,ViaPad*%")
    code = edit.aperture("C", 1.3371)
    edit.tail.append("%TD*%")
    at = edit_round(edit, patch.middle)
    edit.flash(code, *at)
    mask = site.mask_over(layer)
    if mask is not None:
        patch.disc(mask, 1.55, at)
    if not aim.past:
        _lands(patch, 1.3371, patch.hole(True, 0.6, at), skip=layer.name)
        return patch.plant()
    where = shapely.Point(at)
    return patch.plant(Expect("data.attribute-contradiction", layer.name, None, where,
                              (edit.name, None)))  # fmt: skip


@planter("data.attribute-contradiction")
def signature_that_fails(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A file whose signature (.MD5) is another one's; harmless: its own."""
    layers = (*site.board.copper, *site.board.masks)
    name = layers[int(rng.integers(len(layers)))].image.file
    data = site.files[name]
    at = max(data.rfind(b"M02*"), data.rfind(b"M00*"))
    if at < 0 or b"%TF.MD5" in data:
        raise NoPlace("the file has no end, or a signature")
    if data[at - 1 : at] not in (b"\n", b"\r"):
        raise NoPlace("its end does not stand on a line of its own")
    signed = data[:at].translate(None, b"\r\n")
    mark = hashlib.md5(signed + (b" " if aim.past else b"")).hexdigest()
    changed = data[:at] + f"%TF.MD5,{mark}*%\n".encode() + data[at:]
    line = 1 + data.count(b"\n", 0, at)
    expect = (Expect("data.attribute-contradiction", source=(name, line)),) if aim.past else ()
    return Plant({name: changed}, expect)


@planter("data.profile-crossing")
def crossed_cut_out(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A cut-out whose outline crosses itself; harmless: two cut-outs, tip to tip."""
    patch = for_cut_out(site, rng, 7.0)
    edit = patch.profile()
    x, y = edit_round(edit, patch.middle)
    u, v, off = (edit.round(value) for value in (1.5, 1.0, 0.0 if aim.past else 0.2))
    code = edit.aperture("C", 0.1)
    if aim.past:
        rings = [[(-u, -v), (u, v), (u, -v), (-u, v)]]
    else:
        rings = [[(-u, -v), (-off, 0.0), (-u, v)], [(u, v), (off, 0.0), (u, -v)]]
    for ring in rings:
        points = [(x + p, y + q) for p, q in ring]
        for a, b in zip(points, [*points[1:], points[0]], strict=True):
            edit.draw(code, *a, *b)
    near = shapely.Point(x, y).buffer(2.5)
    more = tuple(Companion(rule, near, "its corners are sharp and its ends narrow")
                 for rule in ("rout.inner-radius", "rout.slot-width", "rout.web"))  # fmt: skip
    more += (Companion("data.job-contradiction", None, "the job file knows no cut-out"),)
    where = shapely.Point(x, y)
    expect = (Expect("data.profile-crossing", "", None, where, (edit.name, None)),)
    return patch.plant(*(expect if aim.past else ()), companions=more)
