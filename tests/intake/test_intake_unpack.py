"""Packages that are damaged, hostile or odd."""

from __future__ import annotations

import bz2
import gzip
import io
import os
import tarfile
import zipfile
from pathlib import Path

import pytest
from kettle_lamp import DRILL, Fill, gerber

from dfmcheck.errors import PackageError
from dfmcheck.intake import limits, open_package
from dfmcheck.terms import Weight
from tests.hostile.archive_makers import zipped


def _tar(files: dict[str, bytes], mode: str) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode=f"w{mode}") as archive:  # type: ignore[call-overload]
        for name, data in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    return buffer.getvalue()


def _write(tmp_path: Path, name: str, data: bytes) -> Path:
    path = tmp_path / name
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("mode", ["", ":gz", ":bz2", ":xz"])
def test_tar(tmp_path: Path, two_layers: dict[str, bytes], mode: str) -> None:
    path = _write(tmp_path, "lamp.tar", _tar({f"a/{n}": d for n, d in two_layers.items()}, mode))
    package = open_package(path)
    assert {f.name: f.data for f in package.files} == {f"a/{n}": d for n, d in two_layers.items()}


def test_zip_folder_and_nested_archive_agree(
    tmp_path: Path, two_layers: dict[str, bytes], fill: Fill
) -> None:
    folder = open_package(fill(two_layers))
    flat = open_package(_write(tmp_path, "lamp.zip", zipped(two_layers)))
    nested = open_package(_write(tmp_path, "n.zip", zipped({"in.zip": zipped(two_layers)})))
    assert [str(f.role) for f in folder.files] == [str(f.role) for f in sorted(
        flat.files, key=lambda f: f.name
    )]  # fmt: skip
    assert {f.name.removeprefix("in.zip/"): f.role for f in nested.files} == {
        f.name: f.role for f in flat.files
    }


def test_second_nesting_is_not_opened(tmp_path: Path, two_layers: dict[str, bytes]) -> None:
    inner = zipped({"deep.zip": zipped({"x.gtl": gerber()})})
    package = open_package(_write(tmp_path, "l.zip", zipped({**two_layers, "inner.zip": inner})))
    (defect,) = [d for d in package.defects if d.file == "inner.zip/deep.zip"]
    assert (defect.rule, defect.weight) == ("data.unreadable-file", Weight.QUERY)
    assert not any("x.gtl" in f.name for f in package.files)


def test_damaged_nested_archive_does_not_stop_the_rest(
    tmp_path: Path, two_layers: dict[str, bytes]
) -> None:
    bad = zipped({"x.gtl": gerber()})[:40]
    package = open_package(_write(tmp_path, "l.zip", zipped({**two_layers, "bad.zip": bad})))
    assert len(package.files) == len(two_layers)
    assert any(d.file == "bad.zip" and d.weight is Weight.QUERY for d in package.defects)


def test_single_file_and_packed_single_file(tmp_path: Path) -> None:
    plain = open_package(_write(tmp_path, "lamp.gtl", gerber()))
    packed = open_package(_write(tmp_path, "lamp.gtl.gz", gzip.compress(gerber())))
    assert [f.name for f in plain.files] == [f.name for f in packed.files] == ["lamp.gtl"]
    assert str(plain.files[0].role) == str(packed.files[0].role) == "conductor-1"


@pytest.mark.parametrize(
    "name", ["../lamp.gtl", "/etc/lamp.gtl", "C:\\lamp.gtl", "a\\..\\..\\l.gtl"]
)
@pytest.mark.parametrize("kind", ["zip", "tar"])
def test_traversal(tmp_path: Path, two_layers: dict[str, bytes], name: str, kind: str) -> None:
    files = {**two_layers, name: gerber("G04 outside*")}
    data = zipped(files) if kind == "zip" else _tar(files, "")
    package = open_package(_write(tmp_path, f"x.{kind}", data))
    assert {f.name for f in package.files} == set(two_layers)
    (defect,) = [d for d in package.defects if d.rule == "data.unreadable-file"]
    assert "outside the package" in defect.found


def test_links_in_folder(tmp_path: Path, two_layers: dict[str, bytes], fill: Fill) -> None:
    root = fill(two_layers)
    secret = tmp_path / "secret"
    secret.mkdir()
    (secret / "x.gtl").write_bytes(gerber())
    (root / "folder").symlink_to(secret)
    (root / "x.gtl").symlink_to(secret / "x.gtl")
    package = open_package(root)
    assert {f.name for f in package.files} == set(two_layers)
    assert {d.file for d in package.defects if "link" in d.found} == {"folder", "x.gtl"}


def test_links_in_archives(tmp_path: Path, two_layers: dict[str, bytes]) -> None:
    buffer = io.BytesIO(zipped(two_layers))
    with zipfile.ZipFile(buffer, "a") as archive:
        info = zipfile.ZipInfo("link.gtl")
        info.create_system, info.external_attr = 3, 0o120777 << 16
        archive.writestr(info, "/etc/passwd")
    from_zip = open_package(_write(tmp_path, "l.zip", buffer.getvalue()))
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as tar:
        info_ = tarfile.TarInfo("link.gtl")
        info_.type, info_.linkname = tarfile.SYMTYPE, "/etc/passwd"
        tar.addfile(info_)
        for name, data in two_layers.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(data)
            tar.addfile(entry, io.BytesIO(data))
    tarred = open_package(_write(tmp_path, "l.tar", buffer.getvalue()))
    for package in (from_zip, tarred):
        assert {f.name for f in package.files} == set(two_layers)
        assert [d.file for d in package.defects if "link" in d.found] == ["link.gtl"]


@pytest.mark.parametrize(
    ("name", "data", "word"),
    [
        ("e.zip", zipped({}), "no file"),
        ("e.tar", _tar({}, ""), "e.tar (binary)"),  # noughts, as a lost file is
        ("cut.zip", zipped({"lamp.gtl": gerber() * 50})[:90], "damaged"),
        ("cut.tar.gz", _tar({"lamp.gtl": os.urandom(9000)}, ":gz")[:4000], "damaged"),
        ("x.7z", b"7z\xbc\xaf\x27\x1c" + bytes(40), "7z or rar"),
        ("x.rar", b"Rar!\x1a\x07\x00" + bytes(40), "7z or rar"),
        ("letter.txt", b"Please quote our lamp.\n", "nothing in the package"),
    ],
    # Made here: an archive holds the time, and test workers must agree on the names.
    ids=["e.zip", "e.tar", "cut.zip", "cut.tar.gz", "x.7z", "x.rar", "letter.txt"],
)
def test_cannot_be_opened(tmp_path: Path, name: str, data: bytes, word: str) -> None:
    with pytest.raises(PackageError) as caught:
        open_package(_write(tmp_path, name, data))
    assert word in caught.value.found
    assert caught.value.expected and caught.value.action and name in caught.value.file


def test_absent_and_empty(tmp_path: Path) -> None:
    with pytest.raises(PackageError, match="no such file"):
        open_package(tmp_path / "nothing.zip")
    with pytest.raises(PackageError, match="no file"):
        open_package(tmp_path)


def test_bombs(tmp_path: Path, two_layers: dict[str, bytes]) -> None:
    zeros = b"0" * 20_000_000
    for name, data in {
        "b.zip": zipped({**two_layers, "b.gbr": zeros}),
        "b.tar.gz": _tar({**two_layers, "b.gbr": zeros}, ":gz"),
        "b.gbr.bz2": bz2.compress(zeros),
    }.items():
        with pytest.raises(PackageError, match="times its size"):
            open_package(_write(tmp_path, name, data))


def test_lying_zip_header(tmp_path: Path) -> None:
    """An entry that declares a small size and unpacks to more is not believed."""
    data = bytearray(zipped({"lamp.gtl": gerber() * 1000, "lamp.gbl": gerber()}))
    at = data.rfind(b"PK\x01\x02", 0, data.rfind(b"PK\x01\x02"))
    data[at + 24 : at + 28] = (100).to_bytes(4, "little")
    package = open_package(_write(tmp_path, "l.zip", bytes(data)))
    assert [f.name for f in package.files] == ["lamp.gbl"]
    assert any(d.file == "lamp.gtl" and d.weight is Weight.HOLD for d in package.defects)


def test_limits(
    tmp_path: Path, two_layers: dict[str, bytes], fill: Fill, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = fill(two_layers)
    paths = [
        folder,
        _write(tmp_path, "l.zip", zipped(two_layers)),
        _write(tmp_path, "l.tgz", _tar(two_layers, ":gz")),
        _write(tmp_path, "n.zip", zipped({"in.zip": zipped(two_layers)})),
    ]
    for path in paths:
        with monkeypatch.context() as patch:
            patch.setattr(limits, "MAX_FILES", 4)
            with pytest.raises(PackageError, match="more than 4 files"):
                open_package(path)
        with monkeypatch.context() as patch:
            patch.setattr(limits, "MAX_BYTES", 300)
            with pytest.raises(PackageError, match="MB once unpacked"):
                open_package(path)


def test_password(tmp_path: Path, two_layers: dict[str, bytes]) -> None:
    data = bytearray(zipped({"lamp.gtl": gerber(), **two_layers, "secret.gbr": gerber()}))
    for magic, offset in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        at = data.rfind(magic)
        data[at + offset] |= 1
    package = open_package(_write(tmp_path, "l.zip", bytes(data)))
    (defect,) = [d for d in package.defects if d.file == "secret.gbr"]
    assert defect.weight is Weight.HOLD and "password" in defect.found


def test_odd_names(tmp_path: Path, two_layers: dict[str, bytes], fill: Fill) -> None:
    root = fill(two_layers)
    try:
        (Path(os.fsdecode(os.fsencode(root) + b"/caf\xe9.gtp"))).write_bytes(gerber())
    except OSError:
        pytest.skip("this file system takes only UTF-8 names")
    (root / "red\x1b[31m.gbp").write_bytes(gerber())
    package = open_package(root)
    names = [f.name for f in package.files]
    assert all(n.isprintable() for n in names)
    "".join(names).encode("utf-8")
    assert {"paste-top", "paste-bottom"} <= {str(f.role) for f in package.files}


def test_utf8_zip_name_without_flag(tmp_path: Path) -> None:
    data = zipped({"lampXX.gtl": gerber()}).replace(b"lampXX", "lampé".encode())
    package = open_package(_write(tmp_path, "l.zip", data))
    assert package.files[0].name == "lampé.gtl"


def test_same_name_twice(tmp_path: Path, two_layers: dict[str, bytes]) -> None:
    buffer = io.BytesIO(zipped(two_layers))
    with zipfile.ZipFile(buffer, "a") as archive, pytest.warns(UserWarning):
        archive.writestr("lamp.drl", DRILL + b"\n")
    package = open_package(_write(tmp_path, "l.zip", buffer.getvalue()))
    assert any(d.rule == "data.duplicate-role" and d.file == "lamp.drl" for d in package.defects)


def test_administration_folders_are_left_out(two_layers: dict[str, bytes], fill: Fill) -> None:
    package = open_package(fill({**two_layers, ".git/x.gtl": gerber(), "__MACOSX/._l.gtl": b"x"}))
    assert {f.name for f in package.files} == set(two_layers)
    assert {d.file for d in package.defects if d.rule == "data.unknown-file"} == {
        ".git", "__MACOSX",
    }  # fmt: skip


def test_a_layer_of_lost_content_is_asked_about(
    tmp_path: Path, two_layers: dict[str, bytes]
) -> None:
    folder = tmp_path / "lamp"
    folder.mkdir()
    for name, data in two_layers.items():
        (folder / name).write_bytes(data)
    (folder / "l3.gbr").write_bytes(bytes(range(256)) * 12)
    told = [d for d in open_package(folder).defects if d.file == "l3.gbr"]
    assert [d.weight >= Weight.QUERY for d in told] == [True]
