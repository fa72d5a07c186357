"""What nobody can tell the kind of is told, and no layer goes lost behind a name or in silence."""

from __future__ import annotations

import gzip
import io
import random
import tarfile
import zipfile
from pathlib import Path

import pytest

from dfmcheck.intake import open_package
from dfmcheck.intake.sniff import sniff
from dfmcheck.terms import Weight

LAYER = b"%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,1*%\nD10*\nX1Y1D03*\nM02*\n"
PROSE = b"The layer asked for was not found on this server.\n"
RANDOM = random.Random(11)
HIGH = bytes(RANDOM.randrange(128, 256) for _ in range(4_000))
NOUGHT = bytes(4_000)


def _told(folder: Path, name: str, data: bytes) -> list[tuple[str, Weight]]:
    (folder / "lamp-top.gtl").write_bytes(LAYER)
    (folder / name).write_bytes(data)
    defects = [d for d in open_package(folder).defects if d.file == name]
    return [(d.rule, d.weight) for d in defects]


@pytest.mark.parametrize("data", [HIGH, NOUGHT, PROSE], ids=["high bytes", "noughts", "prose"])
@pytest.mark.parametrize(
    ("name", "weight"),
    [("lamp.gto", Weight.HOLD), ("lamp-in1.gbr", Weight.HOLD), ("lamp.pho", Weight.QUERY)],
)
def test_a_layer_whose_content_is_lost_never_passes(
    tmp_path: Path, data: bytes, name: str, weight: Weight
) -> None:
    ((_, told),) = _told(tmp_path, name, data)
    assert told is (Weight.QUERY if data is PROSE else weight)


@pytest.mark.parametrize("data", [HIGH, NOUGHT, HIGH * 40], ids=["high bytes", "noughts", "long"])
def test_a_stray_file_of_no_known_kind_is_told(tmp_path: Path, data: bytes) -> None:
    assert sniff(data) == "binary"
    assert _told(tmp_path, "lamp.abc", data) == [("data.unknown-file", Weight.NOTE)]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("Größe 1,6 mm, schöne Löcher überall\n", "latin-1"),
        ("板厚 1.6 毫米，请确认。\n", "utf-8"),
        ("Толщина платы 1,6 мм\n", "utf-8"),
        ("Толщина платы 1,6 мм\n", "utf-16"),
    ],
)
def test_words_of_any_alphabet_are_text(tmp_path: Path, text: str, code: str) -> None:
    for copies in (1, 9_000):  # the second is cut within a letter where it is looked at
        assert _told(tmp_path, "readme.txt", (text * copies).encode(code)) == []


def _zip(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def _tar() -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        archive.addfile(tarfile.TarInfo("lamp/"))
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("more.zip", _zip({})),
        ("more.zip", _zip({"lamp/": b""})),
        ("more.zip", _zip({"__MACOSX/lamp.gto": LAYER})),
        ("more.tgz", gzip.compress(bytes(10_240))),
    ],
    ids=["empty", "a folder", "shadow copies", "empty tar"],
)
def test_an_archive_that_gives_no_file_is_told(tmp_path: Path, name: str, data: bytes) -> None:
    package = [d for d in _all(tmp_path, name, data) if d[0].startswith("more")]
    assert package


def _all(folder: Path, name: str, data: bytes) -> list[tuple[str, Weight]]:
    (folder / "lamp-top.gtl").write_bytes(LAYER)
    (folder / name).write_bytes(data)
    return [(d.file, d.weight) for d in open_package(folder).defects]
