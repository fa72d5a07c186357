# ruff: noqa: PTH102, PTH109 - paths longer than any path
"""Packages packed otherwise than as a zip: tars, single packed files, folders, pipes."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import os
import random
import struct
import tarfile
import zlib
from collections.abc import Callable
from pathlib import Path

from archive_makers import GROUP, tarred, write
from registry import attack, fill
from soap_dish import package


def _packed_bomb(name: str, pack: Callable[[bytes], bytes]) -> None:
    def make(folder: Path, full: bool) -> Path:
        size = 1_000_000_000 if full else 40_000_000
        return write(folder, "d.tar" + name, pack(tarred({"a.gbr": bytes(size)})))

    make.__name__ = f"tar_bomb{name.replace('.', '_')}"
    attack(GROUP, "times its size|MB once unpacked")(make)


_packed_bomb(".gz", lambda d: gzip.compress(d, 9))
_packed_bomb(".bz2", bz2.compress)
_packed_bomb(".xz", lambda d: lzma.compress(d, preset=1))


@attack(GROUP, "damaged|memory|no file")
def xz_dictionary(folder: Path, full: bool) -> Path:
    """An xz file whose header asks for a dictionary of 1.5 GB."""
    filters = [{"id": lzma.FILTER_LZMA2, "preset": 0, "dict_size": 1 << 20}]
    data = bytearray(lzma.compress(tarred(package()), filters=filters, check=lzma.CHECK_CRC32))
    at = data.index(b"\x21\x01", 12)
    data[at + 2] = 39  # 3 GB
    size = (data[12] + 1) * 4
    data[12 + size - 4 : 12 + size] = struct.pack("<I", zlib.crc32(data[12 : 12 + size - 4]))
    return write(folder, "d.tar.xz", bytes(data))


@attack(GROUP, "")
def gzip_million_members(folder: Path, full: bool) -> Path:
    return write(folder, "d.gbr.gz", gzip.compress(b"") * (1_000_000 if full else 100_000))


@attack(GROUP, "files")
def tar_million_folders(folder: Path, full: bool) -> Path:
    noise = random.Random(2)
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        for _ in range(200_000 if full else 30_000):
            info = tarfile.TarInfo(noise.randbytes(20).hex())
            info.type = tarfile.DIRTYPE
            archive.addfile(info)
    return write(folder, "d.tar", out.getvalue())


@attack(GROUP, "header")
def tar_giant_header(folder: Path, full: bool) -> Path:
    """A record of attributes of many megabytes in front of one file."""

    def extra(archive: tarfile.TarFile) -> None:
        info = tarfile.TarInfo("pax")
        info.type = tarfile.XHDTYPE
        info.size = 6 * (20_000_000 if full else 2_000_000)
        archive.addfile(info, io.BytesIO(b"6 a=b\n" * (info.size // 6)))
        archive.addfile(tarfile.TarInfo("a.gbr"))

    return write(folder, "d.tar", tarred(package(), extra))


@attack(GROUP, "header|characters")
def tar_giant_name(folder: Path, full: bool) -> Path:
    return write(folder, "d.tar", tarred({**package(), "a" * 10_000_000: b"G04*"}))


@attack(GROUP, "times its size|MB once unpacked|sparse")
def tar_sparse(folder: Path, full: bool) -> Path:
    """A sparse file of 900 MB that takes one block."""

    def extra(archive: tarfile.TarFile) -> None:
        info = tarfile.TarInfo("a.gbr")
        info.type = tarfile.GNUTYPE_SPARSE
        buffer = bytearray(info.tobuf(tarfile.GNU_FORMAT))
        buffer[386:410] = b"%011o\0%011o\0" % (900_000_000, 0)
        buffer[483:495] = b"%011o\0" % 900_000_000
        buffer[148:156] = b" " * 8
        buffer[148:156] = b"%06o\0 " % sum(buffer)
        assert archive.fileobj is not None
        archive.fileobj.write(bytes(buffer))

    return write(folder, "d.tar", tarred(package(), extra))


def _member(kind: bytes, says: str, name: str, target: str = "") -> None:
    def make(folder: Path, full: bool) -> Path:
        def extra(archive: tarfile.TarFile) -> None:
            info = tarfile.TarInfo("a.gbr")
            info.type, info.linkname = kind, target
            archive.addfile(info)

        return write(folder, "d.tar", tarred(package(), extra))

    make.__name__ = f"tar_{name}"
    attack(GROUP, says)(make)


_member(tarfile.SYMTYPE, "link", "symbolic_link", "/etc/passwd")
_member(tarfile.LNKTYPE, "link", "hard_link", "../../etc/passwd")
_member(tarfile.CHRTYPE, "device", "device")
_member(tarfile.FIFOTYPE, "device or pipe", "pipe")


@attack(GROUP, "further entries, of each of which: it is a link")
def tar_links_without_end(folder: Path, full: bool) -> Path:
    def extra(archive: tarfile.TarFile) -> None:
        for n in range(1_900):
            info = tarfile.TarInfo(f"{n}.gbr")
            info.type, info.linkname = tarfile.SYMTYPE, "x"
            archive.addfile(info)

    return write(folder, "d.tar", tarred(package(), extra))


@attack(GROUP, "device or pipe")
def folder_pipe(folder: Path, full: bool) -> Path:
    root = fill(folder, package())
    os.mkfifo(root / "a.gbr")
    return root


@attack(GROUP, "device or pipe|no such file")
def path_pipe(folder: Path, full: bool) -> Path:
    os.mkfifo(folder / "a.gbr")
    return folder / "a.gbr"


@attack(GROUP, "link")
def folder_links(folder: Path, full: bool) -> Path:
    """Links out of the folder, and folders that lead into themselves."""
    root = fill(folder, package())
    (root / "loop").symlink_to(root)
    (root / "out").symlink_to("/")
    (root / "passwd.gbr").symlink_to("/etc/passwd")
    (root / "self.gbr").symlink_to("self.gbr")
    (root / "zero.gbr").symlink_to("/dev/zero")
    return root


@attack(GROUP, "MB")
def folder_sparse_file(folder: Path, full: bool) -> Path:
    root = fill(folder, package())
    with (root / "a.gbr").open("wb") as file:
        file.truncate(1 << 40)
    return root


@attack(GROUP, "folder|files|deep")
def folder_of_great_depth(folder: Path, full: bool) -> Path:
    root = fill(folder, package())
    here = os.getcwd()
    os.chdir(root)
    for _ in range(1_500):
        os.mkdir("a")
        os.chdir("a")
    os.chdir(here)
    return root


@attack(GROUP, "files")
def folder_of_folders(folder: Path, full: bool) -> Path:
    root = fill(folder, package())
    for n in range(30_000 if full else 6_000):
        (root / f"{n}").mkdir()
    return root
