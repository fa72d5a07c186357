"""Which packages a folder holds, and whose they are.

A package is

* an archive (zip, tar, also packed), whatever it is called, or
* a folder that itself holds a Gerber or drill file, with all that is below it, or
* a folder of folders that only together make a board: some hold layers and no drill file,
  others drill files and no layer.

Formats are told by content. The customer is the first folder below the one searched; a package
that lies there by itself has none.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from dfmcheck.errors import UsageError
from dfmcheck.intake.sniff import HEAD, looks_archived, sniff

_ADMINISTRATION = {".git", ".svn", ".hg", "__MACOSX"}


@dataclass(frozen=True, slots=True)
class Found:
    """One package: where it lies, its path below the folder searched, its customer or ""."""

    path: Path
    name: str
    customer: str


@dataclass(frozen=True, slots=True)
class Search:
    """Packages by name, and files and folders left out with the reason."""

    packages: tuple[Found, ...]
    left_out: tuple[tuple[str, str], ...]


def discover(folder: Path, *, leave: Path | None = None) -> Search:
    """Find the packages below ``folder``; ``leave`` (the data set) is not looked into.

    Raises
    ------
    UsageError
        The folder is no folder, or holds no package.
    """
    if not folder.is_dir():
        raise UsageError(
            "it is no folder" if folder.exists() else "there is no such folder",
            "a folder of packages",
            "Give the folder that holds the packages, or screen one package with `screen`.",
            file=str(folder),
        )
    left_out: list[tuple[str, str]] = []
    skipped = None if leave is None else leave.resolve()
    paths = list(_inside(folder, folder, skipped, left_out))
    packages = tuple(
        Found(path, text(folder, path), customer(folder, path)) for path in sorted(set(paths))
    )
    if not packages:
        seen = "; ".join(f"{name}: {why}" for name, why in left_out[:3])
        raise UsageError(
            "no package was found" + (f" ({seen})" if seen else ""),
            "archives, or sub-folders that hold Gerber or drill files",
            "Give the folder above the packages.",
            file=str(folder),
        )
    return Search(packages, tuple(left_out))


def text(folder: Path, path: Path) -> str:
    """Path below the folder, with forward slashes and nothing that is no text."""
    name = path.relative_to(folder).as_posix()
    return os.fsencode(name).decode("utf-8", "replace")


def customer(folder: Path, path: Path) -> str:
    parts = text(folder, path).split("/")
    return parts[0] if len(parts) > 1 else ""


def _inside(
    root: Path, folder: Path, leave: Path | None, left_out: list[tuple[str, str]]
) -> Iterator[Path]:
    """Packages below a folder that is none itself."""
    for entry in _entries(root, folder, left_out):
        path = Path(entry.path)
        if entry.is_symlink():
            left_out.append((text(root, path), "it is a link and was not followed"))
        elif entry.is_dir():
            if entry.name in _ADMINISTRATION or (leave is not None and path.resolve() == leave):
                continue
            if _is_package(path):
                yield path
            else:
                yield from _inside(root, path, leave, left_out)
        elif entry.is_file():
            kind = _kind(path)
            if kind == "archive":
                yield path
            elif kind in ("gerber", "excellon"):
                # only the folder searched: any other that holds such a file is a package
                left_out.append((text(root, path), "it is a single file, in no package folder"))
            elif kind == "closed":
                left_out.append((text(root, path), "it may not be read"))


def _is_package(folder: Path) -> bool:
    kinds = {_kind(Path(entry.path)) for entry in _entries(folder, folder, []) if _plain(entry)}
    if kinds & {"gerber", "excellon"}:
        return True
    if "archive" in kinds:
        return False
    parts = [
        _held(Path(entry.path))
        for entry in _entries(folder, folder, [])
        if entry.is_dir() and not entry.is_symlink() and entry.name not in _ADMINISTRATION
    ]
    return {"gerber"} in parts and {"excellon"} in parts


def _held(folder: Path) -> set[str]:
    """Which of Gerber and drill files a folder itself holds."""
    kinds = {_kind(Path(entry.path)) for entry in _entries(folder, folder, []) if _plain(entry)}
    return kinds & {"gerber", "excellon"}


def _plain(entry: os.DirEntry[str]) -> bool:
    return entry.is_file() and not entry.is_symlink()


def _entries(
    root: Path, folder: Path, left_out: list[tuple[str, str]]
) -> Iterator[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as listing:
            entries = sorted(listing, key=lambda entry: entry.name)
    except OSError as error:
        left_out.append((text(root, folder), f"it cannot be opened ({error.strerror})"))
        return
    yield from entries


def _kind(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            head = stream.read(HEAD)
    except OSError:
        return "closed"
    return "archive" if looks_archived(head) else sniff(head)
