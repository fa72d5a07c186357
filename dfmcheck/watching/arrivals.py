"""What lies in the inbox, whether it is all there yet, and what it is by content."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from dfmcheck.intake.opening import roles_beside

UNFINISHED = (".part", ".partial", ".filepart", ".tmp", ".temp", ".crdownload", ".download")
COMPANIONS = (".roles.toml", ".waivers.toml")

Signature = tuple[tuple[str, int, int, int], ...]
"""Name, size, time of last change in ns and inode of every file, in order of names."""

_UNREADABLE: Signature = (("", -1, 0, 0),)


@dataclass(frozen=True, slots=True)
class Arrival:
    """A package in the inbox as it looked at one moment."""

    name: str
    path: Path
    signature: Signature

    @property
    def newest(self) -> int:
        """When something of it last changed, ns."""
        return max((changed for _, _, changed, _ in self.signature), default=0)


def arrivals(inbox: Path) -> list[Arrival]:
    """Every package in the inbox, the one that came first leading.

    Hidden names, names of unfinished uploads (:data:`UNFINISHED`), files that belong to a
    package (:data:`COMPANIONS`), links and special files are no packages.
    """
    found = []
    with os.scandir(inbox) as entries:
        names = sorted(entry.name for entry in entries if is_package(entry))
    for name in names:
        signature = signature_of(inbox / name)
        if signature is not None:
            found.append(Arrival(name, inbox / name, signature))
    return sorted(found, key=lambda one: (one.newest, one.name))


def is_package(entry: os.DirEntry[str]) -> bool:
    name = entry.name.lower()
    if name.startswith(".") or name.endswith((*UNFINISHED, *COMPANIONS)):
        return False
    try:
        return entry.is_file(follow_symlinks=False) or entry.is_dir(follow_symlinks=False)
    except OSError:
        return False


def signature_of(path: Path) -> Signature | None:
    """How a package looks now, with the roles that lie beside it; None when it is gone, or holds
    no file yet."""
    try:
        files = list(_files(path))
        roles = roles_beside(path)
        if roles is not None:
            files.append(("/roles", roles))
        rows = []
        for name, file in files:
            info = os.lstat(file)
            rows.append((name, info.st_size, info.st_mtime_ns, info.st_ino))
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError:
        return _UNREADABLE  # reading it will tell why
    return tuple(rows) if files else None


def digest_of(path: Path) -> str:
    """SHA-256 over name and content of a package, and the roles that lie beside it.

    Raises
    ------
    OSError
        Something of it cannot be read, or is gone.
    """
    whole = hashlib.sha256(_item(os.fsencode(path.name)))
    whole.update(b"folder" if path.is_dir() else b"file")
    for name, file in _files(path):
        whole.update(_item(os.fsencode(name)))
        if stat.S_ISREG(os.lstat(file).st_mode):
            whole.update(_content(file))
        elif stat.S_ISLNK(os.lstat(file).st_mode):
            whole.update(b"link" + _item(os.fsencode(file.readlink())))
    roles = roles_beside(path)
    if roles is not None:
        whole.update(b"roles" + _content(roles))
    return whole.hexdigest()


def _item(data: bytes) -> bytes:
    return len(data).to_bytes(8, "big") + data


def _content(file: Path) -> bytes:
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").digest()


def _files(path: Path) -> Iterator[tuple[str, Path]]:
    """What a package holds, by name inside it, in order; links are not followed."""
    if not stat.S_ISDIR(os.lstat(path).st_mode):
        yield "", path
        return
    for folder, below, names in os.walk(path, onerror=_raise):
        below.sort()
        for name in sorted(names + [b for b in below if (Path(folder) / b).is_symlink()]):
            file = Path(folder) / name
            yield file.relative_to(path).as_posix(), file


def _raise(error: OSError) -> None:
    raise error
