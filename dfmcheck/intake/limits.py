"""Limits on what a package may hold, counted while it is read."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import IO, cast

from dfmcheck.errors import PackageError
from dfmcheck.terms import Defect, Weight

MAX_BYTES = 1_000_000_000
MAX_FILES = 20_000
MAX_RATIO = 250
#: Small files may compress as well as they like.
_RATIO_FROM = 16_000_000
CHUNK = 1 << 20


@dataclass(slots=True)
class Contents:
    """Files read so far, in the order found; ``skipped`` counts entries left out."""

    files: dict[str, bytes] = field(default_factory=dict)
    defects: list[Defect] = field(default_factory=list)
    total: int = 0
    entries: int = 0

    def count(self, package: str) -> None:
        """Count one more entry; PackageError above the limit."""
        self.entries += 1
        if self.entries > MAX_FILES:
            raise PackageError(
                f"more than {MAX_FILES} files",
                "the fabrication data of one board",
                "Send only the folder with the fabrication data",
                file=package,
            )

    def grow(self, size: int, package: str) -> None:
        """Count bytes; PackageError above the limit."""
        self.total += size
        if self.total > MAX_BYTES:
            raise too_large(package)

    @property
    def full(self) -> bool:
        """Whether a limit on the whole package is passed."""
        return self.total > MAX_BYTES or self.entries > MAX_FILES

    def skip(self, name: str, found: str, expected: str, action: str, weight: Weight) -> None:
        """Report an entry that was left out."""
        self.defects.append(
            Defect("data.unreadable-file", weight, found, expected, action, file=name)
        )

    def add(self, name: str, data: bytes) -> None:
        """Take one file."""
        if name in self.files and self.files[name] != data:
            self.defects.append(
                Defect(
                    "data.duplicate-role",
                    Weight.QUERY,
                    "the archive holds two different files of this name, the later one was read",
                    "every name once",
                    "Pack the data again and check which of the two is meant",
                    file=name,
                )
            )
        self.files[name] = data


def too_large(package: str) -> PackageError:
    """The error for a package above the size limit."""
    return PackageError(
        f"more than {MAX_BYTES // 1_000_000} MB once unpacked",
        "the fabrication data of one board",
        "Send only the folder with the fabrication data",
        file=package,
    )


class Bounded(io.RawIOBase):
    """Reads a decompressor and stops when it yields too much, in all or for its input."""

    def __init__(self, inner: IO[bytes], packed: int, package: str) -> None:
        super().__init__()
        self._inner, self._packed, self._package = inner, packed, package
        self._read = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(cast(bytearray, buffer))
        data = self._inner.read(min(len(view), CHUNK))
        view[: len(data)] = data
        self._read += len(data)
        # A tar adds a 512-byte header and padding to each file.
        if self._read > MAX_BYTES + MAX_FILES * 1024:
            raise too_large(self._package)
        check_ratio(self._read, self._packed, self._package)
        return len(data)


def check_ratio(unpacked: int, packed: int, package: str) -> None:
    """Raise PackageError when data grew past belief while being unpacked."""
    if unpacked > _RATIO_FROM and unpacked > MAX_RATIO * max(packed, 1):
        raise PackageError(
            f"the archive unpacks to more than {MAX_RATIO} times its size",
            "drawing data, which packs to a tenth or so",
            "Pack the data again with an ordinary zip program; do not open this archive by hand",
            file=package,
        )
