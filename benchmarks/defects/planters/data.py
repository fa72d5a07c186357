"""Data: files that are cut short, doubled, missing, or say what cannot be."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.random import Generator

from benchmarks.defects.ground import edit_round, on_copper
from benchmarks.defects.patch import Patch
from benchmarks.defects.plant import Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.site import Site
from dfmcheck.board.model import Layer

ANY = None


def _layer(site: Site, rng: Generator) -> Layer:
    layers = (*site.board.copper, *site.board.masks)
    return layers[int(rng.integers(len(layers)))]


def _lines(data: bytes) -> tuple[list[bytes], bytes]:
    end = b"\r\n" if b"\r\n" in data else b"\n"
    return data.split(end), end


def _insert(data: bytes, text: str) -> bytes:
    """A line before the file's last M02."""
    at = max(data.rfind(b"M02*"), data.rfind(b"M00*"))
    if at < 0:
        raise NoPlace("the file has no end")
    return data[:at] + text.encode() + b"\n" + data[at:]


@planter("data.truncated-file")
def file_cut_short(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A layer that ends in the middle of a line; harmless: blank lines behind its end."""
    layer = site.copper(rng)
    name = layer.image.file
    data = site.files[name]
    if not aim.past:
        return Plant({name: data + b"\r\n\r\n"}, ())
    end = max(data.rfind(b"M02*"), data.rfind(b"M00*"))
    cut = data[: end - int(rng.integers(2, 12))]
    return Plant({name: cut}, (Expect("data.truncated-file"),), _all("the last object is cut"))


@planter("data.unknown-command")
def command_nobody_knows(site: Site, rng: Generator, aim: Aim) -> Plant:
    """An extended command of no format; harmless: the same words in a comment."""
    name = _layer(site, rng).image.file
    word = "".join(rng.choice(list("QXZVW"), 2))
    text = f"%{word}1.5X2*%" if aim.past else f"G04 {word}1.5X2*"
    expect = (Expect("data.unknown-command"),) if aim.past else ()
    return Plant({name: _insert(site.files[name], text)}, expect)


@planter("data.aperture-undefined")
def aperture_not_defined(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A flash with a D-code nobody defined; harmless: the code selected and not used."""
    layer = site.copper(rng)
    edit = site.edit(layer)
    x0, y0, x1, y1 = site.area.bounds
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    code = edit.code + 7
    if aim.past:
        edit.flash(code, x, y)
        return Plant({edit.name: edit.data()}, (Expect("data.aperture-undefined"),))
    edit.tail.append(f"%ADD{code}C,0.5*%")
    edit.tail.append(f"D{code}*")
    return Plant({edit.name: edit.data()}, ())


@planter("data.zero-aperture")
def aperture_of_no_size(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A draw with a round aperture of size nought; harmless: such an aperture defined only."""
    layer = site.copper(rng)
    edit = site.edit(layer)
    x0, y0, x1, y1 = site.area.bounds
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    code = edit.code + 1
    edit.tail.append(f"%ADD{code}C,0*%")
    if aim.past:
        edit.draw(code, x, y, x + float(rng.uniform(1, 5)), y)
        return Plant({edit.name: edit.data()}, (Expect("data.zero-aperture"),))
    return Plant({edit.name: edit.data()}, ())


@planter("data.illegal-construct")
def draw_in_no_direction(site: Site, rng: Generator, aim: Aim) -> Plant:
    """An arc whose radii at start and end differ grossly; harmless: a sound quarter arc."""
    patch, layer = on_copper(site, rng, 4.0, alone=True)
    edit = patch.on(layer)
    x, y = edit_round(edit, patch.middle)
    code = patch.code(layer, "C", 0.3)
    r, bad = edit.round(0.8), edit.round(0.8 + (0.5 if aim.past else 0.0))
    edit.tail += [
        f"D{code}*", "G75*",
        f"X{edit.number(x + r)}Y{edit.number(y)}D02*",
        f"G03X{edit.number(x)}Y{edit.number(y + bad)}I{edit.number(-r)}J{edit.number(0)}D01*",
        "G01*",
    ]  # fmt: skip
    for at in ((x + r, y), (x, y + bad)):
        patch.land(layer, 0.7, at)
    expect = (Expect("data.illegal-construct"),) if aim.past else ()
    return patch.plant(*expect)


@planter("data.missing-role")
def file_left_out(site: Site, rng: Generator, aim: Aim) -> Plant:
    """The profile, or all drill files, left out; harmless: a text file more."""
    if not aim.past:
        return Plant({"note.txt": b"Made with care. No changes since the last revision.\n"}, ())
    kinds: list[tuple[str, ...]] = []
    if site.board.profile is not None:
        kinds.append((site.board.profile.file,))
    if site.board.drill_files:
        kinds.append(site.board.drill_files)
    if not kinds:
        raise NoPlace("nothing to leave out")
    gone = kinds[int(rng.integers(len(kinds)))]
    return Plant(dict.fromkeys(gone), (Expect("data.missing-role"),),
                 _all("a whole file is gone"))  # fmt: skip


def _all(why: str) -> tuple[Companion, ...]:
    from dfmcheck.measure.rule import rules

    return tuple(Companion(id_, ANY, why) for id_ in rules())


@planter("data.empty-layer")
def layer_without_objects(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A copper layer whose objects are all gone; harmless: a comment more in it."""
    layer = site.copper(rng)
    name = layer.image.file
    data = site.files[name]
    if not aim.past:
        return Plant({name: _insert(data, "G04 nothing here was taken away*")}, ())
    rows, end = _lines(data)
    kept = [r for r in rows if r.startswith((b"%", b"G04", b"M0")) and not r.startswith(b"%AM")]
    kept = [r for r in kept if r.endswith((b"*%", b"*", b"%")) and b"D03" not in r]
    if any(r.startswith(b"%AM") for r in rows):
        raise NoPlace("macros: objects cannot be told by their lines")
    return Plant({name: end.join([*kept, b""])}, (Expect("data.empty-layer"),),
                 _all("a whole layer is gone"))  # fmt: skip


@planter("data.duplicate-role")
def layer_twice(site: Site, rng: Generator, aim: Aim) -> Plant:
    """The same layer in a second file of like name; harmless: the board as it is."""
    layer = site.copper(rng)
    name = layer.image.file
    if not aim.past:
        return Plant({name: site.files[name] + b"\n"}, ())
    stem, dot, last = name.rpartition(".")
    twin = f"{stem}_old{dot}{last}"
    return Plant({twin: site.files[name] + b"\n"}, (Expect("data.duplicate-role"),),
                 _all("a layer counts twice"))  # fmt: skip


@planter("data.hits-duplicate")
def hit_twice(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A hit of a real tool repeated; harmless: its tool selected once more."""
    number, line, tool, x, y = _hit(site, rng)
    drill = site.edit_drill_file(number)
    if aim.past:
        drill.after[line] = [drill.lines[line - 1].strip()]
        return Plant({drill.name: drill.data()}, (
            Expect("data.hits-duplicate", "", None, shapely.Point(x, y)),))  # fmt: skip
    drill.before[line] = [f"T{tool:02d}"]
    return Plant({drill.name: drill.data()}, ())


def _hit(site: Site, rng: Generator) -> tuple[int, int, int, float, float]:
    """A plain hit of a drill file whose tools keep their header's numbers."""
    holes = site.board.holes
    number = site.drill_file(True)
    drill = site.edit_drill_file(number)
    known = {**drill.tools, **drill.notes}
    rows = [
        k for k in np.flatnonzero((holes.file == number) & (holes.x0 == holes.x1)).tolist()
        if drill.is_hit(int(holes.line[k])) and int(holes.tool[k]) in known
    ]  # fmt: skip
    if not rows:
        raise NoPlace("no plain hit")
    k = rows[int(rng.integers(len(rows)))]
    return number, int(holes.line[k]), int(holes.tool[k]), float(holes.x0[k]), float(holes.y0[k])


@planter("data.tool-size")
def tool_without_size(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A hit with a tool the file gives no size for; harmless: such a tool never used."""
    number, line, tool, _, _ = _hit(site, rng)
    drill = site.edit_drill_file(number)
    unknown = drill.number + 5
    if aim.past:
        drill.before[line] = [f"T{unknown:02d}"]
        drill.after[line] = [f"T{tool:02d}"]
        return Plant({drill.name: drill.data()}, (Expect("data.tool-size"),), (
            Companion("drill.land-without-hole", ANY, "that hole has no size and is not drilled"),
            Companion("data.attribute-contradiction", ANY, "its lands claim a hole"),
        ))  # fmt: skip
    drill.tool(round(float(rng.uniform(1.21, 1.29)), 3))
    idle = Companion("data.tool-idle", ANY, "a tool without hits is worth a note")
    return Plant({drill.name: drill.data()}, (), (idle,))


@planter("data.datum-offset")
def drill_file_beside(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Every hit of a drill file moved by some millimetres; harmless: by less than a micron."""
    number = site.drill_file(True)
    drill = site.edit_drill_file(number)
    holes = site.board.holes
    rows = np.flatnonzero((holes.file == number) & (holes.x0 == holes.x1))
    if len(rows) < 8 or any(not drill.is_hit(int(holes.line[k])) for k in rows):
        raise NoPlace("not all hits are plain")
    if not aim.past:
        return Plant({drill.name: drill.data()}, ())
    far, way = float(rng.uniform(1.0, 6.0)), float(rng.uniform(0, 2 * math.pi))
    dx, dy = far * math.cos(way), far * math.sin(way)
    for k in rows.tolist():
        x, y = float(holes.x0[k]) + dx, float(holes.y0[k]) + dy
        drill.replace(int(holes.line[k]), drill.at(x, y))
    return Plant({drill.name: drill.data()}, (Expect("data.datum-offset"),),
                 _all("every hole is beside its land"))  # fmt: skip


@planter("data.outside-profile")
def copper_outside(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A land outside the profile; harmless: an opened land inside it."""
    if site.board.profile is None or site.board.profile.area.is_empty:
        raise NoPlace("no closed profile")
    if not aim.past:
        ground, layer = on_copper(site, rng, 4.0, alone=True)
        ground.land(layer, 0.8, ground.middle)
        return ground.plant()
    layer = site.copper(rng)
    patch = Patch(site)
    x0, y0, x1, _ = site.area.bounds
    at = (float(rng.uniform(x0, x1)), y0 - float(rng.uniform(2, 6)))
    told = patch.disc(layer, 1.0, at)
    return patch.plant(Expect("data.outside-profile", layer.name, None,
                              shapely.Point(told).buffer(0.5)))  # fmt: skip


@planter("data.open-profile")
def profile_with_gap(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A line of the profile left out; harmless: drawn twice."""
    edit = site.edit_profile()
    profile = site.board.profile
    assert profile is not None
    e = profile.edges
    plain = [
        k for k in range(len(e.x0))
        if edit.is_plain(int(profile.lines[k]), "1") and e.error[k] == 0
        and math.hypot(e.x1[k] - e.x0[k], e.y1[k] - e.y0[k]) > 2
    ]  # fmt: skip
    if not plain:
        raise NoPlace("no plain line in the profile")
    line = int(profile.lines[plain[int(rng.integers(len(plain)))]])
    row = edit.row(line)
    if not aim.past:
        return Plant({edit.name: edit.data() + b"\n"}, ())
    edit.replace(line, row.replace("D01", "D02").replace("D1*", "D2*"))
    if edit.instead[line] == row:
        raise NoPlace("the line's operation is not told")
    return Plant({edit.name: edit.data()}, (Expect("data.open-profile"),),
                 _all("there is no inside any more"))  # fmt: skip


@planter("data.unreadable-file")
def file_of_noise(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A copper layer overwritten with random bytes; harmless: another picture in the package."""
    name = site.copper(rng).image.file
    noise = rng.integers(0, 256, 4000, dtype=np.uint8).tobytes()
    if not aim.past:
        png = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\1\0\0\0\1\x08\2\0\0\0\x90wS\xde"
        return Plant({"front.png": png}, ())
    return Plant(
        {name: noise},
        (Expect("data.unreadable-file|data.unknown-file"),),
        _all("a whole file is gone"),
    )


@planter("data.unknown-file")
def strange_file(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A file of bytes of no known kind; harmless: a text that says what it is."""
    if not aim.past:
        return Plant({"readme.txt": b"Fabrication data of one board.\n"}, ())
    noise = rng.integers(0, 256, 3000, dtype=np.uint8).tobytes()
    return Plant({"b7f3.qqz": noise}, (Expect("data.unknown-file"),))
