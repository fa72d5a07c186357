"""Archives and folders made to fill the memory, to lead elsewhere, or to hide what they hold."""

from __future__ import annotations

import gzip
import random
import struct
import zipfile
import zlib
from pathlib import Path

from archive_makers import GROUP, deflated, deflated_zeros, finish, raw_zip, write, zeros, zipped
from registry import HARMLESS, attack
from soap_dish import package


@attack(GROUP, "times its size")
def zip_flat(folder: Path, full: bool) -> Path:
    """One entry of zeros."""
    packed, crc = deflated_zeros(zeros(full))
    return write(folder, "d.zip", raw_zip([(b"a.gbr", packed, 8, zeros(full) >> 20 << 20, crc)]))


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
    packed, crc = deflated_zeros(zeros(full))
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
