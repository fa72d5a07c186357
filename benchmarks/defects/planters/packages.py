"""Data: what files say against each other, and packages that hold more than one board."""

from __future__ import annotations

import re

from numpy.random import Generator

from benchmarks.defects.ground import on_copper
from benchmarks.defects.plant import Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.planters.etch_patterns import LAND
from benchmarks.defects.planters.shares import blank, closed, others, region
from benchmarks.defects.site import Site


@planter("data.several-boards")
def two_boards(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Every file twice, in two folders; harmless: one text in a folder of its own."""
    if not aim.past:
        return Plant({"more/note.txt": b"One board, two folders.\n"}, ())
    files: dict[str, bytes | None] = dict.fromkeys(site.files)
    for folder in ("first", "second"):
        files |= {f"{folder}/{n}": d for n, d in site.files.items()}
    rule = "data.several-boards"
    return Plant(files, (Expect(rule),), others(rule, "nothing can be measured of two boards"))


@planter("data.layer-order")
def order_untold(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two inner conductors nobody puts in order; harmless: numbered ones."""
    area = closed(site)
    if len(site.board.copper) != 2:
        raise NoPlace("not two layers")
    bottom = site.board.copper[1].image.file
    data = site.files[bottom]
    if b"FileFunction,Copper,L2,Bot" not in data:
        raise NoPlace("the files do not say which layer is which")
    _, dot, end = bottom.rpartition(".")
    rule = "data.layer-order"
    files: dict[str, bytes | None] = {}
    names = ("power", "sense") if aim.past else ("inner2", "inner3")
    if not aim.past:
        files[bottom] = data.replace(b"Copper,L2,Bot", b"Copper,L4,Bot")
    for n, word in enumerate(names, start=2):
        told = "" if aim.past else f"Copper,L{n},Inr"
        edit = blank(f"{word}_plane{dot}{end}", function=told)
        region(edit, area.buffer(-2).bounds)
        files[edit.name] = edit.data()
    expect = (Expect(rule),) if aim.past else ()
    return Plant(files, expect, others(rule, "the board has two layers more, which fit nothing"))


@planter("data.deprecated-construct")
def old_words(site: Site, rng: Generator, aim: Aim) -> Plant:
    """An aperture selected the old way, with G54; harmless: without it."""
    layers = (*site.board.copper, *site.board.masks)
    name = layers[int(rng.integers(len(layers)))].image.file
    if any(f.rule == "data.deprecated-construct" for f in site.base):
        raise NoPlace("the board has such findings of its own")
    data = site.files[name]
    found = re.search(rb"^D(\d\d+)\*", data, re.M)
    at = max(data.rfind(b"M02*"), data.rfind(b"M00*"))
    if found is None or at < 0:
        raise NoPlace("no aperture is selected on a line of its own")
    text = (b"G54D%b*\n" if aim.past else b"D%b*\n") % found[1]
    expect = (Expect("data.deprecated-construct"),) if aim.past else ()
    return Plant({name: data[:at] + text + data[at:]}, expect)


@planter("data.job-contradiction")
def job_says_otherwise(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A job file that counts more layers than there are; harmless: as many as there are."""
    name = next((n for n in site.files if n.endswith(".gbrjob")), None)
    count = len(site.board.copper)
    if name is None:
        if any(b"%TF.FileFunction,Copper" not in site.files[c.image.file]
               for c in site.board.copper):  # fmt: skip
            raise NoPlace("no job file, and layers that do not say what they are")
        told = count + (2 if aim.past else 0)
        head = (b'{"Header": {"GenerationSoftware": {"Vendor": "none", "Application": "hand"}},'
                b' "GeneralSpecs": {"LayerNumber": %d}}')  # fmt: skip
        new = {"planted-job.gbrjob": head % told}
    else:
        told = count + (2 if aim.past else 0)
        data, n = re.subn(rb"(B_LayerNum,|\"LayerNumber\":\s*)\d+", rb"\g<1>%d" % told,
                          site.files[name])  # fmt: skip
        if n != 1:
            raise NoPlace("the job file does not count layers")
        new = {name: data}
    rule = "data.job-contradiction"
    more = (
        Companion("data.assumption", None, "the job file leaves much open"),
        Companion("data.missing-role", None, "it counts layers that are not there"),
    )
    return Plant(dict(new), (Expect(rule),) if aim.past else (), more)


def _two_lands(
    site: Site, rng: Generator, first: str, second: str, joined: bool
) -> dict[str, bytes | None]:
    """Two lands with net names of their own in a free place, joined by a conductor or not."""
    patch, layer = on_copper(site, rng, 5.4)
    edit = patch.on(layer)
    frame = patch.turned(rng)
    if joined:
        patch.line(layer, 0.3, frame.at(-1.2, 0), frame.at(1.2, 0))
    for u, name in ((-1.2, first), (1.2, second)):
        edit.tail.append(f"%TO.N,{name}*%")
        patch.land(layer, LAND, frame.at(u, 0))
        edit.tail.append("%TD*%")
    return patch.plant().files


@planter("data.attribute-short")
def nets_joined(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A conductor between lands of two nets by their attributes; harmless: of one net."""
    files = _two_lands(site, rng, "PLANTED_1", "PLANTED_2" if aim.past else "PLANTED_1", True)
    return Plant(files, (Expect("data.attribute-short"),) if aim.past else ())


@planter("data.attribute-open")
def net_parted(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two lands of one net by their attributes and no conductor; harmless: of two nets."""
    files = _two_lands(site, rng, "PLANTED_1", "PLANTED_1" if aim.past else "PLANTED_2", False)
    return Plant(files, (Expect("data.attribute-open"),) if aim.past else ())
