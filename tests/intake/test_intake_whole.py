"""What a package lacks, holds twice or holds besides: files and boards, on made-up packages."""

from __future__ import annotations

import random
import time

import pytest
from kettle_lamp import DRILL, Fill, gerber, roles, rules, told

from dfmcheck.errors import UsageError
from dfmcheck.intake import open_package, select_board
from dfmcheck.terms import Weight


def test_whole_package_has_no_defects(two_layers: dict[str, bytes], fill: Fill) -> None:
    package = open_package(fill(two_layers))
    assert package.defects == ()
    assert package.boards == ()


@pytest.mark.parametrize(
    ("gone", "layer", "weight"),
    [
        ("lamp.gko", "profile", Weight.HOLD),
        ("lamp.drl", "drill", Weight.QUERY),
        ("lamp.gts", "mask-top", Weight.QUERY),
        ("lamp.gbs", "mask-bottom", Weight.QUERY),
    ],
)
def test_missing_role(
    two_layers: dict[str, bytes], fill: Fill, gone: str, layer: str, weight: Weight
) -> None:
    del two_layers[gone]
    defect = told(open_package(fill(two_layers)), "data.missing-role")
    assert (defect.layer, defect.weight) == (layer, weight)


def test_missing_conductors(fill: Fill) -> None:
    package = open_package(fill({"lamp.gko": gerber(), "lamp.drl": DRILL}))
    assert told(package, "data.missing-role").layer == "conductor-1"


def test_missing_profile_points_to_drawings(two_layers: dict[str, bytes], fill: Fill) -> None:
    del two_layers["lamp.gko"]
    package = open_package(fill({**two_layers, "lamp.gm1": gerber("G04 m*")}))
    assert "lamp.gm1 may hold it" in told(package, "data.missing-role").action


def test_duplicate_role(two_layers: dict[str, bytes], fill: Fill) -> None:
    package = open_package(fill({**two_layers, "old_top_copper.gbr": gerber("G04 old*")}))
    defect = told(package, "data.duplicate-role")
    assert defect.weight is Weight.QUERY
    assert "lamp.gtl" in defect.found and "old_top_copper.gbr" in defect.found


def test_two_masks_with_an_index_are_no_duplicates(
    two_layers: dict[str, bytes], fill: Fill
) -> None:
    two_layers["lamp.gts"] = gerber("%TF.FileFunction,Soldermask,Top,1*%")
    two_layers["lamp2.gts"] = gerber("%TF.FileFunction,Soldermask,Top,2*%")
    assert "data.duplicate-role" not in rules(open_package(fill(two_layers)))


def test_holes_given_twice(two_layers: dict[str, bytes], fill: Fill) -> None:
    package = open_package(fill({**two_layers, "lamp.xln": gerber("%LNhole_traces*%")}))
    assert package.file("lamp.xln").format == "gerber"
    assert roles(package)["lamp.xln"] == "drill"
    assert told(package, "data.duplicate-role").file == "lamp.xln"


@pytest.mark.parametrize("shape", ["{}_{}", "{}/{}", "{}.zip-dir/k_{}"])
def test_several_boards(two_layers: dict[str, bytes], fill: Fill, shape: str) -> None:
    files = {
        shape.format(board, name.replace("lamp", "x")): data
        for board in ("base", "shade")
        for name, data in two_layers.items()
    }
    package = open_package(fill({**files, "readme.txt": b"two boards"}))
    assert len(package.boards) == 2
    assert told(package, "data.several-boards").weight is Weight.HOLD
    assert "data.duplicate-role" not in rules(package)
    for prefix, board in zip(package.boards, ("base", "shade"), strict=True):
        one = select_board(package, prefix)
        assert len(one.files) == len(two_layers) + 1
        assert all(f.name.startswith(board) or f.name == "readme.txt" for f in one.files)
        assert one.boards == () and one.defects == ()
    with pytest.raises(UsageError, match="no board 'stand'"):
        select_board(package, "stand")


@pytest.mark.parametrize(
    ("name", "data", "rule", "weight"),
    [
        ("new.gtl", b"", "data.unreadable-file", Weight.HOLD),
        ("new.txt", b"", "data.unreadable-file", Weight.NOTE),
        ("new.gtl", b"<html>login</html>", "data.unreadable-file", Weight.HOLD),
        ("new.gtl", bytes(range(256)) * 4, "data.unreadable-file", Weight.HOLD),
        ("new.bin", bytes(range(256)) * 4, "data.unknown-file", Weight.NOTE),
        ("new.gbr", gerber("G04 nothing*"), "data.unknown-file", Weight.QUERY),
        ("new.plt", b"IN;SP1;PU0,0;PD10,0;", "data.unknown-file", Weight.QUERY),
    ],
)
def test_files_without_a_role(
    two_layers: dict[str, bytes], fill: Fill, name: str, data: bytes, rule: str, weight: Weight
) -> None:
    package = open_package(fill({**two_layers, name: data}))
    defect = told(package, rule)
    assert (defect.file, defect.weight) == (name, weight)
    assert roles(package)[name] == "unknown"


FORMATS = {
    "gerber": gerber(), "excellon": DRILL, "text": b"hello lamp\n", "empty": b" \n",
    "pdf": b"%PDF-1.7\n...", "image": b"\x89PNG\r\n\x1a\n0000",
    "office": b"PK\x03\x04" + bytes(26) + b"[Content_Types].xml", "binary": bytes(range(64)) * 9,
    "markup": b"<?xml version='1.0'?><a/>",
    "model": b"ISO-10303-21;\nHEADER;", "listing": b"Layer Pair : Top to Bottom\nTool Hole Size\n",
    "apertures": b"D10  ROUNDED 12.1 12.1\nD11  RECTANGULAR 5 9\nD12  ROUNDED 3 3\n",
    "job": b'{"Header": {}, "GeneralSpecs": {"LayerNumber": 2}}',
}  # fmt: skip


@pytest.mark.parametrize("kind", FORMATS)
def test_formats(kind: str, fill: Fill) -> None:
    package = open_package(fill({"misleading.gbl": FORMATS[kind], "lamp.gtl": gerber()}))
    assert package.file("misleading.gbl").format == kind


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b"\r\r\n", b""])
def test_formats_whatever_the_line_ends(end: bytes, fill: Fill) -> None:
    files = {"a": gerber().replace(b"\n", end), "lamp.gtl": gerber()}
    if end:
        files["b"] = DRILL.replace(b"\n", end)
    package = open_package(fill(files))
    assert package.file("a").format == "gerber"
    assert not end or package.file("b").format == "excellon"


def test_gerber_without_extended_commands(fill: Fill) -> None:
    data = b"G04 no apertures inside*\nG54D10*\n" + b"X100Y200D02*\nX300Y200D01*\n" * 40 + b"M02*\n"
    package = open_package(fill({"lamp.gtl": data, "u.gbl": data.decode().encode("utf-16")}))
    assert [f.format for f in package.files] == ["gerber", "gerber"]


def test_drill_without_header(fill: Fill) -> None:
    data = b"%\nT1C.015F095S3\nX01095Y01056\nX01309\nY0127\nT2C.03\nX01Y02\nM30\n"
    file = open_package(fill({"lamp.txt": data})).files[0]
    assert (file.format, str(file.role)) == ("excellon", "drill")


SLOW = {
    "digits": b"M48\nX" + b"1" * 60_000 + b"y\n",
    "blank lines": b"Layer Pair : Top to Bottom\n" + b"\n \n" * 20_000,
    "blanks": b"%MOMM*%\nG04 Title: lamp, x" + b" " * 60_000,
    "comments": b"G04 layer a to " * 4_000,
    "words": b"P  JOB\nC  " + b"a  CONDUCTOR  " * 4_500,
    "plating": b"M48\n;" + b"PLATED to layer " * 4_000,
    "glued": b"%MOMM*%\n%LN" + b"silkscreen1" * 5_000 + b"?*%\n",
}


@pytest.mark.parametrize("kind", SLOW)
def test_hostile_text_takes_no_time(kind: str, fill: Fill) -> None:
    name = "silkscreen1" * 20 + "x"
    root = fill({"a.txt": SLOW[kind], name: SLOW[kind], "lamp.gtl": gerber()})
    start = time.process_time()
    open_package(root)
    assert time.process_time() - start < 2.0


@pytest.mark.parametrize("seed", range(4))
def test_damaged_files_raise_nothing_unforeseen(
    seed: int, two_layers: dict[str, bytes], fill: Fill
) -> None:
    rng = random.Random(seed)
    files = {}
    for name, data in {**two_layers, "x.gbrjob": FORMATS["job"], "y.ipc": b"P  JOB x\n"}.items():
        broken = bytearray(data)
        for _ in range(rng.randrange(8)):
            broken[rng.randrange(len(broken))] = rng.randrange(256)
        files[name] = bytes(broken[: rng.randrange(len(broken))])
    files["lamp.gbl"] = two_layers["lamp.gbl"]
    package = open_package(fill(files))
    assert len(package.files) == len(files)
