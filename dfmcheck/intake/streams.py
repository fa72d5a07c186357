"""Streams of packed data, each with a bound on what it may unpack to and on what it may ask for."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import re
import tarfile
from typing import IO, cast

from dfmcheck.errors import PackageError
from dfmcheck.intake import limits
from dfmcheck.intake.limits import CHUNK, Bounded


class _Xz(io.RawIOBase):
    """Reads an xz file whose header may not ask for more memory than is sensible."""

    def __init__(self, data: bytes, shown: str) -> None:
        super().__init__()
        self._left, self._shown = memoryview(data), shown
        self._open = lzma.LZMADecompressor(memlimit=limits.UNPACK_MEMORY)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(cast(bytearray, buffer))
        while True:
            if self._open.eof:  # streams may stand one behind the other
                self._left = memoryview(self._open.unused_data + bytes(self._left))
                if not bytes(self._left[:1]).strip(b"\0"):
                    return 0
                self._open = lzma.LZMADecompressor(memlimit=limits.UNPACK_MEMORY)
            piece = b""
            if self._open.needs_input:
                piece, self._left = bytes(self._left[:CHUNK]), self._left[CHUNK:]
                if not piece:
                    raise EOFError("it ends inside the packed data")
            try:
                out = self._open.decompress(piece, len(view))
            except lzma.LZMAError as error:
                if "limit" not in str(error):
                    raise
                raise PackageError(
                    f"the archive asks for more than {limits.UNPACK_MEMORY >> 20} MB of memory to "
                    "be unpacked",
                    "an archive packed with ordinary settings",
                    "Pack the data as zip",
                    file=self._shown,
                ) from error
            if out:
                view[: len(out)] = out
                return len(out)


class SmallHeaders(tarfile.TarInfo):
    """Entries of a tar whose long names and attributes are of a sensible size."""

    def _proc_member(self, tar: tarfile.TarFile) -> tarfile.TarInfo:
        kinds = (tarfile.XHDTYPE, tarfile.XGLTYPE, tarfile.SOLARIS_XHDTYPE,
                 tarfile.GNUTYPE_LONGNAME, tarfile.GNUTYPE_LONGLINK)  # fmt: skip
        if self.type in kinds and self.size > limits.MAX_HEADER:
            raise ValueError(
                f"a header of {self.size:,} bytes, more than {limits.MAX_HEADER:,}, stands beside "
                "a file"
            )
        inner = super()._proc_member(tar)  # type: ignore[misc]
        return cast(tarfile.TarInfo, inner)


def decompressed(data: bytes, shown: str) -> io.BufferedReader:
    """What the packed bytes unpack to, as a stream that stops beyond the limits."""
    raw = io.BytesIO(data)
    inner: IO[bytes]
    if data.startswith(b"\x1f\x8b"):
        inner = cast(IO[bytes], gzip.GzipFile(fileobj=raw))
    elif data.startswith(b"BZh"):
        inner = cast(IO[bytes], bz2.BZ2File(raw))
    elif data.startswith(b"\xfd7zXZ"):
        inner = cast(IO[bytes], _Xz(data, shown))
    else:
        inner = raw
    return io.BufferedReader(Bounded(inner, len(data), shown), CHUNK)


def packed_name(shown: str) -> str:
    """Name of the one file a packed file holds.

    Examples
    --------
    >>> packed_name("lamp/top.gbr.gz")
    'top.gbr'
    """
    return re.sub(r"\.(gz|bz2|xz)$", "", shown.rsplit("/", 1)[-1], flags=re.I)
