"""Limits on what a package may hold, counted while it is read."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import IO, cast
from unicodedata import normalize

from dfmcheck.errors import PackageError
from dfmcheck.terms import Defect, Weight

MAX_BYTES = 500_000_000  # of all files, unpacked, with the archives they came in
MAX_FILES = 2_000  # and folders and links; published packages: 30
MAX_LAYERS = 300  # files of one board that are drawn, drilled or routed; published boards: 28
MAX_ROLES = 1_000  # lines of a file that gives roles
MAX_JOB = 4_000_000  # bytes of a job file that is looked into
MAX_LISTED = 1_000  # files a job file may list
MAX_RATIO = 250  # of an archive and of each file in it
MAX_DEPTH = 50  # folders inside one another
MAX_NAME = 1_000  # characters of a path inside the package
MAX_HEADER = 65_536  # bytes of what a tar says beside one file
MAX_TOLD = 200  # entries left out that are named one by one
UNPACK_MEMORY = 128 << 20  # bytes an xz file may ask for
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
    untold: dict[tuple[str, Weight], int] = field(default_factory=dict)

    def count(self, package: str) -> None:
        """Count one more entry; PackageError above the limit."""
        self.entries += 1
        if self.entries > MAX_FILES:
            raise PackageError(
                f"more than {MAX_FILES} files and folders",
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

    @property
    def so_far(self) -> tuple[int, int, int]:
        """Files read, entries told of, and those only counted."""
        return len(self.files), len(self.defects), sum(self.untold.values())

    def skip(self, name: str, found: str, expected: str, action: str, weight: Weight) -> None:
        """Report an entry that was left out; beyond some hundred they are counted."""
        if len(self.defects) >= MAX_TOLD:
            key = (found, weight)
            if key not in self.untold and len(self.untold) >= 20:
                key = ("it was left out", Weight.HOLD)
            self.untold[key] = self.untold.get(key, 0) + 1
            return
        self.defects.append(
            Defect("data.unreadable-file", weight, found, expected, action, file=name)
        )

    def finish(self) -> None:
        """Report what was only counted, and names some file systems cannot tell apart."""
        self.defects += [
            Defect(
                "data.unreadable-file",
                weight,
                f"{count:,} further entries, of each of which: {found}",
                "ordinary files",
                "Pack the fabrication data again, and nothing else",
            )
            for (found, weight), count in self.untold.items()
        ]
        alike: dict[str, list[str]] = {}
        for name in self.files:
            alike.setdefault(normalize("NFKC", name).casefold(), []).append(name)
        doubles = [names for names in alike.values() if len(names) > 1]
        self.defects += [
            Defect(
                "data.duplicate-role",
                Weight.QUERY,
                f"its name and {names[0]} differ only in capitals or in the form of a letter",
                "names every file system can tell apart",
                "Ask which of the two is meant; both were read",
                file=names[1],
            )
            for names in doubles[:MAX_TOLD]
        ]

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
        # A tar adds a 512-byte header, what it says beside it, and padding to each file.
        if self._read > MAX_BYTES + MAX_FILES * 2048:
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
