"""What a package is made of: a hash of its content, and its bytes for a worker elsewhere."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from dfmcheck.intake.opening import roles_beside

_LINK, _FILE, _CLOSED, _OTHER = "link", "file", "closed", "other"


@dataclass(frozen=True, slots=True)
class Bundle:
    """A package as bytes: entries are (path, kind, content). A folder's own name comes first in
    each path; the file of roles beside the package is one entry more."""

    name: str
    entries: tuple[tuple[str, str, bytes], ...]

    def unfold(self, folder: Path) -> Path:
        """Write the package below ``folder``, an empty one of ours; its path there."""
        (folder / self.name).parent.mkdir(parents=True, exist_ok=True)
        for name, kind, content in self.entries:
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if kind == _LINK:  # only that it is a link is looked at
                path.symlink_to("elsewhere")
            elif kind == _OTHER:
                os.mkfifo(path)
            elif kind == _CLOSED:
                path.touch(0)
            else:
                path.write_bytes(content)
        return folder / self.name


def digest(path: Path) -> str:
    """SHA-256 in hex over the names and bytes of a package, and of its roles beside it.

    Raises OSError for what cannot be read.
    """
    whole = hashlib.sha256()
    for name, kind, file in _parts(path):
        whole.update(f"{kind}\0".encode() + os.fsencode(name) + b"\0")
        if kind == _FILE:
            with file.open("rb") as stream:
                whole.update(hashlib.file_digest(stream, "sha256").digest())
    return whole.hexdigest()


def size(path: Path) -> int:
    """Bytes of all files of a package."""
    return sum(file.lstat().st_size for _, kind, file in _parts(path) if kind == _FILE)


def pack(path: Path) -> Bundle:
    """All bytes of a package. Raises OSError for what cannot be read."""
    return Bundle(
        path.name,
        tuple(
            (name, kind, file.read_bytes() if kind == _FILE else b"")
            for name, kind, file in _parts(path)
        ),
    )


def _parts(path: Path) -> Iterator[tuple[str, str, Path]]:
    """Path from the package's own name on, kind, and file; sorted, so that it is one order."""
    if path.is_dir():
        for folder, names, files in os.walk(path, onerror=_fail):
            names.sort()
            here = Path(folder)
            links = [name for name in names if (here / name).is_symlink()]
            for name in sorted([*files, *links]):
                file = here / name
                yield file.relative_to(path.parent).as_posix(), _kind(file), file
    else:
        yield path.name, _kind(path), path
    beside = roles_beside(path)
    if beside is not None:
        yield beside.name, _FILE, beside


def _kind(file: Path) -> str:
    mode = file.lstat().st_mode
    if stat.S_ISLNK(mode):
        return _LINK
    if not stat.S_ISREG(mode):
        return _OTHER
    return _FILE if os.access(file, os.R_OK) else _CLOSED


def _fail(error: OSError) -> None:
    raise error
