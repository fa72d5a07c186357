# ruff: noqa: E501 - packed bytes in rows
"""Archives put together by hand, sound or not, for the attacks."""

from __future__ import annotations

import io
import struct
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path

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


def zeros(full: bool) -> int:
    return 2_000_000_000 if full else 60_000_000


def deflated_zeros(size: int) -> tuple[bytes, int]:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    out, crc, block = bytearray(), 0, bytes(1 << 20)
    for _ in range(size >> 20):
        out += packer.compress(block)
        crc = zlib.crc32(block, crc)
    return bytes(out + packer.flush()), crc
