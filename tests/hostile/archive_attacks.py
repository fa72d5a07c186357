# ruff: noqa: E501, PTH102, PTH109 - packed bytes in rows; paths longer than any path
"""Archives and folders made to fill the memory, to lead elsewhere, or to hide what they hold."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import os
import random
import struct
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path

from registry import HARMLESS, attack, fill
from soap_dish import package

GROUP = "Archives and folders"


def zipped(files: Mapping[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def tarred(
    files: Mapping[str, bytes], extra: Callable[[tarfile.TarFile], None] | None = None
) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.GNU_FORMAT) as archive:
        for name, data in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
        if extra is not None:
            extra(archive)
    return out.getvalue()


def write(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def raw_zip(entries: list[tuple[bytes, bytes, int, int, int]], tail: bytes = b"") -> bytes:
    """A zip put together by hand from (name, packed, method, stated size, crc)."""
    out, directory = bytearray(), bytearray()
    for name, packed, method, size, crc in entries:
        at = len(out)
        out += struct.pack("<4s5H3I2H", b"PK\3\4", 20, 0, method, 0, 33, crc, len(packed), size,
                           len(name), 0) + name + packed  # fmt: skip
        directory += struct.pack("<4s6H3I5H2I", b"PK\1\2", 20, 20, 0, method, 0, 33, crc,
                                 len(packed), size, len(name), 0, 0, 0, 0, 0, at) + name  # fmt: skip
    return bytes(out) + finish(bytes(directory), len(entries), len(out)) + tail


def finish(directory: bytes, count: int, at: int) -> bytes:
    return directory + struct.pack(
        "<4s4H2IH", b"PK\5\6", 0, 0, count & 0xFFFF, count & 0xFFFF, len(directory), at, 0
    )


def deflated(data: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    return packer.compress(data) + packer.flush()


def _zeros(full: bool) -> int:
    return 2_000_000_000 if full else 60_000_000


def deflated_zeros(size: int) -> tuple[bytes, int]:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    out, crc, block = bytearray(), 0, bytes(1 << 20)
    for _ in range(size >> 20):
        out += packer.compress(block)
        crc = zlib.crc32(block, crc)
    return bytes(out + packer.flush()), crc


@attack(GROUP, "times its size")
def zip_flat(folder: Path, full: bool) -> Path:
    """One entry of zeros."""
    packed, crc = deflated_zeros(_zeros(full))
    return write(folder, "d.zip", raw_zip([(b"a.gbr", packed, 8, _zeros(full) >> 20 << 20, crc)]))


@attack(GROUP, HARMLESS)
def zip_many_middling(folder: Path, full: bool) -> Path:
    """Entries that each pack well enough to be believed, and together do not."""
    body = b"".join(b"X%d" % (n % 1000) for n in range(3000)) * (100 if full else 20)
    files = {f"{n}.txt": body for n in range(2000 if full else 400)}
    return write(folder, "d.zip", zipped({**package(), "in.zip": zipped(files)}))


@attack(GROUP, "overlap")
def zip_overlapping(folder: Path, full: bool) -> Path:
    """Thousands of names for the same packed bytes."""
    noise = random.Random(1).randbytes(2000)
    body = (noise + b"0" * 300_000) * 4
    packed = deflated(body)
    one = raw_zip([(b"a", packed, 8, len(body), zlib.crc32(body))])
    start = one.index(b"PK\1\2")
    directory = b"".join(
        one[start : start + 46] + b"%c" % (97 + n % 26) for n in range(15_000 if full else 4_000)
    )
    return write(folder, "d.zip", one[:start] + finish(directory, len(directory) // 47, start))


@attack(GROUP, "overlap")
def zip_quoted_overlap(folder: Path, full: bool) -> Path:
    """Each entry holds the next one's header and data as its own stored content."""
    out = bytearray()
    body = b"0" * 2_000_000
    kernel = deflated(body)
    headers: list[bytes] = []
    inner = struct.pack("<4s5H3I2H", b"PK\3\4", 20, 0, 8, 0, 33, zlib.crc32(body), len(kernel),
                        len(body), 4, 0) + b"kern" + kernel  # fmt: skip
    parts = [(b"kern", inner, 8, len(body), len(kernel), zlib.crc32(body))]
    block = inner
    for n in range(400):
        name = b"%04d" % n
        head = struct.pack("<4s5H3I2H", b"PK\3\4", 20, 0, 0, 0, 33, zlib.crc32(block), len(block),
                           len(block), 4, 0) + name  # fmt: skip
        parts.append((name, head, 0, len(block), len(block), zlib.crc32(block)))
        block = head + block
    out += block
    at = 0
    for name, head, method, size, packed_size, crc in reversed(parts):
        headers.append(struct.pack("<4s6H3I5H2I", b"PK\1\2", 20, 20, 0, method, 0, 33, crc,
                                   packed_size, size, 4, 0, 0, 0, 0, 0, at) + name)  # fmt: skip
        at += len(head)
    return write(folder, "d.zip", bytes(out) + finish(b"".join(headers), len(headers), len(out)))


@attack(GROUP, "damaged")
def zip_small_lie(folder: Path, full: bool) -> Path:
    """The header states 10 bytes, the data unpacks to megabytes."""
    packed, crc = deflated_zeros(_zeros(full))
    rows = [(n.encode(), deflated(d), 8, len(d), zlib.crc32(d)) for n, d in package().items()]
    return write(folder, "d.zip", raw_zip([*rows, (b"a.gbr", packed, 8, 10, crc)]))


@attack(GROUP, "MB once unpacked|times its size|damaged")
def zip_large_lie(folder: Path, full: bool) -> Path:
    """The header states 4 GB, the data is small."""
    data = b"%FSLAX46Y46*%"
    return write(
        folder, "d.zip", raw_zip([(b"a.gbr", deflated(data), 8, 4_000_000_000, zlib.crc32(data))])
    )


@attack(GROUP, "archive inside an archive")
def zip_nested(folder: Path, full: bool) -> Path:
    """Sixteen archives of sixteen archives of sixteen …, five levels deep."""
    body = zipped({"a.gbr": b"0" * 400_000})
    for level in range(4):
        body = zipped({f"{level}{n}.zip": body for n in range(16)})
    return write(folder, "d.zip", zipped({**package(), "more.zip": body}))


@attack(GROUP, "archive inside an archive|times its size")
def zip_in_gzip_in_zip(folder: Path, full: bool) -> Path:
    inner = zipped({"deep.zip": zipped({"a.gbr": b"G04*"})})
    return write(folder, "d.zip", zipped({**package(), "x.gz": gzip.compress(inner)}))


def _directory_only(count: int) -> bytes:
    row = struct.pack("<4s6H3I5H2I", b"PK\1\2", 20, 20, 0, 0, 0, 33, 0, 0, 0, 7, 0, 0, 0, 0, 0, 0)
    return b"".join(row + b"%07d" % n for n in range(count))


@attack(GROUP, "files")
def zip_million_entries(folder: Path, full: bool) -> Path:
    directory = _directory_only(1_000_000 if full else 300_000)
    start = struct.pack("<4s5H3I2H", b"PK\3\4", 20, 0, 0, 0, 33, 0, 0, 0, 7, 0) + b"0000000"
    return write(folder, "d.zip", start + finish(directory, 5, len(start)))


@attack(GROUP, "files")
def zip_million_folders(folder: Path, full: bool) -> Path:
    directory = _directory_only(100_000).replace(b"00", b"0/")
    start = struct.pack("<4s5H3I2H", b"PK\3\4", 20, 0, 0, 0, 33, 0, 0, 0, 7, 0) + b"0000000"
    return write(folder, "d.zip", start + finish(directory, 100_000, len(start)))


@attack(GROUP, "more than")
def zip_thousands_of_texts(folder: Path, full: bool) -> Path:
    """Many files that take long to recognise: 64 kB of text that is nearly of each kind."""
    texts = [b"G4" * 32_000, b"X1I1" * 16_000, (b"T1" + b" " * 60) * 1000, b"D1 R" * 16_000,
             b"NC DRIL " * 8_000, (b"P  UNI " + b"3" * 90 + b"\n") * 660]  # fmt: skip
    files = {
        f"{n}.txt": texts[n % len(texts)] + b"%d" % n for n in range(20_000 if full else 6_000)
    }
    return write(folder, "d.zip", zipped({**package(), **files}, zipfile.ZIP_STORED))


@attack(GROUP, "password")
def zip_encrypted(folder: Path, full: bool) -> Path:
    data = bytearray(zipped(package()))
    at = -1
    for magic, offset in ((b"PK\1\2", 8), (b"PK\3\4", 6)):
        while (at := data.find(magic, at + 1)) >= 0:
            data[at + offset] |= 1
    return write(folder, "d.zip", bytes(data))


@attack(GROUP, "damaged")
def zip_truncated(folder: Path, full: bool) -> Path:
    data = zipped(package())
    return write(folder, "d.zip", data[: len(data) * 2 // 3])


@attack(GROUP, "damaged|method")
def zip_unknown_method(folder: Path, full: bool) -> Path:
    rows = [(n.encode(), deflated(d), 8, len(d), zlib.crc32(d)) for n, d in package().items()]
    return write(folder, "d.zip", raw_zip([*rows, (b"a.gbr", b"abc", 99, 3, 0)]))


@attack(GROUP, "method")
def zip_lzma_dictionary(folder: Path, full: bool) -> Path:
    """LZMA with a dictionary of 4 GB."""
    props = struct.pack("<BBHBI", 9, 4, 5, 93, 0xFFFFFFFF)
    rows = [(n.encode(), deflated(d), 8, len(d), zlib.crc32(d)) for n, d in package().items()]
    return write(folder, "d.zip", raw_zip([*rows, (b"a.gbr", props + bytes(100), 14, 1000, 0)]))


@attack(GROUP, "differ only")
def zip_names_by_case(folder: Path, full: bool) -> Path:
    files = package()
    return write(
        folder, "d.zip", zipped({**files, "DISH.DRL": files["dish.drl"].replace(b"X15", b"X14")})
    )


@attack(GROUP, "outside the package")
def zip_names_that_lead_out(folder: Path, full: bool) -> Path:
    names = ["../a.gbr", "/etc/a.gbr", "C:\\a.gbr", "\\\\host\\a.gbr", "x/../../a.gbr", "c:a.gbr"]
    return write(folder, "d.zip", zipped({**package(), **dict.fromkeys(names, b"G04*M02*")}))


@attack(GROUP, "name|control")
def zip_names_of_control_characters(folder: Path, full: bool) -> Path:
    evil = ["\x1b]0;owned\x07.gbr", "a\r\nb.gbr", "\u202egbr.exe", "[red]x[-].gbr", "=cmd|x!A1.gbr",
            "<script>alert(1)</script>.gbr", "a\x00.gbr", "\x9b2J.gbr"]  # fmt: skip
    return write(
        folder, "d.zip", zipped({**package(), **dict.fromkeys(evil, package()["dish-top.gtl"])})
    )


@attack(GROUP, HARMLESS)
def zip_names_without_encoding(folder: Path, full: bool) -> Path:
    """Names that are neither cp437 that means it nor UTF-8, flagged and not."""
    data = zipped({**package(), "aXXb.gbr": package()["dish-top.gtl"], "cYYd.gbr": b"G04*M02*"})
    data = data.replace(b"aXXb", b"a\xff\xfeb")
    return write(folder, "d.zip", data.replace(b"cYYd", b"c\x80\xe2d"))


@attack(GROUP, "characters")
def zip_names_of_great_depth(folder: Path, full: bool) -> Path:
    return write(folder, "d.zip", zipped({**package(), "a/" * 20_000 + "x.gbr": b"G04*M02*"}))


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
